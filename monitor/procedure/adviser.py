"""What to tell the person now: from the situation to one draft of advice and the stage it belongs to.

In this order: stop at the edge limit; nothing while the belt is not seen; done when tracked; learn first;
wait while the last move takes effect; then steer at the infeed pulley, trim at the drive pulley, and leave
alone for the hold. When moves do not help, it stops advising them and names what to check. A move once
advised stands until it is made, no longer needed, or clearly another one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.procedure import phrases, steering, trimming, words
from monitor.procedure.belt import Belt
from monitor.procedure.hold import MIN_REVS
from monitor.procedure.phrases import Draft
from monitor.procedure.takeups import TakeUps
from monitor.records import Advice, Event, MoveWhere, Pulley, Stage
from monitor.settings import Station

HELPLESS_MOVES = 4  # after so many moves at one place without real progress the cause lies elsewhere
HELPLESS_WALKS = 6  # ... of a belt that walks on: two more, to bring it back and to stop it
PROGRESS = 0.4  # the error must have come down to this share of the first one
TRIES = (
    2  # ... at least so many of them of usual size, or made when the answer was known: less proves nothing
)
SHORT = 2.5  # standard deviations by which an answer falls short of what was expected by more than chance
MOST_MOVES = 8  # whatever the progress
MOST_WALKS = 12  # ... of a belt that walks on and is kept near the middle meanwhile
LONG_BLIND_REVS = 5  # ... and after which it is told as a sensor's matter even without its alarm
BLIND_REVS = 2  # revolutions without a believable position after which nothing is advised
SETTLED_SHARE = 0.15  # share of centre_mm that may remain of a move's effect when it counts as settled
NEAR_REVS = 10.0  # a limit that the edge reaches sooner, at the present walk, is told with the advice
NEARER = 0.5  # ... and once more whenever so much of what was told is left
CALM_REVS = 3  # ... and taken back when it was no longer so for that long
REMIND_REVS = 15  # a move that stands so long is advised again: it was forgotten, or made and not logged
LOOK_REVS = 6  # an advice to go on looking is repeated no sooner

Said = tuple[Draft, Stage, str]


@dataclass(slots=True)
class Situation:
    """What the adviser needs to know. last_move: belt travel, place and signed mm; rev_seconds NaN = not
    known. drifting: the drift alarms that stand. to_limit: revolutions and minutes until the edge reaches its
    limit at the present walk, None = not known, or it does not. mind_side: the last move went the other way.
    """

    rev: float = 0.0
    stage: Stage = "set-up"
    tracked: bool = False
    seen_revs: int = 0
    blind_revs: int = 0
    rev_seconds: float = math.nan
    edges_mm: dict[Pulley, tuple[float, float]] = field(default_factory=dict)
    last_move: tuple[float, str, float] | None = None
    hold_rows: int = 0
    hold_from_rev: int | None = None
    edge_stop: Event | None = None
    section: Event | None = None
    drifting: tuple[Event, ...] = ()
    to_limit: tuple[float, float] | None = None
    sensor_faults: bool = False
    mind_side: bool = False


class Adviser:
    """Keeps what was advised and how the moves fared."""

    def __init__(self, station: Station, belt: Belt, takeups: TakeUps, fitted: tuple[Pulley, ...]) -> None:
        self._station, self._belt, self._takeups, self._fitted = station, belt, takeups, fitted
        self._units = station.procedure.units
        self.advice: Advice | None = None
        self.stuck: Draft | None = None
        self.tag = ""
        self._warned_revs = math.inf  # told with the advice: until the edge's limit; inf: nothing was told
        self._near_rev = 0  # when it was last so
        self.moves = {"infeed": 0, "snub": 0}
        self.answers = {"infeed": 0, "snub": 0}
        self.no_answers = 0
        self.tries = 0
        self._slack_mm = 0.0
        self._first_error_mm: dict[str, float] = {}
        # how far off the last move at the infeed was to leave the belt, and the sd of that
        self._promised_mm = (0.0, math.inf)
        self._headed_out = self._put_back = False  # since the last move: said to be, and acted upon

    def start_over(self) -> None:
        """A person wants to go on: moves may be advised again."""
        self.stuck, self.no_answers, self.tries = None, 0, 0
        self._put_back = self._headed_out
        self.moves = dict.fromkeys(self.moves, 0)
        self._first_error_mm.clear()

    def made(self, where: str, amount_mm: float) -> None:
        """A move was logged."""
        self.moves[where] += 1
        self._headed_out = self._put_back = False
        usual = abs(amount_mm) >= 0.75 * self._station.procedure.move_mm
        if where == "infeed" and (usual or steering.gain_known(self._belt)):
            self.tries += 1
        self.stuck = None

    def say(
        self, draft: Draft | None, t_s: float, rev: int, to_limit: tuple[float, float] | None = None
    ) -> Advice | None:
        """The draft as an advice, or None when it says nothing new. It warns when the edge's limit is near."""
        if draft is None:
            return None
        warn = to_limit is not None and to_limit[0] <= NEAR_REVS
        warn = warn and draft.action != "none" and draft.tag not in ("check stop", "check heading-out")
        if draft.tag == self.tag and self.advice:
            if draft.action == "move" and rev - self.advice.rev >= REMIND_REVS:
                draft = phrases.reminded(draft)
            elif not self._limit_is_news(to_limit if warn else None, draft, rev):
                return None
        if draft.tag.startswith("look") and self.tag.startswith("move") and not warn:
            return None
        self.tag, self._warned_revs = draft.tag, math.inf
        if warn and to_limit:
            draft, self._warned_revs, self._near_rev = phrases.warned(draft, to_limit), to_limit[0], rev
        self.advice = draft.dated(t_s, rev)
        return self.advice

    def _limit_is_news(self, to_limit: tuple[float, float] | None, draft: Draft, rev: int) -> bool:
        """Whether what was told of the edge's limit with the same advice is no longer true."""
        if to_limit is not None:
            self._near_rev = rev
            return to_limit[0] <= NEARER * self._warned_revs
        told = math.isfinite(self._warned_revs) and draft.action != "move"
        return told and rev - self._near_rev >= CALM_REVS

    def state(self) -> dict[str, Any]:
        """What must be kept to go on later."""
        return {k: v for k, v in self.__dict__.items() if k not in ("_station", "_belt", "_takeups")}

    def set_state(self, state: dict[str, Any], takeups: TakeUps) -> None:
        self.__dict__.update(state)
        self._takeups = takeups

    # ------------------------------------------------------------ the order of things

    def decide(self, now: Situation) -> Said:
        """What to say now."""
        if now.edge_stop is not None:
            return phrases.stop(now.edge_stop.value_mm, self._units), now.stage, ""
        if now.blind_revs >= BLIND_REVS:
            return self._blind(now), now.stage, ""
        if now.tracked:
            return phrases.done("sign" if now.stage == "sign" else "lock"), now.stage, ""
        if now.section is not None:
            marks = self._station.conveyor.marks
            off = self._off_centre(now)
            return phrases.section(now.section, self._units, marks, off), now.stage, ""
        watch = max(3, self._station.procedure.settle_revs)
        if now.seen_revs < watch:
            until = now.rev + watch - now.seen_revs
            why = f"Learning the belt's camber: watch {phrases.span(until, now.rev, now.rev_seconds)}."
            return phrases.wait(f"watch {until:g}", why, until, now.rev, now.rev_seconds), "watch", ""
        if self.stuck is not None:
            return self.stuck, now.stage, ""
        settling = self.settling(now)
        return (settling, now.stage, "") if settling is not None else self._advise(now)

    def _off_centre(self, now: Situation) -> str:
        """The pulleys where the whole belt walks or rides off centre while a section is bad. Said once, it stands."""
        here, centre_mm = self._belt.ahead(now.rev, 0.0), self._station.limits.centre_mm
        places = {self._fitted[0]: here.infeed.centre}
        if len(self._fitted) == 2:
            places["drive"] = here.drive.centre
        drifting = {event.pulley for event in now.drifting}
        said = self.tag.removeprefix("check section") if self.tag.startswith("check section") else ""
        off = [p for p, mm in places.items() if abs(mm) > centre_mm or p in drifting or p in said]
        return " and the ".join(off)

    def _blind(self, now: Situation) -> Draft:
        """The position is not known: because of a sensor, or because the belt's travel is not clear just now."""
        if now.sensor_faults or now.blind_revs >= LONG_BLIND_REVS:
            why = "The belt's position is not known: a sensor cannot be believed. Nothing is advised until it is."
            return phrases.check("sensor", why, words.CAUSES_SENSOR)
        why = "The belt's position is not certain just now: leave everything alone and watch 2 more revolutions."
        return phrases.wait("blind", why, now.rev + 2.0, now.rev, now.rev_seconds)

    def settling(self, now: Situation) -> Draft | None:
        """Whether the last move still needs time: its full revolutions, and until its effect is over."""
        if now.last_move is None:
            return None
        made = now.last_move[0]
        until = math.ceil(made) + float(self._station.procedure.settle_revs)
        if now.rev < until:
            what = (
                "Let the last move take effect"
                if now.last_move[2]
                else "Let the belt settle after what moved it"
            )
            why = f"{what}: {phrases.span(until, now.rev, now.rev_seconds)}, then judge."
            figures = f"the move's effect is judged from {until:.0f} rev on, settle_revs after it was made"
            return phrases.wait(f"settle {made:.3f}", why, until, now.rev, now.rev_seconds, figures)
        tolerance_mm = SETTLED_SHARE * self._station.limits.centre_mm
        until = math.ceil(now.rev + self._belt.settling_revs(now.rev, tolerance_mm))
        if now.rev >= until:
            return None
        span = phrases.span(until, now.rev, now.rev_seconds)
        why = f"The belt is slow to come to rest after the last move: {span}, then judge."
        figures = f"{tolerance_mm:.2f} mm of the move's effect may remain; restoring {self._belt.restoring:.2f} per rev"
        return phrases.wait(f"creep {made:.3f}", why, until, now.rev, now.rev_seconds, figures)

    def _bounds(self, now: Situation) -> steering.Bounds:
        limits, p = self._station.limits, self._station.procedure
        seconds = now.rev_seconds if math.isfinite(now.rev_seconds) else 60.0
        hold_revs = max(60.0 * p.hold_minutes / seconds, float(MIN_REVS))
        return steering.Bounds(
            centre_mm=limits.centre_mm,
            margin_mm_per_rev=0.5 * limits.drift_mm_per_rev,
            edge_stop_mm=limits.edge_stop_mm,
            edge_left_mm=max((v[0] for v in now.edges_mm.values()), default=0.0),
            edge_right_mm=max((v[1] for v in now.edges_mm.values()), default=0.0),
            move_mm=p.move_mm,
            settle_revs=p.settle_revs,
            hold_revs=hold_revs,
            hold_left_revs=max(hold_revs - now.hold_rows, 1.0),
            both=len(self._fitted) == 2,
            reach_mm=self._takeups.reach_mm,
            put_back=self._put_back,
        )

    def _advise(self, now: Situation) -> Said:
        bounds = self._bounds(now)
        if self.no_answers >= 2:
            return self._stop(now, "no-answer", "The belt did not answer two moves.", words.CAUSES_NO_ANSWER)
        if bounds.edge_left_mm + bounds.edge_right_mm > 2.0 * self._station.limits.edge_warn_mm:
            why = "The edge snakes so far that no move can keep it clear of its limits."
            return self._stop(now, "belt", why, words.CAUSES_BELT)
        choice = steering.steer(self._belt, now.rev, bounds, self._takeups)
        if choice.kind == "heading-out":
            self._headed_out = True
            return phrases.heading_out(choice.explain), "steer", "The belt is heading for its edge."
        if self._trim_first(now, bounds, choice):
            return self._trim(now, bounds)
        if choice.kind in ("move", "out-of-reach"):
            return self._steer(now, choice, bounds)
        if choice.kind == "let-walk":
            until = now.rev + max(math.floor(choice.arrives_rev - steering.LATENCY_REV), 1)
            here = self._belt.ahead(now.rev, 0.0)
            size, span = (
                words.length(here.walk.centre, self._units),
                phrases.span(until, now.rev, now.rev_seconds),
            )
            if here.walk.centre * here.infeed.centre < 0.0:
                why = f"The belt walks back to the middle by itself, {size} each revolution: let it, {span}."
            else:
                toward = words.side_of(here.walk.centre)
                why = f"The belt walks {size} to the {toward} each revolution: let it, {span}. A move is due then."
            tag = f"let-walk {self.moves['infeed']}"
            figures = self._figures(tag, now, bounds)
            return phrases.wait(tag, why, until, now.rev, now.rev_seconds, figures), "steer", "On its way."
        if choice.kind == "unsure" and not steering.expected_path_holds(self._belt, now.rev, bounds):
            why = "It is not yet clear how the belt moves: watch 2 more revolutions."
            tag = f"look {int(now.rev) // LOOK_REVS}"
            figures = self._figures(tag, now, bounds)
            return (
                phrases.wait(tag, why, now.rev + 2.0, now.rev, now.rev_seconds, figures),
                "steer",
                "Looking.",
            )
        return self._trim(now, bounds)

    def _figures(self, tag: str, now: Situation, bounds: steering.Bounds) -> str:
        """The estimates, for those who ask; not reckoned for what is said already."""
        if tag == self.tag:
            return ""
        belt, here = self._belt, self._belt.ahead(now.rev, 0.0)
        places = [("infeed", here.infeed), *([("drive", here.drive)] if bounds.both else [])]
        parts = [f"{name} {at.centre:+.2f} mm (sd {at.spread:.2f})" for name, at in places]
        return (
            f"{', '.join(parts)}; walk {here.walk.centre:+.3f} mm/rev (sd {here.walk.spread:.3f}); gain "
            f"{belt.gain.centre:+.2f} mm/rev per mm (sd {belt.gain.spread:.2f}); walks on with p "
            f"{belt.walks_on:.2f}; holds if left alone with p {steering.holds(belt, now.rev, bounds):.2f}"
        )

    def _trim_first(self, now: Situation, bounds: steering.Bounds, choice: steering.Choice) -> bool:
        """A belt that walks on and will ride so far apart at the pulleys that the snub has to be moved, too: best
        while it is inside or on its way there, since the move that stops it then puts right what the snub does.
        """
        if not bounds.both or self._belt.walks_on <= 0.5 or not steering.gain_known(self._belt):
            return False
        window = steering.HOLD_WINDOW * bounds.centre_mm
        path = [self._belt.ahead(now.rev, revs).infeed.centre for revs in (0.0, bounds.settle_revs + 2.0)]
        on_its_way = choice.kind == "let-walk" and choice.arrives_rev > bounds.settle_revs + 1.0
        if not on_its_way and max(abs(v) for v in path) > window:
            return False
        return trimming.trim(self._belt, now.rev, bounds, self._takeups, True).kind == "move"

    def _gets_there(self, now: Situation, bounds: steering.Bounds, where: MoveWhere) -> bool:
        """A belt that answered its last move, weakly but clearly, and can be brought in by what is left to move."""
        answered = self._belt.answered == "as-logged"
        chance = steering.within_reach(self._belt, now.rev, bounds, self._takeups, where)
        return answered and chance > steering.LIKELY

    def _helpless(
        self, now: Situation, choice: steering.Choice, bounds: steering.Bounds, first_mm: float
    ) -> bool:
        """Whether moves that did not bring the belt in will not do so: enough was tried, and it does not get there."""
        if self._fell_short(now):
            return True
        enough = self.tries >= TRIES or choice.leaves_mm > PROGRESS * first_mm
        return enough and not self._gets_there(now, bounds, "infeed")

    def _fell_short(self, now: Situation) -> bool:
        """A belt that came much less far than was expected: it gives way a little and comes no further."""
        off_mm, sd_mm = self._promised_mm
        place_mm = abs(self._belt.ahead(now.rev, steering.RETURN_REV).infeed.centre)
        return self._belt.walks_on < 0.5 and place_mm - off_mm > SHORT * sd_mm

    # ------------------------------------------------------------ the two places where a move helps

    def _steer(self, now: Situation, choice: steering.Choice, bounds: steering.Bounds) -> Said:
        here = self._belt.ahead(now.rev, 0.0)
        position_mm, walk_mm = here.infeed.centre, here.walk.centre
        error = max(abs(position_mm), abs(position_mm + steering.APPROACH_REV * walk_mm))
        first = self._first_error_mm.setdefault("infeed", error)
        moves = self.moves["infeed"]
        if choice.kind == "out-of-reach":
            size = words.length(choice.signed_mm, self._units)
            why = (
                f"The infeed take-up would have to move {size} more, past its range: something else "
                "steers the belt."
            )
            return self._stop(now, "reach", why, words.CAUSES_FRAME, choice.explain)
        walks = self._belt.walks_on > 0.5
        if walks and abs(position_mm) < bounds.centre_mm and moves >= HELPLESS_WALKS:
            if moves >= MOST_WALKS:
                why = (
                    f"The belt answers so strongly that {moves} moves did not set it finely enough to stay "
                    "centred: nothing brings it back by itself."
                )
                return self._stop(now, "lively", why, words.CAUSES_LIVELY, choice.explain)
        elif (
            moves >= (HELPLESS_WALKS if walks else HELPLESS_MOVES)
            and error > PROGRESS * first
            and self._helpless(now, choice, bounds, first)
        ) or moves >= (MOST_WALKS if walks else MOST_MOVES if self.tries else HELPLESS_WALKS):
            why = f"{moves} moves at the infeed pulley did not centre the belt: something else steers it."
            return self._stop(now, "helpless", why, words.CAUSES_FRAME, choice.explain)
        tail = ""
        if now.mind_side:
            tail = " Mind the side: the last move seems to have been made on the other."
        elif moves >= 2 and not self._belt.sign_known:
            tail = " Its answers so far do not agree: make sure of the side, and log what is really moved."

        def make(choice: steering.Choice) -> Draft:
            draft = phrases.move(
                "infeed", choice, position_mm, walk_mm, self._fitted[0], self._takeups, self._units,
                self._belt.contrary, steering.gain_known(self._belt),
            )  # fmt: skip
            return replace(draft, why=draft.why + tail)

        self._promised_mm = (choice.leaves_mm, choice.spread_mm)
        text = f"The belt is not centred at the {self._fitted[0]} pulley."
        return self._standing(make, "infeed", choice), "steer", text

    def _trim(self, now: Situation, bounds: steering.Bounds) -> Said:
        if not bounds.both:
            return self._hold(
                now, bounds, "Centred; the other pulley carries no sensor, so there is no trim."
            )
        known = self.answers["snub"] > 0
        choice = trimming.trim(self._belt, now.rev, bounds, self._takeups, known)
        position_mm = self._belt.ahead(now.rev, 0.0).drive.centre
        first = self._first_error_mm.setdefault("snub", abs(position_mm))
        moves = self.moves["snub"]
        helpless = choice.kind == "move" and moves >= HELPLESS_MOVES and abs(position_mm) > PROGRESS * first
        helpless = helpless and (moves >= MOST_MOVES or not self._gets_there(now, bounds, "snub"))
        if choice.kind == "out-of-reach" or helpless:
            why = f"{moves} moves of the snub did not centre the belt at the drive pulley."
            return self._stop(now, "snub", why, words.CAUSES_FRAME, choice.explain)
        if choice.kind != "move":
            return self._hold(now, bounds, "Centred at both pulleys.")

        def make(choice: steering.Choice) -> Draft:
            return phrases.move(
                "snub", choice, position_mm, 0.0, "drive", self._takeups, self._units,
                self._belt.snub_effect.below(0.0), known,
            )  # fmt: skip

        text = "Centred at the infeed pulley, not at the drive pulley."
        return self._standing(make, "snub", choice), "trim", text

    def _hold(self, now: Situation, bounds: steering.Bounds, text: str) -> Said:
        if now.drifting:
            return self._watch_drift(now, now.drifting[0])
        here = self._belt.ahead(now.rev, 0.0)
        places = {"infeed": here.infeed.centre, **({"drive": here.drive.centre} if bounds.both else {})}
        outside = [p for p, mm in places.items() if abs(mm) > bounds.centre_mm]
        if outside:
            size, side = words.length(places[outside[0]], self._units), words.side_of(places[outside[0]])
            why = f"The belt still rides {size} {side} of centre at the {outside[0]} pulley: watch 2 more revolutions."
            tag = f"look {int(now.rev) // LOOK_REVS}"
            figures = self._figures(tag, now, bounds)
            draft = phrases.wait(tag, why, now.rev + 2.0, now.rev, now.rev_seconds, figures)
            return draft, "trim" if outside == ["drive"] else "steer", "Not yet centred."
        until = math.ceil(now.rev + bounds.hold_left_revs)
        span = phrases.span(until, now.rev, now.rev_seconds)
        why = f"The belt is centred: leave everything alone for {span}, to prove that it holds."
        start = now.hold_from_rev if now.hold_from_rev is not None else int(now.rev) + 1
        tag = f"hold {start}"
        figures = self._figures(tag, now, bounds)
        return phrases.wait(tag, why, until, now.rev, now.rev_seconds, figures), "prove", text

    def _watch_drift(self, now: Situation, drift: Event) -> Said:
        """A belt that rides centred and begins to walk: not to be left alone, nor to be moved on a guess."""
        walk = ""
        if drift.value_mm is not None:
            size = words.length(drift.value_mm, self._units)
            walk = f", {size} each revolution to the {words.side_of(drift.value_mm)}"
        why = (
            f"The belt walks at the {drift.pulley} pulley{walk}: keep it in sight for 2 more revolutions. "
            "If it goes on, look for what has changed: a move nobody logged, tension, build-up on a pulley."
        )
        tag = f"look drift {drift.pulley} {drift.rev}"
        stage: Stage = "trim" if drift.pulley == "drive" and len(self._fitted) == 2 else "steer"
        return phrases.wait(tag, why, now.rev + 2.0, now.rev, now.rev_seconds), stage, "The belt walks."

    def _standing(
        self, make: Callable[[steering.Choice], Draft], where: str, choice: steering.Choice
    ) -> Draft:
        """The move that is already advised, in present figures, while the new one does not differ from it by more
        than is known. make: the draft of a choice.
        """
        if not self.tag.startswith(f"move {where} ") or self.advice is None:
            self._slack_mm = choice.slack_mm
            return make(choice)
        before_mm, signed_mm = float(self.tag.rsplit(" ", 1)[1]), choice.signed_mm
        within = max(0.35 * abs(before_mm), 1.01 * self._takeups.nudge_mm, choice.slack_mm, self._slack_mm)
        if not (abs(signed_mm - before_mm) <= within and signed_mm * before_mm > 0):
            self._slack_mm = choice.slack_mm
            return make(choice)
        same = make(replace(choice, signed_mm=before_mm))
        return replace(same, tag=self.tag, explain=self.advice.explain)

    def _stop(self, now: Situation, tag: str, why: str, causes: tuple[str, ...], explain: str = "") -> Said:
        text = f"{why} Stop moving things and check, in this order."
        self.stuck = phrases.check(tag, text, causes, explain)
        return self.stuck, now.stage, ""
