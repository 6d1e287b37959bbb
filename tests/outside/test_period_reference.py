"""The period without marks against a periodogram and a least-squares fit made with scipy.

Lomb-Scargle (Scargle 1982) summed over waves is the classical period of a periodic signal; the fit of period and
harmonics together is its maximum likelihood in white noise (Kincaid and Scudder, GE/ONR report S-68-1019, 1968).
Neither shares a line with the program.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import optimize, signal

from monitor.pipeline import Pipeline
from monitor.records import EdgeBlock, Revolution
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation

WAVES = 40


def explained(time_s: np.ndarray, y_mm: np.ndarray, period_s: float) -> float:
    """What a least-squares fit of line and WAVES harmonics leaves of the readings, mm2."""
    angle = 2 * np.pi * np.outer(time_s / period_s, np.arange(1, WAVES + 1))
    basis = np.hstack((np.ones((time_s.size, 1)), time_s[:, None] / time_s[-1], np.cos(angle), np.sin(angle)))
    left = y_mm - basis @ np.linalg.lstsq(basis, y_mm, rcond=None)[0]
    return float(left @ left)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_period_is_that_of_a_periodogram_and_of_a_joint_fit(seed: int) -> None:
    base = Params(
        seed=seed, marks=False, speed_wander=0.0, length_error=0.03, wander_sd_mm=0.02, seconds=330.0
    )
    params = dataclasses.replace(base, rate_hz=50)
    simulation = Simulation(params)
    records = simulation.records(params.seconds)
    pipeline = Pipeline(parse_station(simulation.station()))
    turns = {m.rev: m.end_s for m in pipeline.consume(records) if isinstance(m, Revolution)}
    period_s = (turns[10] - turns[5]) / 5.0
    true_s = params.length_mm / params.speed_mps / 1000.0

    blocks = [r for r in records if isinstance(r, EdgeBlock)]
    time_s = np.concatenate([b.time_us for b in blocks]) / 1e6
    counts = np.concatenate([b.counts for b in blocks])[:, 0]
    upto = slice(0, int(np.searchsorted(time_s, turns[10])), 3)
    time_s, y_mm = time_s[upto] - time_s[0], (counts[upto] - 32768.0) / 600.0
    periods = true_s * np.linspace(0.96, 1.04, 401)
    power = sum(signal.lombscargle(time_s, y_mm - y_mm.mean(), 2 * np.pi * k / periods) for k in range(1, 9))
    peak_s = float(periods[np.argmax(power)])
    assert period_s == pytest.approx(peak_s, rel=4e-3)  # as wide as its peak is flat
    fit = optimize.minimize_scalar(
        lambda p: explained(time_s, y_mm, p), bounds=(0.995 * true_s, 1.005 * true_s), method="bounded",
        options={"xatol": 1e-5 * true_s},
    )  # fmt: skip
    assert period_s == pytest.approx(float(fit.x), rel=3e-4)
    assert period_s == pytest.approx(true_s, rel=3e-4)
