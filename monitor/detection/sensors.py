"""Which samples can be believed, and which sensor cannot: the gate before everything else.

Works on raw counts, channel by channel, record by record, one record late (a spike is told from
its two neighbours). Decides: clipped (on a rail), silent (dropped to the rail from mid-range: a
broken loop), stuck (the same count again and again, which white noise cannot do), noisy (spread
over a window well above what this sensor had, or too many lone spikes). Noise is the median
absolute first difference of a window of WINDOW records, divided by 0.954 (normal noise; Rousseeuw
and Croux 1993 discuss such scale estimates); windows are counted in records, so results do not
depend on how the bytes were cut.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..records import EdgeBlock
from ..settings import Station

T = TypeVar("T")
WINDOW = 128  # records in a noise window: 2.6 s at 50 Hz, spread known to 9 %
ONES = np.ones(WINDOW, np.int64)
STUCK_RUN = 25  # identical counts running; noise of 20 counts makes even 5 running a one in 1e7 event
STUCK_SPAN_US = 300_000  # and at least this long, for very fast boards
RAIL_COUNTS = 65  # a count this near to a rail is on it: 0.1 % of the range, more than an open input's hum
FAR_COUNTS = 6000  # an edge does not go from here to the rail within three samples: a broken loop does
RAIL_SIGMAS = (
    4.0  # of its noise, by which readings of a clipped sensor must be off the rail to be the edge again
)
RAIL_RUN = 3  # records on a rail before the sensor counts as clipped (one may be a spike)
SPIKE_SIGMAS = 7.0  # a sample this far from the median of itself and its neighbours is a lone spike
NOISY_RATIO = 3.0  # spread above the learnt one that names a sensor noisy; two windows running
SPIKE_SHARE = 0.003  # share of lone spikes over SPIKE_WINDOWS windows that names a sensor noisy
SPIKE_WINDOWS = 8
MEAN_WINDOWS = 10  # noise windows that the variance told to others is the mean of, with fading memory
AT_ONCE = 1.5  # ... but a spread so much above the known one is followed at once
MAX_NOISE_MM = 1.5  # a sensor that was noisy from the start has no learnt spread to compare with
HISTORY = 20_000  # changes of noise and fault kept: more than the longest block of samples can hold
UNKNOWN = (math.nan, math.nan)  # noise before any window
NO_SIGNAL_FLAGS = 0b110  # reference out of range, test pattern
UNHEARD = ("sensor-stuck", "sensor-clipped", "sensor-silent")  # faults that leave nothing to go by


@dataclass(frozen=True, slots=True)
class SensorFinding:
    """A sensor fault begins or ends at time_us. value_mm: the spread or the size that told it."""

    time_us: int
    channel: int
    name: str
    active: bool
    value_mm: float
    why: str


@dataclass(slots=True)
class _Channel:
    counts_per_mm: float
    fault: str = ""
    run: int = 0
    run_start_us: int = 0
    rail_run: int = 0
    calm: int = 0
    last_good: int = 32768
    noise_counts: float = 0.0  # that spikes are told against: quick upward, slow downward, so 10 % too large
    white_counts: float = 0.0  # root mean square, without bias
    learnt: list[float] = field(default_factory=list)
    high_windows: int = 0
    low_windows: int = 0
    spikes: list[int] = field(default_factory=list)
    noises: list[tuple[int, tuple[float, float]]] = field(
        default_factory=list
    )  # (time_us, counts of both): how the noise became known
    faults: list[tuple[int, str]] = field(default_factory=list)  # (time_us, name): how the fault changed

    @property
    def spike_counts(self) -> float:
        """A lone reading that is farther from its neighbours is a spike."""
        return SPIKE_SIGMAS * self.noise_counts if self.noise_counts > 0.0 else math.inf


@dataclass(frozen=True, slots=True, eq=False)
class GatedBlock:
    """Samples with what can be believed. counts: (n, sensors) int64; good: (n, sensors) bool; lost: (n,)."""

    time_us: NDArray[np.int64]
    counts: NDArray[np.int64]
    good: NDArray[np.bool_]
    lost: NDArray[np.int64]

    def part(self, start: int, stop: int | None = None) -> GatedBlock:
        """The samples from start up to stop (the end without one)."""
        cut = slice(start, stop)
        return GatedBlock(self.time_us[cut], self.counts[cut], self.good[cut], self.lost[cut])


class _Records(NamedTuple):
    """A block under judgement. clear: (n, sensors) not on a rail, and usable: (n,) with a sound reference."""

    time: NDArray[np.int64]
    now: NDArray[np.int64]
    clear: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    good: NDArray[np.bool_]


class SensorGate:
    """Gate for the sensors of a station, in the station file's order."""

    def __init__(self, station: Station) -> None:
        self._pick = [s.channel for s in station.sensor]
        self._channels = [_Channel(abs(s.counts_per_mm)) for s in station.sensor]
        n = len(self._pick)
        self._time = np.empty(0, np.int64)
        self._counts = np.empty((0, n), np.int64)
        self._flags = np.empty(0, np.uint8)
        self._lost = np.empty(0, np.int64)
        # of the window under way: records, their jumps, pairs of believed ones with the sum of squared jumps, spikes
        self._in_window = 0
        self._jumps = np.empty((0, n), np.int64)
        self._pairs, self._squares, self._window_spikes = (np.zeros(n, np.int64) for _ in range(3))
        self._was_good = np.zeros(n, np.bool_)  # the last record gated

    def fault(self, sensor: int, time_us: float = math.inf) -> str:
        """The fault that the sensor had at that time (the latest of all without one), or an empty text."""
        faults = self._channels[sensor].faults
        return _latest(faults, time_us, "") if faults else ""

    def same_until_us(self, sensor: int, time_us: float) -> float:
        """Until when the sensor's fault and noise stay as they were at that time (inf: no change is known)."""
        c = self._channels[sensor]
        return min(_next_us(c.faults, time_us), _next_us(c.noises, time_us))

    def noise_mm(self, sensor: int, time_us: float = math.inf) -> float:
        """White noise of one sample, mm (standard deviation), rather too large, as known then; NaN before any."""
        c = self._channels[sensor]
        return _latest(c.noises, time_us, UNKNOWN)[0] / c.counts_per_mm

    def white_mm(self, sensor: int, time_us: float = math.inf) -> float:
        """The same without bias: the root mean square of what is believed, heavy tails and all."""
        c = self._channels[sensor]
        return _latest(c.noises, time_us, UNKNOWN)[1] / c.counts_per_mm

    def restart(self) -> None:
        """Forget the samples under way: nothing is bridged over a restart of the board."""
        n = len(self._pick)
        self._time, self._flags, self._lost = (
            np.empty(0, np.int64),
            np.empty(0, np.uint8),
            np.empty(0, np.int64),
        )
        self._counts = np.empty((0, n), np.int64)

    def take(self, block: EdgeBlock) -> tuple[GatedBlock, list[SensorFinding]]:
        """Gate a block; the last record is held back until its successor is known."""
        held = min(2, self._time.size)
        time = np.concatenate((self._time, block.time_us))
        channels = block.counts.shape[1]
        picked = np.zeros((block.counts.shape[0], len(self._pick)), np.int64)
        for k, channel in enumerate(self._pick):
            if channel < channels:
                picked[:, k] = block.counts[:, channel]
        counts = np.concatenate((self._counts, picked))
        flags = np.concatenate((self._flags, block.flags))
        lost = np.concatenate((self._lost, block.lost))
        first = 1 if held == 2 else 0
        stop = time.size - 1
        if stop <= first:
            self._time, self._counts, self._flags, self._lost = time, counts, flags, lost
            empty = np.empty((0, len(self._pick)), np.int64)
            return GatedBlock(time[:0], empty, empty.astype(bool), lost[:0]), []
        before = counts[first - 1 : stop - 1] if first else np.concatenate((counts[1:2], counts[: stop - 1]))
        now, after = counts[first:stop], counts[first + 1 : stop + 1]
        median = np.maximum(np.minimum(before, now), np.minimum(np.maximum(before, now), after))
        heard = (now > RAIL_COUNTS) & (now < 65535 - RAIL_COUNTS)
        usable = (flags[first:stop] & NO_SIGNAL_FLAGS) == 0
        good, findings = self._judge(time[first:stop], before, now, np.abs(now - median), heard, usable)
        gated = GatedBlock(time[first:stop], now, good, lost[first:stop])
        self._time, self._counts = time[stop - 1 :], counts[stop - 1 :]
        self._flags, self._lost = flags[stop - 1 :], lost[stop - 1 :]
        return gated, findings

    def _judge(
        self,
        time: NDArray[np.int64],
        before: NDArray[np.int64],
        now: NDArray[np.int64],
        aside: NDArray[np.int64],
        heard: NDArray[np.bool_],
        usable: NDArray[np.bool_],
    ) -> tuple[NDArray[np.bool_], list[SensorFinding]]:
        """What is good of records, and what was found. aside: how far each is from its neighbours; heard: off rails.

        Windows are cut at fixed record counts, wherever the blocks end.
        """
        findings: list[SensorFinding] = []
        total = time.size
        good = np.empty((total + 1, now.shape[1]), np.bool_)  # the first of the last record before
        good[0] = self._was_good
        clear = heard & usable[:, None]
        odd = [np.flatnonzero(of).tolist() for of in ((now == before) | ~clear).T]
        records = _Records(time, now, clear, usable, good[1:])
        jumps = np.abs(now - before)
        self._jumps = np.concatenate((self._jumps, jumps))
        spreads = iter(self._spreads())
        squared = jumps * jumps
        position, at = 0, [0] * len(odd)
        while position < total:
            stop = min(position + WINDOW - self._in_window, total)
            part = slice(position, stop)
            self._in_window += stop - position
            spike = (aside[part] > [c.spike_counts for c in self._channels]) & heard[part]
            good[position + 1 : stop + 1] = clear[part] & ~spike
            for k, c in enumerate(self._channels):
                until = bisect_left(odd[k], stop, at[k])
                found = odd[k][at[k] : until]
                at[k] = until
                self._runs(k, c, records, found, position, stop, findings)
            sound = good[position + 1 : stop + 1] & good[position:stop]
            ones = ONES[: stop - position]  # a product with them is the quickest sum of so few
            self._pairs += ones @ sound
            self._squares += ones @ (squared[part] * sound)
            self._window_spikes += ones @ spike
            if self._in_window == WINDOW:
                self._close_windows(int(time[stop - 1]), next(spreads), findings)
            position = stop
        self._was_good = good[-1].copy()
        findings.sort(key=lambda f: (f.time_us, f.channel))
        return good[1:], findings

    def _spreads(self) -> list[list[float]]:
        """Spread of each whole window of jumps, for all channels, counts; jumps of the window under way are kept."""
        windows = len(self._jumps) // WINDOW
        whole = self._jumps[: windows * WINDOW].reshape(windows, WINDOW, len(self._channels))
        self._jumps = self._jumps[windows * WINDOW :]
        half = WINDOW // 2
        middle = np.partition(whole, (half - 1, half), axis=1)[:, half - 1 : half + 1]
        spreads: list[list[float]] = (0.5 * middle.sum(axis=1) / 0.954).tolist()
        return spreads

    def _close_windows(self, time_us: int, spreads: list[float], findings: list[SensorFinding]) -> None:
        sums = zip(self._pairs.tolist(), self._squares.tolist(), self._window_spikes.tolist(), strict=True)
        for k, (pairs, squared, spikes) in enumerate(sums):
            self._window(k, self._channels[k], time_us, spreads[k], pairs, squared, spikes, findings)
        for total in (self._pairs, self._squares, self._window_spikes):
            total[:] = 0
        self._in_window = 0

    def _runs(
        self,
        k: int,
        c: _Channel,
        of: _Records,
        odd: list[int],
        start: int,
        stop: int,
        findings: list[SensorFinding],
    ) -> None:
        """Runs of identical counts and of rails from start to stop. odd: where something is the same or on a rail."""
        for i in odd:
            self._sound(k, c, of, start, i, findings)
            start = i + 1
            t = int(of.time[i])
            if not of.clear[i, k]:
                c.rail_run += 1
                c.run = c.calm = 0
                if c.rail_run == RAIL_RUN and c.fault not in ("sensor-clipped", "sensor-silent"):
                    self._unheard(k, c, t, int(of.now[i, k]), bool(of.usable[i]), findings)
                continue
            c.rail_run = 0
            if c.run == 0:
                c.run_start_us = t
            c.run += 1
            c.calm = 0
            if c.run >= STUCK_RUN and t - c.run_start_us >= STUCK_SPAN_US and c.fault != "sensor-stuck":
                self._set(k, c, t, "sensor-stuck", findings)
            if c.fault == "sensor-stuck":
                of.good[i, k] = False
        self._sound(k, c, of, start, stop, findings)

    def _sound(
        self, k: int, c: _Channel, of: _Records, start: int, stop: int, findings: list[SensorFinding]
    ) -> None:
        """From start to stop nothing was the same twice, and nothing on a rail."""
        if stop <= start:
            return
        c.run = c.rail_run = 0
        c.last_good = int(of.now[stop - 1, k])
        margin = RAIL_COUNTS + RAIL_SIGMAS * c.noise_counts
        for i in range(start, stop if c.fault in UNHEARD else start):
            away = min(int(of.now[i, k]), 65535 - int(of.now[i, k]))
            c.calm = 0 if c.fault == "sensor-clipped" and away <= margin else c.calm + 1
            if c.calm >= STUCK_RUN:
                self._set(k, c, int(of.time[i]), "", findings)
                return
            if c.fault == "sensor-stuck":
                of.good[i, k] = False

    def _unheard(
        self, k: int, c: _Channel, time_us: int, counts: int, usable: bool, findings: list[SensorFinding]
    ) -> None:
        """On a rail, or without a reference: is the edge out of range, or is nothing to be heard?"""
        if not usable:
            why = "the board says that its reference voltage is out of range, or that this is a test pattern"
            self._set(k, c, time_us, "sensor-silent", findings, why=why)
        elif min(c.last_good, 65535 - c.last_good) > FAR_COUNTS and counts < 32768:
            self._set(k, c, time_us, "sensor-silent", findings, why="its reading dropped to nothing at once")
        else:
            self._set(k, c, time_us, "sensor-clipped", findings)

    def _set(
        self,
        k: int,
        c: _Channel,
        time_us: int,
        fault: str,
        findings: list[SensorFinding],
        value: float = float("nan"),
        why: str = "",
    ) -> None:
        if c.fault == fault:
            return
        if c.fault:
            findings.append(SensorFinding(time_us, k, c.fault, False, float("nan"), ""))
        c.fault = fault
        c.faults.append((time_us, fault))
        del c.faults[:-HISTORY]
        c.calm = 0
        if fault:
            findings.append(SensorFinding(time_us, k, fault, True, value, why))

    def _window(
        self,
        k: int,
        c: _Channel,
        time_us: int,
        spread: float,
        pairs: int,
        squared: int,
        spikes: int,
        findings: list[SensorFinding],
    ) -> None:
        """Close a noise window of one channel: its spread, its differences of two believed samples, its spikes."""
        variance = squared / (2.0 * pairs) if pairs >= WINDOW // 2 else spread * spread
        c.spikes.append(spikes)
        del c.spikes[:-SPIKE_WINDOWS]
        if c.fault in UNHEARD or spread <= 0.0:
            return
        if len(c.learnt) < 4:
            c.learnt.append(spread)
            self._know(
                c,
                time_us,
                sorted(c.learnt)[len(c.learnt) // 2],
                math.sqrt((c.white_counts**2 * (len(c.learnt) - 1) + variance) / len(c.learnt)),
            )
            return
        learnt = sorted(c.learnt[:4])[1]
        spread_mm = spread / c.counts_per_mm
        high = spread > NOISY_RATIO * learnt or spread_mm > MAX_NOISE_MM
        c.high_windows = c.high_windows + 1 if high else 0
        c.low_windows = 0 if spread > 0.67 * NOISY_RATIO * learnt else c.low_windows + 1
        share = sum(c.spikes) / (WINDOW * SPIKE_WINDOWS)
        spiky = share > SPIKE_SHARE and sum(n > 0 for n in c.spikes) >= 3
        if c.fault == "" and (c.high_windows >= 2 or spiky):
            why = (
                "its readings scatter more than they did"
                if c.high_windows >= 2
                else "lone readings jump away and back"
            )
            self._set(k, c, time_us, "sensor-noisy", findings, spread_mm, why)
        elif c.fault == "sensor-noisy" and c.low_windows >= 4 and share < SPIKE_SHARE / 3:
            self._set(k, c, time_us, "", findings)
        # the working spread follows quickly upward, slowly downward; spikes are told against the learnt one
        mean = c.white_counts**2 + (variance - c.white_counts**2) / MEAN_WINDOWS
        white = math.sqrt(variance if spread > AT_ONCE * c.noise_counts else mean)
        self._know(c, time_us, max(spread, 0.9 * c.noise_counts + 0.1 * spread), white)

    @staticmethod
    def _know(c: _Channel, time_us: int, noise_counts: float, white_counts: float) -> None:
        c.noise_counts, c.white_counts = noise_counts, white_counts
        c.noises.append((time_us, (noise_counts, white_counts)))
        del c.noises[:-HISTORY]

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


def _latest(changes: list[tuple[int, T]], time_us: float, default: T) -> T:
    """The value of the last change not after time_us."""
    for at, value in reversed(changes):
        if at <= time_us:
            return value
    return default


def _next_us(changes: list[tuple[int, T]], time_us: float) -> float:
    """When the first change after time_us was; inf: none."""
    first = math.inf
    for at, _ in reversed(changes):
        if at <= time_us:
            break
        first = at
    return first
