"""Three methods that an engineer writes in an afternoon, to be measured on the same belts as the program.

All are given what the program has to find for itself: the true travel of every sample. Each calls drift when
its walk reaches `drift_mm_per_rev`, and ends it when the walk is below: the plain choice of a threshold.

- difference: the mean of each whole revolution; walk = difference of two running.
- stl: seasonal-trend decomposition by loess (Cleveland and others 1990; statsmodels, robust), 32 values a
  revolution; walk = change of the trend over the last revolution. Not causal: it sees the whole record.
- exponential: exponential mean of the raw reading, time constant one revolution; walk = its change over one
  revolution, position = its value at the revolution's end.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from statsmodels.tsa.seasonal import STL

from tests.known_truth.belt_truth import Run

Floats = NDArray[np.float64]
CELLS = 32
METHODS = ("difference", "stl", "exponential")


@dataclass(frozen=True)
class Heard:
    """What a method says of one sensor: alarms (begun, ended; in revolutions rolled) and positions."""

    alarms: list[tuple[float, float]]
    positions: list[tuple[float, float, float]]  # start, end (revolutions rolled), mm
    profile: Floats  # (CELLS,) mm, at equal shares of the revolution from travel 0


def hear(run: Run, methods: tuple[str, ...] = METHODS) -> dict[str, dict[str, Heard]]:
    """method -> sensor -> what it says."""
    time, counts = run.samples()
    travel = np.interp(time, run.truth.t_s, run.truth.travel_rev)
    rolled = np.interp(time, run.truth.t_s, run.truth.rolled_rev)
    cell = np.floor(travel * CELLS).astype(int)
    first, count = int(cell.min()), int(cell.max() - cell.min()) // CELLS * CELLS
    found: dict[str, dict[str, Heard]] = {m: {} for m in methods}
    if count < 3 * CELLS:
        return found
    inside = (cell - first) < count
    index = (cell - first)[inside]
    number = np.maximum(np.bincount(index, minlength=count), 1)
    place = np.bincount(index, weights=rolled[inside], minlength=count) / number
    seen = np.bincount(index, minlength=count) > 0
    for sensor in run.station.sensor:
        reading = (counts[inside, sensor.channel] - sensor.zero_counts) / sensor.counts_per_mm
        mean = np.bincount(index, weights=reading, minlength=count) / number
        x = np.arange(count)
        mean = np.interp(x, x[seen], mean[seen])
        at = np.interp(x, x[seen], place[seen])
        limit = run.truth.drift_limit_mm_per_rev
        for method in methods:
            found[method][sensor.name] = _METHODS[method](mean, at, limit)
    return found


def _spells(walk: Floats, at: Floats, limit: float) -> list[tuple[float, float]]:
    """(begun, ended) wherever |walk| reaches the limit."""
    beyond = np.concatenate(([False], np.abs(walk) >= limit, [False])).astype(int)
    starts, ends = np.flatnonzero(np.diff(beyond) == 1), np.flatnonzero(np.diff(beyond) == -1)
    return [
        (float(at[s]), float(at[e]) if e < at.size else float("inf"))
        for s, e in zip(starts, ends, strict=True)
    ]


def _whole(values: Floats, at: Floats) -> list[tuple[float, float, float]]:
    turns = values.size // CELLS
    starts = at[::CELLS]
    return [
        (float(starts[k]), float(starts[k] + 1.0), float(values[k * CELLS : (k + 1) * CELLS].mean()))
        for k in range(turns)
    ]


def _difference(mean: Floats, at: Floats, limit: float) -> Heard:
    rows = mean.reshape(-1, CELLS)
    levels = rows.mean(axis=1)
    walk = np.concatenate(([0.0], np.diff(levels)))
    ends = at[::CELLS] + 1.0
    return Heard(_spells(walk, ends, limit), _whole(mean, at), (rows - levels[:, None]).mean(axis=0))


def _stl(mean: Floats, at: Floats, limit: float) -> Heard:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = STL(mean, period=CELLS, robust=True, low_pass_jump=4, trend_jump=4, seasonal_jump=4).fit()
    trend = np.asarray(fit.trend)
    walk = np.concatenate((np.zeros(CELLS), trend[CELLS:] - trend[:-CELLS]))
    profile = np.asarray(fit.seasonal).reshape(-1, CELLS).mean(axis=0)
    return Heard(_spells(walk, at, limit), _whole(trend, at), profile - profile.mean())


def exponential_mean(values: Floats, weight: float, start: float) -> Floats:
    """Exponential mean after each value; the newest has this weight."""
    level = np.empty_like(values)
    now = start
    for k, value in enumerate(values):
        now += weight * (float(value) - now)
        level[k] = now
    return level


def _exponential(mean: Floats, at: Floats, limit: float) -> Heard:
    level = exponential_mean(mean, 1.0 - math.exp(-1.0 / CELLS), float(mean[:CELLS].mean()))
    walk = np.concatenate((np.zeros(CELLS), level[CELLS:] - level[:-CELLS]))
    rows = mean.reshape(-1, CELLS) - level.reshape(-1, CELLS)
    positions = [(s, e, float(level[(k + 1) * CELLS - 1])) for k, (s, e, _) in enumerate(_whole(mean, at))]
    profile = rows.mean(axis=0)
    return Heard(_spells(walk, at, limit), positions, profile - profile.mean())


_METHODS = {"difference": _difference, "stl": _stl, "exponential": _exponential}
