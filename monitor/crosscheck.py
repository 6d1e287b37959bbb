"""Each profile against its own turns and against the other pulley's: which sensor lies, and what each may borrow.

Composition of monitor.detection.pair with the profiles of monitor.revolutions; the theory stands in the former.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from .detection.pair import (
    MATCH_TURNS,
    Floats,
    LieFinding,
    MatchWatch,
    borrowed,
    compare,
    error_variance,
    spectrum,
)
from .detection.pair import shifted as moved
from .revolutions.period import delay
from .revolutions.profile import MEMORY_TURNS, Profile
from .settings import Sensor

LENGTH_SPREAD = 0.015  # relative error of the length in a station file, one standard deviation
LEAST_DELAY_SE = 0.0005  # revolutions: the delay between two profiles is known no better


class CrossCheck:
    """The sensors of a station, in the station file's order."""

    def __init__(self, sensors: Sequence[Sensor], profiles: list[Profile]) -> None:
        self._profiles = profiles
        self._watch = MatchWatch(len(sensors))
        self._variance = [np.zeros(0)] * len(sensors)  # of one turn's harmonics, mm2
        self.pairs = [
            (i, d)
            for i, infeed in enumerate(sensors)
            for d, drive in enumerate(sensors)
            if (infeed.pulley, drive.pulley) == ("infeed", "drive") and infeed.edge == drive.edge
        ]

    def forget(self) -> None:
        """Travel was uncertain."""
        self._watch.forget()

    def lying(self, sensor: int) -> bool:
        """This sensor, and no other, was found not to tell what it told before."""
        return self._watch.lying(sensor)

    def scale_spread(self, sensor: int) -> float:
        """Root mean square error of this sensor's scale, as a share, by what it is told to disagree with another."""
        return self._watch.scale_spread(sensor)

    def heard(
        self, sensor: int, noise_mm: float, samples: float, wander_mm2: float, kappa_per_rev: float
    ) -> None:
        """What one turn of this sensor is worth: noise of a sample, good samples in it, the pulley's wander."""
        harmonics = self._profiles[sensor].cells // 2 + 1
        self._variance[sensor] = error_variance(harmonics, noise_mm, samples, wander_mm2, kappa_per_rev, 1.0)

    def turn(self, sensor: int, path_free_mm: Floats) -> None:
        """One turn, path of the whole belt taken out, (cells,) mm, NaN = not seen. After `heard`."""
        profile, variance = self._profiles[sensor], self._variance[sensor]
        self._watch.take(sensor, path_free_mm, profile.mm, variance, variance / _worth(profile))

    def judge(self, delay_rev: float) -> list[LieFinding]:
        """After a turn of all sensors. delay_rev: belt path between the pulleys, revolutions."""
        found = self._watch.judge_own()
        for i, d in self.pairs:
            infeed, drive = self._profiles[i], self._profiles[d]
            if min(infeed.turns, drive.turns) < MATCH_TURNS or not self._known(i, d):
                continue
            if self.lying(i) or self.lying(d):
                continue
            x, y = moved(spectrum(infeed.own_mm), delay_rev), spectrum(drive.own_mm)
            variances = self._variance[d] / _worth(drive), self._variance[i] / _worth(infeed)
            between = compare(y, x, *variances)
            if between is not None:  # the delay itself may be known badly: the gain is told in step
                between = compare(y, moved(x, between.lag_rev), *variances)
            found += self._watch.judge_pair(d, i, between)
        return found

    def share(self, delay_rev: float) -> None:
        """Let each profile borrow from that of the same edge at the other pulley what makes it surer."""
        for i, d in self.pairs:
            if not self._known(i, d):
                continue
            own = {s: spectrum(self._profiles[s].own_mm) for s in (i, d)}
            variance = {s: self._variance[s] / _worth(self._profiles[s]) for s in (i, d)}
            for s, o, later_rev in ((i, d, -delay_rev), (d, i, delay_rev)):
                if self.lying(o):
                    self._profiles[s].lend(np.zeros(self._profiles[s].cells))
                    continue
                add = borrowed(own[s], moved(own[o], later_rev), variance[s], variance[o])
                cells = self._profiles[s].cells
                self._profiles[s].lend(np.fft.irfft(add * cells, cells))

    def length_mm(self, carry_mm: float, nominal_mm: float) -> float:
        """The belt's length, mm, from its own camber, which passes the two pulleys carry_mm of belt apart.

        The length in the station file, nominal_mm, counts with its usual spread; alone, where camber tells nothing.
        """
        weight = 1.0 / (LENGTH_SPREAD * nominal_mm) ** 2
        total, expected = nominal_mm * weight, carry_mm / nominal_mm
        for i, d in self.pairs:
            infeed, drive = self._profiles[i].own_mm, self._profiles[d].own_mm
            found, se = delay(drive, infeed, expected, 0.05 * expected)
            if found == found and 0.0 < se < 0.02 and found > 0.0:
                spread = carry_mm / found**2 * max(se, LEAST_DELAY_SE)
                total += carry_mm / found / spread**2
                weight += 1.0 / spread**2
        return total / weight

    def _known(self, i: int, d: int) -> bool:
        return self._variance[i].size > 0 and self._variance[d].size > 0

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


def _worth(profile: Profile) -> float:
    """Turns that a profile is the mean of, as it forgets."""
    return float(min(max(profile.turns, 1), 2 * MEMORY_TURNS - 1))
