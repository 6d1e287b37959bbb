"""By how much live bins scatter more than their sensors' noise: texture of the edge, and travel not quite known.

Two successive bins of a belt on its line differ by noise alone, so the square of the difference over the two variances
expected is chi-square with one degree of freedom, times the roughness. A turn's median tells it, which sections and
walks do not move; from turn to turn it is smoothed.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import Any

import numpy as np

FIRST = 2.5  # until a turn has been seen against the profile
MEDIAN_CHI2 = 0.4549  # median of chi-square with one degree of freedom
NEW_SHARE = 0.3  # of the latest turn
LEAST, MOST = 0.3, 20.0
KEPT = 16_384  # bins of a turn that are kept at most: a belt may stand for long


class Roughness:
    """Variance of a bin against what the sensor's noise alone gives, for each sensor: `factor`."""

    def __init__(self, sensors: int) -> None:
        self.factor = [FIRST] * sensors
        nothing = (math.nan,) * sensors
        self._bins = deque[tuple[Sequence[float], Sequence[float]]]([(nothing, nothing)], KEPT)

    def take(self, rest_mm: Sequence[float], noise_mm2: Sequence[float]) -> None:
        """One bin: readings less all that repeats (NaN = not seen), and their variances as expected, with `factor`.

        Both are kept until the turn is over: they must not change.
        """
        self._bins.append((rest_mm, noise_mm2))

    def learn(self, least_bins: int) -> None:
        """A turn is over: learn from its bins, where there were more than least_bins of them."""
        rest, noise = np.array(self._bins).swapaxes(0, 1)
        ratios = np.diff(rest, axis=0) ** 2 / (noise[1:] + noise[:-1])
        for s, factor in enumerate(self.factor):
            told = np.sort(ratios[np.isfinite(ratios[:, s]), s])
            if told.size > least_bins:
                ratio = float(told[told.size // 2]) / MEDIAN_CHI2
                self.factor[s] = min(max(factor * (1.0 - NEW_SHARE + NEW_SHARE * ratio), LEAST), MOST)
        self._bins = deque([self._bins[-1]], KEPT)

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
