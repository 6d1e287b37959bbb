"""The set-up, judged: level, squareness, tension, each against a tolerance that is a setting of the station.

Squareness is judged from the same measurement taken on both sides (their difference over the bearing
spacing is the skew), or from the two diagonals of the bed (a difference dd over a bed of length A and width
W is a skew of dd sqrt(A^2 + W^2) / (2 A W), small angles). Tension is judged by the elongation between two
marks on the belt, and told as a force where k1% is known: F = 2 k1% W strain%, both strands (ISO 21181
defines k1%). Nothing here is needed for the verdict on tracking: what was not measured is recorded as not
measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.settings import Station

KNOWN = (
    "level_along_mm_per_m",
    "level_across_mm_per_m",
    "square_left_mm",
    "square_right_mm",
    "diagonal_1_mm",
    "diagonal_2_mm",
    "bed_length_mm",
    "bed_width_mm",
    "marks_before_mm",
    "marks_after_mm",
    "slides",
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing of the set-up: good (True), out of tolerance (False), or not measured (None)."""

    name: str
    good: bool | None
    text: str
    figures: dict[str, float]


def skew_from_sides(left_mm: float, right_mm: float, spacing_mm: float) -> float:
    """Skew of a shaft, rad, from the same measurement on both sides. Positive sends the belt to the right."""
    return math.atan((left_mm - right_mm) / spacing_mm)


def skew_from_diagonals(first_mm: float, second_mm: float, length_mm: float, width_mm: float) -> float:
    """Skew of a bed, rad, from its two diagonals."""
    return (first_mm - second_mm) * math.hypot(length_mm, width_mm) / (2.0 * length_mm * width_mm)


def elongation_percent(before_mm: float, after_mm: float) -> float:
    """Elongation, percent, from the distance of two marks on the slack and on the tensioned belt."""
    return 100.0 * (after_mm - before_mm) / before_mm


def belt_force_n(k1_n_per_mm: float, width_mm: float, percent: float) -> float:
    """Force on the shaft, N, of both strands together."""
    return 2.0 * k1_n_per_mm * width_mm * percent


def _number(measured: dict[str, float | str], key: str) -> float | None:
    value = measured.get(key)
    try:
        number = float(value) if value is not None else None
    except ValueError:
        return None
    return number if number is not None and math.isfinite(number) else None


def unusable(measured: dict[str, float | str]) -> list[str]:
    """One sentence for each measurement that cannot be understood."""
    faults = [
        f"{k}: is not a set-up measurement; known are {', '.join(KNOWN)}" for k in measured if k not in KNOWN
    ]
    faults += [
        f"{k} = {measured[k]}: a number was expected"
        for k in measured
        if k in KNOWN and k != "slides" and _number(measured, k) is None
    ]
    return faults


def judge(measured: dict[str, float | str], station: Station, gain_mm: float) -> list[Finding]:
    """Every part of the set-up. gain_mm: walk per revolution expected of 1 mm of take-up difference."""
    return [*_level(measured, station), _square(measured, station, gain_mm), _tension(measured, station)]


def _level(measured: dict[str, float | str], station: Station) -> list[Finding]:
    allowed = station.procedure.level_tolerance_mm_per_m
    found = []
    for way in ("along", "across"):
        value = _number(measured, f"level_{way}_mm_per_m")
        name = f"level-{way}"
        if value is None:
            found.append(Finding(name, None, f"Level {way} the frame was not measured.", {}))
            continue
        good = abs(value) <= allowed
        tail = "" if good else " Level it first: a belt runs to the low side."
        text = (
            f"Level {way} the frame: {value:g} mm per m, {'within' if good else 'beyond'} {allowed:g}.{tail}"
        )
        found.append(Finding(name, good, text, {"mm_per_m": value}))
    return found


def _square(measured: dict[str, float | str], station: Station, gain_mm: float) -> Finding:
    left, right = _number(measured, "square_left_mm"), _number(measured, "square_right_mm")
    spacing, allowed = station.conveyor.bearing_spacing_mm, station.procedure.square_tolerance_mm
    if left is not None and right is not None:
        difference, skew = left - right, skew_from_sides(left, right, spacing)
        how = "left and right"
    else:
        one, two = _number(measured, "diagonal_1_mm"), _number(measured, "diagonal_2_mm")
        if one is None or two is None:
            return Finding("square", None, "Squareness of the shafts was not measured.", {})
        bed = _number(measured, "bed_length_mm") or station.conveyor.carry_length_mm
        width = _number(measured, "bed_width_mm") or spacing
        difference, skew = one - two, skew_from_diagonals(one, two, bed, width)
        how = "the diagonals"
    good = abs(difference) <= allowed
    walk = gain_mm * math.tan(skew) * spacing
    text = (
        f"Square: {how} differ by {abs(difference):.1f} mm, {'within' if good else 'beyond'} "
        f"{allowed:g}; that is a skew "
        f"of {abs(1000 * skew):.2f} mrad, worth a walk of about {abs(walk):.1f} mm per "
        "revolution on flat pulleys."
    )
    return Finding("square", good, text, {"skew_mrad": 1000 * skew, "walk_mm_per_rev": walk})


def _tension(measured: dict[str, float | str], station: Station) -> Finding:
    p = station.procedure
    if str(measured.get("slides", "")).strip().lower() in ("yes", "true", "1", "1.0"):
        text = (
            "Tension: the belt slides on the pulley. Tighten both sides by the same small step and "
            "look again."
        )
        return Finding("tension", False, text, {})
    before, after = _number(measured, "marks_before_mm"), _number(measured, "marks_after_mm")
    if before is None or after is None or before <= 0.0:
        return Finding("tension", None, "Tension was not measured.", {})
    percent = elongation_percent(before, after)
    figures = {"elongation_percent": percent}
    good = p.elongation_min_percent <= percent <= p.elongation_max_percent
    window = f"{p.elongation_min_percent:g} to {p.elongation_max_percent:g} %"
    text = f"Tension: elongation {percent:.2f} %, {'within' if good else 'outside'} {window}."
    if percent < p.elongation_min_percent:
        text += " Tighten both sides by the same small step."
    elif percent > p.elongation_max_percent:
        text += " Ease both sides by the same small step."
    if p.k1_n_per_mm is not None:
        figures["force_n"] = belt_force_n(p.k1_n_per_mm, station.belt.width_mm, percent)
        text += f" That pulls the shaft with about {figures['force_n']:.0f} N."
    return Finding("tension", good, text, figures)
