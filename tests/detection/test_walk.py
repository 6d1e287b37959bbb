"""The sequential test for a walk, piece by piece; its figures are measured in tests/known_truth."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

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


def went(path_mm: Callable[[float], float]) -> tuple[float, float]:
    """What a belt that left its place after six revolutions is told to have gone three later."""
    walk = steady(6 * STEPS)
    for k in range(6 * STEPS, 9 * STEPS):
        walk.step(k / STEPS, (k + 1) / STEPS, path_mm((k + 0.5) / STEPS - 6.0), NOISE_MM**2)
    return walk.went(6.0)


def test_an_answer_to_a_move_has_gone_most_of_its_way_a_turn_later_and_a_walk_has_not() -> None:
    answer = went(lambda u: 3.0 * (1.0 - math.exp(-u)))
    assert answer[0] == pytest.approx(2.85, abs=0.1)
    assert answer[1] == pytest.approx(0.74, abs=0.05)
    gone_mm, early = went(lambda u: 1.0 * u)
    assert gone_mm == pytest.approx(2.87, abs=0.1)
    assert early == pytest.approx(0.43, abs=0.05)


def test_what_was_not_seen_went_nobody_knows_where() -> None:
    assert all(math.isnan(x) for x in went(lambda _: math.nan))
