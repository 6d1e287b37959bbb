"""Run-out of a pulley: the part of an edge reading that repeats with the pulley, not with the belt.

A pulley turns a broken number of times f in a belt revolution, so its swing A e^(i 2 pi f u) comes
back a little turned each time, while camber comes back the same. With a_k the coefficient of turn k
at order f, and p what camber leaks there: a_k = p + A e^(i 2 pi f k). Least squares over the turns
kept separates the two as soon as the swing has turned enough; the order is the one that explains
most, near belt length over pulley circumference, first on a coarse grid and then on a fine one.
A synchronous average alone cannot do it: an order nearly commensurate with the belt is in it for
dozens of revolutions (facts of synchronous averaging: Braun 1975, McFadden 1987).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

TURNS = 12  # turns kept: orders 1/12 of a revolution apart are told from each other
LEAST_TURNS = 3
REACH = 0.035  # relative error of length over circumference that is searched: the length may be 3 % wrong
COARSE = 0.04  # step of the order on the coarse grid
FINE = 0.004  # and on the fine one: 12 turns later the phase is off by at most 1/20 of a turn
LEAST_AMPLITUDE_MM = 0.25  # a smaller swing is not worth a word
ABOVE_OTHERS = 30.0  # energy against the median over the grid; the greatest of 100 orders of mere noise has 7


@dataclass(frozen=True, slots=True)
class Runout:
    """A pulley's swing in an edge reading: amplitude_mm * cos(2 pi order u + phase), u in revolutions."""

    amplitude_mm: float
    order: float
    phase_rad: float

    def mean_over(self, u_start: float, u_end: float) -> float:
        """Mean of the swing over a stretch of travel, mm."""
        w = 2.0 * math.pi * self.order
        span = u_end - u_start
        if abs(span) < 1e-9:
            return self.amplitude_mm * math.cos(w * u_start + self.phase_rad)
        return self.amplitude_mm * (
            (math.sin(w * u_end + self.phase_rad) - math.sin(w * u_start + self.phase_rad)) / (w * span)
        )

    def over_cells(self, turn: int, cells: int) -> NDArray[np.float64]:
        """Mean of the swing over each cell of a turn (travel turn to turn + 1), (cells,) mm."""
        w = 2.0 * math.pi * self.order
        edges = turn + np.arange(cells + 1) / cells
        return self.amplitude_mm * np.diff(np.sin(w * edges + self.phase_rad)) * cells / w


class RunoutWatch:
    """Looks for run-out in one sensor's turns."""

    def __init__(self, expected_order: float) -> None:
        self._expected = expected_order
        self._turns: deque[tuple[int, NDArray[np.float64]]] = deque(maxlen=TURNS)
        self.found: Runout | None = None

    def add(self, turn: int, freed_mm: NDArray[np.float64]) -> None:
        """One turn, (cells,) mm, the whole belt's path taken out, camber and run-out still in; NaN = not seen."""
        self._turns.append((turn, freed_mm))

    def forget(self) -> None:
        """Travel was lost: phases of earlier turns tell nothing of later ones."""
        self._turns.clear()
        self.found = None

    def look(self) -> bool:
        """Search again. True when there is something new: run-out found, or its figures put right."""
        if len(self._turns) < LEAST_TURNS:
            return False
        rows = np.array([r for _, r in self._turns])
        k = np.array([float(t) for t, _ in self._turns])
        typical = np.nan_to_num(self._mean(rows))
        rows = np.where(np.isfinite(rows), rows, typical[None, :])
        reach = max(REACH * self._expected, 0.5)
        grid = np.arange(self._expected - reach, self._expected + reach + COARSE, COARSE)
        coarse = self._energy(rows, k, grid)[0]
        order = self.found.order if self.found is not None else float(grid[int(np.argmax(coarse))])
        fine = np.arange(order - COARSE, order + COARSE + FINE, FINE)
        energy, swing = self._energy(rows, k, fine)
        i = int(np.argmax(energy))
        amplitude = 2.0 * abs(complex(swing[i]))
        if amplitude < LEAST_AMPLITUDE_MM or energy[i] < ABOVE_OTHERS * float(np.median(coarse)):
            lost = self.found is not None
            self.found = None
            return lost
        w = math.pi * float(fine[i]) / rows.shape[1]
        self.found = Runout(amplitude * w / math.sin(w), float(fine[i]), float(np.angle(swing[i])))
        return True

    def profile(self, cells: int) -> NDArray[np.float64]:
        """Camber from the turns kept with the swing taken out, (cells,) mm, NaN = never seen."""
        rows = []
        for turn, row in self._turns:
            rows.append(row - self.found.over_cells(turn, cells) if self.found is not None else row)
        return self._mean(np.array(rows))

    @staticmethod
    def _mean(rows: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of what was seen at each station, (cells,); NaN = never seen."""
        seen = np.isfinite(rows)
        count = seen.sum(axis=0)
        mean = np.full(rows.shape[1], np.nan)
        mean[count > 0] = np.where(seen, rows, 0.0).sum(axis=0)[count > 0] / count[count > 0]
        return mean

    @staticmethod
    def _energy(
        rows: NDArray[np.float64], k: NDArray[np.float64], orders: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
        """For each order: energy explained, and the swing's coefficient."""
        cells = rows.shape[1]
        u = (np.arange(cells) + 0.5) / cells
        waves = np.exp(-2j * math.pi * orders[:, None] * u[None, :]) / cells
        a = waves @ (rows - rows.mean(axis=1, keepdims=True)).T  # (orders, turns)
        z = np.exp(2j * math.pi * orders[:, None] * k[None, :])
        dz = z - z.mean(axis=1, keepdims=True)
        da = a - a.mean(axis=1, keepdims=True)
        power = np.maximum((np.abs(dz) ** 2).sum(axis=1), 1e-9)
        swing = (np.conj(dz) * da).sum(axis=1) / power
        return np.abs(swing) ** 2 * power, swing

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
