"""When does a belt of unknown speed seem to stand? Only where a running one would have shown its camber."""

from __future__ import annotations

import numpy as np

from monitor.detection.motion import KEPT, STILL_BINS, still_bins

U = (np.arange(128) + 0.5) / 128


def test_a_cambered_belt_shows_itself_soon() -> None:
    camber = 5.0 * np.sin(2 * np.pi * 3 * U)
    assert STILL_BINS <= still_bins([camber, np.roll(camber, 50)], [0.001, 0.001]) <= 40


def test_a_flat_stretch_takes_longer() -> None:
    """A third of this belt is straight at both sensors at once."""
    camber = np.where(U < 0.35, 0.0, 4.0 * np.sin(2 * np.pi * (U - 0.35) / 0.65))
    assert still_bins([camber, camber], [0.001, 0.001]) >= 0.3 * 128 / 0.6


def test_one_cambered_sensor_is_enough() -> None:
    camber = 5.0 * np.sin(2 * np.pi * 3 * U)
    assert still_bins([np.zeros(128), camber], [0.001, 0.001]) <= 40


def test_a_straight_belt_never_tells() -> None:
    assert still_bins([np.zeros(128)], [0.001]) == KEPT - 1
