"""The bay as a Sparkplug edge node on a real mosquitto, judged by a host that knows nothing but the specification."""

from __future__ import annotations

import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.outside.sparkplug import EdgeNode
from monitor.settings import load_station
from tests.bus.conftest import Bay, Ear, Mosquitto, environment
from tests.bus.sparkplug_descriptor import IndependentPayload
from tests.bus.sparkplug_rules import Certificate, Host, Judge, content_of
from tests.conftest import ROOT
from tests.edge.simple_pipeline import some_wire

pytestmark = pytest.mark.mosquitto
TABLE = '\n[sparkplug]\ngroup_id = "hall"\n'


@pytest.fixture
def host(mosquitto: Mosquitto) -> Iterator[Host]:
    made = Host(mosquitto.port)
    yield made
    made.close()


def make_bay(folder: Path, port: int, more: str = "") -> Bay:
    return Bay(folder, port, TABLE + more)


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_birth_data_and_end_keep_every_rule(
    tmp_path: Path, mosquitto: Mosquitto, host: Host, protocol: str
) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port, f'protocol = "{protocol}"\n')
    bay.start()
    birth = host.verb("NBIRTH")
    assert content_of(birth.metric("bdSeq")) == 0  # topics-nbirth-bdseq-increment: it starts at zero
    assert content_of(birth.metric("Properties/Program")) == "runin-monitor"
    assert "no" in content_of(birth.metric("Properties/Caution"))
    for device in ("infeed-left", "drive-left"):
        born = host.verb("DBIRTH", device=device)
        position = born.metric("Belt/position")
        properties = dict(zip(position.properties.keys, position.properties.values, strict=True))
        assert properties["engUnit"].string_value == "mm"
        assert position.is_null  # unknown is null, with quality bad
        assert properties["Quality"].int_value == 0
    bay.board.say(some_wire(8.0))
    bay.board.say(some_wire(1.0, start_us=8_001_000, counts=0xFFFF))
    host.wait_for(lambda _: ("unacknowledged", False) in [r[:2] for r in host.reports(ALARM)])
    assert True in [r[0] for r in host.reports("State/running")]
    assert [r[0] for r in host.reports("Belt/revolution")] == [1, 2, 3, 4]
    assert [r[0] for r in host.reports("Belt/walk")] == [0.1] * 8  # of both sensors
    assert not any(historical for *_, historical, _ in [(0, *r) for r in host.reports("Belt/revolution")])
    assert "The belt is being learnt." in [r[0] for r in host.reports("Advice/why")]
    bay.stop()
    death = host.verb("NDEATH")
    assert content_of(death.metric("bdSeq")) == 0
    assert host.judge.faults == []
    bay.close()


ALARM = "Alarms/infeed-left/sensor-clipped/state"


def test_a_host_that_asks_gets_everything_born_again(
    tmp_path: Path, mosquitto: Mosquitto, host: Host
) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    bay.board.say(some_wire(4.0))
    host.wait_for(lambda _: 2 in [r[0] for r in host.reports("Belt/revolution")])
    since = len(host.heard)
    host.command()
    again = host.verb("NBIRTH", since)
    host.verb("DBIRTH", since, "drive-left")
    assert content_of(again.metric("bdSeq")) == content_of(host.verb("NBIRTH").metric("bdSeq"))
    assert content_of(again.metric("Belt/revolution")) == 2  # the present contents
    bay.board.say(some_wire(4.0, start_us=4_001_000))
    host.wait_for(lambda _: (4, False) in [r[:2] for r in host.reports("Belt/revolution", since)])
    assert host.judge.faults == []
    bay.stop()
    bay.close()


def test_kill_9_lets_the_will_speak_with_the_births_number(
    tmp_path: Path, mosquitto: Mosquitto, host: Host
) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    command = [sys.executable, "-m", "monitor", "run", "--station", str(bay.file)]
    for number in (0, 1, 2):
        since = len(host.heard)
        daemon = subprocess.Popen(command, stderr=subprocess.DEVNULL, cwd=ROOT, env=environment())
        assert content_of(host.verb("NBIRTH", since).metric("bdSeq")) == number
        host.verb("DBIRTH", since, "drive-left")
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
        assert content_of(host.verb("NDEATH", since).metric("bdSeq")) == number
    assert host.judge.faults == []
    bay.close()


def test_bdseq_and_seq_begin_again_after_255(tmp_path: Path, mosquitto: Mosquitto, host: Host) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    host.verb("NBIRTH")
    bay.stop()
    with closing(sqlite3.connect(bay.logs / "sparkplug.sqlite")) as db:
        db.execute("UPDATE fact SET content = '254' WHERE name = 'bdseq'")
        db.commit()
    for number in (255, 0):
        since = len(host.heard)
        bay.start()
        assert content_of(host.verb("NBIRTH", since).metric("bdSeq")) == number
        if number == 0:
            bay.board.say(some_wire(240.0))  # 120 revolutions of two sensors
            host.wait_for(lambda _: 120 in [r[0] for r in host.reports("Belt/revolution")])
            assert max(one.payload.seq for one in host.heard) == 255
        bay.stop()
        host.verb("NDEATH", since)
    assert host.judge.faults == []
    bay.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGKILL, marks=pytest.mark.slow)])
def test_what_happened_while_the_broker_was_away_comes_as_history(
    tmp_path: Path, mosquitto: Mosquitto, host: Host, number: int
) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    host.verb("NBIRTH")
    bay.board.say(some_wire(4.0))
    host.wait_for(lambda _: 2 in [r[0] for r in host.reports("Belt/revolution")])
    mosquitto.stop(number)
    host.close()
    bay.board.say(some_wire(6.0, start_us=4_001_000))
    time.sleep(1.0)
    mosquitto.start()
    after = Host(mosquitto.port)
    birth = after.verb("NBIRTH")
    assert content_of(birth.metric("bdSeq")) == 1  # one CONNECT more
    assert content_of(birth.metric("Belt/revolution")) == 5
    after.wait_for(lambda _: (5, True) in [r[:2] for r in after.reports("Belt/revolution")])
    history = [r for r in after.reports("Belt/revolution") if r[0] in (3, 4, 5)]
    assert [r[:2] for r in history] == [(3, True), (4, True), (5, True)]
    assert all(stamp < birth.payload.timestamp for *_, stamp in history)
    bay.board.say(some_wire(2.0, start_us=10_001_000))
    after.wait_for(lambda _: (6, False) in [r[:2] for r in after.reports("Belt/revolution")])
    assert after.judge.faults == []
    after.close()
    bay.stop()
    bay.close()


@pytest.mark.slow
def test_the_primary_host_is_waited_for_and_missed(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """message-flow-edge-node-birth-publish-phid-wait, -phid-wait-id, -phid-wait-online, -phid-wait-timestamp,
    -phid-offline; operational-behavior-edge-node-termination-host-offline, -host-offline-timestamp."""
    bay = make_bay(tmp_path / "bay", mosquitto.port, 'primary_host_id = "scada-1"\n')
    other = Host(mosquitto.port, name="scada-2")  # another host's state says nothing
    bay.start()
    bay.board.say(some_wire(4.0))
    time.sleep(1.5)
    assert other.heard == []
    primary = Host(mosquitto.port, name="scada-1")
    primary.verb("NBIRTH")
    primary.wait_for(lambda _: (2, True) in [r[:2] for r in primary.reports("Belt/revolution")])
    assert [r[:2] for r in primary.reports("Belt/revolution")] == [(1, True), (2, True)]
    since = len(primary.heard)
    primary.say_state(False, earlier_ms=5_000)  # older than what is known: it says nothing
    bay.board.say(some_wire(2.0, start_us=4_001_000))
    primary.wait_for(lambda _: (3, False) in [r[:2] for r in primary.reports("Belt/revolution", since)])
    primary.vanish()  # its will says offline
    death = other.verb("NDEATH")
    assert content_of(death.metric("bdSeq")) == 0
    since = len(other.heard)
    bay.board.say(some_wire(4.0, start_us=6_001_000))
    time.sleep(1.5)
    assert [one.verb for one in other.heard[since:] if one.verb != "NDEATH"] == []
    back = Host(mosquitto.port, name="scada-1")
    birth = back.verb("NBIRTH")
    assert content_of(birth.metric("bdSeq")) == 1
    back.wait_for(lambda _: (5, True) in [r[:2] for r in back.reports("Belt/revolution")])
    numbers = {r[0] for r in back.reports("Belt/revolution") if r[1]}
    assert {4, 5} <= numbers <= {1, 2, 3, 4, 5}  # and what the host may have missed before its death was told
    assert back.judge.faults == other.judge.faults == primary.judge.faults == []
    for one in (other, back):
        one.close()
    bay.stop()
    bay.close()


def test_a_lost_board_kills_the_devices_and_not_the_node(
    tmp_path: Path, mosquitto: Mosquitto, host: Host
) -> None:
    """operational-behavior-device-ddeath."""
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    host.verb("DBIRTH", device="drive-left")
    bay.board.say(some_wire(4.0))
    host.wait_for(lambda _: 2 in [r[0] for r in host.reports("Belt/revolution")])
    bay.board.pull()
    for device in ("infeed-left", "drive-left"):
        host.verb("DDEATH", device=device)
    since = len(host.heard)
    host.wait_for(
        lambda _: ("unacknowledged", False) in [r[:2] for r in host.reports("Alarms/bay/link-lost/state")]
    )
    assert host.reports("State/running")[-1][0] is None  # unknown, never as fine
    bay.board.plug()
    bay.board.say(some_wire(4.0, start_us=9_001_000))
    host.verb("DBIRTH", since, "drive-left")
    host.wait_for(lambda _: 4 in [r[0] for r in host.reports("Belt/revolution")])
    assert host.judge.faults == []
    assert host.judge.born == {None, "infeed-left", "drive-left"}
    bay.stop()
    bay.close()


@pytest.mark.slow
def test_commands_that_are_none_change_nothing(tmp_path: Path, mosquitto: Mosquitto, host: Host) -> None:
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    host.verb("NBIRTH")
    time.sleep(1.2)
    since = len(host.heard)
    rebirth = {"name": "Node Control/Rebirth", "datatype": 11}
    host.command(**rebirth, boolean_value=False)
    host.command(name="Node Control/Rebirth", datatype=12, string_value="true")
    host.command(name="Node Control/Reboot", datatype=11, boolean_value=True)
    host.command(name="State/stage", datatype=12, string_value="sign")
    for content in (b"", b"\xff" * 100, b"\x12\xff\xff\xff\xff\x0f", bytes(70_000), b'{"rebirth": true}'):
        host.say_command(content)
    payload = IndependentPayload(timestamp=1)
    payload.metrics.add(**rebirth, boolean_value=True)
    time.sleep(1.5)
    assert "NBIRTH" not in [one.verb for one in host.heard[since:]]
    for _ in range(50):  # a flood of births is asked for: at most one a second is given
        host.command()
    host.verb("NBIRTH", since)
    time.sleep(2.5)
    assert 1 <= [one.verb for one in host.heard[since:]].count("NBIRTH") <= 4
    assert host.judge.faults == []
    bay.stop()
    bay.close()


def test_an_old_command_that_was_kept_by_the_broker_is_refused(
    tmp_path: Path, mosquitto: Mosquitto, host: Host
) -> None:
    payload = IndependentPayload(timestamp=1)
    payload.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
    host.say_command(payload.SerializeToString(), retain=True)
    bay = make_bay(tmp_path / "bay", mosquitto.port)
    bay.start()
    host.verb("NBIRTH")
    time.sleep(2.0)
    assert [one.verb for one in host.heard].count("NBIRTH") == 1
    bay.stop()
    bay.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_its_failures_do_not_reach_the_recording(
    tmp_path: Path, mosquitto: Mosquitto, ear: Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No broker there, a store that cannot be opened, and a thread that dies of it."""
    bay = make_bay(tmp_path / "bay", mosquitto.port, 'host = "127.0.0.1"\nport = 9\n')
    (bay.logs / "sparkplug.sqlite").mkdir(parents=True)
    broken = threading.Event()

    def break_down(_self: EdgeNode, _seconds: float) -> None:
        broken.set()
        raise MemoryError("made up")

    monkeypatch.setattr(EdgeNode, "_wait", break_down)
    bay.start()
    wire = some_wire(20.0)
    bay.board.say(wire)
    ear.wait_for(lambda h: h.topic == "revolution" and h.payload["rev"] == 10)
    assert broken.wait(10)
    bay.stop()
    assert bay.code == 0
    (folder,) = [p for p in bay.logs.iterdir() if p.is_dir() and p.name != "sparkplug.sqlite"]
    assert (folder / "board.wire").read_bytes() == wire
    bay.close()


@pytest.mark.parametrize("five", [False, True])
def test_the_connect_packet_is_as_the_specification_wants_it(tmp_path: Path, five: bool) -> None:
    """principles-persistence-clean-session-311 and -50 (from memory), payloads-ndeath-will-message,
    message-flow-edge-node-birth-publish-will-message-topic, -qos, -will-retained; read from the bytes themselves."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        bay = make_bay(tmp_path / "bay", port, 'protocol = "5"\n' if five else "")
        node = EdgeNode(load_station(bay.file), tmp_path)
        node.start()
        listener.settimeout(30)
        connection, _ = listener.accept()
        with connection:
            packet = connection.recv(4096)
        node.stop(1.0)
    assert packet[0] == 0x10
    name_at = packet.index(b"MQTT")
    version, flags = packet[name_at + 4], packet[name_at + 5]
    assert version == (5 if five else 4)
    assert flags & 0x02  # clean session, clean start
    assert flags & 0x04  # a will
    assert (flags >> 3) & 0x03 == 1  # at QoS 1
    assert not flags & 0x20  # not retained
    topic_at = packet.index(b"spBv1.0/hall/NDEATH/bay-9")
    will = packet[topic_at + len(b"spBv1.0/hall/NDEATH/bay-9") :]
    size = int.from_bytes(will[:2], "big")
    payload = IndependentPayload.FromString(will[2 : 2 + size])
    assert [m.name for m in payload.metrics] == ["bdSeq"]
    if five:  # no session expiry interval (property 17): the session ends with the connection
        properties = packet[name_at + 8 : name_at + 9 + packet[name_at + 8]]
        assert 17 not in (properties[1], *properties[1 + 5 :: 5])
    bay.close()


def made(verb: str, device: str | None = None, qos: int = 0, **fields: object) -> Certificate:
    payload = IndependentPayload(timestamp=1_700_000_000_000)
    seq = fields.pop("seq", None)
    if seq is not None:
        payload.seq = seq
    for name, metric in fields.items():
        stamp = {"timestamp": 1_700_000_000_000}
        payload.metrics.add(**{**stamp, **metric}) if isinstance(metric, dict) else name
    return Certificate(verb, device, qos, False, payload)


def test_the_judge_can_find_fault() -> None:
    """Each of these breaks one rule, and the judge names it."""
    bdseq = {"name": "bdSeq", "datatype": 4, "long_value": 3, "alias": 0}
    rebirth = {"name": "Node Control/Rebirth", "datatype": 11, "boolean_value": False}
    speed = {"name": "speed", "datatype": 10, "double_value": 1.0, "alias": 1}
    good = made("NBIRTH", seq=0, a=bdseq, b=rebirth, c=speed)
    cases = [
        ("payloads-sequence-num-zero-nbirth", [made("NBIRTH", seq=1, a=bdseq, b=rebirth)]),
        ("payloads-sequence-num-incrementing", [good, made("NDATA", seq=2, a={"alias": 1, "double_value": 2.0})]),
        ("topics-nbirth-metric-reqs", [good, made("NDATA", seq=1, a={"alias": 9, "double_value": 2.0})]),
        ("payloads-ndata-order", [good, made("DDATA", "x", seq=1)]),
        ("payloads-alias-data-cmd-requirement", [good, made("NDATA", seq=1, a={"name": "speed", "alias": 1})]),
        ("topics-nbirth-mqtt", [made("NBIRTH", qos=1, seq=0, a=bdseq, b=rebirth)]),
        ("payloads-alias-uniqueness", [made("NBIRTH", seq=0, a=bdseq, b=rebirth, c={**speed, "alias": 0})]),
        ("payloads-ndeath-bdseq", [good, made("NDEATH", qos=1, a={**bdseq, "long_value": 4})]),
        ("payloads-ndeath-seq", [good, made("NDEATH", qos=1, seq=1, a=bdseq)]),
        ("operational-behavior-data-commands-rebirth-name-aliases",
         [made("NBIRTH", seq=0, a=bdseq, b={**rebirth, "alias": 5})]),
        ("message-flow-device-birth-publish-nbirth-wait", [made("DBIRTH", "x", seq=0)]),
        ("operational-behavior-data-commands-rebirth-action-3",
         [good, made("NBIRTH", seq=0, a={**bdseq, "long_value": 4}, b=rebirth)]),
    ]  # fmt: skip
    for rule, messages in cases:
        judge = Judge()
        for one in messages:
            judge.take(one)
        assert rule in [fault.split(":")[0] for fault in judge.faults], rule
    judge = Judge()
    judge.take(good)
    assert judge.faults == []
