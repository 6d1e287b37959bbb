"""A thread that reads the sensor board and never gives up: opens, reads, queues, and opens again.

It decides only when to open again. What pyserial does when a cable is pulled was measured beforehand,
and the code follows from it: a read raises SerialException, OSError, termios.error or TypeError;
`is_open` stays true; `in_waiting` raises by itself, so it is never asked; a read that has collected
bytes when the error comes drops them, so each read takes what one system call gives (timeout 0, after
waiting with select where there is a file descriptor). Addresses are those of pyserial's serial_for_url,
or the path of a regular file or FIFO (tests).

Everything that happens goes into one queue, in order, with the host's monotonic time: `Bytes`, `PortOpened`,
`PortLost` (each try that failed), `PortEnded` (a file or, with `stop_at_end`, a socket has no more).
"""

from __future__ import annotations

import errno
import io
import os
import queue
import select
import stat
import termios
import threading
import time
from dataclasses import dataclass
from typing import Any, Protocol

import serial

from monitor.errors import PortError

READ_BYTES = 4096
WAIT_S = 0.1  # how long one wait for bytes lasts; also how soon a stop is noticed
FIRST_RETRY_S = 0.2
LAST_RETRY_S = 2.0  # a board that is put back is read again within 2 s
FILE_QUEUE_CHUNKS = 64  # a file is read no further ahead than this
FAULTS = (OSError, termios.error, serial.SerialException, TypeError, ValueError, AttributeError)


@dataclass(frozen=True, slots=True)
class Bytes:
    """Bytes as they came, and when the host had them."""

    data: bytes
    mono_ns: int


@dataclass(frozen=True, slots=True)
class PortOpened:
    """The port is open; the board may have restarted by that."""

    mono_ns: int


@dataclass(frozen=True, slots=True)
class PortLost:
    """The port cannot be opened, or broke off. `why` is for a person."""

    mono_ns: int
    why: str


@dataclass(frozen=True, slots=True)
class PortEnded:
    """There will be no more bytes."""

    mono_ns: int
    why: str


PortNews = Bytes | PortOpened | PortLost | PortEnded


class Source(Protocol):
    """What the thread reads from: a few bytes at a time, b"" when none came within a short wait."""

    def read(self) -> bytes: ...
    def close(self) -> None: ...


class EndOfSource(Exception):
    """A file has been read to its end."""


class PortReader(threading.Thread):
    """Reads `address` into `news` until `stop()`."""

    def __init__(
        self, address: str, baud: int, news: queue.SimpleQueue[PortNews], *, stop_at_end: bool = False
    ) -> None:
        """Raises PortError when the address can never be opened (an unknown kind of address)."""
        super().__init__(name="port-reader", daemon=True)
        check_address(address)
        self._address, self._baud, self._news = address, baud, news
        self._stop_at_end = stop_at_end
        self._stopping = threading.Event()
        self._reopening = threading.Event()
        self._last_why = ""

    def stop(self) -> None:
        """End the thread; it returns within about a tenth of a second."""
        self._stopping.set()

    def reopen(self) -> None:
        """Close and open again: a port may be open and yet say nothing for ever."""
        self._reopening.set()

    def run(self) -> None:
        wait_s = FIRST_RETRY_S
        while not self._stopping.is_set():
            why, had_bytes = self._read_until_it_breaks()
            if why is None:
                return
            wait_s = FIRST_RETRY_S if had_bytes else min(2.0 * wait_s, LAST_RETRY_S)
            self._news.put(PortLost(time.monotonic_ns(), why))
            self._stopping.wait(wait_s)

    def _read_until_it_breaks(self) -> tuple[str | None, bool]:
        """Why it broke (None: stop for good), and whether any bytes came."""
        source: Source | None = None
        had_bytes = opened = False
        try:
            source = open_source(self._address, self._baud)
            opened = True
            self._reopening.clear()
            self._news.put(PortOpened(time.monotonic_ns()))
            while not self._stopping.is_set():
                if self._reopening.is_set():
                    return "nothing came; the port is opened again", had_bytes
                if data := source.read():
                    had_bytes = True
                    self._news.put(Bytes(data, time.monotonic_ns()))
                    self._hold_back(source)
            return None, had_bytes
        except EndOfSource:
            self._news.put(PortEnded(time.monotonic_ns(), "the file is read to its end"))
            return None, had_bytes
        except FAULTS as problem:
            why = worded(problem)
            if opened and self._stop_at_end and "://" in self._address:
                self._news.put(PortEnded(time.monotonic_ns(), why))
                return None, had_bytes
            return why, had_bytes
        finally:
            _close_quietly(source)

    def _hold_back(self, source: Source) -> None:
        while isinstance(source, FileSource) and self._news.qsize() > FILE_QUEUE_CHUNKS:
            if self._stopping.wait(0.002):
                return


class UrlSource:
    """Anything that serial_for_url opens."""

    def __init__(self, address: str, baud: int) -> None:
        port: Any = serial.serial_for_url(address, baudrate=baud, timeout=0, exclusive=True, do_not_open=True)
        # On opening, pyserial throws away what has already arrived; here every byte counts.
        port.reset_input_buffer = port._reset_input_buffer = lambda: None
        port.open()
        self._port = port
        try:
            self._fd: int | None = self._port.fileno()
        except (AttributeError, io.UnsupportedOperation, OSError):
            self._fd = None  # rfc2217:// and loop:// have none; they wait by themselves
            self._port.timeout = WAIT_S / 2

    def read(self) -> bytes:
        if self._fd is None:
            return self._read_singly()
        ready, _, _ = select.select([self._fd], [], [], WAIT_S)
        return bytes(self._port.read(READ_BYTES)) if ready else b""

    def _read_singly(self) -> bytes:
        """Byte by byte, so that an error drops nothing: it comes again at the next call."""
        collected = bytearray()
        end_s = time.monotonic() + WAIT_S / 2
        try:
            while len(collected) < READ_BYTES and time.monotonic() < end_s and (one := self._port.read(1)):
                collected += one
        except FAULTS:
            if not collected:
                raise
        return bytes(collected)

    def close(self) -> None:
        self._port.close()


class FileSource:
    """A regular file, or a FIFO that is opened for reading; both end."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def read(self) -> bytes:
        data = os.read(self._fd, READ_BYTES)
        if not data:
            raise EndOfSource
        return data

    def close(self) -> None:
        os.close(self._fd)


def open_source(address: str, baud: int) -> Source:
    """The source behind an address. Raises one of FAULTS."""
    if "://" not in address:
        mode = os.stat(address).st_mode
        if stat.S_ISREG(mode) or stat.S_ISFIFO(mode):
            return FileSource(address)
    return UrlSource(address, baud)


def check_address(address: str) -> None:
    """Raises PortError for an address that can never work; a device that is absent now is no fault."""
    try:
        if "://" in address:
            serial.serial_for_url(address, do_not_open=True)
        elif not address or "\0" in address:
            raise ValueError("a device path is expected")
        elif os.path.isdir(address):
            raise ValueError("it is a folder, not a device")
    except (ValueError, serial.SerialException, OSError) as problem:
        raise PortError(f"[serial] port = {address!r}: cannot be a port: {worded(problem)}") from None


def worded(problem: BaseException) -> str:
    """An operating system's or pyserial's error in words, on one line."""
    number = getattr(problem, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY):
        return "another program has it open"
    text = os.strerror(number) if isinstance(number, int) and number > 0 else str(problem)
    line = "".join(c if c.isprintable() else " " for c in text)[:200]
    return line or type(problem).__name__


def _close_quietly(source: Source | None) -> None:
    try:
        if source is not None:
            source.close()
    except FAULTS:
        pass  # the port is gone already; there is nothing to save
