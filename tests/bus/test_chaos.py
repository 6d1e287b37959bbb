"""Conservation under kills, stops and cuts: what the outbox committed is what a subscriber heard, in order."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bus.chaos import Figures, run_chaos

pytestmark = pytest.mark.mosquitto


def check(figures: Figures) -> None:
    assert figures.missing == []
    assert figures.unknown == []
    assert figures.inversions == 0
    assert figures.gaps == 0
    assert (figures.unsaid, figures.unlogged, figures.said_twice) == (0, 0, 0)
    assert figures.alarms > 20  # the test means something
    assert figures.events > 20


def test_nothing_is_lost_over_a_few_kills(tmp_path: Path) -> None:
    check(run_chaos(tmp_path, seed=11, kills=3, seconds=9.0))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [12, 13])
def test_nothing_is_lost_over_many_kills(tmp_path: Path, seed: int) -> None:
    figures = run_chaos(tmp_path, seed, kills=30, seconds=80.0)
    assert figures.kills >= 15
    check(figures)
