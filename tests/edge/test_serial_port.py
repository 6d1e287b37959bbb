"""The port reader on pseudo-terminals, sockets and files: every byte once, and back after an unplug."""

from __future__ import annotations

import os
import queue
import random
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from monitor.errors import PortError
from monitor.outside import serial_port
from monitor.outside.ports import listen_to_board
from monitor.outside.serial_port import Bytes, PortEnded, PortLost, PortNews, PortOpened, PortReader
from monitor.settings import load_station
from tests.edge.pseudo_board import Board

WAIT_S = 20.0  # only a bound for a broken program; nothing here measures time


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    made = Board(tmp_path / "edge-board")
    yield made
    if made.master >= 0:
        made.pull()


class Listener:
    """A reader and what it said so far."""

    def __init__(self, address: str, *, stop_at_end: bool = False) -> None:
        self.queue: queue.SimpleQueue[PortNews] = queue.SimpleQueue()
        self.news: list[PortNews] = []
        self.reader = PortReader(address, 115200, self.queue, stop_at_end=stop_at_end)
        self.reader.start()

    def wait_for(self, enough: Callable[[], bool]) -> None:
        end_s = time.monotonic() + WAIT_S
        while not enough():
            assert time.monotonic() < end_s, f"not within {WAIT_S} s; so far {self.news[-3:]}"
            try:
                self.news.append(self.queue.get(timeout=0.1))
            except queue.Empty:
                continue

    def count(self, kind: type[PortNews]) -> int:
        return sum(isinstance(item, kind) for item in self.news)

    @property
    def heard(self) -> bytes:
        return b"".join(item.data for item in self.news if isinstance(item, Bytes))

    def close(self) -> None:
        self.reader.stop()
        self.reader.join(WAIT_S)
        assert not self.reader.is_alive()


def test_what_was_said_before_the_opening_is_heard(board: Board) -> None:
    board.say(b"early\r\n")
    listener = Listener(str(board.link))
    listener.wait_for(lambda: listener.heard == b"early\r\n")
    listener.close()


def some_text(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


def test_every_byte_of_a_pty_arrives_in_order(board: Board) -> None:
    listener = Listener(str(board.link))
    listener.wait_for(lambda: listener.count(PortOpened) == 1)
    text = some_text(200_000)
    threading.Thread(target=board.say, args=(text,)).start()
    listener.wait_for(lambda: len(listener.heard) >= len(text))
    assert listener.heard == text
    times = [item.mono_ns for item in listener.news]
    assert times == sorted(times)
    listener.close()


def test_pulled_and_put_back_five_times(board: Board) -> None:
    listener = Listener(str(board.link))
    said = b""
    fds_before = None
    for cycle in range(1, 6):
        listener.wait_for(lambda cycle=cycle: listener.count(PortOpened) == cycle)
        fds_before = fds_before or len(os.listdir("/proc/self/fd"))
        board.say(b"cycle %d\r\n" % cycle)
        said += b"cycle %d\r\n" % cycle
        listener.wait_for(lambda said=said: listener.heard == said)
        lost = listener.count(PortLost)
        board.pull()
        listener.wait_for(lambda lost=lost: listener.count(PortLost) > lost)
        board.plug()
    listener.wait_for(lambda: listener.count(PortOpened) == 6)
    assert len(os.listdir("/proc/self/fd")) == fds_before
    listener.close()


def test_a_device_that_comes_late_is_waited_for(tmp_path: Path) -> None:
    listener = Listener(str(tmp_path / "edge-board"))
    listener.wait_for(lambda: listener.count(PortLost) >= 2)
    assert "No such file" in next(item.why for item in listener.news if isinstance(item, PortLost))
    board = Board(tmp_path / "edge-board")
    listener.wait_for(lambda: listener.count(PortOpened) == 1)
    listener.close()
    board.pull()


def test_a_second_reader_is_refused_and_waits_its_turn(board: Board) -> None:
    first = Listener(str(board.link))
    first.wait_for(lambda: first.count(PortOpened) == 1)
    second = Listener(str(board.link))
    second.wait_for(lambda: second.count(PortLost) >= 1)
    assert second.count(PortOpened) == 0
    first.close()
    second.wait_for(lambda: second.count(PortOpened) == 1)
    second.close()


def test_who_listens_for_a_moment_takes_no_byte_from_the_service_that_runs(
    board: Board, station_file: Path
) -> None:
    service = Listener(str(board.link))
    service.wait_for(lambda: service.count(PortOpened) == 1)
    station = load_station(station_file)
    there = station.model_copy(update={"serial": station.serial.model_copy(update={"port": str(board.link)})})
    with pytest.raises(PortError, match="another program has it open"):
        listen_to_board(there, 0.3)
    service.close()


def test_reopen_on_request(board: Board) -> None:
    listener = Listener(str(board.link))
    listener.wait_for(lambda: listener.count(PortOpened) == 1)
    listener.reader.reopen()
    listener.wait_for(lambda: listener.count(PortOpened) == 2)
    board.say(b"still here")
    listener.wait_for(lambda: listener.heard == b"still here")
    listener.close()


def serve_bytes(text: bytes, times: int) -> int:
    """A TCP server on the loopback that says `text` to each of so many callers and hangs up."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with server:
            for _ in range(times):
                connection, _ = server.accept()
                with connection:
                    connection.sendall(text)

    threading.Thread(target=serve, daemon=True).start()
    return int(server.getsockname()[1])


def test_a_socket_that_hangs_up_loses_no_byte_and_ends_when_asked_to() -> None:
    text = some_text(300_000)
    listener = Listener(f"socket://127.0.0.1:{serve_bytes(text, 1)}", stop_at_end=True)
    listener.wait_for(lambda: listener.count(PortEnded) == 1)
    assert listener.heard == text
    listener.close()


def test_a_socket_that_hangs_up_is_called_again() -> None:
    text = some_text(5_000)
    listener = Listener(f"socket://127.0.0.1:{serve_bytes(text, 2)}")
    listener.wait_for(lambda: len(listener.heard) == 2 * len(text))
    assert listener.heard == text + text
    listener.close()


def test_a_file_is_read_to_its_end(tmp_path: Path) -> None:
    text = some_text(1_000_000)
    (tmp_path / "x.wire").write_bytes(text)
    listener = Listener(str(tmp_path / "x.wire"))
    listener.wait_for(lambda: listener.count(PortEnded) == 1)
    assert listener.heard == text
    listener.close()


def test_loop_address_of_pyserial() -> None:
    source = serial_port.open_source("loop://", 115200)
    assert isinstance(source, serial_port.UrlSource)
    source._port.write(b"abc\r\n")
    heard = b""
    while len(heard) < 5:
        heard += source.read()
    assert heard == b"abc\r\n"
    source.close()


@pytest.mark.parametrize(
    "fault", [OSError(5, "x"), TypeError("x"), serial.SerialException("gone"), ValueError("x")]
)
def test_whatever_a_read_raises_the_thread_lives(fault: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken:
        def read(self) -> bytes:
            raise fault

        def close(self) -> None:
            raise OSError(9, "bad file descriptor")

    monkeypatch.setattr(serial_port, "open_source", lambda address, baud: Broken())
    listener = Listener("/dev/made-up")
    listener.wait_for(lambda: listener.count(PortLost) >= 2)
    listener.close()


@pytest.mark.parametrize("address", ["carrier-pigeon://x", "", "a\0b", "/"])
def test_an_address_that_can_never_work_is_refused(address: str) -> None:
    with pytest.raises(PortError, match=r"\[serial\] port"):
        PortReader(address, 115200, queue.SimpleQueue())
