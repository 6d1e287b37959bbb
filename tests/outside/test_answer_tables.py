"""What the answer to a move is taken to be, against the table of transients and published steering rules.

The walk in each revolution after a step of the skew (K*L 0.949, belt wrap included) was computed from Shelton's beam
(J. J. Shelton, "Lateral Dynamics of a Moving Web", thesis, Oklahoma State University, 1968; the moving span's form,
Shelton and Reid 1971, from memory) by an independent delay simulation; no printed table of it is known to us.
Directions: a belt is led to the edge that first meets the pulley (US Army TM 5-3895-374-24-2), so away from the side
that was tightened; it moves to the side with the shorter centre distance (doi 10.1177/1687814017695955).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.procedure.takeups import signed
from monitor.response import BeltAnswer
from monitor.response.bank import OFFSET_RATE, RUN_AHEAD
from monitor.response.geometry import expected_gain
from monitor.settings import Station, parse_station
from monitor.simulation import Params, Simulation
from tests.known_truth.conveyors import STATION, STEP_REV, Loop

MOVED = (
    1.519,
    1.106,
    1.016,
    1.002,
    1.000,
)  # walk in revolutions 1 to 5 over the steady one, at the moved pulley
OTHER = (0.349, 0.894, 0.984, 0.998, 1.000)  # ... and at the other
MOVE_MM = 1.5875  # 1/16 in, the usual move


@pytest.fixture
def station() -> Station:
    """120 in centres, 24 in belt, 26 in between the bearings, pulleys of 4 in."""
    length = 2 * 3048 + math.pi * 101.6
    size = {"width": 609.6, "length": length, "speed": 0.3, "spacing": 660.4}
    return parse_station(STATION.format(**size, diameter=101.6, span=3048, hold=15))


def test_the_moved_pulley_runs_ahead_by_what_the_table_adds_up_to() -> None:
    assert sum(share - 1.0 for share in MOVED) == pytest.approx(RUN_AHEAD, abs=0.05)


def test_the_offset_follows_as_the_table_says() -> None:
    """Share of the final difference between the pulleys after one and after two revolutions."""
    difference = np.cumsum([a - b for a, b in zip(MOVED, OTHER, strict=True)])
    for revs in (1, 2):
        assert 1.0 - math.exp(-OFFSET_RATE * revs) == pytest.approx(
            difference[revs - 1] / difference[-1], abs=0.015
        )


def test_the_test_conveyor_answers_as_the_table() -> None:
    """The mechanics of the closed loop, first-order Euler: within 5 % of a steady walk in each revolution."""
    loop = Loop(3048.0, 2 * 3048 + math.pi * 101.6, 0.949, 0.0)
    loop.advance(np.zeros(2))
    places = [loop.y.copy()]
    for _ in range(6):
        for _ in range(round(1 / STEP_REV)):
            loop.advance(np.array([MOVE_MM / 660, 0.0]))
        places.append(loop.y.copy())
    walk = np.diff(np.array(places), axis=0)
    steady = walk[-1].mean()
    assert walk[1:4, 0] / steady == pytest.approx(MOVED[1:4], abs=0.05)
    assert walk[1:4, 1] / steady == pytest.approx(OTHER[1:4], abs=0.05)


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_the_gain_is_learnt_without_bias_from_the_tables_transients(station: Station, factor: float) -> None:
    """A still belt is moved at 5.0 rev; four revolutions later the walk is told within 10 %.

    A revolution's mean is taken as that of its two ends, which the table allows.
    """
    steady = factor * expected_gain(station) * MOVE_MM
    answer, rng = BeltAnswer(station), np.random.default_rng(8)
    for rev in range(1, 6):
        seen = [(0.03 * rng.normal(), 0.03), (0.03 * rng.normal(), 0.03)]
        answer.observe(float(rev), seen[0], seen[1])
    answer.move(5.0, "infeed", MOVE_MM)
    places = [np.concatenate([[0.0], np.cumsum(row)]) * steady for row in (MOVED, OTHER)]
    for k in range(4):
        means = [0.5 * (row[k] + row[k + 1]) + 0.03 * rng.normal() for row in places]
        answer.observe(6.0 + k, (means[0], 0.03), (means[1], 0.03))
    assert answer.ahead(9.0, 0.0).walk.centre == pytest.approx(steady, rel=0.1)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("crowned", [True, False])
def test_a_belt_runs_away_from_the_side_that_was_tightened(side: str, crowned: bool) -> None:
    """In the simulation, in the account of the take-ups, and so in the advice."""
    params = Params(seed=3, crowned=crowned, rate_hz=50, start_infeed_mm=0.0, wander_sd_mm=0.0)
    simulation = Simulation(params)
    rev_s = params.length_mm / (1000.0 * params.speed_mps)
    simulation.records(rev_s)
    before = simulation.position_mm()["infeed"]
    simulation.move("infeed", side, MOVE_MM)  # type: ignore[arg-type]
    simulation.records(4.0 * rev_s)
    moved = simulation.position_mm()["infeed"] - before
    assert moved * (1.0 if side == "left" else -1.0) > 1.0
    assert signed(side, MOVE_MM) * moved > 0.0  # type: ignore[arg-type]
