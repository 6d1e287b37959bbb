"""moves.csv: the take-up moves that the technician wrote down, as text -> MoveMade.

A line that cannot be understood is never skipped: the whole file is refused with one line for each fault.
"""

from __future__ import annotations

import re
from typing import Literal, cast

from monitor.errors import MovesFileError
from monitor.records import MoveMade, MoveWhere, Side

HEADER = ("time_s", "where", "side", "amount_mm")
MAX_TEXT = 1_000_000  # characters; a run-in has tens of moves
MAX_FAULTS = 20
MAX_TIME_S = 1e8  # about three years
MAX_AMOUNT_MM = 200.0  # more than any take-up screw travels at once
_NUMBER = re.compile(r"[+-]?[0-9]{1,12}(\.[0-9]{0,12})?")


def parse_moves(text: str, name: str = "moves.csv") -> list[MoveMade]:
    """The moves in order of time. Raises MovesFileError naming file, line and what was expected."""
    if len(text) > MAX_TEXT:
        raise MovesFileError(name, [f"is longer than {MAX_TEXT} characters, so it is no list of moves"])
    lines = [line.strip() for line in text.removeprefix("\ufeff").split("\n")]
    numbered = [(number, line) for number, line in enumerate(lines, 1) if line]
    if not numbered or tuple(cell.strip() for cell in numbered[0][1].split(",")) != HEADER:
        raise MovesFileError(name, [f"line 1: expected the heading {','.join(HEADER)}"])
    moves: list[MoveMade] = []
    faults: list[str] = []
    for number, line in numbered[1:]:
        try:
            moves.append(_parse_move(line))
        except ValueError as error:
            faults.append(f"line {number}: {error}")
        if len(faults) >= MAX_FAULTS:
            break
    if faults:
        raise MovesFileError(name, faults)
    return sorted(moves, key=lambda move: move.t_s)


def _parse_move(line: str) -> MoveMade:
    cells = [cell.strip() for cell in line.split(",")]
    if len(cells) != len(HEADER):
        raise ValueError(f"expected 4 values ({','.join(HEADER)}; decimals with a point), found {len(cells)}")
    t_s = _number(cells[0], "time_s", 0.0, MAX_TIME_S)
    where = _choice(cells[1], "where", ("infeed", "snub"))
    side = _choice(cells[2], "side", ("left", "right"))
    amount_mm = _number(cells[3], "amount_mm", -MAX_AMOUNT_MM, MAX_AMOUNT_MM)
    if amount_mm == 0.0:
        raise ValueError("amount_mm = 0: expected how far the bearing was moved, not 0")
    return MoveMade(t_s, cast(MoveWhere, where), cast(Side, side), amount_mm)


def _number(cell: str, key: Literal["time_s", "amount_mm"], low: float, high: float) -> float:
    found = float(cell) if _NUMBER.fullmatch(cell) else None
    if found is None or not low <= found <= high:
        raise ValueError(f"{key} = {_shown(cell)}: expected a number from {low:.10g} to {high:.10g}")
    return found


def _choice(cell: str, key: str, choices: tuple[str, ...]) -> str:
    if cell not in choices:
        raise ValueError(f"{key} = {_shown(cell)}: expected {' or '.join(choices)}")
    return cell


def _shown(cell: str) -> str:
    clean = "".join(c if c.isprintable() else "?" for c in cell[:40])
    return f'"{clean}"'
