"""The log of one belt: complete enough that a replay says the same, and safe when the process is killed.

A log is a folder. Its name is `<UTC start>_<serial>` with `.part` at the end until it is closed. In it:

    board.wire       the bytes as they came, rejected ones too; synced to the disk each second
    board.times      byte offset, host's monotonic clock (ns), host's UTC: each second and at every change
    entries.jsonl    what people said, with the board time and the byte offset; synced at once
    station.toml     the station file's text; belt.json: serial, length and remarks of the belt
    events.jsonl, revolutions.csv    as they happen, for people who look on; not synced
    profile.csv, summary.json, closed.json    written at the close

Only the first five are the record; the rest follows from them and is made anew when a process was
killed. The bytes of one log go through a fresh pipeline from the first to the last, so the log alone
gives every figure. A failed write or sync is not tried again on that log: the system forgets such pages
and would then report success.

A belt's serial comes from outside. `folder_part` makes it a harmless name; folders and files are made
relative to an open folder and never through a symbolic link.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from monitor.errors import RuninError
from monitor.outside.captures import BELT_FILE, ENTRIES_FILE, WIRE, Player, open_log
from monitor.outside.entries import Said, said_line
from monitor.outside.log_lines import note, warn
from monitor.outside.outputs import (
    PROFILE_COLUMNS,
    REVOLUTION_COLUMNS,
    event_line,
    format_cell,
    revolution_line,
    summary_text,
)
from monitor.records import Event, Message, Revolution
from monitor.settings import Station

TIMES_FILE = "board.times"
SYNC_NS = 1_000_000_000  # what a killed machine may lose: the last second
PART = ".part"
STARTED = re.compile(r"\d{8}T\d{6}Z_")  # a log's name begins with its UTC start
NAME_LENGTH = 64
RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?")  # device names elsewhere
NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC


class Finished(Player, Protocol):
    """A pipeline at its end."""

    def summary(self) -> dict[str, Any]: ...
    def profile_rows(self) -> list[tuple[str, float, float]]: ...


@dataclass(frozen=True, slots=True)
class BeltTag:
    """Which belt a log is of. No serial: it started by itself when a belt ran."""

    serial: str | None = None
    length_mm: float | None = None
    customer_ref: str = ""
    note: str = ""


class LogBroken(Exception):
    """The disk refused a write; the log goes no further. The text says why."""


class BeltLog:
    """An open log. Every method that writes raises LogBroken; after that only `abandon` is of use."""

    def __init__(
        self, root: Path, station_text: str, belt: BeltTag, utc: datetime, mono_ns: int, *, run: str = ""
    ) -> None:
        """Makes the folder under `root`, which is made when absent. run: the run's own mark (see belt_run)."""
        self._files: dict[str, int] = {}
        self.bytes_written = 0
        self._synced_ns = self._timed_ns = mono_ns
        self._dirty = False
        try:
            root.mkdir(parents=True, exist_ok=True)
            self._root_fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self.name = _make_folder(self._root_fd, f"{utc:%Y%m%dT%H%M%SZ}_{folder_part(belt.serial)}")
            flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
            self._folder_fd = os.open(self.name + PART, flags, dir_fd=self._root_fd)
            self._write_small("station.toml", station_text.encode())
            self._write_small(BELT_FILE, _belt_text(belt, utc, run))
            for name in (WIRE, TIMES_FILE, ENTRIES_FILE, "events.jsonl", "revolutions.csv"):
                self._files[name] = os.open(name, NEW_FILE, 0o640, dir_fd=self._folder_fd)
            self._append(TIMES_FILE, b"offset,monotonic_ns,utc,what\n")
            self._append("revolutions.csv", ",".join(REVOLUTION_COLUMNS).encode() + b"\n")
            self.note_time("opened", utc, mono_ns)
            os.fsync(self._folder_fd)
            os.fsync(self._root_fd)
        except OSError as problem:
            raise LogBroken(f"{root}: no log can be made there: {problem.strerror or problem}") from problem
        self.folder = root / (self.name + PART)

    def append(self, data: bytes, utc: datetime, mono_ns: int) -> None:
        """Bytes as they came."""
        if not data:
            return
        self._append(WIRE, data)
        self.bytes_written += len(data)
        self._dirty = True
        self.tick(utc, mono_ns)

    def say(self, said: Said, utc: datetime, mono_ns: int) -> None:
        """What a person said: on the disk, with all bytes before it, when this returns."""
        self.sync(utc, mono_ns)
        self._append(ENTRIES_FILE, said_line(said, utc_text(utc)))
        self._sync_file(ENTRIES_FILE)

    def record(self, messages: Iterable[Message]) -> None:
        """What the pipeline said, for people who look on."""
        for message in messages:
            if isinstance(message, Event):
                self._append("events.jsonl", event_line(message).encode())
            elif isinstance(message, Revolution):
                self._append("revolutions.csv", "".join(map(revolution_line, message.rows)).encode())

    def note_time(self, what: str, utc: datetime, mono_ns: int) -> None:
        """The host's clocks beside the byte offset; `what` happened: opened, time, port-lost and so on."""
        self._append(TIMES_FILE, f"{self.bytes_written},{mono_ns},{utc_text(utc)},{what}\n".encode())
        self._timed_ns = mono_ns

    def tick(self, utc: datetime, mono_ns: int) -> None:
        """Call often: syncs when a second has passed."""
        if mono_ns - self._synced_ns >= SYNC_NS and self._dirty:
            self.sync(utc, mono_ns)

    def sync(self, utc: datetime, mono_ns: int) -> None:
        """All bytes so far are on the disk when this returns."""
        self._synced_ns = mono_ns
        if not self._dirty:
            return
        if mono_ns - self._timed_ns >= SYNC_NS:
            self.note_time("time", utc, mono_ns)
        self._sync_file(WIRE)
        self._sync_file(TIMES_FILE)
        self._dirty = False

    def close(self, pipeline: Finished, why: str, utc: datetime, mono_ns: int) -> Path:
        """Writes what follows from the whole run, and takes the `.part` off; returns the folder."""
        self._dirty = True
        self.note_time("closed", utc, mono_ns)
        self.sync(utc, mono_ns)
        try:
            for name in self._files:
                self._sync_file(name)
            _write_closing(self._folder_fd, pipeline, why, utc, self.bytes_written)
            name = _take_off_part(self._root_fd, self.name)
        except OSError as problem:
            raise LogBroken(f"{self.folder}: cannot be closed: {problem.strerror or problem}") from problem
        finally:
            self.abandon()
        self.folder = self.folder.parent / name
        return self.folder

    def abandon(self) -> None:
        """Let go of the files without closing the log; the next start recovers it."""
        for fd in (*self._files.values(), self._folder_fd, self._root_fd):
            with contextlib.suppress(OSError):
                os.close(fd)
        self._files = {}
        self._folder_fd = self._root_fd = -1

    def _append(self, name: str, text: bytes) -> None:
        try:
            _write_all(self._files[name], text)
        except (OSError, KeyError) as problem:
            why = getattr(problem, "strerror", None) or "the log is closed"
            raise LogBroken(f"{name} of log {self.name}: {why}") from problem

    def _sync_file(self, name: str) -> None:
        try:
            os.fsync(self._files[name])
        except (OSError, KeyError) as problem:
            raise LogBroken(f"{name} of log {self.name}: not on the disk: {problem}") from problem

    def _write_small(self, name: str, text: bytes) -> None:
        _write_new(self._folder_fd, name, text)


# ---------------------------------------------------------------- names


def folder_part(serial: str | None) -> str:
    """A belt's serial as part of a folder's name: at most 73 characters of A-Z a-z 0-9 . _ - and %.

    What is not plain is percent-escaped, cut, and told apart by eight digits of its SHA-256, so that two
    serials never share a name unless they differ in case or composed form only.
    """
    if serial is None:
        return "unnamed"
    text = unicodedata.normalize("NFC", serial)
    plain = re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", text)
    if plain and ".." not in text and not text.endswith((".", PART)) and not RESERVED.fullmatch(text):
        return text
    encoded = text.encode("utf-8", "surrogatepass")
    safe = "".join(chr(b) if chr(b).isalnum() and b < 128 else f"%{b:02X}" for b in encoded[:NAME_LENGTH])
    return f"{safe[:NAME_LENGTH]}-{hashlib.sha256(encoded).hexdigest()[:8]}"


def utc_text(utc: datetime) -> str:
    """RFC 3339 with milliseconds and Z."""
    return utc.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _make_folder(root_fd: int, wanted: str) -> str:
    """Makes `<name>.part`, with a number behind when the name is taken (also in other case)."""
    taken = {entry.lower() for entry in os.listdir(root_fd)}
    for number in range(1, 10_000):
        name = wanted if number == 1 else f"{wanted}-{number}"
        if name.lower() in taken or (name + PART).lower() in taken:
            continue
        try:
            os.mkdir(name + PART, 0o750, dir_fd=root_fd)
            return name
        except FileExistsError:
            continue
    raise FileExistsError(17, "too many logs of that name")


def _take_off_part(root_fd: int, name: str) -> str:
    os.rename(name + PART, name, src_dir_fd=root_fd, dst_dir_fd=root_fd)
    os.fsync(root_fd)
    return name


# ---------------------------------------------------------------- writing


def _belt_text(belt: BeltTag, utc: datetime, run: str) -> bytes:
    content = {"format": 1, **asdict(belt), "started_utc": utc_text(utc), "run": run}
    return json.dumps(content, indent=2).encode() + b"\n"


def _write_all(fd: int, text: bytes) -> None:
    """Every byte: the system may take fewer at a time, as on a full disk."""
    view = memoryview(text)
    while view:
        view = view[os.write(fd, view) :]


def _write_new(folder_fd: int, name: str, text: bytes) -> None:
    """A whole file that is either there, synced, or not: written beside and renamed."""
    beside = name + ".new"
    if beside in os.listdir(folder_fd):
        os.unlink(beside, dir_fd=folder_fd)
    fd = os.open(beside, NEW_FILE, 0o640, dir_fd=folder_fd)
    try:
        _write_all(fd, text)
        os.fsync(fd)
    finally:
        os.close(fd)
    os.rename(beside, name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd)


def _write_closing(folder_fd: int, pipeline: Finished, why: str, utc: datetime, size_bytes: int) -> None:
    points = [",".join(map(format_cell, point)) + "\n" for point in pipeline.profile_rows()]
    closed = {"why": why, "closed_utc": utc_text(utc), "wire_bytes": size_bytes}
    _write_new(folder_fd, "profile.csv", (",".join(PROFILE_COLUMNS) + "\n" + "".join(points)).encode())
    _write_new(folder_fd, "summary.json", summary_text(pipeline.summary()).encode())
    _write_new(folder_fd, "closed.json", json.dumps(closed, indent=2).encode() + b"\n")
    os.fsync(folder_fd)


# ---------------------------------------------------------------- after a kill


def left_open(root: Path) -> list[Path]:
    """The logs under `root` that a killed process left. Ask before a new log is made there."""
    if not root.is_dir():
        return []
    return sorted(p for p in root.iterdir() if p.name.endswith(PART) and p.is_dir() and not p.is_symlink())


def newest_log(root: Path) -> str:
    """The name of the last log that was begun under `root`, without `.part`; empty when there is none."""
    if not root.is_dir():
        return ""
    names = [p.name.removesuffix(PART) for p in root.iterdir() if STARTED.match(p.name) and p.is_dir()]
    return max(names, default="")


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a log that was left open says when it is replayed. `run`: its run's mark; `log`: its name."""

    run: str
    log: str
    messages: list[Message]


class NotYet(Exception):
    """What a log says could not be said; it is left open for the next start."""


Teller = Callable[[Replayed], None]


def recover_logs(
    parts: Iterable[Path],
    make_pipeline: Callable[[Station], Finished],
    utc: datetime,
    tell: Teller | None = None,
) -> list[Path]:
    """Closes every log that was left open; returns the folders that are whole now.

    One that cannot be read keeps its bytes and gets the ending `.unreadable`. Nothing is deleted.
    `tell` is called with what each one says before it is closed; when it raises NotYet, that log stays open.
    Cost: a replay of each; the caller runs it beside its work.
    """
    found = [recover_log(part, make_pipeline, utc, tell) for part in parts]
    return [folder for folder in found if folder is not None]


def recover_log(
    part: Path, make_pipeline: Callable[[Station], Finished], utc: datetime, tell: Teller | None = None
) -> Path | None:
    """Closes one log that was left open; None when it cannot be read. See recover_logs."""
    root_fd = os.open(part.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        replayed = _make_outputs_anew(part, root_fd, make_pipeline, utc)
        if tell is not None:
            tell(replayed)
        name = _take_off_part(root_fd, part.name.removesuffix(PART))
        note("log-recovered", folder=name)
        return part.parent / name
    except NotYet:
        return None
    except Exception as problem:  # whatever is wrong with one log, the others and the start go on
        warn("log-not-recovered", folder=part.name, why=problem)
        _set_aside(root_fd, part.name)
        return None
    finally:
        os.close(root_fd)


def _make_outputs_anew(
    part: Path, root_fd: int, make_pipeline: Callable[[Station], Finished], utc: datetime
) -> Replayed:
    recording = open_log(part)
    if recording.station is None:
        raise RuninError("no station file")
    pipeline = make_pipeline(recording.station)
    messages = [message for batch in recording.play(pipeline) for message in batch]
    events = "".join(event_line(m) for m in messages if isinstance(m, Event))
    rows = "".join(revolution_line(row) for m in messages if isinstance(m, Revolution) for row in m.rows)
    folder_fd = os.open(part.name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=root_fd)
    try:
        _write_new(folder_fd, "events.jsonl", events.encode())
        _write_new(folder_fd, "revolutions.csv", (",".join(REVOLUTION_COLUMNS) + "\n" + rows).encode())
        _write_closing(folder_fd, pipeline, "interrupted", utc, recording.size_bytes)
    finally:
        os.close(folder_fd)
    return Replayed(str(recording.belt.get("run", "")), part.name.removesuffix(PART), messages)


def _set_aside(root_fd: int, name: str) -> None:
    try:
        os.rename(name, name.removesuffix(PART) + ".unreadable", src_dir_fd=root_fd, dst_dir_fd=root_fd)
    except OSError as problem:
        warn("log-not-set-aside", folder=name, why=problem)
