"""The duration of a belt revolution from the signal itself, when there is no mark: a first answer.

Camber repeats with the belt. The mean squared difference between the readings and themselves one
lag later, the mean difference taken out (a walk), is least where the lag is one revolution; it is
searched over LAGS around the nominal duration and refined by a parabola. (The least-squares period
of a periodic signal in white noise, in effect: Kincaid and Scudder 1968.) From then on monitor.revolutions.phase
follows the belt.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..numerics.median import median

CELLS = 256  # cells in a nominal revolution
LAGS = (0.92, 1.08)  # of nominal: length and speed may each be 3 % wrong, and a little
EXPLAINED = 0.9  # share of a turn's variance that its place on the belt must explain
TURNS = 2.3  # nominal revolutions listened to before the first answer


class PeriodSearch:
    """Collects gated samples from the start of the recording until the period can be told."""

    def __init__(self, nominal_us: float, sensors: int) -> None:
        self._nominal_us = nominal_us
        self._sensors = sensors
        self._path: list[NDArray[np.int64]] = []
        self._time: list[NDArray[np.int64]] = []
        self._counts: list[NDArray[np.int64]] = []
        self._good: list[NDArray[np.bool_]] = []
        self._start_us: int | None = None

    @property
    def end_us(self) -> float:
        """Time, or path, up to which samples are wanted; inf before the first."""
        if self._start_us is None:
            return math.inf
        return self._start_us + TURNS * LAGS[1] * self._nominal_us

    def room(self, path_us: NDArray[np.int64]) -> int:
        """How many of these samples are still wanted. path_us: their times, or their path by ticks."""
        self.begin(path_us)
        return int(np.searchsorted(path_us, self.end_us))

    def begin(self, path_us: NDArray[np.int64]) -> None:
        """Samples count from the first of these, unless they do so already."""
        if self._start_us is None and path_us.size:
            self._start_us = int(path_us[0])

    def add(
        self,
        time_us: NDArray[np.int64],
        counts: NDArray[np.int64],
        good: NDArray[np.bool_],
        path_us: NDArray[np.int64] | None = None,
    ) -> None:
        """Take samples. path_us: their path, where ticks come."""
        self._path.append(time_us if path_us is None else path_us)
        self._time.append(time_us)
        self._counts.append(counts)
        self._good.append(good)

    def answer(
        self, counts_per_mm: list[float]
    ) -> tuple[float, NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """(period in microseconds of time or path, or NaN; and all samples collected)."""
        time, counts, good = (
            np.concatenate(self._time),
            np.concatenate(self._counts),
            np.concatenate(self._good),
        )
        return self._search(np.concatenate(self._path), counts, good, counts_per_mm), time, counts, good

    def _search(
        self,
        path: NDArray[np.int64],
        counts: NDArray[np.int64],
        good: NDArray[np.bool_],
        counts_per_mm: list[float],
    ) -> float:
        width = self._nominal_us / CELLS
        cell = ((path - path[0]) / width).astype(np.int64)
        cells = int(cell[-1]) + 1
        rows = []
        for s in range(self._sensors):
            ok = good[:, s]
            n = np.bincount(cell[ok], minlength=cells)
            sums = np.bincount(cell[ok], weights=counts[ok, s], minlength=cells)
            if np.count_nonzero(n) < 0.6 * cells:
                continue
            x = np.arange(cells)
            values = np.interp(x, x[n > 0], sums[n > 0] / n[n > 0])
            rows.append(values / counts_per_mm[s])
        if not rows:
            return math.nan
        lags = np.arange(LAGS[0] * CELLS, LAGS[1] * CELLS, 0.25)
        cost = np.array([sum(_difference(r, float(lag)) for r in rows) for lag in lags])
        i = int(np.argmin(cost))
        if 0 < i < lags.size - 1:
            a, b, c = cost[i - 1], cost[i], cost[i + 1]
            bend = a - 2.0 * b + c
            shift = 0.5 * (a - c) / bend if bend > 0 else 0.0
        else:
            return math.nan
        return float((lags[i] + 0.25 * shift) * width)

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


def _difference(row: NDArray[np.float64], lag: float) -> float:
    """Variance of row(t + lag) - row(t), the lag in cells, linear between cells."""
    whole = int(lag)
    part = lag - whole
    later = row[whole:-1] * (1.0 - part) + row[whole + 1 :] * part
    difference = later - row[: later.size]
    return float(np.var(difference))


def slip(reading_mm: NDArray[np.float64], profile_mm: NDArray[np.float64]) -> tuple[float, float]:
    """How far a turn is displaced against the profile, revolutions, and its standard error.

    reading_mm, profile_mm: (cells,) mm; NaN = not seen. Positive: the belt was farther on than the
    grid said. Least squares of the slip with level and walk free, repeated as the shift grows.
    """
    cells = reading_mm.size
    seen = np.isfinite(reading_mm)
    if seen.sum() < cells // 2:
        return math.nan, math.nan
    x = np.arange(cells, dtype=np.float64)
    places, thrice = np.arange(-cells, 2 * cells), np.tile(profile_mm, 3)
    total = 0.0
    se = math.nan
    for _ in range(4):
        shifted = np.interp(x + total * cells, places, thrice)
        slope = np.gradient(shifted) * cells  # mm per revolution
        basis = np.column_stack((slope, np.ones(cells), x / cells))[seen]
        rest = (reading_mm - shifted)[seen]
        away = np.abs(rest - median(rest))
        weight = away < 4.0 * (1.4826 * median(away) + 1e-6)
        basis, rest = basis[weight], rest[weight]
        normal = basis.T @ basis
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return math.nan, math.nan
        fit = inverse @ (basis.T @ rest)
        left = rest - basis @ fit
        total += float(np.clip(fit[0], -0.02, 0.02))
        # neighbouring cells share the belt's wander: a sixteenth of them count as independent
        se = math.sqrt(float(left @ left) / max(rest.size - 3, 1) * float(inverse[0, 0]) * 16.0)
    return total, se


def delay(
    later_mm: NDArray[np.float64], earlier_mm: NDArray[np.float64], expected_rev: float, reach_rev: float
) -> tuple[float, float]:
    """By how much one profile lags another of the same belt edge, revolutions, and its standard error.

    later_mm(u) = earlier_mm(u - delay), both (cells,) mm. Searched within expected_rev +- reach_rev,
    then refined by `slip`. NaN where the two do not agree on one place.
    """
    cells = later_mm.size
    x = np.arange(cells, dtype=np.float64)
    places, again = np.arange(-2 * cells, 2 * cells), np.tile(earlier_mm, 4)
    reach = max(1, round(reach_rev * cells))
    shifts = expected_rev * cells + np.arange(-reach, reach + 1)
    cost = ((later_mm - np.interp(x - shifts[:, None], places, again)) ** 2).mean(axis=1)
    best_rev = float(shifts[np.argmin(cost)]) / cells
    rest, se = slip(later_mm, np.interp(x - best_rev * cells, places, again))
    if rest != rest or abs(rest) > 2.0 / cells:
        return math.nan, math.nan
    return best_rev - rest, se


def relocate(reading_mm: NDArray[np.float64], profile_mm: NDArray[np.float64]) -> tuple[float, float]:
    """Where a turn of unknown place lies against the profile: displacement, revolutions, and its standard error.

    reading_mm, profile_mm: (cells,) mm; NaN = not seen. Positive: the belt was farther on than the grid said,
    up to half a revolution. NaN where less than EXPLAINED of the readings' variance is explained: the belt is nowhere.
    """
    cells = reading_mm.size
    seen = np.isfinite(reading_mm)
    if seen.sum() < cells // 2:
        return math.nan, math.nan
    x = np.arange(cells, dtype=np.float64)
    filled = np.interp(x, x[seen], reading_mm[seen], period=cells)
    slope, level = np.polyfit(x, filled, 1)
    filled = filled - slope * x - level
    alike = np.fft.irfft(np.fft.rfft(filled) * np.conj(np.fft.rfft(profile_mm)), cells)
    behind = int(np.argmax(alike))  # cells by which the readings lag the profile
    rest, se = slip(reading_mm, np.roll(profile_mm, behind))
    if rest != rest:
        return math.nan, math.nan
    moved = np.interp(x - behind + rest * cells, np.arange(-2 * cells, 3 * cells), np.tile(profile_mm, 5))
    difference = np.where(seen, reading_mm - moved, np.nan)[seen]
    left = difference - np.polyval(np.polyfit(x[seen], difference, 1), x[seen])
    squares = np.sort(left**2)[: int(0.9 * left.size)]  # a section may be out
    if float(np.mean(squares)) > (1.0 - EXPLAINED) * float(np.var(filled[seen])):
        return math.nan, math.nan
    total = rest - behind / cells
    return total - round(total), se
