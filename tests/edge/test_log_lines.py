"""The daemon's lines: one event a line whatever is in it, repeats counted, the service manager told."""

from __future__ import annotations

import io
import logging
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.outside import log_lines


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    text = io.StringIO()
    handler = logging.StreamHandler(text)
    handler.setFormatter(log_lines.KeyValueFormatter())
    logger = logging.getLogger("runin")
    level = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    yield text
    logger.removeHandler(handler)
    logger.setLevel(level)


def test_a_field_cannot_forge_a_line(lines: io.StringIO) -> None:
    log_lines.note("port-opened", port="/dev/x\nutc=2026 level=critical what=fire", size=3)
    (line,) = lines.getvalue().splitlines()
    assert line.endswith(r'what=port-opened port="/dev/x\nutc=2026 level=critical what=fire" size=3')
    assert "\x1b" not in line


def test_the_same_warning_is_said_once_a_minute(lines: io.StringIO) -> None:
    for _ in range(5):
        log_lines.warn("port-lost", why="test of repeats")
    log_lines.warn("port-lost", why="another test of repeats")
    assert len(lines.getvalue().splitlines()) == 2


def test_the_service_manager_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        log_lines.notify_systemd("READY=1")
        assert manager.recv(100) == b"READY=1"
    os.unlink(tmp_path / "notify")
    log_lines.notify_systemd("WATCHDOG=1")  # gone: a warning, no error
