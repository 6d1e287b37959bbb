"""Runs many simulated run-ins in a closed loop and prints how well they went.

python tests/known_truth/runin_table.py [number of conveyors [first seed]]
"""

from __future__ import annotations

import copy
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from monitor.procedure import RunIn
from monitor.procedure.phrases import HEADING_OUT
from monitor.records import Advice, MoveMade, StageSaid
from monitor.response import BeltAnswer
from tests.known_truth.conveyors import Conveyor, Outcome, Technician, alarms_of

MOST_REVS = 220
FAULTS = ("twisted", "saturated", "splice", "camber")


def run(seed: int, fault: str | None = None, careless: float = 0.0, most_revs: int = MOST_REVS) -> Outcome:
    """One conveyor, brought in by the advice."""
    conveyor = Conveyor(seed, fault)
    technician = Technician(np.random.default_rng([7, seed]), careless)
    belt = BeltAnswer(conveyor.station)
    runin = RunIn(conveyor.station, belt)
    out = Outcome(conveyor.kind, fault, conveyor.can_be_tracked(), conveyor.contrary)
    settle = conveyor.station.procedure.settle_revs
    last_move, active, pending = -1e9, {}, []
    while conveyor.rev < most_revs:
        conveyor.start_revolution()
        end = conveyor.rev + 1.0
        while technician.plan and technician.plan[0] < end:
            at, entry = technician.plan
            technician.plan = None
            conveyor.run_to(at)
            side, amount, logged = technician.really(entry)
            shadow = copy.deepcopy(conveyor)
            conveyor.move(entry.where, side, amount)
            out.moves += 1
            out.infeed_moves += entry.where == "infeed"
            last_move = at
            if logged:
                for message in runin.on_entry(entry, at):
                    hear(message, technician, at, conveyor, out, last_move, settle)
            out.stop_by_move |= pushed_out(conveyor, shadow, settle)
            pending.append(at)
            out.trail.append(
                f"{at:6.1f} {entry.where} {signed(entry):+.2f} mm at {conveyor.true_positions().round(2)} "
                f"walk {conveyor.true_walk():+.3f}"
            )
        conveyor.run_to(end)
        revolution = conveyor.end_revolution()
        messages = []
        for event in alarms_of(conveyor, revolution, active):
            messages += runin.on_alarm(event)
        messages += runin.on_revolution(revolution)
        for message in messages:
            hear(message, technician, end, conveyor, out, last_move, settle)
        if pending and end - pending[0] >= settle:
            pending.pop(0)
            check_forecast(conveyor, belt, end, out)
        if runin.verdict == "tracked":
            out.wrong_tracked = not truly_tracked(conveyor)
            break
        if runin.advice and runin.advice.why == HEADING_OUT:
            conveyor.put_back()
            out.put_back += 1
            said = StageSaid(conveyor.rev * conveyor.rev_s, "watch", "enter")
            for message in runin.on_entry(said, float(conveyor.rev)):
                hear(message, technician, end, conveyor, out, last_move, settle)
        elif runin.advice and runin.advice.action == "check":
            break
    out.verdict, out.action, out.revs = (
        runin.verdict,
        runin.advice.action if runin.advice else "",
        conveyor.rev,
    )
    out.causes = runin.advice.checks if runin.advice else ()
    return out


def signed(entry: MoveMade) -> float:
    return entry.amount_mm if entry.side == "left" else -entry.amount_mm


def hear(
    message: object,
    technician: Technician,
    s: float,
    conveyor: Conveyor,
    out: Outcome,
    last_move: float,
    settle: int,
) -> None:
    if isinstance(message, Advice):
        technician.hears(message, s, conveyor.rev_s)
        out.trail.append(f"{s:6.1f}   {message.action}: {message.why} [{message.explain}]")
        if message.action == "move":
            out.early += s - last_move < settle
            out.unsettled += still_settling(conveyor) > 0.3 * conveyor.station.limits.centre_mm
    elif getattr(message, "name", "") == "no-response":
        out.no_response += 1


def still_settling(conveyor: Conveyor) -> float:
    """How far, mm, the belt still has to go because of what was done so far (walkers: deviation from the
    final walk).
    """
    later = copy.deepcopy(conveyor)
    y0 = later.true_positions()
    if conveyor.kind == "flat":
        later.start_revolution()
        later.run_to(later.s + 1.0)
        return abs(float(later.true_positions()[0] - y0[0]) - later.true_walk())
    later.start_revolution()
    later.run_to(later.s + 25.0)
    return abs(float(later.true_positions()[0] - y0[0]))


def pushed_out(conveyor: Conveyor, shadow: Conveyor, settle: int) -> bool:
    """Whether the edge passes its stop because of the move, when without it it would not have."""
    limit = conveyor.station.limits.edge_stop_mm
    highest = []
    for one in (copy.deepcopy(conveyor), shadow):
        one.edge_max_mm = 0.0
        one.start_revolution()
        one.run_to(one.s + settle + 2.0)
        highest.append(one.edge_max_mm)
    return highest[0] > limit >= highest[1]


def check_forecast(conveyor: Conveyor, belt: BeltAnswer, rev: float, out: Outcome) -> None:
    """Predicted resting place (or walk) 3 revolutions after a move against truth."""
    out.forecasts += 1
    if conveyor.kind == "flat":
        low, high = belt.ahead(rev, 0.0).walk.interval()
        truth = conveyor.true_walk()
    else:
        low, high = belt.ahead(rev, 25.0).infeed.interval()
        later = copy.deepcopy(conveyor)
        later.start_revolution()
        later.run_to(later.s + 25.0)
        truth = float(later.true_positions()[0])
    out.inside_95 += low <= truth <= high


def truly_tracked(conveyor: Conveyor) -> bool:
    limits = conveyor.station.limits
    return (
        float(np.abs(conveyor.true_mean).max()) <= limits.centre_mm
        and abs(conveyor.true_walk()) < 0.5 * limits.drift_mm_per_rev
    )


def fixed_rule(seed: int, most_revs: int = MOST_REVS) -> Outcome:
    """The rule of thumb beside it: 1/16 in away from the side the belt is on, every four revolutions,
    same judge.
    """
    conveyor = Conveyor(seed)
    technician = Technician(np.random.default_rng([7, seed]))
    runin = RunIn(conveyor.station, BeltAnswer(conveyor.station))
    out = Outcome(conveyor.kind, None, conveyor.can_be_tracked(), conveyor.contrary)
    wait = 4
    while conveyor.rev < most_revs:
        conveyor.start_revolution()
        conveyor.run_to(conveyor.rev + 1.0)
        revolution = conveyor.end_revolution()
        runin.on_revolution(revolution)
        if runin.verdict == "tracked":
            break
        wait -= 1
        place, where = (revolution.rows[0].position_mm, "infeed")
        if abs(place) <= 1.5:
            place, where = revolution.rows[1].position_mm, "snub"
        if wait <= 0 and abs(place) > (1.5 if where == "infeed" else 2.5):
            side = "right" if place > 0 else "left"
            entry = MoveMade(conveyor.s * conveyor.rev_s, where, side, 1.5875)  # type: ignore[arg-type]
            real_side, amount, _ = technician.really(entry)
            conveyor.move(where, real_side, amount)
            runin.on_entry(entry, conveyor.s)
            out.moves, wait = out.moves + 1, 4
        if conveyor.edge_max_mm > conveyor.station.limits.edge_stop_mm:
            out.stop_by_move = True
            break
    out.verdict, out.revs = runin.verdict, conveyor.rev
    return out


def percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} % ({int(part)}/{int(whole)})" if whole else "none"


def spread_of(moves: list[int]) -> str:
    if not moves:
        return "none"
    return f"median {np.median(moves):g}, 95th {np.percentile(moves, 95):g}, most {max(moves)}"


def table(n: int, say: Callable[[str], None] = print, fixed: bool = True, first: int = 0) -> dict[str, float]:
    """Prints the table for n conveyors and a quarter as many that no move can track."""
    seeds = range(first, first + n)
    runs = [run(seed) for seed in seeds]
    can = [r for r in runs if r.can]
    tracked = [r for r in can if r.verdict == "tracked"]
    say(
        f"conveyors: {n}, of them {sum(r.kind == 'flat' for r in runs)} flat, "
        f"{sum(r.contrary for r in runs)} contrary; "
        f"too lively for the finest move: {n - len(can)}"
    )
    for kind in ("flat", "crown", "quick"):
        group = [r for r in can if r.kind == kind]
        good = [r for r in group if r.verdict == "tracked"]
        say(
            f"  {kind}: tracked {percent(len(good), len(group))}; "
            f"moves {spread_of([r.moves for r in good])}; "
            f"revolutions median {np.median([r.revs for r in good]) if good else 0:g}"
        )
    say(f"brought to tracked: {percent(len(tracked), len(can))}")
    say(f"moves needed: {spread_of([r.moves for r in tracked])}")
    if fixed:
        beside = [r for r in (fixed_rule(seed) for seed in seeds) if r.can]
        good = [r for r in beside if r.verdict == "tracked"]
        say(
            f"fixed 1/16 in rule: tracked {percent(len(good), len(beside))}; "
            f"moves {spread_of([r.moves for r in good])}; "
            f"edge past its stop {percent(sum(r.stop_by_move for r in beside), len(beside))}"
        )
    say(f"edge beyond its stop because of an advised move: {percent(sum(r.stop_by_move for r in runs), n)}")
    say(
        f"stopped and put back to the middle by hand, as advised: {percent(sum(r.put_back > 0 for r in runs), n)}"
    )
    say(
        f"moves advised before the last had its revolutions: {sum(r.early for r in runs)}; "
        f"still settling by more than "
        f"0.3 centre: {sum(r.unsettled for r in runs)} of {sum(r.moves for r in runs)}"
    )
    inside, forecasts = sum(r.inside_95 for r in runs), sum(r.forecasts for r in runs)
    say(f"resting place or walk inside its 95 % interval: {percent(inside, forecasts)}")
    say(f"verdict tracked when the truth is not: {percent(sum(r.wrong_tracked for r in runs), n)}")
    lost = [r for r in can if r.verdict != "tracked"]
    say(
        f"can be tracked but was not: {percent(len(lost), len(can))} "
        f"{Counter((r.kind, r.action) for r in lost)}"
    )
    bad_seeds = range(first + 1000, first + 1000 + max(n // 4, len(FAULTS)))
    bad = [run(seed, FAULTS[seed % len(FAULTS)]) for seed in bad_seeds]
    named = [r for r in bad if r.action == "check" and r.moves <= 4 and r.causes]
    say(
        f"conveyors no move can track, named after at most 4 moves: {percent(len(named), len(bad))} "
        f"{Counter(r.fault for r in bad if r not in named)}"
    )
    say(f"false no-response alarms: {sum(r.no_response for r in runs)} in {sum(r.moves for r in runs)} moves")
    return {
        "tracked": len(tracked) / max(len(can), 1),
        "median": float(np.median([r.moves for r in tracked])) if tracked else np.inf,
        "p95": float(np.percentile([r.moves for r in tracked], 95)) if tracked else np.inf,
        "stops": sum(r.stop_by_move for r in runs),
        "early": sum(r.early for r in runs),
        "inside": inside / max(forecasts, 1),
        "wrong": sum(r.wrong_tracked for r in runs) / n,
        "named": len(named) / len(bad),
    }


if __name__ == "__main__":
    table(*(int(a) for a in sys.argv[1:2] or ["200"]), first=int(sys.argv[2]) if len(sys.argv) > 2 else 0)
