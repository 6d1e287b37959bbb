"""Requests over a real broker: done, answered, refused; by MQTT 5, by 3.1.1, and by the shipped client."""

from __future__ import annotations

import io
import json
import logging
import queue
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.errors import BrokerError
from monitor.outside.asking import ask
from monitor.outside.broker import private_broker
from monitor.outside.captures import open_log
from monitor.outside.log_lines import KeyValueFormatter
from monitor.outside.mqtt import Asked
from monitor.outside.mqtt_access import read_password
from monitor.records import AlarmAcknowledged, MoveMade, NoteSaid, StageSaid
from monitor.settings import Mqtt
from tests.bus.conftest import ROOT, WAIT_S, Bay, Ear, Mosquitto
from tests.edge.simple_pipeline import some_wire

MOVE = {"where": "infeed", "side": "left", "amount_mm": 1.6}


class Asker:
    """An MQTT 5 client that asks and waits, written apart from the shipped one."""

    def __init__(self, port: int) -> None:
        self.answers: queue.SimpleQueue[tuple[str, bytes | None, dict[str, Any]]] = queue.SimpleQueue()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        ready: queue.SimpleQueue[int] = queue.SimpleQueue()
        self.client.on_subscribe = lambda _c, _u, mid, _r, _p: ready.put(mid)
        self.client.on_message = lambda _c, _u, m: self.answers.put(
            (m.topic, getattr(m.properties, "CorrelationData", None), json.loads(m.payload))
        )
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.client.subscribe([("my/answers", 1), (f"{ROOT}answer", 1)])
        ready.get(timeout=WAIT_S)

    def say(
        self, what: str, payload: bytes, *, retain: bool = False, answer_to: str | None = "my/answers"
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)
        if answer_to is not None:
            properties.ResponseTopic = answer_to
            properties.CorrelationData = b"token-7"
        self.client.publish(f"{ROOT}ask/{what}", payload, 1, retain, properties)

    def ask(self, what: str, request: Any, **more: Any) -> dict[str, Any]:
        payload = request if isinstance(request, bytes) else json.dumps(request).encode()
        self.say(what, payload, **more)
        return self.answers.get(timeout=WAIT_S)[2]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def asker(bay: Bay, ear: Ear, mosquitto: Mosquitto) -> Iterator[Asker]:
    bay.start()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
    bay.board.say(some_wire(10.0))
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 5)
    made = Asker(mosquitto.port)
    yield made
    made.close()


def logs(bay: Bay) -> list[Path]:
    return sorted(p for p in bay.logs.iterdir() if p.is_dir())


@pytest.mark.mosquitto
def test_what_is_said_is_answered_and_on_record_at_once(bay: Bay, asker: Asker) -> None:
    asker.say("move", json.dumps(MOVE | {"t_s": 2.5, "by": "made-up"}).encode())
    topic, token, answer = asker.answers.get(timeout=WAIT_S)
    assert (topic, token, answer["ok"], answer["ask"]) == ("my/answers", b"token-7", True, "move")
    assert asker.ask("note", {"text": "a note"})["ok"] is True
    assert asker.ask("stage", {"done": "set-up", "measurements": {"level_mm_per_m": 0.5}})["ok"] is True
    (folder,) = logs(bay)
    entries = [said.entry for said in open_log(folder).entries]  # the log is still being written
    assert [type(entry) for entry in entries] == [MoveMade, NoteSaid, StageSaid]
    assert isinstance(entries[0], MoveMade)
    assert (entries[0].t_s, entries[0].amount_mm, entries[0].by) == (2.5, 1.6, "made-up")


@pytest.mark.mosquitto
def test_who_signs_a_belt_that_is_not_shown_to_be_tracked_is_told_so(asker: Asker) -> None:
    answer = asker.ask("stage", {"done": "sign", "by": "made-up"})
    assert answer["ok"] is True
    assert "not shown to be tracked" in answer["warning"]
    assert "warning" not in asker.ask("stage", {"done": "watch"})


@pytest.mark.mosquitto
def test_without_an_answer_topic_the_answer_comes_on_answer(asker: Asker) -> None:
    asker.say("note", b'{"text": "x"}', answer_to=None)
    topic, _, answer = asker.answers.get(timeout=WAIT_S)
    assert topic == f"{ROOT}answer"
    assert answer["ok"] is True


@pytest.mark.mosquitto
def test_an_asker_cannot_make_the_bay_speak_on_its_own_topics(asker: Asker, ear: Ear) -> None:
    for topic in (f"{ROOT}state", f"{ROOT}advice", "runin/other/bay/state"):
        asker.say("note", b'{"text": "x"}', answer_to=topic)
        assert asker.answers.get(timeout=WAIT_S)[0] == f"{ROOT}answer"
    assert all("ask" not in h.payload for h in ear.heard if h.topic in ("state", "advice"))


@pytest.mark.mosquitto
def test_another_belt_ends_the_log_and_starts_one_that_stays_in_its_folder(
    bay: Bay, asker: Asker, ear: Ear
) -> None:
    answer = asker.ask("belt", {"serial": "../../x", "length_mm": 14000.5, "customer_ref": "=1+1"})
    assert answer["ok"] is True
    ear.wait_for(lambda h: h.topic == "state" and h.payload["belt"] == "../../x")
    old, new = sorted(logs(bay), key=lambda p: p.name.endswith(".part"))
    assert (old / "closed.json").exists()
    assert new.name == answer["log"] + ".part"
    station = open_log(new).station
    assert station is not None
    assert station.belt.length_mm == 14000.5
    since = len(ear.heard)
    bay.board.say(some_wire(4.0, start_us=20_000_000))
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 2, since)
    bay.stop()
    assert (bay.logs / answer["log"] / "board.wire").read_bytes() == some_wire(4.0, start_us=20_000_000)
    assert not list(bay.folder.glob("x*"))


@pytest.mark.mosquitto
def test_an_alarm_is_acknowledged_and_shelved(bay: Bay, asker: Asker, ear: Ear) -> None:
    place = {"where": "infeed-left", "name": "sensor-clipped"}
    bay.board.say(some_wire(1.0, start_us=10_001_000, counts=0xFFFF))
    ear.topic("alarm/infeed-left/sensor-clipped")
    assert asker.ask("acknowledge", place | {"by": "made-up"})["state"] == "acknowledged"
    shelved = asker.ask("shelve", place | {"minutes": 10, "by": "made-up", "why": "being mended"})
    assert shelved["state"] == "shelved"
    alarm = ear.wait_for(lambda h: h.topic.endswith("sensor-clipped") and h.payload["state"] == "shelved")
    assert alarm.payload["shelved_why"] == "being mended"
    assert "no alarm" in asker.ask("acknowledge", {"where": "bay", "name": "fire"})["why"]
    assert "never raised" in asker.ask("acknowledge", {"where": "drive", "name": "drift"})["why"]
    assert "where" in asker.ask("acknowledge", {"where": "roof", "name": "drift"})["why"]
    entries = [said.entry for said in open_log(logs(bay)[0]).entries]
    assert isinstance(entries[0], AlarmAcknowledged)


@pytest.mark.mosquitto
def test_a_request_that_arrives_twice_is_done_once(bay: Bay, asker: Asker) -> None:
    first = asker.ask("move", MOVE | {"id": "m-1"})
    again = asker.ask("move", MOVE | {"id": "m-1"})
    assert {k: v for k, v in first.items() if k not in ("id", "utc")} == {
        k: v for k, v in again.items() if k not in ("id", "utc")
    }
    assert len(open_log(logs(bay)[0]).entries) == 1


@pytest.mark.mosquitto
def test_what_cannot_be_understood_changes_nothing_and_is_answered(bay: Bay, asker: Asker, ear: Ear) -> None:
    hostile: list[tuple[str, bytes]] = [
        ("move", b""), ("move", b"[" * 3000), ("move", b'{"where": NaN}'), ("start", b"{}"), ("belt", b"{}"),
        ("note", b'{"text": "\\u001b[31m"}'), ("move", json.dumps(MOVE | {"t_s": 1e9}).encode()),
        ("move", json.dumps(MOVE | {"utc": "2020-01-01T00:00:00Z"}).encode()), ("note", b"x" * 5000),
        ("belt", b'{"serial": "x", "length_mm": 5000}'),
    ]  # fmt: skip
    for what, payload in hostile:
        answer = asker.ask(what, payload)
        assert answer["ok"] is False, what
        assert answer["why"]
    asker.say("note", b"y" * 1_000_000)  # larger than the bay accepts: the broker does not hand it on
    answer = asker.ask("note", {"text": "still here"})
    assert answer["ok"] is True
    assert len(open_log(logs(bay)[0]).entries) == 1
    assert len(logs(bay)) == 1


@pytest.mark.mosquitto
def test_a_retained_request_is_not_carried_out(bay: Bay, mosquitto: Mosquitto) -> None:
    asker = Asker(mosquitto.port)
    asker.say("note", b'{"text": "old"}', retain=True)
    bay.start()
    ear = Ear(mosquitto.port)
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
    assert asker.ask("note", {"text": "new"})["ok"] is True
    (folder,) = logs(bay)
    assert [said.entry.text for said in open_log(folder).entries if isinstance(said.entry, NoteSaid)] == [
        "new"
    ]
    asker.close()
    ear.close()


@pytest.mark.mosquitto
def test_the_shipped_client_is_understood(bay: Bay, asker: Asker) -> None:
    assert ask(bay.station, "move", MOVE)["ok"] is True
    assert "expected" in ask(bay.station, "move", {"where": "roof"})["why"]


@pytest.mark.mosquitto
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_protocol_can_be_chosen(tmp_path: Path, mosquitto: Mosquitto, protocol: str) -> None:
    bay = Bay(tmp_path / "other", mosquitto.port, f'protocol = "{protocol}"')
    ear = Ear(mosquitto.port)
    bay.start()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
    bay.board.say(some_wire(4.0))
    revolution = ear.topic("revolution")
    assert hasattr(revolution.properties, "ContentType") is (protocol == "5")
    assert ask(bay.station, "note", {"text": "x"})["ok"] is True
    bay.close()
    ear.close()


def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(tmp_path: Path) -> None:
    """The embedded broker answers MQTT 5 with reason 132; the bay falls back and everything works."""
    pytest.importorskip("amqtt", reason="the extra demo (amqtt) is not installed")
    with private_broker(embedded=True) as address:
        ear = Ear(address.port, five=False, name="test-ear")
        bay = Bay(tmp_path / "bay", address.port)
        bay.start()
        ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
        bay.board.say(some_wire(10.0, counts=0xFFFF))
        ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 5)
        ear.topic("alarm/infeed-left/sensor-clipped")
        assert ask(bay.station, "move", MOVE)["ok"] is True
        bay.close()
        ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
        ear.close()


@pytest.mark.mosquitto
def test_a_wrong_password_is_said_and_is_in_no_line(tmp_path: Path) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    (folder / "passwords").write_text("")
    broker = Mosquitto(folder, f"password_file {folder / 'passwords'}", anonymous=False)
    broker.start()
    secret = tmp_path / "secret"
    secret.write_text("open-sesame-4711\n")
    secret.chmod(0o600)
    lines = io.StringIO()
    handler = logging.StreamHandler(lines)
    handler.setFormatter(KeyValueFormatter())
    logging.getLogger("runin").addHandler(handler)
    bay = Bay(tmp_path / "bay", broker.port, f'username = "bay-9"\npassword_file = "{secret}"')
    bay.start()
    end_s = time.monotonic() + WAIT_S
    while "what=mqtt-refused" not in lines.getvalue():
        assert time.monotonic() < end_s
        time.sleep(0.05)
    bay.close()
    broker.stop()
    logging.getLogger("runin").removeHandler(handler)
    assert "uthorized" in lines.getvalue() or "password" in lines.getvalue()
    assert "open-sesame" not in lines.getvalue()


def test_a_password_file_that_others_may_read_is_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    secret.chmod(0o644)
    settings = Mqtt(host="127.0.0.1", username="x", password_file=str(secret))
    with pytest.raises(BrokerError, match="chmod 600"):
        read_password(settings)
    secret.unlink()
    with pytest.raises(BrokerError, match="cannot be read"):
        read_password(settings)


@pytest.mark.mosquitto
def test_a_callback_that_raises_ends_nothing(asker: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a request does to the client's callback stays there: the thread lives, the next request is done."""
    raised: list[Any] = []

    def asked(topic: str, payload: bytes, *rest: Any) -> Asked:
        if payload == b"raise":
            raised.append(topic)
            raise RuntimeError("a defect in a callback")
        return Asked(topic, payload, *rest)

    monkeypatch.setattr("monitor.outside.mqtt.Asked", asked)
    asker.say("note", b"raise")
    assert asker.ask("note", {"text": "after it"})["ok"] is True
    assert raised == ["note"]
