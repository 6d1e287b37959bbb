"""A straight line by ordinary least squares, with the spread of both its numbers.

y = intercept + slope·x + error, errors independent and of equal size; the formulas are those of any textbook
of statistics. Sums are taken about the means, so that large offsets cost no digits; the tests hold the result
against the certified values of NIST StRD "Norris".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StraightLine:
    """The line; `residual_sd` and both standard errors are NaN with two points only."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    residuals: Floats


def fit_straight_line(x: Floats, y: Floats, error_sd: float = math.nan) -> StraightLine:
    """Fit (n,) points. `error_sd`: the least size of the errors that is believed, NaN: only what is seen.

    Raises ValueError when all x are the same or there are fewer than two points.
    """
    n = len(x)
    dx = x - x.mean() if n else x
    sxx = float(dx @ dx)
    if n < 2 or sxx <= 0.0:
        raise ValueError("a straight line needs points at two different places at least")
    slope = float(dx @ (y - y.mean())) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    residuals = (y - y.mean()) - slope * dx
    residual_sd = math.sqrt(float(residuals @ residuals) / (n - 2)) if n > 2 else math.nan
    sd = float(np.nanmax([residual_sd, error_sd])) if n > 2 or not math.isnan(error_sd) else math.nan
    slope_se = sd / math.sqrt(sxx)
    intercept_se = sd * math.sqrt(1.0 / n + float(x.mean()) ** 2 / sxx)
    return StraightLine(intercept, slope, intercept_se, slope_se, residual_sd, residuals)
