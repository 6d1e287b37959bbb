"""The command line: every mistake a person can make ends in one sentence and the right exit code."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor import cli_log
from monitor.alarms.catalogue import CATALOGUE
from monitor.errors import ExitCode
from monitor.records import NoteSaid
from monitor.simulation import Params, Simulation

COMMANDS = ("run", "replay", "record", "plot", "demo", "log", "check", "alarms", "ports", "schema", "deploy")


def runin(*arguments: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    import os

    return subprocess.run(
        [sys.executable, "-m", "monitor", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "COLUMNS": "100", "NO_COLOR": "1", **environment},
    )


def one_sentence(done: subprocess.CompletedProcess[str]) -> str:
    """Standard error, which must be one line, no traceback, and say who speaks."""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("runin: ")
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    return lines[0]


@pytest.fixture(scope="module")
def bay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a short simulated capture: board.wire, station.toml, moves.csv."""
    folder = tmp_path_factory.mktemp("bay")
    simulation = Simulation(Params(seed=3, seconds=120, rate_hz=50))
    (folder / "board.wire").write_bytes(simulation.advance(120))
    (folder / "station.toml").write_text(simulation.station())
    (folder / "moves.csv").write_text(simulation.moves_csv())
    return folder


def changed(bay: Path, tmp_path: Path, old: str, new: str) -> Path:
    """The bay's station file with one thing in it changed."""
    text = (bay / "station.toml").read_text()
    assert old in text
    file = tmp_path / "station.toml"
    file.write_text(text.replace(old, new))
    return file


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS), ("log", "move")])
def test_help_names_what_it_does_and_the_exit_codes(command: tuple[str, ...]) -> None:
    done = runin(*command, "--help")
    assert done.returncode == 0
    assert "Usage: runin" in done.stdout
    if len(command) < 2 and command != ("log",):
        assert "Exit codes: 0" in re.sub(r"\s+", " ", done.stdout)


def test_help_lists_every_command() -> None:
    text = runin("--help").stdout
    assert all(re.search(rf"\b{name}\b", text) for name in COMMANDS)


def test_version() -> None:
    done = runin("--version")
    assert re.fullmatch(r"runin \d+\.\d+\.\d+\n", done.stdout)


def test_a_wrong_command_or_option_is_a_usage_error() -> None:
    for call in (["nonsense"], ["replay"], ["replay", "--nonsense"], ["demo", "--speed-up", "0"]):
        done = runin(*call)
        assert done.returncode == ExitCode.USAGE
        assert "Traceback" not in done.stderr


# ---------------------------------------------------------------- replay


def test_replay_writes_the_four_files(bay: Path, tmp_path: Path) -> None:
    done = runin("replay", bay / "board.wire", "--station", bay / "station.toml", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert {file.name for file in (tmp_path / "out").iterdir()} == {
        "revolutions.csv",
        "events.jsonl",
        "profile.csv",
        "summary.json",
    }
    assert "revolutions" in done.stdout


def test_replay_as_json_prints_one_document_and_nothing_else(bay: Path, tmp_path: Path) -> None:
    done = runin("replay", bay, "--out", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert summary["out"] == str(tmp_path / "out")
    assert done.stderr == ""  # no progress bar where nobody looks


def test_replay_twice_gives_the_same_bytes(bay: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        assert runin("replay", bay, "--out", tmp_path / name, PYTHONHASHSEED=str(len(name))).returncode == 0
    for file in (tmp_path / "one").iterdir():
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes()


def test_colour_is_left_out_on_request(bay: Path, tmp_path: Path) -> None:
    assert "\x1b" not in runin("replay", bay, "--out", tmp_path / "out").stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (bytes(range(256)) * 40, "not a capture"),
        (b"time,left,right\n0.0,1,2\n" * 50, "not a capture"),
        (b"\x1f\x8b\x08\x00garbage that is no gzip", "gzip"),
    ],
)
def test_what_is_no_capture_is_refused(bay: Path, tmp_path: Path, content: bytes, said: str) -> None:
    file = tmp_path / "board.wire"
    file.write_bytes(content)
    done = runin("replay", file, "--station", bay / "station.toml", "--out", tmp_path / "out")
    assert done.returncode == ExitCode.INPUT_UNREADABLE
    sentence = one_sentence(done)
    assert said in sentence
    assert "board.wire" in sentence
    assert not (tmp_path / "out").exists()


def test_a_cut_capture_is_replayed_as_far_as_it_goes(bay: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.wire"
    cut.write_bytes((bay / "board.wire").read_bytes()[:100_003])
    done = runin("replay", cut, "--station", bay / "station.toml", "--out", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["records_good"] > 2000


def test_missing_things_are_named(bay: Path, tmp_path: Path) -> None:
    done = runin("replay", tmp_path / "nowhere.wire", "--out", tmp_path / "out")
    assert done.returncode == ExitCode.INPUT_UNREADABLE
    assert "nowhere.wire" in one_sentence(done)

    alone = tmp_path / "alone.wire"
    alone.write_bytes((bay / "board.wire").read_bytes())
    done = runin("replay", alone, "--out", tmp_path / "out")
    assert done.returncode == ExitCode.USAGE
    assert "--station" in one_sentence(done)

    done = runin("replay", bay, "--moves", tmp_path / "no-moves.csv", "--out", tmp_path / "out")
    assert done.returncode == ExitCode.INPUT_UNREADABLE
    assert "no-moves.csv" in one_sentence(done)


def test_a_wrong_moves_file_names_its_line(bay: Path, tmp_path: Path) -> None:
    moves = tmp_path / "moves.csv"
    moves.write_text("time_s,where,side,amount_mm\n12.0,infeed,left,1.6\n20.0,infeed,up,1.6\n")
    done = runin("replay", bay, "--moves", moves, "--out", tmp_path / "out")
    assert done.returncode == ExitCode.INPUT_UNREADABLE
    assert "line 3" in one_sentence(done)


def test_an_out_that_cannot_be_written_is_named(bay: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "a-file"
    blocked.write_text("")
    done = runin("replay", bay, "--out", blocked / "out")
    assert done.returncode != 0
    assert "a-file" in one_sentence(done)


# ---------------------------------------------------------------- station files


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("width_mm = ", "widht_mm = ", "width_mm"),
        ("length_mm = 11000.0", "length_mm = 11.0", "metres"),
        ("channel = 1", "channel = 0", "channel"),
        ("[limits]", "[limits", "TOML"),
    ],
)
def test_a_wrong_station_file_names_the_key(bay: Path, tmp_path: Path, old: str, new: str, said: str) -> None:
    station = changed(bay, tmp_path, old, new)
    for call in (["check", station], ["replay", bay, "--station", station], ["run", "--station", station]):
        done = runin(*call)
        assert done.returncode == ExitCode.USAGE
        assert done.stderr.startswith("runin: ")
        assert "station.toml" in done.stderr
        assert said in done.stderr
        assert "Traceback" not in done.stderr


def test_check_says_what_a_good_file_means(bay: Path) -> None:
    done = runin("check", bay / "station.toml")
    assert done.returncode == 0
    assert "infeed-left" in done.stdout
    assert json.loads(runin("check", bay / "station.toml", "--json").stdout)["ok"] is True


def test_check_listens_to_a_port_that_is_not_there(bay: Path, tmp_path: Path) -> None:
    station = changed(bay, tmp_path, "/dev/serial/by-id/simulated-edge-board", "/dev/no-such-port")
    done = runin("check", station, "--listen", "1")
    assert done.returncode == ExitCode.NO_DEVICE
    assert "/dev/no-such-port" in one_sentence(done)


# ---------------------------------------------------------------- log, alarms, schema


def test_log_without_a_broker(bay: Path, tmp_path: Path) -> None:
    done = runin("log", "note", "hello", "--station", bay / "station.toml")
    assert done.returncode == ExitCode.USAGE
    assert "[mqtt]" in one_sentence(done)

    station = changed(bay, tmp_path, "[belt]", '[mqtt]\nhost = "127.0.0.1"\nport = 1\n\n[belt]')
    done = runin("log", "move", "infeed", "left", "-0.8", "--station", station)
    assert done.returncode == ExitCode.NO_BROKER
    assert "127.0.0.1:1" in one_sentence(done)


def test_log_says_what_the_service_warns_of(
    bay: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    station = changed(bay, tmp_path, "[belt]", '[mqtt]\nhost = "127.0.0.1"\n\n[belt]')
    answer = {"ok": True, "warning": "the log cannot be written; this is not on record"}
    monkeypatch.setattr("monitor.outside.asking.ask", lambda *asked: answer)
    cli_log.shelve("drive-left", "sensor-noisy", 0.0, "over", station)
    said = capsys.readouterr()
    assert said.out == "Shelved no longer: drive-left sensor-noisy.\n"
    assert said.err == "runin: the log cannot be written; this is not on record\n"


def test_log_refuses_what_it_cannot_understand(bay: Path) -> None:
    station = bay / "station.toml"
    assert runin("log", "move", "infeed", "left", "much", "-s", station).returncode == ExitCode.USAGE
    assert runin("log", "stage", "maybe", "watch", "-s", station).returncode == ExitCode.USAGE
    done = runin("log", "stage", "done", "set-up", "-m", "level", "-s", station)
    assert done.returncode == ExitCode.USAGE
    assert "NAME=VALUE" in one_sentence(done)


def test_alarms_lists_the_whole_catalogue() -> None:
    text = runin("alarms").stdout
    listed = json.loads(runin("alarms", "--json").stdout)
    assert all(entry.name in text for entry in CATALOGUE)
    assert [entry["name"] for entry in listed] == [entry.name for entry in CATALOGUE]


def test_schema_knows_every_table() -> None:
    text = runin("schema").stdout
    assert all(f"[{table}]" in text for table in ("bay", "serial", "mqtt", "belt", "conveyor", "limits"))
    assert json.loads(runin("schema", "--json").stdout)["type"] == "object"
    assert {"state", "advice", "alarm", "event"} <= json.loads(runin("schema", "--mqtt").stdout).keys()


# ---------------------------------------------------------------- the files


def test_cells_are_harmless_in_a_spreadsheet() -> None:
    """CSV injection: text cells that start with = + - @ TAB CR or LF get an apostrophe (rule of OWASP)."""
    from monitor.outside.outputs import format_cell, format_text

    for start in "=+-@\t\r\n":
        assert format_text(start + "1+1").lstrip('"').startswith("'")
    assert format_text("a,b") == '"a,b"'
    assert format_text('say "x", then') == '"say ""x"", then"'
    assert format_cell(-1.5) == "-1.500000"
    assert format_cell(-1e-9) == "0.000000"
    assert format_cell(float("nan")) == ""
    assert NoteSaid(0.0, "=1").text == "=1"  # only a table's cell is changed, not what was said
