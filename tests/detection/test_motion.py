"""When does a belt of unknown speed seem to stand? Only where a running one would have shown its camber.

And does a sensor that lies explain its readings better than a belt that walks? Where there is camber to tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from monitor.detection.motion import KEPT, STILL_BINS, MotionWatch, still_bins

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


def camber_mm(u: float) -> float:
    return 4.0 * math.sin(2 * math.pi * u) + 1.5 * math.sin(2 * math.pi * 5 * u + 1.0)


def watched(reading_mm: Callable[[float], float], bins: int = 64) -> MotionWatch:
    """A belt of 10 s a turn, 128 bins each, whose sensor reads reading_mm(u) from bin 128 on, and camber before."""
    rng, watch = np.random.default_rng(5), MotionWatch(1)
    for k in range(128 + bins):
        u = (k + 0.5) / 128
        reading = (camber_mm(u) if k < 128 else reading_mm(u)) + 0.03 * rng.standard_normal()
        rest = reading - camber_mm(u)
        span = (round(k / 128 * 1e7), round((k + 1) / 128 * 1e7), k / 128, (k + 1) / 128)
        watch.step(
            *span,
            (reading,),
            (rest,),
            (0.001,),
            lambda: (0.01, 1.5),
            1.0,
            1e7,
            lambda s, a, b: camber_mm(0.5 * (a + b)),
        )
    return watch


@pytest.mark.parametrize(
    ("reading_mm", "lies"),
    [
        (lambda u: 0.6 * camber_mm(u), True),
        (lambda u: 1.3 * camber_mm(u), True),
        (lambda u: camber_mm(u - 0.02), True),
        (lambda u: camber_mm(u) + 2.0 * (u - 1.0), False),
        (lambda u: camber_mm(u) - 0.8 * (u - 1.0), False),
        (camber_mm, False),
    ],
    ids=["small", "large", "late", "walks", "walks slowly", "rests"],
)
def test_a_lie_is_told_from_a_walk(reading_mm: Callable[[float], float], lies: bool) -> None:
    ratio = watched(reading_mm).lie_ratio(0, 1e7, 0.01, 1.5)
    assert ratio > 10.0 if lies else ratio < 2.0


def test_too_few_bins_tell_nothing() -> None:
    assert math.isnan(watched(camber_mm, 4).lie_ratio(0, 1e7, 0.01, 1.5))
