"""The edge alarms' dead-band follows the belt: an AR(1) edge about its limit clears, and seldom comes back at once."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from monitor.detection.sections import EdgeWatch, student_quantile

HOLD_US = 2_000_000.0


@pytest.mark.parametrize("freedom", [4.0, 10.0, 44.0])
def test_the_quantile_is_students(freedom: float) -> None:
    assert student_quantile(0.99, freedom) == pytest.approx(stats.t.ppf(0.99, freedom), rel=0.02)


@pytest.mark.parametrize("wander_mm", [0.05, 0.3, 1.0])
def test_a_clearing_is_seldom_taken_back_by_the_next_revolution(wander_mm: float) -> None:
    rng = np.random.default_rng(1)
    watch, wander, step_us = EdgeWatch(25.0, 40.0, 32768, 600.0), 0.0, 20_000
    changes = []
    for rev in range(2000):
        wander = 0.8 * wander + wander_mm * rng.standard_normal()
        edge_mm = 25.0 + wander + 10.0 * wander_mm * np.sin(2.0 * np.pi * rev / 50.0)  # out and back
        time_us = (rev * 100 + np.arange(1, 101)) * step_us
        counts = np.rint(32768 + 600.0 * (edge_mm + 0.05 * rng.standard_normal(100))).astype(np.int64)
        changes += watch.take(time_us, counts, np.ones(100, bool), HOLD_US)
    raised = [t for t, name, on, _ in changes if name == "edge-warn" and on]
    cleared = [t for t, name, on, _ in changes if name == "edge-warn" and not on]
    assert len(cleared) > 5
    back = sum(any(0 < r - c < HOLD_US for r in raised) for c in cleared)
    assert back <= max(1, 0.05 * len(cleared))
    assert watch.dead_band_mm < 8.0 * wander_mm + 0.3
