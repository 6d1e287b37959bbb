"""Counts to millimetres: the line through zero_counts, and what must never become a number."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.readings.calibration import Calibration, Quality
from monitor.records import EdgeBlock
from monitor.settings import Station, parse_station

SENSOR = """
[[sensor]]
name = "{}"
channel = {}
pulley = "infeed"
edge = "left"
zero_counts = {}
counts_per_mm = {}
"""
STATION = """
[bay]
site = "test-hall"
name = "bay-1"
[serial]
port = "loop://"
[belt]
width_mm = 610.0
speed_mps = 0.45
[conveyor]
bearing_spacing_mm = 760.0
pulley_diameter_mm = 152.0
carry_length_mm = 6600.0
[limits]
centre_mm = 3.0
drift_mm_per_rev = 0.5
wobble_mm = 4.0
edge_warn_mm = 25.0
edge_stop_mm = 40.0
"""


@pytest.fixture
def station() -> Station:
    sensors = SENSOR.format("one", 1, 32768, 600.0) + SENSOR.format("two", 0, 32551, -550.0)
    return parse_station(STATION + sensors + SENSOR.format("far", 5, 0, 1.0))


def block(counts: list[list[int]], flags: list[int]) -> EdgeBlock:
    n = len(counts)
    zeros = np.zeros(n, np.int64)
    return EdgeBlock(zeros, np.array(flags, np.uint8), np.array(counts, np.uint16), zeros)


def test_counts_become_millimetres_with_the_sensors_sign(station: Station) -> None:
    edges_mm, quality = Calibration(station).edges(block([[32551 - 1100, 32768 + 1200], [32551, 1]], [0, 0]))
    np.testing.assert_allclose(edges_mm[:, :2], [[2.0, 2.0], [(1 - 32768) / 600.0, 0.0]], rtol=1e-15)
    assert (quality[:, :2] == Quality.GOOD).all()
    assert np.isnan(edges_mm[:, 2]).all()
    assert (quality[:, 2] == Quality.NO_CHANNEL).all()


def test_rails_reference_and_pattern_are_not_numbers(station: Station) -> None:
    counts = [[0x0000, 100], [100, 0xFFFF], [100, 100], [100, 100], [100, 100]]
    edges_mm, quality = Calibration(station).edges(block(counts, [0, 0, 2, 4, 1]))
    assert np.isnan(edges_mm[:, :2]).tolist() == [
        [False, True], [True, False], [True, True], [True, True], [False, False],
    ]  # fmt: skip
    assert quality[:, :2].tolist() == [[0, 1], [1, 0], [2, 2], [4, 4], [16, 16]]


def test_an_empty_block_is_no_trouble(station: Station) -> None:
    edges_mm, quality = Calibration(station).edges(EMPTY)
    assert edges_mm.shape == quality.shape == (0, 3)


EMPTY = EdgeBlock(
    np.zeros(0, np.int64), np.zeros(0, np.uint8), np.zeros((0, 2), np.uint16), np.zeros(0, np.int64)
)
