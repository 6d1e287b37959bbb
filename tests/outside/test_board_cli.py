"""`runin board` at a pseudo-terminal with a made-up board on the other end."""

from __future__ import annotations

import json
import os
import re
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from monitor.errors import PortError, UsageError
from monitor.outside import board_cli
from monitor.readings import wire
from monitor.settings import load_station

RUNNER = CliRunner()
STATION = """# the bay by the door
[bay]
site = "test-hall"
name = "bay-9"

[serial]
port = "PORT"

[belt]
width_mm = 610.0
length_mm = 14250.0
speed_mps = 0.45

[conveyor]
bearing_spacing_mm = 760.0
pulley_diameter_mm = 152.0
carry_length_mm = 6600.0

[[sensor]]
name = "infeed-left"
channel = 0
pulley = "infeed"
edge = "left"
zero_counts = 32768    # before the sensor was moved
counts_per_mm = 600.0

[[sensor]]
name = "drive-left"
channel = 1
pulley = "drive"
edge = "left"
zero_counts = 32768
counts_per_mm = -550.0

[limits]
centre_mm = 3.0
drift_mm_per_rev = 0.5
wobble_mm = 4.0
edge_warn_mm = 25.0
edge_stop_mm = 40.0
"""


class MadeUpBoard(threading.Thread):
    """Writes records of 2 channels, 100 a second by the wall clock, the targets at `at_mm`."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self._slave = slave
        self.port = os.ttyname(slave)
        self.at_mm = [0.0, 0.0]
        self.flags = 0
        self.ended = threading.Event()

    def run(self) -> None:
        began_s, seq, sent = time.monotonic(), 0, 0
        while not self.ended.wait(0.005):
            due = int((time.monotonic() - began_s) * 100)
            lines = b""
            for n in range(sent, due):
                if n % 1000 == 0:
                    lines += wire.encode_hello(seq, n * 10_000, 9, 2, 100)
                    seq += 1
                ripple = (n * 7) % 11 - 5
                counts = [31_000 + 590 * self.at_mm[0] + ripple, 33_000 - 540 * self.at_mm[1] + ripple]
                whole = [round(min(65_535, max(0, count))) for count in counts]
                lines += wire.encode_edge(seq, n * 10_000 + 100, self.flags, whole)
                seq += 1
            sent = due
            os.write(self.master, lines)


@pytest.fixture
def board() -> Iterator[MadeUpBoard]:
    made_up = MadeUpBoard()
    made_up.start()
    yield made_up
    made_up.ended.set()
    made_up.join()
    os.close(made_up.master)
    os.close(made_up._slave)


@pytest.fixture
def station(tmp_path: Path, board: MadeUpBoard) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(STATION.replace("PORT", board.port))
    return path


def hold_by(board: MadeUpBoard, monkeypatch: pytest.MonkeyPatch, swapped: bool = False) -> list[str]:
    """A person who does what the prompt says."""
    asked: list[str] = []

    def prompt(text: str, **_: object) -> str:
        asked.append(text)
        found = re.search(
            r"(infeed|drive)-left: hold the target (?:at|([\d.]+) mm to the (left|right))", text
        )
        assert found is not None, text
        at_mm = float(found[2] or 0) * (-1 if found[3] == "left" else 1)
        board.at_mm[(found[1] == "drive") != swapped] = at_mm
        time.sleep(0.05)
        return ""

    monkeypatch.setattr(typer, "prompt", prompt)
    return asked


def test_check_a_right_board(board: MadeUpBoard) -> None:
    result = RUNNER.invoke(board_cli.app, ["check", board.port, "--seconds", "2", "--json"])
    document = json.loads(result.stdout)
    levels = {finding["topic"]: finding["level"] for finding in document["findings"]}
    assert (result.exit_code, document["ok"]) == (0, True), document
    assert levels["lines"] == levels["sequence"] == levels["jitter"] == levels["channels"] == "right"


def test_check_a_wrong_board(board: MadeUpBoard) -> None:
    board.flags = 0x80
    result = RUNNER.invoke(board_cli.app, ["check", board.port, "--seconds", "1"])
    assert result.exit_code == 1
    assert "WRONG" in result.stdout
    assert "does not know" in " ".join(result.stdout.split())


def test_check_a_port_that_is_not_there() -> None:
    result = RUNNER.invoke(board_cli.app, ["check", "/dev/no-such-port", "--seconds", "1"])
    assert isinstance(result.exception, PortError)
    assert "/dev/no-such-port" in str(result.exception)


def test_calibrate_writes_zero_and_scale(
    board: MadeUpBoard, station: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = hold_by(board, monkeypatch)
    result = RUNNER.invoke(board_cli.app, ["calibrate", "-s", str(station), "--hold-s", "0.3", "--yes"])
    assert result.exit_code == 0, result.output
    assert "lock it out" in result.stdout
    assert len(asked) == 6
    loaded = load_station(station)
    assert loaded.sensor[0].zero_counts == pytest.approx(31_000, abs=3)
    assert loaded.sensor[0].counts_per_mm == pytest.approx(590, abs=0.5)
    assert loaded.sensor[1].counts_per_mm == pytest.approx(-540, abs=0.5)
    text = station.read_text()
    assert text.startswith("# the bay by the door\n")
    assert "    # before the sensor was moved" in text


def test_calibrate_tells_a_swapped_pair_and_writes_nothing(
    board: MadeUpBoard, station: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = station.read_text()
    hold_by(board, monkeypatch, swapped=True)
    arguments = ["calibrate", "-s", str(station), "--hold-s", "0.3", "--sensor", "infeed-left", "--yes"]
    result = RUNNER.invoke(board_cli.app, arguments)
    assert result.exit_code == 1
    assert "exchanged" in result.stdout
    assert station.read_text() == before


def test_calibrate_asks_before_writing(
    board: MadeUpBoard, station: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = station.read_text()
    hold_by(board, monkeypatch)
    arguments = [
        "calibrate",
        "-s",
        str(station),
        "--hold-s",
        "0.3",
        "--places",
        "-5,5",
        "--sensor",
        "drive-left",
    ]
    result = RUNNER.invoke(board_cli.app, arguments, input="n\n")
    assert "Write 1 of 1" in result.stdout
    assert "only two places" in result.stdout
    assert station.read_text() == before


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--sensor", "nobody"], "infeed-left, drive-left"),
        (["--places", "3"], "two or more"),
        (["--places", "a,b"], "two"),
    ],
)
def test_calibrate_mistakes_are_told(station: Path, arguments: list[str], word: str) -> None:
    result = RUNNER.invoke(board_cli.app, ["calibrate", "-s", str(station), *arguments])
    assert isinstance(result.exception, UsageError)
    assert word in str(result.exception)


def test_watch_with_and_without_a_station_file(board: MadeUpBoard, station: Path) -> None:
    board.at_mm = [2.0, 0.0]
    bare = RUNNER.invoke(board_cli.app, ["watch", board.port, "--seconds", "0.8"])
    assert "channel 0 32180" in bare.stdout
    named = RUNNER.invoke(board_cli.app, ["watch", "-s", str(station), "--seconds", "0.8"])
    assert "infeed-left 32180 -0.98 mm" in named.stdout  # (32180 - 32768) / 600


def test_watch_needs_a_port() -> None:
    result = RUNNER.invoke(board_cli.app, ["watch"], env={"RUNIN_STATION": ""})
    assert isinstance(result.exception, UsageError)
