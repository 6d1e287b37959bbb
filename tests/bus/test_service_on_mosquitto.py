"""The service and a real mosquitto: what bus.md promises, heard by a subscriber that knows nothing else."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.outside.captures import open_log
from monitor.outside.outputs import event_line
from monitor.outside.payloads import TOPICS
from monitor.records import Event
from tests.bus.conftest import Bay, Ear, Mosquitto, environment
from tests.conftest import ROOT
from tests.edge.simple_pipeline import SimplePipeline, some_wire

pytestmark = pytest.mark.mosquitto


def test_every_topic_of_the_contract_is_heard(bay: Bay, ear: Ear) -> None:
    bay.start()
    online = ear.topic("state")
    assert online.payload["online"] is True
    assert online.payload["belt"] is None
    bay.board.say(some_wire(30.0))
    bay.board.say(some_wire(2.0, start_us=30_001_000, counts=0xFFFF))
    revolution = ear.topic("revolution")
    assert [row["sensor"] for row in revolution.payload["rows"]] == ["infeed-left", "drive-left"]
    assert revolution.payload["rows"][0]["position_se_mm"] is None  # unknown is null, not NaN
    advice = ear.wait_for(lambda h: h.topic == "advice" and h.payload["action"] == "wait")
    assert {"until_rev", "minutes", "why", "caution"} <= advice.payload.keys()
    alarm = ear.topic("alarm/infeed-left/sensor-clipped").payload
    assert alarm["state"] == "unacknowledged"
    assert alarm["raised_s"] == 30.0
    assert {"priority", "cause", "consequence", "action", "respond_within_s", "cleared_s"} <= alarm.keys()
    assert ear.topic("event").payload["kind"] in ("advice", "note")
    ear.topic("now")
    bay.stop()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    for heard in ear.heard:
        TOPICS[heard.topic.split("/")[0]].model_validate(heard.payload)
        assert heard.payload["utc"].endswith("Z")
        assert heard.properties.ContentType == "application/json"
    ids = [h.payload["id"] for h in ear.heard]
    assert len(set(ids)) == len(ids)
    for topic in ("event", "revolution"):
        of_topic = [h.payload["id"] for h in ear.heard if h.topic == topic]
        assert of_topic == sorted(of_topic)


def test_what_was_said_is_what_the_log_says_and_replays(bay: Bay, ear: Ear) -> None:
    bay.start()
    ear.topic("state")
    wire = some_wire(60.0)
    for start in range(0, len(wire), 3001):
        bay.board.say(wire[start : start + 3001])
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 30)
    bay.stop()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    (folder,) = [p for p in bay.logs.iterdir() if p.is_dir()]
    assert folder.name.endswith("Z_unnamed")
    lines = (folder / "events.jsonl").read_text()
    said = [{k: v for k, v in e.items() if k not in ("id", "utc")} for e in ear.all("event")]
    assert said == [json.loads(line) for line in lines.splitlines()]
    assert (folder / "board.wire").read_bytes() == wire
    heard = [m for batch in open_log(folder).play(SimplePipeline(bay.station)) for m in batch]
    assert "".join(event_line(m) for m in heard if isinstance(m, Event)) == lines


def test_state_advice_and_alarms_are_retained_for_who_comes_late(
    bay: Bay, ear: Ear, mosquitto: Mosquitto
) -> None:
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(4.0, counts=0xFFFF))
    ear.topic("alarm/infeed-left/sensor-clipped")
    ear.wait_for(lambda h: h.topic == "advice" and h.payload["action"] == "wait")
    ear.topic("revolution")
    late = Ear(mosquitto.port)
    for topic in ("state", "advice", "alarm/infeed-left/sensor-clipped"):
        assert late.topic(topic).retained
    time.sleep(0.3)
    assert {h.topic.split("/")[0] for h in late.heard if h.retained} == {"state", "advice", "alarm"}
    late.close()


def test_the_last_will_speaks_after_kill_9_and_the_log_is_recovered(
    tmp_path: Path, mosquitto: Mosquitto, ear: Ear
) -> None:
    """The real daemon as a process of its own, killed in the middle; then started again."""
    bay = Bay(tmp_path / "bay", mosquitto.port)
    command = [sys.executable, "-m", "monitor", "run", "--station", str(bay.file), "--belt", "K-1"]
    first = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=ROOT, env=environment())
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True and h.payload["belt"] == "K-1")
    bay.board.say(some_wire(30.0))
    ear.wait_for(lambda h: h.topic == "now" and h.payload["t_s"] > 29)
    first.send_signal(signal.SIGKILL)
    first.wait()
    will = ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    assert "lost" in will.payload["why"]
    TOPICS["state"].model_validate(will.payload)
    (left,) = bay.logs.glob("*.part")
    since = len(ear.heard)
    second = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=ROOT, env=environment())
    again = ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True, since)
    assert again.payload["earlier"] == left.name.removesuffix(".part")
    end_s = time.monotonic() + 30
    while not (bay.logs / left.name.removesuffix(".part") / "closed.json").exists():
        assert time.monotonic() < end_s
        time.sleep(0.05)
    recovered = bay.logs / left.name.removesuffix(".part")
    assert (recovered / "board.wire").read_bytes() == some_wire(30.0)
    assert json.loads((recovered / "summary.json").read_text())["records_good"] > 1400
    second.send_signal(signal.SIGTERM)
    assert second.wait(30) == 128 + signal.SIGTERM
    gone = ear.wait_for(lambda h: h.topic == "state" and "SIGTERM" in str(h.payload["why"]), since)
    assert gone.payload["online"] is False
    bay.close()


def lost_states(ear: Ear) -> list[str]:
    return [payload["state"] for payload in ear.all("alarm/bay/link-lost")]


def test_a_pulled_cable_raises_one_alarm_at_once_and_one_only(bay: Bay, ear: Ear) -> None:
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(4.0))
    ear.topic("revolution")
    bay.board.pull()
    lost = ear.topic("alarm/bay/link-lost").payload
    assert lost["state"] == "unacknowledged"
    assert lost["raised_s"] == pytest.approx(
        3.98 + 2.0, abs=1e-4
    )  # the last good record plus 2 s, as in outputs.md
    state = ear.wait_for(lambda h: h.topic == "state" and h.payload["link"] is False).payload
    assert state["running"] is None  # unknown, never as fine
    now = ear.wait_for(lambda h: h.topic == "now" and h.payload["sensors"][0]["quality"] == "unknown").payload
    assert now["sensors"][0]["edge_mm"] is None
    assert now["speed_mps"] is None
    bay.board.plug()
    bay.board.say(some_wire(4.0, start_us=9_001_000))
    ear.wait_for(lambda h: h.topic == "alarm/bay/link-lost" and not h.payload["active"])
    ear.wait_for(lambda h: h.topic == "event" and h.payload["kind"] == "alarm-cleared")
    ear.wait_for(lambda h: h.topic == "state" and h.payload["running"] is True)
    assert lost_states(ear) == ["unacknowledged", "returned-unacknowledged"]
    assert ear.all("alarm/bay/link-lost")[-1]["annunciations"] == 1
    events = [e for e in ear.all("event") if e["name"] == "link-lost"]
    assert [e["kind"] for e in events] == ["alarm-raised", "alarm-cleared"]
    assert [e["t_s"] for e in events] == pytest.approx([5.98, 9.0], abs=1e-4)
    bay.stop()
    (folder,) = [p for p in bay.logs.iterdir() if p.is_dir()]
    times = [line.split(",")[3] for line in (folder / "board.times").read_text().splitlines()]
    assert [what for what in times if what.startswith("port")] == ["port-lost", "port-opened"]


def test_a_pause_that_the_boards_clock_did_not_see_is_taken_back(bay: Bay, ear: Ear) -> None:
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(4.0))
    ear.topic("alarm/bay/link-lost")
    bay.board.say(some_wire(4.0, start_us=4_001_000))
    ear.wait_for(lambda h: h.topic == "alarm/bay/link-lost" and not h.payload["active"])
    assert not [e for e in ear.all("event") if e["name"] == "link-lost"]


def test_stopped_and_started_again_ids_grow_and_unseen_alarms_remain(bay: Bay, ear: Ear) -> None:
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(4.0, counts=0xFFFF))
    ear.topic("alarm/infeed-left/sensor-clipped")
    bay.stop()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    since, highest = len(ear.heard), max(h.payload["id"] for h in ear.heard)
    bay.start()
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True, since)
    # what was said in the last seconds may come again first, under its old id
    alarm = ear.wait_for(
        lambda h: h.topic == "alarm/infeed-left/sensor-clipped" and h.payload["id"] > highest, since
    ).payload
    assert alarm["state"] == "returned-unacknowledged"


@pytest.mark.parametrize("number", [pytest.param(signal.SIGTERM, marks=pytest.mark.slow), signal.SIGKILL])
def test_a_broker_that_was_away_gets_everything_in_order(
    bay: Bay, ear: Ear, mosquitto: Mosquitto, number: int
) -> None:
    """The broker keeps nothing over its end, so what it had acknowledged must come again."""
    bay.start()
    ear.topic("state")
    bay.board.say(some_wire(20.0))
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 10)
    mosquitto.stop(number)
    ear.close()
    bay.board.say(some_wire(20.0, start_us=20_001_000))
    time.sleep(0.5)
    mosquitto.start()
    after = Ear(mosquitto.port)
    after.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True)
    bay.board.say(some_wire(4.0, start_us=40_001_000))
    after.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 22)
    before_ids = {p["id"] for p in ear.all("revolution")}
    seen: dict[int, int] = {p["rev"]: p["id"] for p in ear.all("revolution") + after.all("revolution")}
    assert sorted(seen) == list(range(1, 23))
    first_arrivals = [p["id"] for p in after.all("revolution") if p["id"] not in before_ids]
    assert first_arrivals == sorted(first_arrivals)
    after.wait_for(lambda h: h.topic == "advice" and h.payload["action"] == "wait")
    assert after.all("advice")[-1]["action"] == "wait"  # the retained picture is whole again
    after.close()


def test_without_a_broker_the_bay_works_and_catches_up(bay: Bay, mosquitto: Mosquitto) -> None:
    mosquitto.stop()
    bay.start()
    bay.board.say(some_wire(10.0))
    end_s = time.monotonic() + 30
    while not list(bay.logs.glob("*/events.jsonl")):
        assert time.monotonic() < end_s
        time.sleep(0.05)
    mosquitto.start()
    ear = Ear(mosquitto.port)
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 5)
    assert [p["rev"] for p in ear.all("revolution")] == [1, 2, 3, 4, 5]
    ear.close()


def test_a_taken_over_name_is_noticed_and_survived(bay: Bay, ear: Ear, mosquitto: Mosquitto) -> None:
    bay.start()
    ear.topic("state")
    thief = paho.Client(CallbackAPIVersion.VERSION2, client_id="runin-test-hall-bay-9")
    thief.connect("127.0.0.1", mosquitto.port)
    thief.loop_start()
    will = ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is False)
    assert "lost" in will.payload["why"]
    thief.disconnect()
    thief.loop_stop()
    since = len(ear.heard)
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True, since)
