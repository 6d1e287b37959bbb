"""What people said, as lines of a log: each entry with when it was known and where in the bytes.

Numbers are written with every digit (a replay must enter exactly what was entered), unlike the rounded
figures that go to people.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, fields
from typing import Any

from monitor.errors import EntryError
from monitor.records import AlarmAcknowledged, AlarmShelved, Entry, MoveMade, NoteSaid, StageSaid

KINDS: dict[str, type[Entry]] = {
    "move": MoveMade,
    "stage": StageSaid,
    "note": NoteSaid,
    "acknowledge": AlarmAcknowledged,
    "shelve": AlarmShelved,
}
_NAMES = {kind: name for name, kind in KINDS.items()}


@dataclass(frozen=True, slots=True)
class Said:
    """An entry, the board time at which it became known, and how many bytes had been fed by then."""

    known_s: float
    offset: int
    entry: Entry


def said_line(said: Said, utc: str) -> bytes:
    """One line of entries.jsonl. `utc` is a label for people."""
    head = {"known_s": said.known_s, "offset": said.offset, "utc": utc, "kind": _NAMES[type(said.entry)]}
    line = json.dumps({**head, "entry": asdict(said.entry)}, allow_nan=False, separators=(", ", ": "))
    return line.encode("ascii") + b"\n"


def parse_said(line: bytes) -> Said:
    """The entry of one line of entries.jsonl. Raises EntryError saying what is wrong with it."""
    try:
        found = json.loads(line)
        kind = KINDS[found["kind"]]
        given: dict[str, Any] = found["entry"]
        known = {field.name for field in fields(kind)}
        if not given.keys() <= known:
            raise ValueError(f"unknown key {sorted(given.keys() - known)[0]!r}")
        said = Said(float(found["known_s"]), int(found["offset"]), kind(**given))
        _check_kinds(said)
    except KeyError as missing:
        raise EntryError(f"{missing.args[0]!r} is missing or not known") from None
    except (ValueError, TypeError, RecursionError, AttributeError) as problem:
        raise EntryError(str(problem).split("\n")[0][:200]) from None
    return said


def _check_kinds(said: Said) -> None:
    numbers = [said.known_s, said.entry.t_s]
    if isinstance(said.entry, MoveMade):
        numbers.append(said.entry.amount_mm)
    for number in numbers:
        if isinstance(number, bool) or not isinstance(number, (int, float)) or not math.isfinite(number):
            raise ValueError(f"expected a finite number, not {number!r}")
    if said.offset < 0:
        raise ValueError("offset must not be negative")
