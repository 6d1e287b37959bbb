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

from monitor.procedure import phrases, setup, steering, words
from monitor.procedure.belt import Belt
from monitor.procedure.hold import MIN_REVS, Hold, Row
from monitor.procedure.phrases import Draft
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
HELPLESS_MOVES, HELPLESS_WALKS = 4, 6  # after so many moves at one place without real progress the cause lies elsewhere
PROGRESS = 0.4  # the error must have come down to this share of the first one
MOST_MOVES = 8  # whatever the progress
BLIND_REVS = 2  # revolutions without a believable position after which nothing is advised

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
        self.advice: Advice | None = None
        self.settling_until_rev: float | None = None
        self.takeups = account(station)
        self.hold = Hold(limits.centre_mm, 0.5 * limits.drift_mm_per_rev, 60.0 * procedure.hold_minutes)
        fitted = {sensor.pulley for sensor in station.sensor}
        self._fitted: tuple[Pulley, ...] = tuple(p for p in ("infeed", "drive") if p in fitted)
        self._steered: Pulley = self._fitted[0]
        self._t_s, self._rev = 0.0, 0
        self._rev_seconds = math.nan
        self._seen = 0
        self._blind = 0
        self._outside = 0
        self._edges_mm: dict[Pulley, tuple[float, float]] = {}
        self._span_mm = 0.0
        self._last_move: tuple[float, str, float] | None = None
        self._moves = {"infeed": 0, "snub": 0}
        self._answers = {"infeed": 0, "snub": 0}
        self._no_answers = 0
        self._first_error_mm: dict[str, float] = {}
        self._alarms: dict[Alarm, Event] = {}
        self._own_alarms: dict[str, Event] = {}
        self._stuck: Draft | None = None
        self._tag = ""
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
        signed_mm = signed(entry.side, entry.amount_mm)
        turned_back = self.takeups.reverses(entry.where, entry.side, entry.amount_mm)
        self.takeups.log(entry.where, entry.side, entry.amount_mm)
        self._belt.move(rev, entry.where, signed_mm, turned_back)
        self._last_move = (rev, entry.where, signed_mm)
        self._moves[entry.where] += 1
        self.settling_until_rev = rev + settle
        out += self._break_hold("a take-up was moved")
        self._stuck = None
        if self.verdict == "tracked":
            self.verdict, self.reasons = "undecided", ["A take-up was moved after the belt was tracked."]
        if self.stage in ("lock", "sign", "prove"):
            out += self._enter("steer" if entry.where == "infeed" else "trim", "A take-up was moved.")
        return out + self._say(self._settling(float(self._rev)))

    def _stage_said(self, entry: StageSaid, rev: float) -> Out:
        details: dict[str, Any] = {"what": entry.what, **entry.measurements}
        out: Out = [
            self._event("stage", entry.stage, by=entry.by or None, details=details, text=f"{entry.what}")
        ]
        if entry.what == "enter":
            self.stage, self._stuck, self._no_answers = entry.stage, None, 0
            self._moves = dict.fromkeys(self._moves, 0)
            self._first_error_mm.clear()
            if entry.stage in ("watch", "steer", "trim", "prove"):
                out += self._break_hold(f"the stage {entry.stage} was entered again")
                self.verdict = "undecided" if self.verdict == "tracked" else self.verdict
            return out
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
        if entry.stage == "lock" and self.verdict == "tracked":
            out += self._enter("sign", "Locked.") + self._say(phrases.done("sign"))
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
                self._no_answers += 1
                pulley: Pulley = "infeed" if where == "infeed" else "drive"
                out.append(self._raise_own("no-response", pulley, self._last_move[2]))
        else:
            out += self._clear_own("no-response")
        if answered == "other-way":
            out += self._once(
                f"other-way {self._last_move[0]}",
                "The belt answered as if the last move had been made the other way round; it is taken so.",
            )
        if self._belt.sign_known and self._belt.contrary > 0.98:
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
            self._answers[where] += 1
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
        return self._enter("lock", "The belt is tracked.", {"evidence": self.hold.evidence(self._fitted)})

    def _break_hold(self, why: str) -> Out:
        began = len(self.hold.rows)
        self.hold.clear()
        return self._broken(why, began)

    def _broken(self, why: str, began: int) -> Out:
        if began < MIN_REVS // 2 or self.stage not in ("prove", "lock", "sign"):
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
            for p, (y, se) in row.items()
            if abs(y) - 1.645 * se > limits.centre_mm
        ]
        reasons += [
            f"{HOLD_BREAKERS[name].capitalize()} ({where})."
            for name, where in sorted(self._alarms)
            if name in NOT_TRACKED
        ]
        if self._stuck is not None:
            reasons.append(self._stuck.why)
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

    def _next(self) -> Out:
        draft, stage, text = self._decide(float(self._rev))
        if draft.tag.startswith("look") and self._tag.startswith("move"):
            return []  # a move that is advised stands until it is made, not needed, or clearly another one
        out = self._enter(stage, text) if stage != self.stage else []
        return out + self._say(draft)

    def _decide(self, rev: float) -> tuple[Draft, Stage, str]:
        stage, units = self.stage, self._station.procedure.units
        if any(name == "edge-stop" for name, _ in self._alarms):
            event = next(e for (name, _), e in self._alarms.items() if name == "edge-stop")
            return phrases.stop(event.value_mm, units), stage, ""
        if self._blind >= BLIND_REVS:
            why = "The position of the belt is not known: a sensor cannot be believed. Nothing is advised until it is."
            return phrases.check("sensor", why, words.CAUSES_SENSOR), stage, ""
        if self.verdict == "tracked":
            return phrases.done("sign" if stage == "sign" else "lock"), stage, ""
        watch = max(3, self._station.procedure.settle_revs)
        if self._seen < watch:
            until = rev + watch - self._seen
            why = f"Learning the belt's camber: watch {phrases.span(until, rev, self._rev_seconds)}."
            return phrases.wait(f"watch {until:g}", why, until, rev, self._rev_seconds), "watch", ""
        if self._stuck is not None:
            return self._stuck, stage, ""
        settling = self._settling(rev)
        if settling is not None:
            return settling, stage, ""
        return self._advise(rev)

    def _settling(self, rev: float) -> Draft | None:
        """Whether the last move still needs time: its full revolutions, and until its effect is over."""
        if self._last_move is None:
            return None
        until = math.ceil(self._last_move[0]) + float(self._station.procedure.settle_revs)
        tolerance_mm = 0.15 * self._station.limits.centre_mm
        until = max(until, math.ceil(rev + self._belt.settling_revs(rev, tolerance_mm)))
        if rev >= until:
            return None
        why = f"Let the last move take effect: {phrases.span(until, rev, self._rev_seconds)}, then judge."
        return phrases.wait(f"settle {self._last_move[0]:.3f}", why, until, rev, self._rev_seconds)

    def _bounds(self) -> steering.Bounds:
        limits, p = self._station.limits, self._station.procedure
        left = max((v[0] for v in self._edges_mm.values()), default=0.0)
        right = max((v[1] for v in self._edges_mm.values()), default=0.0)
        seconds = self._rev_seconds if math.isfinite(self._rev_seconds) else 60.0
        hold_revs = max(60.0 * p.hold_minutes / seconds, float(MIN_REVS))
        return steering.Bounds(
            limits.centre_mm, 0.5 * limits.drift_mm_per_rev, limits.edge_stop_mm, left, right, p.move_mm,
            p.settle_revs, hold_revs, max(hold_revs - len(self.hold.rows), 1.0), 0.5 * self.takeups.reach_mm(),
        )  # fmt: skip

    def _advise(self, rev: float) -> tuple[Draft, Stage, str]:
        bounds = self._bounds()
        if self._no_answers >= 2:
            return self._stop_moving(
                "no-answer", "The belt did not answer two moves.", words.CAUSES_NO_ANSWER
            )
        warn = self._station.limits.edge_warn_mm
        if bounds.edge_left_mm + bounds.edge_right_mm > 2.0 * warn:
            return self._stop_moving(
                "belt",
                "The edge snakes so far that no move can keep it clear of its limits.",
                words.CAUSES_BELT,
            )
        choice = steering.steer(self._belt, rev, bounds, self.takeups)
        here, walk = self._belt.ahead(rev, 0.0), self._belt.ahead(rev, 0.0).walk.centre
        if choice.kind in ("move", "out-of-reach"):
            return self._steer(choice, here.infeed.centre, walk)
        if choice.kind == "let-walk":
            until = rev + max(math.floor(choice.arrives_rev - steering.LATENCY_REV), 1)
            why = (
                f"The belt walks back to the middle by itself, {words.length(walk, self._station.procedure.units)} each "
                f"revolution: let it, {phrases.span(until, rev, self._rev_seconds)}."
            )
            moves = self._moves["infeed"]
            return (
                phrases.wait(f"let-walk {moves}", why, until, rev, self._rev_seconds),
                "steer",
                "On its way.",
            )
        if choice.kind == "unsure" and not steering.expected_path_holds(self._belt, rev, bounds):
            until = rev + 2.0
            why = "It is not yet clear how the belt moves: watch 2 more revolutions."
            return (
                phrases.wait(f"look {int(rev) // 6}", why, until, rev, self._rev_seconds),
                "steer",
                "Looking.",
            )
        return self._trim(rev, bounds)

    def _steer(self, choice: steering.Choice, position_mm: float, walk_mm: float) -> tuple[Draft, Stage, str]:
        error = max(abs(position_mm), abs(position_mm + steering.APPROACH_REV * walk_mm))
        first = self._first_error_mm.setdefault("infeed", error)
        moves = self._moves["infeed"]
        if choice.kind == "out-of-reach":
            why = (
                f"The infeed take-up would have to be moved by {words.length(choice.signed_mm, self._station.procedure.units)} "
                "more, past its range: something else steers this belt."
            )
            return self._stop_moving("reach", why, words.CAUSES_FRAME, choice.explain)
        enough = HELPLESS_WALKS if self._belt.walks_on > 0.5 else HELPLESS_MOVES
        if (moves >= enough and error > PROGRESS * first) or moves >= MOST_MOVES:
            why = f"{moves} moves at the infeed pulley did not bring the belt to the middle: something else steers it."
            return self._stop_moving("helpless", why, words.CAUSES_FRAME, choice.explain)
        draft = phrases.move(
            "infeed", choice, position_mm, walk_mm, self._steered, self.takeups, self._station.procedure.units,
            self._belt.sign_known and self._belt.contrary > 0.98, steering.gain_known(self._belt),
        )  # fmt: skip
        return (
            self._kept(draft, "infeed", choice.signed_mm),
            "steer",
            "The belt is not centred at the infeed pulley.",
        )

    def _trim(self, rev: float, bounds: steering.Bounds) -> tuple[Draft, Stage, str]:
        if self._two:
            choice = steering.trim(self._belt, rev, bounds, self.takeups, self._answers["snub"] > 0)
            position = self._belt.ahead(rev, 0.0).drive.centre
            first = self._first_error_mm.setdefault("snub", abs(position))
            moves = self._moves["snub"]
            if choice.kind == "out-of-reach" or (
                choice.kind == "move" and moves >= HELPLESS_MOVES and abs(position) > PROGRESS * first
            ):
                why = f"{moves} moves of the snub did not bring the belt to the middle of the drive pulley."
                return self._stop_moving("snub", why, words.CAUSES_FRAME, choice.explain)
            if choice.kind == "move":
                draft = phrases.move(
                    "snub", choice, position, 0.0, "drive", self.takeups, self._station.procedure.units, False,
                    self._answers["snub"] > 0,
                )  # fmt: skip
                return (
                    self._kept(draft, "snub", choice.signed_mm),
                    "trim",
                    "Centred at the infeed pulley, not at the drive.",
                )
        lasted = len(self.hold.rows)
        until = rev + max(bounds.hold_revs - lasted, 1.0)
        why = f"The belt is centred: leave everything alone for {phrases.span(until, rev, self._rev_seconds)}, to prove that it holds."
        start = self.hold.rows[0][0] if self.hold.rows else int(rev)
        return (
            phrases.wait(f"hold {start}", why, math.ceil(until), rev, self._rev_seconds),
            "prove",
            "Centred at every fitted pulley."
            if self._two
            else "Centred; no sensor at the other pulley, so no trim.",
        )

    def _kept(self, draft: Draft, where: str, signed_mm: float) -> Draft:
        """The move that is already advised, while the new one hardly differs from it."""
        if not self._tag.startswith(f"move {where} ") or self.advice is None:
            return draft
        standing = float(self._tag.rsplit(" ", 1)[1])
        near = abs(signed_mm - standing) <= max(0.35 * abs(standing), 1.01 * self.takeups.nudge_mm)
        if not (near and signed_mm * standing > 0):
            return draft
        a = self.advice
        return Draft(self._tag, "move", a.why, a.caution, a.where, a.side, a.amount_mm, explain=a.explain)

    def _stop_moving(
        self, tag: str, why: str, causes: tuple[str, ...], explain: str = ""
    ) -> tuple[Draft, Stage, str]:
        self._stuck = phrases.check(
            tag, f"{why} Stop moving things and check, in this order.", causes, explain
        )
        return self._stuck, self.stage, ""

    # ------------------------------------------------------------ saying it

    def _say(self, draft: Draft | None) -> Out:
        if draft is None or draft.tag == self._tag:
            return []
        self._tag = draft.tag
        self.advice = a = draft.dated(self._t_s, self._rev)
        event = self._event(
            "advice", a.action, where=a.where, side=a.side, amount_mm=a.amount_mm, until_rev=a.until_rev,
            minutes=a.minutes, text=a.why, details={"checks": list(a.checks)} if a.checks else None,
        )  # fmt: skip
        return [a, event]

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
        own = {k: v for k, v in self.__dict__.items() if k not in ("_station", "_belt")}
        return {"own": copy.deepcopy(own), "belt": self._belt.snapshot()}

    def restore(self, state: dict[str, Any]) -> None:
        self.__dict__.update(copy.deepcopy(state["own"]))
        self._belt.restore(state["belt"])
