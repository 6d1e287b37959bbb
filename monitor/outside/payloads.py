"""What is said over MQTT, typed: one model for each topic, and one function that makes JSON of it.

The same models give the JSON Schemas (`schemas`), so the documents cannot differ from what is sent.
Unknown is null, never 0 and never NaN. A field that does not apply is left out where the topic's table
says so (event, advice), and null elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from pydantic import BaseModel, ConfigDict

from monitor.alarms.catalogue import Priority
from monitor.alarms.lifecycle import AlarmState, AlarmStatus
from monitor.records import (
    Advice,
    AdviceAction,
    Behaviour,
    Event,
    EventKind,
    MoveWhere,
    Now,
    Pulley,
    Revolution,
    Side,
    Stage,
    Verdict,
    plain,
)

Known = float | None  # null: not known


class Payload(BaseModel):
    """The envelope: `id` grows within a bay and is never used twice; `utc` is for people."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: int
    utc: str


class StatePayload(Payload):
    """Topic `state`, retained; also the last will, with `online` false."""

    online: bool
    belt: str | None = None
    stage: Stage | None = None
    verdict: Verdict | None = None
    running: bool | None = None
    why: str | None = None
    t_s: Known = None
    log: str | None = None
    earlier: str | None = None  # of the first belt after a start: the log before it; the belt is learnt anew
    link: bool | None = None
    alarms: list[str] = []
    version: str = ""


class SensorNowPayload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    sensor: str
    edge_mm: Known
    expected_mm: Known
    position_mm: Known
    quality: str
    to_limit_revs: Known = None
    to_limit_minutes: Known = None
    to_limit_soonest_minutes: Known = None


class NowPayload(Payload):
    """Topic `now`: never queued, never retained."""

    t_s: Known
    rev: Known
    speed_mps: Known
    running: bool
    sensors: list[SensorNowPayload]


class RevolutionRowPayload(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    rev: int
    start_s: Known
    end_s: Known
    sensor: str
    position_mm: Known
    position_se_mm: Known
    walk_mm_per_rev: Known
    walk_se_mm_per_rev: Known
    profile_pp_mm: Known
    behaviour: Behaviour
    samples: int
    lost: int
    pulley: Pulley
    edge_min_mm: Known
    edge_max_mm: Known
    quality: str


class RevolutionPayload(Payload):
    """Topic `revolution`: the rows of revolutions.csv of one revolution."""

    t_s: Known
    rev: int
    rows: list[RevolutionRowPayload]
    log: str | None = None  # said after a restart, of this earlier log


class AdvicePayload(Payload):
    """Topic `advice`, retained."""

    t_s: Known
    rev: int
    action: AdviceAction
    why: str
    caution: str
    where: MoveWhere | None = None
    side: Side | None = None
    amount_mm: Known = None
    until_rev: Known = None
    minutes: Known = None
    explain: str | None = None
    checks: list[str] | None = None


class AlarmPayload(Payload):
    """Topic `alarm/<where>/<name>`, retained: the alarm's present state."""

    t_s: Known
    where: str
    name: str
    state: AlarmState
    active: bool
    priority: Priority
    raised_s: Known
    cleared_s: Known
    value_mm: Known
    start_mm: Known
    end_mm: Known
    cause: str
    consequence: str
    action: str
    respond_within_s: int
    acknowledged_by: str | None
    shelved_until_s: Known
    shelved_by: str | None
    shelved_why: str | None
    suppressed_by: str | None
    chattering: bool
    annunciations: int


class EventPayload(Payload):
    """Topic `event`: one line of events.jsonl."""

    t_s: Known
    rev: int
    kind: EventKind
    name: str
    pulley: Pulley | None = None
    sensor: str | None = None
    value_mm: Known = None
    start_mm: Known = None
    end_mm: Known = None
    where: str | None = None
    side: Side | None = None
    amount_mm: Known = None
    until_rev: Known = None
    minutes: Known = None
    by: str | None = None
    text: str | None = None
    details: dict[str, Any] | None = None
    log: str | None = None  # said after a restart, of this earlier log


class AnswerPayload(Payload):
    """The answer to a request. `why` says what was expected when it is not ok."""

    model_config = ConfigDict(extra="allow", frozen=True)

    ok: bool
    ask: str
    why: str | None = None


TOPICS: dict[str, type[Payload]] = {
    "state": StatePayload,
    "now": NowPayload,
    "revolution": RevolutionPayload,
    "advice": AdvicePayload,
    "alarm": AlarmPayload,
    "event": EventPayload,
    "answer": AnswerPayload,
}


def to_json(payload: BaseModel) -> bytes:
    """UTF-8 JSON of what was set; NaN and infinities become null, floats have at most 6 decimals."""
    content = plain(payload.model_dump(exclude_unset=True))
    text = json.dumps(content, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return text.encode("utf-8", "replace")


def envelope(message_id: int, utc: datetime) -> dict[str, Any]:
    """`id` and `utc`."""
    text = utc.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return {"id": message_id, "utc": text}


def state_payload(head: Mapping[str, Any], fields: Mapping[str, Any]) -> StatePayload:
    """`fields` are those of StatePayload besides the envelope."""
    return StatePayload.model_validate({**head, **plain(dict(fields))})


def now_payload(head: Mapping[str, Any], now: Now, *, link: bool) -> NowPayload:
    """The live picture; with a lost link everything that was seen before is unknown."""
    sensors = [
        {
            "sensor": s.sensor,
            "edge_mm": s.edge_mm if link else None,
            "expected_mm": s.expected_mm if link else None,
            "position_mm": s.position_mm if link else None,
            "quality": s.quality if link else "unknown",
            "to_limit_revs": s.to_limit_revs if link else None,
            "to_limit_minutes": s.to_limit_minutes if link else None,
            "to_limit_soonest_minutes": s.to_limit_soonest_minutes if link else None,
        }
        for s in now.sensors
    ]
    speed_mps = now.speed_mps if link else None
    fields = {"t_s": now.t_s, "rev": now.rev, "speed_mps": speed_mps, "running": now.running and link}
    return NowPayload.model_validate({**head, **plain({**fields, "sensors": sensors})})


def revolution_payload(head: Mapping[str, Any], revolution: Revolution) -> RevolutionPayload:
    """One completed revolution."""
    rows = [row.as_dict() for row in revolution.rows]
    return RevolutionPayload.model_validate(
        {**head, "t_s": plain(revolution.end_s), "rev": revolution.rev, "rows": rows}
    )


def advice_payload(head: Mapping[str, Any], advice: Advice) -> AdvicePayload:
    """What to do next."""
    said = {key: content for key, content in advice.as_dict().items() if content != ""}
    return AdvicePayload.model_validate({**head, **said})


def alarm_payload(head: Mapping[str, Any], status: AlarmStatus, t_s: float) -> AlarmPayload:
    """One alarm's present state, with the catalogue's words."""
    return AlarmPayload.model_validate({**head, "t_s": plain(t_s), **status.as_dict()})


def event_payload(head: Mapping[str, Any], event: Event) -> EventPayload:
    """One line of events.jsonl."""
    return EventPayload.model_validate({**head, **event.as_dict()})


def answer_payload(head: Mapping[str, Any], ask: str, answer: Mapping[str, Any]) -> AnswerPayload:
    """What a request came to."""
    return AnswerPayload.model_validate({**head, "ask": ask, **plain(dict(answer))})


def schemas() -> dict[str, Any]:
    """The JSON Schema of every topic's payload, by topic."""
    return {topic: model.model_json_schema(mode="serialization") for topic, model in TOPICS.items()}
