"""The daemon of one bay: reads the board, logs every belt, speaks over MQTT, until it is told to stop."""

from __future__ import annotations

import threading
from pathlib import Path

from monitor.settings import Station


def run_service(
    station: Station,
    station_file: Path,
    *,
    logs: Path | None = None,
    belt: str | None = None,
    stop: threading.Event | None = None,
    stop_at_end: bool = False,
) -> int:
    """Serve one bay; returns the exit code: 0 when `stop` was set or the port's bytes ended, 130/143 by signal.

    station_file: its text is copied into every log. logs: folder for the belts' logs, instead of the station
    file's. belt: serial of the belt that is on now. stop: set it from another thread to end (signals are only
    taken in the main thread). stop_at_end: end when a `socket://` or file port has no more bytes (tests).
    Raises PortError, BrokerError or UsageError for settings that can never work.
    """
    raise NotImplementedError
