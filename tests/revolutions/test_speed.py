"""What a speed that varies within a turn does to positions, told from turn to turn: against speeds with known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.revolutions.speed import FIRST_SPREAD, SpeedWander

CELLS, TURNS, SPREAD = 256, 30, 0.0015
U = (np.arange(CELLS) + 0.5) / CELLS
CAMBER = 3.0 * np.sin(2.0 * np.pi * U) + 1.0 * np.cos(4.0 * np.pi * U)


def shares(rng: np.random.Generator, kappa: float) -> NDArray[np.float64]:
    """Share by which the belt runs faster, (turns, cells): an Ornstein-Uhlenbeck process."""
    stays = math.exp(-kappa / CELLS)
    steps = SPREAD * math.sqrt(1.0 - stays**2) * rng.standard_normal(TURNS * CELLS)
    at, share = SPREAD * rng.standard_normal(), []
    for step in steps.tolist():
        at = stays * at + step
        share.append(at)
    return np.array(share).reshape(TURNS, CELLS)


def watched(share: NDArray[np.float64]) -> tuple[SpeedWander, list[float]]:
    """What is learnt from those turns' times, and from the fifth on, errors of position by their standard errors."""
    speed, took, z = SpeedWander(CELLS), math.nan, []
    for turn in share:
        now = float(np.mean(1.0 / (1.0 + turn)))
        if took == took:
            speed.add(now / took - 1.0)
        took = now
        z.append(float(np.mean(CAMBER * turn)) / math.sqrt(speed.mean_mm2(CAMBER)))
    return speed, z[4:]


def test_positions_scatter_as_told_whatever_the_rate() -> None:
    rng, inside, kappas = np.random.default_rng(1), [], []
    for kappa in (0.1, 0.3, 1.0, 3.0, 9.0):
        watches = [watched(shares(rng, kappa)) for _ in range(20)]
        z = np.concatenate([z for _, z in watches])
        inside.append(float(np.mean(np.abs(z) < 1.96)))
        kappas.append(float(np.mean([speed.kappa_per_rev for speed, _ in watches])))
        assert inside[-1] > 0.87, kappa
    assert 0.92 < np.mean(inside) < 0.98
    assert kappas == sorted(kappas)  # a constant share of the change from turn to turn cannot do that


def test_before_anything_is_learnt_the_prior_holds() -> None:
    speed = SpeedWander(CELLS)
    told = math.sqrt(speed.mean_mm2(CAMBER))
    assert 0.2 * FIRST_SPREAD < told / np.std(CAMBER) < 2.0 * FIRST_SPREAD
    assert speed.mean_mm2(np.full(CELLS, 4.0)) == pytest.approx(0.0, abs=1e-12)


def test_a_gap_compares_no_turns_across_it() -> None:
    """After a stop the belt may run at another speed: that is no wander."""
    rng = np.random.default_rng(2)
    speed, _ = watched(shares(rng, 1.0))
    before = speed.mean_mm2(CAMBER)
    speed.gap()
    assert speed.mean_mm2(CAMBER) == before
    speed.add(0.001)
    assert speed.mean_mm2(CAMBER) == pytest.approx(before, rel=0.1)


def test_a_turn_whose_speed_changed_is_told_with_its_change() -> None:
    rng = np.random.default_rng(3)
    speed, _ = watched(shares(rng, 1.0))
    usual, changed = speed.mean_mm2(CAMBER), speed.mean_mm2(CAMBER, 0.2)
    ramp = float(np.mean(CAMBER * 0.2 * (U - 0.5)))
    assert changed > 100.0 * usual
    assert 0.2 < abs(ramp) / math.sqrt(changed) < 2.0
    assert speed.mean_mm2(CAMBER, 3.0) == speed.mean_mm2(CAMBER, 0.5)
