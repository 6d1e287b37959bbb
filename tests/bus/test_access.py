"""The shipped broker configuration: TLS with certificates of an own authority, and who may say what.

The certificates are made by the openssl command line, as the installing page says; the broker runs with the shipped
mosquitto.conf and mosquitto.acl, only with this machine's paths and port in them.
"""

from __future__ import annotations

import io
import json
import logging
import queue
import shutil
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.errors import BrokerError
from monitor.outside.asking import ask
from monitor.outside.broker import find_mosquitto, free_port
from monitor.outside.captures import open_log
from monitor.outside.deploying import DEPLOY_FILES, deploy_text
from monitor.outside.log_lines import KeyValueFormatter
from monitor.outside.sparkplug_wire import DataType, Metric, Payload, encode
from monitor.settings import load_station
from tests.bus.conftest import ROOT, WAIT_S, Bay
from tests.edge.simple_pipeline import some_wire

pytestmark = [
    pytest.mark.mosquitto,
    pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed"),
]
NOT_AUTHORISED = 135  # MQTT 5, 2.4 Reason Code
MOVE = {"where": "infeed", "side": "left", "amount_mm": 1.6}


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


EC = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")


def make_authority(folder: Path) -> None:
    folder.mkdir()
    openssl(
        folder, "req", "-x509", *EC, "-days", "2", "-subj", "/CN=site", "-keyout", "ca.key", "-out", "ca.pem"
    )


def sign(folder: Path, name: str, san: str = "") -> None:
    openssl(folder, "req", *EC, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
    (folder / "ext").write_text(f"subjectAltName={san}\n" if san else "")
    openssl(
        folder, "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-days", "2",
        "-out", f"{name}.pem", "-extfile", "ext",
    )  # fmt: skip


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tls") / "keys"
    make_authority(folder)
    sign(folder, "broker", "IP:127.0.0.1")
    sign(folder, "elsewhere", "DNS:elsewhere.example")
    for name in ("bay-9", "bay-8", "engineer", "maintenance", "display", "scada"):
        sign(folder, name)
    make_authority(folder / "foreign")
    sign(folder / "foreign", "engineer")
    return folder


class SecureBroker:
    """mosquitto with the shipped configuration."""

    def __init__(self, folder: Path, keys: Path, certificate: str = "broker") -> None:
        folder.mkdir()
        self.port = free_port()
        (folder / "mosquitto.acl").write_text(deploy_text("mosquitto.acl"))
        (folder / "kept").mkdir()
        text = deploy_text("mosquitto.conf").replace("listener 8883", f"listener {self.port} 127.0.0.1")
        text = text.replace("/etc/mosquitto/runin/mosquitto.acl", str(folder / "mosquitto.acl"))
        text = text.replace("/etc/mosquitto/runin/broker.", f"{keys}/{certificate}.")
        text = text.replace("/etc/mosquitto/runin/", f"{keys}/").replace(
            "/var/lib/mosquitto/", f"{folder}/kept/"
        )
        assert "/etc/" not in text.split("conf.d/runin.conf.")[1]
        (folder / "mosquitto.conf").write_text("user root\n" + text)
        program = find_mosquitto()
        assert program is not None
        self.process = subprocess.Popen(
            [program, "-c", str(folder / "mosquitto.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(WAIT_S)


@pytest.fixture
def broker(tmp_path: Path, keys: Path) -> Iterator[SecureBroker]:
    made = SecureBroker(tmp_path / "broker", keys)
    yield made
    made.close()


def mqtt_lines(keys: Path, name: str) -> str:
    return f'ca_file = "{keys}/ca.pem"\ncert_file = "{keys}/{name}.pem"\nkey_file = "{keys}/{name}.key"'


@pytest.fixture
def bay(tmp_path: Path, broker: SecureBroker, keys: Path) -> Iterator[Bay]:
    made = Bay(tmp_path / "bay", broker.port, mqtt_lines(keys, "bay-9"))
    made.start()
    made.board.say(some_wire(10.0))
    screen = Client(keys, "display", broker.port)
    screen.wait_for(f"{ROOT}state", online=True)
    screen.close()
    yield made
    made.close()


class Client:
    """An MQTT 5 client with one of the certificates; `say` returns the broker's reason code."""

    def __init__(self, keys: Path, name: str, port: int) -> None:
        self.heard: queue.SimpleQueue[tuple[str, dict[str, Any]]] = queue.SimpleQueue()
        self.reasons: dict[int, int] = {}
        ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.tls_set(str(keys / "ca.pem"), str(keys / f"{name}.pem"), str(keys / f"{name}.key"))
        self.client.on_connect = lambda c, *_: c.subscribe("#", qos=1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_publish = lambda _c, _u, mid, reason, _p: self.reasons.update({mid: int(reason.value)})
        self.client.on_message = lambda _c, _u, m: self.heard.put((m.topic, json.loads(m.payload)))
        self.client.reconnect_delay_set(0.1, 1)
        end_s = time.monotonic() + WAIT_S
        while True:
            try:
                self.client.connect("127.0.0.1", port)
                break
            except ConnectionRefusedError:  # the broker is still starting
                assert time.monotonic() < end_s
                time.sleep(0.05)
        self.client.loop_start()
        assert ready.wait(WAIT_S)

    def say(self, topic: str, content: dict[str, Any]) -> int:
        return self.say_bytes(topic, json.dumps(content).encode())

    def say_bytes(self, topic: str, content: bytes, *, retain: bool = False) -> int:
        mid = self.client.publish(topic, content, 1, retain).mid
        end_s = time.monotonic() + WAIT_S
        while mid not in self.reasons:
            assert time.monotonic() < end_s
            time.sleep(0.01)
        return self.reasons[mid]

    def wait_for(self, topic: str, **fields: Any) -> dict[str, Any]:
        end_s = time.monotonic() + WAIT_S
        while time.monotonic() < end_s:
            heard, payload = self.heard.get(timeout=WAIT_S)
            if heard == topic and all(payload.get(key) == value for key, value in fields.items()):
                return payload
        raise AssertionError(f"{topic} was not heard")

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def entries(bay: Bay) -> list[str]:
    return [type(said.entry).__name__ for folder in bay.logs.glob("*_*") for said in open_log(folder).entries]


def test_each_role_may_do_what_its_work_is_and_no_more(bay: Bay, broker: SecureBroker, keys: Path) -> None:
    display = Client(keys, "display", broker.port)
    display.wait_for(f"{ROOT}state", online=True)
    display.wait_for(f"{ROOT}now", rev=5.5)
    names = (
        "maintenance",
        "engineer",
        "display",
    )  # mosquitto 2.0.11 hangs up after each denial: ears of their own
    maintenance, engineer, screen = (Client(keys, name, broker.port) for name in names)
    assert maintenance.say(f"{ROOT}ask/move", MOVE) == NOT_AUTHORISED
    assert maintenance.say(f"{ROOT}ask/belt", {"serial": "X"}) == NOT_AUTHORISED
    assert maintenance.say(f"{ROOT}ask/stage", {"done": "set-up"}) == NOT_AUTHORISED
    assert screen.say(f"{ROOT}ask/note", {"text": "x"}) == NOT_AUTHORISED
    assert screen.say(f"{ROOT}ask/acknowledge", {"where": "bay", "name": "link-lost"}) == NOT_AUTHORISED
    assert maintenance.say(f"{ROOT}ask/note", {"text": "the drive pulley was cleaned"}) < 128
    assert display.wait_for(f"{ROOT}answer", ask="note")["ok"] is True
    assert entries(bay) == ["NoteSaid"]
    assert engineer.say(f"{ROOT}ask/move", MOVE) < 128
    assert display.wait_for(f"{ROOT}answer", ask="move")["ok"] is True
    assert entries(bay) == ["NoteSaid", "MoveMade"]
    for client in (maintenance, engineer, screen):
        forged = {"online": True, "why": "forged"}
        assert client.say(f"{ROOT}state", forged) == NOT_AUTHORISED
        assert client.say(f"{ROOT}alarm/bay/link-lost", forged) == NOT_AUTHORISED
        client.close()
    display.close()


def test_a_bay_cannot_speak_for_another(bay: Bay, broker: SecureBroker, keys: Path) -> None:
    other = Client(keys, "bay-8", broker.port)
    assert other.say(f"{ROOT}state", {"online": True}) == NOT_AUTHORISED
    assert other.say(f"{ROOT}ask/move", MOVE) == NOT_AUTHORISED
    assert other.say("runin/test-hall/bay-8/event", {}) < 128
    time.sleep(0.3)
    assert other.heard.empty()  # nor does it hear the other, though it subscribed to everything
    other.close()


def test_only_the_scada_host_hears_and_commands_the_edge_node(
    tmp_path: Path, broker: SecureBroker, keys: Path
) -> None:
    table = '\n[sparkplug]\ngroup_id = "hall"\nprimary_host_id = "scada"\n'
    bay = Bay(tmp_path / "bay", broker.port, mqtt_lines(keys, "bay-9") + table)
    rebirth = encode(Payload(1, (Metric("Node Control/Rebirth", DataType.BOOLEAN, True),)))
    scada, maintenance, other = (
        Client(keys, name, broker.port) for name in ("scada", "maintenance", "bay-8")
    )
    heard: queue.SimpleQueue[str] = queue.SimpleQueue()
    scada.client.on_message = lambda _c, _u, m: heard.put(m.topic)
    assert maintenance.say("spBv1.0/STATE/scada", {"online": True, "timestamp": 1}) == NOT_AUTHORISED
    assert maintenance.say_bytes("spBv1.0/hall/NCMD/bay-9", rebirth) == NOT_AUTHORISED
    assert other.say_bytes("spBv1.0/hall/NDATA/bay-9", b"") == NOT_AUTHORISED
    bay.start()
    assert scada.say_bytes("spBv1.0/STATE/scada", b'{"online": true, "timestamp": 1}', retain=True) < 128
    wait_for_topic(heard, "spBv1.0/hall/NBIRTH/bay-9")
    wait_for_topic(heard, "spBv1.0/hall/DBIRTH/bay-9/drive-left")
    bay.board.say(some_wire(4.0))
    wait_for_topic(heard, "spBv1.0/hall/DDATA/bay-9/drive-left")
    assert scada.say_bytes("spBv1.0/hall/NCMD/bay-9", rebirth) < 128
    wait_for_topic(heard, "spBv1.0/hall/NBIRTH/bay-9")
    bay.close()
    wait_for_topic(heard, "spBv1.0/hall/NDEATH/bay-9")
    while not maintenance.heard.empty():
        assert maintenance.heard.get()[0].startswith(("runin/", "spBv1.0/STATE/"))
    for client in (scada, maintenance, other):
        client.close()


def wait_for_topic(heard: queue.SimpleQueue[str], topic: str) -> None:
    while heard.get(timeout=WAIT_S) != topic:
        pass


def test_the_shipped_client_asks_over_tls_with_the_engineers_certificate(
    tmp_path: Path, bay: Bay, broker: SecureBroker, keys: Path
) -> None:
    text = bay.file.read_text()
    for who, allowed in (("engineer", True), ("maintenance", False)):
        file = tmp_path / f"{who}.toml"
        file.write_text(text.replace("bay-9.pem", f"{who}.pem").replace("bay-9.key", f"{who}.key"))
        if allowed:
            assert ask(load_station(file), "move", MOVE)["ok"] is True
        else:
            with pytest.raises(BrokerError, match="does not let this user ask for move"):
                ask(load_station(file), "move", MOVE)
    assert entries(bay) == ["MoveMade"]


@pytest.mark.parametrize("certificate", ["none", "foreign"])
def test_without_a_certificate_of_the_site_nobody_gets_in(
    broker: SecureBroker, keys: Path, certificate: str
) -> None:
    Client(keys, "display", broker.port).close()  # the broker is there
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    own = (
        (None, None)
        if certificate == "none"
        else (f"{keys}/foreign/engineer.pem", f"{keys}/foreign/engineer.key")
    )
    client.tls_set(str(keys / "ca.pem"), *own)
    reasons: list[Any] = []
    client.on_connect = lambda _c, _u, _f, reason, _p: reasons.append(reason)
    try:
        client.connect("127.0.0.1", broker.port)
        for _ in range(20):
            client.loop(0.05)
    except (ssl.SSLError, OSError):
        pass
    assert not reasons


def test_a_broker_with_another_hosts_certificate_is_not_trusted(tmp_path: Path, keys: Path) -> None:
    """No fall-back: the bay says nothing to a broker that cannot prove its name, and says why in its own lines."""
    broker = SecureBroker(tmp_path / "broker", keys, certificate="elsewhere")
    lines = io.StringIO()
    handler = logging.StreamHandler(lines)
    handler.setFormatter(KeyValueFormatter())
    logging.getLogger("runin").addHandler(handler)
    bay = Bay(tmp_path / "bay", broker.port, mqtt_lines(keys, "bay-9"))
    bay.start()
    end_s = time.monotonic() + WAIT_S
    while "ertificate" not in lines.getvalue():
        assert time.monotonic() < end_s
        time.sleep(0.05)
    bay.close()
    broker.close()
    logging.getLogger("runin").removeHandler(handler)
    assert "mqtt-connected" not in lines.getvalue()


def test_every_shipped_file_is_there() -> None:
    assert all(deploy_text(name).endswith("\n") for name in DEPLOY_FILES)
