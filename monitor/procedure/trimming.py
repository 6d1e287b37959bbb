"""The move at the snub, or none: decided from where the belt is expected to ride at the drive pulley.

A snub sets the belt over at the drive pulley. On plain pulleys it may walk the whole belt as well, and the move at
the infeed pulley that stops this sets the belt over once more; so there the move is chosen together with the one
that will have to follow, and never so large that the edge could come to its limit in between.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.procedure.belt import Belt
from monitor.procedure.steering import (
    CONTENT,
    HOLD_WINDOW,
    LATENCY_REV,
    UNREACHABLE,
    Bounds,
    Choice,
    lessened,
    lowest,
    safe,
    standing_window,
    telling_mm,
    tries,
    within_reach,
)
from monitor.procedure.takeups import TakeUps

PRICE = 1.25  # moves that a move at the snub must save: itself, and perhaps another after it
LOOKS = 17  # amounts that are weighed


def stays(belt: Belt, rev: float, bounds: Bounds) -> float:
    """The probability that the belt, left alone, stays in the window at the drive pulley for the rest of the hold."""
    half = standing_window(bounds) * bounds.centre_mm
    path = (belt.ahead(rev, share * bounds.hold_left_revs).drive for share in (0.0, 0.5, 1.0))
    return min(place.within(-half, half) for place in path)


def set_over(belt: Belt, rev: float, snub_mm: float, bounds: Bounds, takeups: TakeUps) -> tuple[float, float]:
    """Of a belt that walks on: the move at the snub, at most snub_mm, that is to bring both pulleys together, and how
    many moves at the infeed pulley it saves on average. Signed mm, 0 when none helps.

    A snub that steers gives the belt a walk, too, and a fast one is not stopped well in one move.
    """

    def needs(amount: float) -> float:
        walk = belt.ahead(rev, LATENCY_REV + 1.0, 0.0, amount, LATENCY_REV).walk
        return tries(belt, bounds, takeups, belt.standing_offset(amount), math.sqrt(walk.square))

    have_mm = takeups.difference_mm("snub")
    low, high = max(-snub_mm, -bounds.reach_mm - have_mm), min(snub_mm, bounds.reach_mm - have_mm)
    alone = needs(0.0)
    costs = {amount: needs(amount) for amount in np.linspace(low, high, LOOKS).tolist()}
    best = min(costs, key=lambda amount: (round(costs[amount], 2), abs(amount)))
    unit = takeups.step_mm if abs(best) >= takeups.step_mm else takeups.nudge_mm
    amount = round(round(best / unit) * unit, 4)
    return amount, alone - needs(amount)


def trim(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, known: bool) -> Choice:
    """What to do at the snub now: the drive pulley's position counts. known: the snub has answered before.

    Of a belt that walks on only the offset between the pulleys counts, as it will be when the move at the infeed
    pulley that the snub's own walk calls for has been made, too.
    """
    if belt.walks_on > 0.5:
        return _bring_together(belt, rev, bounds, takeups)
    horizon = bounds.settle_revs + 2.0

    def expected(amount: float) -> tuple[float, float]:
        """Position at the drive pulley, and its expected square."""
        drive = belt.ahead(rev, horizon, 0.0, amount, LATENCY_REV).drive
        return drive.centre, drive.square

    place, square = expected(0.0)
    explain = f"drive pulley {place:+.2f} mm (sd {(square - place**2) ** 0.5:.2f}) in {horizon:.1f} rev"
    if stays(belt, rev, bounds) >= CONTENT:
        return Choice("fine", explain=explain)
    inside = abs(belt.ahead(rev, horizon).drive.centre) <= HOLD_WINDOW * bounds.centre_mm
    if abs(place) <= 0.9 * HOLD_WINDOW * bounds.centre_mm and inside:
        return Choice("fine", explain=explain)
    have_mm = takeups.difference_mm("snub")
    reach = (-bounds.reach_mm - have_mm, bounds.reach_mm - have_mm)
    cap = telling_mm(bounds, belt.snub_effect, place, takeups.untouched("snub"))
    if known and within_reach(belt, rev, bounds, takeups, "snub") < UNREACHABLE:
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


def _bring_together(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps) -> Choice:
    """Of a belt that walks on: the move at the snub that saves more moves at the infeed pulley than it costs."""
    apart = belt.standing_offset()
    explain = f"once stopped, {apart.centre:+.2f} mm (sd {apart.spread:.2f}) between the pulleys"
    if stays(belt, rev, bounds) >= CONTENT:
        return Choice("fine", explain=explain)
    cap = telling_mm(bounds, belt.snub_effect, apart.centre, takeups.untouched("snub"))
    amount, saved = set_over(belt, rev, cap, bounds, takeups)
    if saved < PRICE or not amount:
        return Choice("fine", explain=explain)
    while amount and not safe(belt, rev, bounds, 0.0, amount):
        amount = lessened(amount, takeups.step_mm, takeups)
    explain += f"; a move at the snub saves {saved:.1f} others"
    return Choice("move", round(amount, 4), explain=explain) if amount else Choice("unsure", explain=explain)
