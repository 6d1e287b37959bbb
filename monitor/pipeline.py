"""Composes the blocks: bytes and entries in, revolutions, events and advice out. It and beltwatch.py know their order.

    bytes -> Decoder -> records -> SensorGate -> BeltWatch -> revolutions, findings -> RunIn -> advice, stages, verdict

No clock, port, file or thread: the live service, the replay, the simulator and the tests make the
same calls. Whatever a person says takes effect at the first record later than the moment it became
known, so that a recording and its entries give the same events however they are cut.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from .beltnotes import NOTES, SECTION_WORDS, belt_note
from .beltwatch import DEFAULT_LENGTH_MM, BeltFinding, BeltWatch
from .detection.sections import EdgeWatch
from .detection.sensors import SensorFinding, SensorGate
from .forecast.camber import camber_percent, crooked_splice
from .forecast.edge import EdgeForecast, edge_forecast
from .procedure.buttons import entry_of
from .procedure.runin import RunIn
from .readings.decoder import Decoder
from .records import (
    Advice,
    AlarmAcknowledged,
    AlarmShelved,
    BoardRecord,
    Button,
    EdgeBlock,
    Entry,
    Event,
    Hello,
    Mark,
    Message,
    MoveMade,
    Now,
    Pulley,
    Restart,
    Revolution,
    RevolutionRow,
    SensorNow,
    Stage,
    Tally,
    Ticks,
    Verdict,
    plain,
)
from .response import BeltAnswer
from .settings import Station

CAMBER_REV = (
    8  # revolution at which the belt's camber is judged: the profile is known to some hundredths of a mm
)
SILENCE_US = 2_000_000  # no valid record for this long: the link is lost (outputs.md)
TOGETHER_REV = 1.0  # walks at both pulleys that began this near to each other have one cause
UNLOGGED_MOVES = (
    2.0  # revolutions of a walk at the limit: what shifts the belt by less is no move of a take-up
)
UNLOGGED_REV = 2.0  # a walk that breaks off sooner was the belt's answer to a move, not a drift
# ... as is one of which more was gone a turn after it began: 0.8 of an answer that takes a turn, 0.5 of 3-turn walks
ANSWERED_SHARE = 0.65
SLOWED_REV = 3.0  # ... told by then, though it may go on to die away


class Pipeline:
    """One belt, from its first byte. See the module's opening lines."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._decoder = Decoder()
        self._gate = SensorGate(station)
        self._belt = BeltWatch(station, self._gate, self._found)
        self._edges = [
            EdgeWatch(
                station.limits.edge_warn_mm, station.limits.edge_stop_mm, s.zero_counts, s.counts_per_mm
            )
            for s in station.sensor
        ]
        self._runin = RunIn(station, BeltAnswer(station))
        self._entries: list[tuple[float, Entry]] = []
        self._out: list[Message] = []
        self._marks: list[int] = []
        self._last_us: int | None = None
        self._time_us = 0
        self._sampled_us = -1
        self._edge_us = 0  # time of the last sample, of whatever quality
        self._rows: dict[str, RevolutionRow] = {}
        self._outlook: dict[str, EdgeForecast] = {}
        self._active: dict[tuple[str, str], Event] = {}
        self._rev = 0
        self._told_s = 0.0
        self._moved_u = -math.inf
        self._walk_onset: dict[Pulley, float] = {}
        self._walked: dict[Pulley, float] = {}  # onset of the last walk that is judged
        self._unlogged: dict[Pulley, float] = {}
        length_mm = station.belt.length_mm or DEFAULT_LENGTH_MM
        self._hold_us = 1.1 * length_mm / station.belt.speed_mps * 1000.0  # a revolution and a little
        self._waiting: list[tuple[int, Callable[[], None]]] = []
        self._marks_odd: set[str] = set()

    # ------------------------------------------------------------ in

    def feed(self, data: bytes) -> list[Message]:
        """Bytes as they came from the board, in any pieces."""
        return self.consume(self._decoder.feed(data))

    def consume(self, records: Iterable[BoardRecord]) -> list[Message]:
        """Decoded records, in order."""
        for record in records if self._entries else _joined(records):
            if isinstance(record, EdgeBlock):
                self._block(record)
            elif isinstance(record, _TicksHeard):
                self._belt.ticks(record.known_us, record.said.time_us, record.said.ticks)
            else:
                self._single(record)
        return self._take()

    def enter(self, entry: Entry, known_s: float | None = None) -> None:
        """What a person says; takes effect at the first record later than known_s (default: now)."""
        known = self.t_s if known_s is None else known_s
        self._entries.append((known, entry))
        self._entries.sort(key=lambda e: e[0])

    def finish(self) -> list[Message]:
        """The recording ends here. Nothing is invented for what was under way."""
        self._tell(self._time_us)
        return self._take()

    def _take(self) -> list[Message]:
        out, self._out = self._out, []
        return out

    # ------------------------------------------------------------ records

    def _block(self, block: EdgeBlock) -> None:
        """Cut a block where something has to happen between two of its records."""
        time = block.time_us
        start = 0
        gaps = np.flatnonzero(np.diff(time) > SILENCE_US) + 1
        cuts = set(gaps.tolist())
        while start < time.size:
            self._arrive(int(time[start]))
            stop = time.size
            if self._entries:
                due_us = self._entries[0][0] * 1e6
                stop = max(start + 1, int(np.searchsorted(time, due_us, side="right")))
            later = [c for c in cuts if start < c < stop]
            stop = min([stop, *later])
            part = slice(start, stop)
            self._time_us = max(self._time_us, int(time[stop - 1]))
            self._last_us = self._time_us
            self._edge_us = int(time[stop - 1])
            self._samples(EdgeBlock(time[part], block.flags[part], block.counts[part], block.lost[part]))
            start = stop

    def _arrive(self, time_us: int) -> None:
        """A record at this time: what was due before it happens first."""
        if self._last_us is not None and time_us - self._last_us > SILENCE_US:
            lost_s = (self._last_us + SILENCE_US) / 1e6
            self._raise(lost_s, "link-lost", text="No valid record from the sensor board for 2 s.")
            self._clear(time_us / 1e6, "link-lost")
        self._time_us = max(self._time_us, time_us)
        self._last_us = self._time_us
        while self._entries and self._entries[0][0] * 1e6 < time_us:
            self._said(self._entries.pop(0)[1])

    def _single(self, record: BoardRecord) -> None:
        assert not isinstance(record, EdgeBlock)
        self._arrive(record.time_us)
        if isinstance(record, Mark):
            self._marks.append(record.time_us)
            if record.time_us <= self._sampled_us:
                self._pass_marks(self._sampled_us)
        elif isinstance(record, Ticks):
            self._belt.ticks(self._edge_us, record.time_us, record.ticks)
        elif isinstance(record, Restart):
            self._gate.restart()
            self._marks.clear()
            self._belt.restart()
            self._emit(Event(record.time_us / 1e6, self.rev, "note", "board-restart", text=record.why))
        elif isinstance(record, Button):
            self._button(record)

    def _samples(self, block: EdgeBlock) -> None:
        gated, faults = self._gate.take(block)
        if gated.time_us.size == 0:
            return
        for s, watch in enumerate(self._edges):
            for t, name, active, edge in watch.take(
                gated.time_us, gated.counts[:, s], gated.good[:, s], self._hold_us
            ):
                self._waiting.append((t, partial(self._edge, t, s, name, active, edge)))
        self._waiting.extend((fault.time_us, partial(self._sensor, fault)) for fault in faults)
        self._waiting.sort(key=lambda w: w[0])
        start = 0
        while self._marks and self._marks[0] <= int(gated.time_us[-1]):
            stop = int(np.searchsorted(gated.time_us, self._marks[0]))
            self._belt.samples(gated.part(start, stop))
            self._belt.mark(self._marks.pop(0))
            start = stop
        self._belt.samples(gated.part(start))
        self._sampled_us = int(gated.time_us[-1])
        self._tell(self._belt.seen_us if self._belt.tracker.started else self._sampled_us)

    def _tell(self, until_us: int) -> None:
        """Tell what was found sample by sample up to a time, before what the belt's chain finds later than that."""
        while self._waiting and self._waiting[0][0] <= until_us:
            self._waiting.pop(0)[1]()

    def _pass_marks(self, time_us: int) -> None:
        while self._marks and self._marks[0] <= time_us:
            self._belt.mark(self._marks.pop(0))

    # ------------------------------------------------------------ what was found

    def _found(self, what: BeltFinding | Revolution) -> None:
        """The belt's chain found something, just now."""
        if isinstance(what, BeltFinding):
            self._tell(what.time_us)
            self._belt_finding(what)
        else:
            self._tell(round(what.end_s * 1e6))
            self._revolution(what)

    def _revolution(self, revolution: Revolution) -> None:
        for row in revolution.rows:
            self._rows[row.sensor] = row
        self._rev = revolution.rev
        self._out.append(revolution)
        for pulley, since in list(self._unlogged.items()):
            if revolution.rev - since >= self.station.procedure.settle_revs:
                del self._unlogged[pulley]
                self._clear(revolution.end_s, "unlogged-move", pulley=pulley)
        for pulley, began in list(self._walk_onset.items()):
            if self._belt.tracker.travel_now - began >= SLOWED_REV:
                self._judge_walk(revolution.end_s, pulley, began, over=False)
        self._camber()
        self._look_ahead(revolution)
        self._advise(self._runin.on_revolution(revolution))

    def _look_ahead(self, revolution: Revolution) -> None:
        """When does an edge reach its limit, if the belt goes on walking as it does?"""
        limit_mm, took_s = self.station.limits.edge_stop_mm, revolution.end_s - revolution.start_s
        self._outlook = {
            r.sensor: edge_forecast(
                r.edge_min_mm, r.edge_max_mm, r.walk_mm_per_rev, r.walk_se_mm_per_rev, limit_mm, took_s
            )
            for r in revolution.rows
            if r.behaviour not in ("unknown", "stopped")
        }
        warn_mm = self.station.limits.edge_warn_mm
        answering = {  # a belt that answers a move walks fast for a moment
            r.sensor
            for r in revolution.rows
            if r.behaviour == "settling" and max(-r.edge_min_mm, r.edge_max_mm) < warn_mm
        }
        walking = [f for sensor, f in self._outlook.items() if f.walks and sensor not in answering]
        first = min(walking, key=lambda f: f.revs, default=None)
        self._runin.expect_edge((first.revs, first.minutes) if first else None)

    def _camber(self) -> None:
        """Once the profile is known well: is the belt itself within its tolerance?"""
        if self._rev != CAMBER_REV:
            return
        length = self._belt.length_mm
        for profile in self._belt.profiles:
            splice = crooked_splice(profile.mm, length)
            self._advise(
                self._runin.on_camber(camber_percent(profile.mm, length), splice.share if splice else 0.0)
            )

    def _belt_finding(self, f: BeltFinding) -> None:
        t_s = f.time_us / 1e6
        if f.name == "drift":
            self._drift(t_s, f)
        elif f.name == "travel-lost":
            self._walk_onset.clear()
            self._walked.clear()
        elif f.name == "jump" and f.pulley is not None:
            self._walk_onset.setdefault(f.pulley, float(f.text))
        elif f.name in NOTES:
            self._emit(belt_note(t_s, self.rev, f))
        elif f.name in ("mark", "mark-missing", "mark-extra"):
            self._mark(t_s, f)
        elif f.active:
            self._raise(
                t_s,
                f.name,
                pulley=f.pulley,
                sensor=f.sensor,
                value_mm=f.value_mm,
                start_mm=f.start_mm,
                end_mm=f.end_mm,
                **({"text": SECTION_WORDS[f.text]} if f.text else {}),
            )
        else:
            self._clear(
                t_s,
                f.name,
                pulley=f.pulley,
                sensor=f.sensor,
                value_mm=f.value_mm,
                start_mm=f.start_mm,
                end_mm=f.end_mm,
            )

    def _drift(self, t_s: float, f: BeltFinding) -> None:
        assert f.pulley is not None
        onset = float(f.text)
        if f.active:
            self._walk_onset.setdefault(f.pulley, onset)
            self._raise(t_s, "drift", pulley=f.pulley, value_mm=f.value_mm)
            return
        began = self._walk_onset.pop(f.pulley, None)
        self._clear(t_s, "drift", pulley=f.pulley)
        if began is not None and onset == onset:
            self._judge_walk(t_s, f.pulley, began, over=onset - began < UNLOGGED_REV)

    def _judge_walk(self, t_s: float, pulley: Pulley, began: float, over: bool) -> None:
        """Was it the answer to a move that nobody logged? over: it broke off sooner than a drift does."""
        if self._walked.get(pulley) == began:
            return
        gone_mm, early = self._belt.went(pulley, began)
        answered = over or early > ANSWERED_SHARE
        if answered and abs(gone_mm) >= UNLOGGED_MOVES * self.station.limits.drift_mm_per_rev:
            self._unlogged_move(t_s, pulley, began)
        if answered or pulley not in self._walk_onset:
            self._walked[pulley] = began

    def _unlogged_move(self, t_s: float, pulley: Pulley, onset: float) -> None:
        """A move at the infeed pulley moves the belt at both pulleys, one at the snub at the drive pulley only."""
        u = self._belt.tracker.travel_now
        if u - self._moved_u < self.station.procedure.settle_revs or self._unlogged:
            return
        others = [o for w in (self._walk_onset, self._walked) for p, o in w.items() if p != pulley]
        both = any(abs(o - onset) < TOGETHER_REV for o in others)
        moved: Pulley = "infeed" if both else pulley
        self._unlogged[moved] = u
        self._raise(t_s, "unlogged-move", pulley=moved)

    def _mark(self, t_s: float, f: BeltFinding) -> None:
        if f.active:
            self._marks_odd.add(f.name)
            self._raise(t_s, f.name)
            return
        for name in sorted(self._marks_odd):
            self._clear(t_s, name)
        self._marks_odd.clear()

    def _edge(self, time_us: int, s: int, name: str, active: bool, edge_mm: float) -> None:
        sensor = self.station.sensor[s]
        change = self._raise if active else self._clear
        change(time_us / 1e6, name, pulley=sensor.pulley, sensor=sensor.name, value_mm=edge_mm)

    def _sensor(self, f: SensorFinding) -> None:
        sensor = self.station.sensor[f.channel]
        change = self._raise if f.active else self._clear
        value = f.value_mm if f.value_mm == f.value_mm else None
        change(
            f.time_us / 1e6,
            f.name,
            pulley=sensor.pulley,
            sensor=sensor.name,
            value_mm=value,
            text=f.why or None,
        )

    # ------------------------------------------------------------ what was said

    def _said(self, entry: Entry) -> None:
        if isinstance(entry, MoveMade):
            self._moved_u = self._belt.tracker.travel_now
            if self._moved_u != self._moved_u:
                self._moved_u = -math.inf
            for pulley in self._belt.pulleys:
                self._clear(self.t_s, "drift", pulley=pulley)
                self._walk_onset.pop(pulley, None)
            self._belt.settle(float(self.station.procedure.settle_revs))
        if isinstance(entry, (AlarmAcknowledged, AlarmShelved)):
            return
        travel = self._belt.tracker.travel_now
        self._advise(self._runin.on_entry(entry, travel if travel == travel else float(self.rev)))

    def _button(self, record: Button) -> None:
        """A push-button: what the station file makes of it, said as if a person had entered it now."""
        t_s, number = record.time_us / 1e6, record.button
        meaning = self.station.buttons.get(str(number))
        if meaning is None:
            text = f"Button {number} was pressed; the station file gives it no meaning."
            self._emit(Event(t_s, self.rev, "note", "button", text=text))
            return
        by, usual_mm = f"button {number}", self.station.procedure.move_mm
        found = entry_of(meaning, by, t_s, self.advice, self.stage, usual_mm)
        done = "" if not isinstance(found, str) else f" {found}"
        details = {"button": number, "meaning": meaning}
        text = f"Button {number} ({meaning}) was pressed.{done}"
        self._emit(Event(t_s, self.rev, "note", "button", by=by, text=text, details=details))
        if not isinstance(found, str):
            self._said(found)

    # ------------------------------------------------------------ out

    def _where(self, pulley: str | None, sensor: str | None) -> str:
        return sensor or pulley or "bay"

    def _is_active(self, name: str, pulley: str | None = None, sensor: str | None = None) -> bool:
        return (name, self._where(pulley, sensor)) in self._active

    def _raise(self, t_s: float, name: str, **more: Any) -> None:
        key = (name, self._where(more.get("pulley"), more.get("sensor")))
        if key in self._active:
            return
        event = Event(t_s, self.rev, "alarm-raised", name, **more)
        self._active[key] = event
        self._emit(event)
        self._advise(self._runin.on_alarm(event))

    def _clear(self, t_s: float, name: str, **more: Any) -> None:
        key = (name, self._where(more.get("pulley"), more.get("sensor")))
        if self._active.pop(key, None) is None:
            return
        event = Event(t_s, self.rev, "alarm-cleared", name, **more)
        self._emit(event)
        self._advise(self._runin.on_alarm(event))

    def _advise(self, messages: list[Event | Advice]) -> None:
        for message in messages:
            if isinstance(message, Event) and message.kind in ("alarm-raised", "alarm-cleared"):
                key = (message.name, self._where(message.pulley, message.sensor))
                if message.kind == "alarm-raised":
                    self._active[key] = message
                else:
                    self._active.pop(key, None)
            self._emit(message)

    def _emit(self, message: Message) -> None:
        """Events come in time order: one that speaks of an earlier instant is dated when it became known."""
        if isinstance(message, Event):
            self._told_s = max(self._told_s, message.t_s)
            if message.t_s < self._told_s:
                message = replace(message, t_s=self._told_s)
        self._out.append(message)

    # ------------------------------------------------------------ what is so now

    @property
    def t_s(self) -> float:
        """Board time now, s since the recording's first record."""
        return self._time_us / 1e6

    @property
    def rev(self) -> int:
        """Completed belt revolutions."""
        return self._rev

    @property
    def running(self) -> bool:
        """The belt runs, as far as can be told: travel has begun and it was not found standing."""
        return self._belt.tracker.started and not self._belt.standing

    @property
    def stage(self) -> Stage:
        return self._runin.stage

    @property
    def hold_s(self) -> float:
        """How long the hold has lasted, s of the board's clock; 0 while none runs."""
        return self._runin.hold.lasted_s

    @property
    def verdict(self) -> Verdict:
        return self._runin.verdict

    @property
    def advice(self) -> Advice | None:
        return self._runin.advice

    @property
    def tally(self) -> Tally:
        return self._decoder.tally

    @property
    def active(self) -> list[Event]:
        """Alarms raised and not cleared, in the order they were raised."""
        return list(self._active.values())

    def now(self) -> Now:
        """The live picture. NaN = not known."""
        belt = self._belt
        travel = belt.tracker.travel(float(self._time_us))
        sensors = []
        for s, sensor in enumerate(self.station.sensor):
            position = belt.position_mm(s)
            edge_mm = self._edges[s].edge_mm if belt.believes(s) else math.nan
            expected = belt.expected[s] + position
            quality = self._gate.fault(s) or ("good" if position == position else "unknown")
            ahead = self._outlook.get(sensor.name)
            to_limit = (
                (ahead.revs, ahead.minutes, ahead.soonest_minutes)
                if ahead and ahead.walks and self.running
                else ()
            )
            sensors.append(SensorNow(sensor.name, edge_mm, expected, position, quality, *to_limit))
        speed = (
            belt.length_mm / belt.tracker.turn_us * 1000.0 * belt.tracker.factor
            if belt.tracker.started
            else math.nan
        )
        return Now(self.t_s, travel, speed, self.running, tuple(sensors))

    def profile_rows(self) -> list[tuple[str, float, float]]:
        """(sensor, station_mm, profile_mm), zero-mean, by rising station; empty before it is learnt."""
        return self._belt.profile_rows()

    def summary(self) -> dict[str, Any]:
        """The content of summary.json."""
        tally = self.tally
        final: dict[str, Any] = {}
        for pulley in self._belt.pulleys:
            rows = [r for r in self._rows.values() if r.pulley == pulley and r.position_mm == r.position_mm]
            best = min(rows, key=lambda r: r.position_se_mm, default=None)
            final[pulley] = {
                name: getattr(best, name) if best else None
                for name in ("position_mm", "position_se_mm", "walk_mm_per_rev", "walk_se_mm_per_rev")
            }
        camber = {
            s.name: camber_percent(self._belt.profiles[k].mm, self._belt.length_mm)
            for k, s in enumerate(self.station.sensor)
            if self._belt.profiles[k].turns
        }
        return dict(
            plain(
                {
                    "revolutions": self.rev,
                    "seconds": self.t_s,
                    "records_good": tally.good,
                    "records_rejected": tally.rejected,
                    "records_lost": tally.lost,
                    "rejected_reasons": dict(sorted(tally.reasons.items())),
                    "final": final,
                    "verdict": self.verdict,
                    "reasons": list(self._runin.reasons),
                    "tracked_at_s": self._runin.tracked_at_s,
                    "stage": self.stage,
                    "length_mm": self._belt.length_mm,
                    "camber_percent": camber,
                    "edge_limit": {s.name: self._edge_limit(s.name) for s in self.station.sensor},
                }
            )
        )

    def _edge_limit(self, sensor: str) -> dict[str, Any]:
        """Time to the edge limit as of the last revolution; state: unknown, steady or walking."""
        ahead = self._outlook.get(sensor)
        if ahead is None or ahead.revs != ahead.revs:
            return {"state": "unknown"}
        if not ahead.walks:
            return {"state": "steady", "soonest_revs": ahead.soonest_revs}
        return {"state": "walking", **asdict(ahead)}

    def snapshot(self) -> Pipeline:
        """A copy that goes on from here on its own."""
        return copy.deepcopy(self)


@dataclass(frozen=True, slots=True)
class _TicksHeard:
    """A tick record that came after the sample of known_us and before the next one."""

    known_us: int
    said: Ticks


def _joined(records: Iterable[BoardRecord]) -> Iterator[BoardRecord | _TicksHeard]:
    """The same records, with blocks put together that nothing but a hello and ticks stand between.

    It changes nothing there; such ticks come before the block, with the time after which they were heard.
    """
    blocks: list[EdgeBlock] = []
    between: list[Hello | Ticks] = []
    for record in records:
        greets = isinstance(record, Hello) and not any(isinstance(r, Hello) for r in between)
        if blocks and isinstance(record, (Hello, Ticks)) and (greets or isinstance(record, Ticks)):
            between.append(record)
            continue
        block = record if isinstance(record, EdgeBlock) else None
        near = block is not None and blocks and int(block.time_us[0] - blocks[-1].time_us[-1]) <= SILENCE_US
        if near:
            known_us = int(blocks[-1].time_us[-1])
            yield from (_TicksHeard(known_us, r) for r in between if isinstance(r, Ticks))
        elif blocks:
            yield _as_one(blocks)
            blocks = []
            yield from between
        between = []
        if block is not None:
            blocks.append(block)
        else:
            yield record
    if blocks:
        yield _as_one(blocks)
    yield from between


def _as_one(blocks: list[EdgeBlock]) -> EdgeBlock:
    if len(blocks) == 1:
        return blocks[0]
    return EdgeBlock(
        np.concatenate([b.time_us for b in blocks]),
        np.concatenate([b.flags for b in blocks]),
        np.concatenate([b.counts for b in blocks]),
        np.concatenate([b.lost for b in blocks]),
    )
