"""The metric tree by itself: complete, unambiguous, reported when it changes, honest about what is not known."""

from __future__ import annotations

import json
import math

import pytest

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.lifecycle import AlarmLifecycle
from monitor.outside.sparkplug_metrics import Picture, Report, describe_metrics
from monitor.outside.sparkplug_wire import Payload, encode
from monitor.records import Advice, Event, Now, Revolution, RevolutionRow, SensorNow
from monitor.settings import parse_station
from tests.conftest import SAMPLE_LOGS
from tests.edge.conftest import STATION

MS = 1_700_000_000_000


@pytest.fixture
def picture() -> Picture:
    return Picture(parse_station(STATION), "0")


def row(position_mm: float) -> RevolutionRow:
    return RevolutionRow(
        3,
        1.0,
        2.0,
        "infeed-left",
        position_mm,
        0.1,
        0.2,
        0.05,
        9.0,
        "steady",
        100,
        0,
        "infeed",
        -4.0,
        4.0,
        "good",
    )


def test_names_and_aliases_are_unique_and_no_folder_is_a_metric(picture: Picture) -> None:
    births = {device: picture.birth(device, MS) for device in (None, *picture.devices)}
    aliases = [metric.alias for metrics in births.values() for metric in metrics]
    assert len(set(aliases)) == len(aliases)
    assert 0 not in aliases  # that is bdSeq's
    for metrics in births.values():
        names = [metric.name or "" for metric in metrics]
        lower = {name.lower() for name in names}
        assert len(lower) == len(names)  # case-sensitivity-metric-names
        folders = {name.rsplit("/", k)[0] for name in names for k in range(1, name.count("/") + 1)}
        assert not folders & set(names)
        encode(Payload(MS, tuple(metrics), 0))  # every content fits its type


def test_every_alarm_has_its_metrics_where_it_is_raised(picture: Picture) -> None:
    places = {"bay": ["bay"], "pulley": ["infeed", "drive"], "sensor": list(picture.devices)}
    names = {metric.name for metric in picture.birth(None, MS)}
    for entry in CATALOGUE:
        for where in places[entry.place]:
            assert {f"Alarms/{where}/{entry.name}/state", f"Alarms/{where}/{entry.name}/active"} <= names


def test_the_alarms_of_the_sample_logs_are_raised_at_the_kind_of_place_that_the_table_says() -> None:
    place_of = {entry.name: entry.place for entry in CATALOGUE}
    seen = set()
    for file in SAMPLE_LOGS.glob("*/events.jsonl"):
        for event in map(json.loads, file.read_text().splitlines()):
            if event["kind"] == "alarm-raised":
                place = "sensor" if event.get("sensor") else "pulley" if event.get("pulley") else "bay"
                assert place == place_of[event["name"]], event
                seen.add(event["name"])
    assert {"drift", "section-wobble", "belt-stopped"} <= seen  # test_every_alarm.py looks at all of them


def test_only_what_changed_is_reported_but_a_revolution_whole(picture: Picture) -> None:
    state = {"belt": "B", "stage": "watch", "link": True, "alarms": [], "running": True}
    (first,) = picture.take(state, MS)
    assert first.contents == {"State/belt": "B", "State/stage": "watch", "State/link": True, "State/running": True,
                              "State/alarms standing": 0}  # fmt: skip
    assert picture.take(state, MS + 1) == []
    (second,) = picture.take({**state, "stage": "steer"}, MS + 2)
    assert (second.contents, second.ms) == ({"State/stage": "steer"}, MS + 2)
    for ms in (MS, MS + 1):
        rows, *_ = picture.take(Revolution(3, 1.0, 2.0, (row(math.nan),)), ms)
        assert rows.device == "infeed-left"
        assert len(rows.contents) == 11
        assert rows.contents["Belt/position"] is None
        assert not picture.is_live(rows)
    (event,) = picture.take(Event(1.0, 0, "note", "x", text="ü"), MS)
    assert json.loads(str(event.contents["Event/line"])) == {
        "t_s": 1.0, "rev": 0, "kind": "note", "name": "x", "text": "ü"
    }  # fmt: skip
    (advice,) = picture.take(Advice(0.0, 0, "move", "why", "care", "infeed", "left", 1.6), MS)
    assert advice.contents["Advice/amount"] == 1.6
    (no_move,) = picture.take(Advice(0.0, 0, "none", "why", "care"), MS)
    assert no_move.contents == {"Advice/action": "none", "Advice/where": None, "Advice/side": None,
                                "Advice/amount": None}  # fmt: skip
    assert Report.from_json(advice.to_json()) == advice


def test_a_silent_sensor_is_dead_and_its_alarm_is_not(picture: Picture) -> None:
    life = AlarmLifecycle()
    (status,) = life.raise_alarm("drive-left", "sensor-silent", 1.0)
    (report,) = picture.take(status, MS)
    assert report.device is None
    assert report.contents == {
        "Alarms/drive-left/sensor-silent/state": "unacknowledged",
        "Alarms/drive-left/sensor-silent/active": True,
    }
    assert [picture.is_alive(device) for device in picture.devices] == [True, False]
    picture.take({"link": False}, MS)
    assert not any(picture.is_alive(device) for device in picture.devices)
    picture.take({"link": True}, MS)
    (status,) = life.clear("drive-left", "sensor-silent", 2.0)
    picture.take(status, MS)
    assert all(picture.is_alive(device) for device in picture.devices)


def test_live_contents_are_transient_and_noise_is_no_change(picture: Picture) -> None:
    sensors = (SensorNow("infeed-left", 1.23456, math.nan, math.nan, "good"),)
    reports = picture.take(Now(1.0, 2.5, 0.45, True, sensors), MS)
    assert all(picture.is_live(report) for report in reports)
    assert reports[1].contents == {"Edge/position": 1.23}
    assert (
        picture.take(
            Now(1.1, 2.5, 0.4501, True, (SensorNow("infeed-left", 1.232, math.nan, 0.0, "good"),)), MS
        )
        == []
    )
    (metric,) = picture.metrics(reports[1], historical=False)
    assert metric.is_transient
    assert metric.name is None


def test_a_name_of_another_version_is_left_out(picture: Picture) -> None:
    assert picture.metrics(Report(None, MS, {"Gone/metric": 1}), historical=True) == []
    assert picture.metrics(Report("gone-sensor", MS, {"Belt/walk": 1.0}), historical=True) == []


def test_the_documents_name_every_metric() -> None:
    rows = describe_metrics()
    assert {"bdSeq", "Node Control/Rebirth", "Belt/walk", "Alarms/<pulley>/drift/state"} <= {
        r["name"] for r in rows
    }
    assert all(r["meaning"] for r in rows)
