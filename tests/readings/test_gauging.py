"""Calibration from held places: the truth comes back with its spread, and a person's mistakes are told."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.readings.gauging import Place, gauge

RNG = np.random.default_rng(4)
SCALE = np.array([600.0, -550.0])
ZERO = np.array([32768.0, 32551.0])


def hold(
    at_mm: float, answering: int = 0, samples: int = 400, noise: float = 20.0, creep: float = 0.0
) -> Place:
    """A target held in front of one of two sensors; the other one looks at a belt that stands still."""
    places_mm = np.array([1.5, -2.0])
    places_mm[answering] = at_mm
    counts = ZERO + SCALE * places_mm + RNG.normal(0, noise, (samples, 2))
    counts[:, answering] += SCALE[answering] * creep * np.linspace(-0.5, 0.5, samples)
    return Place(at_mm, np.clip(np.round(counts), 0, 65535).astype(np.uint16))


@pytest.mark.parametrize("channel", [0, 1])
def test_the_truth_comes_back(channel: int) -> None:
    result = gauge([hold(mm, channel) for mm in (-10, 0, 10)], channel, before_counts_per_mm=SCALE[channel])
    assert result.faults == result.remarks == ()
    assert abs(result.counts_per_mm - SCALE[channel]) < 3 * result.counts_per_mm_se
    assert abs(result.zero_counts - ZERO[channel]) < 3 * result.zero_se_counts
    assert result.noise_mm == pytest.approx(20 / abs(SCALE[channel]), rel=0.1)
    rails_mm = [(rail - ZERO[channel]) / SCALE[channel] for rail in (0, 65535)]
    assert result.low_mm == pytest.approx(min(rails_mm), abs=0.2)
    assert result.high_mm == pytest.approx(max(rails_mm), abs=0.2)


def test_the_spread_covers_the_placing_of_the_target() -> None:
    """Placed with a standard error of 0.2 mm and told so: the truth is inside 95 times in 100."""
    inside = 0
    for _ in range(400):
        places = []
        for mm in (-10.0, 0.0, 10.0):
            held = hold(mm + RNG.normal(0, 0.2), samples=50)
            places.append(Place(mm, held.counts))
        result = gauge(places, 0, placement_mm=0.2, bend_limit_mm=5.0)
        inside += abs(result.counts_per_mm - 600) <= 1.96 * result.counts_per_mm_se
    assert inside >= 0.93 * 400


def test_a_swapped_pair_is_told() -> None:
    result = gauge([hold(mm, answering=1) for mm in (-10, 0, 10)], 0)
    assert "exchanged" in result.faults[0]
    assert "channel 1 moved by 1" in result.faults[0]


def test_a_target_nobody_sees_is_told() -> None:
    still = hold(0.0).counts
    result = gauge([Place(-10.0, still), Place(10.0, still)], 0)
    assert "does not see the target" in result.faults[0]


def test_both_answering_is_told() -> None:
    places = [hold(mm) for mm in (-10, 10)]
    both = [Place(place.at_mm, np.repeat(place.counts[:, :1], 2, axis=1)) for place in places]
    assert "both see the target" in gauge(both, 0).faults[0]


def test_a_sign_turned_round_is_told_but_used() -> None:
    result = gauge([hold(mm) for mm in (-10, 0, 10)], 0, before_counts_per_mm=-600.0)
    assert result.faults == ()
    assert "sign" in result.remarks[0]


def test_a_clipped_place_is_left_out() -> None:
    result = gauge([hold(mm) for mm in (-10, 0, 10, 60)], 0)
    assert result.faults == ()
    assert "at 60 mm" in result.remarks[0]
    assert result.counts_per_mm == pytest.approx(600, abs=10)


def test_all_clipped_cannot_be_used() -> None:
    result = gauge([hold(mm) for mm in (-70, 0, 70)], 0)
    assert "two different places" in result.faults[0]
    assert np.isnan(result.counts_per_mm)


def test_a_bend_is_told() -> None:
    places = [hold(mm + 0.008 * mm * mm) for mm in (-15.0, -5.0, 5.0, 15.0)]
    bent = [Place(mm, place.counts) for mm, place in zip((-15.0, -5.0, 5.0, 15.0), places, strict=True)]
    assert "bends" in gauge(bent, 0).faults[0]


def test_a_moving_target_is_told() -> None:
    places = [hold(-10.0), hold(0.0, creep=3.0), hold(10.0)]
    assert "at 0 mm the target was not still" in gauge(places, 0, bend_limit_mm=5.0).faults[0]


def test_two_places_say_that_a_bend_cannot_be_seen() -> None:
    result = gauge([hold(-10.0), hold(10.0)], 0)
    assert result.faults == ()
    assert "only two places" in result.remarks[0]
