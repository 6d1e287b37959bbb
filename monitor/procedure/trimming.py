"""The move at the snub, or none: decided from where the belt is expected to ride at the drive pulley.

A snub sets the belt over at the drive pulley. On plain pulleys it may walk the whole belt as well, and the move at
the infeed pulley that stops this sets the belt over once more; so there the move is chosen together with the one
that will have to follow, and never so large that the edge could come to its limit in between.
"""

from __future__ import annotations

import numpy as np

from monitor.procedure.belt import Belt
from monitor.procedure.steering import (
    CONTENT,
    HOLD_WINDOW,
    LATENCY_REV,
    TIGHT,
    UNREACHABLE,
    Bounds,
    Choice,
    bridged_mm,
    lowest,
    nulling,
    safe,
    standing_window,
    telling_mm,
    within_reach,
)
from monitor.procedure.takeups import TakeUps


def stays(belt: Belt, rev: float, bounds: Bounds) -> float:
    """The probability that the belt, left alone, stays in the window at the drive pulley for the rest of the hold."""
    half = standing_window(bounds) * bounds.centre_mm
    path = (belt.ahead(rev, share * bounds.hold_left_revs).drive for share in (0.0, 0.5, 1.0))
    return min(place.within(-half, half) for place in path)


def trim(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, known: bool) -> Choice:
    """What to do at the snub now: the drive pulley's position counts. known: the snub has answered before.

    Of a belt that walks on only the offset between the pulleys counts, as it will be when the move at the infeed
    pulley that the snub's own walk calls for has been made, too.
    """
    horizon = bounds.settle_revs + 2.0
    walks = belt.walks_on > 0.5

    def expected(amount: float) -> tuple[float, float]:
        """Position at the drive pulley, or offset, and what it costs."""
        ahead = belt.ahead(rev, horizon, nulling(belt, rev, amount) if walks else 0.0, amount, LATENCY_REV)
        drive = ahead.drive
        place = drive.centre - (ahead.infeed.centre if walks else 0.0)
        return place, drive.spread**2 + place**2

    place, square = expected(0.0)
    explain = f"drive pulley {place:+.2f} mm (sd {(square - place**2) ** 0.5:.2f}) in {horizon:.1f} rev"
    if stays(belt, rev, bounds) >= CONTENT:
        return Choice("fine", explain=explain)
    inside = abs(belt.ahead(rev, horizon).drive.centre) <= HOLD_WINDOW * bounds.centre_mm
    fits = walks and abs(place) < TIGHT * bounds.centre_mm
    if abs(place) <= bridged_mm(belt, bounds, takeups) and (inside or fits):
        return Choice("fine", explain=explain)
    have_mm = takeups.difference_mm("snub")
    reach = (-bounds.reach_mm - have_mm, bounds.reach_mm - have_mm)
    cap = telling_mm(bounds, belt.snub_effect, place, takeups.untouched("snub"))
    if known and within_reach(belt, rev, bounds, takeups, "snub") < UNREACHABLE and not walks:
        return Choice("out-of-reach", cap, explain=explain)
    for unit, most in (
        (takeups.step_mm, cap),
        (takeups.nudge_mm, takeups.step_mm),
    ):  # finer for a lively snub
        steps = int(most / unit + 1e-9) or 1
        left, right = max(-steps, -(-reach[0] // unit)), min(steps, reach[1] // unit)
        best = float(np.clip(round(lowest(lambda a: expected(a)[1], steps * unit) / unit), left, right))
        near = [k * unit for k in (best - 1, best, best + 1) if left <= k <= right]
        amount = min(near, key=lambda a: expected(a)[1], default=0.0)
        while amount and not safe(belt, rev, bounds, 0.0, amount):
            amount = round(amount - np.sign(amount) * min(unit, abs(amount)), 6)
        if amount and expected(amount)[1] <= 0.85 * square:
            return Choice("move", round(amount, 4), explain=explain)
    return Choice("unsure", explain=explain)
