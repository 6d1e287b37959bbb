"""Run-out against its own truth: nearly commensurate orders, stations not seen, and what is no run-out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.detection.runout import Runout, RunoutWatch, mean_swing

CELLS = 512
U = (np.arange(CELLS) + 0.5) / CELLS
CAMBER = 4.0 * np.sin(2 * np.pi * U) + 0.8 * np.cos(2 * np.pi * 13 * U + 0.3)


def turns(order: float, amplitude_mm: float, count: int, seed: int = 1) -> list[NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    swing = [amplitude_mm * np.cos(2 * np.pi * order * (k + U) + 0.7) for k in range(count)]
    return [CAMBER + s + 0.1 * rng.standard_normal(CELLS) for s in swing]


def watched(rows: list[NDArray[np.float64]], expected: float) -> RunoutWatch:
    watch = RunoutWatch(expected)
    for k, row in enumerate(rows):
        watch.add(k, row)
        watch.look()
    return watch


@pytest.mark.parametrize("order", [12.97, 13.01, 13.4, 30.81])
def test_a_swing_is_found_with_amplitude_and_order(order: float) -> None:
    watch = watched(turns(order, 2.0, 20), expected=order * 1.015)
    assert watch.found is not None
    assert watch.found.order == pytest.approx(order, abs=0.004)
    assert watch.found.amplitude_mm == pytest.approx(2.0, abs=max(0.1, 2.5 * watch.found.amplitude_se_mm))
    assert watch.found.amplitude_se_mm < 0.2


@pytest.mark.parametrize("order", [12.98, 13.4])
def test_stations_not_seen_do_not_weaken_it(order: float) -> None:
    rng = np.random.default_rng(3)
    rows = [np.where(rng.random(CELLS) < 0.35, np.nan, row) for row in turns(order, 2.0, 20)]
    watch = watched(rows, expected=order)
    assert watch.found is not None
    assert watch.found.amplitude_mm == pytest.approx(2.0, abs=max(0.1, 2.5 * watch.found.amplitude_se_mm))


def test_the_camber_left_is_free_of_it() -> None:
    watch = watched(turns(13.4, 2.0, 12), expected=13.2)
    left = watch.profile(CELLS) - CAMBER
    assert float(np.std(left)) < 0.08


def test_mere_noise_is_no_swing() -> None:
    for seed in range(20):
        assert watched(turns(13.4, 0.0, 20, seed), expected=13.4).found is None


def test_a_section_that_comes_is_no_swing() -> None:
    rows = turns(13.4, 0.0, 24)
    bump = 8.0 * np.exp(-0.5 * ((U - 0.4) / 0.04) ** 2)
    rows = [row + bump if k >= 12 else row for k, row in enumerate(rows)]
    assert watched(rows, expected=13.0).found is None


def test_an_exactly_commensurate_swing_is_camber() -> None:
    """It comes back the same each turn: nobody can tell it from the belt's own shape."""
    assert watched(turns(13.0, 2.0, 20), expected=13.1).found is None


def test_mean_swing_is_the_mean_over_turns() -> None:
    swing, kept = Runout(1.3, 17.42, 0.4, 0.1), [3, 4, 7, 20]
    plain = np.mean([swing.over_cells(k, CELLS) for k in kept], axis=0)
    assert mean_swing(swing, kept, CELLS) == pytest.approx(plain, abs=1e-9)
    assert not mean_swing(None, kept, CELLS).any()
    assert not mean_swing(swing, [], CELLS).any()


def test_slope_over_is_the_swing_s_difference() -> None:
    swing = Runout(1.3, 17.42, 0.4, 0.1)

    def at(u: float) -> float:
        return swing.amplitude_mm * math.cos(2 * math.pi * swing.order * u + swing.phase_rad)

    assert swing.slope_over(2.1, 2.15) == pytest.approx((at(2.15) - at(2.1)) / 0.05)


@pytest.mark.parametrize("count", [3, 5, 8])
def test_an_amplitude_from_few_turns_does_not_claim_more_than_it_knows(count: int) -> None:
    """A swing that hardly turns from turn to turn, on a belt that wanders: as likely as not it is far off."""
    inside, order = 0, 13.02
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        knots = 0.1 * rng.standard_normal(8)
        wander = np.interp(U, np.linspace(0.0, 1.0, 9), [*knots, knots[0]])
        watch = RunoutWatch(order * 1.01)
        for k, row in enumerate(turns(order, 2.0, count, seed)):
            watch.add(k, row + wander)
        watch.look()
        found = watch.found
        inside += found is None or abs(found.amplitude_mm - 2.0) <= 1.96 * found.amplitude_se_mm
    assert inside >= 33  # 38 of 40 expected; of three turns 1 of 40 with a normal figure's spread
