"""A simulated run: belt, conveyor and board together, advanced in steps of any size.

The same parameters and the same moves at the same times give the same bytes, however the time is cut into
steps. No clock is read; nothing is remembered outside the object.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.records import BoardRecord, MoveWhere, Side
from monitor.simulation.belt import bump_shape, edge_profiles, look_up
from monitor.simulation.board import Board, Single, Stretch, Written
from monitor.simulation.conveyor import Conveyor, Speed
from monitor.simulation.marks import MarkSensor, TickSensor
from monitor.simulation.params import Bump, Params, ScheduledMove, Widening
from monitor.simulation.sensing import Sensing
from monitor.simulation.station import moves_text, station_text

_BOOT_S = 1.2  # how long the board says nothing when it restarts
_HELLO_US = 10_000_000
_PIECE = 65_536  # samples computed at once, so that memory stays bounded
_TRUTH_POINTS = 200

Floats = NDArray[np.float64]


class Simulation:
    """A conveyor in its bay. `advance` gives what the board sends; `move` is a technician at a take-up."""

    def __init__(self, params: Params) -> None:
        self.params = params
        rngs = [np.random.default_rng(seed) for seed in np.random.SeedSequence(params.seed).spawn(10)]
        self._profiles = edge_profiles(params, rngs[0])
        self._conveyor = Conveyor(params, rngs[1:4])
        self._speed = Speed(params, rngs[4])
        self._sensing = Sensing(params, rngs[5])
        self._marks = MarkSensor(params, rngs[6])
        self._ticks = TickSensor(params)
        self._board = Board(
            board=params.board,
            channels=len(params.sensors),
            rate_hz=params.rate_hz,
            boot_us=params.boot_us,
            first_seq=params.first_seq,
            loss=params.record_loss,
            garble=params.garble,
            rng=rngs[7],
            damage_seed=params.seed & 0xFFFFFFFF,
        )
        self._asked_s = 0.0
        self._sample = 0
        self._travel_mm, self._rolled_mm = 0.0, 0.0
        self._bumps: list[tuple[Bump, float]] = []
        self._widenings: list[tuple[Widening, float]] = []
        self._pending: list[Single] = []
        self._next_hello_us = 0
        self._silent_until_us = 0
        self._epoch, self._epoch_us = 0, 0
        self._made: list[ScheduledMove] = []
        self._truth: list[tuple[Floats, Floats, Floats, Floats, Floats]] = []
        self._plan = self._make_plan()

    # ------------------------------------------------------------ what a caller does

    @property
    def t_s(self) -> float:
        """Board time now, seconds since the first record."""
        return self._sample / self.params.rate_hz

    @property
    def revolutions(self) -> float:
        """Belt revolutions travelled so far."""
        return self._travel_mm / self.params.length_mm

    def advance(self, seconds: float) -> bytes:
        """Let time pass; returns the bytes the board sent meanwhile."""
        return b"".join(self._board.as_bytes(written) for written, _ in self._run(seconds))

    def records(self, seconds: float) -> list[BoardRecord]:
        """Let time pass; returns the records a perfect decoder would make of the bytes, much faster."""
        records: list[BoardRecord] = []
        for written, restarted in self._run(seconds):
            if restarted:
                records.append(self._board.restart_record(written.stretch.epoch_us))
            records += self._board.as_records(written)
        return records

    def move(self, where: MoveWhere, side: Side, amount_mm: float, logged: bool = True) -> None:
        """Move one bearing now; positive is away from the other pulley (belt tightened there)."""
        self._conveyor.move(where, side, amount_mm)
        self._made.append(ScheduledMove(self.t_s, where, side, amount_mm, logged))

    def press(self, button: int) -> None:
        """Press a push-button on the board now."""
        now_us = self._us(self._sample)
        self._pending.append(Single(now_us + 20, "B", now_us, button))

    def stop_belt(self) -> None:
        """The belt runs down within a second."""
        self._speed.stop(self.t_s)

    def start_belt(self) -> None:
        """The belt runs up within a second."""
        self._speed.start(self.t_s)

    def put_back(self) -> None:
        """The belt, stopped before, is put to the middle by hand."""
        self._conveyor.put_back()

    def resting_place_mm(self) -> tuple[float, float] | None:
        """Where the belt comes to rest (infeed, drive) if nothing is moved any more; None: it walks on."""
        return self._conveyor.resting_place_mm()

    def walk_mm_per_rev(self) -> float:
        """The steady walk that is left if nothing is moved any more; nil on crowned pulleys."""
        return self._conveyor.walk_mm_per_rev()

    def position_mm(self) -> dict[str, float]:
        """True whole-belt position now at each pulley, without the belt's own wander."""
        here = np.array([self._rolled_mm])
        return {p: float(self._conveyor.position_mm(p, here)[0]) for p in ("infeed", "drive")}

    def station(self) -> str:
        """The station file for this bay, as text."""
        return station_text(self.params)

    def moves_csv(self) -> str:
        """What the technician wrote down: moves.csv as text; moves nobody logged are not in it."""
        return moves_text(self._made)

    @property
    def truth(self) -> dict[str, Any]:
        """What was so: positions each second, marks, profiles, parameters; JSON-ready."""
        params = self.params
        columns = [
            np.concatenate(parts) if parts else np.zeros(0) for parts in zip(*self._truth, strict=True)
        ]
        time, rev, speed, pos, wander = columns if columns else [np.zeros((0,))] * 5
        names = [fit.name for fit in params.sensors]
        at = {fit.name: 0 if fit.pulley == "infeed" else 1 for fit in params.sensors}
        pos, wander = pos.reshape(-1, 2), wander.reshape(-1, 2)
        plain = dataclasses.asdict(params)
        plain["moves"] = [dataclasses.asdict(move) for move in self._made]
        expect = plain.pop("expect")
        return {
            "name": params.name,
            "seed": params.seed,
            "L_m": params.length_mm / 1000.0,
            "v": params.speed_mps,
            "fs": float(params.rate_hz),
            "seconds": self.t_s,
            "marks_s": list(self._marks.passed_s),
            "station_infeed_at0_m": params.start_station_mm / 1000.0,
            "lost": self._board.lost,
            "garbled": self._board.garbled,
            "sensors": names,
            "pos_t": time.tolist(),
            "rev": rev.tolist(),
            "speed": speed.tolist(),
            "pos": {name: pos[:, at[name]].tolist() for name in names},
            "pos_wander": {name: (pos + wander)[:, at[name]].tolist() for name in names},
            "profile": {fit.name: self.profile_mm(fit.edge).tolist() for fit in params.sensors},
            "params": plain,
            "expect": expect,
        }

    def profile_mm(self, edge: Side, points: int = _TRUTH_POINTS) -> Floats:
        """The true camber profile of an edge at equal stations from the mark, mm, zero-mean."""
        length = self.params.length_mm
        stations: Floats = np.arange(points, dtype=np.float64) * (length / points)
        return look_up(self._profiles[edge], stations, length)

    # ------------------------------------------------------------ how time passes

    def _make_plan(self) -> list[tuple[int, Callable[[], None]]]:
        """Everything that is to begin at a known time, by sample, latest first."""
        p, conveyor = self.params, self._conveyor
        plan: list[tuple[float, Callable[[], None]]] = []
        for move in p.moves:
            plan.append(
                (move.t_s, lambda m=move: self.move(m.where, m.side, m.amount_mm, m.logged))  # type: ignore[misc]
            )
        for drift in p.drifts:
            plan.append(
                (
                    drift.start_s,
                    lambda d=drift: conveyor.begin_drift(d.pulley, self._rolled_mm, d.mm_per_rev, d.revs),  # type: ignore[misc]
                )
            )
        for bump in p.bumps:
            plan.append((bump.start_s, lambda b=bump: self._bumps.append((b, self._rolled_mm))))  # type: ignore[misc]
        for w in p.widenings:
            plan.append((w.start_s, lambda w=w: self._widenings.append((w, self._rolled_mm))))  # type: ignore[misc]
        for restart_s in p.restarts_s:
            plan.append((restart_s, self._restart))
        ordered = sorted(enumerate(plan), key=lambda item: (-item[1][0], -item[0]))
        return [(int(np.ceil(time_s * p.rate_hz - 1e-6)), act) for _, (time_s, act) in ordered]

    def _run(self, seconds: float) -> Iterator[tuple[Written, bool]]:
        """Pieces as they happen; each is to be written out before the next, a restart changes the clock."""
        self._asked_s += seconds
        end = int(np.ceil(self._asked_s * self.params.rate_hz - 1e-6))
        while self._sample < end:
            epoch = self._epoch
            while self._plan and self._plan[-1][0] <= self._sample:
                self._plan.pop()[1]()
            upto = min(end, self._sample + _PIECE)
            if self._plan:
                upto = min(upto, self._plan[-1][0])
            yield self._piece(upto), epoch != self._epoch

    def _restart(self) -> None:
        """The board starts anew: its clock, numbers and counts with it."""
        now_us = self._us(self._sample)
        self._epoch += 1
        self._pending.clear()
        self._silent_until_us = now_us + int(_BOOT_S * 1e6)
        self._next_hello_us = self._silent_until_us
        self._epoch_us = self._silent_until_us
        self._board.start_anew(self._silent_until_us, 350)
        self._marks.start_anew()
        self._ticks.start_anew()

    def _us(self, sample: int) -> int:
        return round(sample * 1_000_000 / self.params.rate_hz)

    def _piece(self, end: int) -> Written:
        """All that happens from the present sample up to, not including, `end`."""
        rate, first = self.params.rate_hz, self._sample
        sample = np.arange(first, end + 1)
        time_s = sample / rate
        speed = self._speed.at(time_s)
        steps = (speed[1:] + speed[:-1]) * (0.5 / rate)
        travel = np.cumsum(np.concatenate([[self._travel_mm], steps]))
        rolled = np.cumsum(np.concatenate([[self._rolled_mm], np.abs(steps)]))
        self._conveyor.reach(float(rolled[-2]))
        self._keep_truth(sample[:-1], time_s[:-1], speed[:-1], travel[:-1], rolled[:-1])
        stretch = self._sense(sample[:-1], time_s[:-1], travel[:-1], rolled[:-1])
        self._pending += self._marks.see(time_s, travel)
        self._pending += self._ticks.see(time_s, rolled)
        stretch.singles = self._due_singles(self._us(end))
        self._sample, self._travel_mm, self._rolled_mm = end, float(travel[-1]), float(rolled[-1])
        self._conveyor.forget(self._rolled_mm)
        outages = [
            (round(o.start_s * 1e6), round((o.start_s + o.duration_s) * 1e6)) for o in self.params.outages
        ]
        return self._board.write(stretch, outages)

    def _sense(self, sample: NDArray[np.int64], time_s: Floats, travel: Floats, rolled: Floats) -> Stretch:
        """The E records of a piece."""
        p = self.params
        edges = np.empty((sample.size, len(p.sensors)))
        pulley_mm = {
            pulley: self._conveyor.position_mm(pulley, rolled)
            + self._conveyor.wander_mm(pulley, rolled)
            + self._conveyor.runout_mm(pulley, travel)
            for pulley in {fit.pulley for fit in p.sensors}
        }
        for channel, fit in enumerate(p.sensors):
            station = p.start_station_mm + travel - (p.carry_length_mm if fit.pulley == "drive" else 0.0)
            edges[:, channel] = pulley_mm[fit.pulley]
            edges[:, channel] += look_up(self._profiles[fit.edge], station, p.length_mm)
            edges[:, channel] += self._bumps_mm(fit.edge, station, rolled)
            edges[:, channel] += self._widened_mm(fit.edge, rolled)
        time_us, flags, counts, sent = self._sensing.sample(sample, time_s, edges)
        up = time_us >= self._silent_until_us
        return Stretch(self._epoch_us, time_us[up], flags[up], counts[up], ~sent[up])

    def _bumps_mm(self, edge: Side, station: Floats, rolled: Floats) -> Floats | float:
        total: Floats | float = 0.0
        for bump, start in self._bumps:
            share = _share(bump.edge, edge)
            if share != 0.0:
                grown = self._grown(rolled, start, bump.grow_revs)
                total = total + share * bump.size_mm * grown * bump_shape(
                    bump, station, self.params.length_mm
                )
        return total

    def _widened_mm(self, edge: Side, rolled: Floats) -> Floats | float:
        total: Floats | float = 0.0
        for widening, start in self._widenings:
            total = total + _share("apart", edge) * widening.mm * self._grown(rolled, start, widening.revs)
        return total

    def _grown(self, rolled: Floats, start: float, revs: float) -> Floats:
        """Share of something that has grown, over so many revolutions since `start`."""
        grown: Floats = np.clip((rolled - start) / (max(revs, 1e-9) * self.params.length_mm), 0.0, 1.0)
        return grown

    def _due_singles(self, end_us: int) -> list[Single]:
        while self._next_hello_us < end_us:
            stamp = self._next_hello_us
            self._pending.append(Single(stamp, "H", stamp))
            self._next_hello_us += _HELLO_US + (20 if stamp == 0 else 0)  # past the E record of that instant
        due = [single for single in self._pending if single.write_us < end_us]
        self._pending = [single for single in self._pending if single.write_us >= end_us]
        return [s for s in due if s.write_us >= self._silent_until_us and s.stamp_us >= self._epoch_us]

    def _keep_truth(
        self, sample: NDArray[np.int64], time_s: Floats, speed: Floats, travel: Floats, rolled: Floats
    ) -> None:
        whole = np.flatnonzero(sample % self.params.rate_hz == 0)
        if whole.size == 0:
            return
        rolled = rolled[whole]
        pos = np.stack([self._conveyor.position_mm(p, rolled) for p in ("infeed", "drive")], axis=1)
        wander = np.stack([self._conveyor.wander_mm(p, rolled) for p in ("infeed", "drive")], axis=1)
        rev = travel[whole] / self.params.length_mm
        self._truth.append((time_s[whole], rev, speed[whole] / 1000.0, pos, wander))


def _share(which: str | None, edge: Side) -> float:
    """How much of a bump or a widening this edge shows; the right edge of a wider belt lies farther right."""
    if which == "apart":
        return 0.5 if edge == "right" else -0.5
    return 1.0 if which in (None, edge) else 0.0
