"""One belt in the bay: a fresh pipeline from its first byte, and the log of exactly those bytes.

Decides when a run becomes worth a log: when the belt runs, when somebody names the belt or says
anything about it. Until then the bytes are kept in memory (and go into the log first when it starts),
so that the log alone gives every figure. An idle bay thus fills no disk: past a bound the idle bytes
are let go and a new run begins.

Nothing is said before the log holds it on the disk (`sync`), and `said_count` counts what was given out to be said;
the outbox keeps that count under the run's mark. Since a log that is replayed gives the same messages again, the
next start knows exactly which of them a killed process still owes.

A disk that fails does not stop the measuring: the log ends where it failed, which is said, and the run
goes on.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from monitor.outside.belt_log import BeltLog, BeltTag, Finished, LogBroken
from monitor.outside.captures import with_belt_length
from monitor.outside.entries import Said
from monitor.outside.log_lines import fault, note
from monitor.records import Advice, Entry, Message, Now, Stage, Tally, Verdict
from monitor.settings import Station

IDLE_BYTES = 2 << 20  # about 20 minutes of two channels at 50 samples a second
STANDING_S = 7200.0  # a belt that stood for two hours is done with, or a new shift begins


class Watched(Finished, Protocol):
    """The pipeline, as the service sees it."""

    @property
    def t_s(self) -> float: ...
    @property
    def rev(self) -> int: ...
    @property
    def running(self) -> bool: ...
    @property
    def stage(self) -> Stage: ...
    @property
    def verdict(self) -> Verdict: ...
    @property
    def advice(self) -> Advice | None: ...
    @property
    def tally(self) -> Tally: ...
    def now(self) -> Now: ...


PipelineMaker = Callable[[Station], Watched]


@dataclass(frozen=True, slots=True)
class Clock:
    """The host's clocks; a test passes its own."""

    mono_ns: Callable[[], int]
    utc: Callable[[], datetime]


class BeltRun:
    """See the module's opening lines. `tag` None: nobody named the belt."""

    def __init__(
        self, root: Path, station: Station, station_text: str, tag: BeltTag | None, make: PipelineMaker,
        clock: Clock,
    ) -> None:  # fmt: skip
        self.tag = tag
        length_mm = tag.length_mm if tag is not None else None
        self.station = station if length_mm is None else with_belt_length(station, length_mm)
        self.pipeline = make(self.station)
        self.log: BeltLog | None = None
        self.log_failed: str | None = None
        self.unlogged_bytes = 0
        self.mark = secrets.token_hex(8)
        self.said_count = 0
        self._root, self._station_text, self._clock = root, station_text, clock
        self._idle_bytes = bytearray()
        self._idle_messages: list[Message] = []
        self._ran_s = 0.0
        if tag is not None:
            self._open_log()

    @property
    def t_s(self) -> float:
        """Board time, s; 0 before the first record."""
        t_s = self.pipeline.t_s
        return t_s if t_s == t_s else 0.0

    @property
    def idle(self) -> bool:
        """Nothing is being logged, and nothing went wrong."""
        return self.log is None and self.log_failed is None

    @property
    def is_over(self) -> bool:
        """An idle run that has grown too long, or a belt that has stood for too long."""
        if self.idle:
            return len(self._idle_bytes) > IDLE_BYTES
        return self.tag is None and self.t_s - self._ran_s > STANDING_S

    def feed(self, data: bytes, mono_ns: int) -> list[Message]:
        """Bytes as they came: into the log first, then into the pipeline."""
        if self.idle:
            self._idle_bytes += data
        else:
            self._log_bytes(data, mono_ns)
        messages = self.pipeline.feed(data)
        self._keep(messages)
        self.said_count += len(messages)
        if self.pipeline.running:
            self._ran_s = self.t_s
            if self.idle:
                self._open_log()
        return messages

    def enter(self, entry: Entry) -> bool:
        """What a person said; True when it is safe on the disk."""
        if self.idle:
            self._open_log()
        known_s = self.t_s
        if self.log is not None:
            said = Said(known_s, self.log.bytes_written, entry)
            self._guard(lambda log: log.say(said, self._clock.utc(), self._clock.mono_ns()))
        self.pipeline.enter(entry, known_s)
        return self.log is not None

    def note_time(self, what: str) -> None:
        """Something happened on the host's side: the port was lost, or came back."""
        self._guard(lambda log: log.note_time(what, self._clock.utc(), self._clock.mono_ns()))

    def tick(self) -> None:
        """Call often: the log's sync."""
        self._guard(lambda log: log.tick(self._clock.utc(), self._clock.mono_ns()))

    def sync(self) -> None:
        """All bytes so far are on the disk when this returns, if the log can still be written."""
        self._guard(lambda log: log.sync(self._clock.utc(), self._clock.mono_ns()))

    def finish(self) -> list[Message]:
        """The bytes end; what the pipeline still had to say. Say it, then call `close`."""
        messages = self.pipeline.finish()
        self._keep(messages)
        self.said_count += len(messages)
        return messages

    def close(self, why: str) -> bool:
        """The log is closed; everything must have been said. False: it stays open for the next start."""
        closed = self.log_failed is None
        if self.log is not None:
            try:
                folder = self.log.close(self.pipeline, why, self._clock.utc(), self._clock.mono_ns())
                note("log-closed", folder=folder.name, why=why, bytes=self.log.bytes_written)
            except LogBroken as problem:
                fault("log-failed", why=problem)
                closed = False
            self.log = None
        return closed

    def abandon(self) -> None:
        """Leave the log as it is; the next start recovers it."""
        if self.log is not None:
            self.log.abandon()
            self.log = None

    # ------------------------------------------------------------ the log

    def _open_log(self) -> None:
        tag = self.tag or BeltTag()
        utc, mono_ns = self._clock.utc(), self._clock.mono_ns()
        try:
            self.log = BeltLog(self._root, self._station_text, tag, utc, mono_ns, run=self.mark)
        except LogBroken as problem:
            self._fail(problem)
            return
        note("log-opened", folder=self.log.name, serial=tag.serial or "unnamed")
        idle, messages = bytes(self._idle_bytes), self._idle_messages
        self._idle_bytes, self._idle_messages = bytearray(), []
        self._log_bytes(idle, mono_ns)
        self._guard(lambda log: log.record(messages))

    def _log_bytes(self, data: bytes, mono_ns: int) -> None:
        if self.log is None:
            self.unlogged_bytes += len(data)
        else:
            self._guard(lambda log: log.append(data, self._clock.utc(), mono_ns))

    def _keep(self, messages: list[Message]) -> None:
        if self.idle:
            self._idle_messages += messages
        else:
            self._guard(lambda log: log.record(messages))

    def _guard(self, write: Callable[[BeltLog], Any]) -> None:
        if self.log is None:
            return
        try:
            write(self.log)
        except LogBroken as problem:
            self._fail(problem)

    def _fail(self, problem: LogBroken) -> None:
        """The disk refused: never try again on this log, say so, and go on measuring."""
        self.log_failed = str(problem)
        self.unlogged_bytes += len(self._idle_bytes)
        self._idle_bytes, self._idle_messages = bytearray(), []
        fault("log-failed", why=problem)
        self.abandon()


def real_clock() -> Clock:
    """The host's own clocks."""
    return Clock(time.monotonic_ns, lambda: datetime.now(UTC))
