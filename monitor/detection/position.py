"""Where the whole belt rode over one revolution, and what its camber is: two fits on the grid of a turn.

Position. Over a whole revolution the camber, zero-mean by definition, adds nothing to the mean of
the readings, and the mean of the belt's wander over that revolution is what is asked for. So the
position is the mean over all stations; stations where a section departs from the line by more than
OUT_SIGMAS, and those next to them, are filled from the line instead. Its standard error is that of
the sensor's noise, of the filled stations' wander, and of laying readings on stations.

Camber from the first turns. A walk leaks into a synchronous average as a sawtooth, so levels and
profile are fitted together: differences of successive turns at the same station are free of camber
and give the walk; the profile is the mean over turns with each turn's line taken out (least squares
for {level, walk, station}; McFadden 1987 for the average alone).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..numerics.median import median

OUT_SIGMAS = 4.5  # a station this far from the line is left out
NEIGHBOURS_MM = 250.0  # stations this near to one left out are left out too: a section has soft ends
LEAST_SHARE = 0.4  # share of the stations seen that must be in line; below, the position is unknown
LEAST_SEEN = (
    0.25  # share of all stations that must be seen (fast short belts leave some of a fine grid empty)
)
FIRST_SE_MM = 0.12  # wander of the belt, against which stations are told before it is learnt


@dataclass(frozen=True, slots=True, eq=False)
class TurnPosition:
    """Position over a turn with its standard error, mm; which stations were filled; share of stations used."""

    position_mm: float
    se_mm: float
    out: NDArray[np.bool_]
    used_share: float


def place_turn(
    reading_mm: NDArray[np.float64],
    samples: NDArray[np.int64],
    profile_mm: NDArray[np.float64],
    profile_turns: int,
    line_mm: NDArray[np.float64],
    noise_mm: float,
    white_mm: float,
    wander_mm2: float,
    kappa_per_rev: float,
    length_mm: float,
    stations_mm2: float,
) -> TurnPosition:
    """Position over one turn. All arrays (stations,); line_mm: shape of the whole belt's path, any mean.

    reading_mm NaN = not seen. profile_turns 0: no profile yet, nothing can be left out.
    noise_mm: of a sample, against which stations are told; white_mm: the same with heavy tails, for the error.
    stations_mm2: variance of the mean reading by stations displaced between two marks.
    """
    cells = reading_mm.size
    rest = reading_mm - profile_mm - line_mm
    seen = np.isfinite(rest)
    used = seen.copy()
    if profile_turns and seen.any():
        variance = wander_mm2 * (1.0 + 1.0 / profile_turns) + noise_mm**2 / np.maximum(samples, 1) * (
            1.0 + 1.0 / profile_turns
        )
        sigma = np.sqrt(variance + (0.25 * np.abs(np.gradient(profile_mm))) ** 2)
        centre = median(rest[seen])
        out = seen & (np.abs(rest - centre) > OUT_SIGMAS * sigma)
        if out.any():
            lone = out & ~np.roll(out, 1) & ~np.roll(out, -1)
            out &= ~lone | (np.abs(rest - centre) > 8.0 * sigma)
            wide = _widen(out & ~lone, max(1, round(NEIGHBOURS_MM / length_mm * cells)))
            used &= ~(wide | out)
    seen_count = int(np.count_nonzero(seen))
    share = float(np.count_nonzero(used)) / max(seen_count, 1)
    if share < LEAST_SHARE or seen_count < LEAST_SEEN * cells:
        return TurnPosition(math.nan, math.nan, seen & ~used, share)
    x = np.arange(cells)
    filled = rest.copy()
    if not used.all():
        filled[~used] = np.interp(x[~used], x[used], _smooth(rest, used)[used])
    position = math.fsum((filled + line_mm).tolist()) / cells
    if not profile_turns and not seen.all():
        position = math.fsum((np.interp(x, x[seen], reading_mm[seen], period=cells)).tolist()) / cells
    noise = (
        white_mm**2 * math.fsum((1.0 / np.maximum(samples[used], 1)).tolist()) / max(int(used.sum()), 1) ** 2
    )
    filled_wander = 0.0 if used.all() else _filled_mm2(seen, used, wander_mm2, kappa_per_rev)
    missing_profile = 0.0 if profile_turns else ((1.0 - share) * float(np.nanstd(reading_mm))) ** 2
    return TurnPosition(
        position, math.sqrt(noise + filled_wander + stations_mm2 + missing_profile), seen & ~used, share
    )


def _filled_mm2(
    seen: NDArray[np.bool_], used: NDArray[np.bool_], wander_mm2: float, kappa_per_rev: float
) -> float:
    """Variance of the mean by what the belt wandered where stations were filled, mm2.

    A wander whose ends are known is a Brownian bridge, nearly: over h revolutions its integral has the variance
    2 s2 kappa h^3 / 12, with one end known 2 s2 kappa h^3 / 3, and never more than s2 h^2. A section that is out has
    soft ends: there one counts as known.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (~used).astype(np.int8), [0]))))
    starts, ends = edges[::2], edges[1::2]
    h = (ends - starts) / used.size
    left_out = np.concatenate(([0], np.cumsum(seen & ~used)))
    soft = (starts == 0) | (ends == used.size) | (left_out[ends] > left_out[starts])
    bridge = 2.0 * kappa_per_rev * h / np.where(soft, 3.0, 12.0)
    return wander_mm2 * float(np.sum(h * h * np.minimum(bridge, 1.0)))


def _widen(out: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Each run of stations grown on both sides by `reach` or half its own length: a section has soft ends."""
    wide = out.copy()
    at = np.flatnonzero(out)
    if at.size == 0:
        return wide
    for run in np.split(at, np.flatnonzero(np.diff(at) > reach) + 1):
        grow = max(reach, run.size // 2) if run.size > 1 else 1
        wide[np.arange(run[0] - grow, run[-1] + grow + 1) % out.size] = True
    return wide


def _smooth(rest: NDArray[np.float64], used: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Running mean over nine stations of those in use; its own value where it stands alone."""
    kernel = np.ones(9)
    total = np.convolve(np.where(used, rest, 0.0), kernel, mode="same")
    count = np.convolve(used.astype(np.float64), kernel, mode="same")
    return total / np.maximum(count, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class FirstFit:
    """Camber (stations,) mm, zero-mean; level (mm, at mid-turn) of each turn; walk (mm/rev) with its spread.

    ramp_mm: (stations,) what the walk adds to each turn about its level, drawn to nil where it may be wander.
    """

    profile_mm: NDArray[np.float64]
    ramp_mm: NDArray[np.float64]
    levels_mm: tuple[float, ...]
    walk_mm_per_rev: float
    walk_se_mm_per_rev: float


def fit_first_turns(readings_mm: NDArray[np.float64], wander_mm2: float, kappa_per_rev: float) -> FirstFit:
    """Camber, levels and walk from the first turns together. readings_mm: (turns, stations), NaN = not seen."""
    turns, cells = readings_mm.shape
    steps = []
    for k in range(1, turns):
        difference = readings_mm[k] - readings_mm[k - 1]
        seen = np.isfinite(difference)
        steps.append(median(difference[seen]) if seen.sum() > cells // 10 else math.nan)
    levels = np.concatenate(([0.0], np.cumsum(np.nan_to_num(np.array(steps))))) if steps else np.zeros(1)
    mean_wander = wander_mm2 * min(
        1.0, 2.0 / max(kappa_per_rev, 1e-9)
    )  # variance of a whole turn's mean, nearly
    known = [s for s in steps if s == s]
    walk = sum(known) / len(known) if known else math.nan
    walk_se = math.sqrt(2.0 * mean_wander) / len(known) if known else math.nan
    slope = walk**3 / (walk**2 + walk_se**2) if known else 0.0  # drawn to nil where it may be wander
    u = (np.arange(cells) + 0.5) / cells - 0.5
    freed = readings_mm - levels[:, None] - slope * u
    profile = _nanmean(freed)
    seen = np.isfinite(profile)
    mean = float(np.mean(profile[seen])) if seen.any() else 0.0
    return FirstFit(profile - mean, slope * u, tuple((levels + mean).tolist()), walk, walk_se)


def _nanmean(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    seen = np.isfinite(rows)
    count = seen.sum(axis=0)
    total = np.where(seen, rows, 0.0).sum(axis=0)
    mean = np.full(rows.shape[1], np.nan)
    mean[count > 0] = total[count > 0] / count[count > 0]
    return mean
