"""Travel's error between two marks, told from camber: against simulated truth, and where nothing can be told."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.revolutions.travel import TravelError

BINS, SPREAD, NOISE_MM = 128, 0.001, 0.05


def one_turn(
    rng: np.random.Generator, share: float, camber_mm: float, odd: float = 0.0
) -> tuple[TravelError, float]:
    """A turn of a belt that runs faster by `share`; two sensors see its camber. Also: the last bin's fraction."""
    error, fraction = TravelError(), 0.0
    error.begin(SPREAD)
    for k in range(BINS):
        fraction = (k + 0.5) / BINS
        for offset in (0.0, 0.41):
            slope = camber_mm * math.pi * 2.0 * math.cos(2.0 * math.pi * (fraction - offset) * 2.0)
            expected, _ = error.ahead(slope, fraction)
            seen = slope * share * fraction + NOISE_MM * rng.standard_normal()
            seen += odd if rng.random() < 0.05 else 0.0
            error.heed(slope, fraction, seen - expected, NOISE_MM**2)
    return error, fraction


def test_the_share_is_found_with_an_honest_spread() -> None:
    rng = np.random.default_rng(1)
    z = []
    for _ in range(300):
        share = SPREAD * rng.standard_normal()
        error, _ = one_turn(rng, share, camber_mm=6.0)
        assert error.variance < SPREAD**2
        z.append((error.share - share) / math.sqrt(error.variance))
    assert np.mean(np.abs(z)) == pytest.approx(math.sqrt(2 / math.pi), abs=0.25)  # of a standard normal


def test_a_flat_belt_tells_nothing() -> None:
    error, _ = one_turn(np.random.default_rng(2), share=0.003, camber_mm=0.0)
    assert error.share == 0.0
    assert error.variance >= SPREAD**2


def test_a_few_wild_readings_do_not_matter() -> None:
    error, _ = one_turn(np.random.default_rng(3), share=0.001, camber_mm=6.0, odd=8.0)
    assert error.share == pytest.approx(0.001, abs=4.0 * math.sqrt(error.variance))


def test_a_mark_begins_anew() -> None:
    error, _ = one_turn(np.random.default_rng(4), share=0.002, camber_mm=6.0)
    assert error.share > 0.001
    error.begin(SPREAD)
    assert error.ahead(100.0, 0.5) == pytest.approx((0.0, (50.0 * SPREAD) ** 2))


@pytest.mark.parametrize("reading", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_heeded(reading: float) -> None:
    error = TravelError()
    error.begin(SPREAD)
    error.heed(30.0, 0.5, reading, 0.01)
    assert error.share == 0.0
