"""What the station file's geometry alone says about a take-up move, before the belt has answered one.

A belt on two equal cylindrical pulleys, one of them skewed by theta = move / bearing spacing, walks by (2
K_c - 1) L theta each revolution: K_c is the curvature factor of a beam under tension (Shelton 1968), and K
L = (L/W) sqrt(12 strain) for a belt in simple tension, so neither modulus nor speed enters. A wide, stiff
belt walks by L theta / 3, a string by L theta. Friction of the bed, crown and snub are not in it: the real
gain may be three times larger or smaller, and is learned from the belt's own answers.
"""

from __future__ import annotations

import math

from monitor.settings import Station

STRAIN = (
    0.003  # common practice: a polyester belt is tensioned to about 0.3 %; enters by its square root only
)


def curvature_factor(kl: float) -> float:
    """K_c of a span with tension parameter KL: 2/3 for a stiff beam, 1 for a string."""
    if kl < 1e-2:
        return 2.0 / 3.0 + kl * kl / 90.0
    if kl > 300.0:
        return 1.0 - 1.0 / kl
    return (kl * math.cosh(kl) - math.sinh(kl)) / (kl * (math.cosh(kl) - 1.0))


def tension_parameter(span_mm: float, width_mm: float, strain: float = STRAIN) -> float:
    """KL of a free span."""
    return span_mm / width_mm * math.sqrt(12.0 * strain)


def walk_per_rev_mm(
    span_mm: float, width_mm: float, spacing_mm: float, move_mm: float, strain: float = STRAIN
) -> float:
    """The walk, mm per belt revolution, that a take-up difference of move_mm gives on flat pulleys."""
    factor = curvature_factor(tension_parameter(span_mm, width_mm, strain))
    return (2.0 * factor - 1.0) * span_mm * math.atan(move_mm / spacing_mm)


def span_mm(station: Station) -> float:
    """The centre distance: half of what the belt is longer than one pulley's circumference, else the
    carry length.
    """
    length_mm = station.belt.length_mm
    if length_mm is None:
        return station.conveyor.carry_length_mm
    half_mm = 0.5 * (length_mm - math.pi * station.conveyor.pulley_diameter_mm)
    return half_mm if half_mm > 0.1 * length_mm else 0.45 * length_mm


def expected_gain(station: Station) -> float:
    """The walk per revolution, mm, expected of one mm of take-up difference at the infeed pulley."""
    return walk_per_rev_mm(span_mm(station), station.belt.width_mm, station.conveyor.bearing_spacing_mm, 1.0)
