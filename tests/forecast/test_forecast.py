"""Camber in the trade's measure against printed figures; time to the edge limit against plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.forecast import camber_percent, crooked_splice, edge_forecast


@pytest.mark.parametrize(
    ("rho_mm", "chord_mm", "percent"), [(500e3, 10e3, 0.25), (381e3, 7620.0, 0.25), (250e3, 30e3, 1.5)]
)
def test_uniform_camber_is_the_trade_figure(rho_mm: float, chord_mm: float, percent: float) -> None:
    """25 mm in 10 m and 0.75 in in 25 ft are 0.25 %; 450 mm in 30 m is 1.5 % (handbook, facts S1)."""
    length = 3.0 * chord_mm
    s = np.arange(3000) / 3000 * length
    edge = s * (length - s) / (2 * rho_mm)
    half = round(0.5 * chord_mm / length * 3000)
    here = edge[1500] - 0.5 * (edge[1500 - half] + edge[1500 + half])
    assert 100 * here / chord_mm == pytest.approx(percent, rel=2e-3)
    smooth = edge.copy()
    assert (
        camber_percent(smooth, length, chord_mm) >= percent * 0.998
    )  # the kink at the splice adds, never takes


def test_a_sine_has_its_amplitude_twice_over_half_the_loop() -> None:
    edge = 5.0 * np.sin(2 * np.pi * np.arange(200) / 200)
    assert camber_percent(edge, 20_000.0) == pytest.approx(100 * 5.0 / 10_000, rel=1e-3)


def test_too_little_seen_is_unknown() -> None:
    edge = np.full(200, np.nan)
    edge[:100] = 1.0
    assert math.isnan(camber_percent(edge, 20_000.0))
    assert crooked_splice(edge, 20_000.0) is None


def test_short_gaps_are_bridged() -> None:
    edge = 5.0 * np.sin(2 * np.pi * np.arange(200) / 200)
    holes = edge.copy()
    holes[[3, 4, 60, 199]] = np.nan
    assert camber_percent(holes, 20_000.0) == pytest.approx(camber_percent(edge, 20_000.0), rel=0.01)


def test_a_crooked_splice_is_found_where_it_is() -> None:
    """q = 2 mm over W = 610 mm, Lb = 6.415 m: peak to peak 2.629 mm (plane geometry, facts 1.2)."""
    length, n = 6415.0, 640
    s = np.arange(n) / n * length
    edge = np.roll((2 / 610) * s * (length - s) / (2 * length), 160)
    assert np.ptp(edge) == pytest.approx(2.629, abs=2e-3)
    splice = crooked_splice(edge, length)
    assert splice is not None
    assert splice.station_mm == pytest.approx(160 / n * length)
    assert splice.angle_mrad == pytest.approx(2000 / 610, rel=1e-3)
    assert splice.share > 0.999


def test_room_over_walk() -> None:
    found = edge_forecast(-5.0, 10.0, 2.0, 0.0, 40.0, 30.0)
    assert found.revs == pytest.approx(15.0)
    assert found.minutes == pytest.approx(7.5)
    assert edge_forecast(-5.0, 10.0, -2.0, 0.0, 40.0, 30.0).revs == pytest.approx(17.5)


def test_a_walk_that_may_be_nil_may_never_arrive() -> None:
    found = edge_forecast(-5.0, 10.0, 0.1, 0.2, 40.0, 30.0)
    assert math.isinf(found.latest_revs)
    assert found.soonest_revs < found.revs


def test_unknown_stays_unknown() -> None:
    assert math.isnan(edge_forecast(-5.0, 10.0, math.nan, 0.2, 40.0, 30.0).revs)
    assert edge_forecast(-5.0, 45.0, 0.0, 0.0, 40.0, 30.0).revs == 0.0
