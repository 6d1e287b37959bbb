"""`runin watch`: the same picture in a terminal, from a display or over MQTT."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console

from monitor.errors import BrokerError, UsageError
from monitor.outside.asking import topic_root
from monitor.outside.broker import private_broker
from monitor.outside.display_feed import Run
from monitor.outside.display_picture import Picture
from monitor.outside.payloads import (
    advice_payload,
    alarm_payload,
    envelope,
    event_payload,
    now_payload,
    revolution_payload,
    state_payload,
    to_json,
)
from monitor.outside.watch import WIDE, DisplayLook, draw, ruler, watch
from monitor.outside.watch_mqtt import MqttLook, MqttPicture
from monitor.records import Event, Now
from monitor.settings import Station, load_station
from tests.edge.display_gallery import alarm, glance, past, scenes, shown, station_of
from tests.edge.test_display import wait_for

LIMITS = {"centre_mm": 3.0, "warn_mm": 25.0, "stop_mm": 40.0}
HEAD = envelope(1, datetime(2026, 1, 2, tzinfo=UTC))


def text_of(document: dict[str, Any], width: int = 80) -> str:
    console = Console(file=io.StringIO(), width=width)
    console.print(draw(document))
    return console.file.getvalue()  # type: ignore[attr-defined, no-any-return]


def drawn(station: Station, seen: Any) -> dict[str, Any]:
    """The document that a display which is handed this serves as /state.json."""
    picture, run = Picture(station), Run(1, station)
    for thing in (*past(station), seen):
        picture.take(run, thing)
    document: dict[str, Any] = json.loads(json.dumps(picture.document(0.0), allow_nan=False))
    return document


def test_a_display_serves_the_picture_that_is_drawn_here() -> None:
    station = station_of()
    seen = glance("steer", station, alarms=(alarm("drift"),))
    with shown(station, seen) as (display, _):
        look = DisplayLook(str(display.port))
        wait_for(lambda: look().get("revs") == 60)
        served = look()
    here = drawn(station, seen)
    assert {key: served[key] for key in here if key not in ("run", "version")} == {
        key: here[key] for key in here if key not in ("run", "version")
    }


def test_the_ruler_keeps_its_zones_and_marks() -> None:
    middle = ruler(0.0, None, LIMITS)
    assert len(middle) == WIDE
    assert middle.index("▼") == WIDE // 2
    assert middle.replace("▼", "|") == "".join(reversed(middle.replace("▼", "|"))).translate(
        str.maketrans("[]", "][")
    )
    assert ruler(-99.0, 2.0, LIMITS).startswith("▼")
    right = ruler(4.0, 2.0, LIMITS)
    assert right.index("◇") < right.index("]") < right.index("▼") < right.index("░", WIDE // 2)
    assert "▼" not in ruler(None, None, LIMITS)


@pytest.mark.parametrize(
    ("name", "station", "seen"), [pytest.param(*scene, id=scene[0]) for scene in scenes()]
)
def test_every_scene_is_drawn_in_80_columns(name: str, station: Any, seen: Any) -> None:
    document = drawn(station, seen)
    text = text_of(document)
    assert all(len(line) <= 80 for line in text.splitlines())
    assert document["do"]["head"] in " ".join(text.split())
    for one in document["alarms"]:
        assert one["title"] in text
    if name == "alarm-link-lost":
        assert "do not act on it" in text


def test_a_display_that_falls_silent_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    station = station_of()
    with shown(station, glance("steer", station)) as (display, _):
        look = DisplayLook(f"http://127.0.0.1:{display.port}/")
    assert look()["trust"]["level"] == "no"
    assert "No connection" in text_of(look())


@pytest.mark.parametrize("address", ["ftp://x:1", "http://", "x:notaport", "file:///etc/passwd", "[::1"])
def test_a_wrong_address_is_refused_in_a_sentence(address: str) -> None:
    with pytest.raises(UsageError, match="expected a port"):
        DisplayLook(address)


def test_nobody_there_is_said_in_a_sentence(station_file: Path) -> None:
    with pytest.raises(UsageError, match="no bay display answers there"):
        DisplayLook("1")
    with pytest.raises(BrokerError, match="names no MQTT broker"):
        MqttLook(load_station(station_file))


def messages_of(seen: Any) -> list[tuple[str, bytes]]:
    """What a daemon that shows `seen` says over MQTT."""
    state = {
        "online": True,
        "belt": seen.serial,
        "stage": seen.stage,
        "verdict": seen.verdict,
        "link": seen.link,
    }
    found = [("state", state_payload(HEAD, state)), ("now", now_payload(HEAD, seen.now, link=seen.link))]
    if seen.advice is not None:
        found.append(("advice", advice_payload(HEAD, seen.advice)))  # type: ignore[arg-type]
    for status in seen.alarms:
        found.append((f"alarm/{status.where}/{status.name}", alarm_payload(HEAD, status, 1.0)))  # type: ignore[arg-type]
    return [(topic, to_json(payload)) for topic, payload in found]


@pytest.mark.parametrize(
    ("name", "station", "seen"), [pytest.param(*scene, id=scene[0]) for scene in scenes()]
)
def test_mqtt_gives_the_picture_that_the_display_gives(name: str, station: Any, seen: Any) -> None:
    there = drawn(station, seen)
    picture = MqttPicture(station)
    for thing in past(station)[:-1]:
        for message in thing:
            if isinstance(message, Event):
                picture.take("event", json.loads(to_json(event_payload(HEAD, message))))
            else:
                picture.take("revolution", json.loads(to_json(revolution_payload(HEAD, message))))
    for topic, payload in messages_of(seen):
        picture.take(topic, json.loads(payload))
    here = json.loads(json.dumps(picture.document(0.0), allow_nan=False))
    for key in ("do", "pulleys", "stages", "alarms", "stage", "verdict", "belt", "motion", "limits"):
        assert here[key] == there[key], key
    if name != "sensor-fault":
        assert here["trust"]["level"] == there["trust"]["level"]


def test_a_daemon_that_says_goodbye_is_not_trusted() -> None:
    picture = MqttPicture(station_of())
    seen = glance("steer", station_of(), alarms=(alarm("drift"),))
    for topic, payload in messages_of(seen):
        picture.take(topic, json.loads(payload))
    assert picture.document(0.1)["trust"]["level"] == "yes"
    assert picture.document(9.0)["trust"]["level"] == "no"
    picture.take("state", {"online": False, "why": "stopped"})
    assert picture.document(0.1)["trust"]["level"] == "no"
    assert "not measure" in text_of(picture.document(0.1))


def test_while_the_board_is_not_heard_no_reading_is_called_recent() -> None:
    station = station_of()
    picture = MqttPicture(station)
    for topic, payload in messages_of(glance("steer", station)):
        picture.take(topic, json.loads(payload))
    assert picture.document(0.1)["trust"]["age"] == "last reading just now"
    picture.take("state", {"online": True, "link": False})
    assert picture.document(0.1)["trust"]["age"] == "last reading not known"


def test_readings_are_told_no_finer_than_a_rule_shows() -> None:
    inch, mm = (Picture(station_of(units)) for units in ("inch", "mm"))
    assert [inch.lateral(v) for v in (0.19, -0.3, 0.6, -8.73, float("nan"))] == [
        "in the middle", "1/64 in left", "1/32 in right", "11/32 in left", "not known",
    ]  # fmt: skip
    assert [mm.lateral(v) for v in (0.04, -0.06, 8.73)] == ["in the middle", "0.1 mm left", "8.7 mm right"]


def test_an_old_advice_says_when_it_was_given() -> None:
    station = station_of()
    fresh = drawn(station, glance("steer", station))["do"]["why"]
    seen = glance("steer", station)
    late = replace(seen, now=replace(seen.now, rev=seen.now.rev + 8.0))
    assert "Said at" not in fresh
    assert f"(Said at revolution {seen.advice.rev}.)" in drawn(station, late)["do"]["why"]


def test_a_belt_that_is_learnt_anew_is_said_until_the_next_belt() -> None:
    station = station_of()
    picture = MqttPicture(station)
    seen = glance("steer", station)
    for topic, payload in messages_of(replace(seen, now=replace(seen.now, t_s=600.0))):
        picture.take(topic, json.loads(payload))
    state = {"online": True, "log": "two", "earlier": "one_A-7"}
    assert "anew" not in text_of(picture.document(0.1))
    picture.take("state", state)
    said = " ".join(text_of(picture.document(0.1)).split())
    assert "started 10 min ago and learns this belt anew" in said
    assert "in the log one_A-7." in said
    picture.take("state", {"online": False})
    assert picture.document(0.1)["revs"] == 0
    picture.take("state", state | {"log": "three", "earlier": None})
    assert "anew" not in text_of(picture.document(0.1))


@pytest.mark.mosquitto
def test_a_bay_is_followed_over_a_real_broker(station_file: Path) -> None:
    with private_broker(embedded=False) as address:
        text = station_file.read_text()
        station_file.write_text(f'{text}\n[mqtt]\nhost = "{address.host}"\nport = {address.port}\n')
        station = load_station(station_file)
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect(address.host, address.port)
        client.loop_start()
        for topic, payload in messages_of(glance("steer", station, alarms=(alarm("drift"),))):
            client.publish(topic_root(station) + topic, payload, qos=1, retain=True).wait_for_publish(20)
        look = MqttLook(station)
        try:
            wait_for(lambda: len(look()["alarms"]) == 1)
            assert look()["do"]["head"] == "Tighten the right end, infeed pulley"
        finally:
            look.close()
            client.disconnect()
            client.loop_stop()


def test_foreign_messages_are_no_harm() -> None:
    picture = MqttPicture(station_of())
    for topic, content in (
        ("now", {}),
        ("now", {"sensors": 3}),
        ("advice", {"x": 1}),
        ("revolution", {"rows": []}),
    ):
        with pytest.raises((KeyError, TypeError, ValueError, IndexError)):
            picture.take(topic, content)
    picture.take("else/where", {})
    assert text_of(picture.document(0.0))


def test_what_is_no_terminal_gets_one_picture() -> None:
    station = station_of()
    with shown(station, glance("prove", station, now=Now(1.0, 61.0, 0.4, True, ()))) as (display, _):
        console = Console(file=io.StringIO(), width=80)
        watch(DisplayLook(str(display.port)), console)
    assert "Hands off" in console.file.getvalue()  # type: ignore[attr-defined]
    assert "\x1b" not in console.file.getvalue()  # type: ignore[attr-defined]
