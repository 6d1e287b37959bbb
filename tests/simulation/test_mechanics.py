"""Closed forms of the steering belt, against the published model, a reference solver and each other."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.simulation import mechanics
from monitor.simulation.mechanics import EndlessBelt

SKEW = 1.5875 / 660  # 1/16 in over 660 mm
SPAN_MM, WRAP_MM = 3048.0, math.pi * 50.8


@pytest.mark.parametrize("kl", [0.5, 1.0, 2.0, 3.0, 5.0, 10.0])
def test_static_span_solves_its_boundary_conditions(kl: float) -> None:
    """y'''' = K^2 y'' with y(0) = y'(0) = 0, y'(L) = theta, y''(L) = 0 (Shelton 1968)."""
    sinh, cosh = math.sinh(kl), math.cosh(kl)
    # y = c1 sinh kx + c2 cosh kx + c3 x + c4 with L = 1, theta = 1
    conditions = [
        [0.0, 1.0, 0.0, 1.0],
        [kl, 0.0, 1.0, 0.0],
        [kl * cosh, kl * sinh, 1.0, 0.0],
        [kl * kl * sinh, kl * kl * cosh, 0.0, 0.0],
    ]
    c1, c2, c3, c4 = np.linalg.solve(conditions, [0.0, 0.0, 1.0, 0.0])
    assert mechanics.curvature_factor(kl) == pytest.approx(c1 * sinh + c2 * cosh + c3 + c4, rel=1e-9)


@pytest.mark.parametrize("kl", [0.05, 0.2, 0.3, 1.0, 4.0, 50.0, 299.9])
def test_span_functions_follow_from_the_static_beam(kl: float) -> None:
    """f1, f2, f3 are minus the curvature y''(L) of a span whose ends move and turn by one."""
    # y = a e^(-k(1-x)) + b e^(-kx) + c x + d with L = 1: no large K*L makes it singular
    far = math.exp(-kl)
    ends = np.array(
        [[far, 1.0, 0.0, 1.0], [kl * far, -kl, 1.0, 0.0], [1.0, far, 1.0, 1.0], [kl, -kl * far, 1.0, 0.0]]
    )
    bend = np.array([kl * kl, kl * kl * far, 0.0, 0.0])
    place, turn, turn_up = (
        float(bend @ np.linalg.solve(ends, e)) for e in ([0, 0, 1, 0], [0, 0, 0, 1], [0, 1, 0, 0])
    )
    f1, f2, f3 = mechanics.span_functions(kl)
    assert (f1, f2, f3) == pytest.approx((-place, turn, turn_up), rel=2e-6)
    assert f2 + f3 == pytest.approx(f1, rel=1e-12)
    assert f2 / f1 == pytest.approx(mechanics.curvature_factor(kl), rel=1e-7)


def test_closed_forms_join_their_series_and_their_limit() -> None:
    for below, above in ((0.0499999, 0.0500001), (0.2999999, 0.3000001), (299.9999, 300.0001)):
        assert mechanics.curvature_factor(below) == pytest.approx(mechanics.curvature_factor(above), rel=1e-6)
        assert mechanics.span_functions(below) == pytest.approx(mechanics.span_functions(above), rel=1e-6)
    assert mechanics.curvature_factor(1e9) == pytest.approx(1.0)


@pytest.mark.parametrize("kl", [0.3, 0.94868, 3.0, 8.0, math.inf])
def test_endless_belt_walks_as_the_closed_form_says(kl: float) -> None:
    """The delay equation, stepped, against (2*K_c - 1)*L*theta; it walks the other way, as documented."""
    finite = min(kl, 1e9)
    steady = mechanics.walk_per_rev_mm(finite, SPAN_MM, SKEW)
    walks = mechanics.walk_by_revolution(kl, SPAN_MM, WRAP_MM, SKEW, 8)
    assert walks[-1] == pytest.approx((-steady, -steady), rel=1e-3)


@pytest.mark.parametrize("kl", [0.5, 2.0, math.inf])
def test_pulleys_stand_half_a_span_of_skew_apart_while_walking(kl: float) -> None:
    belt = EndlessBelt(kl, SPAN_MM, WRAP_MM, (SPAN_MM + WRAP_MM) / 1000)
    belt.skew(SKEW, 0.0)
    for _ in range(16_000):
        infeed, drive = belt.step()
    assert infeed - drive == pytest.approx(-SPAN_MM * SKEW / 2, rel=2e-3)


def test_equal_skews_of_both_pulleys_walk_the_belt_twice_as_fast() -> None:
    """Both right ends out: infeed +theta, drive -theta in the belt's plane; each alone walks it left."""
    step = (SPAN_MM + WRAP_MM) / 500
    walks = []
    for infeed, drive in ((SKEW, 0.0), (0.0, -SKEW), (SKEW, -SKEW)):
        belt = EndlessBelt(1.0, SPAN_MM, WRAP_MM, step)
        belt.skew(infeed, drive)
        places = [belt.step()[0] for _ in range(8000)]
        walks.append(places[-1] - places[-1001])
    assert walks[0] == pytest.approx(walks[1], rel=1e-4)
    assert walks[2] == pytest.approx(walks[0] + walks[1], rel=1e-4)
    assert walks[0] < 0.0


def test_kick_changes_the_first_revolutions_only() -> None:
    plain = mechanics.walk_by_revolution(0.949, SPAN_MM, WRAP_MM, SKEW, 7)
    kicked = mechanics.walk_by_revolution(0.949, SPAN_MM, WRAP_MM, SKEW, 7, kick=True)
    assert kicked[-1] == pytest.approx(plain[-1], rel=1e-4)
    assert abs(kicked[0][0]) > 1.1 * abs(plain[0][0])


def test_correction_nulls_the_walk() -> None:
    kl = mechanics.stiffness_number(5000.0, 600.0, 0.003)
    d = mechanics.take_up_to_null_mm(kl, 5000.0, 700.0, 4.0)
    assert mechanics.walk_per_rev_mm(kl, 5000.0, mechanics.skew_rad(d, 700.0)) == pytest.approx(4.0, rel=1e-4)


def test_crowned_rest_is_walk_times_restoring_revolutions() -> None:
    gain = mechanics.crowned_gain_mm_per_mm(1.2, 5000.0, 760.0, 0.5)
    assert gain == pytest.approx(0.5 * mechanics.walk_per_rev_mm(1.2, 5000.0, 1.0 / 760.0))
