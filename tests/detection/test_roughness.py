"""Roughness of a live bin: against the chi-square distribution of scipy.stats, and bins whose variance is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from monitor.detection.roughness import MEDIAN_CHI2, MOST, Roughness


def test_median_of_chi_square() -> None:
    assert pytest.approx(chi2.median(1), abs=5e-5) == MEDIAN_CHI2


@pytest.mark.parametrize("true_factor", [0.5, 1.0, 4.0])
def test_finds_what_was_put_in(true_factor: float) -> None:
    """Also beside a section: it steps out of the line and back once a turn, which a median does not heed."""
    rng, roughness = np.random.default_rng(5), Roughness(2)
    found = []
    for turn in range(60):
        for k in range(128):
            clean = 0.1 * math.sqrt(true_factor) * float(rng.standard_normal())
            expected = [0.01 * factor for factor in roughness.factor]
            roughness.take((clean, clean + (6.0 if 40 <= k < 56 else 0.0)), expected)
        roughness.learn(40)
        if turn >= 10:
            found.append(list(roughness.factor))
    alone, beside_section = np.mean(found, axis=0)
    assert alone == pytest.approx(true_factor, rel=0.1)
    assert beside_section == pytest.approx(true_factor, rel=0.15)


def test_a_turn_hardly_seen_teaches_nothing_and_rubbish_is_bounded() -> None:
    roughness = Roughness(1)
    first = roughness.factor[0]
    for k in range(128):
        roughness.take((float(k % 2) if k < 20 else math.nan,), (0.01,))
    roughness.learn(40)
    assert roughness.factor[0] == first
    for k in range(1280):
        roughness.take((1e3 * (k % 2),), (0.01,))
        if k % 128 == 127:
            roughness.learn(40)
    assert roughness.factor[0] == MOST
