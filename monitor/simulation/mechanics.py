"""How a flat belt steers: closed forms of the beam on two pulleys, and the endless belt in motion.

The belt is a beam of in-plane stiffness E*I under tension T; K^2 = T/(E*I), L is the free span, and the
belt enters each pulley square to its axis (normal entry). Everything below depends on K*L alone, except for
lengths. The curvature factor K_c and the functions f1, f2, f3 of the moving span follow Shelton's beam
(J. J. Shelton, "Lateral Dynamics of a Moving Web", thesis, Oklahoma State University, 1968; J. J. Shelton and
K. N. Reid, "Lateral Dynamics of a Real Moving Web", ASME J. Dyn. Sys. Meas. Control 93(3), 1971). The walk of
an endless belt on two pulleys is derived from the same span equation applied to both spans.

Direction of the skew here: theta > 0 leads the carrying belt toward positive y.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

# Below _SMALL_KL the closed forms lose digits to cancellation; numerators and denominator are then taken from
# their series in (K*L)^2, exact to 1e-9 there. Above _LARGE_KL cosh and sinh overflow and are equal.
_SMALL_KL = 0.3
_LARGE_KL = 300.0


def stiffness_number(span_mm: float, width_mm: float, strain: float) -> float:
    """K*L of a belt in simple tension, (L/W)*sqrt(12*strain): the modulus cancels."""
    return span_mm / width_mm * math.sqrt(12.0 * strain)


def skew_rad(take_up_mm: float, bearing_spacing_mm: float) -> float:
    """Skew of a pulley whose one end stands `take_up_mm` further out than the other."""
    return math.atan(take_up_mm / bearing_spacing_mm)


def curvature_factor(kl: float) -> float:
    """K_c = y_L/(L*theta_L): 2/3 for a stiff belt (K*L -> 0), 1 for a string (K*L -> infinity)."""
    if kl < _SMALL_KL:
        f1, f2, _ = span_functions(kl)
        return f2 / f1
    if kl > _LARGE_KL:
        return 1.0 - 1.0 / kl
    return (kl * math.cosh(kl) - math.sinh(kl)) / (kl * (math.cosh(kl) - 1.0))


def span_functions(kl: float) -> tuple[float, float, float]:
    """f1, f2, f3 of the moving span; 6, 4, 2 for K*L -> 0, and f2 + f3 = f1."""
    if kl < _SMALL_KL:
        x = kl * kl
        q = 1 / 12 + x / 180 + x**2 / 6720 + x**3 / 453600
        f1 = (1 / 2 + x / 24 + x**2 / 720 + x**3 / 40320) / q
        f2 = (1 / 3 + x / 30 + x**2 / 840 + x**3 / 45360) / q
        return f1, f2, f1 - f2
    if kl > _LARGE_KL:
        f1 = kl * kl / (kl - 2.0)
        f2 = f1 * curvature_factor(kl)
        return f1, f2, f1 - f2
    sinh, cosh = math.sinh(kl), math.cosh(kl)
    q = kl * sinh + 2.0 * (1.0 - cosh)
    return kl * kl * (cosh - 1.0) / q, kl * (kl * cosh - sinh) / q, kl * (sinh - kl) / q


def damping_ratio(kl: float) -> float:
    """Damping of the moving span, f2/(2*sqrt(f1))."""
    f1, f2, _ = span_functions(kl)
    return f2 / (2.0 * math.sqrt(f1))


def static_shift_mm(kl: float, span_mm: float, theta_rad: float, theta_upstream_rad: float = 0.0) -> float:
    """Sideways place of the belt at the downstream roller of one open span, mm."""
    upstream = theta_upstream_rad
    return span_mm * ((theta_rad - upstream) * curvature_factor(kl) + upstream)


def slack_edge_shift_ratio(kl: float) -> float:
    """y_L/W at which one edge of the span goes slack, upstream roller square."""
    return (kl * math.cosh(kl) - math.sinh(kl)) / (6.0 * math.sinh(kl)) if kl > 0.0 else 0.0


def slack_edge_skew_rad(kl: float, width_mm: float, span_mm: float) -> float:
    """Skew at which one edge of the span goes slack, upstream roller square."""
    return kl / 6.0 * width_mm / span_mm * (math.cosh(kl) - 1.0) / math.sinh(kl) if kl > 0.0 else 0.0


def walk_per_rev_mm(kl: float, span_mm: float, theta_rad: float) -> float:
    """Steady walk per revolution of an endless belt on two plain pulleys, one skewed: (2*K_c - 1)*L*theta."""
    return (2.0 * curvature_factor(kl) - 1.0) * span_mm * theta_rad


def take_up_to_null_mm(kl: float, span_mm: float, bearing_spacing_mm: float, walk_mm_per_rev: float) -> float:
    """Take-up difference that makes, and moved back nulls, a walk: d = walk*B/((2*K_c - 1)*L)."""
    return walk_mm_per_rev * bearing_spacing_mm / ((2.0 * curvature_factor(kl) - 1.0) * span_mm)


def crowned_gain_mm_per_mm(
    kl: float, span_mm: float, bearing_spacing_mm: float, restoring_revs: float
) -> float:
    """Shift of the resting place per mm of take-up on crowned pulleys.

    The crown pulls the belt back by (y - y_c)/restoring_revs each revolution, so the belt rests where that
    equals the walk of the skew: restoring_revs * (2*K_c - 1)*L/B.
    """
    return restoring_revs * walk_per_rev_mm(kl, span_mm, 1.0) / bearing_spacing_mm


@dataclass
class EndlessBelt:
    """The belt of two plain pulleys, stepped along its own travel; speed cancels.

    Each span follows (primes by travel)
    y'' + f2/L*y' + f1/L^2*y = f1/L^2*y0 - f3/L*y0' + (f2*theta_L + f3*theta_0)/L + theta_L';
    y0 is the place at the upstream pulley one wrap earlier. K*L = infinity is the string,
    y' = theta_L - (y - y0)/L. On the return span a skew leads the other way.
    """

    kl: float
    span_mm: float
    wrap_mm: float
    step_mm: float
    infeed_mm: float = 0.0
    drive_mm: float = 0.0
    _slope: list[float] = field(default_factory=lambda: [0.0, 0.0])
    _theta: tuple[float, float] = (0.0, 0.0)
    _past: deque[tuple[float, float, float, float]] = field(default_factory=deque)

    def __post_init__(self) -> None:
        steps = max(1, round(self.wrap_mm / self.step_mm))
        start = (self.infeed_mm, 0.0, self.drive_mm, 0.0)
        self._past = deque([start] * (steps + 1), maxlen=steps + 1)
        self._f = None if math.isinf(self.kl) else span_functions(self.kl)

    def shift(self, infeed_mm: float, drive_mm: float) -> None:
        """Put the belt elsewhere sideways, everywhere at once."""
        self.infeed_mm += infeed_mm
        self.drive_mm += drive_mm
        moved = [(a + infeed_mm, b, c + drive_mm, d) for a, b, c, d in self._past]
        self._past = deque(moved, maxlen=self._past.maxlen)

    def skew(self, infeed_rad: float, drive_rad: float, kick: bool = False) -> None:
        """Skew the pulleys from here on.

        `kick` keeps the term theta_L' of the span equation, by which the slope at the entry jumps with the
        pulley; without it the belt bends into the new direction by and by. The steady walk is the same.
        """
        if kick and self._f is not None:
            self._slope[0] += -(infeed_rad - self._theta[0])
            self._slope[1] += drive_rad - self._theta[1]
        self._theta = (infeed_rad, drive_rad)

    def step(self) -> tuple[float, float]:
        """Advance by one step of travel; returns the places at the infeed and the drive pulley, mm."""
        was, then = self._past[0], self._past[1] if len(self._past) > 1 else self._past[0]
        theta_i, theta_d = self._theta
        infeed = self._span(
            0, self.infeed_mm, (was[2] + then[2]) / 2, (was[3] + then[3]) / 2, -theta_i, -theta_d
        )
        drive = self._span(1, self.drive_mm, (was[0] + then[0]) / 2, (was[1] + then[1]) / 2, theta_d, theta_i)
        self.infeed_mm, self._slope[0] = infeed
        self.drive_mm, self._slope[1] = drive
        self._past.append((infeed[0], infeed[1], drive[0], drive[1]))
        return infeed[0], drive[0]

    def _span(
        self, which: int, y: float, y0: float, slope0: float, theta: float, theta0: float
    ) -> tuple[float, float]:
        """One trapezoidal step of one span; y0, slope0 are the upstream values at the middle of the step."""
        h, span, slope = self.step_mm, self.span_mm, self._slope[which]
        if self._f is None:
            new = (y * (1.0 - h / (2 * span)) + h * (theta + y0 / span)) / (1.0 + h / (2 * span))
            return new, (new - y) / h
        f1, f2, f3 = self._f
        a, b = f1 / span**2, f2 / span
        push = a * y0 - f3 / span * slope0 + (f2 * theta + f3 * theta0) / span
        top = slope * (1.0 - b * h / 2 - a * h * h / 4) + h * (push - a * y)
        new_slope = top / (1.0 + b * h / 2 + a * h * h / 4)
        return y + h * (slope + new_slope) / 2, new_slope


def walk_by_revolution(
    kl: float, span_mm: float, wrap_mm: float, theta_rad: float, revolutions: int, kick: bool = False
) -> list[tuple[float, float]]:
    """Walk in each revolution after the infeed pulley is skewed: (moved pulley, other pulley), mm.

    A skew that leads the carrying belt to positive y at the infeed leads the whole belt to negative y.
    """
    steps = 2000
    length_mm = 2.0 * (span_mm + wrap_mm)
    belt = EndlessBelt(kl, span_mm, wrap_mm, length_mm / steps)
    belt.skew(theta_rad, 0.0, kick)
    walks, before = [], (0.0, 0.0)
    for _ in range(revolutions):
        for _ in range(steps):
            now = belt.step()
        walks.append((now[0] - before[0], now[1] - before[1]))
        before = now
    return walks
