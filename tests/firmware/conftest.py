"""The compiled firmware, its host build, its encoder and the board simulator, each built once."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.outside.simulated_board import SOURCES, BuiltBoard, build_board, missing_tools

IN_CI = os.environ.get("CI", "").lower() in ("1", "true")
SANITIZERS = "-fsanitize=address,undefined -fno-sanitize-recover=all"


def golden_rows(verdict: str) -> list[list[str]]:
    """The rows of firmware_notes/golden_records.tsv that are `good` or `refused`, without that word."""
    text = (SOURCES / "golden_records.tsv").read_text(encoding="utf-8")
    rows = [line.split("\t") for line in text.splitlines() if not line.startswith("#")]
    return [row[1:] for row in rows if row[0] == verdict]


def run_tool(tool: Path, script: str, *options: str) -> bytes:
    """What a tool says to a script. Its failure (a sanitizer's finding, too) fails the test."""
    done = subprocess.run([str(tool), *options], input=script.encode(), capture_output=True)
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    return done.stdout


def build_host_tools(folder: Path, options: str = "") -> None:
    """`board_host` and `encode` in that folder; warnings are errors, both sanitizers are on."""
    if not IN_CI and (shutil.which("cc") is None or shutil.which("make") is None):
        pytest.skip("no C compiler: apt-get install gcc make")
    command = ["make", "-s", "-C", str(SOURCES / "firmware"), "host", f"BUILD={folder}"]
    done = subprocess.run([*command, f"OPTIONS={SANITIZERS} {options}"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="session")
def host_tools(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the host tools of the firmware as it comes."""
    folder = tmp_path_factory.mktemp("host")
    build_host_tools(folder)
    return folder


@pytest.fixture(scope="session")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> BuiltBoard:
    """The firmware for the microcontroller and its simulator."""
    if not IN_CI and missing_tools():
        pytest.skip(f"not installed: {', '.join(missing_tools())}")
    return build_board(tmp_path_factory.mktemp("board"))
