"""Run-ins in a closed loop on wire bytes: simulated board, the real pipeline, and a technician with habits.

python tests/known_truth/wire_table.py [number of conveyors [first seed]]

The conveyors are those of monitor.simulation with everything drawn from wide ranges: gains within a factor
of three of the geometric one, one in ten that answers the other way, half with plain pulleys, standing skew,
play in the screws, run-out, a bent section too small for an alarm. Half of the technicians are careful; the
others turn 20 % too far, take the wrong side now and then, or forget to log. Nothing in the program is tuned
to these draws.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from monitor.pipeline import Pipeline
from monitor.procedure.phrases import HEADING_OUT
from monitor.records import Advice, Event, Message, Revolution, StageSaid
from monitor.settings import parse_station
from monitor.simulation import Bump, Params, Simulation, make
from monitor.simulation.mechanics import walk_per_rev_mm
from monitor.simulation.station import station_text
from monitor.simulation.technician import Habits, Technician
from tests.known_truth.runin_table import percent

MOST_REVS = 200.0
STEP_S = 1.0
REACH_MM = 25.0  # half of takeup_range_mm as the station files have it by default
BY_HAND_S = 120.0  # for the belt to be put back to the middle while it stands
STAYS_REVS = 6  # so long an advice to check must stand to count as the last word
HABITS = {
    "careful": Habits(amount_spread=0.05),
    "heavy-handed": Habits(amount_factor=1.2, amount_spread=0.05),
    "confused": Habits(amount_spread=0.05, wrong_side=0.15),
    "forgetful": Habits(amount_spread=0.05, forgets_to_log=0.2),
}


def conveyor(seed: int) -> tuple[Params, str]:
    """Parameters of one conveyor, and the kind of technician who works on it."""
    rng = np.random.default_rng([20261, seed])
    belt = make("quiet", 50_000 + seed)
    plain = bool(rng.random() < 0.5)
    rev_s = rng.uniform(20.0, 45.0)
    per_mm = walk_per_rev_mm(belt.stiffness_kl, belt.carry_length_mm, 1.0 / belt.bearing_spacing_mm)
    factor = float(np.exp(rng.uniform(-math.log(3.0), math.log(3.0))))
    slow = rng.random() < 0.6  # crowned: comes to rest in the course of revolutions, else at once
    folding = float(np.exp(rng.uniform(math.log(0.4), math.log(3.0)))) if slow else rng.uniform(0.1, 0.33)
    rest_gain = per_mm * factor * (folding if slow else 0.5)
    changes: dict[str, object] = {
        "direction": -1 if rng.random() < 0.1 else 1,
        "crowned": not plain,
        "speed_mps": belt.length_mm / 1000.0 / rev_s,
        "rate_hz": 50,
        "hold_minutes": rng.uniform(5.0, 12.0),
        "backlash_mm": rng.uniform(0.05, 0.25) if rng.random() < 0.33 else 0.0,
        "runout_mm": rng.uniform(0.2, 1.0) if rng.random() < 0.2 else 0.0,
        "seconds": MOST_REVS * rev_s,
    }
    if plain:
        changes |= {
            "gain": factor,
            "standing_infeed_mm": rng.uniform(-2.0, 2.0) / (per_mm * factor),
            "standing_drive_mm": rng.normal(0.0, 1.5)
            * belt.bearing_spacing_mm
            / belt.carry_length_mm
            / factor,
            "start_infeed_mm": rng.uniform(-10.0, 10.0),
        }
    else:
        snub = rest_gain * rng.uniform(0.3, 0.8)
        changes |= {
            "infeed_restoring_revs": folding,
            "drive_restoring_revs": folding * rng.uniform(0.7, 1.3),
            "infeed_mm_per_mm": rest_gain,
            "snub_mm_per_mm": snub,
            "standing_infeed_mm": rng.uniform(-10.0, 10.0) / rest_gain,
            "standing_drive_mm": rng.uniform(-4.0, 4.0) / snub,
        }
    if rng.random() < 0.2:
        place, width = rng.uniform(0.0, belt.length_mm), rng.uniform(500.0, 1500.0)
        changes["bumps"] = (Bump(8.0 * rev_s, place, width, rng.uniform(1.0, 2.5), 1.0),)
    kind = "careful" if rng.random() < 0.5 else str(rng.choice(list(HABITS)[1:]))
    return dataclasses.replace(belt, **changes), kind  # type: ignore[arg-type]


@dataclass
class WireOutcome:
    """What became of one run-in on wire bytes."""

    seed: int
    plain: bool
    habits: str
    contrary: bool
    can: bool
    verdict: str = "undecided"
    action: str = ""
    why: str = ""
    revs: float = 0.0
    moves: int = 0
    early: int = 0
    stops: int = 0
    slips: int = 0
    wrong_tracked: bool = False
    inside_95: int = 0
    forecasts: int = 0
    alarms: Counter[str] = field(default_factory=Counter)
    broken: int = 0
    put_back: int = 0
    trail: list[str] = field(default_factory=list)


def can_be_tracked(params: Params) -> bool:
    """False for crowned pulleys that the take-up's or the snub's range, half of it to either side, cannot bring inside
    centre_mm, and for plain ones that walk too far in a hold even when a hair (1/20 step) is all that is wrong.
    """
    if params.crowned:
        ends = [
            (params.standing_infeed_mm, params.infeed_mm_per_mm),
            (params.standing_drive_mm, params.snub_mm_per_mm),
        ]
        return all(abs(standing) - params.centre_mm / gain <= REACH_MM for standing, gain in ends)
    per_mm = walk_per_rev_mm(params.stiffness_kl, params.carry_length_mm, 1.0 / params.bearing_spacing_mm)
    hold_revs = 60.0 * params.hold_minutes / (params.length_mm / 1000.0 / params.speed_mps)
    return 0.0125 * per_mm * params.gain <= min(0.2, 1.3 * params.centre_mm / hold_revs)


class Loop:
    """One run-in under way."""

    def __init__(self, seed: int) -> None:
        self.params, kind = conveyor(seed)
        self.simulation = Simulation(self.params)
        self.pipeline = Pipeline(parse_station(station_text(self.params)))
        self.technician = Technician(HABITS[kind], seed)
        self.rev_s = self.params.length_mm / 1000.0 / self.params.speed_mps
        self.last_move = -math.inf
        self.slipped = self.stops = False
        self.awaited: list[float] = []
        self.out = WireOutcome(
            seed, not self.params.crowned, kind, self.params.direction < 0, can_be_tracked(self.params)
        )

    def run(self, most_revs: float = MOST_REVS) -> WireOutcome:
        out, simulation = self.out, self.simulation
        while simulation.revolutions < most_revs:
            self._work()
            for message in self.pipeline.feed(simulation.advance(STEP_S)):
                self._hear(message)
            if self.stops:
                self.stops = False
                self._put_back()
            if self.pipeline.verdict == "tracked" or self._given_up():
                break
        out.verdict, out.revs = self.pipeline.verdict, simulation.revolutions
        if self.pipeline.advice is not None:
            out.action, out.why = self.pipeline.advice.action, self.pipeline.advice.why
        if out.verdict == "tracked":
            out.wrong_tracked = not self._truly_tracked()
        return out

    def _put_back(self) -> None:
        """The belt is stopped, put back to the middle by hand, and started again."""
        out, simulation = self.out, self.simulation
        out.put_back += 1
        simulation.stop_belt()
        for message in self.pipeline.feed(simulation.advance(BY_HAND_S / 2)):
            self._hear(message)
        simulation.put_back()
        self.pipeline.enter(StageSaid(simulation.t_s, "watch", "enter"))
        for message in self.pipeline.feed(simulation.advance(BY_HAND_S / 2)):
            self._hear(message)
        simulation.start_belt()
        self._note("put back to the middle by hand")

    def _given_up(self) -> bool:
        """The program stays with naming causes."""
        advice = self.pipeline.advice
        checks = advice is not None and advice.action == "check"
        return checks and advice is not None and self.pipeline.rev - advice.rev >= STAYS_REVS

    def _work(self) -> None:
        """What the technician does now."""
        simulation = self.simulation
        for deed in self.technician.due(simulation.t_s):
            simulation.move(deed.where, deed.side, deed.amount_mm, logged=deed.entry is not None)
            if deed.entry is not None:  # of what is not logged the program can know nothing yet
                self.last_move = simulation.revolutions
            self.out.moves += 1
            self.slipped = deed.entry is None or deed.entry.side != deed.side
            if deed.entry is not None:
                self.pipeline.enter(dataclasses.replace(deed.entry, t_s=simulation.t_s))
                wrong = deed.entry.side != deed.side
                self.awaited = [] if wrong else [simulation.revolutions + self.params.settle_revs]
            else:
                self.awaited = []
            logged = "" if deed.entry else " (not logged)"
            self._note(f"{deed.where} {deed.side} {deed.amount_mm:+.2f} mm{logged}")

    def _hear(self, message: Message) -> None:
        out = self.out
        if isinstance(message, Advice):
            self.technician.hear(message, self.rev_s)
            self._note(f"  {message.action}: {message.why} [{message.explain}]")
            self.stops = message.why == HEADING_OUT
            settle = self.params.settle_revs
            out.early += (
                message.action == "move" and self.simulation.revolutions - self.last_move < settle - 0.1
            )
        elif isinstance(message, Event) and message.kind == "alarm-raised":
            out.alarms[message.name] += 1
            if message.name == "edge-stop" and out.moves > 0:
                out.stops, out.slips = out.stops + (not self.slipped), out.slips + self.slipped
            self._note(f"    ALARM {message.name} {message.pulley} {message.value_mm}")
        elif isinstance(message, Event) and message.name == "hold-broken":
            out.broken += 1
            self._note(f"    {message.text}")
        elif isinstance(message, Revolution) and self.awaited and message.rev >= self.awaited[0]:
            self._check_forecast(float(message.rev))
            self.awaited = []

    def _check_forecast(self, rev: float) -> None:
        """Predicted resting place (or walk), settle_revs after a move, against the truth."""
        belt = self.pipeline._runin._belt
        rest = self.simulation.resting_place_mm()
        if rest is None:
            (low, high), truth = belt.ahead(rev, 0.0).walk.interval(), self.simulation.walk_mm_per_rev()
        else:
            (low, high), truth = belt.ahead(rev, 40.0).infeed.interval(), rest[0]
        self.out.forecasts += 1
        self.out.inside_95 += low <= truth <= high
        if not low <= truth <= high:
            self._note(f"    forecast {low:.2f} to {high:.2f}, truth {truth:.2f}")

    def _truly_tracked(self) -> bool:
        places = self.simulation.position_mm().values()
        half_limit = 0.5 * self.params.drift_limit_mm_per_rev
        inside = max(abs(v) for v in places) <= self.params.centre_mm
        return inside and abs(self.simulation.walk_mm_per_rev()) < half_limit

    def _note(self, text: str) -> None:
        places = " ".join(f"{v:+.2f}" for v in self.simulation.position_mm().values())
        self.out.trail.append(f"{self.simulation.revolutions:6.1f} [{places}] {text}")


def run(seed: int, most_revs: float = MOST_REVS) -> WireOutcome:
    """One conveyor, brought in by the advice."""
    return Loop(seed).run(most_revs)


def table(seeds: range, say: Callable[[str], None] = print) -> dict[str, float]:
    """Prints the table for these conveyors."""
    runs = [run(seed) for seed in seeds]
    can = [r for r in runs if r.can]
    tracked = [r for r in can if r.verdict == "tracked"]
    say(
        f"conveyors: {len(runs)}, {sum(r.plain for r in runs)} plain, {sum(r.contrary for r in runs)} contrary"
    )
    say(f"brought to tracked: {percent(len(tracked), len(can))}")
    for name in HABITS:
        group = [r for r in can if r.habits == name]
        good = [r.moves for r in group if r.verdict == "tracked"]
        most = f"median {np.median(good):g}, most {max(good)}" if good else "none"
        say(f"  {name}: {percent(len(good), len(group))}, moves {most}")
    moves = [r.moves for r in tracked] or [0]
    say(f"moves: median {np.median(moves):g}, 95th {np.percentile(moves, 95):g}, most {max(moves)}")
    say(f"edge past its stop after a move made as advised: {sum(r.stops > 0 for r in runs)}")
    say(f"... after one on the wrong side or not logged: {sum(r.slips > 0 for r in runs)}")
    say(f"stopped and put back to the middle by hand, as advised: {sum(r.put_back > 0 for r in runs)}")
    say(f"moves advised too early: {sum(r.early for r in runs)} of {sum(r.moves for r in runs)}")
    inside, forecasts = sum(r.inside_95 for r in runs), sum(r.forecasts for r in runs)
    say(f"resting place or walk inside its 95 % interval: {percent(inside, forecasts)}")
    say(f"tracked when the truth is not: {percent(sum(r.wrong_tracked for r in runs), len(runs))}")
    alarms: Counter[str] = sum((r.alarms for r in runs), Counter())
    say(f"alarms: {dict(alarms)}; holds broken: {sum(r.broken for r in runs)}")
    for r in can:
        if r.verdict != "tracked" or r.wrong_tracked:
            say(f"  seed {r.seed}: {r.verdict}, {r.action}, {r.moves} moves, {r.revs:.0f} rev: {r.why}")
    return {
        "tracked": len(tracked) / max(len(can), 1),
        "median": float(np.median(moves)),
        "p95": float(np.percentile(moves, 95)),
        "stops": sum(r.stops > 0 for r in runs),
        "early": sum(r.early for r in runs),
        "inside": inside / max(forecasts, 1),
        "wrong": sum(r.wrong_tracked for r in runs) / len(runs),
    }


if __name__ == "__main__":
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    table(range(first, first + (int(sys.argv[1]) if len(sys.argv) > 1 else 40)))
