"""Opening what was recorded: a capture (`*.wire`, `*.wire.gz`, a folder with one) or one of our own logs.

Decides what kind of recording a path is, and refuses with one sentence what is none. A log brings its station
file and what people said at its byte offsets, so that playing it makes the calls that were made live: the
same bytes, the same entries in between, hence the same events to the bit.
"""

from __future__ import annotations

import binascii
import gzip
import json
import re
import stat
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Literal, Protocol

from monitor.errors import EntryError, RecordingError
from monitor.outside.entries import Said, parse_said
from monitor.records import Entry, Message
from monitor.settings import Station, load_station

WIRE = "board.wire"
BELT_FILE = "belt.json"
ENTRIES_FILE = "entries.jsonl"
CHUNK_BYTES = 1 << 18  # a quarter MiB: large enough for the bulk path, small enough for a progress bar
SEARCH_BYTES = 1 << 20  # a capture shows a valid record within its first MiB
MAX_SMALL_FILE_BYTES = 1 << 24  # entries of a run are some kB; 16 MiB is not what we wrote
_RECORD = re.compile(rb"([EMTBH],[0-9A-F]{4},[0-9A-F]{8},[0-9A-F,]{2,106})\*([0-9A-F]{4})\r?\n")


class Player(Protocol):
    """What a recording is played into: the pipeline."""

    def feed(self, data: bytes) -> list[Message]: ...
    def enter(self, entry: Entry, known_s: float | None = None) -> None: ...
    def finish(self) -> list[Message]: ...


@dataclass(frozen=True, slots=True)
class Recording:
    """Bytes as they came, and what belongs to them.

    station: from the recording itself (a log), or from the station.toml beside a capture; None when absent.
    size_bytes: of the wire, uncompressed (for gzip what its trailer says), for a progress bar.
    entries: what people said, in order; only a log has any. moves_file: moves.csv beside a capture.
    """

    path: Path
    kind: Literal["capture", "log"]
    wire: Path
    station: Station | None
    size_bytes: int
    entries: tuple[Said, ...] = ()
    moves_file: Path | None = None
    belt: dict[str, Any] = field(default_factory=dict)

    def chunks(self, size: int = CHUNK_BYTES) -> Iterator[bytes]:
        """The wire bytes from the first to the last. Raises RecordingError where they cannot be read."""
        try:
            with _open_wire(self.wire) as file:
                while chunk := file.read(size):
                    yield chunk
        except (EOFError, zlib.error, gzip.BadGzipFile) as problem:
            raise RecordingError(f"{self.wire}: the gzip file is cut short or damaged ({problem})") from None
        except OSError as problem:
            raise RecordingError(f"{self.wire}: cannot be read: {problem.strerror or problem}") from None

    def play(
        self, into: Player, on_bytes: Callable[[int], None] | None = None, *, size: int = CHUNK_BYTES
    ) -> Iterator[list[Message]]:
        """Feeds everything, each entry at its offset, then finishes; yields the messages of each call."""
        waiting = list(reversed(self.entries))
        offset = 0
        for chunk in self.chunks(size):
            start = 0
            while waiting and waiting[-1].offset <= offset + len(chunk):
                cut = max(waiting[-1].offset - offset, start)
                if cut > start:
                    yield into.feed(chunk[start:cut])
                start = cut
                said = waiting.pop()
                into.enter(said.entry, said.known_s)
            if start < len(chunk):
                yield into.feed(chunk[start:])
            offset += len(chunk)
            if on_bytes is not None:
                on_bytes(len(chunk))
        for said in reversed(waiting):
            into.enter(said.entry, said.known_s)
        yield into.finish()


def open_recording(path: str | Path) -> Recording:
    """A capture file, a folder that holds one, or a log's folder. Raises RecordingError, StationFileError."""
    path = Path(path)
    wire = _find_wire(path)
    folder = wire.parent
    if wire.name in (WIRE, WIRE + ".gz") and (folder / BELT_FILE).is_file():
        return open_log(folder)
    size_bytes = _check_wire(wire)
    station_file, moves_file = folder / "station.toml", folder / "moves.csv"
    return Recording(
        path,
        "capture",
        wire,
        load_station(station_file) if station_file.is_file() else None,
        size_bytes,
        moves_file=moves_file if moves_file.is_file() else None,
    )


def open_log(path: str | Path) -> Recording:
    """One of our own logs, also one that a killed process left. Raises RecordingError, StationFileError."""
    folder = Path(path)
    wire = _find_wire(folder)
    station = load_station(folder / "station.toml")
    belt = _read_belt(folder / BELT_FILE)
    length_mm = belt.get("length_mm")
    if length_mm is not None:
        station = with_belt_length(station, length_mm)
    entries = tuple(read_entries(folder / ENTRIES_FILE))
    size_bytes = wire.stat().st_size if wire.name == WIRE else _check_wire(wire)
    return Recording(folder, "log", wire, station, size_bytes, entries, belt=belt)


def with_belt_length(station: Station, length_mm: float) -> Station:
    """The station with another belt's endless length; checked like the file. Raises ValueError."""
    tables = station.model_dump()
    tables["belt"]["length_mm"] = length_mm
    return Station.model_validate(tables)


def read_entries(path: Path) -> Iterator[Said]:
    """The entries of a log. A torn last line (no line end) is none; any other fault is a RecordingError."""
    if not path.exists():
        return
    lines = _read_small(path).split(b"\n")
    for number, line in enumerate(lines[:-1], start=1):
        try:
            yield parse_said(line)
        except EntryError as problem:
            raise RecordingError(f"{path}, line {number}: is no entry of a log: {problem}") from None


def valid_records(text: bytes) -> int:
    """How many whole records with a right CRC these bytes hold."""
    return sum(binascii.crc_hqx(m[1], 0xFFFF) == int(m[2], 16) for m in _RECORD.finditer(text))


# ---------------------------------------------------------------- finding and checking


def _find_wire(path: Path) -> Path:
    try:
        if path.is_dir():
            return _wire_in_folder(path)
        if not path.exists():
            raise RecordingError(f"{path}: there is no such file or folder")
    except (OSError, ValueError) as problem:
        raise RecordingError(f"{_shown(path)}: cannot be read: {problem}") from None
    return path


def _wire_in_folder(folder: Path) -> Path:
    for name in (WIRE, WIRE + ".gz"):
        if (folder / name).exists():
            return folder / name
    found = sorted({*folder.glob("*.wire"), *folder.glob("*.wire.gz")})
    if len(found) == 1:
        return found[0]
    what = (
        f"holds {len(found)} wire files; name one of them" if found else "holds no *.wire or *.wire.gz file"
    )
    raise RecordingError(f"{folder}: {what}")


def _open_wire(wire: Path) -> BinaryIO:
    file = wire.open("rb")
    if file.read(2) == b"\x1f\x8b":
        file.close()
        return gzip.open(wire, "rb")  # type: ignore[return-value]
    file.seek(0)
    return file


def _check_wire(wire: Path) -> int:
    """The wire's size in bytes, uncompressed. Raises RecordingError when it is no capture."""
    try:
        mode, size_bytes = wire.stat().st_mode, wire.stat().st_size
        if not stat.S_ISREG(mode):
            raise RecordingError(f"{wire}: is not a regular file")
        if size_bytes == 0:
            raise RecordingError(f"{wire}: is empty; expected records of wire format 1")
        with wire.open("rb") as raw:
            zipped = raw.read(2) == b"\x1f\x8b"
            if zipped and size_bytes > 8:
                raw.seek(-4, 2)
                size_bytes = int.from_bytes(raw.read(4), "little")
        with _open_wire(wire) as file:
            head = _read_head(file)
    except (EOFError, zlib.error, gzip.BadGzipFile) as problem:
        raise RecordingError(f"{wire}: the gzip file is cut short or damaged ({problem})") from None
    except OSError as problem:
        raise RecordingError(f"{wire}: cannot be read: {problem.strerror or problem}") from None
    if not head:
        raise RecordingError(f"{wire}: is empty; expected records of wire format 1")
    if not valid_records(head):
        raise RecordingError(
            f"{wire}: is not a capture: no valid record of wire format 1 in its first {len(head)} bytes"
        )
    return size_bytes


def _read_head(file: BinaryIO) -> bytes:
    """Up to the first MiB, stopping where valid records are found."""
    head = b""
    while len(head) < SEARCH_BYTES and (more := file.read(8192)):
        head += more
        if valid_records(more):
            break
    return head


def _read_small(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise RecordingError(f"{path}: is not a regular file")
        with path.open("rb") as file:
            content = file.read(MAX_SMALL_FILE_BYTES + 1)
    except OSError as problem:
        raise RecordingError(f"{path}: cannot be read: {problem.strerror or problem}") from None
    if len(content) > MAX_SMALL_FILE_BYTES:
        raise RecordingError(f"{path}: is larger than any that this program writes")
    return content


def _read_belt(path: Path) -> dict[str, Any]:
    if not path.exists():
        return {}
    try:
        belt = json.loads(_read_small(path))
    except (ValueError, RecursionError):
        raise RecordingError(f"{path}: is not the JSON object that a log's belt.json is") from None
    if not isinstance(belt, dict):
        raise RecordingError(f"{path}: is not the JSON object that a log's belt.json is")
    length_mm = belt.get("length_mm")
    if length_mm is not None and (isinstance(length_mm, bool) or not isinstance(length_mm, (int, float))):
        raise RecordingError(f"{path}: length_mm must be a number or null")
    return belt


def _shown(path: Path) -> str:
    return "".join(c if c.isprintable() else "?" for c in str(path)[:200])
