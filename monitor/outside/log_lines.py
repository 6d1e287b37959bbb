"""The daemon's own lines: `key=value`, one event a line, nothing in them that could forge another line."""

from __future__ import annotations

import json
import logging
import os
import re
import socket
import sys
import time
from datetime import UTC, datetime
from typing import Any

LOGGER = "runin"
_PLAIN = re.compile(r"[A-Za-z0-9_.,:/+@%-]+")
_REPEAT_S = 60.0  # the same warning again is counted and shown once a minute


class KeyValueFormatter(logging.Formatter):
    """`utc=… level=… what=… key=value …`; a value with other than plain characters is a JSON text."""

    def format(self, record: logging.LogRecord) -> str:
        utc = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        fields: dict[str, Any] = {
            "utc": utc.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "what": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            fields["trace"] = self.formatException(record.exc_info)
        return " ".join(f"{key}={_shown(found)}" for key, found in fields.items())


def _shown(found: object) -> str:
    text = f"{found:.6g}" if isinstance(found, float) else str(found)
    return text if _PLAIN.fullmatch(text) else json.dumps(text)


class _Repeats:
    """Holds back what was said less than a minute ago, and counts it."""

    def __init__(self) -> None:
        self.said: dict[tuple[str, str], tuple[float, int]] = {}

    def count(self, what: str, why: str) -> int | None:
        """None: hold it back; else how many were held back since the last time."""
        now_s, key = time.monotonic(), (what, why)
        last_s, held = self.said.get(key, (-1e9, 0))
        if now_s - last_s < _REPEAT_S:
            self.said[key] = (last_s, held + 1)
            return None
        if len(self.said) > 200:
            self.said.clear()
        self.said[key] = (now_s, 0)
        return held


_repeats = _Repeats()


def note(what: str, level: int = logging.INFO, *, trace: bool = False, **fields: Any) -> None:
    """One line. A warning with the same `why` is shown once a minute, with `times` if it came more often."""
    if level >= logging.WARNING and not trace:
        held = _repeats.count(what, str(fields.get("why", "")))
        if held is None:
            return
        if held:
            fields["times"] = held + 1
    logging.getLogger(LOGGER).log(level, what, exc_info=trace, extra={"fields": fields})


def warn(what: str, **fields: Any) -> None:
    """A line at level warning."""
    note(what, logging.WARNING, **fields)


def fault(what: str, *, trace: bool = False, **fields: Any) -> None:
    """A line at level error; `trace` adds the exception that is being handled."""
    note(what, logging.ERROR, trace=trace, **fields)


def set_up_lines(level: int = logging.INFO) -> None:
    """Lines go to standard error, unless somebody has set up the logger already."""
    logger = logging.getLogger(LOGGER)
    if logger.handlers:
        return
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(KeyValueFormatter())
    logger.addHandler(handler)
    logger.setLevel(level)
    logger.propagate = False


def notify_systemd(text: str) -> None:
    """One datagram to the service manager (sd_notify); nothing where there is none."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.setblocking(False)  # a manager that does not listen must not hold up the measuring
            line.sendto(text.encode(), address)
    except OSError as problem:
        warn("notify-failed", why=problem)
