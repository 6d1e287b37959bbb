"""The pair of pulleys: profiles that make each other surer, and sensors that lie. Against plain theory and chance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.detection.pair import (
    Gain,
    MatchWatch,
    borrowed,
    compare,
    error_variance,
    shifted,
    spectrum,
)

CELLS = 512
DELAY_REV = 0.4137
U = (np.arange(CELLS) + 0.5) / CELLS


def camber(u: np.ndarray, scale: float = 1.0) -> np.ndarray:
    found: np.ndarray = scale * (
        2.0 * np.sin(2 * np.pi * u) + 0.8 * np.cos(6 * np.pi * u + 1.0) + 0.3 * np.sin(26 * np.pi * u)
    )
    return found


def wander(rng: np.random.Generator, s2: float, kappa: float) -> np.ndarray:
    """An Ornstein-Uhlenbeck process over one revolution of cells, its mean taken out."""
    keep = math.exp(-kappa / CELLS)
    y = np.empty(CELLS)
    y[0] = math.sqrt(s2) * rng.standard_normal()
    for i in range(1, CELLS):
        y[i] = keep * y[i - 1] + math.sqrt(s2 * (1 - keep**2)) * rng.standard_normal()
    return y - y.mean()


def test_variance_of_harmonics_is_that_of_noise_and_wander() -> None:
    """Against simulated turns of an Ornstein-Uhlenbeck process."""
    rng, s2, kappa, noise, per_cell = np.random.default_rng(1), 0.04, 3.0, 0.2, 4
    rows = [spectrum(wander(rng, s2, kappa) + noise / 2.0 * rng.standard_normal(CELLS)) for _ in range(400)]
    power = np.mean(np.abs(np.array(rows)) ** 2, axis=0)
    said = error_variance(257, noise, per_cell * CELLS, s2, kappa, 1.0)
    for low, high in ((1, 2), (2, 6), (6, 30), (30, 250)):
        assert float(power[low:high].sum() / said[low:high].sum()) == pytest.approx(1.0, abs=0.2)


def test_a_profile_shifted_and_back_is_itself() -> None:
    c = spectrum(camber(U))
    assert np.allclose(shifted(shifted(c, 0.3), -0.3), c)
    later = np.fft.irfft(shifted(c, DELAY_REV) * CELLS, CELLS)
    assert np.allclose(later, camber(U - DELAY_REV), atol=1e-9)


def errors(excess: np.ndarray, seeds: int = 30) -> tuple[float, float]:
    """rms error of a profile alone, and with what it borrows; `excess` is added to the other one only."""
    alone, both = [], []
    variance = error_variance(257, 0.2, CELLS, 0.0, 1.0, 4.0)
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        own = camber(U) + 0.1 * rng.standard_normal(CELLS)
        other = camber(U) + excess + 0.1 * rng.standard_normal(CELLS)
        added = borrowed(spectrum(own), spectrum(other), variance, variance)
        alone.append(np.std(own - camber(U)))
        both.append(np.std(own + np.fft.irfft(added * CELLS, CELLS) - camber(U)))
    return float(np.mean(alone)), float(np.mean(both))


def test_two_profiles_that_agree_halve_the_variance() -> None:
    alone, both = errors(np.zeros(CELLS))
    assert both / alone == pytest.approx(1.0 / math.sqrt(2.0), abs=0.03)


@pytest.mark.parametrize(
    "excess",
    [0.6 * np.sin(2 * np.pi * 21 * U), 1.0 * np.cos(2 * np.pi * U), 0.7 * camber(U), 0.5 * np.sign(U - 0.5)],
    ids=["run-out", "another bow", "another scale", "another step"],
)
def test_what_differs_is_not_borrowed(excess: np.ndarray) -> None:
    """The counter-example: averaging such profiles blindly would put half of the excess into this one."""
    alone, both = errors(excess)
    assert both < 1.1 * alone
    assert 0.5 * float(np.std(excess)) > 1.5 * alone


@pytest.mark.parametrize("scale", [1.0, 0.7, 1.35])
def test_gain_between_profiles_and_its_standard_error(scale: float) -> None:
    variance, z, gains = error_variance(257, 0.2, CELLS, 0.01, 2.0, 10.0), [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        y, x = (
            camber(U, k) + np.mean([wander(rng, 0.01, 2.0) for _ in range(10)], axis=0)
            + 0.2 / math.sqrt(10.0) * rng.standard_normal(CELLS)
            for k in (scale, 1.0)
        )  # fmt: skip
        found = compare(spectrum(y), spectrum(x), variance, variance)
        assert found is not None
        gains.append(found.gain)
        z.append((found.gain - scale) / found.gain_se)
        assert found.lies == (scale != 1.0)
    assert float(np.mean(gains)) == pytest.approx(scale, abs=0.02)
    assert 0.4 < float(np.std(z)) < 1.3


def test_no_camber_no_answer() -> None:
    variance = error_variance(257, 0.2, CELLS, 0.01, 2.0, 10.0)
    rng = np.random.default_rng(3)
    found = compare(
        spectrum(0.01 * rng.standard_normal(CELLS)),
        spectrum(0.01 * rng.standard_normal(CELLS)),
        variance,
        variance,
    )
    assert found is None or not found.lies


def watched(turns: list[list[np.ndarray]], scale: float = 1.0) -> list[tuple[str, int, bool]]:
    """Findings over turns of two sensors, each turn a row of cells to be compared with the camber."""
    variance = error_variance(257, 0.15, CELLS, 0.004, 2.0, 1.0)
    watch = MatchWatch(2)
    found = []
    for rows in turns:
        for s, row in enumerate(rows):
            watch.take(s, row, camber(U, scale), variance, variance / 10.0)
        found += [(f.name, f.sensor, f.active) for f in watch.judge_own()]
    return found


def turn(rng: np.random.Generator, gain: float = 1.0, lag_rev: float = 0.0, scale: float = 1.0) -> np.ndarray:
    found: np.ndarray = (
        gain * camber(U - lag_rev, scale) + wander(rng, 0.004, 2.0) + 0.15 * rng.standard_normal(CELLS)
    )
    return found


@pytest.mark.parametrize("gain", [0.7, 1.35, 0.05])
def test_a_scale_that_changes_is_told_of_that_sensor(gain: float) -> None:
    rng = np.random.default_rng(1)
    turns = [[turn(rng), turn(rng, gain if k >= 4 else 1.0)] for k in range(8)]
    assert watched(turns) == [("sensor-scale", 1, True)]
    back = [[turn(rng), turn(rng)] for _ in range(3)]
    assert watched(turns + back) == [("sensor-scale", 1, True), ("sensor-scale", 1, False)]


@pytest.mark.parametrize("lag_rev", [0.008, 0.03])
def test_a_sensor_that_becomes_slow(lag_rev: float) -> None:
    rng = np.random.default_rng(2)
    turns = [[turn(rng, 1.0, lag_rev if k >= 4 else 0.0), turn(rng)] for k in range(8)]
    assert watched(turns) == [("sensor-lag", 0, True)]


def test_what_is_no_lie() -> None:
    """Walks, sections, stations not seen, travel wrong for all sensors alike, both scales together: nothing told."""
    rng = np.random.default_rng(4)
    section = np.where(np.abs(U - 0.3) < 0.04, 8.0, 0.0)
    hidden = np.where(U < 0.3, np.nan, 0.0)
    kink = 3.0 * np.maximum(U - 0.6, 0.0)
    odd: list[np.ndarray] = [section, hidden, kink, 2.5 * U, np.zeros(CELLS) + 40.0]
    for add in odd:
        assert watched([[turn(rng), turn(rng) + (add if k > 2 else 0.0)] for k in range(8)]) == []
    assert watched([[turn(rng, 1.0, 0.01 * (k > 2)), turn(rng, 1.0, 0.01 * (k > 2))] for k in range(8)]) == []
    assert watched([[turn(rng, 1.3 if k == 3 else 1.0), turn(rng)] for k in range(8)]) == [], (
        "one turn is no proof"
    )


def test_a_belt_without_camber_is_not_judged() -> None:
    rng = np.random.default_rng(5)
    turns = [[turn(rng, scale=0.02), turn(rng, 0.5 if k > 3 else 1.0, scale=0.02)] for k in range(9)]
    assert watched(turns, scale=0.02) == []


def test_of_two_scales_that_disagree_either_may_be_off() -> None:
    watch = MatchWatch(3)
    assert [f.active for f in watch.judge_pair(1, 0, Gain(0.8, 0.01, 0.0, 0.001, 0.0))] == [True]
    assert watch.scale_spread(0) == watch.scale_spread(1) == pytest.approx(0.25 / math.sqrt(2.0))
    assert watch.scale_spread(2) == 0.0
    assert [f.active for f in watch.judge_pair(1, 0, Gain(1.0, 0.01, 0.0, 0.001, 0.0))] == [False]
    assert watch.scale_spread(0) == 0.0
