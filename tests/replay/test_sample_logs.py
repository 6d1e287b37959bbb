"""Each recording in sample_logs gives the events and revolutions beside it, and no other log's alarm.

`--rebuild` writes them anew. Two guards stand against a careless rebuild: the alarms that each scenario must
and may raise are written here by hand, and the true positions come from the simulation.
Numbers are compared within a thousandth of a millimetre or second, since the last digits of sines and sums
differ between processors; everything else must be the same to the letter.
"""

from __future__ import annotations

import csv
import functools
import gzip
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.outside.outputs import REVOLUTION_COLUMNS, event_line, revolution_line
from monitor.outside.replay import Replay, replay_recording
from monitor.simulation import Simulation
from tests.conftest import SAMPLE_LOGS
from tests.replay.make_sample_logs import MAX_BYTES, SCENARIOS, readme

TOLERANCE = 1e-3
# scenario -> alarms it must raise, and those it may raise beside them, each with where; no other may appear.
# A belt that answers a move nobody logged does walk meanwhile, so its drift alarm is true as well.
MUST_RAISE: dict[str, set[tuple[str, str]]] = {
    "quiet": set(),
    "drift": {("drift", "drive")},
    "section-wobble": {("section-wobble", "infeed-left")},
    "run-in": set(),
    "unlogged-move": {("unlogged-move", "infeed")},
    "stop-restart": {("belt-stopped", "bay")},
}
MAY_RAISE: dict[str, set[tuple[str, str]]] = {
    "section-wobble": {("section-wobble", "drive-left")},
    "unlogged-move": {("drift", "infeed"), ("drift", "drive")},
}
each_sample = pytest.mark.parametrize("name", list(SCENARIOS))


@functools.cache
def replayed(name: str) -> Replay:
    return replay_recording(SAMPLE_LOGS / name)


def events_text(result: Replay) -> str:
    return "".join(map(event_line, result.found_events))


def revolutions_text(result: Replay) -> str:
    rows = [revolution_line(row) for revolution in result.found_revolutions for row in revolution.rows]
    return ",".join(REVOLUTION_COLUMNS) + "\n" + "".join(rows)


def close(found: Any, expected: Any) -> bool:
    """Equal, numbers within the tolerance; also inside lists and objects."""
    if isinstance(found, bool) or isinstance(expected, bool):
        return found is expected
    if isinstance(found, (int, float)) and isinstance(expected, (int, float)):
        return math.isclose(found, expected, rel_tol=1e-6, abs_tol=TOLERANCE)
    if isinstance(found, dict) and isinstance(expected, dict):
        return found.keys() == expected.keys() and all(close(found[k], expected[k]) for k in found)
    if isinstance(found, list) and isinstance(expected, list):
        return len(found) == len(expected) and all(map(close, found, expected))
    return bool(found == expected)


def expected_text(file: Path) -> str:
    assert file.exists(), f"{file.name} of {file.parent.name} is not there yet; see --rebuild"
    return file.read_text()


def number_or_text(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


@each_sample
def test_events_are_as_expected(name: str, rebuild: bool) -> None:
    file = SAMPLE_LOGS / name / "events.jsonl"
    text = events_text(replayed(name))
    if rebuild:
        file.write_text(text)
    found = [json.loads(line) for line in text.splitlines()]
    expected = [json.loads(line) for line in expected_text(file).splitlines()]
    for one, other in zip(found, expected, strict=False):
        assert close(one, other), f"now {one}, expected {other}"
    assert len(found) == len(expected)


@each_sample
def test_revolutions_are_as_expected(name: str, rebuild: bool) -> None:
    file = SAMPLE_LOGS / name / "revolutions.csv"
    text = revolutions_text(replayed(name))
    if rebuild:
        file.write_text(text)
    found = [list(map(number_or_text, row)) for row in csv.reader(text.splitlines())]
    expected = [list(map(number_or_text, row)) for row in csv.reader(expected_text(file).splitlines())]
    for one, other in zip(found, expected, strict=False):
        assert close(one, other), f"now {one}, expected {other}"
    assert len(found) == len(expected)


@each_sample
def test_no_log_raises_another_logs_alarm(name: str) -> None:
    raised = {
        (event.name, str(event.sensor or event.pulley or "bay"))
        for event in replayed(name).found_events
        if event.kind == "alarm-raised"
    }
    assert raised >= MUST_RAISE[name]
    assert raised <= MUST_RAISE[name] | MAY_RAISE.get(name, set())


@each_sample
def test_positions_are_near_the_simulated_truth(name: str) -> None:
    """Within 1 mm in nearly all revolutions; how near exactly is the benchmarks' matter."""
    params = SCENARIOS[name].params
    simulation = Simulation(params)
    simulation.advance(params.seconds)
    truth = simulation.truth
    time_s = np.asarray(truth["pos_t"])
    errors = []
    for revolution in replayed(name).found_revolutions:
        for row in revolution.rows:
            inside = (time_s >= row.start_s) & (time_s < row.end_s)
            if np.isfinite(row.position_mm) and inside.any():
                true_mm = np.asarray(truth["pos_wander"][row.sensor])[inside].mean()
                errors.append(abs(row.position_mm - true_mm))
    assert len(errors) > 20
    assert np.mean(np.asarray(errors) < 1.0) > 0.9


def test_the_run_in_ends_tracked() -> None:
    assert replayed("run-in").summary["verdict"] == "tracked"
    assert replayed("run-in").summary["tracked_at_s"] is not None


def test_a_drifting_belt_is_never_called_tracked_while_it_drifts() -> None:
    result = replayed("drift")
    tracked_at_s = result.summary["tracked_at_s"]
    alarm_s = next(e.t_s for e in result.found_events if e.kind == "alarm-raised" and e.name == "drift")
    cleared = [e.t_s for e in result.found_events if e.kind == "alarm-cleared" and e.name == "drift"]
    assert tracked_at_s is None or not alarm_s <= tracked_at_s < (cleared or [math.inf])[0]


@each_sample
def test_the_recording_is_small_and_says_it_is_invented(name: str) -> None:
    folder = SAMPLE_LOGS / name
    assert (folder / "board.wire.gz").stat().st_size <= MAX_BYTES
    assert "invented" in (folder / "station.toml").read_text().splitlines()[0]


def test_every_sample_is_listed() -> None:
    assert (SAMPLE_LOGS / "README.md").read_text() == readme()
    assert {path.name for path in SAMPLE_LOGS.iterdir() if path.is_dir()} == set(SCENARIOS)


def test_the_recordings_are_what_the_simulation_makes(tmp_path: Path) -> None:
    """One of them, whole: the scenario in the source and the bytes in the folder have not parted."""
    from tests.replay.make_sample_logs import make

    make("quiet", tmp_path)
    stored = gzip.decompress((SAMPLE_LOGS / "quiet" / "board.wire.gz").read_bytes())
    assert len(gzip.decompress((tmp_path / "board.wire.gz").read_bytes())) == len(stored)
    assert (tmp_path / "station.toml").read_text() == (SAMPLE_LOGS / "quiet" / "station.toml").read_text()
