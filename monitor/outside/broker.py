"""A small MQTT broker of our own for the demo and the tests, bound to this machine only.

Mosquitto is used where it is installed (it also speaks MQTT 5); else amqtt runs in a thread of this
process (MQTT 3.1.1 only, nothing to install beside the `demo` extra). Never meant for production:
it has no password, keeps nothing on disk and ends with the demo.
"""

from __future__ import annotations

import asyncio
import logging
import os
import random
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import BrokerError

HOST = "127.0.0.1"
PORTS = range(20_000, 32_000)  # where a free port is looked for
START_S = 15.0  # a slow machine under load took 2 s; beyond this something is wrong


@dataclass(frozen=True, slots=True)
class Address:
    """Where a broker listens, and which program it is."""

    host: str
    port: int
    program: str


def find_mosquitto() -> str | None:
    """The path of mosquitto, also where Debian puts it outside a user's PATH; None when absent."""
    found = shutil.which("mosquitto")
    if found is None and os.access("/usr/sbin/mosquitto", os.X_OK):
        found = "/usr/sbin/mosquitto"
    return found


def free_port() -> int:
    """A TCP port on the loopback address that nobody listens on at this moment.

    Below the ports that the system gives to callers (32768 and up on Linux): a client that tries such a
    port before the broker listens can be given that very port for its own end, be connected to itself,
    and keep the broker from ever having it.
    """
    for port in random.sample(PORTS, len(PORTS)):
        with socket.socket() as probe:
            try:
                probe.bind((HOST, port))
            except OSError:
                continue
            return port
    raise BrokerError(f"no TCP port from {PORTS.start} to {PORTS.stop - 1} is free on {HOST}")


@contextmanager
def private_broker(*, embedded: bool = False) -> Iterator[Address]:
    """Run a broker on a free loopback port for the length of a `with` block.

    embedded: take amqtt even where mosquitto is installed. Raises BrokerError when neither can run.
    """
    program = None if embedded else find_mosquitto()
    if program is not None:
        with _mosquitto(program, free_port()) as address:
            yield address
    else:
        with _amqtt(free_port()) as address:
            yield address


def _wait_until_listening(port: int) -> bool:
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s:
        with socket.socket() as probe:
            probe.settimeout(0.5)
            if probe.connect_ex((HOST, port)) == 0:
                return True
        time.sleep(0.02)
    return False


@contextmanager
def _mosquitto(program: str, port: int) -> Iterator[Address]:
    with tempfile.TemporaryDirectory(prefix="runin-broker-") as folder:
        settings = Path(folder) / "mosquitto.conf"
        settings.write_text(f"listener {port} {HOST}\nallow_anonymous true\npersistence false\n")
        os.chmod(folder, 0o755)  # mosquitto gives up root's rights and must still read its settings
        process = subprocess.Popen(
            [program, "-c", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            if not _wait_until_listening(port):
                raise BrokerError(f"{program} did not start listening on {HOST}:{port}")
            yield Address(HOST, port, "mosquitto")
        finally:
            process.terminate()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def _amqtt(port: int) -> Iterator[Address]:
    try:
        from amqtt.broker import Broker
    except ImportError:
        raise BrokerError(
            "no MQTT broker: install mosquitto, or the built-in one by: pip install 'runin-monitor[demo]'"
        ) from None
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    logging.getLogger("transitions").setLevel(logging.CRITICAL)
    loop = asyncio.new_event_loop()
    stop = asyncio.Event()

    async def serve() -> None:
        broker: Any = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            },
            loop=loop,
        )
        await broker.start()
        await stop.wait()
        await broker.shutdown()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), name="broker", daemon=True)
    thread.start()
    try:
        if not _wait_until_listening(port):
            raise BrokerError(f"the embedded broker did not start listening on {HOST}:{port}")
        yield Address(HOST, port, "amqtt")
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(5)
