"""A stand-in for the pipeline, so that the edge is tested by itself: whole lines in, simple events out.

It keeps the promises that the edge leans on: any chunks, entries at the first later record, a summary.
"""

from __future__ import annotations

import binascii
import math
import re
from collections.abc import Iterable
from typing import Any

from monitor.records import (
    Advice,
    Entry,
    Event,
    Message,
    Now,
    Revolution,
    RevolutionRow,
    SensorNow,
    Stage,
    Tally,
    Verdict,
)
from monitor.settings import Station

_LINE = re.compile(rb"([EMTBH]),([0-9A-F]{4}),([0-9A-F]{8}),([0-9A-F,]+)\*([0-9A-F]{4})\r")


def wire_line(kind: str, seq: int, time_us: int, rest: str) -> bytes:
    body = f"{kind},{seq % 65536:04X},{time_us % 2**32:08X},{rest}".encode()
    return body + b"*%04X\r\n" % binascii.crc_hqx(body, 0xFFFF)


def some_wire(seconds: float, *, start_us: int = 1000, mark_every: int = 100, counts: int = 0x8000) -> bytes:
    """Made-up records, 50 a second, with a mark each `mark_every` samples."""
    lines, seq = [wire_line("H", 0, start_us, "01,0000BEEF,02,0032")], 0
    for k in range(round(50 * seconds)):
        seq += 1
        lines.append(wire_line("E", seq, start_us + 20_000 * k, f"00,{counts:04X},{counts:04X}"))
        if k % mark_every == mark_every - 1:
            seq += 1
            lines.append(wire_line("M", seq, start_us + 20_000 * k + 7, f"{k // mark_every + 1:04X}"))
    return b"".join(lines)


class SimplePipeline:
    """A revolution and a note at each mark, link-lost at gaps, sensor-clipped on FFFF, entries echoed."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.t_s = math.nan
        self.rev = 0
        self.running = False
        self.stage: Stage = "watch"
        self.verdict: Verdict = "undecided"
        self.advice: Advice | None = None
        self._rest = b""
        self._good = self._rejected = 0
        self._first_us: int | None = None
        self._clipped = False
        self._waiting: list[tuple[float, Entry]] = []
        self._counts = 0

    @property
    def tally(self) -> Tally:
        return Tally(self._good, self._rejected, 0, {})

    def enter(self, entry: Entry, known_s: float | None = None) -> None:
        self._waiting.append((self.t_s if known_s is None else known_s, entry))

    def feed(self, data: bytes) -> list[Message]:
        *lines, self._rest = (self._rest + data).split(b"\n")
        return [message for line in lines for message in self._take(line)]

    def finish(self) -> list[Message]:
        return [Event(self._stamp(), self.rev, "note", "the-end")]

    def _stamp(self) -> float:
        return self.t_s if math.isfinite(self.t_s) else 0.0

    def _take(self, line: bytes) -> Iterable[Message]:
        match = _LINE.fullmatch(line)
        if match is None or binascii.crc_hqx(line[:-6], 0xFFFF) != int(match[5], 16):
            self._rejected += 1
            return
        self._good += 1
        time_us = int(match[3], 16)
        self._first_us = time_us if self._first_us is None else self._first_us
        before_s, self.t_s = self.t_s, max((time_us - self._first_us) / 1e6, self._stamp())
        if self.t_s - before_s > 2.0:
            yield Event(before_s + 2.0, self.rev, "alarm-raised", "link-lost")
            yield Event(self.t_s, self.rev, "alarm-cleared", "link-lost")
        due = [entry for known_s, entry in self._waiting if not known_s >= self.t_s]
        self._waiting = [(k, e) for k, e in self._waiting if k >= self.t_s]
        for entry in due:
            yield Event(self.t_s, self.rev, "note", type(entry).__name__, text=getattr(entry, "text", None))
        if match[1] == b"M":
            yield from self._revolve()
        if match[1] == b"E":
            yield from self._look(match[4])

    def _look(self, fields: bytes) -> Iterable[Message]:
        self._counts = int(fields[3:7], 16)
        clipped = self._counts == 0xFFFF
        if clipped != self._clipped:
            self._clipped = clipped
            kind = "alarm-raised" if clipped else "alarm-cleared"
            yield Event(self.t_s, self.rev, kind, "sensor-clipped", sensor=self.station.sensor[0].name)

    def _revolve(self) -> Iterable[Message]:
        self.rev += 1
        self.running = True
        if self.rev == 1:
            self.advice = Advice(
                self.t_s, 1, "wait", "The belt is being learnt.", "Guards on.", until_rev=4.0, minutes=1.0
            )
            yield Event(self.t_s, 1, "advice", "wait", text=self.advice.why)
            yield self.advice
        rows = tuple(
            RevolutionRow(
                self.rev, self.t_s - 2.0, self.t_s, s.name, self._counts / 7, math.nan, 0.1, math.nan,
                1.0, "learning", 100, 0, s.pulley, -1.0, 1.0, "good",
            )
            for s in self.station.sensor
        )  # fmt: skip
        yield Revolution(self.rev, self.t_s - 2.0, self.t_s, rows)

    def now(self) -> Now:
        names = [s.name for s in self.station.sensor]
        sensors = tuple(SensorNow(name, 0.1, math.nan, math.nan, "good") for name in names)
        return Now(self._stamp(), self.rev + 0.5, 0.45, self.running, sensors)

    def summary(self) -> dict[str, Any]:
        return {"revolutions": self.rev, "records_good": self._good, "verdict": self.verdict, "reasons": []}

    def profile_rows(self) -> list[tuple[str, float, float]]:
        return [(s.name, 10.0 * k, math.nan if k else 0.5) for s in self.station.sensor for k in range(3)]
