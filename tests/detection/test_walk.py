"""The sequential test for a walk, piece by piece; its figures are measured in tests/known_truth."""

from __future__ import annotations

import math

import numpy as np

from monitor.detection.walk import WalkEstimator, WalkFinding

STEPS = 64
NOISE_MM = 0.05


def steady(steps: int) -> WalkEstimator:
    rng, walk = np.random.default_rng(3), WalkEstimator(0.5, 10_000.0, STEPS)
    for k in range(steps):
        walk.step(k / STEPS, (k + 1) / STEPS, NOISE_MM * rng.standard_normal(), NOISE_MM**2)
    return walk


def test_a_section_after_long_silence_takes_nothing_back() -> None:
    """The last bins heard lie further back than onsets are looked at."""
    walk = steady(4 * STEPS)
    assert walk.state == "steady"
    for k in range(4 * STEPS, 6 * STEPS):
        walk.step(k / STEPS, (k + 1) / STEPS, math.nan, math.nan)
    found = []
    for k in range(6 * STEPS, 6 * STEPS + 4):
        found += walk.step(k / STEPS, (k + 1) / STEPS, 6.0, NOISE_MM**2)
    assert not [f for f in found if isinstance(f, WalkFinding)]


def test_a_walk_is_found_and_its_onset_told() -> None:
    walk, found = steady(6 * STEPS), []
    for k in range(6 * STEPS, 8 * STEPS):
        found += walk.step(k / STEPS, (k + 1) / STEPS, 2.0 * (k - 6 * STEPS) / STEPS, NOISE_MM**2)
        if found:
            break
    assert [f.name for f in found if isinstance(f, WalkFinding)] == ["walk-begins"]
    assert abs(found[0].u_onset - 6.0) < 0.15
    assert abs(found[0].walk_mm_per_rev - 2.0) < 0.5
