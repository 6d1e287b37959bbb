"""By how much live bins scatter more than their sensors' noise: texture of the edge, and travel not quite known.

Two successive bins of a belt on its line differ by noise alone, so the square of the difference over the two variances
expected is chi-square with one degree of freedom, times the roughness. A turn's median tells it, which sections and
walks do not move; from turn to turn it is smoothed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

FIRST = 2.5  # until a turn has been seen against the profile
MEDIAN_CHI2 = 0.4549  # median of chi-square with one degree of freedom
NEW_SHARE = 0.3  # of the latest turn
LEAST, MOST = 0.3, 20.0


class Roughness:
    """Variance of a bin against what the sensor's noise alone gives, for each sensor: `factor`."""

    def __init__(self, sensors: int) -> None:
        self.factor = [FIRST] * sensors
        self._before = [(math.nan, math.nan)] * sensors
        self._ratios: list[list[float]] = [[] for _ in range(sensors)]

    def take(self, rest_mm: Sequence[float], noise_mm2: Sequence[float]) -> None:
        """One bin: readings less all that repeats (NaN = not seen), and their variances as expected, with `factor`."""
        for s, (before, variance) in enumerate(self._before):
            if rest_mm[s] == rest_mm[s] and before == before:
                step = rest_mm[s] - before
                self._ratios[s].append(step * step / (noise_mm2[s] + variance))
        self._before = list(zip(rest_mm, noise_mm2, strict=True))

    def learn(self, least_bins: int) -> None:
        """A turn is over: learn from its bins, where there were more than least_bins of them."""
        for s, ratios in enumerate(self._ratios):
            if len(ratios) > least_bins:
                ratios.sort()
                ratio = ratios[len(ratios) // 2] / MEDIAN_CHI2
                self.factor[s] = min(max(self.factor[s] * (1.0 - NEW_SHARE + NEW_SHARE * ratio), LEAST), MOST)
            ratios.clear()

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
