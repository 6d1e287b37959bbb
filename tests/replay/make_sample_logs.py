"""Makes the recordings of sample_logs/ from our own simulated scenarios. All of them are invented.

    python -m tests.replay.make_sample_logs

writes board.wire.gz, station.toml and moves.csv of every scenario; then

    sh .ci/test tests/replay/test_sample_logs.py --rebuild

writes what the program says of them. Both only on purpose, with the reason in the commit.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from pathlib import Path

from monitor.simulation import Bump, Drift, Params, ScheduledMove, Simulation, Stop

FOLDER = Path(__file__).resolve().parent.parent.parent / "sample_logs"
LENGTH_MM = 5200.0
SPEED_MPS = 0.52
REV_S = LENGTH_MM / SPEED_MPS / 1000.0
MAX_BYTES = 300_000


@dataclass(frozen=True)
class Scenario:
    """A recording and what it is about."""

    params: Params
    about: str


def bay(name: str, seed: int, revs: float, **more: object) -> Params:
    """The short conveyor of all samples, with what is special in this one."""
    fixed: dict[str, object] = {
        "seed": seed,
        "name": name,
        "site": "invented-hall",
        "seconds": revs * REV_S,
        "length_mm": LENGTH_MM,
        "carry_length_mm": 2100.0,
        "mark_offset_mm": 600.0,
        "start_station_mm": 1500.0,
        "speed_mps": SPEED_MPS,
        "camber_pp_mm": 5.0,
        "rate_hz": 50,
        "length_error": 0.008,
        "speed_error": -0.01,
        "hold_minutes": 2.0,
    }
    return Params(**{**fixed, **more})  # type: ignore[arg-type]


def at(rev: float) -> float:
    """The time at which so many revolutions have passed."""
    return rev * REV_S


SCENARIOS: dict[str, Scenario] = {
    "quiet": Scenario(bay("quiet", 11, 26), "A good belt: camber only. Nothing to be said."),
    "drift": Scenario(
        bay("drift", 12, 26, drifts=(Drift(at(12.4), "drive", 1.2, 20.0),)),
        "From the thirteenth revolution on the whole belt walks at the drive pulley.",
    ),
    "section-wobble": Scenario(
        bay("section-wobble", 13, 26, bumps=(Bump(at(12.2), 3300.0, 700.0, 8.0, 1.2),)),
        "One section bends away from the learnt profile; the belt as a whole stays.",
    ),
    "run-in": Scenario(
        bay(
            "run-in",
            14,
            34,
            standing_infeed_mm=3.4,
            standing_drive_mm=0.6,
            moves=(
                ScheduledMove(at(9.2), "infeed", "left", 1.6),
                ScheduledMove(at(14.3), "infeed", "left", 1.6),
            ),
        ),
        "The belt rides off centre, two logged moves bring it in, and it holds.",
    ),
    "unlogged-move": Scenario(
        bay("unlogged-move", 15, 26, moves=(ScheduledMove(at(12.6), "infeed", "right", 2.0, logged=False),)),
        "Somebody moved the take-up and did not say so.",
    ),
    "stop-restart": Scenario(
        bay("stop-restart", 16, 24, stops=(Stop(at(11.3), 22.0),)),
        "The belt is stopped for 22 s in mid-revolution and started again.",
    ),
}


def make(name: str, folder: Path) -> int:
    """Write one recording; returns the bytes of its wire file."""
    params = SCENARIOS[name].params
    simulation = Simulation(params)
    packed = gzip.compress(simulation.advance(params.seconds), compresslevel=9, mtime=0)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "board.wire.gz").write_bytes(packed)
    (folder / "station.toml").write_text("# An invented scenario, simulated.\n" + simulation.station())
    (folder / "moves.csv").write_text(simulation.moves_csv())
    if len(packed) > MAX_BYTES:
        raise ValueError(f"{name} is {len(packed)} bytes; at most {MAX_BYTES} are wanted in the repository")
    return len(packed)


def readme() -> str:
    """sample_logs/README.md."""
    lines = [
        "# Sample recordings",
        "",
        "All of these are invented: made by the simulation in this repository, not measured on any machine",
        "(`tests/replay/make_sample_logs.py`). Each folder holds a recording (`board.wire.gz`,",
        "`station.toml`, `moves.csv`) and what the program says of it (`events.jsonl`, `revolutions.csv`);",
        "`tests/replay/test_sample_logs.py` holds the two together. Try: `runin replay sample_logs/drift`.",
        "",
        "| folder | what happens |",
        "| --- | --- |",
    ]
    return "\n".join(lines + [f"| {name} | {sample.about} |" for name, sample in SCENARIOS.items()]) + "\n"


def main() -> None:
    for name in SCENARIOS:
        print(f"{name}: {make(name, FOLDER / name)} bytes")
    (FOLDER / "README.md").write_text(readme())


if __name__ == "__main__":
    main()
