"""A request to a running service over MQTT, and its answer: what `runin log` and the demo's technician use.

MQTT 5 carries the answer's topic and a token with the request, so answers cannot be mixed up. A broker that
speaks only 3.1.1 refuses the first connection; then the bay's `answer` topic is listened to instead.
"""

from __future__ import annotations

import json
import queue
import secrets
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.errors import BrokerError
from monitor.outside.mqtt_access import make_tls, read_password
from monitor.settings import Mqtt, Station

ANSWER_S = 5.0  # a service on the same hall's network answers within a tenth of this
CONNECT_S = 5.0
UNSUPPORTED_PROTOCOL = 132  # MQTT 5 reason code: unsupported protocol version


def topic_root(station: Station) -> str:
    """What every topic of the bay begins with, slash included."""
    return f"runin/{station.bay.site}/{station.bay.name}/"


def ask(station: Station, what: str, request: dict[str, Any], answer_s: float = ANSWER_S) -> dict[str, Any]:
    """Send one request to the bay's service and return its answer.

    Raises BrokerError when the broker cannot be reached, refuses, or no service answers within answer_s.
    """
    settings = station.mqtt
    if settings is None:
        raise BrokerError("the station file names no MQTT broker ([mqtt] host)")
    if settings.protocol == "3.1.1":
        return _Asker(station, settings, MQTTProtocolVersion.MQTTv311).ask(what, request, answer_s)
    try:
        return _Asker(station, settings, MQTTProtocolVersion.MQTTv5).ask(what, request, answer_s)
    except _OlderBroker:
        if settings.protocol == "5":
            raise BrokerError(f"{settings.host}:{settings.port}: the broker does not speak MQTT 5") from None
        return _Asker(station, settings, MQTTProtocolVersion.MQTTv311).ask(what, request, answer_s)


class _OlderBroker(Exception):
    """The broker speaks only MQTT 3.1.1."""


@dataclass
class _Asker:
    """One connection for one request. paho's thread only puts things into queues; this thread decides."""

    station: Station
    settings: Mqtt
    protocol: MQTTProtocolVersion
    connected: queue.SimpleQueue[ReasonCode] = field(default_factory=queue.SimpleQueue)
    subscribed: queue.SimpleQueue[int] = field(default_factory=queue.SimpleQueue)
    answers: queue.SimpleQueue[mqtt.MQTTMessage | None] = field(
        default_factory=queue.SimpleQueue
    )  # None: refused

    def ask(self, what: str, request: dict[str, Any], answer_s: float) -> dict[str, Any]:
        token = secrets.token_hex(8)
        client = self._client(token)
        place = f"{self.settings.host}:{self.settings.port}"
        try:
            client.connect(self.settings.host, self.settings.port, keepalive=15)
        except (OSError, ValueError) as problem:
            why = getattr(problem, "strerror", None) or str(problem)
            raise BrokerError(f"{place}: no MQTT broker answers there ({why})") from None
        client.loop_start()
        try:
            self._await_connection(place)
            return self._exchange(client, what, request, token, answer_s)
        finally:
            client.disconnect()
            client.loop_stop()

    def _client(self, token: str) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"runin-ask-{token}", protocol=self.protocol
        )
        client.suppress_exceptions = True
        client.on_connect = lambda _c, _u, _f, reason, _p: self.connected.put(reason)
        client.on_subscribe = lambda _c, _u, mid, _r, _p: self.subscribed.put(mid)
        client.on_message = lambda _c, _u, message: self.answers.put(message)
        client.on_publish = lambda _c, _u, _m, reason, _p: (
            self.answers.put(None) if reason.value >= 128 else None
        )
        settings = self.settings
        if settings.username is not None:
            client.username_pw_set(settings.username, read_password(settings))
        tls = make_tls(settings)
        if tls is not None:
            client.tls_set_context(tls)
        return client

    def _await_connection(self, place: str) -> None:
        try:
            reason = self.connected.get(timeout=CONNECT_S)
        except queue.Empty:
            raise BrokerError(f"{place}: the MQTT broker did not answer within {CONNECT_S:g} s") from None
        if reason.value == UNSUPPORTED_PROTOCOL and self.protocol is MQTTProtocolVersion.MQTTv5:
            raise _OlderBroker
        if reason.is_failure:
            raise BrokerError(f"{place}: the MQTT broker refused the connection: {reason}")

    def _exchange(
        self, client: mqtt.Client, what: str, request: dict[str, Any], token: str, answer_s: float
    ) -> dict[str, Any]:
        root = topic_root(self.station)
        five = self.protocol is MQTTProtocolVersion.MQTTv5
        reply_topic = f"{root}answer/{token}" if five else f"{root}answer"
        client.subscribe(reply_topic, qos=1)
        silent = f"no service answers for bay {self.station.bay.site}/{self.station.bay.name}"
        try:
            self.subscribed.get(timeout=CONNECT_S)
            properties = _reply_properties(reply_topic, token) if five else None
            client.publish(f"{root}ask/{what}", json.dumps(request), qos=1, properties=properties)
            while True:
                message = self.answers.get(timeout=answer_s)
                if message is None:
                    raise BrokerError(f"the broker does not let this user ask for {what} (its access list)")
                # a broker may hand out retained messages of other topics (amqtt does)
                if message.topic == reply_topic and (not five or _token(message) == token.encode()):
                    return _understood(bytes(message.payload))
        except queue.Empty:
            raise BrokerError(f"{silent}: is `runin run` running?") from None


def _reply_properties(topic: str, token: str) -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = topic
    properties.CorrelationData = token.encode()
    return properties


def _token(message: mqtt.MQTTMessage) -> bytes | None:
    return getattr(message.properties, "CorrelationData", None)


def _understood(payload: bytes) -> dict[str, Any]:
    try:
        answer = json.loads(payload)
    except (ValueError, RecursionError):
        answer = None
    if not isinstance(answer, dict):
        raise BrokerError("the service's answer is not a JSON object")
    return answer
