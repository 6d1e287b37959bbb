"""Does a board speak wire format 1? What is right, what is wrong, and what could not be seen.

Bytes go in with the host's monotonic time of their arrival; `report` gives one finding a topic. The
format's own words decide what is wrong. Where it gives no number the limit is ours (common practice,
no source) and a finding beyond it is `doubtful`: a bay can run with it, and its maker should know.

The board's clock is held against the host's by a line through the earliest arrivals: bytes come late by
the adapter's whims but never early, so in each second the record with the least delay is taken.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.readings.clock import signed_us
from monitor.readings.line_faults import explain_line
from monitor.readings.wire import (
    BAD_REFERENCE,
    LOST_SAMPLES,
    MAX_CHANNELS,
    MAX_LINE,
    TEST_PATTERN,
    VERSION,
    WireLine,
    parse_line,
)

Level = Literal["right", "doubtful", "wrong", "not seen"]
Ints = NDArray[np.int64]

LOSS_SHARE = 0.2  # a line that loses records is numbered rightly still; more is wrong numbering
NOISE_SHARE = 1e-3  # so few bad lines may be a disturbed cable; more are the board's
HELLO_S = 10.0
HELLO_SLACK_S = 1.0
PERIOD_SHARE = 0.01  # the period may be this far from what the hello says
JITTER_RIGHT, JITTER_WRONG = 0.1, 0.5  # 99th percentile of the departure from the median period, in periods
DRIFT_RIGHT_PPM, DRIFT_WRONG_PPM = (
    200.0,
    10_000.0,
)  # two crystals; a resonator without a crystal; no microseconds
DRIFT_SPREAD_PPM = 2_000.0  # a wider spread says nothing
LOAD_RIGHT, LOAD_WRONG = 0.85, 0.98  # share of the line's capacity, 10 bits a byte
NEVER_US = -(1 << 62)
MARK_OLD_US, MARK_NEW_US = 1_000_000, 20_000  # an M record belongs near the E records around it


@dataclass(frozen=True, slots=True)
class Finding:
    """One topic: what is to be said of it, and how grave it is."""

    topic: str
    level: Level
    says: str


@dataclass(frozen=True, slots=True)
class _Seen:
    line: WireLine
    host_s: float
    time_us: int  # unwrapped
    after_gap: bool


class Examination:
    """Listens to a board. `baud` None: the line's speed does not matter (USB, a network)."""

    def __init__(self, baud: int | None = 115_200) -> None:
        self._baud = baud
        self._rest = b""
        self._synchronised = False
        self._bytes = 0
        self._first_s = self._last_s = float("nan")
        self._bad: Counter[str] = Counter()
        self._examples: dict[str, bytes] = {}
        self._seen: list[_Seen] = []
        self._steps: Counter[int] = Counter()
        self._time_us = 0

    def feed(self, data: bytes, host_s: float) -> None:
        """Bytes that arrived by `host_s`, seconds on any clock that runs evenly."""
        if self._bytes == 0:
            self._first_s = host_s
        self._last_s = host_s
        self._bytes += len(data)
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-2 * MAX_LINE :]
        for line in lines:
            if self._synchronised:
                self._take(line + b"\n", host_s)
            self._synchronised = True  # what came before the first line end may be half a line

    def _take(self, line: bytes, host_s: float) -> None:
        found = parse_line(line)
        if isinstance(found, str):
            why = explain_line(line)
            self._bad[why] += 1
            self._examples.setdefault(why, line[:140])
            return
        step = 1
        if self._seen:
            before = self._seen[-1].line
            step = (found.seq - before.seq) & 0xFFFF
            self._steps[step] += 1
            self._time_us += signed_us(found.time_us - before.time_us)
        self._seen.append(_Seen(found, host_s, self._time_us, step != 1))

    # ------------------------------------------------------------ findings

    def report(self) -> list[Finding]:
        """Everything that can be said by now, topic by topic."""
        if not self._seen:
            return [self._silence()]
        return [
            self._lines(),
            self._hello(),
            self._channels(),
            self._sequence(),
            *self._cadence(),
            self._clock(),
            self._marks(),
            self._ticks(),
            self._flags(),
            *self._counts(),
            *self._load(),
        ]

    def _of(self, kind: str) -> list[_Seen]:
        return [seen for seen in self._seen if seen.line.kind == kind]

    def _span_s(self) -> float:
        return self._last_s - self._first_s

    def _silence(self) -> Finding:
        if self._bytes == 0:
            return Finding(
                "bytes",
                "wrong",
                "not one byte came: is it this port, is the board on, are A and B exchanged?",
            )
        bad = self._bad.most_common(1)
        why = f"; most often: {bad[0][0]}" if bad else "; no line end came either"
        return Finding("lines", "wrong", f"{self._bytes} bytes came, not one right line{why}")

    def _lines(self) -> Finding:
        good, bad = len(self._seen), sum(self._bad.values())
        if bad == 0:
            return Finding("lines", "right", f"{good} lines, every one with the right fields and checksum")
        why, times = self._bad.most_common(1)[0]
        level: Level = "doubtful" if bad <= NOISE_SHARE * (good + bad) else "wrong"
        example = self._examples[why].decode("ascii", errors="backslashreplace").rstrip()
        return Finding(
            "lines", level, f"{bad} of {good + bad} lines are no records; {times} times: {why} ({example})"
        )

    def _hello(self) -> Finding:
        hellos = self._of("H")
        if not hellos:
            long = self._span_s() > HELLO_S + HELLO_SLACK_S
            return Finding(
                "hello",
                "wrong" if long else "not seen",
                f"no H record in {self._span_s():.0f} s; one is due at start-up and every 10 s",
            )
        said = {seen.line.fields for seen in hellos}
        version, board, channels, rate_hz = hellos[-1].line.fields
        if len(said) > 1:
            return Finding("hello", "wrong", f"the H records disagree: {len(said)} different ones came")
        if version != VERSION:
            return Finding("hello", "wrong", f"version {version:02X}, expected {VERSION:02X}")
        if not 1 <= channels <= MAX_CHANNELS or rate_hz == 0:
            return Finding("hello", "wrong", f"{channels} channels at {rate_hz} samples a second cannot be")
        gaps_s = np.diff([seen.time_us for seen in hellos]) / 1e6
        late_s = float(gaps_s.max()) if len(gaps_s) else 0.0
        who = f"board {board:08X}, {channels} channels, {rate_hz} samples a second"
        if late_s > HELLO_S + HELLO_SLACK_S:
            return Finding("hello", "wrong", f"{who}; {late_s:.1f} s between two of them, 10 s is the rule")
        return Finding("hello", "right", who)

    def _channels(self) -> Finding:
        widths = Counter(len(seen.line.fields) - 1 for seen in self._of("E"))
        if not widths:
            return Finding("channels", "wrong", "no E record came")
        if len(widths) > 1:
            return Finding(
                "channels", "wrong", f"E records of {sorted(widths)} channels; the number must not change"
            )
        channels = next(iter(widths))
        hellos = self._of("H")
        if hellos and hellos[-1].line.fields[2] != channels:
            return Finding(
                "channels",
                "wrong",
                f"E records carry {channels}, the hello says {hellos[-1].line.fields[2]}",
            )
        return Finding("channels", "right", f"{channels} in every E record")

    def _sequence(self) -> Finding:
        steps = sum(self._steps.values())
        odd = steps - self._steps[1]
        if odd == 0:
            return Finding("sequence", "right", f"seq rose by one {steps} times, nothing lost")
        if odd > LOSS_SHARE * steps:
            step, times = self._steps.most_common(1)[0]
            return Finding(
                "sequence",
                "wrong",
                f"seq must rise by one from record to record, over all letters; {odd} of {steps} steps "
                f"did not (most often it rose by {step}, {times} times)",
            )
        lost = sum((step - 1) * times for step, times in self._steps.items() if 1 < step < 0x8000)
        back = sum(times for step, times in self._steps.items() if step == 0 or step >= 0x8000)
        says = f"{lost} records lost in {odd - back} gaps"
        return Finding(
            "sequence", "doubtful", says + (f"; {back} steps back or without change" if back else "")
        )

    def _cadence(self) -> Iterator[Finding]:
        edges = self._of("E")
        if len(edges) < 10:
            yield Finding("cadence", "not seen", f"only {len(edges)} E records")
            return
        times_us = np.array([seen.time_us for seen in edges], np.int64)
        steps_us = np.diff(times_us)
        if int(steps_us.min()) <= 0:
            yield Finding(
                "cadence", "wrong", "the time of E records must grow from one to the next; it did not"
            )
            return
        period_us = float(np.median(steps_us))
        hellos = self._of("H")
        if hellos and hellos[-1].line.fields[3]:
            rate_hz = hellos[-1].line.fields[3]
            wide = abs(period_us * rate_hz / 1e6 - 1.0) > PERIOD_SHARE
            says = f"a sample each {period_us:.0f} us, the hello says {rate_hz} a second"
            yield Finding("cadence", "wrong" if wide else "right", says)
        whole = steps_us[~np.array([seen.after_gap for seen in edges[1:]])]
        if len(whole) >= 10:
            jitter = float(np.percentile(np.abs(whole - period_us), 99)) / period_us
            level: Level = "right" if jitter <= JITTER_RIGHT else "doubtful"
            level = "wrong" if jitter > JITTER_WRONG else level
            yield Finding("jitter", level, f"99 of 100 samples within {100 * jitter:.1f} % of a period")

    def _clock(self) -> Finding:
        drift = clock_drift_ppm([(seen.time_us, seen.host_s) for seen in self._of("E")])
        if drift is None or drift[1] > DRIFT_SPREAD_PPM:
            return Finding(
                "clock", "not seen", "too few seconds to hold the board's clock against the host's"
            )
        ppm, spread_ppm = drift
        says = f"the board's clock goes {ppm:+.0f} ppm against the host's (spread {spread_ppm:.0f} ppm)"
        beyond_ppm = abs(ppm) - 1.96 * spread_ppm
        if beyond_ppm > DRIFT_WRONG_PPM:
            ratio = 1.0 + ppm * 1e-6
            return Finding(
                "clock", "wrong", f"time must count microseconds; it counts {ratio:.4g} of them in one"
            )
        if beyond_ppm > DRIFT_RIGHT_PPM:
            return Finding("clock", "doubtful", says + ": a resonator instead of a crystal?")
        return Finding("clock", "right", says)

    def _marks(self) -> Finding:
        marks = self._of("M")
        if not marks:
            return Finding("marks", "not seen", "no M record: no mark passed, or none is fitted")
        counts = np.array([seen.line.fields[0] for seen in marks], np.int64)
        clear = ~np.array([seen.after_gap for seen in marks[1:]], dtype=bool)
        if np.any((np.diff(counts)[clear] & 0xFFFF) != 1):
            return Finding("marks", "wrong", "count must rise by one from mark to mark")
        edge_us = np.array([seen.time_us for seen in self._of("E")], np.int64)
        mark_us = np.array([seen.time_us for seen in marks], np.int64)
        if len(edge_us) < 2:
            return Finding("marks", "not seen", "no E records to hold the marks against")
        order = [k for k, seen in enumerate(self._seen) if seen.line.kind == "M"]
        latest_us = np.array([self._latest_edge_us(k) for k in order], np.int64)
        away = (mark_us - latest_us)[latest_us > NEVER_US]
        if np.any((away < -MARK_OLD_US) | (away > MARK_NEW_US + int(np.median(np.diff(edge_us))))):
            return Finding("marks", "wrong", "an M record's time is far from the E records around it")
        if len(marks) >= 3 and bool(np.isin(mark_us, edge_us).all()):
            return Finding(
                "marks", "doubtful", "every mark has the time of a sample: it must be caught at its own edge"
            )
        gaps_s = np.diff(mark_us) / 1e6
        every = f", {np.median(gaps_s):.3f} s apart in the middle" if len(gaps_s) else ""
        return Finding("marks", "right", f"{len(marks)} marks{every}")

    def _latest_edge_us(self, index: int) -> int:
        for seen in reversed(self._seen[:index]):
            if seen.line.kind == "E":
                return seen.time_us
        return NEVER_US

    def _ticks(self) -> Finding:
        records = [(seen.line.fields[0], seen.after_gap) for seen in self._of("T")]
        if not records:
            return Finding("ticks", "not seen", "no T record: no tick sensor, or the pulley stands")
        steps = [(b[0] - a[0]) & 0xFFFFFFFF for a, b in pairwise(records)]
        if any(step >= 1 << 31 for step in steps):
            return Finding(
                "ticks", "wrong", "the tick total went down; it counts from start-up and only wraps"
            )
        return Finding("ticks", "right", f"{len(records)} T records, {sum(steps)} ticks")

    def _flags(self) -> Finding:
        flags = [seen.line.fields[0] for seen in self._of("E")]
        meanings: tuple[tuple[int, Level, str], ...] = (
            (0xF8, "wrong", "have bits set that wire format 1 does not know"),
            (TEST_PATTERN, "doubtful", "are a test pattern, no belt: is the jumper still fitted?"),
            (BAD_REFERENCE, "doubtful", "say that the reference voltage is out of range"),
            (LOST_SAMPLES, "doubtful", "say that the board lost samples"),
        )
        for bits, level, words in meanings:
            many = sum(1 for flag in flags if flag & bits)
            if many:
                return Finding("flags", level, f"{many} of {len(flags)} E records {words}")
        return Finding("flags", "right", "none set")

    def _counts(self) -> Iterator[Finding]:
        by_width = defaultdict(list)
        for seen in self._of("E"):
            by_width[len(seen.line.fields)].append(seen.line.fields[1:])
        for rows in by_width.values():
            counts = np.array(rows, np.int64)
            for channel, column in enumerate(counts.T):
                clipped = float(np.mean((column == 0) | (column == 0xFFFF)))
                low, high = int(column.min()), int(column.max())
                if clipped > 0.0:
                    says = f"at a rail in {100 * clipped:.3g} % of the samples: out of range or not connected"
                    yield Finding(f"channel {channel}", "doubtful", says)
                elif low == high and len(column) >= 100:
                    says = f"never moved from {low} counts: is a sensor on it?"
                    yield Finding(f"channel {channel}", "doubtful", says)
                else:
                    yield Finding(f"channel {channel}", "right", f"{low} to {high} counts")

    def _load(self) -> Iterator[Finding]:
        span_s = self._span_s()
        if self._baud is None or not span_s > 1.0:
            return
        share = self._bytes * 10.0 / span_s / self._baud
        level: Level = "right" if share <= LOAD_RIGHT else "doubtful"
        level = "wrong" if share > LOAD_WRONG else level
        yield Finding("load", level, f"the records fill {100 * share:.0f} % of the line at {self._baud} baud")


def clock_drift_ppm(arrivals: list[tuple[int, float]]) -> tuple[float, float] | None:
    """How fast the board's clock goes against the host's, and its standard error, both in ppm.

    arrivals: board time in us and host time in s of records. None for less than 5 s of them.
    """
    if len(arrivals) < 10:
        return None
    board_s = np.array([board_us for board_us, _ in arrivals], np.float64) / 1e6
    host_s = np.array([host for _, host in arrivals], np.float64)
    host_s = host_s - host_s[0]
    second = np.floor(host_s).astype(np.int64)
    late_s = host_s - (board_s - board_s[0])
    if abs(float(late_s[-1] - late_s[0])) > 0.1 * float(host_s[-1]) > 0.0:
        picks = np.arange(len(host_s))  # a clock so wrong that "least delay" means nothing
    else:
        picks = np.array(
            [np.flatnonzero(second == s)[np.argmin(late_s[second == s])] for s in np.unique(second)]
        )
    x, y = host_s[picks], board_s[picks]
    dx = x - x.mean()
    sxx = float(dx @ dx)
    if len(picks) < 5 or sxx <= 0.0:
        return None
    slope = float(dx @ y) / sxx
    residual = y - y.mean() - slope * dx
    se = float(np.sqrt(residual @ residual / (len(picks) - 2) / sxx))
    return (slope - 1.0) * 1e6, se * 1e6
