"""Advice in sentences: one for each thing the procedure can say, with its caution.

A Draft is an advice before it is dated. Two drafts with the same `tag` say the same thing to the person, so
that nothing is said twice and nothing flickers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from monitor.procedure import words
from monitor.procedure.steering import Choice
from monitor.procedure.takeups import TakeUps
from monitor.procedure.words import Units
from monitor.records import Advice, AdviceAction, Event, MoveWhere, Side

CONTRARY_SURE = 0.98  # from which a machine is said to answer the other way
SOON_REVS = 3.0  # a limit reached sooner than a move can be seen to work
PLACE = {"infeed": "infeed pulley", "snub": "snub", "drive": "drive pulley"}


@dataclass(frozen=True, slots=True)
class Draft:
    """What is to be said, not yet when. `tag` is equal for drafts that mean the same."""

    tag: str
    action: AdviceAction
    why: str
    caution: str
    where: MoveWhere | None = None
    side: Side | None = None
    amount_mm: float | None = None
    until_rev: float | None = None
    minutes: float | None = None
    explain: str = ""
    checks: tuple[str, ...] = ()

    def dated(self, t_s: float, rev: int) -> Advice:
        return Advice(
            t_s, rev, self.action, self.why, self.caution, self.where, self.side, self.amount_mm,
            self.until_rev,
            self.minutes, self.explain, self.checks,
        )  # fmt: skip


def _riding(position_mm: float, walk_mm: float, pulley: str, units: Units) -> str:
    side = words.side_of(position_mm)
    if abs(walk_mm) >= 0.3 and abs(walk_mm) * 10 > abs(position_mm):
        return (
            f"The belt walks {words.length(walk_mm, units)} to the {words.side_of(walk_mm)} "
            "each revolution at the "
            f"{PLACE[pulley]}, now {words.length(position_mm, units)} {side} of centre"
        )
    return f"The belt rides {words.length(position_mm, units)} {side} of centre at the {PLACE[pulley]}"


def move(
    where: MoveWhere, choice: Choice, position_mm: float, walk_mm: float, pulley: str, takeups: TakeUps,
    units: Units, contrary: float, usual: bool,
) -> Draft:  # fmt: skip
    """The next move. choice.signed_mm is positive where it should send the belt to the right of a normal
    machine; contrary: the probability that this one answers the other way.
    """
    side, amount = takeups.choose_side(where, choice.signed_mm)
    verb = "tighten" if amount > 0 else "ease"
    units_mm = (takeups.step_mm, takeups.nudge_mm, takeups.nudge_mm / 2.0)
    finest = next((u for u in units_mm if abs(amount / u - round(amount / u)) < 1e-3), units_mm[-1])
    size = words.move_length(amount, units, finest)
    if takeups.pitch_mm is not None:
        size += f" ({words.turns(amount, takeups.pitch_mm)} of the screw)"
    toward = words.side_of(-choice.signed_mm if contrary > 0.5 else choice.signed_mm)
    rule = "that sends it"
    if contrary > 0.5:
        rule = (
            "on this machine that sends it"
            if contrary > CONTRARY_SURE
            else "going by its last answer, that sends it"
        )
    tail = "" if usual else " Small, as it is not yet known how strongly this belt answers."
    if abs(amount) < 0.45 * takeups.step_mm:
        tail += " That is less than a step of the wrench: turn the screw slowly, and no further."
    why = (
        f"{_riding(position_mm, walk_mm, pulley, units)}: {verb} the {side} side of the "
        f"{PLACE[where]} by {size}; "
        f"{rule} to the {toward}.{tail}"
    )
    caution = words.CAUTION_SNUB if where == "snub" else words.CAUTION_MOVE
    return Draft(
        f"move {where} {choice.signed_mm:+.3f}", "move", why, caution, where, side, round(amount, 3),
        explain=choice.explain,
    )  # fmt: skip


def wait(tag: str, why: str, until_rev: float, rev: float, rev_seconds: float, explain: str = "") -> Draft:
    """Leave the belt alone until a whole number of revolutions is over."""
    left = max(until_rev - rev, 0.0)
    minutes = left * rev_seconds / 60.0 if math.isfinite(rev_seconds) else None
    return Draft(
        tag, "wait", why, words.CAUTION_WATCH, until_rev=until_rev,
        minutes=None if minutes is None else round(minutes, 2), explain=explain,
    )  # fmt: skip


def span(until_rev: float, rev: float, rev_seconds: float) -> str:
    """`3 more revolutions (about 1.4 minutes)`."""
    left = max(until_rev - rev, 0.0)
    count = words.revolutions(left).replace(" rev", " more rev")
    if not math.isfinite(rev_seconds):
        return count
    return f"{count} (about {words.minutes(left * rev_seconds / 60.0)})"


def warned(draft: Draft, to_limit: tuple[float, float]) -> Draft:
    """The same with what is to come if the belt goes on walking as it does: revolutions and minutes."""
    revs, minutes = to_limit
    text = f"At this walk the edge reaches its limit in about {words.revolutions(max(revs - 0.5, 1.0))}"
    about = f" ({words.minutes(minutes)})" if math.isfinite(minutes) else ""
    then = (
        "stop the conveyor if it does not turn back" if revs < SOON_REVS else "keep the stop control in reach"
    )
    return replace(draft, why=f"{draft.why} {text}{about}: {then}.")


REMINDER = "Still due; if it was made, log it."


def reminded(draft: Draft) -> Draft:
    """The same advice once more, after a long time in which nothing was logged."""
    return draft if draft.why.endswith(REMINDER) else replace(draft, why=f"{draft.why} {REMINDER}")


def check(tag: str, why: str, causes: tuple[str, ...], explain: str = "") -> Draft:
    """Stop moving things; look for the cause, in this order."""
    return Draft(f"check {tag}", "check", why, words.CAUTION_CHECK, checks=causes, explain=explain)


def section(event: Event, units: Units, marks: bool, off: str = "") -> Draft:
    """A section wobbles: no move of a take-up mends a belt. marks: the belt has a mark to measure from; off: the
    pulleys where the whole belt does not ride centred, either.
    """
    place = words.stretch(event.start_mm, event.end_mm, units, marks)
    size = f" by {words.length(abs(event.value_mm), units)}" if event.value_mm is not None else ""
    look = "Look at that place." if marks else "Watch for it as the belt goes round, then look at it."
    why = f"One section of the belt swings out{size}{place and ', '}{place}: no move at a take-up mends that. {look}"
    if off:
        why += f" The whole belt is not centred, either, at the {off} pulley: that comes when the section is mended."
    return check(f"section {off}".strip(), why, words.CAUSES_SECTION)


def stop(edge_mm: float | None, units: Units) -> Draft:
    where = f" ({words.length(edge_mm, units)} out)" if edge_mm is not None else ""
    why = (
        f"STOP the conveyor: the belt's edge is at its limit{where}. Then find out why before it runs again."
    )
    return Draft("check stop", "check", why, words.CAUTION_STOP, checks=words.CAUSES_FRAME)


HEADING_OUT = (
    "STOP the conveyor: the belt walks to its edge, and it is not yet known surely enough which move turns it back in "
    "time. Locked out, bring the belt back to the middle by hand and look which screws were really moved; then enter "
    "the stage watch again, and start."
)


def heading_out(explain: str) -> Draft:
    """A belt that walks on has used up its room before its answers were known: it needs room, not a bold move."""
    return Draft(
        "check heading-out",
        "check",
        HEADING_OUT,
        words.CAUTION_BY_HAND,
        checks=words.CAUSES_FRAME,
        explain=explain,
    )


def done(stage: str) -> Draft:
    """The belt is tracked."""
    if stage == "sign":
        return Draft("none sign", "none", "The belt is tracked and locked: sign it off.", words.CAUTION_WATCH)
    why = (
        "The belt is tracked: leave the take-ups where they are, tighten the lock bolts, "
        "bearing set-screws and snub "
        "jacks, and see that it stays centred."
    )
    return Draft("none lock", "none", why, words.CAUTION_LOCK)
