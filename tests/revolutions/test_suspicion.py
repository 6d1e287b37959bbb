"""Readings disagree with travel: what the next mark then says of speed."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.revolutions.tracker import Tracker
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation

STATION = parse_station(Simulation(Params()).station())
TURN_US = round(1000.0 * (STATION.belt.length_mm or 0.0) / STATION.belt.speed_mps)


def run(tracker: Tracker, start_us: int, end_us: int) -> None:
    time = np.arange(start_us, end_us, 10_000, dtype=np.int64)
    counts = np.full((time.size, len(STATION.sensor)), 30_000, np.int64)
    for live in tracker.take(time, counts, np.ones(counts.shape, np.bool_), np.zeros(time.size, np.int64)):
        tracker.overdue(live.end_us)


def running(turns: int = 4) -> tuple[Tracker, int]:
    tracker, now = Tracker(STATION), 0
    tracker.mark(0)
    for _ in range(turns):
        run(tracker, now, now + TURN_US)
        now += TURN_US
        tracker.mark(now)
    return tracker, now


def test_a_mark_where_it_was_due_ends_the_suspicion() -> None:
    tracker, now = running()
    tracker.suspect()
    run(tracker, now, now + TURN_US)
    _, turn, _ = tracker.mark(now + TURN_US)
    assert turn is not None
    assert turn.regular
    assert not tracker.uncertain


def test_another_speed_is_known_after_a_whole_turn() -> None:
    for factor in (0.6, 0.8, 1.4):
        tracker, now = running()
        tracker.suspect()
        slow = round(TURN_US / factor)
        for known in (False, True):
            run(tracker, now, now + slow)
            now += slow
            _, turn, found = tracker.mark(now)
            assert turn is not None, factor
            assert not any(f.name for f in found), factor
            assert tracker.uncertain is not known, factor
        assert abs(tracker.turn_us / slow - 1.0) < 1e-6


def test_without_suspicion_such_a_mark_is_out_of_place() -> None:
    tracker, now = running()
    run(tracker, now, now + round(TURN_US / 1.4))
    _, turn, found = tracker.mark(now + round(TURN_US / 1.4))
    assert turn is None
    assert [f.name for f in found] == ["mark-extra"]


@pytest.mark.parametrize("passed", [0.3, 0.9])
@pytest.mark.parametrize("unseen", [1, 2, 3])
def test_turns_around_a_restart_count_though_none_was_seen(passed: float, unseen: int) -> None:
    """The board starts anew within a turn; `unseen` turns after the last mark it saw the next one comes."""
    tracker, now = running()
    run(tracker, now, now + round(passed * TURN_US))
    tracker.restart()
    now += unseen * TURN_US
    tracker.mark(now)
    assert tracker.rev == 4 + unseen
    run(tracker, now, now + TURN_US)
    _, turn, _ = tracker.mark(now + TURN_US)
    assert turn is not None
    assert (turn.rev, turn.regular) == (5 + unseen, True)


def test_around_a_restart_of_a_standing_belt_one_turn_counts() -> None:
    tracker, now = running()
    run(tracker, now, now + TURN_US // 2)
    tracker.set_factor(now + 0.5 * TURN_US, 0.0)
    tracker.restart()
    tracker.mark(now + 9 * TURN_US)
    assert tracker.rev == 5


@pytest.mark.parametrize("again", [0.45, 0.5, 0.8])
def test_a_mark_passed_to_and_fro_says_nothing_of_the_speed(again: float) -> None:
    """The belt runs back over its mark and, `again` of a turn's time later, forth: one revolution less is behind it."""
    tracker, now = running()
    run(tracker, now, now + TURN_US // 20)
    now += TURN_US // 20
    assert [f.name for f in tracker.mark(now)[2]] == ["mark-extra"]
    run(tracker, now, now + round(again * TURN_US))
    now += round(again * TURN_US)
    tracker.mark(now)
    assert tracker.uncertain
    assert abs(tracker.turn_us / TURN_US - 1.0) < 1e-6
    run(tracker, now, now + TURN_US)
    _, turn, found = tracker.mark(now + TURN_US)
    assert turn is not None
    assert not any(f.name for f in found)
    assert not tracker.uncertain
    assert tracker.rev == 5
