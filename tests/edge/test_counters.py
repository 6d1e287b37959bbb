"""The counters' page is what Prometheus reads, on this machine only; the watchdog is fed by progress only."""

from __future__ import annotations

import itertools
import re
import socket
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from monitor.errors import UsageError
from monitor.outside.broker import free_port
from monitor.outside.counters import FAMILIES, CounterPage, parse_address, render_counters
from monitor.outside.health import STUCK_BYTES, Progress
from monitor.outside.service import run_service
from monitor.records import Message, Tally
from monitor.settings import load_station
from tests.edge.conftest import STATION
from tests.edge.pseudo_board import Board
from tests.edge.simple_pipeline import SimplePipeline, some_wire

# The exposition format's grammar of a sample line, from Prometheus' documentation (text format 0.0.4), from memory.
LINE = re.compile(
    r'[a-zA-Z_:][a-zA-Z0-9_:]*\{([a-z_]+="([^"\\\n]|\\.)*",?)*\} (-?[0-9.]+(e[+-]?[0-9]+)?|NaN)'
)
WAIT_S = 20.0


def read(port: int, path: str = "/metrics", host: str | None = None) -> tuple[int, str]:
    headers = {"Host": host} if host else {}
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=5) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, ""


def test_every_line_has_the_form_that_prometheus_reads() -> None:
    text = render_counters(dict.fromkeys(FAMILIES, 1.5), {"site": 'a"b\\c\nd', "bay": "x"})
    for line in text.splitlines():
        assert line.startswith(("# HELP ", "# TYPE ")) or LINE.fullmatch(line), line
    for name, (kind, _) in FAMILIES.items():
        assert name.endswith("_total") == (kind == "counter")
        assert f"# TYPE {name} {kind}" in text


def test_only_this_machine_is_served() -> None:
    page = CounterPage(("127.0.0.1", 0))
    page.show("x 1\n")
    assert read(page.port) == (200, "x 1\n")
    assert read(page.port, "/")[0] == 404
    assert read(page.port, host="evil.example:80")[0] == 403
    with pytest.raises(UsageError, match="cannot be listened on"):
        CounterPage(("127.0.0.1", page.port))
    page.close()
    for wrong in ("0.0.0.0:9105", "192.0.2.1:9105", "9105x", "127.0.0.1:70000", "host:1"):
        with pytest.raises(UsageError, match="loopback"):
            parse_address(wrong)
    assert parse_address("[::1]:9105") == ("::1", 9105)
    assert parse_address(":9105") == ("127.0.0.1", 9105)


def test_progress_is_records_not_turns() -> None:
    progress = Progress()
    progress.note(STUCK_BYTES, Tally(1))
    assert progress.is_good(None)
    progress.note(STUCK_BYTES // 2, Tally(1))
    assert progress.is_good(None)
    progress.note(STUCK_BYTES // 2, Tally(1))
    assert not progress.is_good(None)
    progress.note(100, Tally(1, rejected=1))
    assert progress.is_good(None)


class Deaf(SimplePipeline):
    """Takes bytes and makes nothing of them, once told to."""

    deaf = False

    def feed(self, data: bytes) -> list[Message]:
        return [] if type(self).deaf else super().feed(data)


def test_the_service_shows_counters_and_feeds_the_watchdog_by_progress(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(WAIT_S)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setattr(Deaf, "deaf", False)
    board, port, stop = Board(tmp_path / "edge-board"), free_port(), threading.Event()
    file = tmp_path / "station.toml"
    file.write_text(STATION.replace("/dev/serial/by-id/made-up", str(tmp_path / "edge-board")))
    more = {"stop": stop, "make": Deaf, "metrics": f"127.0.0.1:{port}"}
    thread = threading.Thread(target=run_service, args=(load_station(file), file), kwargs=more, daemon=True)
    thread.start()
    assert manager.recv(100) == b"READY=1"
    assert manager.recv(100) == b"WATCHDOG=1"
    board.say(some_wire(10.0))
    wait_for(lambda: 'runin_revolutions_total{site="test-hall",bay="bay-9"} 5\n' in read(port)[1])
    assert 'runin_records_good_total{site="test-hall",bay="bay-9"} 506\n' in read(port)[1]
    Deaf.deaf = True
    for k in range(8):
        board.say(some_wire(10.0, start_us=10_001_000 + 10_000_000 * k))
    time.sleep(1.5)
    manager.setblocking(False)
    assert said(manager) > 0
    time.sleep(1.5)
    assert said(manager) == 0  # thirty turns later: still not fed
    stop.set()
    thread.join(WAIT_S)
    assert not thread.is_alive()
    board.pull()
    manager.close()


def said(manager: socket.socket) -> int:
    """How many datagrams had come."""
    for count in itertools.count():
        try:
            manager.recv(100)
        except BlockingIOError:
            return count
    return 0


def wait_for(true: object) -> None:
    end_s = time.monotonic() + WAIT_S
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end_s
        time.sleep(0.05)
