"""The belt mark and the pulley ticks: when they pass, and when the board writes them down."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.simulation.board import Single
from monitor.simulation.params import Params

Floats = NDArray[np.float64]


class MarkSensor:
    """Sees the mark once per revolution; misses some passes and sees some twice, as asked."""

    def __init__(self, params: Params, rng: np.random.Generator) -> None:
        self._params = params
        self._rng = rng
        self._count = 0
        self._passes = 0
        self.passed_s: list[float] = []

    def start_anew(self) -> None:
        self._count = 0

    def see(self, time_s: Floats, travel_mm: Floats) -> list[Single]:
        """Marks passing in this stretch (both ends given, the last one belongs to the next)."""
        p = self._params
        turns = np.floor((travel_mm + p.start_station_mm - p.mark_offset_mm) / p.length_mm)
        singles: list[Single] = []
        for k in np.flatnonzero(np.diff(turns)):
            wall = max(turns[k], turns[k + 1]) * p.length_mm - p.start_station_mm + p.mark_offset_mm
            part = (wall - travel_mm[k]) / (travel_mm[k + 1] - travel_mm[k])
            passed_s = float(time_s[k] + part * (time_s[k + 1] - time_s[k]))
            self.passed_s.append(passed_s)
            singles += self._pulses(passed_s)
        return singles

    def _pulses(self, passed_s: float) -> list[Single]:
        p, number = self._params, self._passes
        self._passes += 1
        delay, again, kind = self._rng.random(3)
        if not p.marks or number in p.mark_missing:
            return []
        times_s = [passed_s]
        if number in p.mark_double:  # a bounce, or a second mark somewhere on the belt
            rev_s = p.length_mm / (1000.0 * p.speed_mps)
            times_s.append(passed_s + (0.05 + 0.5 * again if kind < 0.5 else (0.1 + 0.8 * again) * rev_s))
        singles = []
        for seen_s in times_s:
            self._count += 1
            stamp = math.ceil(seen_s * 1e6)
            write = stamp + math.ceil(delay * p.mark_delay_s * 1e6)
            singles.append(Single(write, "M", stamp, self._count))
        return singles


class TickSensor:
    """Counts pulley ticks; at a fixed cadence the board writes the total and the instant of the last one.

    It may miss ticks, count some twice, or see none for a while; the pulley may turn faster than the belt runs.
    """

    def __init__(self, params: Params) -> None:
        self._params = params
        self._tick_mm = math.pi * params.pulley_diameter_mm / max(params.ticks_per_turn, 1)
        self._rng = np.random.default_rng([params.seed, 7])
        self._slips = sorted(params.tick_slips, key=lambda c: c.start_s)
        self._turned_mm = 0.0  # by the pulley's rim
        self._base = 0
        self._total = 0
        self._last_s = 0.0
        self._next_s = 1.0 / params.tick_hz

    def start_anew(self) -> None:
        self._base = self._total

    def see(self, time_s: Floats, rolled_mm: Floats) -> list[Single]:
        """Tick records due in this stretch."""
        if not self._params.ticks_per_turn:
            return []
        turned = self._turned(time_s, rolled_mm)
        first, last = math.floor(turned[0] / self._tick_mm), math.floor(turned[-1] / self._tick_mm)
        passed_s = np.interp(np.arange(first + 1, last + 1) * self._tick_mm, turned, time_s)
        times_s = np.repeat(passed_s, self._pulses(passed_s))
        singles: list[Single] = []
        seen = 0
        while self._next_s < time_s[-1]:
            upto = int(np.searchsorted(times_s, self._next_s, side="right"))
            if upto > seen:
                self._last_s = float(times_s[upto - 1])
            self._total, seen = self._total + upto - seen, upto
            ticks, stamp = self._total - self._base, math.floor(self._last_s * 1e6)
            if ticks > 0:
                singles.append(Single(math.ceil(self._next_s * 1e6) + 30, "T", stamp, ticks))
            self._next_s += 1.0 / self._params.tick_hz
        if times_s.size > seen:
            self._last_s = float(times_s[-1])
            self._total += times_s.size - seen
        return singles

    def _turned(self, time_s: Floats, rolled_mm: Floats) -> Floats:
        """How far the pulley's rim went."""
        faster = np.ones(time_s.size - 1)
        for slip in self._slips:
            faster[time_s[1:] > slip.start_s] = slip.factor
        steps = np.cumsum(faster * np.diff(rolled_mm))
        turned: Floats = np.concatenate(([self._turned_mm], self._turned_mm + steps))
        self._turned_mm = float(turned[-1])
        return turned

    def _pulses(self, passed_s: Floats) -> NDArray[np.int64]:
        """How often each tick is counted."""
        p = self._params
        pulses = np.ones(passed_s.size, np.int64)
        if p.tick_loss or p.tick_double:
            draw = self._rng.random(passed_s.size)
            pulses[draw < p.tick_loss] = 0
            pulses[draw > 1.0 - p.tick_double] = 2
        for gap in p.tick_outages:
            pulses[(passed_s >= gap.start_s) & (passed_s < gap.start_s + gap.duration_s)] = 0
        return pulses
