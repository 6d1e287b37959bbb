"""Does one section of the belt depart from its learnt profile? Told from the whole belt by coming round again.

A section that bulges departs by several millimetres over a stretch of belt and comes back to the
line before its length is over; the whole belt does not come back. One passage proves little (a
splice that catches, a hand on the belt), so the alarm needs the same place, the same side and the
full size in two revolutions running; where a sensor became noisy, a passage must be told from noise as a
whole, as one bin of many goes far astray by chance. It clears when the place has passed twice without three
quarters of that size (hysteresis against a section on the edge of its limit).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

KEEP_SHARE = 0.75  # share of wobble_mm that keeps a wobble alive, and the least passage worth keeping
RUN_SHARE = 0.4  # share of wobble_mm at which a passage begins and ends
SAME_PLACE_MM = 450.0  # two passages closer than this are of one section
SOFT = 1.3  # of the length over which a section is out by half its size, to each side: there it is nil again
TOLD_FROM_NOISE = 5.0  # standard errors that a passage is out: once in 10,000 revolutions by chance
GONE_REV = 2.2  # revolutions without the section after which it is gone


def student_quantile(share: float, freedom: float) -> float:
    """Student's t, by the Cornish-Fisher expansion about the normal (Abramowitz and Stegun 26.7.5)."""
    z = NormalDist().inv_cdf(share)
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
    )
    return z + sum(term / freedom**k for k, term in enumerate(terms, 1))


@dataclass(frozen=True, slots=True)
class SectionFinding:
    """A section wobble begins or ends. u_start, u_end: travel of its ends at the last passage; peak in mm, signed."""

    name: Literal["section-begins", "section-ends"]
    u_start: float
    u_end: float
    peak_mm: float


@dataclass(slots=True)
class _Section:
    u_start: float
    u_end: float
    u_peak: float
    peak_mm: float
    raised: bool = False


class SectionWatch:
    """Sections of one sensor's edge. `step` takes each live bin's departure from the whole belt's line."""

    def __init__(self, wobble_mm: float, length_mm: float, longest_rev: float = 0.35) -> None:
        self._limit = wobble_mm
        self._near_rev = min(SAME_PLACE_MM / length_mm, 0.08)
        self._longest_rev = longest_rev
        self._run: list[tuple[float, float, float, float]] = []
        self.sections: list[_Section] = []

    def forget(self, since_u: float = math.inf) -> None:
        """Travel is not certain (since since_u): what is under way is dropped, and passages since then."""
        self._run = []
        self.sections = [s for s in self.sections if s.raised or s.u_peak < since_u]

    def step(
        self, u_start: float, u_end: float, departure_mm: float, noise_mm2: float
    ) -> list[SectionFinding]:
        """One live bin: departure of this edge from camber and line, mm (NaN = not seen), and its noise variance."""
        found: list[SectionFinding] = []
        if departure_mm == departure_mm and abs(departure_mm) >= RUN_SHARE * self._limit and u_end > u_start:
            self._run.append((u_start, u_end, departure_mm, noise_mm2))
            if u_end - self._run[0][0] > self._longest_rev:  # no section: its ends are enough to know that
                del self._run[1:-1]
        elif self._run and departure_mm == departure_mm:
            run, self._run = self._run, []
            if run[-1][1] - run[0][0] <= self._longest_rev:
                found.extend(self._passed(run))
        return found + self._expire(u_end) if self.sections else found

    def expects(self, u_start: float, u_end: float) -> bool:
        """Is a section that passed within the last turns due over this stretch of travel, its soft ends included?"""
        for s in self.sections:
            half = SOFT * (s.u_end - s.u_start)
            away = 0.5 * (u_start + u_end) - s.u_peak
            if abs(away - round(away)) < half + 0.5 * (u_end - u_start):
                return True
        return False

    def _passed(self, run: list[tuple[float, float, float, float]]) -> list[SectionFinding]:
        i = max(range(len(run)), key=lambda j: abs(run[j][2]))
        size = run[i][2]
        if 0 < i < len(run) - 1:  # a bin shows the mean over its length: give back the curvature's share
            size -= (run[i - 1][2] + run[i + 1][2] - 2.0 * size) / 24.0
        if abs(size) < KEEP_SHARE * self._limit:
            return []
        half = [b for b in run if b[2] * size > 0.5 * size * size] or [run[i]]
        if abs(sum(b[2] for b in half)) < TOLD_FROM_NOISE * math.sqrt(sum(b[3] for b in half)):
            return []
        peak = sum(0.5 * (b[0] + b[1]) * b[2] for b in half) / sum(b[2] for b in half)
        now = _Section(half[0][0], half[-1][1], peak, size)
        for old in self.sections:
            turns = now.u_peak - old.u_peak
            if abs(turns - round(turns)) > self._near_rev or old.peak_mm * size <= 0.0:
                continue
            repeated = round(turns) == 1 and min(abs(old.peak_mm), abs(size)) >= self._limit
            old.u_start, old.u_end, old.u_peak, old.peak_mm = now.u_start, now.u_end, now.u_peak, now.peak_mm
            if repeated and not old.raised:
                old.raised = True
                return [SectionFinding("section-begins", old.u_start, old.u_end, size)]
            return []
        self.sections.append(now)
        return []

    def _expire(self, u: float) -> list[SectionFinding]:
        found = []
        for s in [s for s in self.sections if u - s.u_peak > (GONE_REV if s.raised else 1.2)]:
            self.sections.remove(s)
            if s.raised:
                found.append(SectionFinding("section-ends", s.u_start, s.u_end, s.peak_mm))
        return found

    @property
    def active(self) -> list[tuple[float, float, float]]:
        """Wobbling sections: travel of their ends at the last passage, and size in mm."""
        return [(s.u_start, s.u_end, s.peak_mm) for s in self.sections if s.raised]

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


class EdgeWatch:
    """Is the actual edge, camber included, beyond its limits? Works on means of MEAN good samples.

    Raised by one such mean (a lone spike cannot do it; the largest of a few hundred means exceeds the truth by some
    three of their standard errors, hundredths of a millimetre). Cleared when a revolution's time has passed with the
    edge inside the limit less a dead-band.

    The dead-band comes from the spread of what is compared: one revolution's largest excursion with that of the next.
    Once cleared, the alarm is raised again in the next revolution only if their difference D exceeds the band, so the
    band is the quantile of D with probability AGAIN, in Student's form as its variance is learnt: D is taken as normal
    with mean 0, its variance has an inverse chi-square prior of PRIOR_FREEDOM degrees about PRIOR_MM, and every pair of
    successive revolutions adds one (the last MEMORY of them). Sensor noise, wander, texture and the walk all are in D.
    """

    MEAN = 8
    AGAIN = 0.01  # share of clearings that the next revolution takes back
    PRIOR_MM, PRIOR_FREEDOM, MEMORY = 0.3, 4.0, 40
    LEAST_MM, MOST_SHARE = (
        0.1,
        0.2,
    )  # the band, mm, and as a share of the limit: never so wide that nothing clears

    def __init__(self, warn_mm: float, stop_mm: float, zero_counts: float, counts_per_mm: float) -> None:
        self._limits = {"edge-warn": warn_mm, "edge-stop": stop_mm}
        self._zero, self._per_mm = zero_counts, counts_per_mm
        self._carry = (0, 0, 0)  # records, good ones, sum of counts in the group under way
        self._last_beyond_us: dict[str, int] = {}
        self.active: dict[str, bool] = {"edge-warn": False, "edge-stop": False}
        self.edge_mm = math.nan
        self._turn_us = -1  # when the revolution under way began
        self._most_mm = 0.0
        self._last_mm = math.nan
        self._squares: list[float] = []

    @property
    def dead_band_mm(self) -> float:
        """As learnt so far, mm."""
        freedom = self.PRIOR_FREEDOM + len(self._squares)
        variance = (self.PRIOR_FREEDOM * self.PRIOR_MM**2 + sum(self._squares)) / freedom
        return max(self.LEAST_MM, student_quantile(1.0 - self.AGAIN, freedom) * math.sqrt(variance))

    def _turn(self, time_us: int, hold_us: float) -> None:
        """A revolution's time begins; note the largest excursion of the one before."""
        if self._turn_us >= 0:
            whole = time_us - self._turn_us < 2.0 * hold_us
            if self._last_mm == self._last_mm and whole:
                self._squares = [*self._squares[1 - self.MEMORY :], (self._most_mm - self._last_mm) ** 2]
            self._last_mm = self._most_mm if whole else math.nan
            self._most_mm = 0.0
        self._turn_us = time_us

    def take(
        self, time_us: NDArray[np.int64], counts: NDArray[np.int64], good: NDArray[np.bool_], hold_us: float
    ) -> list[tuple[int, str, bool, float]]:
        """Samples of the sensor. hold_us: a revolution's time. Returns (time_us, name, active, edge in mm)."""
        records, seen, total = self._carry
        starts = np.concatenate(
            (np.zeros(1, np.int64), np.arange(self.MEAN - records, time_us.size, self.MEAN))
        )
        sums = np.add.reduceat(counts * good, starts)
        seens = np.add.reduceat(good.astype(np.int64), starts)
        sums[0] += total
        seens[0] += seen
        rest = time_us.size - int(starts[-1]) + (records if starts.size == 1 else 0)
        whole = starts.size if rest == self.MEAN else starts.size - 1
        self._carry = (0, 0, 0) if rest == self.MEAN else (rest, int(seens[-1]), int(sums[-1]))
        ends = time_us[np.append(starts[1:], time_us.size)[:whole] - 1]
        ok = seens[:whole] > 0
        edges = (sums[:whole][ok] / seens[:whole][ok] - self._zero) / self._per_mm
        if edges.size:
            self.edge_mm = float(edges[-1])
        changes: list[tuple[int, str, bool, float]] = []
        times, at = ends[ok], 0
        while at < edges.size:
            if self._turn_us < 0 or times[at] - self._turn_us >= hold_us:
                self._turn(int(times[at]), hold_us)
            stop = int(np.searchsorted(times - self._turn_us, hold_us))
            most = float(np.abs(edges[at:stop]).max())
            self._most_mm = max(self._most_mm, most)
            if most >= self._limits["edge-warn"] or any(self.active.values()):
                for t, edge in zip(times[at:stop].tolist(), edges[at:stop].tolist(), strict=True):
                    changes.extend(self._step(t, edge, hold_us))
            at = stop
        return changes

    def _step(self, time_us: int, edge_mm: float, hold_us: float) -> list[tuple[int, str, bool, float]]:
        changes = []
        for name, limit in self._limits.items():
            band_mm = min(self.dead_band_mm, self.MOST_SHARE * limit) if self.active[name] else 0.0
            if abs(edge_mm) >= limit - band_mm:
                self._last_beyond_us[name] = time_us
                if not self.active[name]:
                    self.active[name] = True
                    changes.append((time_us, name, True, edge_mm))
            elif self.active[name] and time_us - self._last_beyond_us[name] > 1.1 * hold_us:
                self.active[name] = False
                changes.append((time_us, name, False, edge_mm))
        return changes
