"""A station file for the tests of the edge."""

from __future__ import annotations

from pathlib import Path

import pytest

STATION = """
[bay]
site = "test-hall"
name = "bay-9"

[serial]
port = "/dev/serial/by-id/made-up"

[belt]
width_mm = 610.0
length_mm = 14250.0
speed_mps = 0.45

[conveyor]
bearing_spacing_mm = 760.0
pulley_diameter_mm = 152.0
carry_length_mm = 6600.0

[[sensor]]
name = "infeed-left"
channel = 0
pulley = "infeed"
edge = "left"
zero_counts = 32768
counts_per_mm = 600.0

[[sensor]]
name = "drive-left"
channel = 1
pulley = "drive"
edge = "left"
zero_counts = 32768
counts_per_mm = 600.0

[limits]
centre_mm = 3.0
drift_mm_per_rev = 0.5
wobble_mm = 4.0
edge_warn_mm = 25.0
edge_stop_mm = 40.0
"""


@pytest.fixture
def station_file(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(STATION)
    return path
