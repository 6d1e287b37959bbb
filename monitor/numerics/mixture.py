"""A weighted sum of normal distributions: what is believed about one number when several models are still
possible.

It decides nothing; it answers how likely an interval is and where a quantile lies. Moments and the
distribution function of a finite mixture are textbook material (Titterington, Smith and Makov 1985, from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
NEGLIGIBLE = 1e-7  # a component lighter than this cannot move any figure that is used


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """weight: (n,), sums to 1. mean, sd: (n,), in the unit of the number."""

    weight: Array
    mean: Array
    sd: Array

    @property
    def centre(self) -> float:
        """The mean of the mixture."""
        return float(self.weight @ self.mean)

    @property
    def spread(self) -> float:
        """The standard deviation of the mixture."""
        second = float(self.weight @ (self.sd**2 + self.mean**2))
        return math.sqrt(max(second - self.centre**2, 0.0))

    @property
    def square(self) -> float:
        """The expected square."""
        return float(self.weight @ (self.sd**2 + self.mean**2))

    def below(self, x: float) -> float:
        """The probability that the number is less than x."""
        keep = self.weight > NEGLIGIBLE
        z = (x - self.mean[keep]) / np.maximum(self.sd[keep], 1e-12)
        tail = np.fromiter(map(math.erfc, (-z / math.sqrt(2.0)).tolist()), np.float64, len(z))
        return float(self.weight[keep] @ (0.5 * tail) / self.weight[keep].sum())

    def within(self, low: float, high: float) -> float:
        """The probability that the number lies between low and high."""
        return max(self.below(high) - self.below(low), 0.0)

    def quantile(self, p: float) -> float:
        """The value that the number lies below with probability p (0 < p < 1), by bisection."""
        reach = 9.0 * np.maximum(self.sd, 1e-9)
        keep = self.weight > NEGLIGIBLE
        low, high = float((self.mean - reach)[keep].min()), float((self.mean + reach)[keep].max())
        for _ in range(48):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.below(middle) < p else (low, middle)
        return 0.5 * (low + high)

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """The central interval that holds the number with this probability."""
        return self.quantile(0.5 - share / 2), self.quantile(0.5 + share / 2)
