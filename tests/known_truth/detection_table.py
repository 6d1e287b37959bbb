"""Runs simulated belts with known truth through the program and prints its figures, each beside its bar.

    python tests/known_truth/detection_table.py [--families drift,wobble] [--seeds 20|FROM:TO] [--jobs 2]
                                                [--captures] [--json FILE] [--no-generic]

Beside the program: the three methods of generic_methods.py on the same belts in the same run. Every failure
is printed with its family and seed, so that `--families F --seeds N:N+1` makes it again.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from monitor.simulation import Params
from monitor.simulation.families import FAMILIES, make
from tests.conftest import capture_names, captures_folder
from tests.known_truth.belt_truth import Run, captured_run, simulated_run
from tests.known_truth.figures import Failing, Figures, total
from tests.known_truth.generic_methods import METHODS, hear
from tests.known_truth.measures import CALM_WANDER_MM, judge, judge_generic

Task = tuple[str, int, bool]
Result = dict[str, Figures]


def harder(params: Params, seed: int) -> Params:
    """What the families leave to chance: a length 3 % wrong without marks, run-out nearly commensurate."""
    if not params.marks:
        return dataclasses.replace(params, length_error=0.03 if seed % 2 else -0.03)
    if params.runout_mm and seed % 2:
        # never exactly commensurate: such a swing comes back the same each turn, and is camber to everyone
        off = 0.01 * (seed % 7 - 3 or 4)
        turns = round(params.length_mm / (math.pi * params.pulley_diameter_mm)) + off
        return dataclasses.replace(
            params, runout_mm=2.0, pulley_diameter_mm=params.length_mm / (math.pi * turns)
        )
    return params


def run_of(family: str, seed: int) -> Run:
    """A belt by family and seed; family `capture:NAME` is one of the shared captures."""
    if family.startswith("capture:"):
        folder = captures_folder()
        assert folder is not None
        return captured_run(folder / family.removeprefix("capture:"))
    return simulated_run(harder(make(family, seed), seed), seed)


def work(task: Task) -> Result:
    """One belt: the program's figures and those of the generic methods."""
    family, seed, generic = task
    try:
        run = run_of(family, seed)
        result = {"program": judge(run)}
        if generic:
            heard = hear(run)
            result |= {method: judge_generic(run, heard[method]) for method in METHODS}
        return result
    except Exception:
        last = traceback.format_exc().strip().splitlines()
        return {
            "program": Figures(
                belts=1, failing=[Failing(family, seed, "EXCEPTION", 0.0, " | ".join(last[-3:]))]
            )
        }


def measure(
    families: list[str],
    seeds: range,
    jobs: int = 2,
    generic: bool = True,
    show: Callable[[str, Result], None] = lambda family, result: None,
) -> dict[str, Result]:
    """family -> method -> figures over its seeds."""
    results: dict[str, Result] = {}
    for family, found in _results(families, seeds, jobs, generic):
        methods = {m for r in found for m in r}
        results[family] = {m: total(r[m] for r in found if m in r) for m in sorted(methods)}
        show(family, results[family])
    return results


def _results(
    families: list[str], seeds: range, jobs: int, generic: bool
) -> Iterator[tuple[str, list[Result]]]:
    tasks = [[(family, seed, generic) for seed in _seeds(family, seeds)] for family in families]
    if jobs <= 1:
        for family, group in zip(families, tasks, strict=True):
            yield family, [work(task) for task in group]
        return
    with ProcessPoolExecutor(jobs) as pool:
        waiting = [[pool.submit(work, task) for task in group] for group in tasks]
        for family, futures in zip(families, waiting, strict=True):
            yield family, [future.result() for future in futures]


def _seeds(family: str, seeds: range) -> list[int]:
    return [0] if family.startswith("capture:") else list(seeds)


# ---------------------------------------------------------------- the table


def rms(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values)))) if values else math.nan


def inside(z: list[float]) -> float:
    return 100.0 * float(np.mean(np.abs(z) <= 1.96)) if z else math.nan


def at(values: list[float], percent: float) -> float:
    return float(np.percentile(values, percent)) if values else math.nan


@dataclasses.dataclass(frozen=True)
class Row:
    """One line of the table: its figure, as a number and as text, and the bar as text."""

    name: str
    bar: str
    figure: Callable[[Figures], float]
    met: Callable[[float], bool]
    form: str = "{:.3f}"
    more: Callable[[Figures], str] = lambda f: ""


def _most(values: list[float]) -> float:
    return max(values, default=math.nan)


ROWS = [
    Row(
        "false drift alarms per 1,000 rev",
        "<= 1",
        lambda f: 1000.0 * f.false_drifts / max(f.revolutions, 1e-9),
        lambda v: v <= 1.0,
        "{:.2f}",
        lambda f: f"{f.false_drifts} in {f.revolutions:.0f} rev",
    ),
    Row(
        "drifts >= 1.6 x limit missed",
        "0",
        lambda f: f.missed,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {f.drifts}",
    ),
    Row("drift delay, median, rev", "<= 0.35", lambda f: at(f.delays, 50), lambda v: v <= 0.35),
    Row("drift delay, 90th percentile, rev", "<= 0.8", lambda f: at(f.delays, 90), lambda v: v <= 0.8),
    Row(
        "... where the wander is that of the captures",
        "<= 1",
        lambda f: 1000.0 * f.calm_false_drifts / max(f.calm_revolutions, 1e-9),
        lambda v: v <= 1.0,
        "{:.2f}",
        lambda f: f"{f.calm_false_drifts} in {f.calm_revolutions:.0f} rev, {CALM_WANDER_MM} mm at most",
    ),
    Row("... there, delay, median, rev", "<= 0.35", lambda f: at(f.calm_delays, 50), lambda v: v <= 0.35),
    Row(
        "... there, delay, 90th percentile, rev",
        "<= 0.8",
        lambda f: at(f.calm_delays, 90),
        lambda v: v <= 0.8,
        "{:.3f}",
        lambda f: f"of {len(f.calm_delays)}",
    ),
    Row(
        "drift clears after the walk's end, 90 %, rev",
        "<= 1.5",
        lambda f: at(f.clearings, 90),
        lambda v: v <= 1.5,
        "{:.2f}",
        lambda f: f"most {_most(f.clearings):.2f}; cleared while walking {f.flickers}",
    ),
    Row(
        "drift clears later than 1.5 rev",
        "0",
        lambda f: sum(c > 1.5 for c in f.clearings),
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {len(f.clearings)}",
    ),
    Row(
        "position, quiet belt, mm rms",
        "<= 0.02",
        lambda f: rms(f.position_quiet),
        lambda v: v <= 0.02,
        "{:.4f}",
    ),
    Row(
        "position, a section out, mm rms",
        "<= 0.06",
        lambda f: rms(f.position_bump),
        lambda v: v <= 0.06,
        "{:.4f}",
    ),
    Row(
        "positions within 1.96 se, %",
        "93 to 97",
        lambda f: inside(f.position_z),
        lambda v: 93 <= v <= 97,
        "{:.1f}",
        lambda f: f"unknown {f.unknown_rows} of {f.rows}",
    ),
    Row(
        "walks within 1.96 se, %",
        "93 to 97",
        lambda f: inside(f.walk_z),
        lambda v: 93 <= v <= 97,
        "{:.1f}",
        lambda f: f"{inside(f.walk_z_calm):.1f} away from changes",
    ),
    Row(
        "profile after 20 rev, mm rms",
        "<= 0.08",
        lambda f: rms(f.profile),
        lambda v: v <= 0.08,
        "{:.4f}",
        lambda f: (
            f"at points {rms(f.profile_points):.3f}, 90 % {at(f.profile, 90):.3f}, "
            f"with a section out {rms(f.profile_bump):.3f}"
        ),
    ),
    Row(
        "section wobble >= 1.6 x limit missed",
        "0",
        lambda f: f.bumps_missed,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {f.bumps}",
    ),
    Row("section wobble false", "0", lambda f: f.false_bumps, lambda v: v == 0, "{:.0f}"),
    Row(
        "section wobble later than 2.3 rev",
        "0",
        lambda f: f.bumps_late,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"median {at(f.bump_delays, 50):.2f}, most {_most(f.bump_delays):.2f} rev",
    ),
    Row(
        "section wobble more than 0.2 m off",
        "0",
        lambda f: sum(p > 200.0 for p in f.bump_places),
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"most {_most(f.bump_places):.0f} mm",
    ),
    Row(
        "period without marks, worst, %",
        "<= 0.1",
        lambda f: 100.0 * _most(f.periods),
        lambda v: v <= 0.1,
        "{:.3f}",
        lambda f: f"median {100 * at(f.periods, 50):.3f} of {len(f.periods)}",
    ),
    Row(
        "sensor faults not named",
        "0",
        lambda f: sum(f.faults.values()) - sum(f.faults_named.values()),
        lambda v: v == 0,
        "{:.0f}",
        lambda f: ", ".join(f"{k} {f.faults_named[k]}/{n}" for k, n in sorted(f.faults.items())),
    ),
    Row("sensor alarms false", "0", lambda f: f.false_sensor, lambda v: v == 0, "{:.0f}"),
    Row(
        "run-out: worst bias of walk, mm/rev",
        "<= 0.05",
        lambda f: _most([abs(b) for b in f.runout_bias]),
        lambda v: v <= 0.05,
        "{:.3f}",
        lambda f: f"rms {rms(f.runout_bias):.3f}",
    ),
    Row(
        "run-out not reported with its amplitude",
        "0",
        lambda f: f.runouts - f.runouts_named,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {f.runouts}",
    ),
    Row(
        "unlogged moves not named",
        "0",
        lambda f: f.unlogged - f.unlogged_named,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {f.unlogged}; named without a move {f.false_unlogged}",
    ),
    Row(
        "belts whose revolutions are miscounted by > 3",
        "0",
        lambda f: f.miscounted,
        lambda v: v == 0,
        "{:.0f}",
        lambda f: f"of {f.belts}",
    ),
    Row(
        "plain pulleys walking from the start, no alarm",
        "0",
        lambda f: f.slow_starts,
        lambda v: v == 0,
        "{:.0f}",
    ),
    Row(
        "CPU, ms per revolution and sensor",
        "<< 1",
        lambda f: 1000.0 * f.cpu_s / max(f.sensor_revs, 1e-9),
        lambda v: v < 1.0,
        "{:.3f}",
        lambda f: f"{f.samples / max(f.cpu_s, 1e-9) / 1e6:.2f} M samples/s, no decoding",
    ),
]
GENERIC_ROWS = (0, 1, 2, 3, 4, 5, 6, 7, 10)


def print_table(figures: Result) -> None:
    """Every figure beside its bar, then the generic methods."""
    f = figures["program"]
    print(f"\n{f.belts} belts, {f.revolutions:.0f} revolutions\n")
    print(f"{'':3} {'figure':46} {'bar':>9} {'program':>9}  " + "".join(f"{m:>12}" for m in METHODS))
    for k, row in enumerate(ROWS):
        value = row.figure(f)
        sign = "  -" if math.isnan(value) else " ok" if row.met(value) else "!!!"
        others = ""
        if k in GENERIC_ROWS:
            others = "".join(
                f"{row.form.format(row.figure(figures[m])):>12}" for m in METHODS if m in figures
            )
        print(f"{sign} {row.name:46} {row.bar:>9} {row.form.format(value):>9}  {others:36}  {row.more(f)}")
    print("\ntruth -> said (belts):", dict(sorted(f.confusion.items())))
    print("verdicts:", dict(sorted(f.verdicts.items())))
    print("alarms raised:", dict(f.alarms.most_common()))


def line_of(family: str, result: Result) -> str:
    """One family in one line."""
    f = result["program"]
    other = sum(not x.what.startswith(("false drift", "missed drift", "slow drift")) for x in f.failing)
    parts = [
        f"{family:22} belts {f.belts:3} rev {f.revolutions:6.0f}  false {f.false_drifts:3}",
        f"missed {f.missed}/{f.drifts}  delay {at(f.delays, 50):5.2f} {at(f.delays, 90):5.2f}",
        f"clear {at(f.clearings, 90):5.2f}  z pos {inside(f.position_z):5.1f} walk {inside(f.walk_z):5.1f}",
        f"profile {rms(f.profile):6.3f}  wobble missed {f.bumps_missed}/{f.bumps} false {f.false_bumps}",
        f"other {other}",
    ]
    return "  ".join(parts)


def print_failing(found: list[Failing]) -> None:
    print(f"\n{len(found)} failures")
    for x in sorted(found, key=lambda x: (x.what, x.family, x.seed)):
        print(f"  {x.what:34} {x.family:16} seed {x.seed:<4} rev {x.rev:7.2f}  {x.more}")


def as_json(results: dict[str, Result]) -> dict[str, Any]:
    """Figures by family and method, and all together."""
    whole = {m: total(r[m] for r in results.values() if m in r) for m in ("program", *METHODS)}
    table: dict[str, Any] = {}
    for family, result in {**results, "all": whole}.items():
        table[family] = {
            m: {row.name: None if math.isnan(v := float(row.figure(f))) else v for row in ROWS}
            for m, f in result.items()
        }
    table["failing"] = [dataclasses.asdict(x) for x in whole["program"].failing]
    return table


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--families", default=",".join(FAMILIES), help="comma-separated; default: all")
    parser.add_argument("--seeds", default="6", help="how many a family, or FROM:TO")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--captures", action="store_true", help="the shared captures instead of simulated belts"
    )
    parser.add_argument("--json", type=Path, help="write the figures here too")
    parser.add_argument("--no-generic", action="store_true", help="only the program, faster")
    args = parser.parse_args()
    low, _, high = args.seeds.rpartition(":")
    seeds = range(int(low or 0), int(high))
    families = args.families.split(",")
    if args.captures:
        families = [f"capture:{name}" for name in capture_names()]
    began = time.monotonic()

    def show(family: str, result: Result) -> None:
        print(line_of(family, result), flush=True)

    results = measure(families, seeds, args.jobs, not args.no_generic, show)
    methods = ("program",) if args.no_generic else ("program", *METHODS)
    whole = {m: total(r[m] for r in results.values() if m in r) for m in methods}
    print_failing(whole["program"].failing)
    print_table(whole)
    print(f"\n{time.monotonic() - began:.0f} s")
    if args.json:
        args.json.write_text(json.dumps(as_json(results), indent=1))


if __name__ == "__main__":
    main()
