"""Two one-sided tests and the mixture, against printed values and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from monitor.numerics.equivalence import Slope, fit_slope, t_above, t_quantile
from monitor.numerics.mixture import Mixture


@pytest.mark.parametrize("dof", [1.0, 2.5, 6.0, 41.0, 1000.0])
@pytest.mark.parametrize("t", [-3.0, -0.2, 0.0, 0.5, 1.7, 5.0])
def test_student_t_agrees_with_scipy(t: float, dof: float) -> None:
    assert t_above(t, dof) == pytest.approx(stats.t.sf(t, dof), rel=1e-9)


def test_quantile_agrees_with_scipy() -> None:
    assert t_quantile(0.05, 7.0) == pytest.approx(stats.t.isf(0.05, 7.0), rel=1e-9)


def test_shown_and_not_shown_to_be_nil() -> None:
    """Design facts 5.5: slope .010 and .040, se .012, df 41, margin .05."""
    held = Slope(0.0, 0.010, 0.012, 41.0, 0.1, 0.0)
    assert held.p_not_nil(0.05) == pytest.approx(0.00091371, rel=1e-4)
    assert held.interval() == pytest.approx((-0.01019, 0.03019), abs=1e-5)
    assert Slope(0.0, 0.040, 0.012, 41.0, 0.1, 0.0).p_not_nil(0.05) == pytest.approx(0.204743, rel=1e-5)


def test_a_line_through_independent_points_is_least_squares() -> None:
    rng = np.random.default_rng(1)
    x = np.arange(20.0)
    y = 1.0 + 0.3 * x + rng.normal(size=20)
    found, known = fit_slope(x, y, np.zeros(20), correlated=False), stats.linregress(x, y)
    assert found.slope == pytest.approx(known.slope)
    assert found.se == pytest.approx(known.stderr)


def test_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 3 points"):
        fit_slope(np.arange(2.0), np.zeros(2), np.zeros(2))


@pytest.mark.parametrize("kept", [0.0, 0.3])
def test_a_walk_at_the_margin_is_rarely_called_nil(kept: float) -> None:
    """The level of the test with the prior used in the hold: about 5 %, 7 % with wander."""
    rng, n, runs, wrong = np.random.default_rng(2), 20, 1500, 0
    for _ in range(runs):
        o = np.zeros(n)
        for k in range(1, n):
            o[k] = kept * o[k - 1] + 0.15 * np.sqrt(1 - kept**2) * rng.normal()
        y = 0.25 * np.arange(n) + o + 0.05 * rng.normal(size=n)
        line = fit_slope(np.arange(float(n)), y, np.full(n, 0.05), 0.15, 4.0)
        wrong += line.p_not_nil(0.25) < 0.05
    assert wrong / runs < 0.07


def test_mixture_of_one_is_the_normal_distribution() -> None:
    one = Mixture(np.ones(1), np.array([2.0]), np.array([3.0]))
    assert one.interval() == pytest.approx((2 - 3 * 1.959964, 2 + 3 * 1.959964), rel=1e-5)
    assert one.within(2 - 3, 2 + 3) == pytest.approx(0.682689, rel=1e-5)


def test_mixture_moments() -> None:
    two = Mixture(np.array([0.25, 0.75]), np.array([0.0, 4.0]), np.array([1.0, 2.0]))
    assert two.centre == 3.0
    assert two.square == pytest.approx(0.25 * 1 + 0.75 * 20)
    assert two.spread == pytest.approx(np.sqrt(two.square - 9))
    assert two.below(two.quantile(0.3)) == pytest.approx(0.3, abs=1e-9)
