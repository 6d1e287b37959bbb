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

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.numerics.mixture import Mixture
from monitor.procedure.belt import Belt
from monitor.procedure.takeups import TakeUps
from monitor.records import MoveWhere, Pulley

HOLD_WINDOW = 0.85  # share of centre_mm the belt's expected path may use up; the rest is for its wander
WANDERED = 0.1  # of that rest, what is not needed any more when a hold is nearly over
SHOWN = 0.8  # share of the margin below which a walk can be shown to be nil in a hold
CONTENT = 0.8  # probability of holding from which the belt is left alone
LEAN = 0.3  # share of centre_mm the infeed position may be off for the drive pulley's sake
BRIDGED = 1.5  # offsets above this share of the window need the snub: both pulleys do not fit in
PLACED_MM = 0.4  # how inexactly a belt that walks is stopped at a place: wander, and the hand's delay
MOST_TRIES = 20.0  # where it does not succeed at all
SLOWLY = 0.5  # a belt outside is sent back so slowly that it holds on its way when that is at least so likely
BACK = 0.3  # ... and then let go while it still is so likely
HAND_MM = 0.03  # how inexactly a hand sets a screw (sd), as the answer's model has it
HAND_SHARE = 0.1  # ... and a larger amount, as a share of it
USEFUL = 0.1  # a move that is to stop a walk must make holding likelier by this
LIKELY = 0.5  # ... and must probably succeed to be made where the infeed position would hold without it
VAGUE = 0.7  # share of the window that a walk's spread may come to in a hold before the walk is acted upon
SOON_REV = 3.0  # ... unless the belt leaves the window within so many revolutions
RETURN_REV = (
    12.0  # a belt that is far off is sent back in about this many: slowly, so that it can be stopped well
)
ASIDE = 2  # steps to each side of the one that would null a walk that are weighed, too
LINGER = 0.004  # probability of holding that a revolution of waiting must be worth
HOPELESS = 0.03  # probability of holding below which a belt that is inside is moved all the same
WORTH = 0.6  # a move must bring the expected square below this share of what leaving alone gives
LATENCY_REV = 0.7  # between advice and the move being made: a walk to the screw and a wrench
KNOWN_CV = 0.4  # gain counts as known when its spread is below this share of it
KNOWN = 0.68  # ... or, of a belt that walks on, when it lies so near its mean with this probability
LARGEST = 10.0  # known gain: at most this many usual moves at once
UNREACHABLE = (
    0.1  # probability of reaching the window with all that the take-up has left, below which it is told
)
APPROACH_REV = 8.0  # the horizon at which moves are compared
PATIENCE_REV = 25.0  # ... and is let walk when it will arrive within this many
PESSIMISM = 0.9985  # the pessimistic end: 3 standard deviations of a normal distribution
RISKED = 0.03  # probability of reaching the edge's limit from which a belt that walks on is rather put back by hand
SMALLER = (1.0, 0.7, 0.5, 0.35, 0.25, 0.12)  # shares of a move of which the least risky is taken after that
RESERVE_MM = 1.0  # kept between the pessimistic edge and edge_stop_mm
OVERSHOOT = 3.0  # a first move may be expected to carry the belt past the middle by so many centre_mm

Kind = Literal["fine", "let-walk", "unsure", "move", "out-of-reach", "heading-out"]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What bounds a move: limits of the station, and how far the edge lies from the whole-belt position.

    both: whether both pulleys carry a sensor. hold_left_revs: what remains of the hold that runs. put_back: the belt
    was put back to the middle by hand since the last move: there is no more room to be had.
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
    put_back: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """signed_mm: the move, positive to send the belt right. holds: probability that the belt then stays
    centred. slack_mm: amounts that differ by less are the same for all that is known. leaves_mm, spread_mm: how far
    off the belt is expected to be after it, and the sd of that.
    """

    kind: Kind
    signed_mm: float = 0.0
    holds: float = 0.0
    arrives_rev: float = 0.0
    explain: str = ""
    slack_mm: float = 0.0
    leaves_mm: float = 0.0
    spread_mm: float = 0.0


def standing_window(bounds: Bounds) -> float:
    """The share of centre_mm for a path in its hold: the fewer revolutions are left, the less it can wander."""
    return HOLD_WINDOW + WANDERED * (1.0 - bounds.hold_left_revs / bounds.hold_revs)


def holds(
    belt: Belt,
    rev: float,
    bounds: Bounds,
    infeed_mm: float = 0.0,
    delay_rev: float = LATENCY_REV,
    comes_rev: float = 0.0,
) -> float:
    """The probability that the belt stays in the window until the hold is over, and its walk can be shown to be nil.

    Left alone, the hold goes on that runs already; a move, made after delay_rev, starts a new one when it has
    taken effect. Either begins comes_rev later where the belt has to walk into the window first.
    """
    anew = infeed_mm or comes_rev
    half = HOLD_WINDOW * bounds.centre_mm if anew else standing_window(bounds) * bounds.centre_mm
    delay, start_rev = (
        (delay_rev, delay_rev + bounds.settle_revs + comes_rev) if infeed_mm else (0.0, comes_rev)
    )
    revs = bounds.hold_revs if anew else bounds.hold_left_revs
    both = bounds.both and abs(offset(belt, rev, bounds)) < BRIDGED * half
    least = 1.0
    for share in (0.0, 0.5, 1.0):
        ahead = belt.ahead(rev, start_rev + share * revs, infeed_mm, delay=delay)
        least = min(least, ahead.infeed.within(-half, half))
        if both:
            least = min(least, ahead.drive.within(-half, half))
    walk_mm = SHOWN * bounds.margin_mm_per_rev
    return min(least, ahead.walk.within(-walk_mm, walk_mm))


def within_reach(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, where: MoveWhere) -> float:
    """The probability that what the take-up still has can bring the belt's resting place into the window there.

    Either all the way to one side or all the way to the other must carry the belt past the window's near border.
    """
    horizon, half = LATENCY_REV + RETURN_REV, HOLD_WINDOW * bounds.centre_mm
    infeed, have_mm = where == "infeed", takeups.difference_mm(where)

    def place(signed_mm: float) -> Mixture:
        moves = (signed_mm, 0.0) if infeed else (0.0, signed_mm)
        ahead = belt.ahead(rev, horizon, *moves, delay=LATENCY_REV)
        return ahead.infeed if infeed else ahead.drive

    if place(0.0).centre > 0.0:
        return min(sum(place(end - have_mm).below(half) for end in (-bounds.reach_mm, bounds.reach_mm)), 1.0)
    return min(
        sum(1.0 - place(end - have_mm).below(-half) for end in (-bounds.reach_mm, bounds.reach_mm)), 1.0
    )


def telling_mm(bounds: Bounds, effect: Mixture, away_mm: float, untouched: bool) -> float:
    """The largest amount while an answer is not well known: the usual one, and more once an answer was seen that
    even at its pessimistic end is so small that the belt would not be carried far past the middle.
    """
    if untouched:
        return bounds.move_mm
    strongest = abs(effect.centre) + 2.0 * effect.spread
    harmless = (abs(away_mm) + bounds.centre_mm) / max(strongest, 1e-6)
    return float(np.clip(harmless, bounds.move_mm, LARGEST * bounds.move_mm))


def offset(belt: Belt, rev: float, bounds: Bounds) -> float:
    """How far to the right of its infeed position the belt will ride at the drive pulley, once it is stopped:
    a skew that walks the belt also sets it askew between the pulleys, so stopping the walk changes the offset.
    """
    if not bounds.both:
        return 0.0
    if belt.walks_on > 0.5 and gain_known(belt):
        return belt.standing_offset().centre
    ahead = belt.ahead(rev, bounds.settle_revs + 2.0)
    return ahead.drive.centre - ahead.infeed.centre


def tries(belt: Belt, bounds: Bounds, takeups: TakeUps, apart: Mixture, walk: float = 0.0) -> float:
    """How many moves at the infeed pulley it takes, on average, until a belt that walks on is stopped so well that
    it stays in the window at both pulleys through a hold, if it rides `apart` there, mm. walk: what it walks
    before the first of them, mm per rev.

    The walk that is left after a move scatters by what a wrench and a hand leave of it, after the first move also
    by a share of the walk it stops; the place where the belt is stopped scatters by its wander.
    """
    gain, window = belt.gain, HOLD_WINDOW * bounds.centre_mm
    left = abs(gain.centre) * math.hypot(unit_mm(belt, bounds, takeups) / math.sqrt(12.0), HAND_MM)
    share = math.hypot(HAND_SHARE, gain.spread / abs(gain.centre))

    def succeeds(walk_left: float, room: float) -> float:
        fits = math.erf(room / math.hypot(0.5 * walk_left * bounds.hold_revs, PLACED_MM) / math.sqrt(2.0))
        shown = math.erf(SHOWN * bounds.margin_mm_per_rev / max(walk_left, 1e-9) / math.sqrt(2.0))
        return min(fits, shown)

    def needs(offset_mm: float) -> float:
        room = window - 0.5 * abs(offset_mm)
        if room < (1.0 - 0.5 * BRIDGED) * window:
            return MOST_TRIES
        first = succeeds(math.hypot(left, share * walk), room)
        return min(1.0 + (1.0 - first) / max(succeeds(left, room), 1e-3), MOST_TRIES)

    # one by one: a far-off model that is hardly believed must not speak for all of them, as it would in a mean square
    some = apart.weight > 1e-3
    offsets = np.hypot(apart.mean[some], apart.sd[some])
    each = np.array([needs(offset) for offset in offsets.tolist()])
    return float(apart.weight[some] @ each / apart.weight[some].sum())


def goal(belt: Belt, rev: float, bounds: Bounds) -> float:
    """Where the infeed position is best: near the middle, leaning so that the drive pulley gains by it."""
    walks = belt.walks_on > 0.5
    lean = 0.5 * BRIDGED * HOLD_WINDOW * bounds.centre_mm if walks else LEAN * bounds.centre_mm
    return float(np.clip(-0.5 * offset(belt, rev, bounds), -lean, lean))


def expected_path_holds(belt: Belt, rev: float, bounds: Bounds, pulley: Pulley = "infeed") -> bool:
    """Whether the expected path, without its spread, stays in the window for the rest of the hold, at a walk so slow
    that it can be shown to be nil.
    """
    path = [belt.ahead(rev, share * bounds.hold_left_revs) for share in (0.0, 0.5, 1.0)]
    if abs(path[1].walk.centre) > SHOWN * bounds.margin_mm_per_rev:
        return False
    if pulley == "drive" and not bounds.both:
        return True
    places = [one.infeed.centre if pulley == "infeed" else one.drive.centre for one in path]
    return max(abs(v) for v in places) <= standing_window(bounds) * bounds.centre_mm


def safe(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float, snub_mm: float = 0.0) -> bool:
    """Whether the edge stays clear of its limit, at the pessimistic end, until the next move can be made."""
    room_right = bounds.edge_stop_mm - RESERVE_MM - bounds.edge_right_mm
    room_left = bounds.edge_stop_mm - RESERVE_MM - bounds.edge_left_mm
    for revs in (1.0, 2.0, bounds.settle_revs + 3.0):
        ahead = belt.ahead(rev, revs, infeed_mm, snub_mm, delay=0.0)
        for place in (ahead.infeed, ahead.drive):
            if 1.0 - place.below(room_right) + place.below(-room_left) > 1.0 - PESSIMISM:
                return False
    return True


def runs_out(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float) -> float:
    """The probability that the edge is at its limit by the time the next move can be made."""
    place = belt.ahead(rev, bounds.settle_revs + 3.0, infeed_mm, delay=0.0).infeed
    room = bounds.edge_stop_mm - RESERVE_MM
    return 1.0 - place.within(-room + bounds.edge_left_mm, room - bounds.edge_right_mm)


def no_worse(belt: Belt, rev: float, bounds: Bounds, infeed_mm: float) -> bool:
    """For a belt that is heading for the edge anyway: the move makes reaching it less likely."""
    return runs_out(belt, rev, bounds, infeed_mm) < 0.8 * runs_out(belt, rev, bounds, 0.0)


def lowest(cost: Callable[[float], float], cap_mm: float) -> float:
    """Where within +-cap_mm a cost is lowest that is quadratic in the amount: expected squares are."""
    below, here, above = cost(-cap_mm), cost(0.0), cost(cap_mm)
    bend = above - 2.0 * here + below
    if not bend > 0.0:
        return -cap_mm if below < above else cap_mm
    return float(np.clip(-0.5 * cap_mm * (above - below) / bend, -cap_mm, cap_mm))


def lessened(amount_mm: float, unit_mm: float, takeups: TakeUps) -> float:
    """A move made smaller by one unit, or by a nudge when it is no larger than that: mm, 0 at the end."""
    less_mm = unit_mm if abs(amount_mm) > 1.01 * unit_mm else takeups.nudge_mm
    return float(round(amount_mm - np.sign(amount_mm) * min(less_mm, abs(amount_mm)), 6))


def _best(belt: Belt, rev: float, revs: float, cap_mm: float, unit_mm: float, goal_mm: float) -> float:
    """The amount within +-cap_mm, in whole units, whose expected squared distance from goal_mm is least."""

    def cost(amount: float) -> float:
        place = belt.ahead(rev, revs, amount, delay=LATENCY_REV).infeed
        return place.square - 2.0 * goal_mm * place.centre

    best = lowest(cost, cap_mm)
    near = [round(best / unit_mm) * unit_mm + k * unit_mm for k in (-1, 0, 1)]
    return min((a for a in near if abs(a) <= cap_mm + 1e-9), key=cost, default=0.0)


def gain_known(belt: Belt) -> bool:
    """Whether it is known well enough how far a move sends this belt.

    Of a belt that walks on, also while something unlikely is still weighed that widens the spread.
    """
    if not belt.sign_known:
        return False
    effect = belt.effect(APPROACH_REV)
    half = KNOWN_CV * abs(effect.centre)
    if effect.spread < half:
        return True
    return belt.walks_on > 0.5 and effect.within(effect.centre - half, effect.centre + half) > KNOWN


@dataclass(frozen=True, slots=True)
class Stop:
    """How a belt that walks is stopped: by which amount, in how many revolutions, and how likely it then holds."""

    signed_mm: float
    in_revs: float
    holds: float


def stopping(belt: Belt, rev: float, bounds: Bounds, unit: float, clear_walk: bool) -> Stop:
    """When and by how much to change a walk so that what remains of it crosses the window evenly in a hold.

    Moving later by t shifts the whole later path by walk * t; so one look ahead, for a move made now, gives
    the time. Of the amounts about the one that would null the walk, the one most likely to hold is taken.
    """
    walk, gain = belt.ahead(rev, 0.0).walk.centre, belt.gain.centre
    middle_mm, half_hold = goal(belt, rev, bounds), bounds.settle_revs + 0.5 * bounds.hold_revs
    exact = -walk / gain / unit
    best, worth = Stop(0.0, np.inf, 0.0), -LINGER * PATIENCE_REV
    for steps in range(int(np.floor(exact)) - ASIDE, int(np.ceil(exact)) + ASIDE + 1):
        amount = round(steps * unit, 4)
        if not amount:
            continue
        mid_hold = belt.ahead(rev, half_hold, amount, delay=0.0)
        short_mm, on_walk = middle_mm - mid_hold.infeed.centre, mid_hold.walk.centre
        stops = []
        if clear_walk:
            in_revs = short_mm / walk
            delay = float(np.clip(in_revs, LATENCY_REV, PATIENCE_REV))
            stops.append((Stop(amount, in_revs, holds(belt, rev, bounds, amount, delay)), delay))
        comes = min(short_mm / on_walk, PATIENCE_REV) if short_mm * on_walk > 0.0 else 0.0
        if comes > 1.0 or not clear_walk:
            odds = holds(belt, rev, bounds, amount, LATENCY_REV, comes)
            if odds > SLOWLY or comes <= 1.0:
                stops.append((Stop(amount, LATENCY_REV, odds), LATENCY_REV + comes))
        for stop, lasts in stops:
            if stop.holds - LINGER * lasts > worth:
                best, worth = stop, stop.holds - LINGER * lasts
    return best


def comes_back(belt: Belt, rev: float, bounds: Bounds) -> tuple[float, float]:
    """Of a belt outside the window that walks back slowly: in how many revolutions it crosses the window so that a
    hold fits in, and how likely it then holds. (0, 0) of any other.
    """
    mid_hold = belt.ahead(rev, 0.5 * bounds.hold_revs)
    short_mm, walk = goal(belt, rev, bounds) - mid_hold.infeed.centre, mid_hold.walk.centre
    if not 0.0 < short_mm * walk < PATIENCE_REV * walk**2:
        return 0.0, 0.0
    return short_mm / walk, holds(belt, rev, bounds, comes_rev=short_mm / walk)


def steer(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps) -> Choice:
    """What to do at the infeed pulley now."""
    alone = holds(belt, rev, bounds)
    if alone >= CONTENT:
        return Choice("fine", holds=alone)
    here, walk = belt.ahead(rev, 0.0).infeed, belt.ahead(rev, 0.0).walk
    inside = abs(here.centre) <= HOLD_WINDOW * bounds.centre_mm
    clear_walk = abs(walk.centre) > 2.0 * walk.spread
    content = expected_path_holds(belt, rev, bounds)
    away_mm = here.centre - goal(belt, rev, bounds)
    arrives = -away_mm / walk.centre if walk.centre * away_mm < 0.0 else np.inf
    preset = 0.0
    if belt.walks_on > 0.5 and gain_known(belt) and (clear_walk or not inside):
        if content and expected_path_holds(belt, rev, bounds, "drive"):
            return Choice("unsure", holds=alone)
        staying = abs(here.centre + SOON_REV * walk.centre) < HOLD_WINDOW * bounds.centre_mm
        vague = walk.spread * bounds.hold_revs > VAGUE * HOLD_WINDOW * bounds.centre_mm
        if inside and staying and (vague or alone > HOPELESS):
            return Choice("unsure", holds=alone)
        comes_rev, odds = (0.0, 0.0) if inside else comes_back(belt, rev, bounds)
        if odds > BACK:
            return Choice("let-walk", holds=odds, arrives_rev=max(comes_rev, 1.0))
        stop = stopping(belt, rev, bounds, unit_mm(belt, bounds, takeups), clear_walk)
        if content and stop.holds < LIKELY:
            return Choice("unsure", holds=alone)
        arrives = stop.in_revs
        if LATENCY_REV + 0.5 < arrives <= PATIENCE_REV:
            return Choice("let-walk", holds=alone, arrives_rev=arrives)
        enough = max(alone + USEFUL, 0.0 if clear_walk else LIKELY)
        preset = stop.signed_mm if arrives <= PATIENCE_REV and stop.holds > enough else 0.0
    elif content or (inside and alone > HOPELESS):
        return Choice("unsure", holds=alone)
    soon = inside or 0.0 < arrives < 4.0
    horizon = LATENCY_REV + (max(0.4 * bounds.hold_revs, APPROACH_REV) if soon else RETURN_REV)
    return _move(belt, rev, bounds, takeups, horizon, alone, preset)


def _first_amount(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, goal_revs: float) -> float:
    """The amount of a first move: the usual one, made smaller until it can do no harm.

    Its direction is the one that should bring the belt back; its expected effect by the time it can be
    judged may carry the belt past the middle by OVERSHOOT times centre_mm at most.
    """
    push = -np.sign(belt.ahead(rev, goal_revs).infeed.centre) * (1.0 if belt.contrary < 0.5 else -1.0)
    soon = bounds.settle_revs + LATENCY_REV
    left = belt.ahead(rev, soon).infeed.centre
    allowed = abs(left) + OVERSHOOT * bounds.centre_mm
    size = bounds.move_mm
    if belt.walks_on < 0.5:
        size = telling_mm(bounds, belt.effect(soon), left, takeups.untouched("infeed"))
    while size > takeups.nudge_mm:
        amount = takeups.rounded(size, fine=size < 0.99 * takeups.step_mm)
        moved = belt.ahead(rev, soon, push * amount).infeed
        fits = abs(moved.centre - left) <= allowed or amount <= takeups.step_mm
        signed_mm = float(push * amount)
        if fits and (safe(belt, rev, bounds, signed_mm) or no_worse(belt, rev, bounds, signed_mm)):
            return signed_mm
        size *= 0.75
    return float(push * takeups.nudge_mm)


def _careful_amount(belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, horizon: float) -> float:
    """An amount while the gain is not known: what is best on average, but never too small to learn from."""
    average = _best(belt, rev, horizon, bounds.move_mm, takeups.nudge_mm, goal(belt, rev, bounds))
    first = _first_amount(belt, rev, bounds, takeups, horizon)
    better = abs(average) > abs(first) and average * first > 0.0
    harmless = better and (safe(belt, rev, bounds, average) or no_worse(belt, rev, bounds, average))
    return average if harmless else first


def unit_mm(belt: Belt, bounds: Bounds, takeups: TakeUps) -> float:
    """The steps in which this belt wants its moves: whole wrench steps, or finer where those are too coarse."""
    if not gain_known(belt):
        return takeups.step_mm
    if belt.walks_on > 0.5:
        finest = 0.4 * bounds.margin_mm_per_rev / max(abs(belt.gain.centre), 1e-9)
    else:
        finest = 0.5 * bounds.centre_mm / max(abs(belt.effect(APPROACH_REV).centre), 1e-9)
    return takeups.unit_mm(finest)


def _move(
    belt: Belt, rev: float, bounds: Bounds, takeups: TakeUps, horizon: float, alone: float, preset: float
) -> Choice:
    """A move at the infeed pulley; preset: the amount when it is already decided, else 0."""
    known, walks = gain_known(belt), belt.walks_on > 0.5
    unit = unit_mm(belt, bounds, takeups)
    if preset:
        amount = wanted = preset
    elif known:
        amount = wanted = _best(
            belt, rev, horizon, 4.0 * LARGEST * bounds.move_mm, unit, goal(belt, rev, bounds)
        )
    else:
        amount = wanted = _careful_amount(belt, rev, bounds, takeups, horizon)
    if known:
        amount = float(np.clip(amount, -LARGEST * bounds.move_mm, LARGEST * bounds.move_mm))
    before = belt.ahead(rev, horizon).infeed
    after = belt.ahead(rev, horizon, amount, delay=LATENCY_REV).infeed
    explain = (
        f"left alone: {before.centre:+.2f} mm (sd {before.spread:.2f}) in {horizon:.1f} rev; "
        f"with {amount:+.2f} mm: {after.centre:+.2f} mm (sd {after.spread:.2f}); gain "
        f"{belt.gain.centre:+.2f} "
        f"(sd {belt.gain.spread:.2f}) mm/rev per mm; walks on with p {belt.walks_on:.2f}; "
        f"holds if left alone with p {alone:.2f}"
    )
    have_mm = takeups.difference_mm("infeed")
    left_mm = np.array([-bounds.reach_mm, bounds.reach_mm]) - have_mm
    amount = float(np.clip(amount, min(left_mm[0], 0.0), max(left_mm[1], 0.0)))
    beyond = abs(have_mm + wanted) > bounds.reach_mm + 1e-6
    hopeless = not amount or (known and walks)
    if beyond and (hopeless or within_reach(belt, rev, bounds, takeups, "infeed") < UNREACHABLE):
        centred = before.within(-bounds.centre_mm, bounds.centre_mm) > LIKELY
        return Choice("unsure" if centred else "out-of-reach", wanted, alone, explain=explain)
    after = belt.ahead(rev, horizon, amount, delay=LATENCY_REV).infeed
    worth = not known or preset or after.square < WORTH * before.square  # as wanted, not as cut for safety
    while known and amount and not (safe(belt, rev, bounds, amount) or no_worse(belt, rev, bounds, amount)):
        amount = lessened(amount, unit, takeups)
    after = belt.ahead(rev, horizon, amount, delay=LATENCY_REV).infeed
    if walks and runs_out(belt, rev, bounds, amount) > RISKED:
        if not bounds.put_back:
            return Choice("heading-out", amount, alone, explain=explain)
        smaller = [round(round(amount * s / takeups.nudge_mm) * takeups.nudge_mm, 4) for s in SMALLER]
        amount = min((a for a in smaller if a), key=lambda a: runs_out(belt, rev, bounds, a), default=amount)
    if not amount or not worth or (not preset and abs(before.centre) < 1.5 * before.spread):
        return Choice("unsure", holds=alone, explain=explain)
    slack = max(after.spread, LEAN * bounds.centre_mm) / max(abs(belt.effect(horizon).centre), 1e-6)
    return Choice(
        "move", round(amount, 4), holds(belt, rev, bounds, amount), explain=explain, slack_mm=slack,
        leaves_mm=abs(after.centre), spread_mm=after.spread,
    )  # fmt: skip
