"""The run-in of one belt: from the first revolution to signed off, without ever standing in the way.

It is told three things, in the order in which they happen: what a person says, each completed belt
revolution, and the alarms that detection raises or clears. It keeps the stage, decides the advice, judges
whether the belt answered a move, proves the hold and gives the verdict. Nothing here waits for a request: a
belt that just starts to run is watched, advised and judged at once; set-up entries that were not made are
recorded as not made.
"""

from __future__ import annotations

import copy
import math
from typing import Any

from monitor.procedure import phrases, setup, words
from monitor.procedure.adviser import BLIND_REVS, Adviser, Situation
from monitor.procedure.belt import Belt
from monitor.procedure.hold import MIN_REVS, Hold, Row
from monitor.procedure.phrases import CONTRARY_SURE, Draft
from monitor.procedure.takeups import account, signed
from monitor.records import (
    STAGES,
    Advice,
    Event,
    MoveMade,
    NoteSaid,
    Pulley,
    Revolution,
    RevolutionRow,
    Stage,
    StageSaid,
    Verdict,
)
from monitor.settings import Station

SENSOR_ALARMS = ("sensor-stuck", "sensor-clipped", "sensor-silent", "sensor-noisy")
HOLD_BREAKERS = {
    "edge-warn": "the edge went beyond its warning",
    "edge-stop": "the edge reached its limit",
    "section-wobble": "a section of the belt wobbles",
    "drift": "the belt walks",
    "unlogged-move": "the belt answered a move that nobody logged",
    "belt-stopped": "the belt stood still",
    "link-lost": "the board was not heard",
    **dict.fromkeys(SENSOR_ALARMS, "a sensor could not be believed"),
}
NOT_TRACKED = ("edge-warn", "edge-stop", "section-wobble", "drift")
SLACK_REV = 0.02  # a move counts as early only when it is early by more than this

Out = list[Event | Advice]
Alarm = tuple[str, str]


class RunIn:
    """One belt's run-in. `belt` learns how the belt answers; give each run-in a fresh one."""

    def __init__(self, station: Station, belt: Belt) -> None:
        self._station = station
        self._belt = belt
        limits, procedure = station.limits, station.procedure
        self.stage: Stage = "set-up"
        self.verdict: Verdict = "undecided"
        self.reasons: list[str] = ["The belt has not run yet."]
        self.tracked_at_s: float | None = None
        self.settling_until_rev: float | None = None
        self.takeups = account(station)
        self.hold = Hold(limits.centre_mm, 0.5 * limits.drift_mm_per_rev, 60.0 * procedure.hold_minutes)
        fitted = {sensor.pulley for sensor in station.sensor}
        self._fitted: tuple[Pulley, ...] = tuple(p for p in ("infeed", "drive") if p in fitted)
        self._steered: Pulley = self._fitted[0]
        self.adviser = Adviser(station, belt, self.takeups, self._fitted)
        self._t_s, self._rev = 0.0, 0
        self._rev_seconds = math.nan
        self._seen = 0
        self._blind = 0
        self._outside = 0
        self._edges_mm: dict[Pulley, tuple[float, float]] = {}
        self._span_mm = 0.0
        self._last_move: tuple[float, str, float] | None = None
        self._to_limit: tuple[float, float] | None = None
        self._alarms: dict[Alarm, Event] = {}
        self._own_alarms: dict[str, Event] = {}
        self._said: set[str] = set()
        self._stages_done: set[Stage] = set()

    # ------------------------------------------------------------ what a person says

    def on_entry(self, entry: MoveMade | StageSaid | NoteSaid, rev: float) -> Out:
        """rev: belt revolutions travelled, with fraction, when it was made."""
        self._t_s, self._rev = max(self._t_s, entry.t_s), max(self._rev, int(rev))
        if isinstance(entry, MoveMade):
            return self._moved(entry, rev)
        if isinstance(entry, StageSaid):
            return self._stage_said(entry, rev)
        return [self._event("note", "note", text=entry.text, by=entry.by or None)]

    def _moved(self, entry: MoveMade, rev: float) -> Out:
        out: Out = [
            self._event(
                "move",
                "move",
                where=entry.where,
                side=entry.side,
                amount_mm=entry.amount_mm,
                by=entry.by or None,
            )
        ]
        pulley: Pulley = "infeed" if entry.where == "infeed" else "drive"
        settle = self._station.procedure.settle_revs
        early = self._last_move is not None and rev - self._last_move[0] < settle - SLACK_REV
        out += self._clear_own("no-response")
        if early and "early-move" not in self._own_alarms:
            out.append(self._raise_own("early-move", pulley, entry.amount_mm))
        self._settle_account()
        self.adviser.made(entry.where, entry.amount_mm)
        self._to_limit = None
        signed_mm = signed(entry.side, entry.amount_mm)
        turned_back = self.takeups.reverses(entry.where, entry.side, entry.amount_mm)
        self.takeups.log(entry.where, entry.side, entry.amount_mm)
        self._belt.move(rev, entry.where, signed_mm, turned_back)
        self._last_move = (rev, entry.where, signed_mm)
        self.settling_until_rev = rev + settle
        out += self._break_hold("a take-up was moved")
        if self.verdict == "tracked":
            self.verdict, self.reasons = "undecided", ["A take-up was moved after the belt was tracked."]
        if self.stage in ("lock", "sign", "prove"):
            out += self._enter("steer" if entry.where == "infeed" else "trim", "A take-up was moved.")
        return out + self._say(self.adviser.settling(self._situation(rev)))

    def _stage_said(self, entry: StageSaid, rev: float) -> Out:
        details: dict[str, Any] = {"what": entry.what, **entry.measurements}
        out: Out = [
            self._event("stage", entry.stage, by=entry.by or None, details=details, text=f"{entry.what}")
        ]
        if entry.what == "enter":
            return out + self._enter_again(entry.stage)
        self._stages_done.add(entry.stage)
        if entry.stage == "set-up":
            texts = setup.unusable(entry.measurements)
            findings = setup.judge(entry.measurements, self._station, self._belt.prior_gain)
            out += [self._event("note", "set-up", text=t) for t in texts]
            out += [
                self._event("note", f.name, text=f.text, details={"good": f.good, **f.figures})
                for f in findings
            ]
        if entry.stage in ("lock", "sign") and self.verdict != "tracked":
            text = f"{entry.stage} was said to be done, but the belt is not shown to be tracked."
            out.append(self._event("note", "not-tracked", text=text))
        missing = [stage for stage in ("set-up", "lock") if stage not in self._stages_done]
        if entry.stage == "sign" and missing:
            text = f"Signed; never said to be done: {', '.join(missing)}."
            out.append(self._event("note", "not-made", text=text))
        if entry.stage == "lock" and self.verdict == "tracked":
            out += self._enter("sign", "Locked.") + self._say(phrases.done("sign"))
        return out

    def _enter_again(self, stage: Stage) -> Out:
        """A person goes back to a stage, or ahead to one: what it rests on is done anew, and that is said."""
        out: Out = []
        self.stage = stage
        self.adviser.start_over()
        self._stages_done.discard(stage)
        if stage in ("lock", "sign"):
            if self.verdict != "tracked":
                text = (
                    f"{stage} was entered, but the belt is not shown to be tracked: its stage is judged anew."
                )
                out.append(self._event("note", "not-tracked", text=text))
            return out
        out += self._break_hold(f"the stage {stage} was entered again", always=self.verdict == "tracked")
        if self.verdict == "tracked":
            self.verdict, self.reasons = "undecided", [f"The stage {stage} was entered again."]
        if stage in ("set-up", "watch"):
            self._seen = 0  # the camber is watched anew, at least three revolutions
            self._belt.jolt()  # and the belt may have been moved by hand
        return out

    # ------------------------------------------------------------ what the belt shows

    def on_revolution(self, revolution: Revolution) -> Out:
        """Each completed revolution, in order."""
        self._t_s, self._rev = revolution.end_s, revolution.rev
        self._pace(revolution)
        row = self._positions(revolution.rows)
        out: Out = self._start() if self.stage == "set-up" else []
        self._belt.observe(float(self._rev), row.get(self._steered), row.get("drive") if self._two else None)
        self._blind = 0 if len(row) == len(self._fitted) else self._blind + 1
        self._seen += 1 if self._steered in row else 0
        out += self._judge_answer()
        if self._since_move() >= self._station.procedure.settle_revs - SLACK_REV:
            out += self._clear_own("early-move")
        out += self._prove(revolution, row)
        out += self._next()
        self._explain_verdict(row)
        return out

    @property
    def _two(self) -> bool:
        return len(self._fitted) == 2

    def _since_move(self, rev: float | None = None) -> float:
        rev = float(self._rev) if rev is None else rev
        return rev - self._last_move[0] if self._last_move else math.inf

    def _pace(self, revolution: Revolution) -> None:
        took = revolution.end_s - revolution.start_s
        if took > 0.0:
            known = math.isfinite(self._rev_seconds)
            steady = known and 0.5 < took / self._rev_seconds < 2.0
            self._rev_seconds += 0.2 * (took - self._rev_seconds) if steady else 0.0
            self._rev_seconds = self._rev_seconds if known else took

    def _positions(self, rows: tuple[RevolutionRow, ...]) -> Row:
        """One position per pulley: sensors that can be believed, weighted by their precision."""
        found: Row = {}
        for pulley in self._fitted:
            good = [r for r in rows if r.pulley == pulley and self._believable(r)]
            if not good:
                continue
            weight = [1.0 / max(r.position_se_mm, 0.005) ** 2 for r in good]
            total = sum(weight)
            position = sum(w * r.position_mm for w, r in zip(weight, good, strict=True)) / total
            found[pulley] = (position, total**-0.5)
            left = max(
                (r.position_mm - r.edge_min_mm for r in good if math.isfinite(r.edge_min_mm)), default=0.0
            )
            right = max(
                (r.edge_max_mm - r.position_mm for r in good if math.isfinite(r.edge_max_mm)), default=0.0
            )
            self._edges_mm[pulley] = (max(left, 0.0), max(right, 0.0))
        return found

    def _believable(self, row: RevolutionRow) -> bool:
        if not (math.isfinite(row.position_mm) and math.isfinite(row.position_se_mm)):
            return False
        if row.behaviour in ("unknown", "stopped"):
            return False
        return not any((name, row.sensor) in self._alarms for name in SENSOR_ALARMS)

    def _start(self) -> Out:
        out: Out = []
        if "set-up" not in self._stages_done:
            text = "Set-up: level, squareness and tension were not entered; recorded as not made."
            out.append(self._event("note", "set-up", text=text))
        return out + self._enter("watch", "The belt runs.")

    # ------------------------------------------------------------ did the belt answer

    def _judge_answer(self) -> Out:
        if self._last_move is None or self._since_move() < self._station.procedure.settle_revs - SLACK_REV:
            return []
        answered, where = self._belt.answered, self._last_move[1]
        out: Out = []
        if answered == "not-at-all":
            if "no-response" not in self._own_alarms:
                self.adviser.no_answers += 1
                pulley: Pulley = "infeed" if where == "infeed" else "drive"
                out.append(self._raise_own("no-response", pulley, self._last_move[2]))
        else:
            out += self._clear_own("no-response")
        if answered == "other-way":
            out += self._once(
                f"other-way {self._last_move[0]}",
                "The belt answered as if the last move had been made the other way round; it is taken so.",
            )
        if answered != "not-at-all" and not self._belt.sign_known and self._belt.contrary > 0.5:
            out += self._once(
                "odd-answer",
                "The belt ran toward the side that was tightened: either the move was made on the other side than "
                "logged, or this machine answers the other way. The next move will tell.",
            )
        if self._belt.sign_known and self._belt.contrary > CONTRARY_SURE:
            out += self._once(
                "contrary",
                "This machine answers the other way: the belt runs toward the side that is tightened. "
                "The advice goes by the belt from now on.",
            )
        return out

    def _settle_account(self) -> None:
        """Before the next move: the account follows what the belt says of the last one."""
        if self._last_move is None:
            return
        _, where, signed_mm = self._last_move
        answered = self._belt.answered
        if answered == "as-logged":
            self.adviser.answers[where] += 1
        share = {"not-at-all": 1.0, "other-way": 2.0}.get(answered, 0.0)
        self.takeups.moved_mm[where]["left"] -= share * signed_mm / 2.0
        self.takeups.moved_mm[where]["right"] += share * signed_mm / 2.0

    # ------------------------------------------------------------ the alarms of detection

    def on_alarm(self, event: Event) -> Out:
        """An alarm that detection raised or cleared."""
        self._t_s, self._rev = max(self._t_s, event.t_s), max(self._rev, event.rev)
        key = (event.name, event.sensor or event.pulley or "bay")
        if event.kind == "alarm-cleared":
            self._alarms.pop(key, None)
            return []
        self._alarms[key] = event
        out: Out = []
        if event.name == "unlogged-move":
            self._belt.jolt()
            self._last_move = (float(self._rev), "infeed", 0.0)
            self.settling_until_rev = self._rev + float(self._station.procedure.settle_revs)
        if event.name in HOLD_BREAKERS:
            out += self._break_hold(HOLD_BREAKERS[event.name])
        if self.verdict == "tracked" and event.name in NOT_TRACKED:
            out += self._lose(f"After it was tracked: {HOLD_BREAKERS[event.name]}.")
        if event.name == "edge-stop":
            out += self._say(phrases.stop(event.value_mm, self._station.procedure.units))
        return out

    def expect_edge(self, to_limit: tuple[float, float] | None) -> None:
        """Revolutions and minutes until an edge reaches its limit at the present walk; None: not known, or never.

        To be told before the revolution it was reckoned from.
        """
        self._to_limit = to_limit

    def on_camber(self, camber_percent: float, splice_share: float = 0.0) -> Out:
        """The belt's camber in percent; splice_share: how much of it a crooked splice explains (0 to 1)."""
        allowed = self._station.procedure.camber_tolerance_percent
        if not camber_percent > allowed:
            return []
        text = f"The belt's camber is {camber_percent:.2f} % over half the loop, beyond {allowed:g} %."
        if splice_share > 0.8:
            text += " Its shape is that of a crooked splice."
        return self._once("camber", text)

    # ------------------------------------------------------------ the hold and the verdict

    def _prove(self, revolution: Revolution, row: Row) -> Out:
        limits = self._station.limits
        beyond = [p for p, (y, se) in row.items() if abs(y) - 1.645 * se > limits.centre_mm]
        self._outside = self._outside + 1 if beyond else 0
        if self.verdict == "tracked":
            if self._outside >= 2:
                return self._lose(f"After it was tracked the belt left the centre at the {beyond[0]} pulley.")
            return []
        if self._since_move(float(self._rev - 1)) < self._station.procedure.settle_revs - SLACK_REV:
            return []
        if len(row) < len(self._fitted):
            return self._break_hold("the position was not known") if self._blind >= BLIND_REVS else []
        if any(name in NOT_TRACKED or name in SENSOR_ALARMS for name, _ in self._alarms):
            self.hold.clear()
            return []
        began = len(self.hold.rows)
        why = self.hold.add(revolution.rev, revolution.start_s, revolution.end_s, row)
        if why is not None:
            return self._broken(why, began)
        for pulley in self._fitted:
            if self.hold.walks(pulley) is not None:
                return self._break_hold(f"the belt walks at the {pulley} pulley")
        if self.hold.proved(self._fitted) is not None:
            return []
        self.verdict, self.tracked_at_s = "tracked", self._t_s
        proof = {"evidence": self.hold.evidence(self._fitted), "hold": self.hold.figures(self._fitted)}
        return self._enter("lock", "The belt is tracked.", proof)

    def _break_hold(self, why: str, always: bool = False) -> Out:
        began = len(self.hold.rows)
        self.hold.clear()
        return self._broken(why, began, always)

    def _broken(self, why: str, began: int, always: bool = False) -> Out:
        if not always and (began < MIN_REVS // 2 or self.stage not in ("prove", "lock", "sign")):
            return []
        return [self._event("note", "hold-broken", text=f"The hold starts again: {why}.")]

    def _lose(self, why: str) -> Out:
        self.verdict, self.reasons = "not-tracked", [why]
        self.hold.clear()
        return self._enter("steer", why)

    def _explain_verdict(self, row: Row) -> None:
        units, limits = self._station.procedure.units, self._station.limits
        centre = words.length(limits.centre_mm, units)
        if self.verdict == "tracked":
            where = " and ".join(self._fitted)
            self.reasons = [
                f"Over the hold the whole belt lay within {centre} of centre ({where}) and did not walk."
            ]
            return
        reasons = [
            f"The {p} position is {words.length(y, units)} {words.side_of(y)} of centre, more than {centre}."
            if words.length(y, units) != centre
            else f"The {p} position is a little more than {centre} {words.side_of(y)} of centre."
            for p, (y, se) in row.items()
            if abs(y) - 1.645 * se > limits.centre_mm
        ]
        reasons += [
            f"{HOLD_BREAKERS[name].capitalize()} ({where})."
            for name, where in sorted(self._alarms)
            if name in NOT_TRACKED
        ]
        if self.adviser.stuck is not None:
            reasons.append(self.adviser.stuck.why)
        settled = self._since_move() >= self._station.procedure.settle_revs
        self.verdict = "not-tracked" if reasons and settled and self._seen >= 2 else "undecided"
        sensors = [
            f"The sensor {where} cannot be believed ({name})."
            for name, where in sorted(self._alarms)
            if name in SENSOR_ALARMS
        ]
        missing = self.hold.proved(self._fitted) or []
        self.reasons = reasons + sensors + ([] if reasons else [f"{m[0].upper()}{m[1:]}." for m in missing])

    # ------------------------------------------------------------ what to do next

    def _situation(self, rev: float) -> Situation:
        rows = self.hold.rows
        return Situation(
            rev=rev,
            stage=self.stage,
            tracked=self.verdict == "tracked",
            seen_revs=self._seen,
            blind_revs=self._blind,
            rev_seconds=self._rev_seconds,
            edges_mm=self._edges_mm,
            last_move=self._last_move,
            hold_rows=len(rows),
            hold_from_rev=rows[0][0] if rows else None,
            edge_stop=next((e for (name, _), e in self._alarms.items() if name == "edge-stop"), None),
            drifting=tuple(e for (name, _), e in sorted(self._alarms.items()) if name == "drift"),
            to_limit=self._to_limit,
            sensor_faults=any(name in SENSOR_ALARMS for name, _ in self._alarms),
            mind_side=self._belt.answered == "other-way",
            section=next((e for (name, _), e in self._alarms.items() if name == "section-wobble"), None),
        )

    def _next(self) -> Out:
        draft, stage, text = self.adviser.decide(self._situation(float(self._rev)))
        said = self._say(draft)
        return (self._enter(stage, text) if stage != self.stage else []) + said

    # ------------------------------------------------------------ saying it

    def _say(self, draft: Draft | None) -> Out:
        a = self.adviser.say(draft, self._t_s, self._rev, self._to_limit)
        if a is None:
            return []
        event = self._event(
            "advice", a.action, where=a.where, side=a.side, amount_mm=a.amount_mm, until_rev=a.until_rev,
            minutes=a.minutes, text=a.why, details={"checks": list(a.checks)} if a.checks else None,
        )  # fmt: skip
        return [a, event]

    @property
    def advice(self) -> Advice | None:
        """What stands advised."""
        return self.adviser.advice

    def _enter(self, stage: Stage, text: str, details: dict[str, Any] | None = None) -> Out:
        skipped = [
            s for s in STAGES[STAGES.index(self.stage) + 1 : STAGES.index(stage)] if s in ("steer", "trim")
        ]
        if skipped and stage in ("trim", "prove", "lock"):
            text += f" Not needed: {', '.join(skipped)}."
        self.stage = stage
        return [self._event("stage", stage, text=text, details=details)]

    def _once(self, name: str, text: str) -> Out:
        if name in self._said:
            return []
        self._said.add(name)
        return [self._event("note", name.split(" ")[0], text=text)]

    def _raise_own(self, name: str, pulley: Pulley, value_mm: float) -> Event:
        event = self._event("alarm-raised", name, pulley=pulley, value_mm=value_mm)
        self._own_alarms[name] = event
        return event

    def _clear_own(self, name: str) -> Out:
        raised = self._own_alarms.pop(name, None)
        return [self._event("alarm-cleared", name, pulley=raised.pulley)] if raised else []

    def _event(self, kind: Any, name: str, **fields: Any) -> Event:
        return Event(self._t_s, self._rev, kind, name, **fields)

    # ------------------------------------------------------------ keeping

    def snapshot(self) -> dict[str, Any]:
        """Everything that is needed to go on later just as if nothing had happened."""
        mine = {
            k: v for k, v in self.__dict__.items() if k not in ("_station", "_belt", "adviser", "takeups")
        }
        own = {**mine, "adviser": self.adviser.state(), "takeups": self.takeups}
        return {"own": copy.deepcopy(own), "belt": self._belt.snapshot()}

    def restore(self, state: dict[str, Any]) -> None:
        own = copy.deepcopy(state["own"])
        self.takeups = own.pop("takeups")
        self.adviser.set_state(own.pop("adviser"), self.takeups)
        self.__dict__.update(own)
        self._belt.restore(state["belt"])
