"""What pulley ticks are worth: the same simulated belts with their tick records and without.

    python tests/known_truth/ticks_table.py [--families ticks,ticks-steps,...] [--seeds 6] [--jobs 2]

Ticks must never make anything worse. Every failure is printed with its family and seed.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from monitor.records import Ticks
from tests.known_truth.belt_truth import Run
from tests.known_truth.detection_table import at, inside, print_failing, rms, run_of
from tests.known_truth.figures import Figures, total
from tests.known_truth.measures import judge

FAMILIES = "ticks,ticks-steps,ticks-lossy,ticks-none"


def without_ticks(run: Run) -> Run:
    """The same belt as a board without a tick sensor reports it."""
    conveyor = run.station.conveyor.model_copy(update={"ticks_per_pulley_turn": 0})
    station = run.station.model_copy(update={"conveyor": conveyor})
    return dataclasses.replace(
        run, station=station, records=[r for r in run.records if not isinstance(r, Ticks)]
    )


def work(task: tuple[str, int]) -> tuple[Figures, Figures]:
    """Figures of one belt with ticks and without."""
    run = run_of(*task)
    return judge(run), judge(without_ticks(run))


def line_of(name: str, f: Figures) -> str:
    """One row of the table."""
    parts = [
        f"{name:22} rev {f.revolutions:5.0f} false {f.false_drifts:3} missed {f.missed}/{f.drifts}",
        f"delay {at(f.delays, 50):.3f} {at(f.delays, 90):.3f} clear {at(f.clearings, 90):.2f}",
        f"z pos {inside(f.position_z):.1f} walk {inside(f.walk_z):.1f} profile {rms(f.profile):.4f}",
        f"unknown {f.unknown_rows}/{f.rows} false wobble {f.false_bumps} sensor {f.false_sensor}",
        f"miscounted {f.miscounted} unlogged {f.false_unlogged}",
        f"period {100 * max(f.periods, default=float('nan')):.3f} %",
        f"ms/rev/sensor {1000 * f.cpu_s / max(f.sensor_revs, 1e-9):.1f}",
    ]
    return "  ".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--families", default=FAMILIES)
    parser.add_argument("--seeds", default="6", help="how many a family, or FROM:TO")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    low, _, high = args.seeds.rpartition(":")
    for family in args.families.split(","):
        with ProcessPoolExecutor(args.jobs) as pool:
            found = list(pool.map(work, [(family, seed) for seed in range(int(low or 0), int(high))]))
        told, blind = total(f for f, _ in found), total(f for _, f in found)
        print(line_of(family, told))
        print(line_of("  without ticks", blind), flush=True)
        print_failing(told.failing)
        print("without:", end="")
        print_failing(blind.failing)


if __name__ == "__main__":
    main()
