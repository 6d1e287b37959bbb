"""A request and its answer, against real brokers: the embedded one (3.1.1) and mosquitto (5)."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.errors import BrokerError
from monitor.outside.asking import ask, topic_root
from monitor.outside.broker import Address, private_broker
from monitor.settings import Station, parse_station
from monitor.simulation import Params, Simulation


def station_at(address: Address) -> Station:
    text = Simulation(Params()).station()
    broker = f'[mqtt]\nhost = "{address.host}"\nport = {address.port}\n\n[belt]'
    return parse_station(text.replace("[belt]", broker, 1))


@contextmanager
def echo(address: Address, station: Station) -> Iterator[list[dict[str, Any]]]:
    """A stand-in for the service: answers every request with what it heard."""
    heard: list[dict[str, Any]] = []
    ready = threading.Event()
    protocol = MQTTProtocolVersion.MQTTv5 if address.program == "mosquitto" else MQTTProtocolVersion.MQTTv311
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)

    def on_message(_client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        request = json.loads(message.payload)
        heard.append(request)
        properties = message.properties if protocol is MQTTProtocolVersion.MQTTv5 else None
        topic = getattr(properties, "ResponseTopic", f"{topic_root(station)}answer")
        reply = {"ok": True, "heard": request}
        client.publish(topic, json.dumps(reply), qos=1, properties=_token_only(properties))

    # first a retained message of another topic, which must not be taken for the answer
    client.on_connect = lambda *_: client.publish(f"{topic_root(station)}state", b"{}", 1, True)
    client.on_publish = lambda *_: ready.is_set() or client.subscribe(f"{topic_root(station)}ask/#", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = on_message
    client.connect(address.host, address.port)
    client.loop_start()
    assert ready.wait(10)
    yield heard
    client.disconnect()
    client.loop_stop()


def _token_only(properties: Any) -> Any:
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    if properties is None or not hasattr(properties, "CorrelationData"):
        return None
    answer = Properties(PacketTypes.PUBLISH)
    answer.CorrelationData = properties.CorrelationData
    return answer


@pytest.mark.parametrize(
    "embedded", [True, pytest.param(False, marks=pytest.mark.mosquitto)], ids=["embedded", "mosquitto"]
)
def test_a_request_is_answered(embedded: bool) -> None:
    with private_broker(embedded=embedded) as address:
        assert (address.program == "amqtt") is embedded
        station = station_at(address)
        with echo(address, station) as heard:
            answer = ask(station, "note", {"text": "hello", "by": "test"})
    assert answer == {"ok": True, "heard": {"text": "hello", "by": "test"}}
    assert heard == [{"text": "hello", "by": "test"}]


def test_nobody_answers() -> None:
    with private_broker(embedded=True) as address, pytest.raises(BrokerError, match="no service answers"):
        ask(station_at(address), "note", {"text": "hello"}, answer_s=0.3)


def test_no_broker() -> None:
    with pytest.raises(BrokerError, match=r"127\.0\.0\.1:1: no MQTT broker answers there"):
        ask(station_at(Address("127.0.0.1", 1, "none")), "note", {"text": "hello"})


def test_a_broker_that_must_speak_5_but_does_not() -> None:
    with private_broker(embedded=True) as address:
        station = station_at(address)
        assert station.mqtt is not None
        strict = station.model_copy(update={"mqtt": station.mqtt.model_copy(update={"protocol": "5"})})
        with pytest.raises(BrokerError, match="does not speak MQTT 5"):
            ask(strict, "note", {"text": "hello"})


def test_the_private_broker_listens_on_this_machine_only() -> None:
    with private_broker(embedded=True) as address:
        assert address.host == "127.0.0.1"
        assert replace(address, port=0) == Address("127.0.0.1", 0, "amqtt")
