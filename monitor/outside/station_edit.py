"""Change numbers in the [[sensor]] tables of a station file and leave all else, comments too, as it is.

The text is edited line by line; then old and new text are both read as TOML, and the change is kept only
if nothing but the wanted numbers differs.
"""

from __future__ import annotations

import copy
import os
import re
import tempfile
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

from monitor.errors import StationFileError

HEADER = re.compile(r"^\s*\[\[?[^\[\]]+\]\]?\s*(#.*)?$")
SENSOR = re.compile(r"^\s*\[\[\s*sensor\s*\]\]\s*(#.*)?$")


def with_sensor_numbers(
    text: str, sensor: str, numbers: dict[str, float | int], name: str = "station.toml"
) -> str:
    """The text with these keys of that [[sensor]] table set. Raises StationFileError."""
    lines = text.split("\n")
    start, end = _table_of(lines, sensor, name)
    for key, number in numbers.items():
        pattern = re.compile(rf"""^(\s*(?:{key}|"{key}"|'{key}')\s*=\s*)[^#\s]+(\s*(?:#.*)?)$""")
        hits = [at for at in range(start, end) if pattern.match(lines[at])]
        if hits:
            lines[hits[0]] = pattern.sub(rf"\g<1>{number}\g<2>", lines[hits[0]])
        else:
            indent = re.match(r"\s*", lines[start])
            end_of_line = "\r" if lines[start].endswith("\r") else ""
            lines.insert(start + 1, f"{indent.group() if indent else ''}{key} = {number}{end_of_line}")
            end += 1
    changed = "\n".join(lines)
    wanted = copy.deepcopy(tomllib.loads(text))
    for table in wanted["sensor"]:
        if table.get("name") == sensor:
            table.update(numbers)
    if _read(changed) != wanted:
        raise _cannot(name, sensor, numbers)
    return changed


def write_station_text(path: Path, text: str) -> None:
    """Replace the file in one step: a power cut leaves the old or the new one. Raises StationFileError."""
    target = Path(os.path.realpath(path))
    try:
        mode = target.stat().st_mode & 0o777
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", newline="", dir=target.parent, prefix=f".{target.name}.", delete=False
        ) as new:
            new.write(text)
            new.flush()
            os.fsync(new.fileno())
        os.chmod(new.name, mode)
        os.replace(new.name, target)
    except OSError as problem:
        raise StationFileError(str(path), [f"cannot be written: {problem.strerror}"]) from None


def _table_of(lines: list[str], sensor: str, name: str) -> tuple[int, int]:
    """First line of that sensor's table and the line after its last."""
    headers = [at for at, line in enumerate(lines) if HEADER.match(line)] + [len(lines)]
    for start, end in pairwise(headers):
        if SENSOR.match(lines[start]):
            table = _read("\n".join([*lines[start:end], ""]))
            if table is not None and table["sensor"][0].get("name") == sensor:
                return start, end
    raise _cannot(name, sensor, {})


def _read(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _cannot(name: str, sensor: str, numbers: dict[str, float | int]) -> StationFileError:
    by_hand = ", ".join(f"{key} = {number}" for key, number in numbers.items())
    hint = f"; put it in by hand: {by_hand}" if by_hand else ""
    return StationFileError(name, [f'[[sensor]] name = "{sensor}": cannot be changed in this file{hint}'])
