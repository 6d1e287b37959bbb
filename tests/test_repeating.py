"""Camber and run-out of one sensor side by side, and the belt's length from two of them: what was put in comes out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.crosscheck import CrossCheck
from monitor.repeating import Repeating
from monitor.revolutions.profile import Profile
from monitor.revolutions.tracker import TURN_BINS
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation

U = (np.arange(TURN_BINS) + 0.5) / TURN_BINS
ORDER, AMPLITUDE_MM = 20.13, 1.2
NOWHERE = np.zeros(TURN_BINS, bool)


def camber(u: np.ndarray) -> np.ndarray:
    found: np.ndarray = (
        3.0 * np.sin(2 * np.pi * u) + 0.8 * np.cos(6 * np.pi * u + 1.0) + 0.3 * np.sin(26 * np.pi * u)
    )
    return found


def turns(count: int, amplitude_mm: float, seed: int = 3) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    swing = [amplitude_mm * np.cos(2 * np.pi * ORDER * (k + U) + 0.4) for k in range(count)]
    return [camber(U) + swing[k] + 0.05 * rng.standard_normal(TURN_BINS) for k in range(count)]


def learnt(amplitude_mm: float) -> tuple[Repeating, list[int]]:
    """After three first turns and seventeen more; and the turns after which a swing was told."""
    repeats, rows = Repeating(20.0), turns(20, amplitude_mm)
    repeats.begin([0, 1, 2], rows[:3], np.mean(rows[:3], axis=0))
    told = []
    for k in range(3, 20):
        repeats.look(k, rows[k], NOWHERE, calm=True)
        if repeats.news() is not None:
            told.append(k)
        repeats.learn(k, rows[k], NOWHERE)
    return repeats, told


def test_swing_and_camber_are_told_apart_and_the_swing_once() -> None:
    repeats, told = learnt(AMPLITUDE_MM)
    assert repeats.swing is not None
    assert repeats.swing.order == pytest.approx(ORDER, abs=0.005)
    assert repeats.swing.amplitude_mm == pytest.approx(AMPLITUDE_MM, abs=0.05)
    assert float(np.std(repeats.profile.mm - camber(U))) < 0.04
    assert len(told) == 1


def test_all_that_repeats_over_a_stretch_is_the_mean_of_both() -> None:
    repeats, _ = learnt(AMPLITUDE_MM)
    fine = np.linspace(30.2, 30.21, 201)
    true = float(np.mean(camber(fine) + AMPLITUDE_MM * np.cos(2 * np.pi * ORDER * fine + 0.4)))
    assert repeats.over(30.2, 30.21)[0] == pytest.approx(true, abs=0.12)
    assert repeats.mean_over(30.2, 30.21) == pytest.approx(repeats.over(30.2, 30.21)[0], abs=1e-9)


def test_without_run_out_none_is_told() -> None:
    repeats, told = learnt(0.0)
    assert repeats.swing is None
    assert not told
    assert float(np.std(repeats.profile.mm - camber(U))) < 0.03


def test_when_travel_is_lost_the_camber_stays_and_the_swing_goes() -> None:
    repeats, _ = learnt(AMPLITUDE_MM)
    before = repeats.profile.mm.copy()
    repeats.lose()
    assert repeats.swing is None
    assert np.array_equal(repeats.profile.mm, before)


@pytest.mark.parametrize("off", [-0.03, 0.0, 0.03])
def test_length_from_the_camber_at_two_pulleys(off: float) -> None:
    """The length in the station file is up to 3 % wrong; carry_mm of belt lie between the pulleys."""
    true_mm, carry_mm = 12_000.0, 5_200.0
    sensors = parse_station(Simulation(Params()).station()).sensor
    profiles = [Profile(TURN_BINS) for _ in sensors]
    rng = np.random.default_rng(8)
    for profile, sensor in zip(profiles, sensors, strict=True):
        behind = carry_mm / true_mm if sensor.pulley == "drive" else 0.0
        profile.replace(camber(U - behind) + 0.01 * rng.standard_normal(TURN_BINS), 10)
    found = CrossCheck(sensors, profiles).length_mm(carry_mm, true_mm * (1.0 + off))
    assert found == pytest.approx(true_mm, rel=0.002)


def test_length_without_camber_is_that_of_the_station_file() -> None:
    sensors = parse_station(Simulation(Params()).station()).sensor
    profiles = [Profile(TURN_BINS) for _ in sensors]
    found = CrossCheck(sensors, profiles).length_mm(5_200.0, 11_900.0)
    assert not math.isnan(found)
    assert found == pytest.approx(11_900.0, rel=0.001)
