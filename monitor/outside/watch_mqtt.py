"""The picture of a bay from what its daemon says over MQTT: the same words as at the display.

What MQTT does not carry (the hold's clock, how many records were lost on the line) is left out, not guessed.
"""

from __future__ import annotations

import json
import math
import queue
import time
from dataclasses import fields
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.alarms.lifecycle import AlarmStatus
from monitor.errors import BrokerError
from monitor.outside.asking import topic_root
from monitor.outside.display_feed import Glance, Run
from monitor.outside.display_picture import Picture
from monitor.outside.mqtt_access import make_tls, read_password
from monitor.records import Advice, Event, Message, Now, Revolution, RevolutionRow, SensorNow, Tally
from monitor.settings import Mqtt, Station

CONNECT_S = 5.0
FIRST_S = 3.0  # the retained messages come at once; so long is waited for the first live ones
MAX_PAYLOAD = 262_144
LIFE: dict[str, Any] = {"running": True, "link": True, "stage": "set-up", "verdict": "undecided"}


class MqttPicture:
    """Turns messages into the picture; no connection of its own."""

    def __init__(self, station: Station) -> None:
        self._station, self._run = station, Run(1, station)
        self._picture, self._earlier = Picture(station), ""
        self._state: dict[str, Any] = {}
        self._log: object = None
        self._now = Now(math.nan, math.nan, math.nan, False, ())
        self._advice: Advice | None = None
        self._alarms: dict[str, AlarmStatus] = {}

    def take(self, topic: str, payload: dict[str, Any]) -> None:
        """One message, `topic` without the bay's beginning. Raises KeyError, TypeError, ValueError when foreign."""
        if topic == "state":
            log = payload.get("log") or self._log
            earlier = payload.get("earlier") or "" if payload["online"] else self._earlier
            if self._log not in (None, log) or earlier != self._earlier:  # another belt, or another start
                self._picture, self._earlier = Picture(self._station, "", earlier), earlier
            self._state, self._log = payload, log
        elif topic == "now":
            sensors = tuple(_made(SensorNow, s) for s in payload["sensors"])
            self._now = _made(Now, payload | {"sensors": sensors})
        elif topic == "advice":
            self._advice = _made(Advice, payload | {"checks": tuple(payload.get("checks") or ())})
        elif topic.startswith("alarm/"):
            self._alarms[topic] = _made(AlarmStatus, payload, unknown=None)
        elif topic in ("revolution", "event"):
            self._picture.take(self._run, (_message(topic, payload),))

    def document(self, late_s: float) -> dict[str, Any]:
        """late_s: seconds since the last message `now`."""
        state = LIFE | {k: v for k, v in self._state.items() if v is not None}
        alarms = [a for a in self._alarms.values() if a.state != "normal"]
        seen = Glance(
            serial=self._state.get("belt"), log=None, log_failed=None, link=bool(state["link"]),
            silent_s=0.0 if state["link"] else math.nan,  # how long the board is silent MQTT does not say
            stage=state["stage"], verdict=state["verdict"], hold_s=math.nan, now=self._now,
            advice=self._advice, alarms=tuple(alarms), tally=Tally(), broker=None,
            clock_s=self._now.t_s,
        )  # fmt: skip
        self._picture.take(self._run, seen)
        offline = self._state.get("online") is not True
        return self._picture.document(math.inf if offline else late_s)


def _made(kind: Any, payload: dict[str, Any], unknown: object = math.nan) -> Any:
    """The record that a payload was made from; null numbers are not known."""
    optional = {f.name for f in fields(kind) if f.default is None}
    given = {f.name: payload[f.name] for f in fields(kind) if f.name in payload}
    return kind(**{k: unknown if v is None and k not in optional else v for k, v in given.items()})


def _message(topic: str, payload: dict[str, Any]) -> Message:
    if topic == "event":
        event: Event = _made(Event, payload)
        return event
    rows = tuple(_made(RevolutionRow, row) for row in payload["rows"])
    return Revolution(int(payload["rev"]), rows[0].start_s, rows[0].end_s, rows)


class MqttLook:
    """Subscribes to a bay and gives its picture whenever it is called."""

    def __init__(self, station: Station) -> None:
        """Raises BrokerError when the broker cannot be reached or the station file names none."""
        if station.mqtt is None:
            raise BrokerError("the station file names no MQTT broker ([mqtt] host); try --display")
        self._root = topic_root(station)
        self._picture = MqttPicture(station)
        self._heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._now_s = -math.inf
        self._client = self._connect(station.mqtt)
        end_s = time.monotonic() + FIRST_S
        while time.monotonic() < end_s and self._now_s == -math.inf:
            time.sleep(0.05)
            self._take_all()

    def __call__(self) -> dict[str, Any]:
        self._take_all()
        return self._picture.document(time.monotonic() - self._now_s)

    def close(self) -> None:
        """End the subscription."""
        self._client.disconnect()
        self._client.loop_stop()

    def _connect(self, settings: Mqtt) -> mqtt.Client:
        five = settings.protocol == "5"
        protocol = MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=protocol)
        client.suppress_exceptions = True
        connected: queue.SimpleQueue[Any] = queue.SimpleQueue()

        def on_connect(client: mqtt.Client, _u: object, _f: object, reason: Any, _p: object) -> None:
            client.subscribe(f"{self._root}#", qos=0)
            connected.put(reason)

        client.on_connect = on_connect
        client.on_message = self._hear
        if settings.username is not None:
            client.username_pw_set(settings.username, read_password(settings))
        tls = make_tls(settings)
        if tls is not None:
            client.tls_set_context(tls)
        place = f"{settings.host}:{settings.port}"
        try:
            client.connect(settings.host, settings.port, keepalive=15)
            client.loop_start()
            reason = connected.get(timeout=CONNECT_S)
        except (OSError, ValueError, queue.Empty) as problem:
            why = getattr(problem, "strerror", None) or str(problem) or "no answer"
            raise BrokerError(f"{place}: no MQTT broker answers there ({why})") from None
        if reason.is_failure:
            client.loop_stop()
            raise BrokerError(f"{place}: the MQTT broker refused the connection: {reason}")
        return client

    def _hear(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if len(message.payload) <= MAX_PAYLOAD:
            self._heard.put((message.topic.removeprefix(self._root), bytes(message.payload)))

    def _take_all(self) -> None:
        while not self._heard.empty():
            topic, payload = self._heard.get()
            try:
                found = json.loads(payload)
                self._picture.take(topic, found)
            except (KeyError, TypeError, ValueError, IndexError, RecursionError, AttributeError):
                continue  # somebody else's message
            if topic == "now":
                self._now_s = time.monotonic()
