"""How strong and how long is a belt's wander? Its posterior on a grid, from the residuals of whole turns.

Model of one turn's residuals, means over WINDOWS equal windows: an unknown level, an Ornstein-Uhlenbeck
wander (variance s2, rate kappa a revolution) and white noise. Contrasts of the windows are free of the level.
For each kappa their covariance under a wander of unit variance has eigenvectors V and eigenvalues lambda,
so that the projections y = V'r are independent with variances s2 lambda + noise, and the sums of their
squares over turns are all that the likelihood needs. The white noise comes from first differences of the
residuals as they are, which have a likelihood of their own (chi-square). Priors are log-normal: belts differ
in wander and in its length by the factors of S_SPREAD and KAPPA_SPREAD either way (common practice, no source).
A young posterior is wide, and the mean of s2 is then larger than its mode: doubt makes a detector slower, as it should.
Source of the method: Bayes on a grid with the Karhunen-Loeve expansion of a covariance, any textbook.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WINDOWS = 16  # of a turn
S_PRIOR_MM = 0.1  # median of the prior of the wander's standard deviation
S_SPREAD = 0.6  # and spread of its logarithm: a factor of 1.8 either way
KAPPA_SPREAD = 0.5  # of log kappa about its prior: a factor of 1.6 either way
S_GRID_MM = np.exp(np.linspace(math.log(0.01), math.log(1.0), 24))
KAPPA_GRID = np.exp(0.25 * np.arange(-5, 6))  # times the prior's median
LEAST_NOISE_SHARE = 0.1  # of the squared first differences that is white noise at the least
LEAST_NOISE_MM2 = 1e-6  # of a step
FIRST_FREEDOM = 2.0 / 3.0  # first differences of white noise are worth so many independent ones each
SEEN_SHARE = 0.75  # of the windows that must be seen


class WanderPosterior:
    """What is known of a wander's variance and rate. kappa_prior: median of its prior, per revolution."""

    def __init__(self, kappa_prior: float, bins: int, memory_turns: float) -> None:
        self._bins = bins
        self._memory = memory_turns
        self._kappa = kappa_prior * KAPPA_GRID
        self._step = -np.expm1(-self._kappa / bins)  # 1 - correlation of neighbouring bins
        u = np.arange(bins) / bins
        window = np.arange(bins) * WINDOWS // bins == np.arange(WINDOWS)[:, None]
        mean = window / window.sum(axis=1)[:, None]
        contrasts = np.linalg.qr(np.column_stack((np.ones(WINDOWS), np.eye(WINDOWS)[:, 1:])))[0][:, 1:]
        basis, scales = [], []
        for kappa in self._kappa:
            covariance = contrasts.T @ mean @ np.exp(-kappa * np.abs(u[:, None] - u)) @ mean.T @ contrasts
            scale, vectors = np.linalg.eigh(covariance)
            basis.append(contrasts @ vectors)
            scales.append(scale)
        self._basis = np.array(basis)
        self._wanders = (S_GRID_MM**2)[None, :, None] * np.array(scales)[
            :, None, :
        ]  # variances of the projections
        prior = 0.5 * (np.log(S_GRID_MM / S_PRIOR_MM) / S_SPREAD) ** 2
        self._prior: Floats = -(0.5 * (np.log(KAPPA_GRID) / KAPPA_SPREAD) ** 2)[:, None] - prior
        self.forget()

    def forget(self) -> None:
        """Back to the prior."""
        self._weights = [0.0, 0.0]  # of the turns and their squares, summed
        self._squares = np.zeros((KAPPA_GRID.size, WINDOWS - 1))
        self._first = 0.0  # squared first differences, mm2

    def add(self, residual_mm: Floats) -> bool:
        """One steady turn's residuals, (bins,) mm, NaN = not seen. False: too few were seen, nothing was learnt."""
        steps = np.diff(residual_mm)
        steps = steps[np.isfinite(steps)]
        group = residual_mm.reshape(WINDOWS, -1)
        seen = np.isfinite(group)
        count = seen.sum(axis=1)
        known = count > 0
        if steps.size < self._bins // 2 or known.sum() < SEEN_SHARE * WINDOWS:
            return False
        x = np.where(seen, group, 0.0).sum(axis=1) / np.maximum(count, 1)
        at = np.arange(WINDOWS)
        x = np.interp(at, at[known], x[known])
        first = max(float(steps @ steps) / steps.size, LEAST_NOISE_MM2)
        weight = 1.0 / first**2  # a turn with spikes in it, or with travel off, counts little
        total, squared = self._weights
        if total * total > self._memory * squared > 0.0:
            keep = 1.0 - 1.0 / self._memory
            self._weights = [keep * total, keep * keep * squared]
            self._squares = keep * self._squares
            self._first *= keep
        self._weights[0] += weight
        self._weights[1] += weight * weight
        self._squares = self._squares + weight * (x @ self._basis) ** 2
        self._first += weight * first
        return True

    def estimate(self) -> tuple[float, float]:
        """(s2 mm2, kappa per rev): the posterior's mean of s2 and geometric mean of kappa."""
        log = self._prior
        total, squared = self._weights
        if total > 0.0:
            turns = total * total / squared
            squares, first = self._squares / total, self._first / total
            s2 = S_GRID_MM**2
            wander = 2.0 * s2 * self._step[:, None]
            noise = np.maximum(first - wander, LEAST_NOISE_SHARE * first)  # twice that of a bin
            variance = self._wanders + (0.5 * WINDOWS / self._bins) * noise[:, :, None]
            spread = np.log(variance.prod(axis=2)) + (squares[:, None, :] / variance).sum(axis=2)
            log = log - 0.5 * turns * spread
            expected = wander + noise
            log = log - 0.5 * turns * FIRST_FREEDOM * self._bins * (np.log(expected) + first / expected)
        share = np.exp(log - log.max())
        share /= share.sum()
        s2_mean = float(share.sum(axis=0) @ S_GRID_MM**2)
        return s2_mean, math.exp(float(share.sum(axis=1) @ np.log(self._kappa)))

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
