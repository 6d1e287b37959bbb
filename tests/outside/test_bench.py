"""The demo's bench: what comes out of the pseudo-terminal is what the simulated board sent, to the byte."""

from __future__ import annotations

import contextlib
import threading
import time

import serial

from monitor.outside.bench import Bench, Job
from monitor.simulation import Params, Simulation

PARAMS = Params(seed=5, seconds=1e9, rate_hz=100)
ENOUGH_BYTES = 300_000  # many times what a pseudo-terminal holds
PATIENCE_S = 60.0


def read_slowly(bench: Bench, size: int) -> bytes:
    """Read as a busy service would: in small portions, with pauses longer than the terminal's room allows."""
    end_s = time.monotonic() + PATIENCE_S
    heard = bytearray()
    with serial.Serial(bench.port, 115200, timeout=0.2) as port:
        bench.start()
        while len(heard) < size and time.monotonic() < end_s:
            heard += port.read(4096)
            if len(heard) % 5 == 0:
                time.sleep(0.01)
    return bytes(heard)


def test_nothing_is_dropped_at_any_speed() -> None:
    bench = Bench(Simulation(PARAMS), speed_up=2000.0)
    heard = read_slowly(bench, ENOUGH_BYTES)
    bench.stop()
    assert bench.failure is None
    assert len(heard) >= ENOUGH_BYTES
    assert Simulation(PARAMS).advance(bench.t_s)[: len(heard)] == heard


def test_a_job_is_done_at_its_time_and_the_belt_waits_for_it() -> None:
    bench = Bench(Simulation(PARAMS), speed_up=200.0)
    done = threading.Event()
    times: list[float] = []

    def then(t_s: float) -> None:
        times.append(t_s)
        time.sleep(0.1)
        times.append(bench.t_s)
        done.set()

    bench.do_later(Job(12.5, "infeed", "left", 1.0, then))
    reader = threading.Thread(target=lambda: drain(bench, done), daemon=True)
    reader.start()
    bench.start()
    assert done.wait(PATIENCE_S)
    bench.stop()
    assert times == [12.5, 12.5]
    assert bench.simulation.moves_csv().splitlines()[1] == "12.5,infeed,left,1.0"


def drain(bench: Bench, until: threading.Event) -> None:
    closed_first = contextlib.suppress(serial.SerialException)  # by the bench
    with closed_first, serial.Serial(bench.port, 115200, timeout=0.05) as port:
        while not until.is_set():
            port.read(4096)


def test_stopping_does_not_wait_for_a_reader_that_is_gone() -> None:
    bench = Bench(Simulation(PARAMS), speed_up=2000.0)
    bench.start()
    time.sleep(0.2)  # by now the terminal is full and nobody reads
    began_s = time.monotonic()
    bench.stop()
    bench.stop()
    assert time.monotonic() - began_s < PATIENCE_S
    assert bench.failure is None
