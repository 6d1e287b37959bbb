"""From volts to records: the simulated conveyor, the compiled firmware, a pseudo-terminal, the decoder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from monitor.errors import ExitCode, UsageError
from monitor.outside import board_cli, simulated_board
from monitor.outside.board_listening import Listening
from monitor.outside.simulated_board import BoardBench, Wiring, build_board, missing_tools
from monitor.readings import Decoder
from monitor.records import BoardRecord, Button, EdgeBlock, Hello, Mark, Restart, Ticks
from monitor.simulation import Simulation
from monitor.simulation.params import Params

PERIOD_US, SAMPLE_DELAY_US = 5000, 1870  # of the firmware as it comes
FIRMWARE_RATE_HZ = 200  # the simulated conveyor's own records come at another rate


def joined(records: list[BoardRecord]) -> tuple[np.ndarray, np.ndarray]:
    """Times (n,) us and counts (n, channels) of all E records."""
    blocks = [record for record in records if isinstance(record, EdgeBlock)]
    return np.concatenate([b.time_us for b in blocks]), np.concatenate([b.counts for b in blocks])


@contextmanager
def running(board: BoardBench) -> Iterator[BoardBench]:
    try:
        yield board
    finally:
        board.stop()


needs_tools = pytest.mark.skipif(
    bool(missing_tools()) and os.environ.get("CI", "").lower() not in ("1", "true"),
    reason=f"not installed: {', '.join(missing_tools())}",
)


@needs_tools
def test_volts_become_records_on_a_port() -> None:
    """Twenty times real time: counts and mark intervals that come out are those that the conveyor put in."""
    put_in = Simulation(Params(seed=3))
    truth = Simulation(Params(seed=3))
    with running(BoardBench(put_in, speed_up=20.0)) as board, Listening(board.port, 115_200) as listening:
        board.start()
        records = list(listening.records(1.0))
        board.press(1)
        records += listening.records(3.0)
        assert board.failure is None
    assert not [record for record in records if isinstance(record, Restart)]
    assert {type(record) for record in records} >= {EdgeBlock, Hello, Mark, Button}
    blocks = [record for record in records if isinstance(record, EdgeBlock)]
    assert sum(int(block.lost.sum()) for block in blocks) == 0
    true_records = Decoder().feed(truth.advance(75.0))
    at_us, counts = joined(records)
    true_us, true_counts = joined(true_records)
    # The first record, a hello, is of the board's first sampling instant; both clocks start together.
    before = np.searchsorted(true_us, at_us + PERIOD_US - SAMPLE_DELAY_US, side="right") - 1
    away = counts[200:, :2].astype(np.int64) - true_counts[before[200:]].astype(np.int64)
    assert np.median(np.abs(away)) <= 65  # one step of a 10-bit converter is 64 counts
    assert abs(float(away.mean())) <= 65
    marks_us = [record.time_us for record in records if isinstance(record, Mark)]
    true_marks_us = [record.time_us for record in true_records if isinstance(record, Mark)]
    for k in range(len(marks_us) - 1):
        assert marks_us[k + 1] - marks_us[k] == pytest.approx(true_marks_us[k + 1] - true_marks_us[k], abs=1)


@needs_tools
@pytest.mark.slow
def test_the_reference_firmware_passes_the_board_check() -> None:
    """`runin board check` finds the project's own board right, its clock against the host's included."""
    with running(BoardBench(Simulation(Params(seed=3)), speed_up=1.0)) as board:
        board.start()
        result = CliRunner().invoke(board_cli.app, ["check", board.port, "--seconds", "25", "--json"])
    findings = json.loads(result.stdout)["findings"]
    by_topic = {finding["topic"]: finding["level"] for finding in findings}
    assert [f for f in findings if f["level"] == "wrong"] == []
    for topic in ("lines", "hello", "channels", "sequence", "cadence", "jitter", "flags", "clock"):
        assert by_topic[topic] == "right", findings


def test_ticks_are_spread_evenly_between_two_records() -> None:
    wiring = Wiring()
    wiring.connect([Ticks(1_000_000, 10), Ticks(1_100_000, 14)])
    falls = [line for line in wiring.lines_until(2_000_000) if "tick 0" in line]
    assert [int(line.split()[0]) for line in falls] == [1_025_000, 1_050_000, 1_075_000, 1_100_000]


def test_lines_are_in_time_order_even_when_a_mark_comes_late() -> None:
    wiring = Wiring()
    block = EdgeBlock(
        np.array([5_000, 10_000]),
        np.zeros(2, np.uint8),
        np.full((2, 1), 65_535, np.uint16),
        np.zeros(2, np.int64),
    )
    wiring.connect([block, Mark(7_000, 1)])
    times = [int(line.split()[0]) for line in wiring.lines_until(20_000)]
    assert times == sorted(times) == [5_000, 7_000, 10_000, 11_000, 20_000]


def test_what_is_missing_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: object) -> None:
    monkeypatch.setattr(simulated_board.shutil, "which", lambda command: None)
    with pytest.raises(UsageError, match="gcc-avr"):
        build_board(simulated_board.Path(str(tmp_path)))


def run_demo(folder: Path, *arguments: str, path: str | None = None) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "COLUMNS": "100", "NO_COLOR": "1"}
    return subprocess.run(
        [sys.executable, "-m", "monitor", "demo", "--board", "--keep", str(folder), *arguments],
        capture_output=True,
        text=True,
        timeout=280,
        env=env if path is None else env | {"PATH": path},
    )


@pytest.mark.parametrize("speed_up", ["31", "600"])
def test_a_pace_that_the_board_cannot_keep_is_refused(speed_up: str, tmp_path: Path) -> None:
    done = run_demo(tmp_path / "demo", "--speed-up", speed_up)
    assert done.returncode == ExitCode.USAGE
    assert done.stderr == (
        f"runin: --speed-up {speed_up} is more than the simulated board can do: with --board at most 30\n"
    )
    assert not (tmp_path / "demo").exists()


def test_the_demo_names_the_tools_that_are_missing(tmp_path: Path) -> None:
    done = run_demo(tmp_path / "demo", path=str(tmp_path))
    assert done.returncode == ExitCode.USAGE
    assert done.stderr.startswith("runin: the simulated board needs avr-gcc (Debian package gcc-avr), ")
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "demo").exists()


@pytest.mark.slow
@needs_tools
def test_a_short_demo_with_the_board_says_that_it_did_not_get_there(tmp_path: Path) -> None:
    arguments = ("--embedded-broker", "--speed-up", "25", "--minutes", "2")
    done = run_demo(tmp_path / "demo", *arguments)
    assert done.returncode == ExitCode.ANSWER_NO, done.stdout + done.stderr
    said = " ".join(done.stdout.split())
    assert "reference firmware in a simulated microcontroller" in said
    assert "Not tracked" in said
    assert "byte for byte" in said
    wire = next((tmp_path / "demo" / "logs").rglob("board.wire"))
    rates_hz = {record.rate_hz for record in Decoder().feed(wire.read_bytes()) if isinstance(record, Hello)}
    assert rates_hz == {FIRMWARE_RATE_HZ}


@needs_tools
@pytest.mark.slow
def test_from_volts_to_a_tracked_belt(tmp_path: Path) -> None:
    """The whole chain: conveyor, volts, firmware, serial line, service, MQTT, technician; nothing lost."""
    folder = tmp_path / "demo"
    done = run_demo(folder, "--embedded-broker", "--speed-up", "25", "--minutes", "60")
    assert done.returncode == ExitCode.OK, done.stdout + done.stderr
    summary = json.loads((folder / "replay" / "summary.json").read_text())
    assert summary["verdict"] == "tracked"
    assert summary["records_lost"] == summary["records_rejected"] == 0
    advice = [
        json.loads(line)
        for line in (folder / "replay" / "events.jsonl").read_text().splitlines()
        if '"kind": "advice"' in line
    ]
    assert any(event.get("amount_mm") for event in advice)
