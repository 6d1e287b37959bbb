"""A broker, a bay that is served, and an ear that hears everything; all on the loopback."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.outside.broker import find_mosquitto, free_port
from monitor.outside.service import run_service
from monitor.settings import Station, load_station
from tests.edge.conftest import STATION
from tests.edge.pseudo_board import Board
from tests.edge.simple_pipeline import SimplePipeline

WAIT_S = 30.0  # only a bound for a broken program
ROOT = "runin/test-hall/bay-9/"


class Mosquitto:
    """A real broker that can be stopped, killed and started again on the same port."""

    def __init__(self, folder: Path, extra: str = "", *, anonymous: bool = True) -> None:
        program = find_mosquitto()
        assert program is not None, "mosquitto is not installed (apt-get install mosquitto)"
        self.program, self.port, self.folder = program, free_port(), folder
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o777)  # started as root, mosquitto gives up root's rights
        self.conf = folder / "mosquitto.conf"
        allow = str(anonymous).lower()
        user = "user root\n" if os.geteuid() == 0 else ""
        self.conf.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous {allow}\n{user}{extra}\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(
            [self.program, "-c", str(self.conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end_s = time.monotonic() + WAIT_S
        while time.monotonic() < end_s:
            client = paho.Client(CallbackAPIVersion.VERSION2)
            try:
                client.connect("127.0.0.1", self.port)
                client.disconnect()
                return
            except OSError:
                time.sleep(0.05)
        raise AssertionError("mosquitto did not start")

    def stop(self, number: int = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(WAIT_S)
            self.process = None


@dataclass(frozen=True)
class Heard:
    topic: str
    payload: dict[str, Any]
    retained: bool
    properties: Any


class Ear:
    """Subscribes to everything below the bay; keeps what it heard, in order."""

    def __init__(
        self, port: int, *, five: bool = True, topic: str = "runin/#", name: str = "", root: str = ROOT
    ) -> None:
        self.root = root
        self.heard: list[Heard] = []
        self.arrivals: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        subscribed = threading.Event()
        version = MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=version)
        self.client.on_connect = lambda c, *_: c.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port, keepalive=10)
        self.client.loop_start()
        assert subscribed.wait(WAIT_S)

    def _hear(self, _client: Any, _userdata: Any, message: paho.MQTTMessage) -> None:
        if "/ask/" in message.topic:
            return  # not what the bay says, and no JSON perhaps
        payload = json.loads(message.payload) if message.payload else {}
        topic = message.topic.removeprefix(self.root)
        self.arrivals.put(Heard(topic, payload, message.retain, message.properties))

    def wait_for(self, enough: Callable[[Heard], bool], since: int = 0) -> Heard:
        """The first message that fits, heard already (from `since` on) or still to come."""
        end_s = time.monotonic() + WAIT_S
        while True:
            while not self.arrivals.empty():
                self.heard.append(self.arrivals.get())
            for heard in self.heard[since:]:
                if enough(heard):
                    return heard
            assert time.monotonic() < end_s, f"not heard; last were {self.heard[-5:]}"
            time.sleep(0.02)

    def topic(self, topic: str, since: int = 0) -> Heard:
        return self.wait_for(lambda heard: heard.topic == topic, since)

    def all(self, topic: str) -> list[dict[str, Any]]:
        while not self.arrivals.empty():
            self.heard.append(self.arrivals.get())
        return [heard.payload for heard in self.heard if heard.topic == topic]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Bay:
    """The service in a thread, with the simple pipeline, behind a pseudo-terminal."""

    def __init__(self, folder: Path, broker_port: int, more_mqtt: str = "") -> None:
        self.folder, self.logs = folder, folder / "logs" / "test-hall" / "bay-9"
        folder.mkdir(parents=True, exist_ok=True)
        self.board = Board(folder / "edge-board")
        self.file = folder / "station.toml"
        text = STATION.replace("/dev/serial/by-id/made-up", str(folder / "edge-board"))
        self.file.write_text(text + f'\n[mqtt]\nhost = "127.0.0.1"\nport = {broker_port}\n{more_mqtt}\n')
        self.station: Station = load_station(self.file)
        self.stopping = threading.Event()
        self.code: int | None = None
        self.thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        self.code = run_service(self.station, self.file, stop=self.stopping, make=SimplePipeline)

    def start(self) -> None:
        self.stopping = threading.Event()
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def stop(self) -> None:
        self.stopping.set()
        self.thread.join(WAIT_S)
        assert not self.thread.is_alive()

    def close(self) -> None:
        if self.thread.is_alive():
            self.stop()
        if self.board.master >= 0:
            self.board.pull()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(tmp_path / "broker", "persistence false")
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def bay(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Bay]:
    made = Bay(tmp_path / "bay", mosquitto.port)
    yield made
    made.close()


@pytest.fixture
def ear(mosquitto: Mosquitto) -> Iterator[Ear]:
    made = Ear(mosquitto.port)
    yield made
    made.close()


def environment() -> dict[str, str]:
    """For a service that runs as a process of its own."""
    return {**os.environ, "PYTHONUNBUFFERED": "1"}
