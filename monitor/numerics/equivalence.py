"""Is a slope nil within a margin? Two one-sided tests on a straight line through correlated points.

Failing to see a slope proves nothing; the two one-sided tests (Schuirmann 1987; Lakens 2017) show that it
is smaller than a margin: exactly when the 90 % interval lies inside it, at the 5 % level. The points
scatter for two reasons, their own error and a slow wander of the thing measured, so neighbours resemble
each other: the variance of the slope is widened by (1 + r)/(1 - r), r the lag-one correlation of the
residuals corrected for the fit's own pull (Kendall's small-sample bias), and never narrowed. With few
points the scatter is poorly known; a prior with a few degrees of freedom steadies it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_CORRELATION = 0.8  # beyond this the points carry next to no information and a longer hold is needed


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function (Abramowitz and Stegun 26.5.8, Lentz's method)."""
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    h = d
    for m in range(1, 300):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + numerator * d
            d = 1.0 / (d if abs(d) > tiny else tiny)
            c = 1.0 + numerator / c
            c = c if abs(c) > tiny else tiny
            h *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return h


def t_above(t: float, dof: float) -> float:
    """The probability that Student's t with dof degrees of freedom exceeds t."""
    if t == 0.0 or not math.isfinite(dof):
        return 0.5 * math.erfc(t / math.sqrt(2.0))
    x, a, b = dof / (dof + t * t), 0.5 * dof, 0.5
    scale = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    mirrored = x >= (a + 1.0) / (a + b + 2.0)
    inc = 1.0 - scale * _beta_fraction(b, a, 1.0 - x) / b if mirrored else scale * _beta_fraction(a, b, x) / a
    return 0.5 * inc if t > 0 else 1.0 - 0.5 * inc


def t_quantile(p_above: float, dof: float) -> float:
    """The t that is exceeded with probability p_above (below one half)."""
    low, high = 0.0, 1e4
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if t_above(middle, dof) > p_above else (low, middle)
    return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class Slope:
    """A straight line through points: value at the middle of x, slope, its standard error, degrees of
    freedom.
    """

    middle: float
    slope: float
    se: float
    dof: float
    scatter: float
    correlation: float

    def interval(self, share: float = 0.90) -> tuple[float, float]:
        half = t_quantile(0.5 * (1.0 - share), self.dof) * self.se
        return self.slope - half, self.slope + half

    def p_not_nil(self, margin: float) -> float:
        """The larger p of the two one-sided tests: small when the slope is shown to lie within +-margin."""
        if self.se <= 0.0:
            return 0.0 if abs(self.slope) < margin else 1.0
        low = t_above((self.slope + margin) / self.se, self.dof)
        high = t_above((margin - self.slope) / self.se, self.dof)
        return max(low, high)

    def p_within(self, margin: float) -> float:
        """The p of the opposite claim: small when the slope is shown to exceed the margin on either side."""
        if self.se <= 0.0:
            return 0.0 if abs(self.slope) > margin else 1.0
        return t_above((abs(self.slope) - margin) / self.se, self.dof)


def fit_slope(
    x: Array, y: Array, se: Array, prior_sd: float = 0.0, prior_dof: float = 0.0, correlated: bool = True
) -> Slope:
    """A line through (n,) points with standard errors se. Raises ValueError for fewer than 3 points.

    prior_sd, prior_dof: what the scatter of one point is expected to be, and how many points that is worth.
    """
    n = len(x)
    if n < 3:
        raise ValueError(f"a slope with its spread needs at least 3 points, not {n}")
    dx = x - x.mean()
    sxx = float(dx @ dx)
    slope = float(dx @ y) / sxx
    residual = y - y.mean() - slope * dx
    rss = float(residual @ residual)
    dof = n - 2 + prior_dof
    variance = (rss + prior_dof * (prior_sd**2 + float(np.mean(se**2)))) / dof
    r = 0.0
    if correlated and n >= 6 and rss > 0.0:
        raw = float(residual[1:] @ residual[:-1]) / rss
        r = min(max((n * raw + 2.0) / (n - 4.0) if n > 8 else raw + 2.0 / n, 0.0), MOST_CORRELATION)
    width = variance * (1.0 + r) / (1.0 - r)
    width = max(width, float(np.mean(se**2)))
    return Slope(float(y.mean()), slope, math.sqrt(width / sxx), dof, math.sqrt(variance), r)
