"""Readings disagree with travel: what the next mark then says of speed."""

from __future__ import annotations

import numpy as np

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
