"""The camber profile: the part of an edge reading that repeats with every belt revolution.

Model of one sensor: reading = whole-belt position + profile(station) + section wobble + noise, the
profile with zero mean over the revolution, since the position carries the mean. A walk left in the
readings would leak a sawtooth of one revolution's walk into a synchronous average, so a turn is
added only after the path of the whole belt through it has been taken out. Each cell keeps the
recursive mean of the turns it was seen in, with weight 1/n down to 1/MEMORY_TURNS, so that a
profile follows a belt that changes slowly. What it borrows from the sensor of the same edge at the
other pulley (monitor.detection.pair) is kept apart, so that nothing is counted twice: `own_mm` is
what this sensor saw, `mm` what is believed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

MEMORY_TURNS = 64  # turns over which a profile forgets: noise of a cell falls to 1/11 of one turn's


class Profile:
    """Camber profile of one sensor on a grid of `cells` equal stations, the first at the mark's passing."""

    def __init__(self, cells: int) -> None:
        self.cells = cells
        self.mm = np.zeros(cells)
        self.own_mm = np.zeros(cells)
        self.lent_mm = np.zeros(cells)
        self.seen = np.zeros(cells)
        self.turns = 0
        self._values: list[float] = [0.0] * cells
        self._sums: list[float] = [0.0] * (cells + 1)
        self._end = (math.nan, 0.0, 0.0)  # the last stretch's end: travel, integral, value

    def add(self, path_free_mm: NDArray[np.float64]) -> None:
        """Add one turn, (cells,) mm, the whole belt's path taken out; NaN = not seen or not to be learnt from."""
        seen = np.isfinite(path_free_mm)
        self.seen[seen] += 1.0
        gain = 1.0 / np.minimum(self.seen[seen], MEMORY_TURNS)
        self.own_mm[seen] += gain * (path_free_mm[seen] - self.own_mm[seen])
        self.turns += 1
        self._settle()

    def replace(self, mm: NDArray[np.float64], turns: int) -> None:
        """Set the profile from a joint fit of several turns, (cells,) mm, NaN = never seen."""
        self.seen = np.where(np.isfinite(mm), float(turns), 0.0)
        self.own_mm = np.where(np.isfinite(mm), mm, 0.0)
        self.lent_mm = np.zeros(self.cells)
        self.turns = turns
        self._settle()

    def correct(self, mm: NDArray[np.float64]) -> None:
        """Add what is now known to have been missing in the turns learnt, (cells,) mm."""
        self.own_mm = self.own_mm + mm
        self._settle()

    def lend(self, mm: NDArray[np.float64]) -> None:
        """From now on add this, (cells,) mm, zero-mean, to what the sensor itself saw."""
        self.lent_mm = mm
        self._settle()

    def _settle(self) -> None:
        known = self.seen > 0
        if known.any():
            if not known.all():
                x = np.arange(self.cells)
                self.own_mm = np.interp(x, x[known], self.own_mm[known], period=self.cells)
            self.own_mm = self.own_mm - math.fsum(self.own_mm.tolist()) / self.cells
        self.mm = self.own_mm + self.lent_mm
        self._values = self.mm.tolist()
        self._sums = [0.0, *np.cumsum(self.mm).tolist()]
        self._end = (math.nan, 0.0, 0.0)

    def _point(self, u: float) -> tuple[float, float, float]:
        """Travel, the profile's integral from nil to there, and its value there."""
        turn = math.floor(u)
        x = (u - turn) * self.cells
        i = min(int(x), self.cells - 1)
        value = self._values[i]
        return u, (self._sums[i] + (x - i) * value + turn * self._sums[-1]) / self.cells, value

    def at(self, u: float) -> float:
        """The profile at travel u (revolutions), mm."""
        x = (u - math.floor(u)) * self.cells
        return self._values[min(int(x), self.cells - 1)]

    def mean_over(self, u_start: float, u_end: float) -> float:
        """Mean of the profile over a stretch of travel, mm. A stretch of no length gives its value there."""
        return self.over(u_start, u_end)[0]

    def over(self, u_start: float, u_end: float) -> tuple[float, float]:
        """Mean, mm, and slope, mm/rev, over a stretch of travel; quick where it begins at the end of the last one.

        Where the belt stands or runs backwards the slope is 0.
        """
        span = u_end - u_start
        start = self._end if u_start == self._end[0] else self._point(u_start)
        end = self._end = self._point(u_end)
        mean = (end[1] - start[1]) / span if abs(span) >= 1e-9 else start[2]
        return mean, (end[2] - start[2]) / span if span > 0.0 else 0.0

    @property
    def peak_to_peak_mm(self) -> float:
        """Highest minus lowest, mm; NaN before the first turn."""
        return float(self.mm.max() - self.mm.min()) if self.turns else math.nan

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
