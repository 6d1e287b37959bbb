"""The alarm life cycle: the state walk of ISA-18.2 as bus.md names it, and the rules that keep alarms few."""

from __future__ import annotations

import random

import pytest

from monitor.alarms.catalogue import CATALOGUE, PRIORITIES, find_alarm, markdown_table
from monitor.alarms.lifecycle import AlarmLifecycle
from monitor.errors import EntryError
from monitor.records import AlarmAcknowledged, AlarmShelved, Event


def ack(t_s: float, where: str = "infeed", name: str = "drift") -> AlarmAcknowledged:
    return AlarmAcknowledged(t_s, where, name, "made-up technician")


def state(life: AlarmLifecycle, where: str = "infeed", name: str = "drift") -> str:
    return life.status(where, name).state


def test_the_walk_through_all_states() -> None:
    life = AlarmLifecycle()
    assert state(life) == "normal"
    (raised,) = life.take(Event(10.0, 3, "alarm-raised", "drift", pulley="infeed", value_mm=0.7))
    assert (raised.state, raised.raised_s, raised.value_mm) == ("unacknowledged", 10.0, 0.7)
    life.acknowledge(ack(11.0))
    assert state(life) == "acknowledged"
    life.take(Event(12.0, 3, "alarm-cleared", "drift", pulley="infeed"))
    assert state(life) == "normal"
    assert life.status("infeed", "drift").cleared_s == 12.0
    life.raise_alarm("infeed", "drift", 20.0)
    life.clear("infeed", "drift", 21.0)
    assert state(life) == "returned-unacknowledged"
    life.raise_alarm("infeed", "drift", 1022.0)
    assert state(life) == "unacknowledged"
    life.clear("infeed", "drift", 1023.0)
    life.acknowledge(ack(1024.0))
    assert state(life) == "normal"
    with pytest.raises(EntryError, match="nothing to acknowledge"):
        life.acknowledge(ack(1025.0))


def test_only_the_latching_alarm_wants_its_return_acknowledged() -> None:
    assert [entry.name for entry in CATALOGUE if entry.latching] == ["edge-stop"]
    life = AlarmLifecycle()
    life.raise_alarm("infeed-left", "edge-stop", 1.0)
    life.acknowledge(ack(2.0, "infeed-left", "edge-stop"))
    life.clear("infeed-left", "edge-stop", 3.0)
    assert state(life, "infeed-left", "edge-stop") == "returned-unacknowledged"
    life.acknowledge(ack(4.0, "infeed-left", "edge-stop"))
    assert state(life, "infeed-left", "edge-stop") == "normal"


def test_shelving_ends_by_itself_and_shows_what_stands() -> None:
    life = AlarmLifecycle()
    life.shelve(AlarmShelved(0.0, "infeed", "drift", 2.0, "by", "why"))
    assert life.raise_alarm("infeed", "drift", 5.0)[0].state == "shelved"
    assert life.advance(119.9) == []
    (ended,) = life.advance(120.0)
    assert (ended.state, ended.annunciations) == ("unacknowledged", 1)


def test_what_came_and_went_while_shelved_calls_nobody() -> None:
    life = AlarmLifecycle()
    life.shelve(AlarmShelved(0.0, "infeed", "drift", 1.0))
    life.raise_alarm("infeed", "drift", 5.0)
    life.clear("infeed", "drift", 6.0)
    life.advance(61.0)
    status = life.status("infeed", "drift")
    assert (status.state, status.annunciations) == ("normal", 0)


def test_unshelving_and_the_bounds_of_shelving() -> None:
    life = AlarmLifecycle()
    life.raise_alarm("infeed", "drift", 1.0)
    life.shelve(AlarmShelved(2.0, "infeed", "drift", 10.0))
    assert state(life) == "shelved"
    life.shelve(AlarmShelved(3.0, "infeed", "drift", 0.0))
    assert state(life) == "unacknowledged"
    for minutes in (-1.0, 30.1, float("nan"), float("inf")):
        with pytest.raises(EntryError, match="minutes"):
            life.shelve(AlarmShelved(4.0, "infeed", "drift", minutes))
    with pytest.raises(EntryError, match="cannot be shelved"):
        life.shelve(AlarmShelved(4.0, "infeed-left", "edge-stop", 1.0))


def test_one_cause_raises_one_alarm() -> None:
    life = AlarmLifecycle()
    sensors = [f"sensor-{k}" for k in range(8)]
    life.raise_alarm("bay", "link-lost", 2.0)
    for sensor in sensors:
        life.raise_alarm(sensor, "sensor-silent", 2.5)
    assert [(s.where, s.name) for s in life.standing()] == [("bay", "link-lost")]
    assert life.status("sensor-3", "sensor-silent").suppressed_by == "link-lost"
    changed = life.clear("bay", "link-lost", 4.0)
    assert [s.name for s in changed] == ["link-lost"]  # a sensor may take a little longer to be heard again
    changed = life.advance(5.0)  # but no more than twice as long as it took to fall silent
    called = [s.where for s in changed if s.state == "unacknowledged"]
    assert called == sensors  # the suppressor is gone, they still stand


def test_what_cleared_under_its_suppressor_calls_nobody() -> None:
    life = AlarmLifecycle()
    life.raise_alarm("sensor-1", "sensor-silent", 0.0)
    life.acknowledge(ack(0.5, "sensor-1", "sensor-silent"))
    life.clear("sensor-1", "sensor-silent", 0.6)
    life.raise_alarm("bay", "link-lost", 2.0)
    life.raise_alarm("sensor-1", "sensor-silent", 2.5)
    life.clear("sensor-1", "sensor-silent", 3.0)
    life.clear("bay", "link-lost", 4.0)
    status = life.status("sensor-1", "sensor-silent")
    assert (status.state, status.annunciations) == ("normal", 1)


def test_a_suppressor_of_another_sensor_does_not_count() -> None:
    life = AlarmLifecycle()
    life.raise_alarm("infeed-left", "edge-stop", 1.0)
    life.raise_alarm("infeed-left", "edge-warn", 1.0)
    life.raise_alarm("drive-left", "edge-warn", 1.0)
    assert state(life, "infeed-left", "edge-warn") == "normal"
    assert state(life, "drive-left", "edge-warn") == "unacknowledged"


def test_chatter_is_held_and_calms_down() -> None:
    life = AlarmLifecycle()
    for k in range(300):  # twice a second for five minutes
        life.raise_alarm("infeed", "drift", 0.5 * k)
        life.clear("infeed", "drift", 0.5 * k + 0.25)
    status = life.status("infeed", "drift")
    assert status.active
    assert status.chattering
    assert status.annunciations <= 3
    life.advance(149.75 + 59.9)
    assert life.status("infeed", "drift").active
    life.advance(149.75 + 60.1)
    status = life.status("infeed", "drift")
    assert (status.state, status.chattering) == ("returned-unacknowledged", False)


@pytest.mark.parametrize("seed", range(20))
def test_no_alarm_is_annunciated_more_than_three_times_a_minute(seed: int) -> None:
    """The bound of the load test (EEMUA 191's three a minute), over random raising and clearing."""
    rng = random.Random(seed)
    life, t_s, calls = AlarmLifecycle(), 0.0, []
    for _ in range(2000):
        t_s += rng.expovariate(1 / rng.choice([0.1, 2.0, 20.0, 100.0, 3000.0]))
        before = life.status("infeed", "drift").annunciations
        rng.choice([life.raise_alarm, life.clear])("infeed", "drift", t_s)
        if life.status("infeed", "drift").annunciations > before:
            calls.append(t_s)
    assert len(calls) > 20  # the test means something
    assert all(later - first >= 60.0 for first, later in zip(calls, calls[3:], strict=False))


def test_repeats_change_nothing() -> None:
    life = AlarmLifecycle()
    assert life.raise_alarm("infeed", "drift", 1.0)
    assert life.raise_alarm("infeed", "drift", 2.0) == []
    assert life.clear("infeed", "drift", 3.0)
    assert life.clear("infeed", "drift", 4.0) == []
    assert life.clear("drive", "drift", 4.0) == []


def test_another_belt_returns_what_stood_and_keeps_the_link() -> None:
    life = AlarmLifecycle()
    life.raise_alarm("infeed", "drift", 0.5)
    life.raise_alarm("bay", "link-lost", 1.0)
    life.clear_all(2.0, keep=[("bay", "link-lost")])
    life.restart_clock()
    assert state(life, "bay", "link-lost") == "unacknowledged"
    assert state(life) == "returned-unacknowledged"
    life.raise_alarm("drive", "drift", 0.25)
    assert life.status("drive", "drift").raised_s == 0.25


def test_after_a_restart_what_nobody_acknowledged_still_wants_to_be_seen() -> None:
    life = AlarmLifecycle()
    life.restore([("infeed", "drift")])
    assert state(life) == "returned-unacknowledged"
    life.acknowledge(ack(1.0))
    assert state(life) == "normal"


def test_the_table_is_complete_and_can_be_acted_on() -> None:
    from_outputs = {
        "drift", "section-wobble", "edge-warn", "edge-stop", "early-move", "no-response", "unlogged-move",
        "sensor-stuck", "sensor-clipped", "sensor-silent", "sensor-noisy", "mark-missing", "mark-extra",
        "link-lost", "belt-stopped",
    }  # fmt: skip
    assert {entry.name for entry in CATALOGUE} == from_outputs
    for entry in CATALOGUE:
        assert entry.priority in PRIORITIES
        assert entry.respond_within_s > 0
        assert all(find_alarm(name).name == name for name in entry.suppressed_by)
        assert entry.name not in entry.suppressed_by
        for text in (entry.cause, entry.consequence, entry.action):
            assert text.endswith(".")
    table = markdown_table()
    assert all(f"| {entry.name} |" in table for entry in CATALOGUE)
    with pytest.raises(EntryError, match="there is no alarm"):
        find_alarm("fire\x1b[31m")
