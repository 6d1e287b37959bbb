"""The demo's bench: what comes out of the pseudo-terminal is what the simulated board sent, to the byte."""

from __future__ import annotations

import contextlib
import random
import threading
import time

import pytest
import serial

from monitor.outside.bench import LATE_S, STEP_S, Bench, Job, Pace
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


def test_late_portions_do_not_delay_those_that_follow() -> None:
    """Portions take some time, and now and then the machine is busy elsewhere; the pace holds."""
    chance = random.Random(7)
    now_s = began_s = 1000.0
    pace, late_s = Pace(began_s), []
    for k in range(20_000):
        now_s += chance.uniform(0.2, 0.9) * STEP_S + (0.4 * LATE_S if chance.random() < 0.002 else 0.0)
        now_s += pace.wait_s(now_s) + chance.uniform(0.0, 0.1) * STEP_S  # a sleep ends a little late
        late_s.append(now_s - began_s - (k + 1) * STEP_S)
    assert min(late_s) >= -1e-6
    assert max(late_s) <= LATE_S
    assert sorted(late_s)[len(late_s) // 2] <= 0.1 * STEP_S


def test_a_long_delay_and_a_standing_belt_are_not_caught_up() -> None:
    pace = Pace(0.0)
    assert pace.wait_s(0.5 * STEP_S) == pytest.approx(0.5 * STEP_S)
    assert pace.wait_s(10.0 * LATE_S) == 0.0
    assert pace.wait_s(10.0 * LATE_S) == pytest.approx(STEP_S)
    pace = Pace(0.0)
    pace.stand_until(0.7 * LATE_S)
    assert pace.wait_s(0.7 * LATE_S) == pytest.approx(STEP_S)


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
