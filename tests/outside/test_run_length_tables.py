"""Run lengths of control charts as printed, and the project's sequential test of a walk beside them.

The tables check the small solver here (Gauss-Legendre Nystrom). The solver then says what the classic charts
would do with the same false-alarm rate, and the walk estimator is held against that on white noise.

Sources: Lucas and Crosier, Technometrics 24 (1982), table 1; Lucas and Saccucci, Technometrics 32 (1990),
table 3; Gan, J. Statist. Comput. Simul. (1992), table 1 (CUSUM under a linear drift); NIST/SEMATECH
e-Handbook of Statistical Methods, example of an EWMA chart (its data from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.stats import norm

from monitor.detection.walk import WalkEstimator
from tests.known_truth.generic_methods import exponential_mean

NODES = 60


def cusum_run_length(k: float, h: float, shift: float, start: float = 0.0) -> float:
    """Mean run length of max(0, C + x - k) > h, one-sided, x normal with this mean and sd 1."""
    x, w = leggauss(NODES)
    x, w = 0.5 * h * (x + 1.0), 0.5 * h * w
    places = np.concatenate(([0.0], x))
    step = norm.pdf(x[None, :] - places[:, None] + k - shift) * w[None, :]
    at_zero = norm.cdf(k - shift - places)
    run = np.linalg.solve(np.eye(NODES + 1) - np.column_stack((at_zero, step)), np.ones(NODES + 1))
    if start == 0.0:
        return float(run[0])
    kernel = np.concatenate(([norm.cdf(k - shift - start)], norm.pdf(x - start + k - shift) * w))
    return float(1.0 + kernel @ run)


def two_sided(k: float, h: float, shift: float, start: float = 0.0) -> float:
    if start == 0.0:
        return 1.0 / (1.0 / cusum_run_length(k, h, shift) + 1.0 / cusum_run_length(k, h, -shift))
    up, down = cusum_run_length(k, h, shift, start), cusum_run_length(k, h, -shift, start)
    up0, down0 = cusum_run_length(k, h, shift), cusum_run_length(k, h, -shift)
    return (up * down0 + up0 * down - up0 * down0) / (up0 + down0)


def cusum_run_length_of_drift(k: float, h: float, slope: float) -> float:
    """The same when the mean is 0, slope, 2 slope, ... at the 1st, 2nd, 3rd, ... sample."""
    x, w = leggauss(NODES)
    x, w = 0.5 * h * (x + 1.0), 0.5 * h * w
    zero, dense = 1.0, np.zeros(NODES)
    total, n = 1.0, 0
    while (alive := zero + float(dense @ w)) > 1e-9:
        total += alive if n else 0.0
        shift = slope * n
        n += 1
        after = zero * norm.pdf(x + k - shift)
        after += (norm.pdf(x[:, None] - x[None, :] + k - shift) * (dense * w)[None, :]).sum(axis=1)
        zero = zero * norm.cdf(k - shift) + float((norm.cdf(k - shift - x) * dense) @ w)
        dense = after
    return total


def ewma_run_length(weight: float, limit: float, shift: float) -> float:
    """Mean run length of an EWMA of normal values with fixed limits +-limit sd of the EWMA."""
    h = limit * np.sqrt(weight / (2.0 - weight))
    x, w = leggauss(NODES)
    x, w = h * x, h * w
    step = norm.pdf((x[None, :] - (1.0 - weight) * x[:, None]) / weight - shift) / weight * w[None, :]
    run = np.linalg.solve(np.eye(NODES) - step, np.ones(NODES))
    return float(1.0 + (norm.pdf(x / weight - shift) / weight * w) @ run)


LUCAS_CROSIER = {0: 168.0, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 2.5: 2.62, 3: 2.19,
                 4: 1.71, 5: 1.31}  # fmt: skip
HEAD_START = {0: 149.0, 0.25: 62.7, 0.5: 20.1, 0.75: 8.97, 1: 5.29, 1.5: 2.86, 2: 2.01, 2.5: 1.59, 3: 1.32}
GAN = {0.001: 187.0, 0.01: 52.0, 0.02: 35.2, 0.05: 21.4, 0.1: 15.0, 0.5: 6.95, 1.0: 5.16}
SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
LUCAS_SACCUCCI = {
    (0.5, 3.071): (500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.34),
    (0.03, 2.437): (500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.11),
}


def digits(value: float) -> float:
    """One unit of the third figure of a printed value."""
    return float(10.0 ** (np.floor(np.log10(value)) - 2))


@pytest.mark.parametrize("shift", LUCAS_CROSIER)
def test_cusum_as_lucas_and_crosier(shift: float) -> None:
    printed = LUCAS_CROSIER[shift]
    assert two_sided(0.5, 4.0, shift) == pytest.approx(printed, abs=digits(printed))


@pytest.mark.parametrize("shift", HEAD_START)
def test_cusum_with_a_head_start(shift: float) -> None:
    printed = HEAD_START[shift]
    assert two_sided(0.5, 4.0, shift, 2.0) == pytest.approx(printed, abs=digits(printed))


@pytest.mark.parametrize("slope", GAN)
def test_cusum_under_drift_as_gan(slope: float) -> None:
    assert cusum_run_length_of_drift(0.25, 8.0, slope) == pytest.approx(GAN[slope], abs=digits(GAN[slope]))


@pytest.mark.parametrize("design", LUCAS_SACCUCCI)
def test_ewma_as_lucas_and_saccucci(design: tuple[float, float]) -> None:
    for shift, printed in zip(SHIFTS, LUCAS_SACCUCCI[design], strict=True):
        assert ewma_run_length(*design, shift) == pytest.approx(printed, rel=0.006)


def test_the_exponential_mean_as_the_handbook() -> None:
    values = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
                       47.8, 51.2, 52.6, 52.4, 53.6, 52.1])  # fmt: skip
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
               50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert exponential_mean(values, 0.3, 50.0) == pytest.approx(np.array(printed), abs=0.006)


# ---------------------------------------------------------------- the walk estimator beside the charts

BINS, NOISE_MM, LENGTH_MM, LIMIT = 64, 0.1, 10_000.0, 0.5


def estimator() -> WalkEstimator:
    """One that knows that there is next to no wander: then each bin is one independent value."""
    walk = WalkEstimator(LIMIT, LENGTH_MM, BINS)
    walk.s2_mm2 = 1e-6
    walk.start(0.0, [], 4.0 * LIMIT)
    return walk


def bins_to_alarm(rng: np.random.Generator, rate: float, quiet_revs: int = 6) -> list[float]:
    """Alarms, in bins from the onset of a walk of this rate, after a quiet stretch."""
    walk, found = estimator(), []
    count = (quiet_revs + 4) * BINS
    u = np.arange(1, count + 1) / BINS
    path = rate * np.maximum(u - quiet_revs - 0.5 / BINS, 0.0)
    for k, r in enumerate(path + NOISE_MM * rng.standard_normal(count)):
        for f in walk.step(k / BINS, (k + 1) / BINS, float(r), NOISE_MM**2):
            if getattr(f, "name", "") == "walk-begins":
                found.append(k + 1.0 - quiet_revs * BINS)
    return found


def test_the_walk_estimator_beside_a_cusum_on_white_noise() -> None:
    """A walk is a linear drift. Yardstick: the best of three CUSUMs at one false alarm in 1,000 revolutions.

    They know level and walk before the onset exactly; the estimator learns both, and must not call a walk of
    half the limit drift. So 1.4 times their mean delay is allowed (1.25 times when this was written).
    """
    rate = 1.0
    slope = rate / BINS / NOISE_MM
    yardstick = min(
        cusum_run_length_of_drift(k, _limit_for(k, 1000.0 * BINS), slope) for k in (0.25, 0.5, 0.75)
    )
    rng = np.random.default_rng(11)
    runs = [bins_to_alarm(rng, rate) for _ in range(40)]
    false = sum(a <= 0 for run in runs for a in run)
    delays = [min((a for a in run if a > 0), default=float("inf")) for run in runs]
    print(
        f"median {np.median(delays):.1f} bins, CUSUM mean {yardstick:.1f}; {false} false in 240 revolutions"
    )
    assert false <= 2
    assert np.median(delays) <= 1.4 * yardstick


def _limit_for(k: float, run_length: float) -> float:
    """h of a one-sided CUSUM of this mean run length (two-sided: twice as long each)."""
    low, high = 1.0, 40.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if cusum_run_length(k, middle, 0.0) < 2.0 * run_length else (low, middle)
    return 0.5 * (low + high)


def test_no_false_walk_in_a_long_quiet_stretch() -> None:
    """1,000 revolutions of white noise: at most two alarms (designed for one in 1,000 revolutions)."""
    walk, rng, alarms = estimator(), np.random.default_rng(5), 0
    values: NDArray[np.float64] = NOISE_MM * rng.standard_normal(1000 * BINS)
    for k, r in enumerate(values):
        alarms += sum(
            getattr(f, "name", "") == "walk-begins"
            for f in walk.step(k / BINS, (k + 1) / BINS, float(r), NOISE_MM**2)
        )
    assert alarms <= 2
