"""The life of each alarm after ISA-18.2 / IEC 62682, and the rules that keep alarms few.

States are those of the bus: normal, unacknowledged, acknowledged, returned-unacknowledged, shelved.

    normal --raised--> unacknowledged --acknowledge--> acknowledged --cleared--> normal
    unacknowledged --cleared--> returned-unacknowledged --acknowledge--> normal, or --raised--> unacknowledged

A latching alarm's return must be acknowledged even when the alarm was. A shelved alarm is silent until its
end, then it is what it would have been. A suppressed alarm (see the table's `suppressed_by`) is not
annunciated while its suppressor stands, and is when the suppressor goes and the alarm still stands.

On-delay: only behind another alarm. Each detector raises only when its estimate and that estimate's own spread leave
one false alarm in so many revolutions; to wait longer would charge a true alarm twice. But a consequence outlasts its
cause as it came behind it: an alarm that was raised so long after the one that suppresses it stays suppressed for twice
that lag after the other has gone, at most a tenth of its time to respond, and the urgent one not at all. What nobody
should be called for again is handled at the return, as follows.

Chatter: an alarm that was raised three times within 60 s repeats faster than a person can answer, so it is held raised
until it has been quiet for 60 s (three in a minute is the usual definition of a chattering alarm, from EEMUA 191 and
ISA-18.2, quoted from memory). So no alarm is annunciated more than three times a minute.

Off-delay: an alarm that keeps coming back more slowly is held, too, and how long follows from its own record, not from
a fixed time. Were its pauses exponential, then of k of them with the longest M the next one exceeds c M with the
probability E exp(-c M) = k! / ((c+1)(c+2)...(c+k)), whatever their mean (the order statistics of the exponential: M is
the sum of k independent spacings of rates 1 to k). The hold is c(k) M with that probability set to RETURN_ERROR: of
the returns that are told, that share is only a pause, and a call follows. RETURN_ERROR is what the flood limit
leaves: the quickest nuisance that the chatter rule does not hold comes every 20 s, and is to take at most half of
the one call in ten minutes, so 0.5 * 20 / 600 = 1/60. Then c(2) = 9.5, c(3) = 5.1, c(8) = 2.2, c(19) = 1.3; more memory
would gain little (1 at 59 pauses) and follow a change late: hence PAUSES. One pause alone would ask for 59 times its
length, so it takes two (PAUSES_NEEDED).

An alarm that called nobody, since another one suppressed it, is not held: else it would call when the other goes.

The hold's bounds. An alarm that stays away for ten minutes is by itself within EEMUA 191's one call in ten minutes, so
each of its calls is worth making, longer pauses are not recorded, and no hold is longer (LONGEST_HOLD_S). The record
is forgotten after a quiet that no record leaves possible at the same error: c(2) times that (FORGET_S). The urgent
alarm must call again soon: its hold ends with the chatter rule's 60 s.

Flood: when nine alarms were annunciated within ten minutes, a further one waits, shown as suppressed by `flood`, until
that is no longer so (ten in ten minutes is EEMUA 191's limit of what a person can follow, from memory; the tenth
place is left for an urgent alarm, which never waits).

Pure: time is passed in as `t_s`, seconds on one growing clock of the caller's. Nothing here is lost by being
called twice: raising what is raised or clearing what is clear changes nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from monitor.alarms.catalogue import PRIORITIES, AlarmEntry, find_alarm
from monitor.errors import EntryError
from monitor.records import AlarmAcknowledged, AlarmShelved, Event, plain

AlarmState = Literal["normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved"]
CHATTER_RAISES = 3
CHATTER_WINDOW_S = 60.0
FLOOD_CALLS, FLOOD_WINDOW_S = 9, 600.0
FLOOD = "flood"
LAGS, GRACE_SHARE = 2.0, 0.1
RETURN_ERROR = (
    0.5 * CHATTER_WINDOW_S / CHATTER_RAISES / FLOOD_WINDOW_S
)  # of told returns, that are only a pause
PAUSES_NEEDED, PAUSES = 2, 19  # of an alarm's last pauses: how many say anything, how many are remembered
LONGEST_HOLD_S = FLOOD_WINDOW_S
MAX_SHELVE_MINUTES = 30.0  # so that whoever shelved it is still there; what lasts longer is to be mended


def hold_factor(pauses: int, error: float = RETURN_ERROR) -> float:
    """c(k): so many times the longest of k exponential pauses is exceeded by the next with probability `error`."""
    low, high = 0.0, 1.0 / error  # for one pause it is 1/error - 1, for more it is less
    for _ in range(60):
        factor = 0.5 * (low + high)
        longer = math.prod(i / (factor + i) for i in range(1, pauses + 1))
        low, high = (factor, high) if longer > error else (low, factor)
    return 0.5 * (low + high)


HOLD_FACTORS = {pauses: hold_factor(pauses) for pauses in range(PAUSES_NEEDED, PAUSES + 1)}
FORGET_S = HOLD_FACTORS[PAUSES_NEEDED] * LONGEST_HOLD_S


@dataclass(frozen=True, slots=True)
class AlarmStatus:
    """One alarm as it stands: the content of its retained message, without the envelope.

    `active`: the condition is true at this moment. `annunciations` counts how often a person was called.
    """

    where: str
    name: str
    state: AlarmState = "normal"
    active: bool = False
    raised_s: float | None = None
    cleared_s: float | None = None
    value_mm: float | None = None
    start_mm: float | None = None
    end_mm: float | None = None
    acknowledged_by: str | None = None
    shelved_until_s: float | None = None
    shelved_by: str | None = None
    shelved_why: str | None = None
    suppressed_by: str | None = None
    chattering: bool = False
    annunciations: int = 0

    def as_dict(self) -> dict[str, Any]:
        """With the table's words; JSON-ready, None where not known."""
        entry = find_alarm(self.name)
        words = {key: getattr(entry, key) for key in ("priority", "cause", "consequence", "action")}
        own = {key: plain(getattr(self, key)) for key in self.__slots__}
        return {**own, **words, "respond_within_s": entry.respond_within_s}


@dataclass(slots=True)
class _Alarm:
    """One alarm's memory: its status, and what the status does not show."""

    status: AlarmStatus
    entry: AlarmEntry
    acknowledged: bool = True  # of the present raise or return
    acknowledged_before: bool = True  # what it was when the present raise came
    called: bool = False  # the present raise was annunciated
    condition: bool = False  # as last reported, before the chatter rule
    raises_s: list[float] = field(default_factory=list)
    pauses_s: deque[float] = field(default_factory=lambda: deque(maxlen=PAUSES))
    changed_s: float = -math.inf
    after: str | None = None  # the alarm that suppresses it, or did until just now
    grace_s: float = 0.0
    free_s: float | None = None  # when that one's going counts


class AlarmLifecycle:
    """All alarms of one bay. Every call gives back the statuses that changed, in a fixed order."""

    def __init__(self) -> None:
        self._alarms: dict[tuple[str, str], _Alarm] = {}
        self._t_s = 0.0
        self._calls_s: deque[float] = deque()  # when people were called of late

    # ------------------------------------------------------------ what it is fed

    def take(self, event: Event, t_s: float | None = None) -> list[AlarmStatus]:
        """An event of the pipeline. `t_s` is the time now when it is later than the event's own stamp."""
        if event.kind not in ("alarm-raised", "alarm-cleared"):
            return []
        where = event.sensor or event.pulley or "bay"
        now_s = event.t_s if t_s is None else t_s
        if event.kind == "alarm-cleared":
            return self.clear(where, event.name, now_s, stamp_s=event.t_s)
        figures = {"value_mm": event.value_mm, "start_mm": event.start_mm, "end_mm": event.end_mm}
        return self.raise_alarm(where, event.name, now_s, stamp_s=event.t_s, **figures)

    def raise_alarm(
        self, where: str, name: str, t_s: float, *, stamp_s: float | None = None, **figures: float | None
    ) -> list[AlarmStatus]:
        """The condition became true. `stamp_s` is when, if that was earlier than now. Raises EntryError."""
        before = self._begin(t_s)
        alarm = self._alarm(where, name)
        if not alarm.condition:
            self._note_change(alarm, condition=True)
            if not alarm.status.active:
                alarm.acknowledged_before, alarm.acknowledged, alarm.called = alarm.acknowledged, False, False
            stamp = self._t_s if stamp_s is None else stamp_s
            alarm.status = replace(alarm.status, active=True, raised_s=stamp, cleared_s=None)
        known = {key: figure for key, figure in figures.items() if figure is not None}
        if known:
            alarm.status = replace(alarm.status, **known)  # type: ignore[arg-type]
        return self._changed(before)

    def clear(self, where: str, name: str, t_s: float, *, stamp_s: float | None = None) -> list[AlarmStatus]:
        """The condition is gone. Raises EntryError for an alarm that does not exist."""
        before = self._begin(t_s)
        find_alarm(name)
        alarm = self._alarms.get((where, name))
        if alarm is not None and alarm.condition:
            self._note_change(alarm, condition=False)
            alarm.status = replace(alarm.status, cleared_s=self._t_s if stamp_s is None else stamp_s)
            self._settle_return(alarm)
        return self._changed(before)

    def acknowledge(self, entry: AlarmAcknowledged) -> list[AlarmStatus]:
        """A person has seen an alarm. Raises EntryError when there is nothing to acknowledge."""
        before = self._begin(entry.t_s)
        alarm = self._existing(entry.where, entry.name)
        if alarm.acknowledged:
            raise EntryError(
                f"{entry.where} {entry.name} has nothing to acknowledge; it is {alarm.status.state}"
            )
        alarm.acknowledged = True
        alarm.status = replace(alarm.status, acknowledged_by=entry.by or None)
        return self._changed(before)

    def shelve(self, entry: AlarmShelved) -> list[AlarmStatus]:
        """Silence an alarm for some minutes; 0 ends it. Raises EntryError when that may not be."""
        before = self._begin(entry.t_s)
        kind = find_alarm(entry.name)
        if not kind.shelvable:
            raise EntryError(f"{entry.name} calls for an immediate stop and cannot be shelved")
        if not 0.0 <= entry.minutes <= MAX_SHELVE_MINUTES:
            raise EntryError(f"minutes must be from 0 to {MAX_SHELVE_MINUTES:g}, not {entry.minutes:g}")
        alarm = self._alarm(entry.where, entry.name)
        until_s = self._t_s + 60.0 * entry.minutes if entry.minutes > 0.0 else None
        alarm.status = replace(
            alarm.status,
            shelved_until_s=until_s,
            shelved_by=(entry.by or None) if until_s is not None else None,
            shelved_why=(entry.why or None) if until_s is not None else None,
        )
        return self._changed(before)

    def advance(self, t_s: float) -> list[AlarmStatus]:
        """Time is now `t_s`: shelving ends, chatter calms."""
        return self._changed(self._begin(t_s))

    def clear_all(self, t_s: float, *, keep: Iterable[tuple[str, str]] = ()) -> list[AlarmStatus]:
        """Nothing is known of the conditions any more (another belt): each one that stood has returned."""
        before = self._begin(t_s)
        kept = set(keep)
        for key, alarm in self._alarms.items():
            if key in kept:
                continue
            alarm.condition, alarm.raises_s = False, []
            alarm.pauses_s.clear()
            if alarm.status.active:
                alarm.status = replace(alarm.status, cleared_s=self._t_s)
                self._settle_return(alarm)
        return self._changed(before)

    # ------------------------------------------------------------ what it tells

    def snapshot(self) -> list[AlarmStatus]:
        """Every alarm that was ever raised, by place and name."""
        return [self._alarms[key].status for key in sorted(self._alarms)]

    def standing(self) -> list[AlarmStatus]:
        """The alarms that a person should know of now: neither normal, shelved nor suppressed."""
        return [s for s in self.snapshot() if s.state not in ("normal", "shelved")]

    @property
    def now_s(self) -> float:
        """The caller's clock, as last told."""
        return self._t_s

    def status(self, where: str, name: str) -> AlarmStatus:
        """One alarm's status; normal when it was never raised. Raises EntryError for an unknown name."""
        find_alarm(name)
        alarm = self._alarms.get((where, name))
        return alarm.status if alarm else AlarmStatus(where, name)

    def restore(self, unacknowledged: Iterable[tuple[str, str]]) -> list[AlarmStatus]:
        """After a restart: alarms that nobody had acknowledged have returned, and still want to be seen."""
        before = self._begin(self._t_s)
        for where, name in unacknowledged:
            self._alarm(where, name).acknowledged = False
        return self._changed(before)

    # ------------------------------------------------------------ the rules

    def _begin(self, t_s: float) -> dict[tuple[str, str], AlarmStatus]:
        before = {key: alarm.status for key, alarm in self._alarms.items()}
        if math.isfinite(t_s):
            self._t_s = max(self._t_s, t_s)
        return before

    def restart_clock(self, t_s: float = 0.0) -> None:
        """The caller's clock starts over (a new log): what lasts is moved to the new clock."""
        shift_s = t_s - self._t_s
        self._t_s = t_s
        for alarm in self._alarms.values():
            status = alarm.status
            until_s = None if status.shelved_until_s is None else status.shelved_until_s + shift_s
            alarm.status = replace(status, shelved_until_s=until_s)
            if not status.active:
                alarm.status = replace(alarm.status, raised_s=None, cleared_s=None)
            alarm.raises_s = [r + shift_s for r in alarm.raises_s]
            alarm.changed_s += shift_s
            alarm.free_s = None if alarm.free_s is None else alarm.free_s + shift_s
        self._calls_s = deque(call_s + shift_s for call_s in self._calls_s)

    def _alarm(self, where: str, name: str) -> _Alarm:
        key = (where, name)
        if key not in self._alarms:
            self._alarms[key] = _Alarm(AlarmStatus(where, name), find_alarm(name))
        return self._alarms[key]

    def _existing(self, where: str, name: str) -> _Alarm:
        find_alarm(name)
        alarm = self._alarms.get((where, name))
        if alarm is None:
            raise EntryError(f"{name} was never raised at '{where}'")
        return alarm

    def _note_change(self, alarm: _Alarm, *, condition: bool) -> None:
        quiet_s = self._t_s - alarm.changed_s
        if quiet_s >= CHATTER_WINDOW_S:
            alarm.raises_s = []
        if condition and quiet_s <= LONGEST_HOLD_S:
            alarm.pauses_s.append(quiet_s)
        elif condition and quiet_s > FORGET_S:
            alarm.pauses_s.clear()
        alarm.condition, alarm.changed_s = condition, self._t_s
        if condition:
            alarm.raises_s = [r for r in alarm.raises_s if self._t_s - r < CHATTER_WINDOW_S] + [self._t_s]

    def _hold_s(self, alarm: _Alarm) -> float:
        """How long it must be quiet before its return counts."""
        chatter_s = CHATTER_WINDOW_S if len(alarm.raises_s) >= CHATTER_RAISES else 0.0
        if len(alarm.pauses_s) < PAUSES_NEEDED:
            return chatter_s
        longest_s = CHATTER_WINDOW_S if alarm.entry.priority == "urgent" else LONGEST_HOLD_S
        return max(chatter_s, min(HOLD_FACTORS[len(alarm.pauses_s)] * max(alarm.pauses_s), longest_s))

    def _chatters(self, alarm: _Alarm) -> bool:
        return self._t_s - alarm.changed_s < self._hold_s(alarm)

    def _flooded(self, alarm: _Alarm) -> bool:
        while self._calls_s and self._t_s - self._calls_s[0] >= FLOOD_WINDOW_S:
            self._calls_s.popleft()
        return len(self._calls_s) >= FLOOD_CALLS and alarm.entry.priority != "urgent"

    def _settle_return(self, alarm: _Alarm) -> None:
        """The condition is gone: so is the alarm, unless it is held because it keeps calling people."""
        if alarm.condition or not alarm.status.active or (alarm.called and self._chatters(alarm)):
            return
        if alarm.called:
            alarm.acknowledged = alarm.acknowledged and not alarm.entry.latching
        else:  # nobody was called, so nobody need acknowledge it
            alarm.acknowledged = alarm.acknowledged_before
        alarm.status = replace(alarm.status, active=False)

    def _suppressor(self, alarm: _Alarm) -> str | None:
        """The name of the alarm that makes this one pointless, if one stands or went just now."""
        cause = self._cause(alarm)
        if cause is not None:
            lag_s = max((alarm.status.raised_s or 0.0) - (cause.raised_s or 0.0), 0.0)
            grace_s = 0.0 if alarm.entry.priority == "urgent" else alarm.entry.respond_within_s * GRACE_SHARE
            alarm.after, alarm.grace_s, alarm.free_s = cause.name, min(LAGS * lag_s, grace_s), None
        elif alarm.after is not None:
            alarm.free_s = self._t_s + alarm.grace_s if alarm.free_s is None else alarm.free_s
            if self._t_s >= alarm.free_s:
                alarm.after = None
        return alarm.after

    def _cause(self, alarm: _Alarm) -> AlarmStatus | None:
        for name in alarm.entry.suppressed_by:
            for place in dict.fromkeys((alarm.status.where, "bay")):
                other = self._alarms.get((place, name))
                if other is not None and other.status.active:
                    return other.status
        return None

    def _changed(self, before: dict[tuple[str, str], AlarmStatus]) -> list[AlarmStatus]:
        for key in sorted(self._alarms):
            self._settle_return(self._alarms[key])
        for key in sorted(self._alarms, key=self._urgency):
            self._assess(self._alarms[key])
        return [a.status for k, a in sorted(self._alarms.items()) if a.status != before.get(k)]

    def _urgency(self, key: tuple[str, str]) -> tuple[int, tuple[str, str]]:
        """The order of calling: when only one more may be called, the most urgent is."""
        return PRIORITIES.index(self._alarms[key].entry.priority), key

    def _assess(self, alarm: _Alarm) -> None:
        status = alarm.status
        until_s = status.shelved_until_s
        if until_s is not None and self._t_s >= until_s:
            status = replace(status, shelved_until_s=None, shelved_by=None, shelved_why=None)
        if not status.active:
            alarm.after = None
        suppressor = self._suppressor(alarm) if status.active else None
        if suppressor is None and self._would_call(alarm, status) and self._flooded(alarm):
            suppressor = FLOOD
        state = self._state(alarm, status, suppressor)
        called = state == "unacknowledged" and status.state != "unacknowledged"
        if called:
            alarm.called = True
            self._calls_s.append(self._t_s)
            status = replace(status, acknowledged_by=None)
        alarm.status = replace(
            status,
            state=state,
            suppressed_by=suppressor,
            chattering=status.active and self._chatters(alarm),
            annunciations=status.annunciations + (1 if called else 0),
        )

    def _would_call(self, alarm: _Alarm, status: AlarmStatus) -> bool:
        return self._state(alarm, status, None) == "unacknowledged" != status.state

    def _state(self, alarm: _Alarm, status: AlarmStatus, suppressor: str | None) -> AlarmState:
        if status.shelved_until_s is not None:
            return "shelved"
        if status.active:
            if alarm.acknowledged:
                return "acknowledged"
            if suppressor is not None and status.state in ("normal", "returned-unacknowledged"):
                return status.state
            if suppressor == FLOOD:
                return "normal"
            return "unacknowledged"
        return "normal" if alarm.acknowledged else "returned-unacknowledged"
