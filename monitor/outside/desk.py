"""The desk of a bay: takes requests, does what they ask, answers. Nothing it does moves a machine.

A request that cannot be understood or carried out changes nothing. One that carries an `id` is done once,
however often it arrives; the later ones get the first one's answer.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Any

from monitor.errors import EntryError
from monitor.outside.belt_log import BeltTag
from monitor.outside.captures import with_belt_length
from monitor.outside.log_lines import note, warn
from monitor.outside.mqtt import Asked, Bus
from monitor.outside.requests import (
    AcknowledgeRequest,
    BeltRequest,
    MoveRequest,
    NoteRequest,
    Request,
    ShelveRequest,
    StageRequest,
    parse_request,
)
from monitor.records import (
    AlarmAcknowledged,
    AlarmShelved,
    Entry,
    MoveMade,
    NoteSaid,
    StageSaid,
)

if TYPE_CHECKING:
    from monitor.outside.service import Service

MAX_REMEMBERED = 1_000
Answer = dict[str, Any]


class Desk:
    """Requests of one bay; called only by the service's own thread."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._answered: OrderedDict[tuple[str, str], Answer] = OrderedDict()
        self.refused = 0

    def serve(self, asked: Asked, bus: Bus | None) -> None:
        """Do it and answer."""
        answer = self.answer(asked)
        if bus is not None:
            bus.answer(asked, answer)

    def answer(self, asked: Asked) -> Answer:
        """What the request comes to; `ok` false with `why` when nothing was changed."""
        utc = self._service.utc()
        try:
            request = parse_request(asked.what, asked.payload, retained=asked.retained, utc=utc)
            mark = None if request.id is None else (asked.what, str(request.id))
            if mark is not None and mark in self._answered:
                return self._answered[mark]
            answer = {"ok": True, "t_s": self._service.run.t_s, **self._do(request)}
        except EntryError as refusal:
            self.refused += 1
            warn("request-refused", ask=asked.what, why=refusal)
            return {"ok": False, "why": str(refusal)}
        note("request-done", ask=asked.what, by=request.by)
        if mark is not None:
            answer["request"] = request.id
            self._answered[mark] = answer
            if len(self._answered) > MAX_REMEMBERED:
                self._answered.popitem(last=False)
        return answer

    def _do(self, request: Request) -> Answer:
        if isinstance(request, BeltRequest):
            return self._change_belt(request)
        if isinstance(request, (AcknowledgeRequest, ShelveRequest)):
            return self._treat_alarm(request)
        return self._enter(self._entry(request))

    def _change_belt(self, request: BeltRequest) -> Answer:
        service = self._service
        tag = BeltTag(request.serial, request.length_mm, request.customer_ref, request.note)
        try:
            if request.length_mm is not None:
                with_belt_length(service.station, request.length_mm)
        except ValueError:
            why = f"length_mm: {request.length_mm:g} does not fit the conveyor of the station file"
            raise EntryError(why) from None
        service.change_belt(tag, "another belt was named")
        return {"log": service.run.log.name if service.run.log is not None else None}

    def _treat_alarm(self, request: AcknowledgeRequest | ShelveRequest) -> Answer:
        service = self._service
        places = {"bay", "infeed", "drive", *(sensor.name for sensor in service.station.sensor)}
        if request.where not in places:
            raise EntryError(f"where: expected one of {', '.join(sorted(places))}")
        alarms, t_s = service.voice.alarms, service.now_s()
        entry: Entry
        if isinstance(request, ShelveRequest):
            entry = AlarmShelved(t_s, request.where, request.name, request.minutes, request.by, request.why)
            changed = alarms.shelve(entry)
        else:
            entry = AlarmAcknowledged(t_s, request.where, request.name, request.by)
            changed = alarms.acknowledge(entry)
        service.voice.say_alarms(changed, t_s)
        service.voice.flush()
        state = alarms.status(request.where, request.name).state
        if service.run.idle:
            return {"state": state}
        return {"state": state, **self._enter(entry)}

    def _entry(self, request: Request) -> Entry:
        t_s = self._service.run.t_s
        if isinstance(request, MoveRequest):
            made_s = t_s if request.t_s is None else request.t_s
            if made_s > t_s:
                raise EntryError(f"t_s: {made_s:g} is later than the board's clock, {t_s:.1f}")
            return MoveMade(made_s, request.where, request.side, request.amount_mm, request.by)
        if isinstance(request, StageRequest):
            stage = request.done or request.enter
            assert stage is not None
            what = "done" if request.done is not None else "enter"
            return StageSaid(t_s, stage, what, dict(request.measurements), request.by)  # type: ignore[arg-type]
        assert isinstance(request, NoteRequest)
        return NoteSaid(t_s, request.text, request.by)

    def _enter(self, entry: Entry) -> Answer:
        if not self._service.run.enter(entry):
            return {"warning": "the log cannot be written; this is not on record"}
        finishes = isinstance(entry, StageSaid) and entry.what == "done" and entry.stage in ("lock", "sign")
        if finishes and self._service.run.pipeline.verdict != "tracked":
            return {"warning": "it is on record, but the belt is not shown to be tracked"}
        return {}
