"""The first turns' joint fit of camber, levels and walk, where stations are empty."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.detection.position import fit_first_turns, place_turn

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


@pytest.mark.parametrize("unseen", [0.1, 0.3, 0.5])
def test_where_nothing_was_seen_the_error_is_that_of_the_wander(unseen: float) -> None:
    """A silent sensor misses part of a turn; between its ends nobody knows where the belt wandered."""
    rng, kappa, wander_mm, z = np.random.default_rng(8), 2.5, 0.2, []
    stays = math.exp(-kappa / CELLS)
    for _ in range(300):
        at, place = wander_mm * rng.standard_normal(), []
        for step in (wander_mm * math.sqrt(1.0 - stays**2) * rng.standard_normal(CELLS)).tolist():
            at = stays * at + step
            place.append(at)
        reading = CAMBER + np.array(place)
        seen = reading + 0.02 * rng.standard_normal(CELLS)
        seen[150 : 150 + round(unseen * CELLS)] = np.nan
        found = place_turn(
            seen, np.full(CELLS, 4), CAMBER, 20, np.zeros(CELLS), 0.04, 0.04, wander_mm**2, kappa, 10_000.0, 0.0
        )  # fmt: skip
        z.append((found.position_mm - float(np.mean(reading))) / found.se_mm)
    assert 0.88 < np.mean(np.abs(z) < 1.96) < 0.99
