"""Ticks must make nothing worse and, where the speed changes, much better. Everyday: two belts; slow: thirty."""

from __future__ import annotations

import pytest

from tests.known_truth.detection_table import rms
from tests.known_truth.figures import Figures, total
from tests.known_truth.ticks_table import work


def both(family: str, seeds: range) -> tuple[Figures, Figures]:
    """Figures with ticks and without."""
    found = [work((family, seed)) for seed in seeds]
    return total(f for f, _ in found), total(f for _, f in found)


def test_a_changing_speed_blurs_nothing() -> None:
    told, blind = both("ticks-steps", range(612, 613))
    assert told.false_drifts == 0, told.failing
    assert rms(told.profile) < 0.04
    assert told.missed <= blind.missed


@pytest.mark.slow
@pytest.mark.parametrize("family", ["ticks", "ticks-steps", "ticks-lossy"])
def test_never_worse_than_without(family: str) -> None:
    told, blind = both(family, range(800, 810))
    assert told.false_drifts <= blind.false_drifts + 1, told.failing
    assert told.missed <= blind.missed, told.failing
    assert told.false_bumps <= blind.false_bumps, told.failing
    assert rms(told.profile) <= 1.1 * rms(blind.profile) + 0.002


@pytest.mark.slow
def test_the_period_without_marks_and_its_spread() -> None:
    """0.1 % after five revolutions is the bar; the length in the station file is 3 % wrong."""
    told = total(work(("marks-none", seed))[1] for seed in range(820, 830))
    assert len(told.periods) == 10
    assert max(told.periods) < 0.0006
