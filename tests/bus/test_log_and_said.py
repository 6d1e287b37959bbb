"""What the log says and what was said over MQTT agree, at whatever instant the daemon was killed."""

from __future__ import annotations

import contextlib
import json
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.bus.conftest import Bay, Ear, Mosquitto, environment
from tests.conftest import ROOT
from tests.edge.simple_pipeline import some_wire

pytestmark = pytest.mark.mosquitto
REVOLUTIONS = 6
ENVELOPE = ("id", "utc", "log")


def said_once(ear: Ear, topic: str, born_id: int) -> list[dict[str, Any]]:
    """What was heard on a topic of the killed daemon's log, repeated ids removed, without the envelope, by id.

    The next daemon, whose ids begin at `born_id`, says of that log only what names it.
    """
    by_id = {p["id"]: p for p in ear.all(topic) if p["id"] < born_id or "log" in p}
    return [{k: v for k, v in by_id[i].items() if k not in ENVELOPE} for i in sorted(by_id)]


def wait_until(true: Any, what: str) -> None:
    end_s = time.monotonic() + 30
    while not true():
        assert time.monotonic() < end_s, what
        time.sleep(0.05)


@pytest.mark.parametrize("instant", ["logged", "recorded", "committed", "finished"])
def test_killed_at_the_worst_instant_nothing_is_owed_and_nothing_said_twice(
    tmp_path: Path, mosquitto: Mosquitto, ear: Ear, instant: str
) -> None:
    bay = Bay(tmp_path / "bay", mosquitto.port)
    command = [sys.executable, "-m", "tests.bus.kill_at", str(bay.file), instant, str(REVOLUTIONS - 1)]
    daemon = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=ROOT, env=environment())
    ear.wait_for(lambda h: h.topic == "state" and h.payload["belt"] == "K-1")
    wire = some_wire(2.0 * REVOLUTIONS) + some_wire(1.0, start_us=12_001_000, counts=0xFFFF)
    lines = wire.splitlines(keepends=True)
    for start in range(0, len(lines), 40):  # several turns of the daemon's loop
        bay.board.say(b"".join(lines[start : start + 40]))
        time.sleep(0.02)
    if instant == "finished":
        ear.topic("alarm/infeed-left/sensor-clipped")
        daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(30) == -signal.SIGKILL
    (left,) = bay.logs.glob("*.part")

    with contextlib.closing(sqlite3.connect(bay.logs / "outbox.sqlite")) as db:
        born_id = db.execute("SELECT max(id) FROM message").fetchone()[0] + 1
    bay.start()
    whole = bay.logs / left.name.removesuffix(".part")
    wait_until(whole.is_dir, "the log was not closed")
    logged = [json.loads(line) for line in (whole / "events.jsonl").read_text().splitlines()]
    assert logged[-1]["name"] == "the-end"
    ear.wait_for(lambda h: h.topic == "event" and h.payload["name"] == "the-end")
    heard = said_once(ear, "event", born_id)
    assert heard == logged
    rows = (whole / "revolutions.csv").read_text().splitlines()[1:]
    numbers = [payload["rev"] for payload in said_once(ear, "revolution", born_id)]
    assert numbers == sorted({int(row.split(",")[0]) for row in rows})
    late = [payload for payload in ear.all("event") if "log" in payload]
    assert {payload["log"] for payload in late} == {whole.name}  # at least the end was said late

    bay.stop()
    since = len(ear.heard)
    bay.start()  # once more: nothing is owed any longer
    ear.wait_for(lambda h: h.topic == "state" and h.payload["online"] is True, since)
    time.sleep(1.0)
    assert [e for e in said_once(ear, "event", born_id) if e["name"] == "the-end"] == [logged[-1]]
    bay.close()


def test_an_alarm_that_nobody_was_told_of_wants_to_be_seen(
    tmp_path: Path, mosquitto: Mosquitto, ear: Ear
) -> None:
    bay = Bay(tmp_path / "bay", mosquitto.port)
    command = [sys.executable, "-m", "tests.bus.kill_at", str(bay.file), "alarmed", "0"]
    daemon = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=ROOT, env=environment())
    ear.wait_for(lambda h: h.topic == "state" and h.payload["belt"] == "K-1")
    bay.board.say(some_wire(0.1, counts=0xFFFF))
    assert daemon.wait(30) == -signal.SIGKILL
    assert not ear.all("alarm/infeed-left/sensor-clipped")
    bay.start()
    alarm = ear.topic("alarm/infeed-left/sensor-clipped").payload
    last = ear.wait_for(lambda h: h.topic.startswith("alarm/") and not h.payload["active"]).payload
    assert (alarm["state"], alarm["annunciations"]) == ("unacknowledged", 1)
    assert (last["name"], last["state"]) == ("sensor-clipped", "returned-unacknowledged")
    bay.close()
