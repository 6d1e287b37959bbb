"""How far is travel off between two marks? Told, bin by bin, from the camber that passes the sensors.

Between two marks travel is extrapolated at the last turn's speed. A belt that runs faster by the share v
of it is ahead of that by v times the part f of the turn passed, and a sensor over camber of slope c (mm
per revolution) then reads c f v too much: little on a flat belt, and on a cambered one a slow swing that
looks like a walk late in the turn, at both pulleys. One belt has one v, so all sensors tell it together:
a scalar Kalman filter (random walk), begun anew at each mark, where travel is known again.
"""

from __future__ import annotations

import math
from typing import Any

WITHIN_TURN = 0.5  # of its spread from turn to turn, by which the speed changes within a turn
GATE = 4.0  # a reading farther from what is expected than so many standard deviations tells nothing of speed


class TravelError:
    """The share by which the belt runs faster than travel says, since the last mark."""

    def __init__(self) -> None:
        self.share = 0.0
        self.variance = 0.0
        self._spread = 0.0
        self._fraction = 0.0

    def begin(self, spread: float) -> None:
        """A mark passed. spread: relative change of speed from turn to turn, one standard deviation."""
        self.share, self.variance, self._spread, self._fraction = 0.0, spread * spread, spread, 0.0

    def ahead(self, slope_mm_per_rev: float, fraction: float) -> tuple[float, float]:
        """What travel's error adds to a reading over camber of that slope, mm, and its variance, mm2.

        fraction: the part of the turn passed.
        """
        h = slope_mm_per_rev * fraction
        return h * self.share, h * h * self.variance

    def heed(self, slope_mm_per_rev: float, fraction: float, surprise_mm: float, variance_mm2: float) -> None:
        """A reading differed by surprise_mm from what was expected; variance_mm2 holds all but travel's error."""
        if fraction > self._fraction:
            self.variance += (WITHIN_TURN * self._spread) ** 2 * (fraction - self._fraction)
            self._fraction = fraction
        h = slope_mm_per_rev * fraction
        total = variance_mm2 + h * h * self.variance
        if not abs(surprise_mm) <= GATE * math.sqrt(total):
            return
        gain = self.variance * h / total
        self.share += gain * surprise_mm
        self.variance -= gain * h * self.variance

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
