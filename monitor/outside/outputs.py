"""The files that a replay, and a belt's log, leave behind: formats fixed to the byte.

Every number is written with a fixed count of decimals and every line in a fixed order, so that the same
bytes in give the same bytes out on any machine. NaN (not known) is an empty cell in CSV, null in JSON.
A text cell that a spreadsheet would take for a formula gets a leading apostrophe; numbers stay numbers.
No pandas here: the daemon writes these files too.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from monitor.errors import RecordingError
from monitor.records import Event, Revolution, RevolutionRow, plain

REVOLUTION_COLUMNS = (
    "rev",
    "start_s",
    "end_s",
    "sensor",
    "position_mm",
    "position_se_mm",
    "walk_mm_per_rev",
    "walk_se_mm_per_rev",
    "profile_pp_mm",
    "behaviour",
    "samples",
    "lost",
    "pulley",
    "edge_min_mm",
    "edge_max_mm",
    "quality",
)
PROFILE_COLUMNS = ("sensor", "station_mm", "profile_mm")
TIME_DECIMALS = 6  # the board counts microseconds
LENGTH_DECIMALS = 6  # finer than any sensor, so that rounding never hides a difference in a test
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def format_text(text: str) -> str:
    """One CSV text cell: quoted where needed, harmless when a spreadsheet opens the file."""
    if text.startswith(FORMULA_STARTS):
        text = "'" + text
    if any(character in text for character in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def format_number(number: float, decimals: int = LENGTH_DECIMALS) -> str:
    """A number with fixed decimals; empty for NaN and infinities; never minus zero."""
    if not math.isfinite(number):
        return ""
    text = f"{number:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def format_cell(cell: object) -> str:
    """One CSV cell of any of the kinds that occur here."""
    if isinstance(cell, float):
        return format_number(cell)
    return format_text(str(cell))


def revolution_line(row: RevolutionRow) -> str:
    """One line of revolutions.csv, with its line end."""
    return ",".join(format_cell(getattr(row, column)) for column in REVOLUTION_COLUMNS) + "\n"


def event_line(event: Event) -> str:
    """One line of events.jsonl, with its line end: ASCII, keys in the order of records.Event."""
    return json.dumps(event.as_dict(), allow_nan=False, separators=(", ", ": ")) + "\n"


def summary_text(summary: dict[str, Any]) -> str:
    """The content of summary.json."""
    return json.dumps(plain(summary), allow_nan=False, indent=2) + "\n"


def write_outputs(
    folder: Path,
    revolutions: Iterable[Revolution],
    events: Iterable[Event],
    profile: Iterable[tuple[str, float, float]],
    summary: dict[str, Any],
) -> None:
    """Write the four files of a replay into a folder, which is made when absent. Raises RecordingError."""
    rows = [revolution_line(row) for revolution in revolutions for row in revolution.rows]
    points = [",".join(format_cell(cell) for cell in point) + "\n" for point in profile]
    texts = {
        "revolutions.csv": ",".join(REVOLUTION_COLUMNS) + "\n" + "".join(rows),
        "events.jsonl": "".join(event_line(event) for event in events),
        "profile.csv": ",".join(PROFILE_COLUMNS) + "\n" + "".join(points),
        "summary.json": summary_text(summary),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode())
    except OSError as problem:
        raise RecordingError(
            f"{folder}: the outputs cannot be written: {problem.strerror or problem}"
        ) from None
