"""A straight line seen through correlated wander and white noise: level, slope and their spread.

Model, in belt travel u (revolutions): r(u) = m(u) + o(u) + e, with m' = w constant, o an
Ornstein-Uhlenbeck wander (variance s2 mm2, rate kappa per revolution) and e white noise of known
variance. The Kalman filter of the state (m, w, o) is the generalised least-squares fit of the line
when its priors are wide; its innovations are white when the model holds. Joseph form is not needed
at three states in float64 (covariances are symmetrised by construction: only six numbers are kept).
Source of the method: Kalman filter of a state-space model, any textbook; wander as an AR(1) process.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(slots=True)
class LineFilter:
    """Kalman filter of (level m mm, slope w mm/rev, wander o mm). Scalars only: a step costs some microseconds."""

    m: float
    w: float
    o: float = 0.0
    pmm: float = 1.0
    pmw: float = 0.0
    pmo: float = 0.0
    pww: float = 1.0
    pwo: float = 0.0
    poo: float = 0.0

    def figures(self) -> tuple[float, ...]:
        """All that it is made of, in order."""
        return self.m, self.w, self.o, self.pmm, self.pmw, self.pmo, self.pww, self.pwo, self.poo

    def copy(self) -> LineFilter:
        """The same state, to go on with apart."""
        return LineFilter(*self.figures())

    def predict(
        self, du_rev: float, s2_mm2: float, kappa_per_rev: float, q_level: float, q_slope: float
    ) -> None:
        """Advance by du_rev revolutions. q_level mm2/rev and q_slope (mm/rev)2/rev let the line bend slowly."""
        phi = math.exp(-kappa_per_rev * du_rev)
        self.m += self.w * du_rev
        self.o *= phi
        self.pmm += du_rev * (2.0 * self.pmw + du_rev * self.pww) + q_level * du_rev
        self.pmw += du_rev * self.pww
        self.pmo = phi * (self.pmo + du_rev * self.pwo)
        self.pww += q_slope * du_rev
        self.pwo *= phi
        self.poo = phi * phi * self.poo + s2_mm2 * (1.0 - phi * phi)

    def expect(self, noise_mm2: float) -> tuple[float, float]:
        """The reading expected now, mm, and its variance, mm2."""
        return self.m + self.o, self.pmm + 2.0 * self.pmo + self.poo + noise_mm2

    def ramp(
        self, steps: int, du_rev: float, s2_mm2: float, kappa_per_rev: float, q_level: float, noise_mm2: float
    ) -> list[float]:
        """Innovations, in standard deviations, that a walk of 1 mm/rev leaves from here on in a filter of this spread.

        The readings are the walk's alone, in the middle of each of `steps` bins of du_rev; the state itself (m, w, o)
        is not asked. What this filter is stays as it is.
        """
        pmm, pmw, pmo, pww, pwo, poo = self.pmm, self.pmw, self.pmo, self.pww, self.pwo, self.poo
        phi = math.exp(-kappa_per_rev * du_rev)
        phi2, fresh, q = phi * phi, s2_mm2 * (1.0 - phi * phi), q_level * du_rev
        m = w = o = 0.0
        out = []
        for a in range(steps):
            m += w * du_rev
            o *= phi
            pmm += du_rev * (2.0 * pmw + du_rev * pww) + q
            pmw += du_rev * pww
            pmo = phi * (pmo + du_rev * pwo)
            pwo *= phi
            poo = phi2 * poo + fresh
            hm, hw, ho = pmm + pmo, pmw + pwo, pmo + poo
            variance = pmm + 2.0 * pmo + poo + noise_mm2
            innovation = (a + 0.5) * du_rev - (m + o)
            km, kw, ko = hm / variance, hw / variance, ho / variance
            m += km * innovation
            w += kw * innovation
            o += ko * innovation
            pmm -= km * hm
            pmw -= km * hw
            pmo -= km * ho
            pww -= kw * hw
            pwo -= kw * ho
            poo -= ko * ho
            out.append(innovation / math.sqrt(variance))
        return out

    def update(self, innovation_mm: float, variance_mm2: float) -> None:
        """Take a reading that differs from the expected one by innovation_mm (variance from `expect`)."""
        hm, hw, ho = self.pmm + self.pmo, self.pmw + self.pwo, self.pmo + self.poo
        km, kw, ko = hm / variance_mm2, hw / variance_mm2, ho / variance_mm2
        self.m += km * innovation_mm
        self.w += kw * innovation_mm
        self.o += ko * innovation_mm
        self.pmm -= km * hm
        self.pmw -= km * hw
        self.pmo -= km * ho
        self.pww -= kw * hw
        self.pwo -= kw * ho
        self.poo -= ko * ho


@dataclass(frozen=True, slots=True)
class LineFit:
    """Level at the end of the window (mm) and slope (mm/rev), with standard errors; `points` used."""

    level_mm: float
    level_se_mm: float
    slope_mm_per_rev: float
    slope_se_mm_per_rev: float
    points: int


def fit_line(
    du_rev: Sequence[float],
    reading_mm: Sequence[float],
    noise_mm2: Sequence[float],
    s2_mm2: float,
    kappa_per_rev: float,
    slope_prior_se: float = 30.0,
) -> LineFit:
    """Generalised least squares of a line through wander and noise.

    du_rev: travel from the point before to this one. reading_mm: NaN = not seen. Fewer than two
    readings give NaN. Cost: linear in the number of points.
    """
    f: LineFilter | None = None
    points = 0
    for du, r, noise in zip(du_rev, reading_mm, noise_mm2, strict=True):
        if f is None:
            if r == r:
                f = LineFilter(r, 0.0, 0.0, 1e4, 0.0, 0.0, slope_prior_se**2, 0.0, s2_mm2)
                expected, variance = f.expect(noise)
                f.update(r - expected, variance)
                points = 1
            continue
        f.predict(du, s2_mm2, kappa_per_rev, 0.0, 0.0)
        if r == r:
            expected, variance = f.expect(noise)
            f.update(r - expected, variance)
            points += 1
    if f is None or points < 2:
        return LineFit(math.nan, math.nan, math.nan, math.nan, points)
    return LineFit(f.m, math.sqrt(max(f.pmm, 0.0)), f.w, math.sqrt(max(f.pww, 0.0)), points)
