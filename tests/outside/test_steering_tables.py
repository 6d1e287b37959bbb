"""Steering figures of the belt against figures from outside this project, and against worked tables.

Sources: J. J. Shelton, "Lateral Dynamics of a Moving Web", thesis, Oklahoma State University, 1968, for the
static beam and K_c. J. J. Shelton and K. N. Reid, ASME JDSMC 93(3), 1971, for f1, f2, f3:
the form of the equation is from memory, the functions were checked against the beam. The parameter set of a
published worked program on roll misalignment gives 6.98138 mm. The walk per revolution has no printed closed
form known to us: those rows were computed from the same equations by hand and by an independent simulation.
"""

from __future__ import annotations

import math

import pytest

from monitor.simulation import mechanics

# K*L: K_c, 2*K_c - 1, slack edge y/W, f1, f2, f3, damping
BEAM = {
    1e-6: (0.666667, 0.333333, 0.0, 6.0, 4.0, 2.0, 0.8165),
    0.5: (0.669420, 0.338840, 0.01366, 6.02496, 4.03322, 1.99173, 0.8216),
    1.0: (0.677394, 0.354788, 0.05217, 6.09929, 4.13162, 1.96767, 0.8365),
    2.0: (0.705513, 0.411026, 0.17910, 6.38906, 4.50756, 1.88149, 0.8916),
    3.0: (0.742018, 0.484036, None, 6.84737, 5.08087, 1.76650, 0.9708),
    5.0: (0.810946, 0.621892, 0.66674, 8.14907, 6.60845, 1.54061, 1.1575),
    10.0: (0.900082, 0.800164, None, 12.4986, 11.2497, 1.24884, 1.5910),
}


@pytest.mark.parametrize("kl", BEAM)
def test_beam_table(kl: float) -> None:
    factor, walk_factor, slack, f1, f2, f3, damping = BEAM[kl]
    assert mechanics.curvature_factor(kl) == pytest.approx(factor, abs=6e-7)
    assert mechanics.walk_per_rev_mm(kl, 1.0, 1.0) == pytest.approx(walk_factor, abs=1.1e-6)
    assert mechanics.span_functions(kl) == pytest.approx((f1, f2, f3), abs=6e-5)
    assert mechanics.damping_ratio(kl) == pytest.approx(damping, abs=6e-5)
    if slack is not None:
        assert mechanics.slack_edge_shift_ratio(kl) == pytest.approx(slack, abs=6e-6)


def test_published_parameter_set() -> None:
    """E 13.12 GPa, W 0.542 m, h 164 um, T 40 N, L 0.6 m, theta 1 degree: y_L = 6.98138 mm."""
    inertia = 164e-6 * 0.542**3 / 12
    k_per_m = math.sqrt(40.0 / (13.12e9 * inertia))
    assert k_per_m == pytest.approx(0.0374311, abs=1e-7)
    shift = mechanics.static_shift_mm(k_per_m * 0.6, 600.0, math.radians(1.0))
    assert shift == pytest.approx(6.98138, abs=1e-5)


# inches: span, width, bearing spacing; then theta mrad, K*L, string, beam in, beam mm, slack-edge take-up in
WALKS = [
    (120, 24, 26, 2.40384, 0.94868, 0.2885, 0.1017, 2.584, 0.363),
    (240, 24, 26, 2.40384, 1.89737, 0.5769, 0.2332, 5.922, 0.608),
    (120, 12, 14, 4.46426, 1.89737, 0.5357, 0.2165, 5.499, 0.327),
    (60, 18, 20, 3.12499, 0.63246, 0.1875, 0.0641, 1.629, 0.194),
]


@pytest.mark.parametrize("row", WALKS)
def test_walk_per_revolution_of_a_sixteenth_of_an_inch(row: tuple[float, ...]) -> None:
    span, width, spacing, theta_mrad, kl, string_in, beam_in, beam_mm, slack_in = row
    theta = mechanics.skew_rad(1 / 16, spacing)
    number = mechanics.stiffness_number(span, width, 0.003)
    assert 1000 * theta == pytest.approx(theta_mrad, abs=6e-6)
    assert number == pytest.approx(kl, abs=6e-6)
    assert mechanics.walk_per_rev_mm(1e9, span, theta) == pytest.approx(string_in, abs=6e-5)
    assert mechanics.walk_per_rev_mm(number, span, theta) == pytest.approx(beam_in, abs=6e-5)
    assert mechanics.walk_per_rev_mm(number, span * 25.4, theta) == pytest.approx(beam_mm, abs=6e-4)
    slack = spacing * math.tan(mechanics.slack_edge_skew_rad(number, width, span))
    assert slack == pytest.approx(slack_in, abs=6e-4)


def test_walk_in_each_revolution_after_a_step() -> None:
    """The first revolutions are not representative; the third is, within 2 %."""
    moved = (1.519, 1.106, 1.016, 1.002, 1.000)
    other = (0.349, 0.894, 0.984, 0.998, 1.000)
    theta = 1.5875 / 660
    steady = mechanics.walk_per_rev_mm(0.94868, 3048.0, theta)
    walks = mechanics.walk_by_revolution(0.94868, 3048.0, math.pi * 50.8, theta, 5)
    assert [-a / steady for a, _ in walks] == pytest.approx(moved, abs=1.5e-3)
    assert [-b / steady for _, b in walks] == pytest.approx(other, abs=1.5e-3)


def test_walk_of_a_string_after_a_step() -> None:
    theta = 1.5875 / 660
    walks = mechanics.walk_by_revolution(math.inf, 3048.0, math.pi * 50.8, theta, 3)
    steady = 3048.0 * theta
    assert [-a / steady for a, _ in walks] == pytest.approx((1.248, 1.003, 1.0), abs=1.5e-3)
    assert [-b / steady for _, b in walks] == pytest.approx((0.754, 0.997, 1.0), abs=1.5e-3)


@pytest.mark.parametrize(("kl", "mm"), [(0.949, 2.586), (3.0, 3.549), (8.0, 5.507), (1e9, 7.3314)])
def test_si_run(kl: float, mm: float) -> None:
    assert mechanics.walk_per_rev_mm(kl, 3048.0, 1.5875 / 660) == pytest.approx(mm, abs=6e-4)
