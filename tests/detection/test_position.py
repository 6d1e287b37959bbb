"""The first turns' joint fit of camber, levels and walk, where stations are empty."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.detection.position import fit_first_turns

CELLS = 512
U = (np.arange(CELLS) + 0.5) / CELLS
CAMBER = 3.0 * np.sin(2 * np.pi * U)


@pytest.mark.parametrize("empty", [0.0, 0.4, 0.6])
def test_a_walk_stays_out_of_the_camber(empty: float) -> None:
    """A fast short belt leaves many stations empty, others in each turn; its walk must not become a sawtooth."""
    rng = np.random.default_rng(5)
    turns = np.array([CAMBER - 1.0 * (k + U) + 0.05 * rng.standard_normal(CELLS) for k in range(3)])
    turns[rng.random(turns.shape) < empty] = np.nan
    fit = fit_first_turns(turns, 0.01, 1.0)
    assert fit.walk_mm_per_rev == pytest.approx(-1.0, abs=3.0 * fit.walk_se_mm_per_rev)
    left = fit.profile_mm - CAMBER
    assert float(np.nanstd(left)) < 0.06


def test_wander_is_no_walk() -> None:
    rng = np.random.default_rng(6)
    turns = np.array([CAMBER + 0.02 * k + 0.05 * rng.standard_normal(CELLS) for k in range(3)])
    fit = fit_first_turns(turns, 0.01, 1.0)
    assert abs(float(fit.profile_mm[0] - fit.profile_mm[-1] - (CAMBER[0] - CAMBER[-1]))) < 0.15
