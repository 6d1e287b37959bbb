"""Run-out of a pulley: the part of an edge reading that repeats with the pulley, not with the belt.

A pulley turns a broken number of times f in a belt revolution, so its swing A e^(i 2 pi f u) comes
back a little turned each time, while camber comes back the same. With a_k the coefficient of turn k
at order f, and p what camber leaks there: a_k = p + A e^(i 2 pi f k). Least squares over the turns
kept separates the two as soon as the swing has turned enough; the order is the one that explains
most, near belt length over pulley circumference.
A synchronous average alone cannot do it: an order nearly commensurate with the belt is in it for
dozens of revolutions (facts of synchronous averaging: Braun 1975, McFadden 1987).
"""

from __future__ import annotations

import cmath
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..numerics.equivalence import t_quantile

ROWS = 12  # turns kept whole, for the camber freed of run-out
TURNS = (
    52  # turns before them of which coefficients are kept: an order 0.01 off an integer turns by 230 degrees
)
LEAST_TURNS = 3
REACH = 0.035  # relative error of length over circumference that is searched: the length may be 3 % wrong
STEP = 0.04  # step of the grid of orders at which coefficients of turns are taken
# orders about each of them, which the phases of all turns tell from each other
FINE: NDArray[np.float64] = np.arange(-5.0, 6.0) * 0.004
FINEST: NDArray[np.float64] = np.arange(-8.0, 9.0) * 0.0005  # and about the best of them
USUAL_MM = 2.0  # amplitude that run-out seldom exceeds (common practice, no source)
LEAST_AMPLITUDE_MM = 0.25  # a smaller swing is not worth a word
BESIDE = 1.5 + 0.7 * np.arange(6)  # orders beyond those searched, which show what mere noise has
LIKELY = 2.0  # log likelihood below the best within which an order still counts: two standard deviations
MEDIAN_EXPONENTIAL = math.log(2.0)  # median of noise energy over its mean
ABOVE_OTHERS = 20.0  # energy against their mean; the greatest of 1,000 orders of mere noise has 7
# share of the energy: a section that came or went looks like the ramp of a turning swing, but leaves 0.25
UNEXPLAINED = 0.15


@dataclass(frozen=True, slots=True)
class Runout:
    """A pulley's swing in an edge reading: amplitude_mm * cos(2 pi order u + phase), u in revolutions.

    amplitude_se_mm: its standard error, from what mere noise shows at orders beside it and from how the
    amplitude changes over the orders that explain the turns nearly as well; after few turns, whose scatter
    tells little of the noise, as much larger as Student's t is than the normal.
    """

    amplitude_mm: float
    order: float
    phase_rad: float
    amplitude_se_mm: float

    def mean_over(self, u_start: float, u_end: float) -> float:
        """Mean of the swing over a stretch of travel, mm."""
        w = 2.0 * math.pi * self.order
        span = u_end - u_start
        if abs(span) < 1e-9:
            return self.amplitude_mm * math.cos(w * u_start + self.phase_rad)
        return self.amplitude_mm * (
            (math.sin(w * u_end + self.phase_rad) - math.sin(w * u_start + self.phase_rad)) / (w * span)
        )

    def slope_over(self, u_start: float, u_end: float) -> float:
        """Mean slope of the swing over a stretch of travel, mm/rev; NaN over none."""
        w = 2.0 * math.pi * self.order
        ends = math.cos(w * u_end + self.phase_rad) - math.cos(w * u_start + self.phase_rad)
        return self.amplitude_mm * ends / (u_end - u_start) if u_end != u_start else math.nan

    def over_cells(self, turn: int, cells: int) -> NDArray[np.float64]:
        """Mean of the swing over each cell of a turn (travel turn to turn + 1), (cells,) mm."""
        w = 2.0 * math.pi * self.order
        edges = turn + np.arange(cells + 1) / cells
        return self.amplitude_mm * np.diff(np.sin(w * edges + self.phase_rad)) * cells / w


class RunoutWatch:
    """Looks for run-out in one sensor's turns."""

    def __init__(self, expected_order: float) -> None:
        reach = max(REACH * expected_order, 0.5)
        self._orders = np.arange(expected_order - reach, expected_order + reach + STEP, STEP)
        aside = reach + BESIDE
        self._beside = np.concatenate((expected_order - aside[::-1], expected_order + aside))
        self._beside = self._beside[self._beside > 1.0]
        self._rows: deque[tuple[int, NDArray[np.float64]]] = deque(maxlen=ROWS)
        self._coefficients: deque[tuple[int, NDArray[np.complex128]]] = deque(maxlen=TURNS)
        self._waves: NDArray[Any] | None = None
        self.found: Runout | None = None

    def add(self, turn: int, freed_mm: NDArray[np.float64]) -> None:
        """One turn, (cells,) mm, the whole belt's path taken out, camber and run-out still in; NaN = not seen."""
        if self._waves is None:
            u = (np.arange(freed_mm.size) + 0.5) / freed_mm.size
            orders = np.concatenate((self._orders, self._beside))
            self._waves = np.exp(-2j * math.pi * orders[:, None] * u[None, :]) / freed_mm.size
        if not np.isfinite(freed_mm).any():
            return
        if len(self._rows) == ROWS:
            self._coefficients.append((self._rows[0][0], self._coefficients_of([self._rows[0][1]])[0]))
        self._rows.append((turn, freed_mm))

    def _coefficients_of(self, rows: list[NDArray[np.float64]]) -> NDArray[np.complex128]:
        """Coefficients at all orders, (rows, orders); where not seen, the difference from the mean is filled in."""
        assert self._waves is not None
        typical = np.nan_to_num(self._mean(self._freed()))
        x = np.arange(typical.size)
        beyond = np.array(rows) - typical
        for row, seen in zip(beyond, np.isfinite(beyond), strict=True):
            if not seen.all():
                row[~seen] = np.interp(x[~seen], x[seen], row[seen], period=x.size)
        whole = typical + beyond
        return np.asarray((whole - whole.mean(axis=1, keepdims=True)) @ self._waves.T)

    def forget(self) -> None:
        """Travel was lost: phases of earlier turns tell nothing of later ones."""
        self._rows.clear()
        self._coefficients.clear()
        self.found = None

    @property
    def turns(self) -> list[tuple[int, NDArray[np.float64]]]:
        """The turns kept whole: travel at the start, and (cells,) mm as they were added."""
        return list(self._rows)

    def look(self) -> bool:
        """Search again. True when there is something new: run-out found, or its figures put right."""
        if len(self._rows) < LEAST_TURNS:
            return False
        k = np.array([float(t) for t, _ in (*self._coefficients, *self._rows)])
        seen = np.array(
            [*(c for _, c in self._coefficients), *self._coefficients_of([r for _, r in self._rows])]
        )
        beside = self._energy(seen[:, self._orders.size :], k, self._beside)[0]
        noise = float(np.median(beside)) / MEDIAN_EXPONENTIAL
        near = np.arange(self._orders.size)
        if self.found is not None:
            at = int(np.argmin(np.abs(self._orders - self.found.order)))
            near = near[max(at - 1, 0) : at + 2]
        energy = self._energy(seen[:, near], k, self._orders[near], noise=noise)[0]
        g, i = divmod(int(np.argmax(energy)), FINE.size)
        fine = FINE[i] + FINEST
        best = near[g : g + 1]
        energy, swing, power = self._energy(seen[:, best], k, self._orders[best], fine, noise)
        energy, swing, power = energy[0], swing[0], power[0]
        i = int(np.argmax(energy))
        offset, order = float(fine[i]), float(self._orders[near[g]] + fine[i])
        amplitude = 2.0 * abs(complex(swing[i]))
        column = seen[:, near[g]]
        left = float((np.abs(column - column.mean()) ** 2).sum()) - float(energy[i])
        turns_so = left <= UNEXPLAINED * float(energy[i]) + 3.0 * k.size * noise
        misfit = max(noise, left / (k.size - 2.0))
        likely = energy >= energy[i] - LIKELY * misfit  # orders that explain the turns as well, or nearly
        spread = float(np.max(np.abs(2.0 * np.abs(swing[likely]) - amplitude))) / LIKELY
        # camber and swing, complex, and the order are five figures; each turn tells two
        se = _widening(2 * k.size - 5) * math.hypot(math.sqrt(2.0 * misfit / float(power[i])), spread)
        if amplitude < LEAST_AMPLITUDE_MM or energy[i] < ABOVE_OTHERS * noise or not turns_so:
            lost = self.found is not None
            self.found = None
            return lost
        cells = self._rows[-1][1].size
        w = math.pi * order / cells
        phase = float(np.angle(swing[i])) - math.pi * offset  # of the wave at its order, not at the grid's
        self.found = Runout(amplitude * w / math.sin(w), order, phase, se)
        return True

    def profile(self, cells: int) -> NDArray[np.float64]:
        """Camber from the turns kept with the swing taken out, (cells,) mm, NaN = never seen."""
        return self._mean(self._freed())

    def _freed(self) -> NDArray[np.float64]:
        return np.array(
            [row if self.found is None else row - self.found.over_cells(t, row.size) for t, row in self._rows]
        )

    @staticmethod
    def _mean(rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of what was seen at each station, (cells,); NaN = never seen."""
        seen = np.isfinite(rows)
        if seen.all():
            return np.asarray(rows.mean(axis=0))
        count = seen.sum(axis=0)
        mean = np.full(rows.shape[1], np.nan)
        mean[count > 0] = np.where(seen, rows, 0.0).sum(axis=0)[count > 0] / count[count > 0]
        return mean

    @staticmethod
    def _energy(
        a: NDArray[np.complex128],
        k: NDArray[np.float64],
        orders: NDArray[np.float64],
        fine: NDArray[np.float64] = FINE,
        noise: float = 0.0,
    ) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.float64]]:
        """Energy explained, the swing's coefficient, and the power of what tells it; (orders, fine).

        a: coefficients of the turns, (turns, orders). noise: energy of mere noise; with it large swings are
        thought unlikely (a normal prior, USUAL_MM), which matters where the turns hardly tell one from camber.

        Coefficients are taken on the grid of orders only; within half a step of it the wave's phase from
        turn to turn is what tells orders apart, and its coefficient is the same but for a known phase.
        """
        back, power = _turning(orders.tobytes(), fine.tobytes(), k.tobytes())
        da = (a - a.mean(axis=0, keepdims=True)).T[:, None, :]
        power = power + noise / (0.5 * USUAL_MM) ** 2
        swing = (back * da).sum(axis=2) / power
        return np.abs(swing) ** 2 * power, swing, power

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


@lru_cache
def _widening(freedom: int) -> float:
    """How much farther 95 % of Student's t with so many degrees of freedom reach than 95 % of a normal figure."""
    return t_quantile(0.025, freedom) / 1.96


@lru_cache(maxsize=4)  # all sensors of a belt ask the same
def _turning(orders: bytes, fine: bytes, turns: bytes) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """How a swing turns from turn to turn, its mean taken out: conjugate, (orders, fine, turns), and its power."""
    order, beside, k = (np.frombuffer(of) for of in (orders, fine, turns))
    z = 2j * math.pi * ((order[:, None] + beside)[:, :, None] * k)
    np.exp(z, out=z)
    z -= z.mean(axis=2, keepdims=True)
    power = np.maximum((np.abs(z) ** 2).sum(axis=2), 1e-9)
    return np.conj(z, out=z), power


def mean_swing(swing: Runout | None, turns: Sequence[int], cells: int) -> NDArray[np.float64]:
    """What a swing adds to the mean of these turns, (cells,) mm: zeros without a swing or turns."""
    if swing is None or not turns:
        return np.zeros(cells)
    w = 2.0 * math.pi * swing.order
    together = complex(np.exp(1j * w * np.array(turns, np.float64)).mean()) * cmath.exp(1j * swing.phase_rad)
    edges = np.exp(1j * w * np.arange(cells + 1) / cells)
    return np.asarray(swing.amplitude_mm * cells / w * (together * np.diff(edges) / 1j).real)
