"""What the record of a run-in states, taken from the replay and from nothing else.

Every figure is the replay's own (its revolutions, events or summary); here they are only chosen and paired:
as found and as left, what each move did, the hold behind the verdict, bad sections, alarms, signatures.
A move's effect is the whole-belt position once it had its settle_revs revolutions, less that of the last
revolution completed before it; where the next move or the end came sooner it is told as not settled.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from monitor.outside.replay import Replay
from monitor.records import Event, Pulley, Revolution, RevolutionRow

SET_UP = {
    "level-along": "Level along the frame",
    "level-across": "Level across the frame",
    "square": "Shafts square",
    "tension": "Tension",
}


@dataclass(frozen=True, slots=True)
class MoveDone:
    """A move and what it did. before, after: the rows at each pulley, where there are any."""

    number: int
    event: Event
    before: dict[Pulley, RevolutionRow]
    after: dict[Pulley, RevolutionRow]
    settled: bool
    advised: Event | None
    alarms: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proved:
    """One pulley over the hold: the event's figures with the decimals of its evidence, mm and mm per revolution."""

    pulley: str
    mean: str
    walk: str
    low: str
    high: str
    margin: str
    p: str
    worst_mm: float


@dataclass(frozen=True, slots=True)
class HoldProved:
    """The hold that led to the verdict `tracked`. lost: why it counts no longer, or None."""

    at_s: float
    revolutions: int
    minutes: str
    first_rev: int
    last_rev: int
    pulleys: tuple[Proved, ...]
    evidence: str
    lost: str | None


@dataclass(frozen=True, slots=True)
class BadSection:
    """A stretch of the belt that left its profile; mm from the mark. end_s None: still so at the end."""

    sensor: str
    start_mm: float
    end_mm: float
    most_mm: float
    start_s: float
    first_rev: int
    end_s: float | None
    last_rev: int | None


@dataclass(slots=True)
class AlarmSeen:
    """One alarm at one place: how often, and whether it still stood at the end."""

    name: str
    where: str
    first_s: float
    times: int = 0
    cleared_s: float | None = None
    stood_s: float = 0.0
    raised_s: float = field(default=math.nan)


@dataclass(frozen=True, slots=True)
class Signed:
    """A stage that a person said was done."""

    by: str
    at_s: float
    measurements: dict[str, Any]


def pulleys(replay: Replay) -> tuple[Pulley, ...]:
    """The pulleys that have a sensor, infeed first."""
    fitted = {sensor.pulley for sensor in replay.station.sensor}
    order: tuple[Pulley, ...] = ("infeed", "drive")
    return tuple(p for p in order if p in fitted)


def best_row(revolution: Revolution, pulley: Pulley) -> RevolutionRow | None:
    """The row of the sensor that knows the position at a pulley best; None where none knows it."""
    known = [r for r in revolution.rows if r.pulley == pulley and math.isfinite(r.position_mm)]
    return min(known, key=lambda r: r.position_se_mm, default=None)


def as_found(replay: Replay, pulley: Pulley) -> RevolutionRow | None:
    """The first revolution with a known position."""
    rows = (best_row(revolution, pulley) for revolution in replay.found_revolutions)
    return next((row for row in rows if row is not None), None)


def as_left(replay: Replay, pulley: Pulley) -> RevolutionRow | None:
    """The last known row: the one whose figures are `final` in summary.json."""
    last = {row.sensor: row for revolution in replay.found_revolutions for row in revolution.rows}
    known = [r for r in last.values() if r.pulley == pulley and math.isfinite(r.position_mm)]
    return min(known, key=lambda r: r.position_se_mm, default=None)


# ---------------------------------------------------------------- moves


def moves_done(replay: Replay) -> list[MoveDone]:
    """Every logged move, in order, with what the belt did after it."""
    events = [e for e in replay.found_events if e.kind == "move"]
    ends = [e.t_s for e in events] + [math.inf]
    return [_move(replay, k + 1, event, ends[k + 1]) for k, event in enumerate(events)]


def _move(replay: Replay, number: int, event: Event, end_s: float) -> MoveDone:
    turns = replay.found_revolutions
    before = _rows(replay, reversed([r for r in turns if r.end_s <= event.t_s]))
    later = [r for r in turns if r.start_s >= event.t_s and r.end_s <= end_s]
    due = event.rev + replay.station.procedure.settle_revs + 1
    settled = [r for r in later if r.rev >= due]
    after = _rows(replay, settled) or _rows(replay, reversed(later))
    # advice of the same instant is the answer to this very move; what was advised came before it
    said = [e for e in replay.found_events if e.kind == "advice" and e.t_s < event.t_s]
    advised = said[-1] if said and said[-1].name == "move" else None
    names = ("early-move", "no-response")
    raised = [e.name for e in replay.found_events if e.kind == "alarm-raised" and event.t_s <= e.t_s < end_s]
    return MoveDone(
        number, event, before, after, bool(settled), advised, tuple(n for n in names if n in raised)
    )


def _rows(replay: Replay, turns: Iterable[Revolution]) -> dict[Pulley, RevolutionRow]:
    found: dict[Pulley, RevolutionRow] = {}
    for turn in turns:
        for pulley in pulleys(replay):
            row = best_row(turn, pulley)
            if row is not None:
                found.setdefault(pulley, row)
    return found


# ---------------------------------------------------------------- hold


def hold_proved(replay: Replay) -> HoldProved | None:
    """The last hold that was completed; None when none was."""
    done = [
        (event, event.details["hold"], event.details["evidence"])
        for event in replay.found_events
        if event.kind == "stage" and event.name == "lock" and event.details and "hold" in event.details
    ]
    if not done:
        return None
    event, hold, evidence = done[-1]
    lost = None
    if replay.summary["verdict"] != "tracked":
        lost = " ".join(replay.summary["reasons"]) or "The verdict is no longer tracked."
    first, last = hold["first_rev"], hold["last_rev"]
    margin = f"{hold['margin_mm_per_rev']:g}"
    proved = tuple(
        Proved(
            pulley, f"{p['mean_mm']:+.2f}", f"{p['walk_mm_per_rev']:+.3f}", f"{p['walk_low_mm_per_rev']:+.3f}",
            f"{p['walk_high_mm_per_rev']:+.3f}", margin, f"{p['p']:.4f}", _worst(replay, pulley, first, last),
        )
        for pulley, p in hold["pulleys"].items()
    )  # fmt: skip
    minutes = f"{hold['seconds'] / 60:.1f}"
    return HoldProved(event.t_s, hold["revolutions"], minutes, first, last, proved, evidence, lost)


def _worst(replay: Replay, pulley: str, first: int, last: int) -> float:
    """The largest distance from centre in any revolution of the hold, mm; NaN when none was seen."""
    found = [
        abs(row.position_mm)
        for revolution in replay.found_revolutions
        if first <= revolution.rev <= last
        for row in revolution.rows
        if row.pulley == pulley and math.isfinite(row.position_mm)
    ]
    return max(found, default=math.nan)


# ---------------------------------------------------------------- the belt, alarms, people


def bad_sections(replay: Replay) -> list[BadSection]:
    """Every section-wobble that was raised, in order."""
    found: list[BadSection] = []
    for n, e in enumerate(replay.found_events):
        if e.kind != "alarm-raised" or e.name != "section-wobble" or e.start_mm is None or e.end_mm is None:
            continue
        later = (x for x in replay.found_events[n + 1 :] if x.name == e.name and x.sensor == e.sensor)
        end = next((x for x in later if x.kind == "alarm-cleared"), None)
        most = abs(e.value_mm or 0.0)
        found.append(
            BadSection(
                e.sensor or "", e.start_mm, e.end_mm, most, e.t_s, e.rev,
                end.t_s if end else None, end.rev if end else None,
            )
        )  # fmt: skip
    return found


def alarms_seen(replay: Replay) -> list[AlarmSeen]:
    """Alarms by name and place, in the order in which they first came."""
    found: dict[tuple[str, str], AlarmSeen] = {}
    for e in replay.found_events:
        key = (e.name, e.sensor or e.pulley or "bay")
        if e.kind == "alarm-raised":
            seen = found.setdefault(key, AlarmSeen(*key, e.t_s))
            seen.times, seen.raised_s, seen.cleared_s = seen.times + 1, e.t_s, None
        elif e.kind == "alarm-cleared" and key in found:
            found[key].cleared_s = e.t_s
            found[key].stood_s += e.t_s - found[key].raised_s
    return list(found.values())


def set_up(replay: Replay) -> dict[str, Event | None]:
    """What was said of each part of the set-up, the last time it was; None: never."""
    found: dict[str, Event | None] = dict.fromkeys(SET_UP)
    for e in replay.found_events:
        if e.kind == "note" and e.name in SET_UP and e.details is not None:
            found[e.name] = e
    return found


def signed(replay: Replay, stage: str) -> Signed | None:
    """Who said last that a stage is done."""
    done = [
        e
        for e in replay.found_events
        if e.kind == "stage" and e.name == stage and (e.details or {}).get("what") == "done"
    ]
    if not done:
        return None
    details = {k: v for k, v in (done[-1].details or {}).items() if k != "what"}
    return Signed(done[-1].by or "", done[-1].t_s, details)


def touched_after(replay: Replay, at_s: float) -> int:
    """How many moves were logged after a moment."""
    return sum(e.kind == "move" and e.t_s > at_s for e in replay.found_events)


def remarks(replay: Replay) -> list[Event]:
    """Notes of people and of the program, but for what the record tells elsewhere."""
    elsewhere = {*SET_UP, "hold-broken"}
    return [
        e
        for e in replay.found_events
        if e.kind == "note" and e.name not in elsewhere and not _says_not_made(e)
    ]


def _says_not_made(event: Event) -> bool:
    return event.name == "set-up" and "recorded as not made" in (event.text or "")
