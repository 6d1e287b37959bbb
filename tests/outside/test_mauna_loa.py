"""The CO2 of Mauna Loa, a yearly cycle on a true drift: separated as walk and camber, a year as a revolution.

Data: weekly CO2 in air, Mauna Loa Observatory, 1958 to 2001, as statsmodels ships it (Keeling and Whorf);
1 ppm is taken as 1 mm. Published: yearly means 315.98 ppm in 1959 and 369.7 ppm in 2000, so 1.31 ppm a year;
the yearly swing is 5 to 7 ppm, highest in May, lowest in September to October (Keeling and others, Tellus 28,
1976; all from memory). statsmodels' STL on the same series is a reference that needs no memory.

The blocks are run as the program runs them: camber and walk of the first turns together, then the walk
estimator on what the camber leaves, and each turn added to the camber once its walk is known. The watch for a
change of speed is left out: a year does not stop.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.datasets import co2
from statsmodels.tsa.seasonal import STL

from monitor.detection.position import fit_first_turns
from monitor.detection.walk import WalkEstimator
from monitor.numerics.wander import fit_line
from monitor.revolutions.profile import Profile

Floats = NDArray[np.float64]
FIRST_YEAR, YEARS = 1959, 42
CELLS, STEPS, FIRST_TURNS = 256, 64, 3
WEATHER_PPM2, WEATHER_PER_YEAR = 0.25, 1.0  # good and bad years of plant growth: half a ppm, for about a year
NOISE_PPM2 = 0.01
LIMIT_PPM = 0.5


@functools.cache
def series() -> tuple[Floats, Floats]:
    """(year, ppm), weekly, gaps filled from their neighbours."""
    data = co2.load_pandas().data["co2"].interpolate()
    year = data.index.year + (data.index.day_of_year - 0.5) / 365.25
    return np.asarray(year, float), np.asarray(data, float)


@dataclass(frozen=True)
class Separated:
    """What came out: camber (CELLS,), walk and its spread at the end of each year, drift alarms (year)."""

    profile: Floats
    walks: Floats
    spreads: Floats
    drift_years: tuple[float, ...]


@functools.cache
def separated() -> Separated:
    year, ppm = series()
    grid = FIRST_YEAR + (np.arange(YEARS * CELLS) + 0.5) / CELLS
    rows = np.interp(grid, year, ppm).reshape(YEARS, CELLS)
    profile, walk = Profile(CELLS), WalkEstimator(LIMIT_PPM, 10_000.0, STEPS)
    walk.s2_mm2, walk.kappa_per_rev = WEATHER_PPM2, WEATHER_PER_YEAR
    profile.replace(
        fit_first_turns(rows[:FIRST_TURNS], WEATHER_PPM2, WEATHER_PER_YEAR).profile_mm, FIRST_TURNS
    )
    walk.start(float(FIRST_TURNS), [], 4.0 * LIMIT_PPM)
    walks, spreads, alarms = [], [], []
    for k in range(FIRST_TURNS, YEARS):
        left = (rows[k] - profile.mm).reshape(STEPS, -1).mean(axis=1)
        for i, value in enumerate(left):
            found = walk.step(k + i / STEPS, k + (i + 1) / STEPS, float(value), NOISE_PPM2)
            alarms += [k + i / STEPS for f in found if getattr(f, "name", "") == "walk-begins"]
        fit = walk.walk
        walks.append(fit.slope_mm_per_rev)
        spreads.append(fit.slope_se_mm_per_rev)
        line = walk.path(k + (np.arange(CELLS) + 0.5) / CELLS)
        profile.add(rows[k] - rows[k].mean() - (line - line.mean()))
    return Separated(profile.mm, np.array(walks), np.array(spreads), tuple(alarms))


def test_the_growth_rate_is_that_published() -> None:
    """The line through all that the camber leaves, wander allowed for."""
    year, ppm = series()
    grid = FIRST_YEAR + (np.arange(YEARS * STEPS) + 0.5) / STEPS
    camber = np.tile(separated().profile.reshape(STEPS, -1).mean(axis=1), YEARS)
    left = np.interp(grid, year, ppm) - camber
    fit = fit_line(
        [1.0 / STEPS] * left.size,
        left.tolist(),
        [NOISE_PPM2] * left.size,
        WEATHER_PPM2,
        WEATHER_PER_YEAR,
    )
    print(f"growth {fit.slope_mm_per_rev:.3f} +- {fit.slope_se_mm_per_rev:.3f} ppm a year")
    assert fit.slope_mm_per_rev == pytest.approx(1.31, abs=0.04)


def test_the_walk_of_single_years() -> None:
    """Growth differs from year to year; its middle is the published one, give or take a quarter."""
    walks = separated().walks
    known = walks[np.isfinite(walks)]  # a line that began in a year's last weeks has no slope yet: unknown
    print(f"median walk {np.median(known):.3f} ppm a year, {walks.size - known.size} unknown")
    assert known.size >= walks.size - 2
    assert np.median(known) == pytest.approx(1.31, abs=0.33)


def test_the_growth_is_called_drift() -> None:
    """It was near the limit of 0.5 ppm a year in the first years and well above it later."""
    assert separated().drift_years
    assert separated().drift_years[0] < 10.0


def test_the_seasonal_cycle_is_that_of_the_reference() -> None:
    profile = separated().profile
    share = (np.arange(CELLS) + 0.5) / CELLS
    print(
        f"swing {np.ptp(profile):.2f} ppm, against STL {np.std(profile - reference_cycle(share)):.3f} ppm rms"
    )
    assert 5.0 < np.ptp(profile) < 7.0
    assert 4.0 / 12 < share[int(np.argmax(profile))] < 6.0 / 12
    assert 8.0 / 12 < share[int(np.argmin(profile))] < 10.5 / 12
    assert float(np.std(profile - reference_cycle(share))) < 0.15


def reference_cycle(share: Floats) -> Floats:
    """Mean seasonal part by statsmodels' STL on a grid of 52 values a year."""
    year, ppm = series()
    grid = FIRST_YEAR + (np.arange(YEARS * 52) + 0.5) / 52
    seasonal = np.asarray(STL(np.interp(grid, year, ppm), period=52, robust=True).fit().seasonal)
    mean = seasonal.reshape(YEARS, 52).mean(axis=0)
    found: Floats = np.interp(share, (np.arange(52) + 0.5) / 52, mean - mean.mean(), period=1.0)
    return found
