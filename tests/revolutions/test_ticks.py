"""Belt path by pulley ticks: miscounts put right, speed followed, a stop known, and what marks make of them."""

from __future__ import annotations

from collections.abc import Set as AbstractSet

import numpy as np
import pytest

from monitor.revolutions.ticks import TickClock
from monitor.revolutions.tracker import TURN_BINS, Tracker, Turn
from monitor.settings import Station, parse_station
from monitor.simulation import Params
from monitor.simulation.station import station_text

TICK_US = 20_000.0  # nominal time of a tick


def heard(
    clock: TickClock,
    speed: np.ndarray,
    lost: AbstractSet[int] = frozenset(),
    twice: AbstractSet[int] = frozenset(),
) -> np.ndarray:
    """Plays a speed (of the nominal, one value each step) to a clock; returns the true path in nominal time."""
    step_us, cadence_us = 1000, 200_000
    path = np.concatenate(([0.0], np.cumsum(speed * step_us)))
    count, last_us, tick = 0, 0, 0
    for k in range(1, path.size):
        while (tick + 1) * TICK_US <= path[k]:
            tick += 1
            pulses = 0 if tick in lost else 2 if tick in twice else 1
            if pulses:
                count, last_us = count + pulses, k * step_us
        if k * step_us % cadence_us == 0 and count:
            clock.hear(k * step_us, last_us, count)
            clock.advance(k * step_us + 1.0)
    return path


def off(clock: TickClock, path: np.ndarray, step_us: int = 1000) -> float:
    """How far the path told now is from the true one, ticks, but for where counting began."""
    now = (path.size - 1) * step_us
    return (clock.at(float(now)) - path[-1]) / TICK_US


@pytest.mark.parametrize("pace", [0.4, 1.0, 1.7])
def test_path_goes_by_ticks(pace: float) -> None:
    clock = TickClock(TICK_US)
    start = off(clock, heard(clock, np.full(5000, pace)))
    other = TickClock(TICK_US)
    path = heard(other, np.full(9000, pace))
    assert abs(off(other, path) - start) < 0.3, "one tick's place within a step"
    assert other.pace == pytest.approx(pace, rel=0.03)


@pytest.mark.parametrize("what", ["lost", "twice"])
def test_a_lone_miscount_is_put_right(what: str) -> None:
    plain, other = TickClock(TICK_US), TickClock(TICK_US)
    speed = np.full(8000, 1.0)
    path = heard(plain, speed)
    heard(other, speed, **{what: {150, 230, 310}})
    assert off(other, path) == pytest.approx(off(plain, path), abs=0.1)


def test_a_change_of_speed_is_followed_and_nothing_is_lost_by_it() -> None:
    speed = np.concatenate(
        (np.full(4000, 1.0), np.full(6000, 0.55), np.linspace(0.55, 1.4, 3000), np.full(8000, 1.4))
    )
    steady, clock = TickClock(TICK_US), TickClock(TICK_US)
    start = off(steady, heard(steady, np.full(4000, 1.0)))
    path = heard(clock, speed)
    assert off(clock, path) == pytest.approx(start, abs=0.3)
    assert clock.pace == pytest.approx(1.4, rel=0.03)


def test_a_standing_pulley_is_silent_until_it_turns() -> None:
    clock = TickClock(TICK_US)
    running, standing = np.full(4000, 1.0), np.zeros(3000)
    heard(clock, running)
    assert clock.silent_since_us != clock.silent_since_us
    clock = TickClock(TICK_US)
    heard(clock, np.concatenate((running, standing[:800])))
    assert clock.silent_since_us == pytest.approx(4_000_000, abs=30_000)
    clock = TickClock(TICK_US)
    path = heard(clock, np.concatenate((running, standing, running)))
    assert clock.silent_since_us != clock.silent_since_us
    assert abs(off(clock, path)) < 1.5


def test_time_back_to_path_and_forth() -> None:
    clock = TickClock(TICK_US)
    heard(clock, np.concatenate((np.full(3000, 1.0), np.full(3000, 0.6))))
    for t in (500_000.0, 2_000_000.0, 4_500_000.0, 6_100_000.0):
        assert clock.when(clock.at(t)) == pytest.approx(t, abs=2.0)
    times = np.arange(0, 6_000_000, 50_000)
    assert np.all(np.diff(clock.over(times)) >= 0.0)


def test_ticks_that_fail_go_on_at_the_pace_of_before() -> None:
    clock = TickClock(TICK_US)
    speed = np.full(9000, 1.0)
    gap = set(range(200, 300))
    heard(clock, speed[:5500], lost=gap)
    assert clock.silent_since_us == clock.silent_since_us
    clock.fail()
    clock.hear(6_300_000, 6_290_000, 216)
    clock.hear(6_500_000, 6_490_000, 226)
    clock.advance(6_500_001.0)
    assert clock.at(6_500_000.0) == pytest.approx(6_500_000.0, rel=0.02)


# ---------------------------------------------------------------- the tracker with marks


def bay(**changes: object) -> Station:
    base = {"length_mm": 10_000.0, "speed_mps": 1.0, "pulley_diameter_mm": 100.0, "ticks_per_turn": 16}
    return parse_station(station_text(Params(**{**base, **changes})))  # type: ignore[arg-type]


def run(station: Station, speed: np.ndarray, faster: np.ndarray | None = None) -> tuple[Tracker, list[Turn]]:
    """A belt of 10 m whose reading is its own station (in thousandths); speed each ms, pulley slip `faster`."""
    tracker, turns = Tracker(station), []
    rolled = np.concatenate(([0.0], np.cumsum(speed)))  # mm
    rim = rolled if faster is None else np.concatenate(([0.0], np.cumsum(speed * faster)))
    tick_mm = np.pi * 100.0 / 16
    last, due = 0, 200
    for k in range(10, rolled.size, 10):
        place = rolled[k] % 10_000.0
        passed = int(rolled[k] // 10_000.0) > int(rolled[k - 10] // 10_000.0)
        if passed:
            wall = (rolled[k] // 10_000.0) * 10_000.0
            at_us = int(np.interp(wall, rolled[k - 10 : k + 1], np.arange(k - 10, k + 1)) * 1000)
            _, turn, _ = tracker.mark(at_us)
            if turn is not None:
                turns.append(turn)
        n = int(rim[k] // tick_mm)
        if k >= due and n > 0:
            due += 200
            stamp = int(np.interp(n * tick_mm, rim[: k + 1], np.arange(k + 1)) * 1000)
            assert tracker.ticks is not None
            tracker.ticks.hear(k * 1000 - 1, stamp, n)
        counts = np.full((1, 2), 32768 + round(place), np.int64)
        for bin_ in tracker.take(np.array([k * 1000]), counts, np.ones((1, 2), bool), np.zeros(1, np.int64)):
            turn, _ = tracker.overdue(bin_.end_us)
            assert turn is None
        last = n
    assert last > 0
    return tracker, turns


def blur(turn: Turn) -> float:
    """Largest displacement of what was laid on the stations, revolutions."""
    seen = np.isfinite(turn.reading_mm[0])
    place = turn.reading_mm[0] * 600.0 / 10_000.0
    return float(np.abs(place - (np.arange(TURN_BINS) + 0.5) / TURN_BINS)[seen][3:-3].max())


def test_a_turn_of_changing_speed_is_laid_true() -> None:
    speed = np.ones(56_000)
    speed[34_000:37_000] = np.linspace(1.0, 0.6, 3000)
    speed[37_000:] = 0.6
    tracker, turns = run(bay(), speed)
    assert tracker.by_ticks
    assert all(t.regular for t in turns[1:])
    assert max(blur(t) for t in turns[1:]) < 0.004
    _, plain = run_without(speed)
    assert max(blur(t) for t in plain[1:]) > 0.05, "without ticks"


def run_without(speed: np.ndarray) -> tuple[Tracker, list[Turn]]:
    tracker, turns = Tracker(bay(ticks_per_turn=0)), []
    rolled = np.concatenate(([0.0], np.cumsum(speed)))
    for k in range(10, rolled.size, 10):
        if int(rolled[k] // 10_000.0) > int(rolled[k - 10] // 10_000.0):
            _, turn, _ = tracker.mark(k * 1000)
            if turn is not None:
                turns.append(turn)
        counts = np.full((1, 2), 32768 + round(rolled[k] % 10_000.0), np.int64)
        for bin_ in tracker.take(np.array([k * 1000]), counts, np.ones((1, 2), bool), np.zeros(1, np.int64)):
            turn, _ = tracker.overdue(bin_.end_us)
            if turn is not None:
                turns.append(turn)
    return tracker, turns


def test_a_slipping_pulley_is_not_believed_and_believed_again() -> None:
    speed, faster = np.ones(95_000), np.ones(95_000)
    faster[34_000:44_000] = 1.3
    tracker, turns = run(bay(), speed, faster)
    assert max(blur(t) for t in turns[1:]) < 0.003, "the turns under way were laid by time"
    assert all(t.regular for t in turns[1:])
    assert tracker.by_ticks, "two turns that agree, and they count again"
