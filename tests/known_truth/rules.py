"""What counts as a false or missed alarm, a delay, a profile's error: one set of rules for all methods.

A drift alarm is false when the true walk of its pulley stayed below `drift_mm_per_rev` within
AROUND_REV of it, or while the belt settles after a logged move. A drift of MUST times the limit or more has
to be found before it ends (and AROUND_REV later). A section alarm is false when no section of `wobble_mm` or
more was out within PLACE_MM of it. Sensor alarms are false on a sensor that is well, but for `sensor-clipped` where the
true edge left the sensor's range: there the sensor cannot see it, however well it is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.records import Event
from tests.known_truth.belt_truth import BeltTruth, TrueDrift

AROUND_REV = 0.3
MUST = 1.6
SEEN_REV = 1.5
PLACE_MM = 500.0
SIGHT_MM = 1.0  # an edge this near the end of a sensor's range is read beyond it: three times the largest white noise
WOBBLE_LATEST_REV = 2.3
SPAN = tuple[float, float]


def spans_of(events: list[Event], name: str, truth: BeltTruth) -> dict[str, list[SPAN]]:
    """Where (pulley or sensor) -> (raised, cleared) of an alarm, revolutions rolled; inf = never cleared."""
    spans: dict[str, list[SPAN]] = {}
    for e in events:
        if e.name != name or not e.kind.startswith("alarm"):
            continue
        where = str(e.pulley) if name == "drift" else e.sensor or e.pulley or "bay"
        rev = truth.rolled(e.t_s)
        mine = spans.setdefault(where, [])
        if e.kind == "alarm-raised":
            mine.append((rev, math.inf))
        elif mine:
            mine[-1] = (mine[-1][0], rev)
    return spans


def out_of_sight(
    t: BeltTruth, sensor: str, pulley: str, zero_counts: float, counts_per_mm: float, at_s: float
) -> bool:
    """Does any of the true edge reach the end of the sensor's range while the belt rides where it does at at_s?"""
    ends_mm = [(counts - zero_counts) / counts_per_mm for counts in (0, 65535)]
    place_mm = float(np.interp(at_s, t.t_s, t.pos_wander_mm[pulley]))
    edge_mm = place_mm + t.profile_mm(sensor, np.arange(500) / 500.0)
    return bool(edge_mm.min() <= min(ends_mm) + SIGHT_MM or edge_mm.max() >= max(ends_mm) - SIGHT_MM)


def must_find(t: BeltTruth) -> list[TrueDrift]:
    """Drifts that have to be found: large enough, and with at least SEEN_REV of them in the recording."""
    last = float(t.rolled_rev[-1])
    return [
        d
        for d in t.drifts
        if abs(d.mm_per_rev) >= MUST * t.drift_limit_mm_per_rev and d.start_rev + SEEN_REV <= last
    ]


def false_drift(t: BeltTruth, settling: list[SPAN], pulley: str, rev: float) -> str:
    """Why a drift alarm at this revolution rolled is false, or an empty text."""
    if any(a <= rev < b for a, b in settling):
        return "while it settles after a logged move"
    fastest = t.fastest_walk(pulley, rev, AROUND_REV)
    return f"true walk {fastest:.2f} mm/rev" if fastest < t.drift_limit_mm_per_rev else ""


def delay_of(d: TrueDrift, spans: list[SPAN]) -> float | None:
    """Revolutions from onset to alarm; None when it was missed."""
    inside = [r - d.start_rev for r, _ in spans if d.start_rev <= r <= d.end_rev + AROUND_REV]
    if any(r < d.start_rev < c for r, c in spans):
        return 0.0
    return min(inside, default=None)


def clearing_of(d: TrueDrift, spans: list[SPAN], end_rev: float) -> float | None:
    """Revolutions from the walk's end until its alarm cleared; None: cannot be told."""
    open_spans = [(r, c) for r, c in spans if r <= d.end_rev + AROUND_REV and c > d.end_rev - AROUND_REV]
    if not open_spans or d.end_rev + 1.5 > end_rev:
        return None
    return min(max(c for _, c in open_spans), end_rev) - d.end_rev


def profile_error(
    t: BeltTruth, sensor: str, share: NDArray[np.float64], mm: NDArray[np.float64], best_shift: bool = False
) -> tuple[float, float]:
    """rms of a profile at given shares of the belt: against the truth's mean over each cell; at the point.

    best_shift: the place of station 0 is free (a belt without marks has none).
    """
    width = 1.0 / share.size
    within = (np.arange(9) - 4.0) / 9.0 * width

    def at(shift: float) -> tuple[float, float]:
        fine = np.array([t.profile_mm(sensor, share + shift + w) for w in within])
        cells, points = fine.mean(axis=0), t.profile_mm(sensor, share + shift)
        return float(np.std(mm - cells)), float(np.std(mm - points))

    if not best_shift:
        return at(0.0)
    coarse = min(np.arange(0.0, 1.0, 0.005), key=lambda s: at(float(s))[0])
    best = min(np.arange(coarse - 0.005, coarse + 0.005, 0.0005), key=lambda s: at(float(s))[0])
    return at(float(best))
