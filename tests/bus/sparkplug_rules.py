"""A SCADA host that checks: everything below spBv1.0 read with an independent decoder, judged rule by rule.

Each rule is named by the identifier that the Sparkplug 3.0.0 specification (ISO/IEC 20237) gives it, without the
leading `tck-id-`; the wording of the rules was read in the specification's public sources, those marked (from memory)
were not found there. A broken rule is a line in `faults`, so a test can also ask that a broken message is found.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.bus.sparkplug_descriptor import IndependentPayload

WAIT_S = 30.0
TYPES = range(1, 35)  # the enumerated data types
BOOLEAN, INT64, INT32 = 11, 4, 3


@dataclass(frozen=True)
class Certificate:
    """One message as it was delivered."""

    verb: str
    device: str | None
    qos: int
    retain: bool
    payload: Any
    at_s: float = 0.0

    def metric(self, name: str) -> Any:
        (found,) = [metric for metric in self.payload.metrics if metric.name == name]
        return found


def content_of(metric: Any) -> Any:
    """The content whatever field it is in; None for null."""
    which = metric.WhichOneof("value")
    return None if metric.is_null or which is None else getattr(metric, which)


@dataclass
class Judge:
    """Follows one edge node and notes every rule that a message breaks."""

    faults: list[str] = field(default_factory=list)
    bdseq: int | None = None
    seq: int | None = None
    last_bdseq: int | None = None
    names: dict[int, tuple[str | None, str]] = field(default_factory=dict)  # alias: device, name
    born: set[str | None] = field(default_factory=set)
    complete: bool = False  # data have been sent since the NBIRTH
    contents: dict[tuple[str | None, str], Any] = field(default_factory=dict)

    def rule(self, name: str, kept: bool, what: object) -> None:
        if not kept:
            self.faults.append(f"{name}: {what}")

    def take(self, heard: Certificate) -> None:
        if heard.verb in ("NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDEATH"):
            what = f"{heard.verb} {heard.device or ''}"
            plain = heard.qos == 0 and not heard.retain
            self.rule(f"topics-{heard.verb.lower()}-mqtt", plain, what)
            self.rule("payloads-sequence-num-always-included", heard.payload.HasField("seq"), what)
            self.rule(f"payloads-{heard.verb.lower()}-timestamp", heard.payload.timestamp > 1.6e12, what)
        handle = {"NBIRTH": self._node_birth, "NDEATH": self._node_death, "DBIRTH": self._device_birth}
        handle.get(heard.verb, self._other)(heard)

    def _next(self, heard: Certificate) -> None:
        seq = heard.payload.seq
        expected = None if self.seq is None else (self.seq + 1) % 256
        self.rule(
            "payloads-sequence-num-incrementing", seq == expected, f"{heard.verb}: {seq} after {self.seq}"
        )
        self.seq = seq

    def _node_birth(self, heard: Certificate) -> None:
        payload = heard.payload
        self.rule("payloads-sequence-num-zero-nbirth", payload.seq == 0, payload.seq)
        self.rule(
            "topic-structure-namespace-device-id-non-associated-message-types", heard.device is None, "NBIRTH"
        )
        self.seq, self.complete = 0, False
        self.names, self.born, self.contents = {}, {None}, {}
        self._define(heard)
        bdseq = heard.metric("bdSeq")
        self.rule("message-flow-edge-node-birth-publish-nbirth-payload-bdSeq", bdseq.datatype == INT64, bdseq)
        number = content_of(bdseq)
        self.rule(
            "message-flow-edge-node-birth-publish-will-message-payload-bdSeq", 0 <= number <= 255, number
        )
        if self.bdseq is not None:  # a rebirth within the session
            self.rule("operational-behavior-data-commands-rebirth-action-3", number == self.bdseq, number)
        self.bdseq = number
        rebirth = heard.metric("Node Control/Rebirth")
        self.rule("operational-behavior-data-commands-rebirth-datatype", rebirth.datatype == BOOLEAN, rebirth)
        self.rule("operational-behavior-data-commands-rebirth-value", content_of(rebirth) is False, rebirth)
        aliased = rebirth.HasField("alias")
        self.rule("operational-behavior-data-commands-rebirth-name-aliases", not aliased, rebirth)

    def _node_death(self, heard: Certificate) -> None:
        payload = heard.payload
        self.rule("payloads-ndeath-seq", not payload.HasField("seq"), payload)
        self.rule("payloads-ndeath-will-message-qos", heard.qos == 1, heard.qos)
        self.rule("payloads-ndeath-will-message-retain", not heard.retain, "retained")
        only = [metric.name for metric in payload.metrics] == ["bdSeq"]
        self.rule("topics-ndeath-payload", only, payload)
        number = content_of(payload.metrics[0])
        self.rule("message-flow-edge-node-birth-publish-will-message-payload-bdSeq",
                  payload.metrics[0].datatype == INT64, payload)  # fmt: skip
        if self.bdseq is not None:  # that of an earlier session may come late, or twice
            self.rule("payloads-ndeath-bdseq", number == self.bdseq, f"{number}, born with {self.bdseq}")
        self.last_bdseq, self.bdseq, self.seq = number, None, None
        self.born, self.names = set(), {}

    def _device_birth(self, heard: Certificate) -> None:
        self.rule("message-flow-device-birth-publish-nbirth-wait", None in self.born, heard.device)
        self.rule(
            "topic-structure-namespace-device-id-associated-message-types", heard.device is not None, heard
        )
        self._next(heard)
        self.born.add(heard.device)
        self._define(heard)

    def _define(self, heard: Certificate) -> None:
        for metric in heard.payload.metrics:
            what = f"{heard.device} {metric.name}"
            self.rule("payloads-name-requirement", metric.HasField("name"), what)
            self.rule("payloads-name-birth-data-requirement", metric.timestamp > 1.6e12, what)
            self.rule("payloads-metric-datatype-req", metric.HasField("datatype"), what)
            self.rule("payloads-metric-datatype-value", metric.datatype in TYPES, what)
            given = metric.is_null or metric.WhichOneof("value") is not None
            self.rule(f"topics-{heard.verb.lower()}-metrics", given, what)
            self.rule("operational-behavior-data-publish-nbirth-values", not metric.is_historical, what)
            if metric.name != "Node Control/Rebirth":
                self.rule("payloads-alias-birth-requirement", metric.HasField("alias"), what)
                unique = metric.alias not in self.names or self.names[metric.alias] == (
                    heard.device,
                    metric.name,
                )
                self.rule("payloads-alias-uniqueness", unique, what)
                self.names[metric.alias] = (heard.device, metric.name)
                self.contents[heard.device, metric.name] = content_of(metric)
            self._check_properties(metric, what, birth=True)

    def _check_properties(self, metric: Any, what: str, *, birth: bool) -> None:
        keys, contents = list(metric.properties.keys), list(metric.properties.values)
        self.rule("payloads-propertyset-keys-array-size", len(keys) == len(contents), what)
        for key, one in zip(keys, contents, strict=False):
            self.rule("payloads-metric-propertyvalue-type-req", not birth or one.HasField("type"), what)
            if key == "Quality":
                self.rule("payloads-propertyset-quality-value-type", one.type == INT32, what)
                self.rule("payloads-propertyset-quality-value-value", one.int_value in (0, 192, 500), what)

    def _other(self, heard: Certificate) -> None:
        self._next(heard)
        self.rule(
            "payloads-ndata-order", heard.device in self.born, f"{heard.verb} {heard.device} before its birth"
        )
        if heard.verb == "DDEATH":
            self.born.discard(heard.device)
            return
        self.complete = True
        for metric in heard.payload.metrics:
            known = self.names.get(metric.alias)
            self.rule("payloads-alias-data-cmd-requirement", not metric.HasField("name"), metric)
            self.rule("topics-nbirth-metric-reqs", known is not None, f"alias {metric.alias} was not born")
            if known is not None:
                self.rule("payloads-alias-uniqueness", known[0] == heard.device, known)
            self.rule("payloads-name-birth-data-requirement", metric.timestamp > 1.6e12, metric)
            self.rule("payloads-metric-datatype-not-req", not metric.HasField("datatype"), metric)
            self._check_properties(metric, str(known), birth=False)
            if known is not None and not metric.is_historical:
                self.contents[known] = content_of(metric)


class Host:
    """Hears everything below spBv1.0, judges it, and can be a primary host with a STATE of its own."""

    def __init__(self, port: int, group: str = "hall", node: str = "bay-9", name: str = "") -> None:
        self.heard: list[Certificate] = []
        self.judge = Judge()
        self._prefix = f"spBv1.0/{group}/"
        self._node, self._name = node, name
        self._lock = threading.Lock()
        subscribed = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._stamp_ms = round(time.time() * 1000)
        if name:
            self.client.will_set(f"spBv1.0/STATE/{name}", self._state(False), 1, True)
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        self.client.on_connect = lambda c, *_: c.subscribe("spBv1.0/#", options=options)
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port, keepalive=10)
        self.client.loop_start()
        assert subscribed.wait(WAIT_S)
        if name:
            self.say_state(True)

    def _state(self, online: bool) -> str:
        return json.dumps({"online": online, "timestamp": self._stamp_ms})

    def say_state(self, online: bool, *, earlier_ms: int = 0) -> None:
        content = json.dumps({"online": online, "timestamp": self._stamp_ms - earlier_ms})
        self.client.publish(f"spBv1.0/STATE/{self._name}", content, 1, True).wait_for_publish(WAIT_S)

    def _hear(self, _c: Any, _u: Any, message: paho.MQTTMessage) -> None:
        if not message.topic.startswith(self._prefix):
            return
        verb, node, *device = message.topic.removeprefix(self._prefix).split("/")
        if node != self._node or verb in ("NCMD", "DCMD"):
            return
        payload = IndependentPayload.FromString(message.payload)
        one = Certificate(
            verb, device[0] if device else None, message.qos, message.retain, payload, time.time()
        )
        with self._lock:
            self.judge.take(one)
            self.heard.append(one)

    def command(self, **metric: Any) -> None:
        """An NCMD with one metric; `Node Control/Rebirth` true when nothing is given."""
        given = metric or {"name": "Node Control/Rebirth", "datatype": BOOLEAN, "boolean_value": True}
        payload = IndependentPayload(timestamp=round(time.time() * 1000))
        payload.metrics.add(timestamp=payload.timestamp, **given)
        self.say_command(payload.SerializeToString())

    def say_command(self, content: bytes, *, retain: bool = False, qos: int = 0, device: str = "") -> None:
        topic = f"DCMD/{self._node}/{device}" if device else f"NCMD/{self._node}"
        self.client.publish(f"{self._prefix}{topic}", content, qos, retain)

    def wait_for(self, enough: Callable[[Certificate], bool], since: int = 0) -> Certificate:
        end_s = time.monotonic() + WAIT_S
        while True:
            for one in self.heard[since:]:
                if enough(one):
                    return one
            verbs = [f"{one.verb} {one.device or ''}".strip() for one in self.heard[since:]]
            assert time.monotonic() < end_s, f"not heard; heard were {verbs[-20:]}; {self.judge.faults}"
            time.sleep(0.02)

    def verb(self, verb: str, since: int = 0, device: str | None = None) -> Certificate:
        return self.wait_for(lambda one: one.verb == verb and device in (None, one.device), since)

    def reports(self, name: str, since: int = 0) -> list[tuple[Any, bool, int]]:
        """Contents of a metric from data messages: content, historical, time stamp; by its present alias."""
        aliases = {alias for alias, known in self.judge.names.items() if known[1] == name}
        found = [m for one in self.heard[since:] if one.verb[1:] == "DATA" for m in one.payload.metrics]
        return [(content_of(m), m.is_historical, m.timestamp) for m in found if m.alias in aliases]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def vanish(self) -> None:
        """As a host that dies: no DISCONNECT, so its will speaks."""
        self.client.loop_stop()
        sock = self.client.socket()
        assert sock is not None
        sock.close()
