"""Every shared capture replays, its outputs have the published form, the easy ones no wrong drift alarm.

What is right is judged by each capture's truth.json, written by a simulator that is no part of this project.
A real drift is one that was put in (`drifts`) with at least `drift_mm_per_rev`; its alarm counts from the
start of the drift to three belt revolutions after its end, for a walk is only known once it has been
seen for some revolutions.
"""

from __future__ import annotations

import binascii
import csv
import functools
import json
import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.outside.replay import Replay, replay_recording
from tests.conftest import capture_names, captures_folder

EASY_FAMILIES = ("quiet", "drift", "moves", "accept")
GRACE_REV = 3.0
KINDS = {"alarm-raised", "alarm-cleared", "advice", "move", "stage", "note"}
ALARMS = {
    "drift", "section-wobble", "edge-warn", "edge-stop", "early-move", "no-response", "unlogged-move",
    "sensor-stuck", "sensor-clipped", "sensor-silent", "sensor-noisy", "mark-missing", "mark-extra",
    "link-lost", "belt-stopped",
}  # fmt: skip
BEHAVIOURS = {"learning", "steady", "drifting", "settling", "stopped", "unknown"}
REVOLUTION_COLUMNS = [
    "rev", "start_s", "end_s", "sensor", "position_mm", "position_se_mm", "walk_mm_per_rev",
    "walk_se_mm_per_rev", "profile_pp_mm", "behaviour", "samples", "lost",
]  # fmt: skip

each_capture = pytest.mark.parametrize("name", capture_names() or ["(no captures)"])


@functools.cache
def replayed(name: str) -> Replay:
    folder = captures_folder()
    assert folder is not None
    return replay_recording(folder / name)


def truth_of(captures: Path, name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((captures / name / "truth.json").read_text())
    return found


def drift_windows(truth: dict[str, Any]) -> list[tuple[str, float, float]]:
    """(pulley, from, to) in seconds for every drift that deserves an alarm."""
    time_s, rev = np.asarray(truth["pos_t"]), np.asarray(truth["rev"])
    windows = []
    for start_s, pulley, walk, revs in truth["params"]["drifts"]:
        if abs(walk) >= truth["params"]["drift_mm_per_rev"]:
            end_rev = float(np.interp(start_s, time_s, rev)) + revs + GRACE_REV
            windows.append((pulley, start_s, float(np.interp(end_rev, rev, time_s))))
    return windows


def drift_alarms(result: Replay) -> list[tuple[str, float]]:
    raised = [e for e in result.found_events if e.kind == "alarm-raised" and e.name == "drift"]
    return [(str(event.pulley), event.t_s) for event in raised]


@each_capture
def test_no_drift_is_missed_and_none_is_made_up(captures: Path, name: str) -> None:
    truth = truth_of(captures, name)
    if truth["expect"]["family"] not in EASY_FAMILIES:
        pytest.skip("not one of the easy families; the benchmarks count these")
    windows, alarms = drift_windows(truth), drift_alarms(replayed(name))
    missed = [w for w in windows if not any(p == w[0] and w[1] <= t <= w[2] for p, t in alarms)]
    false = [(p, t) for p, t in alarms if not any(p == w[0] and w[1] <= t <= w[2] for w in windows)]
    assert not missed, f"no drift alarm for {missed}; alarms were {alarms}"
    assert not false, f"drift alarms {false} without a drift; real ones were {windows}"


@each_capture
def test_outputs_have_the_published_form(captures: Path, name: str, tmp_path: Path) -> None:
    result = replayed(name)
    result.write(tmp_path)
    truth = truth_of(captures, name)
    check_revolutions(tmp_path / "revolutions.csv", truth)
    check_events(tmp_path / "events.jsonl", truth)
    check_profile(tmp_path / "profile.csv", truth)
    check_summary(tmp_path / "summary.json", truth)


def check_revolutions(file: Path, truth: dict[str, Any]) -> None:
    with file.open(newline="") as lines:
        reader = csv.DictReader(lines)
        assert reader.fieldnames is not None
        assert reader.fieldnames[: len(REVOLUTION_COLUMNS)] == REVOLUTION_COLUMNS
        rows = list(reader)
    assert rows
    by_rev: dict[int, list[dict[str, str]]] = {}
    for row in rows:
        by_rev.setdefault(int(row["rev"]), []).append(row)
        assert row["behaviour"] in BEHAVIOURS
        assert 0.0 <= float(row["start_s"]) < float(row["end_s"]) <= truth["seconds"] + 1.0
        assert int(row["samples"]) >= 0
        assert int(row["lost"]) >= 0
    assert min(by_rev) == 1
    assert sorted(by_rev) == list(range(1, max(by_rev) + 1))
    for group in by_rev.values():
        assert [row["sensor"] for row in group] == truth["sensors"]


def check_events(file: Path, truth: dict[str, Any]) -> None:
    times = []
    for line in file.read_text().splitlines():
        event = json.loads(line, parse_constant=lambda text: pytest.fail(f"{text} is not JSON"))
        assert event["kind"] in KINDS
        assert isinstance(event["rev"], int)
        if event["kind"].startswith("alarm"):
            assert event["name"] in ALARMS
        assert event.get("pulley", "infeed") in ("infeed", "drive")
        assert event.get("sensor", truth["sensors"][0]) in truth["sensors"]
        times.append(event["t_s"])
    assert times == sorted(times), "events.jsonl is not in time order"


def check_profile(file: Path, truth: dict[str, Any]) -> None:
    with file.open(newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert list(rows[0]) == ["sensor", "station_mm", "profile_mm"]
    length_mm = truth["L_m"] * 1000.0
    for sensor in truth["sensors"]:
        points = [row for row in rows if row["sensor"] == sensor]
        stations = [float(row["station_mm"]) for row in points]
        assert stations == sorted(stations)
        assert stations[0] >= 0.0
        assert stations[-1] < 1.05 * length_mm
        known = [float(row["profile_mm"]) for row in points if row["profile_mm"]]
        assert abs(float(np.mean(known))) < 0.05  # zero-mean over the revolution


def check_summary(file: Path, truth: dict[str, Any]) -> None:
    summary = json.loads(file.read_text())
    assert {"revolutions", "seconds", "records_good", "records_rejected", "records_lost"} <= summary.keys()
    assert {"final", "verdict", "reasons", "tracked_at_s"} <= summary.keys()
    assert summary["verdict"] in ("tracked", "not-tracked", "undecided")
    assert summary["reasons"]
    assert all(isinstance(reason, str) for reason in summary["reasons"])
    assert summary["seconds"] == pytest.approx(truth["seconds"], abs=0.5)
    assert abs(summary["revolutions"] - math.floor(truth["rev"][-1])) <= 2
    pulleys = {sensor.split("-")[0] for sensor in truth["sensors"]}
    assert set(summary["final"]) == pulleys


@each_capture
def test_every_record_is_accounted_for(captures: Path, name: str) -> None:
    """Against a plain reader of wire.md: valid lines are good, others rejected, gaps of `seq` are lost."""
    good: list[int] = []
    lines = (captures / name / "board.wire").read_bytes().split(b"\n")[:-1]
    for line in lines:
        match = re.fullmatch(rb"([EMTBH],([0-9A-F]{4}),[0-9A-F]{8},[0-9A-F,]+)\*([0-9A-F]{4})\r", line)
        if match and binascii.crc_hqx(match[1], 0xFFFF) == int(match[3], 16):
            good.append(int(match[2], 16))
    summary = replayed(name).summary
    assert summary["records_good"] == len(good)
    assert summary["records_rejected"] == len(lines) - len(good)
    assert summary["records_lost"] == sum((b - a - 1) % 65536 for a, b in pairwise(good))


@each_capture
def test_positions_lie_where_the_truth_says(captures: Path, name: str) -> None:
    """A coarse gate, loose on purpose: within 1 mm of the truth in nearly all revolutions."""
    truth = truth_of(captures, name)
    if truth["expect"]["family"] not in EASY_FAMILIES:
        pytest.skip("not one of the easy families")
    table = replayed(name).revolutions
    time_s = np.asarray(truth["pos_t"])
    errors = []
    for row in table.itertuples():
        inside = (time_s >= row.start_s) & (time_s < row.end_s)
        if inside.any() and np.isfinite(row.position_mm):
            errors.append(row.position_mm - np.asarray(truth["pos_wander"][row.sensor])[inside].mean())
    assert len(errors) > 0.8 * len(table)
    assert np.mean(np.abs(errors) < 1.0) > 0.95


def test_a_drift_that_is_not_there_would_be_noticed() -> None:
    """The judge itself: a made-up alarm is false, a real drift without one is missed."""
    truth = {
        "pos_t": [0.0, 100.0, 200.0],
        "rev": [0.0, 10.0, 20.0],
        "params": {"drifts": [[50.0, "drive", -1.0, 4.0]], "drift_mm_per_rev": 0.5},
    }
    assert drift_windows(truth) == [("drive", 50.0, pytest.approx(120.0))]
    truth["params"]["drift_mm_per_rev"] = 2.0  # type: ignore[index]
    assert drift_windows(truth) == []
