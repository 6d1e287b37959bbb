"""The phase of a belt without a mark: slips of windows against the Cramer-Rao bound, and followed over turns.

The bound of a shift of a known signal in coloured normal noise, var >= 1 / (d' C^-1 d), is Kay, Fundamentals of
Statistical Signal Processing I (1993), section 3.9 with equation 3.31 (from memory). With level and slope unknown
their columns are projected out, which their wide priors in C do.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.revolutions.phase import (
    FINE,
    LEVEL_MM2,
    SLOPE_MM2,
    WINDOWS,
    PhaseFilter,
    Slip,
    WindowRow,
    find_slip,
    finely,
)

N = 512
CELLS = N // WINDOWS
WANDER_MM2, KAPPA = 0.01, 2.0


def camber(texture_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Waves of orders 1 to 4 and a texture some stations long, (FINE * N,) mm."""
    u = np.arange(FINE * N) / (FINE * N)
    mm = sum(3.0 / k**1.5 * np.cos(2 * np.pi * (k * u + rng.random())) for k in range(1, 5))
    order = np.arange(FINE * N // 2 + 1)
    shape = np.exp(-((order / 90.0) ** 2)) * rng.normal(size=order.size)
    texture = np.fft.irfft(shape * np.exp(2j * np.pi * rng.random(order.size)))
    return mm + texture_mm * texture / texture.std()


def window(fine: np.ndarray, slip_rev: float, white_mm: float, rng: np.random.Generator) -> np.ndarray:
    """What a sensor reads over a window that begins at station 64, wander, level and white noise with it."""
    at = (np.arange(CELLS) + 64) / N + slip_rev
    u = np.arange(fine.size + 1) / fine.size
    mm = np.interp(at, u, np.append(fine, fine[0]))
    wander = np.empty(CELLS)
    wander[0] = rng.normal() * np.sqrt(WANDER_MM2)
    keep = np.exp(-KAPPA / N)
    for i in range(1, CELLS):
        wander[i] = keep * wander[i - 1] + rng.normal() * np.sqrt(WANDER_MM2 * (1 - keep**2))
    return mm + wander + rng.normal(0.0, white_mm, CELLS) + 1.5


def bound(fine: np.ndarray, white_mm: float) -> float:
    """Cramer-Rao bound of the slip's standard deviation, one sensor, revolutions."""
    x = np.arange(CELLS) / N
    across = (x - x.mean()) * N / CELLS
    cov = WANDER_MM2 * np.exp(-KAPPA * np.abs(x[:, None] - x)) + white_mm**2 * np.eye(CELLS)
    cov += LEVEL_MM2 + SLOPE_MM2 * across[:, None] * across
    slope = (np.gradient(np.tile(fine, 3)) * FINE * N)[fine.size + FINE * 64 :: FINE][:CELLS]
    return float(1.0 / np.sqrt(slope @ np.linalg.solve(cov, slope)))


@pytest.mark.parametrize(("texture_mm", "white_mm"), [(0.15, 0.1), (0.15, 0.03), (0.05, 0.05)])
def test_slips_scatter_by_the_bound_and_say_so(texture_mm: float, white_mm: float) -> None:
    rng = np.random.default_rng(7)
    fine = camber(texture_mm, rng)
    least, errors, z = bound(fine, white_mm), [], []
    for _ in range(200):
        true = rng.normal(0.0, 0.001)
        row = WindowRow(
            window(fine, true, white_mm, rng), np.full(CELLS, white_mm**2), fine, 64, WANDER_MM2, KAPPA
        )
        told = find_slip([row], N, 0.002)
        assert told is not None
        errors.append(told.rev - true)
        z.append(errors[-1] / np.sqrt(told.variance))
    spread = float(np.sqrt(np.mean(np.square(errors))))
    assert 0.85 < spread / least < 1.2, f"{spread:.2e} against a bound of {least:.2e}"
    assert 0.90 < np.mean(np.abs(z) < 1.96) < 0.995


def test_a_noisy_camber_is_drawn_to_what_is_signal_in_it() -> None:
    rng = np.random.default_rng(3)
    fine = camber(0.0, rng)
    noisy = fine[::FINE] + rng.normal(0.0, 0.2, N)
    left = finely(noisy, 0.04, 0.0, 2.0) - (fine - fine.mean())
    assert np.sqrt(np.mean(left**2)) < 0.05, "of 0.2 mm white noise in the stations"


def test_a_window_of_another_shape_tells_nothing() -> None:
    rng = np.random.default_rng(5)
    fine = camber(0.1, rng)
    reading = window(fine, 0.0, 0.05, rng)
    reading[20:40] += 6.0  # a section that bulges
    assert (
        find_slip([WindowRow(reading, np.full(CELLS, 0.0025), fine, 64, WANDER_MM2, KAPPA)], N, 0.002) is None
    )


def test_too_few_stations_tell_nothing() -> None:
    fine = camber(0.1, np.random.default_rng(5))
    reading = np.full(CELLS, np.nan)
    reading[:20] = 0.0
    assert (
        find_slip([WindowRow(reading, np.full(CELLS, 0.0025), fine, 64, WANDER_MM2, KAPPA)], N, 0.002) is None
    )


def test_a_belt_whose_speed_wanders_is_followed() -> None:
    """Slips and speeds by the model: errors must be as large as the filter says."""
    rng = np.random.default_rng(11)
    change, se = 0.001, 0.0004
    q = 1.5 * change**2
    z = []
    for _ in range(40):
        f, ahead, faster = PhaseFilter(), rng.normal(0.0, 0.003), rng.normal(0.0, 0.003)
        for step in range(80):
            ahead += faster / WINDOWS
            faster += rng.normal(0.0, np.sqrt(q / WINDOWS))
            f.pass_on(1.0 / WINDOWS, change)
            dx, dv = f.heed(Slip(ahead + rng.normal(0.0, se), se * se))
            ahead, faster = ahead - dx, faster - dv
            if step > 20 and step % 10 == 0:
                z.append(ahead / f.se_rev())
    assert 0.9 < np.mean(np.abs(z) < 1.96) < 0.99


def test_one_odd_slip_is_not_believed_a_second_one_is() -> None:
    f = PhaseFilter()
    for _ in range(40):
        f.pass_on(1.0 / WINDOWS, 0.001)
        f.heed(Slip(0.0, 1e-7))
    f.pass_on(1.0 / WINDOWS, 0.001)
    assert f.heed(Slip(0.009, 1e-7)) == (0.0, 0.0)
    f.pass_on(1.0 / WINDOWS, 0.001)
    assert f.heed(Slip(0.009, 1e-7))[0] == pytest.approx(0.009, rel=0.05)
