"""Serial ports by names that last, and who answers on one: for `runin ports` and `runin check --listen`."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports as pyserial_ports

from monitor.errors import PortError
from monitor.outside.serial_port import worded
from monitor.readings import Decoder
from monitor.records import EdgeBlock, Hello
from monitor.settings import Station, check_against_hello

BY_ID = Path("/dev/serial/by-id")
CHUNK_BYTES = 4096
READ_TIMEOUT_S = 0.2


def lasting_names() -> dict[str, str]:
    """Device path -> its name under /dev/serial/by-id, which stays when a cable is pulled and put back."""
    if not BY_ID.is_dir():
        return {}
    return {os.path.realpath(link): str(link) for link in sorted(BY_ID.iterdir())}


def list_ports() -> list[dict[str, str]]:
    """The serial ports of this machine: `port` to put into a station file, `device`, `product`."""
    names = lasting_names()
    return [
        {
            "port": names.get(os.path.realpath(found.device), found.device),
            "device": found.device,
            "product": found.product or "",
        }
        for found in sorted(pyserial_ports.comports())
    ]


def listen_to_board(station: Station, seconds: float) -> dict[str, Any]:
    """Listen to the station's port: who says hello, how many records are good, what does not fit the file.

    Returns `ok`, `board` (its identity or None), `said` (plain sentences). Raises PortError.
    """
    decoder = Decoder()
    hello: Hello | None = None
    samples = 0
    for data in _bytes_for(station, seconds):
        for record in decoder.feed(data):
            if isinstance(record, Hello):
                hello = record
            elif isinstance(record, EdgeBlock):
                samples += len(record.time_us)
    tally = decoder.tally
    said = [f"{tally.good} good records, {tally.rejected} rejected, {samples} samples in {seconds:g} s"]
    faults = [] if hello is None else check_against_hello(station, hello)
    if hello is None:
        said.append("it did not say hello; it does so every 10 s, so listen longer than that")
    else:
        said.append(f"board {hello.board:08X}, {hello.channels} channels, {hello.rate_hz} samples a second")
    return {
        "ok": samples > 0 and not faults,
        "board": None if hello is None else f"{hello.board:08X}",
        "said": said + faults,
    }


def _bytes_for(station: Station, seconds: float) -> list[bytes]:
    """What came over the port in so many seconds. Raises PortError when it cannot be opened or breaks off."""
    address = station.serial.port
    chunks: list[bytes] = []
    try:
        # exclusive: two readers would take each other's bytes, and a service that runs would lose its belt
        baud, wait_s = station.serial.baud, READ_TIMEOUT_S
        with serial.serial_for_url(address, baudrate=baud, timeout=wait_s, exclusive=True) as port:
            end_s = time.monotonic() + seconds
            while time.monotonic() < end_s:
                chunks.append(port.read(CHUNK_BYTES))
    except (OSError, ValueError, TypeError) as problem:
        raise PortError(f"[serial] port {address}: cannot be read: {worded(problem)}") from None
    return chunks
