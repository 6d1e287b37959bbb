"""Live equals replay, byte for byte: a recording played through a pseudo-terminal into the real service.

The service is the one that `runin run` starts; it opens the pseudo-terminal as its serial port. The bytes
arrive in portions of random size. Then the log that it kept must hold the recording's bytes, its events
must be those of a replay of the recording, and a replay of the log must say the same again.
"""

from __future__ import annotations

import array
import fcntl
import gzip
import os
import random
import re
import select
import termios
import threading
import time
import tty
from pathlib import Path

import pytest

from monitor.outside.outputs import event_line, revolution_line
from monitor.outside.replay import Replay, replay_recording
from monitor.outside.service import run_service
from monitor.settings import load_station
from tests.conftest import SAMPLE_LOGS, capture_names

PATIENCE_S = 120.0


def events_of(result: Replay) -> bytes:
    return "".join(map(event_line, result.found_events)).encode()


def revolutions_of(result: Replay) -> bytes:
    rows = [revolution_line(row) for revolution in result.found_revolutions for row in revolution.rows]
    return "".join(rows).encode()


class Line:
    """A pseudo-terminal with a recording on the other end."""

    def __init__(self) -> None:
        self.ours, self.theirs = os.openpty()
        tty.setraw(self.theirs)
        self.port = os.ttyname(self.theirs)

    def unread(self) -> int:
        count = array.array("i", [0])
        fcntl.ioctl(self.theirs, termios.FIONREAD, count)
        return count[0]

    def play(self, wire: bytes, chance: random.Random) -> None:
        """Write everything in portions of 1 to 3000 bytes, waiting for room, now and then for a moment."""
        os.set_blocking(self.ours, False)
        view = memoryview(wire)
        end_s = time.monotonic() + PATIENCE_S
        while view:
            assert time.monotonic() < end_s, "the service does not read its port"
            portion = view[: chance.choice((1, 7, 40, 400, 3000))]
            if select.select([], [self.ours], [], 1.0)[1]:
                view = view[os.write(self.ours, portion) :]
            if chance.random() < 0.002:
                time.sleep(0.003)
        while self.unread():
            assert time.monotonic() < end_s, "the service does not read its port"
            time.sleep(0.01)

    def close(self) -> None:
        os.close(self.ours)
        os.close(self.theirs)


def live_log(folder: Path, wire: bytes, station_text: str, seed: int) -> Path:
    """Play a recording into the real service; returns the folder of the one log that it kept."""
    line = Line()
    file = folder / "station.toml"
    file.write_text(re.sub(r'(?m)^port = ".*"$', f'port = "{line.port}"', station_text, count=1))
    stop = threading.Event()
    codes: list[int] = []
    station = load_station(file)
    service = threading.Thread(
        target=lambda: codes.append(run_service(station, file, logs=folder / "logs", belt="T-1", stop=stop))
    )
    service.start()
    try:
        line.play(wire, random.Random(seed))
        await_bytes(folder / "logs", len(wire))
    finally:
        stop.set()
        service.join(PATIENCE_S)
        line.close()
    assert codes == [0]
    wires = list((folder / "logs").rglob("board.wire"))
    assert len(wires) == 1
    return wires[0].parent


def await_bytes(logs: Path, size: int) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while sum(file.stat().st_size for file in logs.rglob("board.wire")) < size:
        assert time.monotonic() < end_s, "the service did not log all bytes"
        time.sleep(0.02)


def check_same(recording: Path, wire: bytes, log: Path, tmp_path: Path) -> None:
    assert (log / "board.wire").read_bytes() == wire
    live = (log / "events.jsonl").read_bytes()
    assert live.count(b"\n") >= 1
    bare = tmp_path / "moves.csv"  # live, nobody logged a move; so the replay must not know of any either
    bare.write_text("time_s,where,side,amount_mm\n")
    assert events_of(replay_recording(recording, moves=bare)) == live
    again = replay_recording(log)
    assert events_of(again) == live
    assert revolutions_of(again) == (log / "revolutions.csv").read_bytes().split(b"\n", 1)[1]


@pytest.mark.parametrize(("name", "seed"), [("drift", 1), ("stop-restart", 2)])
def test_a_sample_live(name: str, seed: int, tmp_path: Path) -> None:
    folder = SAMPLE_LOGS / name
    wire = gzip.decompress((folder / "board.wire.gz").read_bytes())
    log = live_log(tmp_path, wire, (folder / "station.toml").read_text(), seed)
    check_same(folder, wire, log, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("name", capture_names() or ["(no captures)"])
def test_a_capture_live(captures: Path, name: str, tmp_path: Path) -> None:
    folder = captures / name
    wire = (folder / "board.wire").read_bytes()
    log = live_log(tmp_path, wire, (folder / "station.toml").read_text(), seed=len(wire))
    check_same(folder, wire, log, tmp_path)


@pytest.mark.parametrize("chunk_bytes", [1, 3, 61, 4096, 1 << 30])
def test_any_chunking_gives_the_same(chunk_bytes: int, tmp_path: Path) -> None:
    """The first minute byte by byte, all of it in larger portions."""
    wire = gzip.decompress((SAMPLE_LOGS / "section-wobble" / "board.wire.gz").read_bytes())
    wire = wire[:150_000] if chunk_bytes < 10 else wire
    (tmp_path / "board.wire").write_bytes(wire)
    station = SAMPLE_LOGS / "section-wobble" / "station.toml"
    plain = replay_recording(tmp_path / "board.wire", station)
    other = replay_recording(tmp_path / "board.wire", station, chunk_bytes=chunk_bytes)
    assert events_of(other) == events_of(plain)
    assert revolutions_of(other) == revolutions_of(plain)
    assert other.found_profile == plain.found_profile
    assert other.summary == plain.summary
