"""The service without a broker: live equals replay, and what happens when disk or program fail."""

from __future__ import annotations

import json
import random
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import PortError, UsageError
from monitor.outside.belt_log import BeltTag
from monitor.outside.belt_run import IDLE_BYTES, BeltRun, real_clock
from monitor.outside.captures import open_log
from monitor.outside.outputs import event_line
from monitor.outside.service import run_service
from monitor.pipeline import Pipeline
from monitor.records import Event, Message, NoteSaid
from monitor.settings import load_station
from tests.edge.pseudo_board import Board
from tests.edge.simple_pipeline import SimplePipeline, some_wire

WAIT_S = 60.0


def serve_file(folder: Path, station_file: Path, wire: Path, **more: Any) -> Path:
    """Serve a bay whose port is a file, to the file's end; returns the bay's folder."""
    text = station_file.read_text()
    port = next(line for line in text.splitlines() if line.startswith("port = "))
    file = folder / "live.toml"
    file.write_text(text.replace(port, f'port = "{wire}"', 1))
    station = load_station(file)
    assert run_service(station, file, stop_at_end=True, **more) == 0
    return folder / "logs" / station.bay.site / station.bay.name


def only_log(bay: Path) -> Path:
    (folder,) = [path for path in bay.iterdir() if path.is_dir()]
    return folder


def replayed(folder: Path, size: int) -> str:
    recording = open_log(folder)
    assert recording.station is not None
    messages = [m for batch in recording.play(Pipeline(recording.station), size=size) for m in batch]
    return "".join(event_line(m) for m in messages if isinstance(m, Event))


@pytest.mark.parametrize("name", ["drift-1", "fault-loss-1", "speed-stop-0"])
def test_a_capture_served_live_says_what_a_replay_says(captures: Path, tmp_path: Path, name: str) -> None:
    capture = captures / name
    folder = only_log(serve_file(tmp_path, capture / "station.toml", capture / "board.wire", belt="X-1"))
    assert (folder / "board.wire").read_bytes() == (capture / "board.wire").read_bytes()
    live = (folder / "events.jsonl").read_text()
    assert live.count("\n") > 3
    assert live == replayed(folder, 1 << 18) == replayed(folder, 5000)


def test_through_a_pseudo_terminal_in_random_pieces(captures: Path, tmp_path: Path) -> None:
    """The way from a cable to the log, with pieces of 1 to 4,096 bytes: nothing lost, the same events."""
    capture = captures / "drift-0"
    wire = (capture / "board.wire").read_bytes()[:600_000]
    board = Board(tmp_path / "edge-board")
    text = (capture / "station.toml").read_text().replace("/dev/serial/by-id/usb-edge-board", str(board.link))
    (tmp_path / "station.toml").write_text(text)
    station, stop = load_station(tmp_path / "station.toml"), threading.Event()
    thread = threading.Thread(
        target=run_service, args=(station, tmp_path / "station.toml"), kwargs={"stop": stop, "belt": "X-2"}
    )
    thread.start()
    rng, start = random.Random(3), 0
    while start < len(wire):
        size = rng.randrange(1, 4097)
        board.say(wire[start : start + size])
        start += size
    log = tmp_path / "logs" / station.bay.site / station.bay.name
    end_s = time.monotonic() + WAIT_S
    while not any(p.stat().st_size >= len(wire) - 100 for p in log.glob("*/board.wire")):
        assert time.monotonic() < end_s
        time.sleep(0.05)
    stop.set()
    thread.join(WAIT_S)
    board.pull()
    folder = only_log(log)
    assert (folder / "board.wire").read_bytes() == wire
    assert (folder / "events.jsonl").read_text() == replayed(folder, 1 << 18)


@pytest.fixture
def made_up(tmp_path: Path) -> Path:
    wire = tmp_path / "made-up.wire"
    wire.write_bytes(some_wire(30.0))
    return wire


def test_a_belt_that_runs_starts_its_log_by_itself(tmp_path: Path, station_file: Path, made_up: Path) -> None:
    bay = serve_file(tmp_path, station_file, made_up, make=SimplePipeline)
    folder = only_log(bay)
    assert folder.name.endswith("_unnamed")
    assert (folder / "board.wire").read_bytes() == made_up.read_bytes()
    assert json.loads((folder / "closed.json").read_text())["why"] == "the recording is at its end"


def test_an_idle_bay_fills_no_disk(tmp_path: Path, station_file: Path) -> None:
    wire = tmp_path / "idle.wire"
    wire.write_bytes(some_wire(60.0, mark_every=10**9))
    bay = serve_file(tmp_path, station_file, wire, make=SimplePipeline)
    assert [path for path in bay.iterdir() if path.is_dir()] == []


def test_idle_bytes_are_bounded_and_what_is_said_starts_the_log(tmp_path: Path, station_file: Path) -> None:
    run = BeltRun(tmp_path, load_station(station_file), "", None, SimplePipeline, real_clock())
    wire = some_wire(10.0, mark_every=10**9)
    run.feed(wire, 0)
    assert run.idle
    assert not run.is_over
    run.enter(NoteSaid(run.t_s, "levelled"))
    assert run.log is not None
    assert (run.log.folder / "board.wire").read_bytes() == wire
    run.close("test")
    other = BeltRun(tmp_path, load_station(station_file), "", None, SimplePipeline, real_clock())
    other.feed(b"x" * (IDLE_BYTES + 1), 0)
    assert other.is_over


def test_a_disk_that_fails_does_not_stop_the_measuring(tmp_path: Path, station_file: Path) -> None:
    (tmp_path / "not-a-folder").write_text("")
    run = BeltRun(
        tmp_path / "not-a-folder", load_station(station_file), "", BeltTag("x"), SimplePipeline, real_clock()
    )
    messages: list[Message] = run.feed(some_wire(10.0), 0)
    assert len(messages) > 5
    assert run.log_failed is not None
    assert run.unlogged_bytes == len(some_wire(10.0))
    assert run.enter(NoteSaid(1.0, "x")) is False
    assert run.finish()
    assert run.close("test") is False


class Stumbling(SimplePipeline):
    """A pipeline with a mistake in it: it fails once, at its 700th record."""

    stumbled = False

    def _take(self, line: bytes) -> Any:
        if self._good == 700 and not Stumbling.stumbled:
            Stumbling.stumbled = True
            raise ZeroDivisionError("a made-up mistake")
        return super()._take(line)


def test_a_mistake_in_the_program_does_not_end_the_record(
    tmp_path: Path, station_file: Path, made_up: Path
) -> None:
    bay = serve_file(tmp_path, station_file, made_up, make=Stumbling, belt="S-1")
    parts = sorted(path for path in bay.iterdir() if path.is_dir())
    kept = [(path / "board.wire").read_bytes() for path in parts]
    assert Stumbling.stumbled
    assert sum(map(len, kept)) == len(made_up.read_bytes())
    assert {path.name.endswith(".part") for path in parts} == {True, False}


def test_a_second_daemon_on_the_same_bay_is_refused(tmp_path: Path, station_file: Path) -> None:
    station, stop = load_station(station_file), threading.Event()
    thread = threading.Thread(target=run_service, args=(station, station_file), kwargs={"stop": stop})
    thread.start()
    end_s = time.monotonic() + WAIT_S
    while not (tmp_path / "logs" / "test-hall" / "bay-9" / ".lock").exists():
        assert time.monotonic() < end_s
        time.sleep(0.02)
    time.sleep(0.2)
    with pytest.raises(UsageError, match="serves this bay already"):
        run_service(station, station_file)
    stop.set()
    thread.join(WAIT_S)
    assert not thread.is_alive()


def test_settings_that_can_never_work_are_refused_at_the_start(tmp_path: Path, station_file: Path) -> None:
    text = station_file.read_text().replace("/dev/serial/by-id/made-up", "pigeon://hall")
    station_file.write_text(text)
    with pytest.raises(PortError, match=r"\[serial\] port"):
        run_service(load_station(station_file), station_file)
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="cannot be used for logs"):
        run_service(load_station(station_file), station_file, logs=tmp_path / "file")
