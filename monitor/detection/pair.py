"""What the pair of pulleys says together: the same belt edge passes both sensors, one carry length apart.

Model. Both profiles are the same camber, the drive's delayed by a known share of a revolution, each with
errors of its own: white noise of the sensor and the belt's wander, which differs at the two pulleys. Over
`turns` turns a harmonic's coefficient c_k = sum(y exp(-2 pi i k u)) / cells has the error variance

    v_k = (noise^2 / samples + 2 s2 (kappa / (kappa^2 + w^2) + E)) / turns,    w = 2 pi k,
    E = (1 - exp(-kappa)) (w^2 - kappa^2) / (kappa^2 + w^2)^2

(samples: of a turn; s2, kappa: variance of the wander and its decay per revolution, an Ornstein-Uhlenbeck
process, integrated over one revolution, whose two ends need not meet: E).

Better profiles. If the two agree, the inverse-variance mean of both is the best estimate of each harmonic,
and its variance is half of either's. Whether they agree is asked octave by octave: what the mean squared
difference exceeds v_own + v_other by is put down to a true difference (run-out of one pulley, an edge that
runs otherwise there, a delay not known well) and counts as an error of the other, so that its weight
v_own / (v_own + v_other + excess) falls to nothing where they differ. Single harmonics that stand out
(a run-out nearly commensurate with the belt) are left alone.

A sensor that lies. Gain: the regression of one profile on the other, corrected for the errors in both, is 1
unless the scale of one of them is wrong; the regression of a turn on the sensor's own profile is 1 unless
its scale changed, and that one tells which sensor it is. Lag: a sensor that has become slow sees the belt
later than its own profile says, while the others do not. A finding needs a departure worth telling and
LIE_SIGMAS standard errors, which are enlarged by what the residuals exceed their variance by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..numerics.median import median

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
LIE_SIGMAS = 5.0
LIE_GAIN = 0.15  # a scale wrong by less than this is not worth a note
LIE_LAG_REV = 0.004  # ... and a lag of less than this: 4 cm of a belt of 10 m
TRUE_GAIN = 0.07  # a scale right again
MATCH_HARMONICS = 40  # harmonics that gain and lag are told from
ANGLES = 2.0 * math.pi * np.arange(1, MATCH_HARMONICS + 1)
MATCH_TURNS = 9  # turns a profile must have before it is compared: until then run-out may still be in it
LATEST_TURNS = 2  # turns running that must show the new gain, each one and both together
BAD_FIT = 4.0  # residual variance, against what it should be, from which a lag is searched for
# a slow sensor is late; early only by a grid that is wrong
LAGS_REV: NDArray[np.float64] = 0.0025 * np.arange(-4.0, 25.0)
NO_LAG = 4  # place of the lag of nil
LAG_SHARE = 0.6  # a lag has to bring the misfit down to this share of what it was
CLEAR = 3.0  # what a wrong gain explains must be so many times what it leaves: a section or a walk is no gain
LONE = 12.0  # a harmonic that differs this many times more than it should is left alone: 6 in a million
OUT_SIGMAS = 4.5  # stations out of line


def spectrum(mm: Floats) -> Complexes:
    """Coefficients of harmonics 0, 1, ... of a zero-mean cell profile, mm."""
    found: Complexes = np.asarray(np.fft.rfft(mm) / mm.size, np.complex128)
    return found


def error_variance(
    harmonics: int, noise_mm: float, samples: float, wander_mm2: float, kappa_per_rev: float, turns: float
) -> Floats:
    """v_k of the module's opening lines for k = 0 ... harmonics - 1, mm2. samples: good ones in a turn."""
    k = np.arange(harmonics)
    kappa, w2 = kappa_per_rev, (2.0 * math.pi * k) ** 2
    ends = -math.expm1(-kappa) * (w2 - kappa**2) / (kappa**2 + w2) ** 2
    wander = 2.0 * wander_mm2 * (kappa / (kappa**2 + w2) + ends)
    return np.asarray((noise_mm**2 / max(samples, 1.0) + wander) / max(turns, 1.0), np.float64)


def shifted(coefficients: Complexes, later_rev: float | Floats) -> Complexes:
    """The same profile, seen later by so many revolutions; (lags, 1) of them give (lags, harmonics)."""
    k = np.arange(coefficients.size)
    moved: Complexes = coefficients * np.exp(-2j * math.pi * k * later_rev)
    return moved


def borrowed(own: Complexes, other: Complexes, own_var: Floats, other_var: Floats) -> Complexes:
    """What to add to `own` for the best estimate from both; `other` already moved to own's stations."""
    difference = other - own
    power = np.abs(difference) ** 2
    total = own_var + other_var
    lone = power > LONE * total
    calm, excess = ~lone, np.full(own.size, np.inf)
    more = power - total
    low = 1
    while low < own.size:
        band = slice(low, 2 * low)
        among = more[band][calm[band]]
        if 2 * among.size >= calm[band].size:
            excess[band] = max(0.0, float(among.sum()) / among.size)
        low *= 2
    added: Complexes = np.where(calm, own_var / (total + excess), 0.0) * difference
    return added


@dataclass(frozen=True, slots=True)
class Gain:
    """Regression of one profile on another: gain with its standard error, lag in revolutions with its own."""

    gain: float
    gain_se: float
    lag_rev: float
    lag_se_rev: float
    misfit: float = 0.0  # power left over, as a share of that of the profile

    @property
    def lies(self) -> bool:
        """The gain is not 1, by more than chance and by more than may be."""
        off = abs(math.log(self.gain)) if self.gain > 0.0 else math.inf
        least = LIE_SIGMAS * self.gain_se / max(min(self.gain, 1.0), 0.1)
        clear = (self.gain - 1.0) ** 2 >= CLEAR * self.misfit
        return clear and off > LIE_GAIN and off > least


@dataclass(slots=True)
class _Sums:
    """Sums of a weighted regression y = gain x, lagged."""

    xy: float = 0.0
    xx: float = 0.0
    lag: float = 0.0
    slope: float = 0.0
    rest: float = 0.0
    freedom: float = 0.0

    def add(self, y: Complexes, x: Complexes, y_var: Floats, x_var: Floats) -> None:
        """One turn (or profile) against another: harmonics 1 to MATCH_HARMONICS."""
        n = min(MATCH_HARMONICS + 1, y.size)
        y, x, weight = y[1:n], x[1:n], 1.0 / (y_var[1:n] + x_var[1:n])
        angle = ANGLES[: n - 1]
        walk = (
            1j / angle
        )  # a walk over the turn that was not taken out: a sawtooth, which says nothing of gain
        back, size = walk.conj(), float((weight * np.abs(walk) ** 2).sum())
        y = y - walk * (float((weight * (y * back).real).sum()) / size)
        x = x - walk * (float((weight * (x * back).real).sum()) / size)
        both, large = y * x.conj(), np.abs(x)
        self.xy += float((weight * both.real).sum())
        self.xx += float((weight * (large**2 - x_var[1:n])).sum())
        self.lag -= float((weight * angle * both.imag).sum())
        self.slope += float((weight * (angle * large) ** 2).sum())
        gain = self.xy / self.xx if self.xx > 0.0 else 1.0
        self.rest += float((weight * np.abs(y - gain * x) ** 2).sum())
        self.freedom += n - 2.0

    def answer(self) -> Gain | None:
        """None where there is no camber to tell it from."""
        if self.xx <= 0.0 or self.slope <= 0.0 or self.freedom <= 0.0:
            return None
        gain = self.xy / self.xx
        rough = max(1.0, self.rest / self.freedom)
        lag = self.lag / (self.slope * max(gain, 0.1))
        gain_se = math.sqrt(0.25 * rough * (1.0 + gain**2) / self.xx)
        lag_se = math.sqrt(0.5 * rough / self.slope) / max(gain, 0.1)
        return Gain(gain, gain_se, lag, lag_se, self.rest / self.xx)


def _in_line(turn_mm: Floats, profile_mm: Floats) -> Floats | None:
    """The turn with stations not seen, and sections out of line, filled with its own gain times the profile.

    Robust regression with a level (Tukey's fence at OUT_SIGMAS of the median absolute residual, repeated), so
    that neither a section that wobbles makes a gain up, nor a wrong gain looks like sections out of line.
    """
    seen = np.isfinite(turn_mm)
    if 2 * int(seen.sum()) < seen.size:
        return None
    used, gain, level = seen, 1.0, 0.0
    for _ in range(4):
        x, y = profile_mm[used], turn_mm[used]
        x_mean, y_mean = float(x.mean()), float(y.mean())
        x -= x_mean
        spread = float((x * x).mean())
        if spread <= 0.0:
            return None
        gain = float((x * (y - y_mean)).mean()) / spread
        level = y_mean - gain * x_mean
        rest = np.abs(turn_mm - level - gain * profile_mm)
        before, used = used, seen & (rest <= OUT_SIGMAS * 1.4826 * median(rest[seen]) + 1e-9)
        if 2 * int(used.sum()) < seen.size:
            return None
        if np.array_equal(used, before):
            break
    return np.where(used, turn_mm, level + gain * profile_mm)


def _turn_gain(turn_mm: Floats, profile_mm: Floats, turn_var: Floats, own_var: Floats) -> Gain | None:
    """Gain and lag of one turn against a profile. A lag is searched for where the profile as it is fits badly."""
    filled = _in_line(turn_mm, profile_mm)
    if filled is None:
        return None
    sums = _Sums()
    x = spectrum(profile_mm)
    sums.add(spectrum(filled), x, turn_var, own_var)
    if sums.rest <= BAD_FIT * sums.freedom:
        return sums.answer()
    later = np.fft.irfft(shifted(x, LAGS_REV[:, None]) * profile_mm.size, profile_mm.size)
    misfit = [_misfit(turn_mm, moved) for moved in later]
    best = int(np.argmin(misfit))
    filled = _in_line(turn_mm, later[best])
    if misfit[best] > LAG_SHARE * misfit[NO_LAG] or filled is None:
        return sums.answer()
    lag_rev = float(LAGS_REV[best])
    sums = _Sums()
    sums.add(spectrum(filled), shifted(x, lag_rev), turn_var, own_var)
    found = sums.answer()
    return None if found is None else replace(found, lag_rev=found.lag_rev + lag_rev)


def _misfit(turn_mm: Floats, profile_mm: Floats) -> float:
    """Median absolute residual of the turn against a profile of its size, any level, mm."""
    rest = (turn_mm - profile_mm)[np.isfinite(turn_mm)]
    return median(np.abs(rest - median(rest)))


def _one_sided(values: list[float]) -> bool:
    return all(v > 0.0 for v in values) or all(v < 0.0 for v in values)


def compare(y: Complexes, x: Complexes, y_var: Floats, x_var: Floats) -> Gain | None:
    """One profile against the other, moved to its stations."""
    sums = _Sums()
    sums.add(y, x, y_var, x_var)
    return sums.answer()


@dataclass(frozen=True, slots=True)
class LieFinding:
    """A sensor cannot be telling the truth, or can again. other: the sensor it disagrees with (-1: its own past).

    figure: the gain (scale) or the lag in revolutions (lag) that tells it.
    """

    name: Literal["sensor-scale", "sensor-lag"]
    sensor: int
    other: int
    active: bool
    figure: float


class MatchWatch:
    """Compares every sensor's turns with its own profile, and profiles of one edge at the two pulleys."""

    def __init__(self, sensors: int) -> None:
        self._own: list[list[Gain]] = [[] for _ in range(sensors)]  # the latest turns, one each
        self._told: set[tuple[str, int, int]] = set()
        self._between: dict[tuple[int, int], float] = {}  # gain of a sensor on another, where it is told

    def forget(self) -> None:
        """Travel was uncertain: what was gathered of the latest turns says nothing."""
        self._own = [[] for _ in self._own]

    def take(
        self, sensor: int, turn_mm: Floats, profile_mm: Floats, turn_var: Floats, own_var: Floats
    ) -> None:
        """One turn of a sensor, (cells,) mm, NaN = not seen, and its profile, with the variances of both."""
        found = _turn_gain(turn_mm, profile_mm, turn_var, own_var)
        if found is not None:
            self._own[sensor] = [*self._own[sensor][1 - LATEST_TURNS :], found]

    def own(self, sensor: int) -> Gain | None:
        """The latest turns of a sensor against its own profile; None before there are enough.

        Of gain and lag that which is nearest to none: every one of the turns must show a lie.
        """
        turns = self._own[sensor]
        if len(turns) < LATEST_TURNS:
            return None
        gain = min(turns, key=lambda g: abs(g.gain - 1.0))
        lag = min(turns, key=lambda g: abs(g.lag_rev))
        misfit = max(g.misfit for g in turns)
        if not _one_sided([g.gain - 1.0 for g in turns]):
            gain = replace(gain, gain=1.0)
        if not _one_sided([g.lag_rev for g in turns]):
            lag = replace(lag, lag_rev=0.0)
        return Gain(gain.gain, gain.gain_se, lag.lag_rev, lag.lag_se_rev, misfit)

    def lying(self, sensor: int) -> bool:
        """This sensor, and no other, was found not to tell what it told before."""
        told = self._told
        return bool(told) and (("sensor-scale", sensor, -1) in told or ("sensor-lag", sensor, -1) in told)

    def judge_own(self) -> list[LieFinding]:
        """After a turn of all sensors: whose scale changed, whose answer has become late against the others'?"""
        gains = [self.own(s) for s in range(len(self._own))]
        found: list[LieFinding] = []
        for s, g in enumerate(gains):
            if g is None:
                continue
            others = [o for k, o in enumerate(gains) if k != s and o is not None]
            alone = bool(others) and all(not o.lies for o in others)
            bad = g.lies and (alone or not others)
            found += self._change("sensor-scale", s, -1, bad, abs(g.gain - 1.0) < TRUE_GAIN, g.gain)
            if others:
                # travel put right or wrong moves all sensors alike: only what one has of its own counts
                least = min(others, key=lambda o: abs(g.lag_rev - o.lag_rev))
                lag, se = g.lag_rev - least.lag_rev, math.hypot(g.lag_se_rev, least.lag_se_rev)
                first = abs(g.lag_rev) > abs(least.lag_rev)
                late = lag > LIE_LAG_REV and lag > LIE_SIGMAS * se and first
                found += self._change("sensor-lag", s, -1, late, abs(lag) < 0.5 * LIE_LAG_REV, lag)
        return found

    def judge_pair(self, sensor: int, other: int, between: Gain | None) -> list[LieFinding]:
        """The profiles of one edge at two pulleys, `sensor` on `other`."""
        if between is None:
            return []
        found = self._change(
            "sensor-scale", sensor, other, between.lies, abs(between.gain - 1.0) < TRUE_GAIN, between.gain
        )
        self._between.pop((sensor, other), None)
        if ("sensor-scale", sensor, other) in self._told:
            self._between[sensor, other] = between.gain
        return found

    def scale_spread(self, sensor: int) -> float:
        """Root mean square error of a sensor's scale, as a share: one of two that disagree is off, either as likely."""
        gains = [g for pair, g in self._between.items() if sensor in pair and g > 0.0]
        return max((max(g, 1.0 / g) - 1.0 for g in gains), default=0.0) / math.sqrt(2.0)

    def _change(
        self,
        name: Literal["sensor-scale", "sensor-lag"],
        s: int,
        o: int,
        bad: bool,
        good: bool,
        figure: float,
    ) -> list[LieFinding]:
        key = (name, s, o)
        was = key in self._told
        if bad and not was:
            self._told.add(key)
        elif good and was and not bad:
            self._told.remove(key)
        else:
            return []
        return [LieFinding(name, s, o, bad, figure)]

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
