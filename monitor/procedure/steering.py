"""The next move, or none: decided from where the belt is expected to ride, with what is not known taken at
its worst.

A move at the infeed pulley is chosen to make the expected square of the position, some revolutions ahead,
as small as possible. While the gain is poorly known that makes it small by itself (a wrong guess costs as
the square), and the usual move is its upper bound; once the gain is known it may be larger. A belt that
comes to rest is sent to the middle. A belt that walks on is sent toward the middle first and stopped there.
No move is offered whose pessimistic end would bring the edge to its limit, and none when leaving the belt
alone is as likely to hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.procedure.belt import Belt
from monitor.procedure.takeups import TakeUps

HOLD_WINDOW = 0.85  # share of centre_mm the belt's expected path may use up; the rest is for its wander
CONTENT = 0.8  # probability of holding from which the belt is left alone
LEAN = 0.3  # share of centre_mm the infeed position may be off for the drive pulley's sake
BRIDGED = 1.4  # offsets below this share of the window need no snub: both pulleys fit in
HOPELESS = 0.1  # probability of holding below which a belt that is inside is moved all the same
WORTH = 0.6  # a move must bring the expected square below this share of what leaving alone gives
LATENCY_REV = 0.7  # between advice and the move being made: a walk to the screw and a wrench
KNOWN_CV = 0.4  # gain counts as known when its spread is below this share of it
LARGEST = 5.0  # known gain: at most this many usual moves at once
APPROACH_REV = 8.0  # a belt that walks on is sent back to the middle in about this many revolutions
PATIENCE_REV = 25.0  # ... and is let walk when it will arrive within this many
PESSIMISM = 0.9985  # the pessimistic end: 3 standard deviations of a normal distribution
RESERVE_MM = 1.0  # kept between the pessimistic edge and edge_stop_mm
OVERSHOOT = 3.0  # a first move may be expected to carry the belt past the middle by so many centre_mm
CANDIDATES = 12  # amounts tried at each refinement

Kind = Literal["fine", "let-walk", "unsure", "move", "out-of-reach"]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What bounds a move: limits of the station, and how far the edge lies from the whole-belt position.

    both: whether both pulleys carry a sensor. hold_left_revs: what remains of the hold that runs.
    """

    centre_mm: float
    margin_mm_per_rev: float
    edge_stop_mm: float
    edge_left_mm: float
    edge_right_mm: float
    move_mm: float
    settle_revs: int
    hold_revs: float
    hold_left_revs: float
    both: bool
    reach_mm: float


@dataclass(frozen=True, slots=True)
class Choice:
    """signed_mm: the move, positive to send the belt right. holds: probability that the belt then stays
    centred.
    """

    kind: Kind
    signed_mm: float = 0.0
    holds: float = 0.0
    arrives_rev: float = 0.0
    explain: str = ""


def holds(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float = 0.0) -> float:
    """The probability that the infeed position stays in the window until the hold is over.

    Left alone, the hold goes on that runs already; a move starts a new one when it has taken effect.
    """
    half = HOLD_WINDOW * bounds.centre_mm
    delay, start_rev = (LATENCY_REV, LATENCY_REV + bounds.settle_revs) if infeed_mm else (0.0, 0.0)
    revs = bounds.hold_revs if infeed_mm else bounds.hold_left_revs
    both = bounds.both and abs(offset(belt, rev, bounds)) < BRIDGED * half
    least = 1.0
    for share in (0.0, 0.5, 1.0):
        ahead = belt.ahead(rev, start_rev + share * revs, infeed_mm, delay=delay)
        least = min(least, ahead.infeed.within(-half, half))
        if both:
            least = min(least, ahead.drive.within(-half, half))
    return least


def offset(belt: Belt, rev: float, bounds: Bounds) -> float:
    """How far to the right of its infeed position the belt will ride at the drive pulley."""
    ahead = belt.ahead(rev, bounds.settle_revs + 2.0)
    return ahead.drive.centre - ahead.infeed.centre if bounds.both else 0.0


def goal(belt: Belt, rev: float, bounds: Bounds) -> float:
    """Where the infeed position is best: near the middle, leaning so that the drive pulley gains by it."""
    lean = LEAN * bounds.centre_mm
    return float(np.clip(-0.5 * offset(belt, rev, bounds), -lean, lean))


def expected_path_holds(belt: Belt, rev: float, bounds: Bounds) -> bool:
    """Whether the expected path, without its spread, stays in the window for the length of a hold."""
    half = HOLD_WINDOW * bounds.centre_mm
    path = [belt.ahead(rev, share * bounds.hold_left_revs).infeed.centre for share in (0.0, 0.5, 1.0)]
    return max(abs(v) for v in path) <= half


def safe(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float) -> bool:
    """Whether the edge stays clear of its limit, at the pessimistic end, until the next move can be made."""
    room_right = bounds.edge_stop_mm - RESERVE_MM - bounds.edge_right_mm
    room_left = bounds.edge_stop_mm - RESERVE_MM - bounds.edge_left_mm
    for revs in (1.0, 2.0, bounds.settle_revs + 3.0):
        ahead = belt.ahead(rev, revs, infeed_mm, delay=0.0)
        for place in (ahead.infeed, ahead.drive):
            if 1.0 - place.below(room_right) + place.below(-room_left) > 1.0 - PESSIMISM:
                return False
    return True


def no_worse(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float) -> bool:
    """For a belt that is heading for the edge anyway: the move makes reaching it less likely."""

    def beyond(amount: float) -> float:
        place = belt.ahead(rev, bounds.settle_revs + 3.0, amount, delay=0.0).infeed
        room = bounds.edge_stop_mm - RESERVE_MM
        return 1.0 - place.within(-room + bounds.edge_left_mm, room - bounds.edge_right_mm)

    return beyond(infeed_mm) < 0.8 * beyond(0.0)


def _best(belt: Belt, rev: float, revs: float, cap_mm: float, unit_mm: float, goal_mm: float) -> float:
    """The amount within +-cap_mm, in whole units, whose expected squared distance from goal_mm is least."""

    def cost(amount: float) -> float:
        place = belt.ahead(rev, revs, amount, delay=LATENCY_REV).infeed
        return place.square - 2.0 * goal_mm * place.centre

    best, span = 0.0, cap_mm
    while True:
        grid = np.clip(best + span * np.linspace(-1.0, 1.0, 2 * CANDIDATES + 1), -cap_mm, cap_mm)
        best = float(min(grid, key=lambda a: cost(float(a))))
        if span <= unit_mm / 2:
            break
        span *= 2.0 / CANDIDATES
    near = [round(best / unit_mm) * unit_mm + k * unit_mm for k in (-1, 0, 1)]
    return min((a for a in near if abs(a) <= cap_mm + 1e-9), key=cost, default=0.0)


def _best_hold(belt: Belt, rev: float, bounds: Bounds, amount: float, unit_mm: float) -> float:
    """The neighbour of an amount that makes the hold most likely, when one does at all."""
    near = [round(amount + k * unit_mm, 4) for k in range(-4, 5)]
    chance = {a: holds(belt, rev, bounds, a) for a in near if a}
    best = max(chance, key=lambda a: chance[a], default=amount)
    return best if chance.get(best, 0.0) > chance.get(round(amount, 4), 0.0) + 0.05 else amount


def gain_known(belt: Belt) -> bool:
    """Whether it is known well enough how far a move sends this belt."""
    effect = belt.effect(APPROACH_REV)
    return belt.sign_known and effect.spread < KNOWN_CV * abs(effect.centre)


def steer(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps) -> Choice:
    """What to do at the infeed pulley now."""
    alone = holds(belt, rev, bounds)
    if alone >= CONTENT:
        return Choice("fine", holds=alone)
    here, walk = belt.ahead(rev, 0.0).infeed, belt.ahead(rev, 0.0).walk
    walks = belt.walks_on > 0.5
    away_mm = here.centre - goal(belt, rev, bounds)
    arrives = -away_mm / walk.centre if walk.centre * away_mm < 0.0 else np.inf
    arrives += 0.6  # the moved pulley runs ahead, back toward where it came from, when the walk is stopped
    inside = abs(here.centre) <= HOLD_WINDOW * bounds.centre_mm
    clear_walk = abs(walk.centre) > 2.0 * walk.spread
    if expected_path_holds(belt, rev, bounds) or (inside and alone > HOPELESS):
        return Choice("unsure", holds=alone)
    if walks and clear_walk and LATENCY_REV + 0.6 < arrives <= PATIENCE_REV and gain_known(belt):
        return Choice("let-walk", holds=alone, arrives_rev=arrives)
    horizon = LATENCY_REV + (
        max(0.4 * bounds.hold_revs, APPROACH_REV) if inside or arrives < 4.0 else APPROACH_REV
    )
    return _move(belt, rev, bounds, takeups, horizon, alone)


def _first_amount(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, goal_revs: float) -> float:
    """The amount of a first move: the usual one, made smaller until it can do no harm.

    Its direction is the one that should bring the belt back; its expected effect by the time it can be
    judged may carry the belt past the middle by OVERSHOOT times centre_mm at most.
    """
    push = -np.sign(belt.ahead(rev, goal_revs).infeed.centre) * (1.0 if belt.contrary < 0.5 else -1.0)
    soon = bounds.settle_revs + LATENCY_REV
    left = belt.ahead(rev, soon).infeed.centre
    allowed = abs(left) + OVERSHOOT * bounds.centre_mm
    in_danger = not safe(belt, rev, bounds, 0.0)
    size = bounds.move_mm
    while size > takeups.nudge_mm:
        amount = takeups.rounded(size, fine=size < 0.99 * takeups.step_mm)
        moved = belt.ahead(rev, soon, push * amount).infeed
        fits = abs(moved.centre - left) <= allowed or amount <= takeups.step_mm
        if fits and (safe(belt, rev, bounds, push * amount) or in_danger):
            return float(push * amount)
        size *= 0.75
    return float(push * takeups.nudge_mm)


def _careful_amount(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, horizon: float) -> float:
    """An amount while the gain is not known: what is best on average, but never too small to learn from."""
    average = _best(belt, rev, horizon, bounds.move_mm, takeups.nudge_mm, goal(belt, rev, bounds))
    first = _first_amount(belt, rev, bounds, takeups, horizon)
    return average if abs(average) > abs(first) and average * first > 0.0 else first


def _fine(belt: Belt, bounds: Bounds, takeups: TakeUps) -> bool:
    """Whether whole wrench steps are too coarse for this belt."""
    if belt.walks_on > 0.5:
        return 0.5 * takeups.step_mm * abs(belt.gain.centre) > 0.2 * bounds.margin_mm_per_rev
    return 0.5 * takeups.step_mm * abs(belt.effect(APPROACH_REV).centre) > 0.25 * bounds.centre_mm


def _move(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, horizon: float, alone: float) -> Choice:
    known = gain_known(belt)
    fine = known and _fine(belt, bounds, takeups)
    unit = takeups.nudge_mm if fine else takeups.step_mm
    if known:
        amount = wanted = _best(
            belt, rev, horizon, 4.0 * LARGEST * bounds.move_mm, unit, goal(belt, rev, bounds)
        )
        amount = float(np.clip(amount, -LARGEST * bounds.move_mm, LARGEST * bounds.move_mm))
    else:
        amount = wanted = _careful_amount(belt, rev, bounds, takeups, horizon)
    before = belt.ahead(rev, horizon).infeed
    after = belt.ahead(rev, horizon, amount, delay=LATENCY_REV).infeed
    explain = (
        f"left alone: {before.centre:+.2f} mm (sd {before.spread:.2f}) in {horizon:.1f} rev; "
        f"with {amount:+.2f} mm: {after.centre:+.2f} mm (sd {after.spread:.2f}); gain "
        f"{belt.gain.centre:+.2f} "
        f"(sd {belt.gain.spread:.2f}) mm/rev per mm; walks on with p {belt.walks_on:.2f}; "
        f"holds if left alone with p {alone:.2f}"
    )
    if known and abs(takeups.difference_mm("infeed") + wanted) > bounds.reach_mm:
        return Choice("out-of-reach", wanted, alone, explain=explain)
    if known and abs(before.centre) < APPROACH_REV * bounds.centre_mm and belt.walks_on > 0.5:
        amount = _best_hold(belt, rev, bounds, amount, unit)
    while known and amount and not (safe(belt, rev, bounds, amount) or no_worse(belt, rev, bounds, amount)):
        amount = round(amount - np.sign(amount) * min(unit, abs(amount)), 6)
    after = belt.ahead(rev, horizon, amount, delay=LATENCY_REV).infeed
    worth = not known or after.square < WORTH * before.square
    if not amount or not worth or abs(before.centre) < 1.5 * before.spread:
        return Choice("unsure", holds=alone, explain=explain)
    return Choice("move", round(amount, 4), holds(belt, rev, bounds, amount), explain=explain)


def trim(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, known: bool) -> Choice:
    """What to do at the snub now: only the drive pulley's position counts. known: the snub has answered
    before.
    """
    horizon = bounds.settle_revs + 2.0
    half = HOLD_WINDOW * bounds.centre_mm

    def expected(amount: float) -> tuple[float, float]:
        """Position at the drive pulley and its square; of a belt that walks on only its offset counts."""
        ahead = belt.ahead(rev, horizon, 0.0, amount, LATENCY_REV)
        base = ahead.infeed.centre if belt.walks_on > 0.5 else 0.0
        return ahead.drive.centre - base, ahead.drive.spread**2 + (ahead.drive.centre - base) ** 2

    place, square = expected(0.0)
    explain = f"drive pulley {place:+.2f} mm (sd {(square - place**2) ** 0.5:.2f}) in {horizon:.1f} rev"
    if abs(place) <= (BRIDGED if belt.walks_on > 0.5 else 0.9) * half:
        return Choice("fine", explain=explain)
    cap = LARGEST * bounds.move_mm if known else bounds.move_mm
    steps = int(cap / takeups.step_mm + 1e-9) or 1
    amount = min((k * takeups.step_mm for k in range(-steps, steps + 1)), key=lambda a: expected(a)[1])
    if known and abs(takeups.difference_mm("snub") + amount) > bounds.reach_mm:
        return Choice("out-of-reach", amount, explain=explain)
    if not amount or expected(amount)[1] > 0.85 * square:
        return Choice("unsure", explain=explain)
    return Choice("move", round(amount, 4), explain=explain)
