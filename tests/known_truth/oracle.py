"""How soon could a walk be found at all? A detector that knows everything but its onset, on the same belts.

It knows camber, noise, wander, the walk's rate and its direction; what is left of a reading is a known ramp from an
unknown onset in an Ornstein-Uhlenbeck wander with white noise. Optimal then is the cumulative sum of log likelihood
ratios over onsets (Page 1954, Lorden 1971), on the innovations of the wander's own Kalman filter. Its threshold is set
by simulation to one false alarm in 1,000 revolutions, for each belt by itself. No program that has to learn the belt
can be faster at that rate of false alarms; where it is slow, the belt is.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from monitor.simulation.families import FAMILIES, make
from tests.known_truth.rules import MUST

BINS = 64  # steps a revolution
LONGEST_REV = 4.0  # onsets farther back are forgotten
CALM_REV = 12  # revolutions of each simulated belt without a walk
BELTS = 250  # simulated at once: 3,000 calm revolutions


@dataclass(frozen=True, slots=True)
class Belt:
    """What the oracle knows: wander (mm, per revolution), white noise of a step (mm), the walk (mm/rev)."""

    wander_sd_mm: float
    kappa_per_rev: float
    noise_sd_mm: float
    walk_mm_per_rev: float


def delay_rev(belt: Belt, rng: np.random.Generator) -> NDArray[np.float64]:
    """Delays of the oracle on BELTS such belts, revolutions; inf where it is later than LONGEST_REV."""
    gains, variances = _gains(belt)
    signature = _signature(belt, gains, variances)
    calm = _statistic(belt, gains, variances, signature, rng, CALM_REV, walks=False)
    most = calm[BINS:].reshape(CALM_REV - 1, BINS, BELTS).max(axis=1)
    threshold = float(np.quantile(most, 0.999))
    walking = _statistic(belt, gains, variances, signature, rng, 2 + round(LONGEST_REV), walks=True)[
        2 * BINS :
    ]
    above = walking > threshold
    first = np.where(above.any(axis=0), above.argmax(axis=0) + 1.0, np.inf)
    return np.asarray(first / BINS)


def _gains(belt: Belt) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Kalman gain and innovation variance of the wander's filter, step by step until they are steady."""
    phi, s2, r = math.exp(-belt.kappa_per_rev / BINS), belt.wander_sd_mm**2, belt.noise_sd_mm**2
    p, gains, variances = s2, [], []
    for _ in range(2 * BINS):
        variance = p + r
        gain = p / variance
        gains.append(gain)
        variances.append(variance)
        p = phi * phi * p * (1.0 - gain) + s2 * (1.0 - phi * phi)
    return np.array(gains), np.array(variances)


def _signature(belt: Belt, gains: NDArray[np.float64], variances: NDArray[np.float64]) -> NDArray[np.float64]:
    """What the walk leaves in the innovations, by steps since its onset (a filter that has been steady before it)."""
    phi, gain, sd = math.exp(-belt.kappa_per_rev / BINS), float(gains[-1]), math.sqrt(float(variances[-1]))
    state, out = 0.0, []
    for a in range(round(LONGEST_REV * BINS)):
        innovation = belt.walk_mm_per_rev * (a + 0.5) / BINS - state
        out.append(innovation / sd)
        state = phi * (state + gain * innovation)
    return np.array(out)


def _statistic(
    belt: Belt,
    gains: NDArray[np.float64],
    variances: NDArray[np.float64],
    signature: NDArray[np.float64],
    rng: np.random.Generator,
    revs: int,
    walks: bool,
) -> NDArray[np.float64]:
    """The greatest log likelihood ratio over onsets, (steps, BELTS). A walk begins after two revolutions."""
    phi = math.exp(-belt.kappa_per_rev / BINS)
    kick = belt.wander_sd_mm * math.sqrt(1.0 - phi * phi)
    wander = belt.wander_sd_mm * rng.standard_normal(BELTS)
    state, best = np.zeros(BELTS), []
    onset = np.zeros((signature.size, BELTS))  # log likelihood ratio of each onset, the youngest first
    half = 0.5 * signature**2
    for k in range(revs * BINS):
        wander = phi * wander + kick * rng.standard_normal(BELTS)
        ramp = belt.walk_mm_per_rev * max(k - 2 * BINS + 0.5, 0.0) / BINS if walks else 0.0
        reading = wander + ramp + belt.noise_sd_mm * rng.standard_normal(BELTS)
        i = min(k, gains.size - 1)
        innovation = reading - phi * state
        state = phi * state + gains[i] * innovation
        z = innovation / math.sqrt(variances[i])
        onset = np.vstack((np.zeros((1, BELTS)), onset[:-1])) + signature[:, None] * z - half[:, None]
        best.append(onset[: k + 1].max(axis=0))
    return np.array(best)


def drifting_belts(families: list[str], seeds: range) -> list[Belt]:
    """The walks that must be found on the belts of detection_table.py, as the oracle knows them."""
    belts = []
    for family in families:
        for seed in seeds:
            p = make(family, seed)
            step_samples = max(p.rate_hz * p.length_mm / (1000.0 * p.speed_mps) / BINS, 1.0)
            kappa, noise = p.length_mm / p.wander_length_mm, p.noise_sd_mm / math.sqrt(step_samples)
            belts += [
                Belt(p.wander_sd_mm, kappa, noise, abs(d.mm_per_rev))
                for d in p.drifts
                if abs(d.mm_per_rev) >= MUST * p.drift_limit_mm_per_rev
            ]
    return belts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--families", default=",".join(FAMILIES))
    parser.add_argument("--seeds", default="0:6", help="first:last, the last not included")
    args = parser.parse_args()
    first, last = (int(n) for n in args.seeds.split(":"))
    belts = drifting_belts(args.families.split(","), range(first, last))
    rng = np.random.default_rng(1)
    delays = np.concatenate([delay_rev(belt, rng)[:25] for belt in belts])
    middle, late = np.quantile(delays, [0.5, 0.9])
    print(f"{len(belts)} walks: the oracle's delay {middle:.2f} rev (median), {late:.2f} (90th percentile)")
    calm = [b for b in belts if b.wander_sd_mm <= 0.12]
    if calm:
        some = np.concatenate([delay_rev(belt, rng)[:25] for belt in calm])
        middle, late = np.quantile(some, [0.5, 0.9])
        print(f"of them {len(calm)} with a wander of at most 0.12 mm: {middle:.2f}, {late:.2f}")


if __name__ == "__main__":
    main()
