"""What the snub costs and saves on belts that walk on."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from monitor.numerics.mixture import Mixture
from monitor.procedure.steering import Bounds, tries
from monitor.procedure.takeups import TakeUps


class Walker:
    """As much of a belt as `tries` asks: it walks on, and its gain is known."""

    walks_on = 1.0
    sign_known = True

    def __init__(self, gain: float) -> None:
        self.gain = Mixture(np.ones(1), np.array([gain]), np.array([0.05 * gain]))

    def effect(self, revs: float) -> Mixture:
        return Mixture(self.gain.weight, revs * self.gain.mean, revs * self.gain.sd)


def bounds(hold_revs: float = 20.0) -> Bounds:
    return Bounds(3.0, 0.25, 40.0, 5.0, 5.0, 1.0, 4, hold_revs, hold_revs, True, 20.0)


def apart(mm: float) -> Mixture:
    return Mixture(np.ones(1), np.array([mm]), np.zeros(1))


@pytest.fixture
def takeups() -> TakeUps:
    return TakeUps(0.5, 0.05, 40.0)


@pytest.mark.parametrize("gain", [0.5, 3.0, 10.0])
def test_more_moves_the_farther_apart_the_faster_the_longer(gain: float, takeups: TakeUps) -> None:
    belt = Walker(gain)
    offset = [tries(belt, bounds(), takeups, apart(mm)) for mm in (0.0, 1.0, 2.0, 3.0, 6.0)]  # type: ignore[arg-type]
    assert all(a <= b for a, b in pairwise(offset))
    assert offset[0] >= 1.0
    assert offset[-1] == 20.0
    walk = [tries(belt, bounds(), takeups, apart(1.0), w) for w in (0.0, 0.5, 3.0)]  # type: ignore[arg-type]
    assert walk == sorted(walk)
    assert walk[-1] > walk[0]
    assert tries(belt, bounds(60.0), takeups, apart(1.0)) >= tries(belt, bounds(), takeups, apart(1.0))  # type: ignore[arg-type]


def test_a_far_off_model_counts_no_more_than_it_is_believed(takeups: TakeUps) -> None:
    belt, alone = Walker(3.0), tries(Walker(3.0), bounds(), takeups, apart(-1.1))  # type: ignore[arg-type]
    tailed = Mixture(np.array([0.98, 0.02]), np.array([-1.1, 30.0]), np.array([0.1, 5.0]))
    assert alone < tries(belt, bounds(), takeups, tailed) < alone + 0.02 * 20.0 + 0.05  # type: ignore[arg-type]


def test_as_many_moves_as_a_simulated_hand_needs(takeups: TakeUps) -> None:
    """A lively belt: stopped anew until what is left of the walk, and the place, fit into the hold."""
    rng, gain, apart_mm = np.random.default_rng(5), 6.0, 1.5
    step = 0.025
    walk = gain * (rng.uniform(-step / 2, step / 2, 200_000) + rng.normal(0.0, 0.03, 200_000))
    end = np.abs(rng.normal(0.0, 0.4, walk.shape)) + 0.5 * np.abs(walk) * 20.0
    share = np.mean((end < 0.85 * 3.0 - 0.5 * apart_mm) & (np.abs(walk) < 0.2))
    assert tries(Walker(gain), bounds(), takeups, apart(apart_mm)) == pytest.approx(1.0 / share, rel=0.25)  # type: ignore[arg-type]
