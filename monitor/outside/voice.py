"""What the bay says: the pipeline's messages become alarms with a life, and messages in the outbox.

Everything that must not be lost is committed to the outbox in one transaction for each call, in the order in which it
happened, together with how many of the run's messages that makes: what the log of a killed process holds beyond that
number is said by the next one (`say_late`). When the disk refuses, messages wait in memory, bounded, and the loss is
counted and said. Without a broker the alarms still live here and everything is still said in the daemon's own lines.
"""

from __future__ import annotations

import contextlib
import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from functools import partial
from typing import Any

from monitor.alarms.catalogue import PRIORITIES, find_alarm
from monitor.alarms.lifecycle import AlarmLifecycle, AlarmStatus
from monitor.errors import EntryError
from monitor.outside.log_lines import fault, note, warn
from monitor.outside.outbox import Draft, Kind, Outbox, OutboxBroken
from monitor.outside.payloads import (
    Payload,
    advice_payload,
    alarm_payload,
    envelope,
    event_payload,
    revolution_payload,
    to_json,
)
from monitor.procedure.buttons import ACKNOWLEDGE
from monitor.records import Advice, AlarmAcknowledged, Event, Message, Revolution, plain

MAX_IN_MEMORY = 5_000
ALARMS_FACT = "alarms"


class Voice:
    """See the module's opening lines."""

    def __init__(
        self,
        outbox: Outbox | None,
        utc: Callable[[], datetime],
        overhear: Callable[[Any], None] | None = None,
    ) -> None:
        """`overhear` is given every message and every alarm's new status; it must neither wait nor fail."""
        self.alarms = AlarmLifecycle()
        self._outbox, self._utc = outbox, utc
        self._overhear = overhear or (lambda _: None)
        self._drafts: deque[Draft] = deque()
        self._alarms_kept = ""
        self._facts: dict[str, str] = {}
        self._lost = 0

    # ------------------------------------------------------------ saying

    def say(self, messages: Sequence[Message], t_s: float, *, mark: str = "", said_count: int = 0) -> None:
        """What the pipeline said, in order; alarms take their turn in it.

        `mark`, `said_count`: the run that said it, and how many messages it has said with these.
        """
        if mark and messages:
            self._facts[f"said/{mark}"] = str(said_count)
        for message in messages:
            self._overhear(message)
            if isinstance(message, Event):
                self._add("event", "event", event_payload, message)
                self._note_event(message)
                self._say_statuses(self._apply(message, t_s), t_s)
                self._say_statuses(self._acknowledge_by_button(message, t_s), t_s)
            elif isinstance(message, Revolution):
                self._add("revolution", "revolution", revolution_payload, message)
            else:
                self.say_advice(message)

    def say_late(self, messages: Sequence[Message], log: str, mark: str) -> None:
        """After a restart: what the log of a killed process says and was never said.

        Each event and revolution is said with the log's name. An alarm among them was raised without anybody's being
        told, and nothing is known of it any more: it has returned and wants to be seen. An advice is of no more use;
        its event tells that there was one.
        """
        said_count = int(self.fact(f"said/{mark}") or 0)
        late = messages[said_count:]
        for message in late:
            if isinstance(message, Event):
                self._add("event", "event", partial(_with_log, event_payload, log), message)
                self._recall(message)
            elif isinstance(message, Revolution):
                self._add("revolution", "revolution", partial(_with_log, revolution_payload, log), message)
        if late:
            note("said-late", log=log, messages=len(late))
        self._facts[f"said/{mark}"] = str(max(said_count, len(messages)))
        self.flush()

    def forget_run(self, mark: str) -> None:
        """The log of that run is closed and owes nothing. Safe from any thread."""
        if self._outbox is not None:
            with contextlib.suppress(OutboxBroken):
                self._outbox.forget(f"said/{mark}")

    @property
    def owes_nothing(self) -> bool:
        """Everything that was said is committed."""
        return not self._drafts and not self._facts

    def fact(self, name: str) -> str | None:
        """A fact of the outbox; None without one."""
        return None if self._outbox is None else self._outbox.fact(name)

    def say_advice(self, advice: Advice) -> None:
        """The advice that now holds."""
        self._add("advice", "advice", advice_payload, advice, retain=True)
        note("advice", action=advice.action, why=advice.why, t_s=advice.t_s)

    def say_alarms(self, statuses: Iterable[AlarmStatus], t_s: float) -> None:
        """Alarms whose state changed by something other than the pipeline."""
        self._say_statuses(statuses, t_s)

    def flush(self) -> None:
        """Commit what was said. Call after each step; what the disk refuses is tried again at the next."""
        if self._outbox is None:
            self._drafts.clear()
            self._facts.clear()
            return
        try:
            if self._drafts or self._facts:
                self._outbox.put(list(self._drafts), facts=self._facts)
                self._drafts.clear()
                self._facts.clear()
            self._keep_alarms(self._outbox)
            if self._lost:
                lost, self._lost = self._lost, 0
                self._say_dropped({"any": lost}, "the disk refused them")
            if self._outbox.prune_is_due():
                self.prune()
        except OutboxBroken as problem:
            fault("outbox-failed", why=problem)
            while len(self._drafts) > MAX_IN_MEMORY:
                self._drafts.popleft()
                self._lost += 1

    def prune(self) -> None:
        """Keep the outbox within its bounds; what had to be dropped is itself said."""
        if self._outbox is None:
            return
        try:
            dropped = self._outbox.prune()
        except OutboxBroken as problem:
            fault("outbox-failed", why=problem)
            return
        if dropped:
            self._say_dropped(dropped, "no broker took them in time")

    def restore(self) -> None:
        """After a restart: what nobody had acknowledged still wants to be seen; the rest is normal."""
        if self._outbox is None:
            return
        try:
            kept = json.loads(self._outbox.fact(ALARMS_FACT) or "[]")
            alarms = [(str(where), str(name), str(state)) for where, name, state in kept]
            waiting = [(w, n) for w, n, s in alarms if s in ("unacknowledged", "returned-unacknowledged")]
            self.alarms.restore(waiting)
            statuses = [self.alarms.status(where, name) for where, name, _ in alarms]
        except (OutboxBroken, ValueError, TypeError, EntryError) as problem:
            warn("alarms-not-restored", why=problem)
            return
        self._say_statuses(statuses, 0.0)
        self.flush()

    # ------------------------------------------------------------ inside

    def _apply(self, event: Event, t_s: float) -> list[AlarmStatus]:
        try:
            return self.alarms.take(event, max(t_s, event.t_s))
        except EntryError as problem:  # an alarm that the table does not know: a fault of the program
            fault("alarm-unknown", name=event.name, why=problem)
            return []

    def _acknowledge_by_button(self, event: Event, t_s: float) -> list[AlarmStatus]:
        """A push-button means one alarm: the most urgent that waits for it, of those the oldest."""
        if event.name != "button" or (event.details or {}).get("meaning") != ACKNOWLEDGE:
            return []
        waiting = [
            a for a in self.alarms.snapshot() if a.state in ("unacknowledged", "returned-unacknowledged")
        ]
        if not waiting:
            return []
        first = min(
            waiting, key=lambda a: (PRIORITIES.index(find_alarm(a.name).priority), a.raised_s or 0.0, a.where)
        )
        return self.alarms.acknowledge(AlarmAcknowledged(t_s, first.where, first.name, event.by or "button"))

    def _recall(self, event: Event) -> None:
        """An alarm that was raised without anybody's being told: raised and returned, unless it stands now."""
        if event.kind != "alarm-raised":
            return
        where, now_s = event.sensor or event.pulley or "bay", self.alarms.now_s
        try:
            if not self.alarms.status(where, event.name).active:
                changed = self.alarms.raise_alarm(where, event.name, now_s)
                self._say_statuses(changed + self.alarms.clear(where, event.name, now_s), now_s)
        except EntryError as problem:
            fault("alarm-unknown", name=event.name, why=problem)

    def _say_statuses(self, statuses: Iterable[AlarmStatus], t_s: float) -> None:
        for status in statuses:
            self._overhear(status)
            topic = f"alarm/{status.where}/{status.name}"
            self._add("alarm", topic, alarm_payload, status, t_s, retain=True)
            note("alarm", where=status.where, name=status.name, state=status.state, t_s=t_s)

    def _add(
        self, kind: Kind, topic: str, make: Callable[..., Payload], *content: object, retain: bool = False
    ) -> None:
        """`topic` without the bay's beginning; `make` gets the envelope and the content."""
        if self._outbox is None:
            return
        try:
            message_id = self._outbox.next_id()
        except OutboxBroken as problem:
            fault("outbox-failed", why=problem)
            self._lost += 1
            return
        payload = to_json(make(envelope(message_id, self._utc()), *content))
        self._drafts.append(Draft(message_id, topic, kind, retain, payload))

    def _note_event(self, event: Event) -> None:
        if event.kind in ("move", "stage", "note"):
            note(event.kind, name=event.name, t_s=event.t_s, rev=event.rev)

    def _say_dropped(self, dropped: Mapping[Any, int], why: str) -> None:
        warn("messages-dropped", why=why, **dropped)
        details = {"dropped": dropped}
        event = Event(
            0.0, 0, "note", "messages-dropped", text=f"Messages were dropped: {why}.", details=details
        )
        self._add("event", "event", lambda head: event_payload(head, event))

    def _keep_alarms(self, outbox: Outbox) -> None:
        kept = [[s.where, s.name, s.state] for s in self.alarms.snapshot() if s.state != "normal"]
        text = json.dumps(plain(kept))
        if text != self._alarms_kept:
            outbox.keep(ALARMS_FACT, text)
            self._alarms_kept = text


def _with_log(make: Callable[..., Payload], log: str, head: Mapping[str, Any], content: Message) -> Payload:
    payload = make(head, content)
    return type(payload).model_validate({**payload.model_dump(exclude_unset=True), "log": log})
