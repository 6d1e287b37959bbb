"""What truth kept at a few points cannot say of a turn's mean position, against a wander known everywhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.known_truth.belt_truth import BeltTruth

FINE, TURNS, KAPPA, WANDER_MM = 1000, 400, 2.5, 0.2


def truth(place_mm: NDArray[np.float64], every: int) -> BeltTruth:
    """A belt that turns once a second, its wander kept at every so many of FINE points a turn."""
    at = np.arange(0, place_mm.size, every)
    rev = at / FINE
    return BeltTruth(
        family="", seed=0, length_mm=1.0, t_s=rev, rolled_rev=rev, travel_rev=rev,
        pos_mm={"infeed": 3.0 * rev}, pos_wander_mm={"infeed": 3.0 * rev + place_mm[at]},
        drifts=[], bumps=[], moves=[], faults=[], runout_mm=0.0, runout_pulley="infeed",
        drift_limit_mm_per_rev=0.5, wobble_limit_mm=4.0, marks=True, disturbed=False,
        profile_mm=lambda _, share: share,
    )  # fmt: skip


@pytest.mark.parametrize("points", [10, 25, 50])
def test_the_mean_of_a_turn_scatters_as_told(points: int) -> None:
    rng = np.random.default_rng(3)
    stays, at, place = math.exp(-KAPPA / FINE), 0.0, []
    for step in (WANDER_MM * math.sqrt(1.0 - stays**2) * rng.standard_normal(FINE * TURNS + 1)).tolist():
        at = stays * at + step
        place.append(at)
    coarse, fine = truth(np.array(place), FINE // points), truth(np.array(place), 1)
    turns = [(k + 0.33, k + 1.33) for k in range(TURNS - 2)]  # marks do not come where truth is kept
    error = [coarse.mean_position_mm("infeed", *t) - fine.mean_position_mm("infeed", *t) for t in turns]
    told = [coarse.mean_error_mm2("infeed", *t) for t in turns]
    assert np.mean(np.square(error)) == pytest.approx(np.mean(told), rel=0.25)
    assert np.mean([fine.mean_error_mm2("infeed", *t) for t in turns]) < 5e-3 * np.mean(told)
