"""The gate's clipped sensor: on a rail, and seen again only where its noise does not reach the rail."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.detection.sensors import SensorFinding, SensorGate
from monitor.records import EdgeBlock
from monitor.settings import Station, parse_station
from monitor.simulation import Params, Simulation

STATION: Station = parse_station(Simulation(Params()).station())
NOISE_COUNTS = 60.0


def gated(edge_counts: NDArray[np.float64], seed: int) -> list[SensorFinding]:
    """What the gate finds of the first sensor where its edge is there; the other ones rest at mid-range."""
    rng = np.random.default_rng(seed)
    counts = 32768.0 + NOISE_COUNTS * rng.standard_normal((edge_counts.size, 8))
    counts[:, STATION.sensor[0].channel] += edge_counts - 32768.0
    block = EdgeBlock(
        np.arange(edge_counts.size, dtype=np.int64) * 10_000,
        np.zeros(edge_counts.size, np.uint8),
        np.clip(np.rint(counts), 0, 65535).astype(np.uint16),
        np.zeros(edge_counts.size, np.int64),
    )
    return SensorGate(STATION).take(block)[1]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rail", [0.0, 65535.0])
def test_an_edge_that_leaves_the_range_and_comes_back_is_told_once(seed: int, rail: float) -> None:
    """It lingers for ten seconds where noise takes readings on and off the rail."""
    steps = np.concatenate(
        (np.full(1000, 20_000.0), np.linspace(20_000.0, -300.0, 1000), np.linspace(-300.0, 100.0, 1000),
         np.linspace(100.0, 20_000.0, 1000), np.full(100, 20_000.0))
    )  # fmt: skip
    found = gated(np.abs(rail - steps), seed)
    assert [(f.name, f.active) for f in found] == [("sensor-clipped", True), ("sensor-clipped", False)]


def test_an_edge_near_the_rail_is_no_fault() -> None:
    steps = np.concatenate(
        (np.full(1000, 30_000.0), np.linspace(30_000.0, 500.0, 1000), np.full(1000, 500.0))
    )
    assert gated(steps, 7) == []


@pytest.mark.parametrize("seed", range(3))
def test_white_noise_is_told_without_bias(seed: int) -> None:
    """The spread that spikes are told against follows upward at once, and is 10 % too large; this one is the mean."""
    rng = np.random.default_rng(seed)
    gate, told = SensorGate(STATION), []
    scale = abs(STATION.sensor[0].counts_per_mm)
    for k in range(400):
        counts = np.rint(32768.0 + NOISE_COUNTS * rng.standard_normal((128, 8))).astype(np.uint16)
        time = (128 * k + np.arange(128, dtype=np.int64)) * 10_000
        gate.take(EdgeBlock(time, np.zeros(128, np.uint8), counts, np.zeros(128, np.int64)))
        told.append(gate.white_mm(0) * scale)
    assert np.mean(told[40:]) == pytest.approx(NOISE_COUNTS, rel=0.02)


def test_noise_that_grows_is_followed_at_once() -> None:
    rng = np.random.default_rng(4)
    gate = SensorGate(STATION)
    for k in range(24):
        sigma = NOISE_COUNTS * (1.0 if k < 20 else 4.0)
        counts = np.rint(32768.0 + sigma * rng.standard_normal((128, 8))).astype(np.uint16)
        time = (128 * k + np.arange(128, dtype=np.int64)) * 10_000
        gate.take(EdgeBlock(time, np.zeros(128, np.uint8), counts, np.zeros(128, np.int64)))
    assert gate.white_mm(0) * abs(STATION.sensor[0].counts_per_mm) > 3.0 * NOISE_COUNTS


def test_heavy_tails_count_in_the_white_noise() -> None:
    """The error of a mean goes by the variance; the median difference does not see the tails."""
    rng = np.random.default_rng(5)
    gate, told, squares = SensorGate(STATION), [], []
    scale = abs(STATION.sensor[0].counts_per_mm)
    for k in range(300):
        noise = NOISE_COUNTS * rng.standard_t(2.5, (128, 8))
        counts = np.rint(32768.0 + noise).astype(np.uint16)
        time = (128 * k + np.arange(128, dtype=np.int64)) * 10_000
        gated, _ = gate.take(EdgeBlock(time, np.zeros(128, np.uint8), counts, np.zeros(128, np.int64)))
        told.append((gate.white_mm(0) * scale, gate.noise_mm(0) * scale))
        squares.extend(((gated.counts[:, 0] - 32768.0) ** 2)[gated.good[:, 0]].tolist())
    white, median = np.mean(told[40:], axis=0)
    true = float(np.sqrt(np.mean(squares)))
    assert white == pytest.approx(true, rel=0.05)
    assert median < 0.97 * true
