"""The straight line against certified values and a reference library, and its spread against the truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress

from monitor.numerics.straight_line import fit_straight_line

# NIST Statistical Reference Datasets, linear regression, "Norris": 36 observations and certified values.
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 "
    "556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 "
    "557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)


def floats(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


def test_norris() -> None:
    line = fit_straight_line(floats(NORRIS_X), floats(NORRIS_Y))
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_se == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope_se == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)


def test_as_scipy_even_with_a_large_offset() -> None:
    rng = np.random.default_rng(1)
    x = rng.uniform(-20, 20, 9)
    y = 1e7 + 600 * x + rng.normal(0, 30, 9)
    line, reference = fit_straight_line(x, y), linregress(x, y)
    assert line.slope == pytest.approx(reference.slope, rel=1e-10)
    assert line.slope_se == pytest.approx(reference.stderr, rel=1e-8)
    assert line.intercept_se == pytest.approx(reference.intercept_stderr, rel=1e-8)


def test_two_points_have_no_spread_of_their_own() -> None:
    x, y = np.array([0.0, 10.0]), np.array([100.0, 6100.0])
    assert np.isnan(fit_straight_line(x, y).slope_se)
    line = fit_straight_line(x, y, error_sd=60.0)
    assert line.slope == 600.0
    assert line.slope_se == pytest.approx(60.0 * np.sqrt(2) / 10.0)  # the difference of two errors over 10 mm


def test_the_spread_is_honest() -> None:
    """With the size of the errors known, the truth lies within 1.96 standard errors 95 times in 100."""
    rng = np.random.default_rng(2)
    x = np.array([-10.0, -5.0, 0.0, 5.0, 10.0])
    inside = 0
    for _ in range(2000):
        line = fit_straight_line(x, 32768 + 600 * x + rng.normal(0, 60, 5), error_sd=60.0)
        inside += abs(line.slope - 600) <= 1.96 * line.slope_se
    assert inside >= 0.94 * 2000


def test_no_two_places() -> None:
    with pytest.raises(ValueError, match="two different places"):
        fit_straight_line(np.array([1.0, 1.0]), np.array([2.0, 3.0]))
