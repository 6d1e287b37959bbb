"""One Sparkplug session: an MQTT connection with the node's death as its will, from CONNECT to DISCONNECT.

Callbacks only note what happened; they run in the thread that calls `loop`. The session is clean, the death is a will
at QoS 1 and not retained, everything else goes out at QoS 0 and not retained, numbered 0 to 255 from each NBIRTH on.

Receipts: data at QoS 0 are not acknowledged. TCP keeps the order and a broker answers in order, so an UNSUBSCRIBE from
a topic that nobody subscribed to is sent now and then, and its UNSUBACK says that everything before it arrived.
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from monitor.outside.mqtt_access import make_properties, make_tls, read_password
from monitor.outside.sparkplug_wire import DataType, Metric, Payload, encode
from monitor.settings import Mqtt

NAMESPACE = "spBv1.0"
KEEPALIVE_S = 15
CONNECT_S = 10.0
LOOP_S = 0.05
RECEIPT_S = 30.0  # a broker that answers nothing for so long is gone: twice the keep-alive
MAX_COMMAND_BYTES, MAX_COMMANDS = 65_536, 100
WITH_WILL = 4  # MQTT 5: disconnect with will message
SEQUENCE = 256


class Session:
    """See the module's opening lines. `ended` says why it is over; `leaving` why we want to end it."""

    def __init__(self, settings: Mqtt, client_id: str, group: str, node: str, bdseq: int) -> None:
        """Nothing is sent yet. Raises BrokerError when password or certificates cannot be read."""
        self.bdseq, self._settings, self._group, self._node = bdseq, settings, group, node
        self.five = settings.protocol == "5"
        self.reason: int | None = None
        self.reason_text = ""
        self.ended: str | None = None
        self.leaving: str | None = None
        self.inbox: deque[tuple[str, bytes, bool]] = deque(maxlen=MAX_COMMANDS)
        self.overflowed = 0  # messages that gave way to newer ones in a full inbox
        self.host_online = False
        self.born: dict[str | None, int] = {}  # device: the newest report that its birth covers
        self.birth_due, self.birth_s = True, -1e9
        self.sent_id, self.live_s = 0, 0.0
        self._seq = 0
        self._subscribed = False
        self._answered: deque[int] = deque()
        self._asked: tuple[int, float] | None = None  # number of the receipt that is awaited, since when
        self._asked_ids: list[int] = []
        self._loose_ids: list[int] = []  # sent, and no receipt asked for yet
        self._client = self._make_client(client_id)

    def _make_client(self, client_id: str) -> paho.Client:
        settings = self._settings
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if self.five else MQTTProtocolVersion.MQTTv311,
            clean_session=None if self.five else True,
            reconnect_on_failure=False,
        )
        if settings.username is not None:
            client.username_pw_set(settings.username, read_password(settings))
        tls = make_tls(settings)
        if tls is not None:
            client.tls_set_context(tls)
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_S / 2

        def on_connect(_c: Any, _u: Any, _flags: Any, reason: Any, _p: Any) -> None:
            self.reason, self.reason_text = int(reason.value), str(reason)

        def on_disconnect(_c: Any, _u: Any, _flags: Any, reason: Any, _p: Any) -> None:
            self.ended = str(reason)

        def on_subscribe(_c: Any, _u: Any, _mid: int, _reasons: Any, _p: Any) -> None:
            self._subscribed = True

        def on_unsubscribe(_c: Any, _u: Any, mid: int, _reasons: Any, _p: Any) -> None:
            self._answered.append(mid)

        def on_message(_c: Any, _u: Any, message: paho.MQTTMessage) -> None:
            self.overflowed += len(self.inbox) == MAX_COMMANDS
            self.inbox.append((message.topic, bytes(message.payload), message.retain))

        client.on_connect, client.on_disconnect = on_connect, on_disconnect
        client.on_subscribe, client.on_unsubscribe = on_subscribe, on_unsubscribe
        client.on_message = on_message
        client.will_set(self.topic("NDEATH"), self._death(), 1, False)
        return client

    # ------------------------------------------------------------ begin and end

    def connect(self) -> None:
        """Opens the connection and sends CONNECT. Raises OSError or ValueError when no connection comes about."""
        start: dict[str, Any] = {}
        if self.five:
            properties = make_properties(PacketTypes.CONNECT, MaximumPacketSize=MAX_COMMAND_BYTES)
            start = {"clean_start": True, "properties": properties}
        self._client.connect(self._settings.host, self._settings.port, KEEPALIVE_S, **start)

    def establish(self, topics: Iterable[str], give_up: Callable[[], bool]) -> bool:
        """Waits for CONNACK, then subscribes at QoS 1 and waits for that, before anything may be born."""
        if not self._loop_until(lambda: self.reason is not None, give_up) or self.reason != 0:
            return False
        self._client.subscribe([(topic, 1) for topic in topics])
        return self._loop_until(lambda: self._subscribed, give_up)

    def _loop_until(self, done: Callable[[], bool], give_up: Callable[[], bool]) -> bool:
        end_s = time.monotonic() + CONNECT_S
        while not done() and self.ended is None and time.monotonic() < end_s and not give_up():
            self.loop()
        return done() and self.ended is None

    def part(self) -> None:
        """An NDEATH of our own, then DISCONNECT."""
        info = self._client.publish(self.topic("NDEATH"), self._death(), 1, False)
        end_s = time.monotonic() + 1.0
        while self.ended is None and not info.is_published() and time.monotonic() < end_s:
            self.loop()
        why = ReasonCode(PacketTypes.DISCONNECT, identifier=WITH_WILL) if self.five else None
        self._client.disconnect(reasoncode=why)
        if self.ended is None:
            self._client.loop(LOOP_S)

    def drop(self) -> None:
        """Let go of the connection, whatever state it is in."""
        with contextlib.suppress(Exception):
            self._client.disconnect()

    def loop(self) -> None:
        """One short wait on the socket."""
        code = self._client.loop(LOOP_S)
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS and self.ended is None:
            self.ended = paho.error_string(code)

    # ------------------------------------------------------------ saying

    def bear(self, metrics: Iterable[Metric]) -> None:
        """NBIRTH, which begins the numbering anew."""
        self._seq = 0
        self.publish("NBIRTH", None, metrics)

    def publish(self, verb: str, device: str | None, metrics: Iterable[Metric]) -> None:
        """One message, with the next sequence number."""
        payload = encode(Payload(utc_ms(), tuple(metrics), self._seq))
        self._seq = (self._seq + 1) % SEQUENCE
        info = self._client.publish(self.topic(verb, device), payload, 0, False)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS and self.ended is None:
            self.ended = paho.error_string(info.rc)

    def topic(self, verb: str, device: str | None = None) -> str:
        """`spBv1.0/<group>/<verb>/<node>`, and the device where there is one."""
        node = f"{NAMESPACE}/{self._group}/{verb}/{self._node}"
        return node if device is None else f"{node}/{device}"

    def _death(self) -> bytes:
        ms = utc_ms()
        return encode(Payload(ms, (Metric("bdSeq", DataType.INT64, self.bdseq, ms),)))

    # ------------------------------------------------------------ receipts

    @property
    def under_way(self) -> set[int]:
        """Reports that were sent and have no receipt."""
        return {*self._asked_ids, *self._loose_ids}

    def note_sent(self, report_id: int) -> None:
        """That report has gone out."""
        self._loose_ids.append(report_id)

    def ask_receipt(self) -> None:
        """Asks for a receipt for all that was sent, unless one is awaited or nothing was."""
        if self._asked is not None or not self._loose_ids:
            return
        code, mid = self._client.unsubscribe(f"{self.topic('NCMD')}/receipt")
        if code == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
            self._asked = (mid, time.monotonic())
            self._asked_ids, self._loose_ids = self._loose_ids, []

    def take_receipt(self) -> list[int]:
        """The reports that have arrived since the last call."""
        if self._asked is None:
            return []
        mid, since_s = self._asked
        if mid in self._answered:
            self._answered.clear()
            arrived, self._asked, self._asked_ids = self._asked_ids, None, []
            return arrived
        if time.monotonic() - since_s > RECEIPT_S:
            self.ended = "the broker does not answer"
        return []


def utc_ms() -> int:
    """Now, in milliseconds of UTC, as Sparkplug wants its time stamps."""
    return round(time.time() * 1000)
