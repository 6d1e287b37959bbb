"""The bay's connection to the MQTT broker: one thread owns everything about it.

The thread drives paho's `loop()` itself, so callbacks run in it, hold no lock of ours and only note
what happened; no callback can kill it, and nothing needs a lock besides three small hand-overs from the
service. Each connection is a new paho client: its will is fresh, nothing is re-sent behind our back,
and sending starts at the oldest message that waits in the outbox. Waits between tries grow and carry
chance, so that many bays do not come back to a broker in step.

MQTT 5 first, 3.1.1 where the broker refuses that (reason 132, or it hangs up twice without a word) or
where the station file says so. The session is kept (a broker that says it is new has forgotten: the
outbox sends again); requests are taken at QoS 0, so none that was asked while we were away arrives
late, and none twice.
"""

from __future__ import annotations

import contextlib
import queue
import random
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import BrokerError
from monitor.outside.log_lines import fault, note, warn
from monitor.outside.mqtt_access import make_properties, make_tls, payload_properties, read_password
from monitor.outside.outbox import Outbox, OutboxBroken
from monitor.outside.payloads import answer_payload, envelope, state_payload, to_json
from monitor.settings import Station

KEEPALIVE_S = 15  # a dead broker is noticed after twice this
CONNECT_S = 10.0
HELLO_S = 3.0
LOOP_S = 0.03  # how long one wait on the socket lasts: the delay of an alarm at most
WINDOW = 8  # messages under way at a time
ACKNOWLEDGE_S = (
    30.0  # since MQTT has no repeat within a connection, a lost answer is only mended by a new one
)
FIRST_WAIT_S, LAST_WAIT_S = 0.5, 30.0
REFUSED_WAIT_S = 60.0  # a wrong password does not become right by asking often
SESSION_S = 86_400
EXPIRY_S = 60  # a live value or an answer is of no use later
MAX_PACKET_BYTES = 65_536
MAX_WAITING_REQUESTS = 100
UNSUPPORTED_PROTOCOL, TAKEN_OVER = 132, 142  # MQTT 5 reason codes
REFUSALS = {133, 134, 135, 138, 140}  # identifier, password, authorisation, banned, method


@dataclass(frozen=True, slots=True)
class Asked:
    """A request as it came; `answer_to` and `token` as MQTT 5 carries them."""

    what: str
    payload: bytes
    retained: bool
    answer_to: str | None = None
    token: bytes | None = None


@dataclass
class _Connection:
    """What became of one connection; filled by callbacks, read between two loops."""

    client: paho.Client
    five: bool
    reason: int | None = None
    reason_text: str = ""
    session_present: bool = False
    ended: str | None = None
    taken_over: bool = False
    published: deque[tuple[int, int, str]] = field(default_factory=deque)
    asked: deque[Asked] = field(default_factory=deque)
    in_flight: dict[int, tuple[int, float]] = field(default_factory=dict)
    sent_id: int = 0


class Bus(threading.Thread):
    """The connection; start it, hand it things, stop it."""

    def __init__(
        self, station: Station, outbox: Outbox, asked: queue.SimpleQueue[Any], *, version: str = ""
    ) -> None:
        """`asked` receives an `Asked` for each request. Raises BrokerError for settings that cannot work."""
        super().__init__(name="mqtt", daemon=True)
        if station.mqtt is None:
            raise BrokerError("the station file names no MQTT broker ([mqtt] host)")
        self._settings = station.mqtt
        self._root = f"runin/{station.bay.site}/{station.bay.name}/"
        self._name = f"runin-{station.bay.site}-{station.bay.name}"
        self._password = read_password(self._settings)
        self._tls = make_tls(self._settings)
        self._outbox, self._asked, self._version = outbox, asked, version
        self._five = self._settings.protocol != "3.1.1"
        self._version_known = self._settings.protocol != "auto"
        self._silent_refusals = 0
        self._stopping = threading.Event()
        self._state: Mapping[str, Any] = {}
        self._state_dirty = False
        self._live: deque[bytes] = deque(maxlen=1)
        self._answers: deque[tuple[Asked, Mapping[str, Any]]] = deque(maxlen=MAX_WAITING_REQUESTS)
        self.connected = False
        self.beat_s = time.monotonic()
        self.counts: dict[str, int] = {"connections": 0, "sent": 0, "refused": 0, "requests": 0}
        self.counts["answers_dropped"] = 0

    # ------------------------------------------------------------ handed over by the service

    def set_state(self, fields: Mapping[str, Any]) -> None:
        """The content of `state`, sent when it changes (but for the time) and at every connection."""
        old, new = dict(self._state) | {"t_s": None}, dict(fields) | {"t_s": None}
        self._state = dict(fields)
        self._state_dirty = self._state_dirty or old != new

    def say_now(self, payload: bytes) -> None:
        """The live picture: sent when connected, else forgotten; never queued."""
        if self.connected:
            self._live.append(payload)

    def answer(self, asked: Asked, answer: Mapping[str, Any]) -> None:
        """What a request came to; the oldest unsent ones give way to a flood, and are counted."""
        self.counts["answers_dropped"] += len(self._answers) == MAX_WAITING_REQUESTS
        self._answers.append((asked, answer))

    def stop(self, why: str = "stopped", wait_s: float = 5.0) -> None:
        """Send what can be sent within the time, say `why` on `state`, and disconnect."""
        self.set_state({**self._state, "online": False, "why": why, "running": None})
        self._stop_by_s = time.monotonic() + 0.6 * wait_s
        self._stopping.set()
        self.join(wait_s)

    # ------------------------------------------------------------ the thread

    def run(self) -> None:
        wait_s = FIRST_WAIT_S
        while not self._stopping.is_set():
            refused = False
            try:
                good, refused = self._live_through_one_connection()
                wait_s = FIRST_WAIT_S if good else min(2.0 * wait_s, LAST_WAIT_S)
            except OutboxBroken as problem:
                fault("outbox-failed", why=problem)
            except Exception:  # the one place: whatever breaks here, the bay goes on and tries again
                fault("mqtt-failed", trace=True)
            self.connected = False
            self._wait(REFUSED_WAIT_S if refused else wait_s * random.uniform(0.5, 1.0))

    def _wait(self, seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while not self._stopping.is_set() and time.monotonic() < end_s:
            self.beat_s = time.monotonic()
            self._stopping.wait(0.2)

    def _live_through_one_connection(self) -> tuple[bool, bool]:
        """Returns whether it was ever good, and whether the broker refused us for good."""
        if not self._version_known:
            self._learn_version()
        link = self._open()
        if link is None:
            return False, False
        try:
            if not self._established(link):
                return False, (link.reason or 0) in REFUSALS
            self._welcome(link)
            while link.ended is None and not self._finished(link):
                self._turn(link)
            if link.ended is None:
                self._part(link)
            note("mqtt-disconnected", why=link.ended or "stopped")
            return not link.taken_over, False
        finally:
            self.connected = False
            with contextlib.suppress(Exception):
                link.client.disconnect()

    def _learn_version(self) -> None:
        """Asks with a bare connection which version the broker speaks: an old one may choke on a full one."""
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{self._name}-hello",
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        link = _Connection(client, True)
        self._set_up(link, will=False)
        try:
            client.connect(self._settings.host, self._settings.port, KEEPALIVE_S, clean_start=True)
        except (OSError, ValueError):
            return  # the connection itself will say so
        try:
            if self._established(link, HELLO_S):
                self._version_known = True
        finally:
            self._version_known = self._version_known or not self._five
            client.disconnect()

    def _open(self) -> _Connection | None:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._name,
            protocol=MQTTProtocolVersion.MQTTv5 if self._five else MQTTProtocolVersion.MQTTv311,
            clean_session=None if self._five else False,
            reconnect_on_failure=False,
        )
        link = _Connection(client, self._five)
        self._set_up(link)
        properties = make_properties(
            PacketTypes.CONNECT, SessionExpiryInterval=SESSION_S, MaximumPacketSize=MAX_PACKET_BYTES
        )
        start: dict[str, Any] = {"clean_start": False, "properties": properties} if self._five else {}
        try:
            client.connect(self._settings.host, self._settings.port, KEEPALIVE_S, **start)
        except (OSError, ValueError) as problem:
            warn("mqtt-no-broker", host=self._place(), why=problem)
            return None
        return link

    def _set_up(self, link: _Connection, *, will: bool = True) -> None:
        client = link.client
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_S / 2
        client.max_inflight_messages_set(WINDOW + 8)
        if self._settings.username is not None:
            client.username_pw_set(self._settings.username, self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if will:
            self._leave_will(link)

        def on_connect(_c: Any, _u: Any, flags: Any, reason: Any, _p: Any) -> None:
            link.reason, link.reason_text = int(reason.value), str(reason)
            link.session_present = bool(flags.session_present)

        def on_disconnect(_c: Any, _u: Any, _flags: Any, reason: Any, _p: Any) -> None:
            link.taken_over = reason.value == TAKEN_OVER
            link.ended = str(reason)

        def on_publish(_c: Any, _u: Any, mid: int, reason: Any, _p: Any) -> None:
            link.published.append((mid, int(reason.value), str(reason)))

        def on_message(_c: Any, _u: Any, message: paho.MQTTMessage) -> None:
            properties = message.properties
            link.asked.append(
                Asked(
                    message.topic.removeprefix(f"{self._root}ask/")[:40],
                    bytes(message.payload),
                    message.retain,
                    getattr(properties, "ResponseTopic", None),
                    getattr(properties, "CorrelationData", None),
                )
            )

        client.on_connect, client.on_disconnect = on_connect, on_disconnect
        client.on_publish, client.on_message = on_publish, on_message

    def _leave_will(self, link: _Connection) -> None:
        words = {"online": False, "why": "the connection to the monitor was lost"}
        kind = {"ContentType": "application/json", "PayloadFormatIndicator": 1}
        properties = make_properties(PacketTypes.WILLMESSAGE, **kind) if link.five else None
        link.client.will_set(f"{self._root}state", self._state_bytes(words), 1, True, properties)

    def _established(self, link: _Connection, wait_s: float = CONNECT_S) -> bool:
        """Waits for the broker's word; decides about the older protocol."""
        end_s = time.monotonic() + wait_s
        while link.reason is None and link.ended is None and time.monotonic() < end_s:
            self._loop(link)
            if self._stopping.is_set() and time.monotonic() > self._stop_by_s:
                return False
        if link.reason == 0 and link.ended is None:
            self._silent_refusals = 0
            return True
        hung_up = link.five and link.reason is None
        self._silent_refusals = self._silent_refusals + 1 if hung_up else 0
        if link.five and (link.reason == UNSUPPORTED_PROTOCOL or self._silent_refusals >= 2):
            if self._settings.protocol == "auto":
                warn(
                    "mqtt-falls-back", host=self._place(), to="3.1.1", why="the broker does not speak MQTT 5"
                )
                self._five = False
            else:
                why = "the broker does not speak MQTT 5, which the station file wants"
                fault("mqtt-refused", host=self._place(), why=why)
        else:
            why = link.reason_text or link.ended or "no answer"
            fault("mqtt-refused", host=self._place(), why=why)
        return False

    def _welcome(self, link: _Connection) -> None:
        options = SubscribeOptions(qos=0, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        if link.five:
            link.client.subscribe(f"{self._root}ask/+", options=options)
        else:
            link.client.subscribe(f"{self._root}ask/+", qos=0)
        outbox = self._outbox
        again = outbox.send_again() if link.session_present else outbox.forget_session()
        self.counts["connections"] += 1
        self._state_dirty, self.connected = True, True
        version = "5" if link.five else "3.1.1"
        note("mqtt-connected", host=self._place(), version=version, sent_again=again)

    def _turn(self, link: _Connection) -> None:
        """One turn: the socket, what came back, what is to go out."""
        self._loop(link)
        self._take_acknowledgements(link)
        while link.asked:
            self._take_request(link.asked.popleft())
        if link.ended is not None:
            return
        self._send_state(link)
        while self._answers:
            self._send_answer(link, *self._answers.popleft())
        if self._live:
            self._publish(link, "now", self._live.popleft(), qos=0, expiry_s=EXPIRY_S)
        self._send_waiting(link)

    def _loop(self, link: _Connection) -> None:
        self.beat_s = time.monotonic()
        code = link.client.loop(LOOP_S)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and link.ended is None:
            link.ended = paho.error_string(code)

    def _take_acknowledgements(self, link: _Connection) -> None:
        done: list[int] = []
        while link.published:
            mid, reason, text = link.published.popleft()
            message_id, _ = link.in_flight.pop(mid, (0, 0.0))
            if not message_id:
                continue
            if reason < 128:
                done.append(message_id)
            else:
                self.counts["refused"] += 1
                fault("mqtt-message-refused", id=message_id, why=text)
                self._outbox.park(message_id, text)
        if done:
            self.counts["sent"] += len(done)
            self._outbox.acknowledge(done)
        oldest_s = min((since_s for _, since_s in link.in_flight.values()), default=time.monotonic())
        if time.monotonic() - oldest_s > ACKNOWLEDGE_S:
            link.ended = "the broker does not acknowledge"

    def _take_request(self, asked: Asked) -> None:
        self.counts["requests"] += 1
        if self._asked.qsize() < MAX_WAITING_REQUESTS:
            self._asked.put(asked)
        else:
            self.answer(asked, {"ok": False, "why": "too many requests at once; ask again later"})

    # ------------------------------------------------------------ sending

    def _send_waiting(self, link: _Connection) -> None:
        room = WINDOW - len(link.in_flight)
        if room <= 0 or link.sent_id >= self._outbox.newest_id:
            return
        newest_id = self._outbox.newest_id
        drafts = self._outbox.waiting(link.sent_id, room)
        if not drafts:
            link.sent_id = newest_id
        for draft in drafts:
            mid = self._publish(
                link, draft.topic, draft.payload, qos=1, retain=draft.retain, message_id=draft.id
            )
            if mid is None:
                return
            link.in_flight[mid] = (draft.id, time.monotonic())
            link.sent_id = draft.id

    def _send_state(self, link: _Connection) -> None:
        if self._state_dirty and self._state:
            self._state_dirty = False
            self._publish(link, "state", self._state_bytes(self._state), qos=1, retain=True)

    def _send_answer(self, link: _Connection, asked: Asked, answer: Mapping[str, Any]) -> None:
        payload = to_json(answer_payload(self._head(), asked.what, answer))
        topic = f"{self._root}answer"
        if asked.answer_to is not None and self._may_answer_to(asked.answer_to):
            topic = asked.answer_to
        self._publish(link, topic, payload, qos=1, token=asked.token, expiry_s=EXPIRY_S, absolute=True)

    def _may_answer_to(self, topic: str) -> bool:
        """An asker must not make us speak on a topic that is ours, or another bay's."""
        if not 0 < len(topic) <= 256 or set(topic) & set("+#\0"):
            return False
        return topic.startswith(f"{self._root}answer/") or not topic.startswith(("runin/", "$"))

    def _publish(
        self, link: _Connection, topic: str, payload: bytes, *, qos: int, retain: bool = False,
        message_id: int | None = None, token: bytes | None = None, expiry_s: int | None = None,
        absolute: bool = False,
    ) -> int | None:  # fmt: skip
        """paho's number of the message; None when the connection is gone."""
        properties = payload_properties(message_id, token, expiry_s) if link.five else None
        info = link.client.publish(
            topic if absolute else self._root + topic, payload, qos, retain, properties
        )
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            return info.mid
        if link.ended is None:
            link.ended = paho.error_string(info.rc)
        return None

    def _state_bytes(self, fields: Mapping[str, Any]) -> bytes:
        return to_json(state_payload(self._head(), {"version": self._version, **fields}))

    def _head(self) -> dict[str, Any]:
        return envelope(self._outbox.next_id(), datetime.now(UTC))

    # ------------------------------------------------------------ the end

    _stop_by_s = 0.0

    def _finished(self, link: _Connection) -> bool:
        """Told to stop, and everything is away or the time is up."""
        if not self._stopping.is_set():
            return False
        if time.monotonic() > self._stop_by_s:
            return True
        idle = not link.in_flight and not self._answers and not self._state_dirty
        return idle and not self._outbox.waiting(link.sent_id, 1)

    def _part(self, link: _Connection) -> None:
        """`state` says why we go; the will is then dropped by the disconnect."""
        self._publish(link, "state", self._state_bytes(self._state), qos=1, retain=True)
        end_s = time.monotonic() + 1.0
        while link.ended is None and time.monotonic() < end_s and not link.published:
            self._loop(link)
        link.client.disconnect()
        if link.ended is None:
            link.client.loop(LOOP_S)

    def _place(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"
