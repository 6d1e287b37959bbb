"""Who may ask the display for what: addresses it listens on, names it answers to, the PIN, the bounds.

A page on another site must not reach the bay through a visitor's browser: the Host header must be a name this
machine is known by (or an address, which no foreign name can be pointed at), a request that changes something
must be JSON and come from this very page, and beyond loopback it must carry the PIN. The PIN lies in a file
beside the logs, readable by its owner only; after five wrong ones nobody is let in for a minute.
"""

from __future__ import annotations

import hmac
import os
import secrets
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from monitor.errors import UsageError

DEFAULT_HOST = "127.0.0.1"
BACKLOG = 64
PIN_FILE = "display.pin"
PIN_DIGITS = 6
WRONG_PINS, WRONG_PIN_S = 5, 60.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where the display listens."""

    host: str
    port: int

    @property
    def beyond_loopback(self) -> bool:
        """Whether somebody who is not on this machine can reach it."""
        try:
            return not ip_address(self.host).is_loopback
        except ValueError:
            return self.host != "localhost"

    @property
    def url(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/"


def parse_place(text: str) -> Place:
    """`8080`, `0.0.0.0:8080`, `[::1]:8080`. Raises UsageError."""
    host, _, port = text.rpartition(":")
    try:
        number = int(port)
        if not 0 <= number <= 65_535 or not port.isdigit() or (":" in host and not host.startswith("[")):
            raise ValueError
    except ValueError:
        raise UsageError(
            f"--display {text}: expected a port, or an address and a port such as 127.0.0.1:8080"
        ) from None
    return Place(host.strip("[]") or DEFAULT_HOST, number)


def listen(place: Place) -> socket.socket:
    """The listening socket. Raises UsageError when it cannot be had."""
    try:
        (family, kind, protocol, _, address), *_ = socket.getaddrinfo(
            place.host, place.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        sock = socket.socket(family, kind, protocol)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(BACKLOG)
    except OSError as problem:
        why = problem.strerror or problem
        raise UsageError(f"--display {place.host}:{place.port}: cannot be listened on: {why}") from None
    return sock


def read_pin(folder: Path) -> str:
    """The bay's PIN, made when there is none. Raises UsageError when it cannot be kept."""
    file = folder / PIN_FILE
    try:
        if not file.exists():
            pin = "".join(secrets.choice("0123456789") for _ in range(PIN_DIGITS))
            fd = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
            with os.fdopen(fd, "w") as text:
                text.write(pin + "\n")
        pin = file.read_text(encoding="ascii").strip()
    except (OSError, ValueError) as problem:
        raise UsageError(f"{file}: the display's PIN cannot be kept there: {problem}") from None
    if not (pin.isdigit() and 4 <= len(pin) <= 12):
        raise UsageError(f"{file}: expected a PIN of 4 to 12 digits and nothing else")
    return pin


class Door:
    """Decides about single requests; each method gives a reason to refuse, or None."""

    def __init__(self, place: Place, pin: str | None, clock: Callable[[], float] = time.monotonic) -> None:
        self._pin, self._clock = pin, clock
        own = socket.gethostname().lower()
        self._names = {"localhost", place.host.lower(), own, own.partition(".")[0], f"{own}.local"}
        self._wrong = 0
        self._open_s = 0.0

    @property
    def wants_pin(self) -> bool:
        return self._pin is not None

    def refuse_host(self, header: str) -> str | None:
        """The Host header."""
        name = _host_name(header)
        return None if name in self._names or _is_address(name) else "this display has no such name"

    def refuse_origin(self, origin: str | None, host: str) -> str | None:
        """A request that changes something must come from this page, or from no page at all."""
        if origin is None or origin.partition("://")[2].lower() == host.lower():
            return None
        return "the request comes from another page"

    def refuse_pin(self, given: str) -> str | None:
        """The PIN, where one is wanted."""
        if self._pin is None:
            return None
        now_s = self._clock()
        if now_s < self._open_s:
            return f"too many wrong PINs; wait {self._open_s - now_s:.0f} s"
        if hmac.compare_digest(given.encode(), self._pin.encode()):
            self._wrong = 0
            return None
        if not given:
            return "the bay's PIN is needed"
        self._wrong += 1
        if self._wrong >= WRONG_PINS:
            self._wrong, self._open_s = 0, now_s + WRONG_PIN_S
        return "the PIN is wrong"


def _host_name(header: str) -> str:
    if header.startswith("["):
        return header[1:].partition("]")[0].lower()
    return header.partition(":")[0].lower()


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
