"""What really happened on a belt, from a simulated run or from a capture's truth.json, in one form.

Belt path is counted in revolutions rolled, forward or backward: it only grows, and everything sideways
happens along it. Lengths mm, times s of the board's clock since the first record.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.records import BoardRecord, EdgeBlock, MoveMade
from monitor.settings import Station, load_station, parse_station
from monitor.simulation import Params, Simulation

Floats = NDArray[np.float64]
WALK_OVER_REV = 0.05  # the true walk is the slope of the true position over this much belt, up to the instant
POINTS_PER_REV = 250


@dataclass(frozen=True)
class TrueDrift:
    """An imposed walk of the whole belt: begins and ends at these revolutions rolled."""

    pulley: str
    start_rev: float
    end_rev: float
    mm_per_rev: float


@dataclass(frozen=True)
class TrueBump:
    """A section that departs: begins at start_rev, has its full size at full_rev.

    edge "": both edges alike; "apart": the left edge by -size_mm, the right one by size_mm.
    """

    start_rev: float
    full_rev: float
    place_mm: float
    width_mm: float
    size_mm: float
    edge: str = ""


@dataclass(frozen=True)
class TrueMove:
    """A take-up move at this revolution rolled."""

    rev: float
    logged: bool


@dataclass(frozen=True)
class TrueFault:
    """Something wrong with a sensor (or with all of them: sensor "") from start_s to end_s."""

    kind: str
    sensor: str
    start_s: float
    end_s: float


@dataclass
class BeltTruth:
    """Truth of one run."""

    family: str
    seed: int
    length_mm: float
    t_s: Floats
    rolled_rev: Floats
    travel_rev: Floats
    pos_mm: dict[str, Floats]  # by pulley, without the belt's wander
    pos_wander_mm: dict[str, Floats]
    drifts: list[TrueDrift]
    bumps: list[TrueBump]
    moves: list[TrueMove]
    faults: list[TrueFault]
    runout_mm: float
    runout_pulley: str
    drift_limit_mm_per_rev: float
    wobble_limit_mm: float
    marks: bool
    disturbed: bool  # the speed, the link or the marks are troubled
    profile_mm: Callable[[str, Floats], Floats]  # sensor, place as a share of the length -> mm
    wander_mm: float = math.nan  # standard deviation of the belt's wander
    walks_from_start: bool = False
    expect: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        keep = np.concatenate(([True], np.diff(self.rolled_rev) > 1e-9))
        self._rolled = self.rolled_rev[keep]
        self._pos = {p: v[keep] for p, v in self.pos_mm.items()}
        self._sums, self._unseen = {}, {}
        for pulley, values in self.pos_wander_mm.items():
            v, step_rev = values[keep], np.diff(self._rolled)
            steps = step_rev * 0.5 * (v[1:] + v[:-1])
            self._sums[pulley] = np.concatenate(([0.0], np.cumsum(steps)))
            wander = np.diff(v - self._pos[pulley])
            self._unseen[pulley] = np.concatenate(([0.0], np.cumsum((wander * step_rev) ** 2 / 12.0)))

    def rolled(self, t_s: float) -> float:
        """Revolutions rolled at a time."""
        return float(np.interp(t_s, self.t_s, self.rolled_rev))

    def travel(self, t_s: float) -> float:
        """Belt revolutions travelled forward at a time."""
        return float(np.interp(t_s, self.t_s, self.travel_rev))

    def mean_position_mm(self, pulley: str, start_s: float, end_s: float) -> float:
        """Mean position, wander included, over the belt that rolled between two times; NaN where none did."""
        start, end = self.rolled(start_s), self.rolled(end_s)
        if end - start < 1e-6:
            return float("nan")
        low, high = np.interp([start, end], self._rolled, self._sums[pulley])
        return float((high - low) / (end - start))

    def mean_error_mm2(self, pulley: str, start_s: float, end_s: float) -> float:
        """Variance of that mean by what the wander did between the points at which the truth was kept.

        Between two points a wander is a Brownian bridge: one that moves by d over h revolutions adds d h / sqrt(12)
        to the integral. The captures have 9 to 30 points a revolution, the simulated belts 250.
        """
        low, high = np.interp([start_s, end_s], self.t_s, self.rolled_rev)
        first, last = np.interp([low, high], self._rolled, self._unseen[pulley])
        return float((last - first) / (high - low) ** 2)

    def walk(self, pulley: str, rev: float) -> float:
        """True walk at a revolution rolled, mm/rev."""
        low, high = np.interp([rev - WALK_OVER_REV, rev], self._rolled, self._pos[pulley])
        return float((high - low) / WALK_OVER_REV)

    def fastest_walk(self, pulley: str, rev: float, around_rev: float) -> float:
        """Largest true walk, either way, within around_rev of a revolution, mm/rev."""
        places = np.arange(rev - around_rev, rev + around_rev + 1e-9, WALK_OVER_REV)
        return max(abs(self.walk(pulley, float(r))) for r in places)


class FineSimulation(Simulation):
    """A simulation that keeps its truth on a grid fine enough for belts that turn in a few seconds."""

    def __init__(self, params: Params) -> None:
        super().__init__(params)
        rev_s = params.length_mm / (1000.0 * params.speed_mps)
        self._every = max(1, int(rev_s * params.rate_hz / POINTS_PER_REV))
        self._fine: list[tuple[Floats, ...]] = []

    def _keep_truth(
        self, sample: NDArray[np.int64], time_s: Floats, speed: Floats, travel: Floats, rolled: Floats
    ) -> None:
        at = np.flatnonzero(sample % self._every == 0)
        place = rolled[at]
        pos = [self._conveyor.position_mm(p, place) for p in ("infeed", "drive")]
        wander = [self._conveyor.wander_mm(p, place) for p in ("infeed", "drive")]
        self._fine.append((time_s[at], travel[at], place, *pos, *wander))

    def belt_truth(self) -> BeltTruth:
        """The truth of the run so far."""
        p = self.params
        t, travel, rolled, pos_i, pos_d, wan_i, wan_d = (
            np.concatenate(c) for c in zip(*self._fine, strict=True)
        )
        rolled, travel = rolled / p.length_mm, travel / p.length_mm

        def rev(t_s: float) -> float:
            return float(np.interp(t_s, t, rolled))

        edges = {fit.name: fit.edge for fit in p.sensors}
        fine = {edge: self.profile_mm(edge, 4000) for edge in set(edges.values())}

        def profile(sensor: str, share: Floats) -> Floats:
            return _around(fine[edges[sensor]], share)

        return BeltTruth(
            family=str(p.expect.get("family", "")),
            seed=p.seed,
            length_mm=p.length_mm,
            t_s=t,
            rolled_rev=rolled,
            travel_rev=travel,
            pos_mm={"infeed": pos_i, "drive": pos_d},
            pos_wander_mm={"infeed": pos_i + wan_i, "drive": pos_d + wan_d},
            drifts=[
                TrueDrift(d.pulley, rev(d.start_s), rev(d.start_s) + d.revs, d.mm_per_rev) for d in p.drifts
            ],
            bumps=[
                TrueBump(
                    rev(b.start_s),
                    rev(b.start_s) + b.grow_revs,
                    b.place_mm,
                    b.width_mm,
                    b.size_mm * (0.5 if b.edge == "apart" else 1.0),
                    b.edge or "",
                )
                for b in p.bumps
            ],
            moves=[TrueMove(rev(m.t_s), m.logged) for m in p.moves],
            faults=_faults_of(p),
            runout_mm=p.runout_mm,
            runout_pulley=p.runout_pulley,
            drift_limit_mm_per_rev=p.drift_limit_mm_per_rev,
            wobble_limit_mm=p.wobble_limit_mm,
            marks=p.marks,
            wander_mm=p.wander_sd_mm,
            disturbed=bool(
                p.stops
                or p.speed_changes
                or p.start_ramp_s
                or p.restarts_s
                or p.outages
                or p.mark_missing
                or p.speed_wander > 0.005
            ),
            profile_mm=profile,
            walks_from_start=not p.crowned,
            expect=dict(p.expect),
        )


def _around(values: Floats, share: Floats) -> Floats:
    """Values at equal shares of a belt, looked up at any share of it."""
    grid = np.arange(values.size + 1) / values.size
    found: Floats = np.interp(np.mod(share, 1.0), grid, np.append(values, values[0]))
    return found


def _faults_of(p: Params) -> list[TrueFault]:
    faults = []
    for f in p.faults:
        name = "" if f.kind in ("silent", "reference") else p.sensors[f.sensor].name
        faults.append(TrueFault(f.kind, name, f.start_s, f.start_s + f.duration_s))
    if p.spike_share:
        faults.append(TrueFault("spikes" if p.spike_share >= 0.008 else "few-spikes", "", 0.0, 1e12))
    if p.student_df:
        faults.append(TrueFault("heavy", "", 0.0, 1e12))
    return faults


@dataclass
class Run:
    """A belt ready to be judged: what the board sent, what the technician logged, and the truth."""

    station: Station
    records: list[BoardRecord]
    moves: list[MoveMade]
    truth: BeltTruth

    def samples(self) -> tuple[Floats, NDArray[np.int64]]:
        """Every sample's time (s) and its raw counts."""
        blocks = [r for r in self.records if isinstance(r, EdgeBlock)]
        time = np.concatenate([b.time_us for b in blocks]) / 1e6
        return time, np.concatenate([b.counts for b in blocks]).astype(np.int64)


def simulated_run(params: Params, seed: int) -> Run:
    """Simulate a whole run; `seed` is only the number under which it is reported."""
    simulation = FineSimulation(params)
    records = simulation.records(params.seconds)
    truth = simulation.belt_truth()
    truth.seed = seed
    moves = [
        MoveMade(round(m.t_s, 1), m.where, m.side, round(m.amount_mm, 3)) for m in params.moves if m.logged
    ]
    return Run(parse_station(simulation.station()), records, moves, truth)


def captured_run(folder: Path) -> Run:
    """One of the shared captures."""
    from monitor.readings.decoder import Decoder
    from monitor.readings.moves import parse_moves

    told = json.loads((folder / "truth.json").read_text())
    p = told["params"]
    t, travel = np.asarray(told["pos_t"], float), np.asarray(told["rev"], float)
    rolled = travel[0] + np.concatenate(([0.0], np.cumsum(np.abs(np.diff(travel)))))
    by_pulley = {name.split("-")[0]: name for name in told["sensors"]}
    profiles = {name: np.asarray(v, float) for name, v in told["profile"].items()}

    def rev(t_s: float) -> float:
        return float(np.interp(t_s, t, rolled))

    def profile(sensor: str, share: Floats) -> Floats:
        return _around(profiles[sensor], share)

    faults = [TrueFault("spikes", "", 0.0, 1e12)] if p["spikes"] else []
    faults += [TrueFault("stuck", str(f[1]), f[0], 1e12) for f in p["stuck"]]
    truth = BeltTruth(
        family=folder.name,
        seed=0,
        length_mm=told["L_m"] * 1000.0,
        t_s=t,
        rolled_rev=rolled,
        travel_rev=travel,
        pos_mm={k: np.asarray(told["pos"][s], float) for k, s in by_pulley.items()},
        pos_wander_mm={k: np.asarray(told["pos_wander"][s], float) for k, s in by_pulley.items()},
        drifts=[TrueDrift(d[1], rev(d[0]), rev(d[0]) + d[3], d[2]) for d in p["drifts"]],
        bumps=[
            TrueBump(rev(w[0]), rev(w[0]) + w[4], w[1] * 1000.0, w[2] * 1000.0, w[3]) for w in p["wobbles"]
        ],
        moves=[TrueMove(rev(m[0]), bool(m[4])) for m in p["moves"]],
        faults=faults,
        runout_mm=p["runout"],
        runout_pulley=told["expect"].get("pulley", "infeed"),
        drift_limit_mm_per_rev=p["drift_mm_per_rev"],
        wobble_limit_mm=p["wobble_mm"],
        marks=p["marks"],
        wander_mm=p["wander"],
        disturbed=bool(p["stops"] or p["speed_steps"] or p["reverse"] or p["mark_miss"] or p["start_ramp_s"]),
        profile_mm=profile,
        expect=told["expect"],
    )
    records = Decoder().feed((folder / "board.wire").read_bytes())
    moves = parse_moves((folder / "moves.csv").read_text())
    return Run(load_station(folder / "station.toml"), list(records), list(moves), truth)
