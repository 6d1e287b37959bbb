"""Tick records of the simulated board: every tick once, unless something is to go wrong."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from monitor.records import Ticks
from monitor.simulation import Params, Simulation
from monitor.simulation.params import SpeedChange, Stop

BELT = Params(seed=5, ticks_per_turn=12, seconds=60.0, speed_wander=0.0)


def told(params: Params) -> tuple[np.ndarray, np.ndarray]:
    """(instants s, totals) of the tick records."""
    records = [r for r in Simulation(params).records(params.seconds) if isinstance(r, Ticks)]
    return np.array([r.time_us / 1e6 for r in records]), np.array([r.ticks for r in records])


def test_every_tick_is_counted_at_its_instant() -> None:
    time_s, total = told(BELT)
    tick_s = np.pi * BELT.pulley_diameter_mm / 12 / (1000.0 * BELT.speed_mps)
    assert np.allclose(time_s, total * tick_s, atol=1e-4 + 1.1 / BELT.rate_hz)
    assert np.all(np.diff(np.diff(time_s) / np.diff(total)) < 1e-3)


@pytest.mark.parametrize(("loss", "double"), [(0.05, 0.0), (0.0, 0.05), (0.02, 0.02)])
def test_lost_and_doubled_ticks(loss: float, double: float) -> None:
    _, total = told(BELT)
    _, other = told(dataclasses.replace(BELT, tick_loss=loss, tick_double=double))
    assert other[-1] / total[-1] == pytest.approx(1.0 + double - loss, abs=0.02)
    assert other[-1] != total[-1]


def test_silence_and_slip() -> None:
    _, total = told(BELT)
    _, gap = told(dataclasses.replace(BELT, tick_outages=(Stop(20.0, 6.0),)))
    assert gap[-1] / total[-1] == pytest.approx(0.9, abs=0.01)
    _, slip = told(dataclasses.replace(BELT, tick_slips=(SpeedChange(30.0, 1.2),)))
    assert slip[-1] / total[-1] == pytest.approx(1.1, abs=0.01)
