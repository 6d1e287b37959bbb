"""Does the belt run as travel says? Told from the camber that passes the sensors.

Between two marks travel is only extrapolated. When the belt stops, starts, changes its speed or
runs backwards, every sensor's reading departs from what its profile says at that travel, all in
the way one travel error explains. Scenarios "since bin b the belt runs at f times its speed" are
laid against the readings, with the profile and each sensor's level before b; the best is taken when
it explains the readings (chi-square near its degrees of freedom) and the present travel does not.
The whole belt's wander is followed, not taken for travel. A section or a walk is no such scenario:
it moves one pulley's reading alone, not along the profile. What moves one sensor's reading along its
own profile is a sensor that lies: its scale changed, or it became slow (`lie_ratio`).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

LIVE_STEPS = 128.0  # live bins a revolution, for the wander between two of them
LOOK = 8  # bins over which a reading is compared with its expected change
TRIGGER_SIGMAS = 5.0  # a change this unexpected makes the scenarios be tried
STARTS = (6, 9, 13, 18, 24)  # bins ago at which the speed may have changed
FACTORS = (0.0, 0.5, 0.65, 0.8, 0.9, 1.1, 1.25, 1.5, 2.0, -1.0)
STOP_FAVOUR = (
    0.7  # chi-square per degree of freedom by which a stop is preferred: belts stop more than they change
)
STILL_BINS = 20  # bins of readings that scatter by white noise alone: the belt stands
STILL_CHI2 = 1.7  # chi-square per degree of freedom that white noise stays below, 20 bins, 99 times in 100
LEAVE_SIGMAS = 5.0  # a standing belt's reading this far from its mean, in two bins running: it runs again
SHOWS = 1.5  # camber's scatter, of the noise's, at which a stretch cannot be taken for standing
STANDING = 48  # bins of a standing belt with which the latest are compared
KEPT = 240  # bins kept
SLOWEST = 0.6  # of its last speed, at which a belt whose speed is not known is thought to run at least
MISFIT = 4.0  # chi-square per degree of freedom, at one sensor, from which the present travel is doubted
GAIN = 16.0  # chi-square that a scenario must save at each of two sensors
SOMEWHAT = 0.35  # of both, where a walk was found and another speed is but a rival to it
FIT = 3.0  # chi-square per degree of freedom that it may leave at each

ProfileMean = Callable[[int, float, float], float]
Wander = Callable[[], tuple[float, float]]  # variance, mm2, and rate, per revolution


@dataclass(frozen=True, slots=True)
class SpeedChange:
    """From start_us on the belt runs at `factor` times its last running speed (0: it stands)."""

    start_us: int
    factor: float


class _Seen(NamedTuple):
    start_us: int
    end_us: int
    u_start: float
    u_end: float
    reading: Sequence[float]
    rest: Sequence[float]
    noise: Sequence[float]


class MotionWatch:
    """Watches all sensors' bins for a change of speed."""

    def __init__(self, sensors: int) -> None:
        self._n = sensors
        self._seen: deque[_Seen] = deque(maxlen=KEPT)
        self._quiet = 0

    def forget(self) -> None:
        """Start anew: travel was put right, or readings before this tell nothing of it."""
        self._seen.clear()

    def step(
        self,
        start_us: int,
        end_us: int,
        u_start: float,
        u_end: float,
        reading_mm: Sequence[float],
        rest_mm: Sequence[float],
        noise_mm2: Sequence[float],
        wander: Wander,
        factor: float,
        turn_us: float,
        mean_over: ProfileMean,
    ) -> SpeedChange | None:
        """One live bin: readings, what is left of them without camber, and the variance of each (NaN = not seen).

        All three are kept: they must not change. wander: of the belt, asked only where it matters.
        """
        self._seen.append(_Seen(start_us, end_us, u_start, u_end, reading_mm, rest_mm, noise_mm2))
        if self._quiet:
            self._quiet -= 1
        if factor == 0.0:
            return self._starts()
        if len(self._seen) < STARTS[1] + LOOK or self._quiet or not self._startled(wander):
            return None
        wander_mm2, kappa_per_rev = wander()
        change = self._try(3.0 * wander_mm2 * kappa_per_rev / LIVE_STEPS, turn_us, mean_over, 1.0)
        if change is None:
            self._quiet = 2  # look again two bins later
        return change

    def still(
        self,
        start_us: int,
        end_us: int,
        reading_mm: Sequence[float],
        white_mm2: Sequence[float],
        bins: int = STILL_BINS,
    ) -> SpeedChange | None:
        """One live bin while travel is uncertain: does the belt stand? Told without travel or profile.

        A standing belt's readings scatter by their white noise alone (white_mm2, of each bin) about one
        value; a running one's by camber and wander too. bins: how many must do so (see `still_bins`).
        """
        self._seen.append(_Seen(start_us, end_us, 0.0, 0.0, reading_mm, reading_mm, white_mm2))
        seen = list(self._seen)[-bins:]
        still = len(seen) == bins and self._scatter_by_noise(seen, bins // 2)
        return SpeedChange(seen[0].start_us, 0.0) if still else None

    def seems_still(self, since_us: float) -> bool:
        """Could the belt have stood since then? Every sensor's readings scatter by their noise about one value."""
        return self._scatter_by_noise([b for b in self._seen if b.start_us >= since_us], LOOK // 2)

    def _scatter_by_noise(self, bins: list[_Seen], least: int) -> bool:
        """Do all sensors heard (in `least` of the bins) keep one value but for their noise? False where none is."""
        heard = False
        for s in range(self._n):
            told = [b for b in bins if b.reading[s] == b.reading[s] and b.noise[s] == b.noise[s]]
            if len(told) < least:
                continue
            heard = True
            if _scatter(told, s) > STILL_CHI2 * (len(told) - 1):
                return False
        return heard

    def _starts(self) -> SpeedChange | None:
        """While the belt stands a reading has no wander and no camber: any lasting change is travel."""
        seen = list(self._seen)[-STANDING:]
        if len(seen) < LOOK + 2:
            return None
        for s in range(self._n):
            still = [b for b in seen[:-2] if b.reading[s] == b.reading[s]]
            last = seen[-2:]
            if len(still) < LOOK or any(b.reading[s] != b.reading[s] for b in last):
                continue
            level = sum(b.reading[s] for b in still) / len(still)
            gone = [(b.reading[s] - level) / math.sqrt(b.noise[s] * (1.0 + 1.0 / len(still))) for b in last]
            if min(gone) > LEAVE_SIGMAS or max(gone) < -LEAVE_SIGMAS:
                return SpeedChange(last[0].start_us, 1.0)
        return None

    def _startled(self, wander: Wander) -> bool:
        now, then = self._seen[-1], self._seen[-1 - LOOK]
        for rest, last, noise, before in zip(now.rest, then.rest, now.noise, then.noise, strict=True):
            change = abs(rest - last)
            if change > TRIGGER_SIGMAS * math.sqrt(noise + before):  # wander makes it only likelier
                travel = max(now.u_end - then.u_end, LOOK / LIVE_STEPS)
                wander_mm2, kappa_per_rev = wander()
                spread = 2.0 * wander_mm2 * -math.expm1(-kappa_per_rev * travel)
                if change > TRIGGER_SIGMAS * math.sqrt(noise + before + spread):
                    return True
        return False

    def might_have_changed(
        self, wander_mm2: float, kappa_per_rev: float, turn_us: float, mean_over: ProfileMean
    ) -> bool:
        """Would another speed explain the latest readings at two sensors, if only somewhat better?"""
        if len(self._seen) < STARTS[1] + LOOK:
            return False
        step_mm2 = 2.0 * wander_mm2 * kappa_per_rev / LIVE_STEPS
        return self._try(step_mm2, turn_us, mean_over, SOMEWHAT) is not None

    def lie_ratio(self, s: int, since_us: float, wander_mm2: float, kappa_per_rev: float) -> float:
        """By how much another scale, or a lag, of sensor s explains its readings since then better than a walk.

        A log likelihood ratio; NaN where too few were seen, or where neither explains enough.

        A sensor whose scale changed shows a share of its camber, one that became slow a share of its slope (and of how
        that bends); a belt that walks shows a ramp. Each is fitted with a free level, to the innovations.
        """
        bins = [b for b in self._seen if b.start_us >= since_us and b.rest[s] == b.rest[s]]
        if len(bins) < LOOK:
            return math.nan
        rest = np.array([b.rest[s] for b in bins])
        camber = np.array([b.reading[s] for b in bins]) - rest
        u = np.array([0.5 * (b.u_start + b.u_end) for b in bins])
        slope = np.gradient(camber)
        columns = np.column_stack((rest, u - u[0], camber, slope, np.gradient(slope)))
        step_mm2 = 2.0 * wander_mm2 * kappa_per_rev / LIVE_STEPS
        white = _whitened(columns, np.array([b.noise[s] for b in bins]), step_mm2)
        walk, scale, lag = (_explained(white[:, 0], white[:, of]) for of in ([1], [2], [3, 4]))
        most = 0.5 * (
            float(white[:, 0] @ white[:, 0]) - FIT * len(bins)
        )  # what a model must explain at least
        lie = max(scale, lag)
        return lie - walk if max(lie, walk) >= most else math.nan

    def _try(
        self, step_mm2: float, turn_us: float, mean_over: ProfileMean, strict: float
    ) -> SpeedChange | None:
        best: tuple[float, SpeedChange] | None = None
        seen = list(self._seen)
        latest = seen[-STARTS[-1] :]
        freed = [
            [b.reading[s] - mean_over(s, b.u_start, b.u_end) for b in latest] for s in range(self._n)
        ]  # by travel as it was taken
        for back in STARTS:
            if len(seen) < back + LOOK:
                break
            bins, before = seen[-back:], seen[-back - LOOK : -back]
            levels = [_mean([b.rest[s] for b in before]) for s in range(self._n)]
            now = [_misfit(s, bins, freed[s][-back:], levels[s], step_mm2) for s in range(self._n)]
            if not any(chi > strict * MISFIT * dof > 0 for chi, dof in now):
                continue
            for f in FACTORS:
                left = self._left(now, bins, f, turn_us, levels, step_mm2, mean_over)
                if left is not None and self._explains(now, left, strict):
                    total = sum(left) / sum(dof for _, dof in now)
                    total -= STOP_FAVOUR if f == 0.0 else 0.0
                    if best is None or total < best[0]:
                        best = (total, SpeedChange(bins[0].start_us, f))
        return best[1] if best else None

    def _left(
        self,
        now: list[tuple[float, int]],
        bins: list[_Seen],
        factor: float,
        turn_us: float,
        levels: list[float],
        step_mm2: float,
        mean_over: ProfileMean,
    ) -> list[float] | None:
        """Chi-square that a belt at `factor` times its speed leaves at each sensor; None: one of them does not fit."""
        left = [0.0] * self._n
        u0, t0 = bins[0].u_start, bins[0].start_us
        for s in sorted(range(self._n), key=lambda s: -now[s][0]):  # the worst is asked first: most end there
            most = FIT * now[s][1]
            freed = (
                b.reading[s]
                - mean_over(
                    s, u0 + factor * (b.start_us - t0) / turn_us, u0 + factor * (b.end_us - t0) / turn_us
                )
                for b in bins
            )
            left[s], _ = _misfit(s, bins, freed, levels[s], step_mm2, most)
            if left[s] > most:
                return None
        return left

    def _explains(self, now: list[tuple[float, int]], left: list[float], strict: float) -> bool:
        """Two sensors (or the only one) must fit much better than before."""
        better = [a - b > strict * GAIN for (a, dof), b in zip(now, left, strict=True) if dof]
        return sum(better) >= min(2, self._n)

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


def _misfit(
    s: int,
    bins: list[_Seen],
    freed_mm: Iterable[float],
    level: float,
    step_mm2: float,
    most: float = math.inf,
) -> tuple[float, int]:
    """Sensor s, camber taken out (freed_mm): chi-square of the innovations, and degrees of freedom.

    The whole belt may wander: its level is followed by a scalar Kalman filter, step_mm2 a bin. The sum ends
    where it exceeds `most`.
    """
    p, chi, dof = bins[0].noise[s] / LOOK + 4.0 * step_mm2, 0.0, 0
    if level != level:
        return chi, dof
    for b, freed in zip(bins, freed_mm, strict=True):
        p += step_mm2
        if freed != freed:
            continue
        miss = freed - level
        variance = p + b.noise[s]
        chi += miss * miss / variance
        dof += 1
        if chi > most:
            break
        gain = p / variance
        level += gain * miss
        p *= 1.0 - gain
    return chi, dof


def still_bins(profiles_mm: list[NDArray[np.float64]], white_mm2: list[float]) -> int:
    """Live bins over which a belt must seem still, so that a running one would have shown its camber.

    profiles_mm: of each sensor, (LIVE_STEPS,) means over live bins; white_mm2: variance of a bin. The least
    length of which no stretch of this belt is flat at all sensors at once, at the slowest speed thought of.
    """
    cells = int(LIVE_STEPS)
    for length in (20, 28, 40, 56, 80, 112):
        flat = np.ones(cells, np.bool_)
        for mm, white in zip(profiles_mm, white_mm2, strict=True):
            round_twice = np.concatenate((mm, mm[:length]))
            sums = np.concatenate((np.zeros(1), np.cumsum(round_twice)))
            squares = np.concatenate((np.zeros(1), np.cumsum(round_twice**2)))
            mean = (sums[length:] - sums[:-length])[:cells] / length
            about = (squares[length:] - squares[:-length])[:cells] - length * mean**2
            flat &= about < SHOWS * (length - 1) * white
        if not flat.any():
            return math.ceil(length / SLOWEST)
    return KEPT - 1


def _whitened(
    columns: NDArray[np.float64], noise_mm2: NDArray[np.float64], step_mm2: float
) -> NDArray[np.float64]:
    """Innovations, in standard deviations, of each column under a level that is a random walk; the first is gone."""
    level, p, out = columns[0], float(noise_mm2[0]), []
    for row, noise in zip(columns[1:], noise_mm2[1:].tolist(), strict=True):
        p += step_mm2
        miss, variance = row - level, p + noise
        out.append(miss / math.sqrt(variance))
        level = level + p / variance * miss
        p *= noise / variance
    return np.array(out)


def _explained(z: NDArray[np.float64], by: NDArray[np.float64]) -> float:
    """Half of what a least-squares fit by these columns takes off the sum of squares: a log likelihood."""
    fit = np.linalg.lstsq(by, z, rcond=None)[0]
    return 0.5 * float(z @ (by @ fit))


def _scatter(bins: list[_Seen], s: int) -> float:
    """Chi-square of a sensor's readings about their own weighted mean."""
    weight = sum(1.0 / b.noise[s] for b in bins)
    mean = sum(b.reading[s] / b.noise[s] for b in bins) / weight
    return sum((b.reading[s] - mean) ** 2 / b.noise[s] for b in bins)


def _mean(values: list[float]) -> float:
    seen = [v for v in values if v == v]
    return sum(seen) / len(seen) if seen else math.nan
