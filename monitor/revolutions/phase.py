"""Where on its way round a belt without a mark is, told eight times a turn from its own camber.

Model of a window of an eighth of a turn at one sensor: reading = camber(station + slip) + level + slope +
wander + white noise; the slip is by how far the belt is ahead of where travel puts it. With the covariance C of
all that is not camber (level and slope as wide priors, wander Ornstein-Uhlenbeck, white noise by samples) the
log-likelihood of a slip is -r'C^-1 r / 2, laid out over a grid of slips: generalised least squares, which is
maximum likelihood in normal noise (Kincaid and Scudder 1968 for the period of a periodic signal). Sensors add
their log-likelihoods. Camber is interpolated through its Fourier series, since interpolation on lines smooths
its noise between stations and draws every slip there.

The bound (Cramer-Rao): one window tells the slip no better than 1/J, J = sum over sensors of d'C^-1 d, d the
slope of camber; over order k the whole turn gives J = sum 2 (2 pi k)^2 |c_k|^2 / P_k, P_k the power of wander
and noise there. Turns of N at a constant speed against an unknown camber then give the period to
12 / (J N (N^2 - 1)), 5 turns 0.1 / J. A camber of 8 mm peak to peak in a wander of 0.1 mm gives 0.06 % by its
first wave alone; a texture of 0.1 mm rms and 40 mm length, in white noise, 0.003 %, so that fine stations tell
the most. But the speed itself wanders by 0.05 to 0.2 %, and what happened since the last window nobody has seen:
to follow it, not to know the mean, decides. Slip and relative speed are the state of a Kalman filter whose
speed is a random walk as large as turns are seen to differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

WINDOWS = 8  # a turn
FINE = 4  # slips told in this part of a station
REACH = 5  # stations of slip looked for, either way
LEAST_SEEN = 0.4  # of a window's stations
MISFIT = 3.0  # chi-square per degree of freedom from which a window is not the belt as it is known
SURPRISE = 4.0  # standard deviations of a slip beyond which it is believed only when the next one says so too
MUTE = 4  # windows in a row that tell nothing, after which travel by ticks is doubted
LEVEL_MM2 = 100.0  # prior variance of a window's level
SLOPE_MM2 = 4.0  # ... and of how far it goes across the window
FIRST_SLIP_REV = 0.003  # spread at the start: of the seam of the first turn
FIRST_SPEED = 0.003  # ... and of the relative speed
LEAST_CHANGE = 0.0004  # relative change of speed from turn to turn is never thought smaller
TICKS_CHANGE = 0.0001  # ... of ticks a revolution

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class WindowRow:
    """One sensor's window: readings and their noise variance, (stations,), NaN = not seen.

    camber_fine_mm: all round, from `finely`. first: the window's first station.
    """

    reading_mm: Floats
    noise_mm2: Floats
    camber_fine_mm: Floats
    first: int
    wander_mm2: float
    kappa_per_rev: float


def finely(camber_mm: Floats, noise_mm2: float, wander_mm2: float, kappa_per_rev: float) -> Floats:
    """A camber between its stations by its Fourier series: (stations,) -> (FINE * stations,), mm.

    Each wave is drawn to nil by the share of its power, and that of its neighbours in order, that is noise
    (Wiener 1949): noise in a camber looks like texture and makes wrong slips look likely. noise_mm2,
    wander_mm2, kappa_per_rev: white noise of a station and wander as left in the camber.
    """
    n = camber_mm.size
    waves = np.fft.rfft(camber_mm) / n
    order = np.arange(waves.size)
    power = np.concatenate((np.zeros(1), np.cumsum(np.abs(waves) ** 2)))
    low = np.maximum(order - order // 4, 1)
    high = np.minimum(order + order // 4 + 1, waves.size)
    around = (power[high] - power[low]) / np.maximum(high - low, 1)
    noise = (
        noise_mm2 + 2.0 * wander_mm2 * kappa_per_rev * n / (kappa_per_rev**2 + (2.0 * np.pi * order) ** 2)
    ) / n
    gain = np.clip(1.0 - noise / np.maximum(around, 1e-12), 0.0, 1.0)
    fine: Floats = np.fft.irfft(waves * gain, FINE * n) * (FINE * n)
    return fine


def log_likelihood(row: WindowRow, stations: int) -> tuple[Floats, int] | None:
    """(-2 log likelihood over slips of -REACH to REACH stations in steps of 1/FINE, degrees of freedom).

    Up to a constant. None: too little was seen.
    """
    at = np.flatnonzero(np.isfinite(row.reading_mm))
    if at.size < LEAST_SEEN * row.reading_mm.size:
        return None
    x = at / stations
    across = (at - at.mean()) / row.reading_mm.size
    cov = row.wander_mm2 * np.exp(-row.kappa_per_rev * np.abs(x[:, None] - x[None, :]))
    cov += LEVEL_MM2 + SLOPE_MM2 * across[:, None] * across[None, :]
    cov[np.diag_indices(at.size)] += row.noise_mm2[at]
    slips = np.arange(-REACH * FINE, REACH * FINE + 1)
    place = (FINE * (row.first + at)[:, None] + slips[None, :]) % row.camber_fine_mm.size
    rest = row.reading_mm[at][:, None] - row.camber_fine_mm[place]
    white = np.linalg.solve(np.linalg.cholesky(cov), rest)
    return np.sum(white * white, axis=0), int(at.size) - 2


@dataclass(frozen=True, slots=True)
class Slip:
    """How far the belt was ahead of travel in the middle of a window, revolutions, with its variance."""

    rev: float
    variance: float


def find_slip(rows: list[WindowRow], stations: int, spread_rev: float) -> Slip | None:
    """The most likely slip by all sensors that fit. None: no sensor tells it.

    spread_rev: standard deviation of what is expected; among several likely
    slips (texture looks alike in many places) it decides.
    """
    told = [t for t in (log_likelihood(row, stations) for row in rows) if t is not None]
    total = np.zeros(2 * REACH * FINE + 1)
    heard = False
    for chi2, dof in told:
        misfit = float(chi2.min()) / max(dof, 1)
        if misfit <= MISFIT:
            total += chi2 / max(misfit, 1.0)
            heard = True
    slips = np.arange(-REACH * FINE, REACH * FINE + 1) / (FINE * stations)
    k = int(np.argmin(total + (slips / spread_rev) ** 2))
    if not heard or not 0 < k < total.size - 1:
        return None
    bend = float(total[k - 1] - 2.0 * total[k] + total[k + 1])
    if bend <= 0.0:
        return None
    shift = 0.5 * float(total[k - 1] - total[k + 1]) / bend
    step = 1.0 / (FINE * stations)
    return Slip((k + shift - REACH * FINE) * step, 2.0 * step * step / bend)


class PhaseFilter:
    """Slip and relative speed of the belt against travel, from window to window."""

    def __init__(self) -> None:
        self._pxx, self._pxv, self._pvv = FIRST_SLIP_REV**2, 0.0, FIRST_SPEED**2
        self._odd = 0.0  # the last slip, when it was not believed
        self.told = 0  # windows believed
        self.silent = 0  # windows since the last that told something

    def se_rev(self, du_rev: float = 0.0) -> float:
        """Standard error of travel so far after the middle of the last window, revolutions."""
        return math.sqrt(self._pxx + du_rev * (2.0 * self._pxv + du_rev * self._pvv))

    def pass_on(self, du_rev: float, change: float) -> None:
        """The belt went on by du_rev. change: relative change of speed from turn to turn, one standard deviation."""
        q = 1.5 * change * change  # two turns of a random walk differ by two thirds of its growth
        self._pxx += du_rev * (2.0 * self._pxv + du_rev * self._pvv) + q * du_rev**3 / 3.0
        self._pxv += du_rev * self._pvv + 0.5 * q * du_rev**2
        self._pvv += q * du_rev
        self.silent += 1

    def surprised(self, slip: Slip) -> bool:
        """Is it farther from nil than can be believed at once?"""
        return slip.rev * slip.rev > SURPRISE**2 * (self._pxx + slip.variance)

    def astray(self, slip: Slip | None) -> bool:
        """Is travel wrong that should be even? To be asked before `heed`; None: the window told nothing."""
        return self.silent >= MUTE if slip is None else self.surprised(slip)

    def heed(self, slip: Slip) -> tuple[float, float]:
        """What travel (revolutions) and speed (relative) are to be put right by."""
        total = self._pxx + slip.variance
        odd, self._odd = self._odd, 0.0
        if self.surprised(slip):
            self._odd = slip.rev
            if odd * slip.rev <= 0.0:
                return 0.0, 0.0
            self._pxx, self._pvv = self._pxx + slip.rev * slip.rev, self._pvv + slip.rev * slip.rev
            total = self._pxx + slip.variance
        kx, kv = self._pxx / total, self._pxv / total
        self._pvv -= kv * self._pxv
        self._pxv -= kv * self._pxx
        self._pxx -= kx * self._pxx
        self.told += 1
        self.silent = 0
        return kx * slip.rev, kv * slip.rev

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
