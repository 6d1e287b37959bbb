"""The demo, from crooked to tracked, as a person starts it; and that it says so when it did not get there."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.errors import ExitCode


def demo(folder: Path, *arguments: str, columns: int = 100) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", "demo", "--keep", str(folder), *arguments],
        capture_output=True,
        text=True,
        timeout=280,
        env={**os.environ, "COLUMNS": str(columns), "NO_COLOR": "1"},
    )


def test_the_embedded_broker_needs_nothing_installed(tmp_path: Path) -> None:
    """A short run that cannot get there: exit code 1, nothing lost, every file where it says."""
    done = demo(tmp_path / "demo", "--embedded-broker", "--minutes", "4", "--speed-up", "120", columns=60)
    assert done.returncode == ExitCode.ANSWER_NO, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "CAUTION" in done.stdout
    assert "invented" in done.stdout
    assert "Not tracked" in done.stdout
    assert "byte for byte" in " ".join(done.stdout.split())
    assert "amqtt" in done.stdout
    assert max(map(len, done.stdout.splitlines()[:20])) <= 60
    for label in ("log of the belt", "outputs"):
        named = re.search(rf"{label} +(.+)", done.stdout)
        assert named is not None
        assert Path(named[1].strip()).is_dir()


@pytest.mark.slow
@pytest.mark.parametrize("seed", ["1", "2", "3"])
def test_the_belt_gets_tracked(seed: str, tmp_path: Path) -> None:
    done = demo(tmp_path / "demo", "--seed", seed, "--speed-up", "60")
    assert done.returncode == ExitCode.OK, done.stdout + done.stderr
    summary = json.loads((tmp_path / "demo" / "replay" / "summary.json").read_text())
    assert summary["verdict"] == "tracked"
    assert "Technician has moved" in done.stdout
    events = (tmp_path / "demo" / "replay" / "events.jsonl").read_text()
    assert '"kind": "move"' in events
    truth = re.search(
        r"truly lies: infeed ([+-][0-9.]+) mm, drive ([+-][0-9.]+) mm", " ".join(done.stdout.split())
    )
    assert truth is not None
    assert max(abs(float(truth[1])), abs(float(truth[2]))) < 3.5  # centre_mm, and the edge of its zero
