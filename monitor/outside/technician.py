"""A robot technician for the demo: hears the bay over MQTT and does what the advice says, as a person would.

It knows nothing but what is published: it reads each advice, walks to the take-up (a delay of the belt's
clock), turns the screw not quite exactly, and logs the move with a request. It never makes a second
move while one is still to be made.
"""

from __future__ import annotations

import json
import queue
import random
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.errors import BrokerError
from monitor.outside.asking import ask, topic_root
from monitor.outside.bench import Bench, Job
from monitor.outside.broker import Address
from monitor.records import MoveWhere, Side
from monitor.settings import Station

WALK_S = (15.0, 40.0)  # of the belt's clock, from reading the advice to turning the screw
INEXACT = 0.04  # share of a move by which a wrench misses, one standard deviation
NAME = "robot technician"
# What a person does and says at the end. The set-up was made before: the belt already runs when this begins.
PERSONS_STAGES: dict[str, dict[str, float | str]] = {"lock": {}, "sign": {}}


@dataclass(frozen=True, slots=True)
class Heard:
    """One message of the bay: what comes after `runin/<site>/<bay>/`, and its payload."""

    topic: str
    payload: dict[str, Any]


class Ear:
    """A subscription to everything a bay says. paho's thread only fills the queue."""

    def __init__(self, address: Address, station: Station) -> None:
        self.heard: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._root = topic_root(station)
        # 3.1.1 is what every broker speaks, the embedded one included
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"runin-demo-{station.bay.name}",
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.suppress_exceptions = True
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        try:
            self._client.connect(address.host, address.port, keepalive=30)
        except OSError as problem:
            raise BrokerError(f"{address.host}:{address.port}: no broker answers there ({problem})") from None
        self._client.loop_start()

    def close(self) -> None:
        """End the subscription."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self._root}#", qos=1)

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        topic = message.topic.removeprefix(self._root)
        if topic.startswith(("ask/", "answer")):
            return
        payload = json.loads(message.payload)
        if isinstance(payload, dict):
            self.heard.put(Heard(topic, payload))


@dataclass
class Technician:
    """Follows the advice. `deeds` gets a sentence for everything done."""

    station: Station
    bench: Bench
    seed: int
    deeds: queue.SimpleQueue[str] = field(default_factory=queue.SimpleQueue)
    moves_made: int = 0
    _busy: bool = False
    _stage_said: str = ""

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)

    def follow(self, advice: dict[str, Any]) -> None:
        """Read one advice; where it asks for a move, go and make it."""
        if advice.get("action") != "move" or self._busy:
            return
        self._busy = True
        walk_s = self._chance.uniform(*WALK_S)
        where: MoveWhere = advice["where"]
        side: Side = advice["side"]
        amount_mm = float(advice["amount_mm"])
        made_mm = amount_mm * (1.0 + self._chance.gauss(0.0, INEXACT))

        def then(_t_s: float) -> None:
            self._log_move(where, side, amount_mm)

        self.bench.do_later(Job(self.bench.t_s + walk_s, where, side, made_mm, then))
        self.deeds.put(f"goes to the {side} end of the {where} {bearing(where)}")

    def attend(self, stage: str) -> None:
        """Do what a stage asks of a person, and say so."""
        if stage in PERSONS_STAGES:
            self.say_done(stage, PERSONS_STAGES[stage])

    def say_done(self, stage: str, measurements: dict[str, float | str]) -> None:
        """Tell the service that a stage is done, once."""
        if stage == self._stage_said:
            return
        self._stage_said = stage
        request: dict[str, Any] = {"done": stage, "by": NAME}
        if measurements:
            request["measurements"] = measurements
        answer = ask(self.station, "stage", request)
        accepted = "says" if answer.get("ok") else f"is told ({answer.get('why')}):"
        self.deeds.put(f"{accepted} that stage '{stage}' is done")

    def _log_move(self, where: MoveWhere, side: Side, amount_mm: float) -> None:
        request = {"where": where, "side": side, "amount_mm": amount_mm, "by": NAME}
        answer = ask(self.station, "move", request)
        self.moves_made += 1
        self._busy = False
        if answer.get("ok"):
            self.deeds.put(f"has moved the {side} end by {amount_mm:+.1f} mm and logged it")
        else:
            self.deeds.put(f"has moved, but the log refused: {answer.get('why')}")


def bearing(where: MoveWhere) -> str:
    """What is turned there, in a word."""
    return "pulley" if where == "infeed" else "roller"
