"""The signal chain of one belt: gated samples and marks in, revolutions and findings about the belt out.

Order: travel and live bins (revolutions) -> camber taken out (profile) -> is travel right? (motion)
-> whole belt per pulley (walk) -> sections per sensor -> and, at the end of each turn, position and
profile. Until FIRST_TURNS regular turns have been seen there is no profile and nothing is judged.
A profile takes in a turn only one turn later, when a walk that began in it would have been found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .crosscheck import CrossCheck
from .detection.edges import EdgeFinding, EdgePair
from .detection.motion import STILL_BINS, MotionWatch, SpeedChange, still_bins
from .detection.position import TurnPosition, fit_first_turns, place_turn
from .detection.roughness import Roughness
from .detection.sections import SectionFinding, SectionWatch
from .detection.sensors import GatedBlock, SensorGate
from .detection.walk import Passage, WalkEstimator, WalkFinding
from .records import Behaviour, Pulley, Revolution, RevolutionRow
from .repeating import Repeating
from .revolutions.period import PeriodSearch, relocate, slip
from .revolutions.phase import (
    FINE,
    LEAST_CHANGE,
    TICKS_CHANGE,
    WINDOWS,
    PhaseFilter,
    WindowRow,
    find_slip,
    finely,
)
from .revolutions.speed import SpeedWander
from .revolutions.ticks import TickClock
from .revolutions.tracker import LIVE_BINS, TURN_BINS, LiveBin, MarkFinding, Tracker, Turn
from .revolutions.travel import TravelError
from .settings import Station

TICKS_FAIL = 24  # live bins without a tick in which the readings are not those of a standing belt
FIRST_TURNS = 3  # regular turns that make the first profile
STEP_BINS = 2  # live bins to a step of the walk estimator
BOTH_EVIDENCE = 4.0  # log likelihood ratio at the other pulley that makes a walk doubted until the next mark
BOTH_REV = 0.4  # ... or a walk there that began no longer ago than this
MISFIT = 2.5  # mean squared innovation from which a line does not explain the readings: travel may be wrong
LEFT_OUT = 0.5  # share of its bins that were left out from which a line shows nothing, for the same reason
BOTH_JUMP_REV = 0.5  # both pulleys' lines seldom jump within so short a travel: travel that is wrong does it
LOST_REV = 0.5  # after the mark is due, revolutions: it will not come
BIN_SAMPLES = 10.0  # typical samples of a live bin, for what a standing belt shows
FAST_WALK = 7.0  # times drift_mm_per_rev: faster than this a walk is doubted for FAST_WAIT_REV
FAST_WAIT_REV = 0.25
LIE_RATIO = 2.0  # log likelihood by which a lying sensor must explain a walk better for it to be doubted
LIE_SURE = 10.0  # ... and for all walks there, for LIE_WAIT_REV
LIE_WAIT_REV = 3.0  # a walk that a lying sensor explains better is doubted for no longer
LIE_LOOK_REV = 0.25  # ... and looked at again after so much travel
FIRST_SPEED_SPREAD = 0.001  # relative change of speed from turn to turn, before it is learnt
SAME_PLACE_REV = 0.01  # two sensors that find the belt nearer than this to each other agree
FOUND_AGAIN_REV = 0.06  # the turn after one that was found may be off by so much: the speed changed a little
LOST_TURNS = 3  # turns, without marks, after which a belt that was not found again is learnt anew
GRID_SLIP_REV = 0.0005  # travel known no better than this within a bin
DEFAULT_NOISE_MM = 0.2  # white noise of a sample before it is measured
DEFAULT_LENGTH_MM = 12_000.0  # belt length where the station file has none


@dataclass(frozen=True, slots=True)
class BeltFinding:
    """Something about the belt begins (active) or ends at time_us. name: an alarm's, jump, or travel-lost."""

    time_us: int
    name: str
    active: bool
    pulley: Pulley | None = None
    sensor: str | None = None
    value_mm: float | None = None
    start_mm: float | None = None
    end_mm: float | None = None
    text: str = ""


@dataclass(slots=True)
class _Held:
    """A turn waiting to be learnt."""

    turn: Turn
    places: list[TurnPosition]
    learn: list[bool]


@dataclass(slots=True)
class _PulleyStep:
    """Live bins gathered for one step of a pulley's estimator."""

    u_start: float = math.nan
    readings: int = 0
    total: float = 0.0
    noise: float = 0.0
    bins: int = 0


class BeltWatch:
    """Watches one belt. All travel is in belt revolutions; stations are told through `station_mm`.

    `tell` is called with each finding and each completed revolution, as soon as it is known.
    """

    def __init__(
        self, station: Station, gate: SensorGate, tell: Callable[[BeltFinding | Revolution], None]
    ) -> None:
        self.station = station
        self._tell = tell
        self._gate = gate
        self.sensors = station.sensor
        n = len(self.sensors)
        self.length_mm = station.belt.length_mm or DEFAULT_LENGTH_MM
        self.tracker = Tracker(station)
        order = self.length_mm / (math.pi * station.conveyor.pulley_diameter_mm)
        self.repeats = [Repeating(order) for _ in self.sensors]
        self.profiles = [r.profile for r in self.repeats]
        self.pulleys: list[Pulley] = sorted({s.pulley for s in self.sensors}, key=["infeed", "drive"].index)
        self.of_pulley = {p: [k for k, s in enumerate(self.sensors) if s.pulley == p] for p in self.pulleys}
        self._wander_length_mm = self.length_mm
        self.walks = {
            p: WalkEstimator(station.limits.drift_mm_per_rev, self.length_mm, LIVE_BINS // STEP_BINS)
            for p in self.pulleys
        }
        self.pairs = {
            p: EdgePair(station.limits.width_mm, self.length_mm)
            for p, of in self.of_pulley.items()
            if sorted(self.sensors[s].edge for s in of) == ["left", "right"]
        }
        self.sections = [SectionWatch(station.limits.wobble_mm, self.length_mm) for _ in self.sensors]
        self.motion = MotionWatch(n)
        self.cross = CrossCheck(self.sensors, self.profiles)
        self._hear_anew()
        self._offset = [0.0] * n
        self._first: list[Turn] = []
        self._held: _Held | None = None
        self._steps = {p: _PulleyStep() for p in self.pulleys}
        self._period = None if station.conveyor.marks else self._search_period()
        self._lost_turns = 0  # without marks: turns since travel was lost
        self._relocated = False  # the last of them was found on the belt
        self.phase = None if station.conveyor.marks else PhaseFilter()
        self._window = 0  # windows of the turn under way that travel was put right by
        self._known_u, self._told_right = -math.inf, 0.0  # travel and time when it was last so put right
        self._fine: list[NDArray[np.float64]] = []  # camber of each sensor, finely, for this turn
        self.learning = True
        self.standing = False
        self.now: tuple[float, ...] = (math.nan,) * n  # latest level of each sensor, mm
        self.expected: tuple[float, ...] = (math.nan,) * n
        self._last_turn: Turn | None = None
        self.speed_spread, self._longer = FIRST_SPEED_SPREAD, 0.0
        self.speed, self.travel_error = SpeedWander(TURN_BINS), TravelError()
        self.roughness = Roughness(n)
        self._doubted: dict[Pulley, tuple[float, WalkFinding]] = {}
        self._liar_until: dict[Pulley, float] = {}  # travel until which a sensor of the pulley may lie
        self._blind = False
        self._jumped: dict[Pulley, float] = {}  # travel at which each pulley's line last jumped
        self._suspected_u = math.nan  # travel since which readings disagree with it
        self._still_bins = STILL_BINS
        self.seen_us = 0  # end of the last live bin: nothing will be found about times before it

    def _search_period(self) -> PeriodSearch:
        nominal_us = self.length_mm / self.station.belt.speed_mps * 1000.0
        return PeriodSearch(nominal_us, len(self.sensors))

    # ------------------------------------------------------------ input

    def samples(self, block: GatedBlock) -> None:
        """Gated samples, in order, all before the next mark."""
        self._hear_anew()
        waiting = [block]
        while waiting:
            block = waiting.pop(0)
            if block.time_us.size:
                waiting[:0] = self._run(block) if self._period is None else self._listen(block)

    def _listen(self, block: GatedBlock) -> list[GatedBlock]:
        """Until the period is known samples are only collected. Returns those to run through then, and the rest."""
        assert self._period is not None
        ticks = self.tracker.ticks
        path = block.time_us
        if ticks is not None:
            self._period.begin(ticks.follow(path[:1], math.inf).astype(np.int64))
            path = ticks.follow(path, self._period.end_us).astype(np.int64)
        room = self._period.room(path)
        self._period.add(block.time_us[:room], block.counts[:room], block.good[:room], path[:room])
        if room == block.time_us.size:
            return []
        period, time, counts, good = self._period.answer([s.counts_per_mm for s in self.sensors])
        rest = block.part(room)
        if period != period and self.tracker.turn_known:  # at another speed now: listen on until it is told
            self._period = self._search_period()
            return [rest]
        self._period = None
        if period == period:
            self.tracker.know_turn(period)
        return [GatedBlock(time, counts, good, np.zeros(time.size, np.int64)), rest]

    def _run(self, block: GatedBlock) -> list[GatedBlock]:
        """Returns the samples that are left where the belt has to be learnt anew."""
        for live in self.tracker.take(block.time_us, block.counts, block.good, block.lost):
            self._bin(live)
            if self.phase is not None:
                self._follow(live, self.phase)
            turn, marks = self.tracker.overdue(live.end_us)
            self._marks(marks, live.end_us)
            if turn is not None:
                self._turn(turn)
            self.seen_us = live.end_us
            if self._period is not None:
                return [block.part(int(np.searchsorted(block.time_us, live.end_us)))]
        return []

    def ticks(self, known_us: int, time_us: int, ticks: int) -> None:
        """The board said how many pulley ticks there were by time_us; known_us: latest time of a record before."""
        if self.tracker.ticks is not None:
            self.tracker.ticks.hear(known_us, time_us, ticks)

    def mark(self, time_us: int) -> None:
        """The belt mark passed its sensor."""
        bins, turn, marks = self.tracker.mark(time_us)
        for live in bins:
            self._bin(live)
        if self.standing and self.tracker.factor != 0.0:  # a mark does not pass while the belt stands
            self.standing = False
            self._find(time_us, "belt-stopped", False)
        self._marks(marks, time_us)
        if self.tracker.misled and not self.learning:
            for watch in self.sections:  # what seemed to pass in that turn was travel that was wrong
                watch.forget(self.tracker.rev - 1.0)
            self._lose()
        self.tracker.misled = False
        if turn is not None:
            self._trust(turn.end_us)
            self._turn(turn)
        if self._blind and not self.tracker.uncertain and not self.standing:
            self._see_again()

    def restart(self) -> None:
        """The board started anew, and counts ticks from nil: the turn under way is dropped, the profile stays."""
        self._start_over(placed=self.station.conveyor.marks or self.learning)
        if self.tracker.ticks is not None:
            self.tracker.ticks.restart()
        if self._period is not None:
            self._period = self._search_period()

    def _start_over(self, placed: bool = True) -> None:
        """The turn under way is dropped. placed: the profile, if any, starts where the next turn does."""
        self.tracker.restart(placed)
        if not placed:
            self._lose()
        self.motion.forget()
        for repeats in self.repeats:
            repeats.lose()
        self._held = None
        self._blind = not self.learning
        for watch in self.sections:
            watch.forget()
        for pair in self.pairs.values():
            pair.forget()
        self.cross.forget()
        if self.learning:
            self._first = []

    def settle(self, revs: float) -> None:
        """A move was logged now: the belt answers for this many revolutions."""
        u = self.tracker.travel_now
        for p in self.pulleys:
            if not self.learning and u == u:
                self.walks[p].settle(u, u + revs)

    # ------------------------------------------------------------ live bins

    def _bin(self, live: LiveBin) -> None:
        n = len(self.sensors)
        if self.learning:
            return
        u_start, u_end, end_us = live.u_start, live.u_end, live.end_us
        rest, noise, expected, slopes = [math.nan] * n, [math.nan] * n, [math.nan] * n, [0.0] * n
        fraction = max(u_end - max(self.tracker.rev, self._known_u), 0.0)
        for s, repeats in enumerate(self.repeats):
            camber, slope = repeats.over(u_start, u_end)
            samples, white = live.samples[s], self._white_mm2(s, end_us)
            if samples and white == white:
                ahead, unsure = self.travel_error.ahead(slope, fraction)
                camber += ahead
                rest[s] = live.reading_mm[s] - camber - self._offset[s]
                variance = white / samples + unsure + (slope * GRID_SLIP_REV) ** 2 + 1e-6
                noise[s] = self.roughness.factor[s] * variance
                slopes[s] = slope
            expected[s] = camber
        self.roughness.take(rest, noise)
        self.expected = tuple(expected)
        if self._moved(live, rest, noise) or self._blind:
            return
        self._step(live, rest, noise, slopes, fraction)

    def _wander(self) -> tuple[float, float]:
        """The livelier pulley's wander: variance, mm2, and rate, per revolution."""
        walks = self.walks.values()
        return max(w.s2_mm2 for w in walks), max(w.kappa_per_rev for w in walks)

    def _reading_of(self, s: int, u_start: float, u_end: float) -> float:
        """What a sensor would read over a stretch of travel with its pulley's line at nil, mm."""
        return self.repeats[s].mean_over(u_start, u_end) + self._offset[s]

    def _noise_mm2(self, s: int, time_us: int) -> float:
        """Variance of one sample against the profile."""
        noise = self._gate.noise_mm(s, time_us)
        if noise != noise:
            noise = DEFAULT_NOISE_MM
        return noise * noise * (1.0 + 1.0 / max(self.profiles[s].turns, 1))

    def _white_mm2(self, s: int, time_us: int) -> float:
        """The same for a live bin, and NaN where the sensor is not believed: kept until something of it changes."""
        until_us, white = self._heard[s]
        if time_us >= until_us:
            white = self._noise_mm2(s, time_us) if self.believes(s, time_us) else math.nan
            self._heard[s] = self._gate.same_until_us(s, time_us), white
        return white

    def _hear_anew(self) -> None:
        """The gate, or the end of a turn, may have changed what `_white_mm2` has kept."""
        self._heard = [(-math.inf, math.nan)] * len(self.sensors)

    def _moved(self, live: LiveBin, rest: list[float], noise: list[float]) -> bool:
        """Is travel still right? Puts it right where the readings say otherwise."""
        t = self.tracker
        if t.uncertain and not self.standing:
            white = [
                self._noise_mm2(k, live.end_us) / n if n else math.nan for k, n in enumerate(live.samples)
            ]
            change = self.motion.still(live.start_us, live.end_us, live.reading_mm, white, self._still_bins)
        else:
            change = self.motion.step(
                live.start_us, live.end_us, live.u_start, live.u_end, live.reading_mm, rest, noise,
                self._wander, t.factor, t.turn_us, self._reading_of,
            )  # fmt: skip
        if t.ticks is not None and t.by_ticks and self.phase is not None:
            if t.ticks.silent_since_us == t.ticks.silent_since_us:  # nothing else vouches for them
                t.distrust_ticks(self._told_right, float(live.end_us))
        elif t.ticks is not None and t.by_ticks:
            change = self._by_ticks(live, change, t.ticks)
        if change is None:
            return False
        stands = change.factor == 0.0
        if not stands and not self.standing and not t.uncertain:
            self._distrust(live.u_end)
            return False
        t.set_factor(float(change.start_us), 0.0 if stands else 1.0, same_speed=True)
        self._lose()
        if stands != self.standing:
            self.standing = stands
            self._find(live.end_us, "belt-stopped", stands)
        return True

    def _by_ticks(self, live: LiveBin, seems: SpeedChange | None, ticks: TickClock) -> SpeedChange | None:
        """What ticks make of what the readings seem to say: they know whether the belt stands."""
        since_us = ticks.silent_since_us
        if since_us == since_us:  # no ticks: it stands, or their sensor fails
            if self.standing:
                return seems
            if self.motion.seems_still(since_us):
                return SpeedChange(max(int(since_us), self.tracker.turn_start_us), 0.0)
            if live.end_us - since_us > TICKS_FAIL * (live.end_us - live.start_us):
                self.tracker.fail_ticks(float(live.end_us))
            return seems
        if self.standing:
            return SpeedChange(live.start_us, 1.0)
        return None if seems is not None and seems.factor == 0.0 else seems

    def _lose(self) -> None:
        """Travel is lost: nothing is judged until it is known again."""
        self._find(self.seen_us, "travel-lost", True)
        self.motion.forget()
        self._blind = True
        self._suspected_u = math.nan
        for repeats in self.repeats:
            repeats.lose()
        self._doubted.clear()
        for watch in self.sections:
            watch.forget()
        for pair in self.pairs.values():
            pair.forget()
        self.cross.forget()
        self._still_bins = still_bins(
            [p.mm.reshape(LIVE_BINS, -1).mean(axis=1) for p in self.profiles],
            [self._noise_mm2(s, self.seen_us) / BIN_SAMPLES for s in range(len(self.sensors))],
        )

    def _distrust(self, u: float) -> None:
        """Readings say that travel may be wrong: walks found from now on wait for the next mark."""
        if self._suspected_u != self._suspected_u:
            self._suspected_u = u
            self.tracker.suspect()

    def _trust(self, time_us: int) -> None:
        """A mark closed the turn: was travel right?"""
        since, self._suspected_u = self._suspected_u, math.nan
        if since != since:
            return
        if self.tracker.uncertain:
            for watch in self.sections:
                watch.forget(since)
            self._lose()
            return
        for p in list(self._doubted):
            self._release(time_us, p)

    def _release(self, time_us: int, pulley: Pulley) -> None:
        """A walk has waited long enough. What no line explains is no walk of the belt: its line starts anew."""
        _, f = self._doubted.pop(pulley)
        u = self.tracker.travel_now
        if u - f.u_onset < LIE_WAIT_REV and self._might_lie(pulley, f, u, time_us):
            self._doubted[pulley] = (u + LIE_LOOK_REV, f)
        elif self.walks[pulley].misfit > MISFIT:
            self._start_line(pulley)
        else:
            self._drift(time_us, pulley, f)

    def _step(
        self, live: LiveBin, rest: list[float], noise: list[float], slopes: list[float], fraction: float
    ) -> None:
        levels = [math.nan] * len(self.sensors)
        due = self._sections_due(live)
        for p in self.pulleys:
            walk, step = self.walks[p], self._steps[p]
            of = self.of_pulley[p]
            seen = [s for s in of if rest[s] == rest[s]]
            f = walk.filter
            if f is not None and walk.state != "settling":
                for s in seen:  # what this bin says of travel, against the line as it stands
                    if s not in due:
                        level, variance = f.expect(noise[s])
                        self.travel_error.heed(slopes[s], fraction, rest[s] - level, variance)
            if due and p not in self.pairs and not due.isdisjoint(of):
                seen = []
            if step.bins == 0:
                step.u_start, step.total, step.noise, step.readings = live.u_start, 0.0, 0.0, 0
            step.bins += 1
            if seen:
                reading, variance = self._reading(live, p, seen, rest, noise)
                step.readings += 1
                step.total += reading
                step.noise += variance
            if step.bins >= STEP_BINS:
                reading = step.total / step.readings if step.readings else math.nan
                variance = step.noise / step.readings**2 if step.readings else math.nan
                step.bins = 0
                self._walked(live, p, walk.step(step.u_start, live.u_end, reading, variance))
            f = walk.filter
            if f is None:
                continue
            for s in of:
                levels[s] = f.m + f.o + self._offset[s]
                if walk.state != "settling" and rest[s] == rest[s]:
                    found = self.sections[s].step(live.u_start, live.u_end, rest[s] - f.m - f.o, noise[s])
                    if found:
                        self._sectioned(live.end_us, s, found)
        self.now = tuple(levels)

    def _sections_due(self, live: LiveBin) -> set[int]:
        """Which sensors see a section now that departed there, or at another sensor, within the last turns?"""
        due = set[int]()
        for other, watch in enumerate(self.sections):
            if watch.sections:
                for s in range(len(self.sensors)):
                    shift = (self.station_mm(s, 0.0) - self.station_mm(other, 0.0)) / self.length_mm
                    if watch.expects(live.u_start + shift, live.u_end + shift):
                        due.add(s)
        return due

    def _reading(
        self, live: LiveBin, pulley: Pulley, seen: list[int], rest: list[float], noise: list[float]
    ) -> tuple[float, float]:
        """The whole belt's reading at a pulley in this bin, and its noise variance."""
        pair, f = self.pairs.get(pulley), self.walks[pulley].filter
        if pair is None:
            if len(seen) == 1:
                return rest[seen[0]], noise[seen[0]]
            return sum(rest[s] for s in seen) / len(seen), sum(noise[s] for s in seen) / len(seen) ** 2
        left, right = sorted(self.of_pulley[pulley], key=lambda s: self.sensors[s].edge)
        line, spread = (math.nan, math.nan) if f is None else (f.m + f.o, f.pmm + 2.0 * f.pmo + f.poo)
        told = pair.step(
            live.u_start, live.u_end, rest[left], rest[right], (noise[left], noise[right]), line, spread
        )
        self._offset[left] += told.moved_mm[0]
        self._offset[right] += told.moved_mm[1]
        for found in told.found:
            self._edge_found(live.end_us, pulley, left, right, found)
        return told.reading_mm, told.noise_mm2

    def _edge_found(self, time_us: int, pulley: Pulley, left: int, right: int, f: EdgeFinding) -> None:
        s = {"left": left, "right": right, "apart": None}[f.cause]
        place = s if s is not None else left
        here = f.u_start == f.u_start
        self._find(
            time_us,
            f.name,
            f.active,
            pulley=pulley,
            sensor=self.sensors[s].name if s is not None else None,
            value_mm=f.size_mm,
            start_mm=self.station_mm(place, f.u_start) if here else None,
            end_mm=self.station_mm(place, f.u_end) if here else None,
        )

    def _walked(self, live: LiveBin, pulley: Pulley, found: list[WalkFinding | Passage]) -> None:
        for f in found:
            if isinstance(f, Passage):
                continue
            if f.name == "walk-begins":
                until = self._doubt_until(pulley, f, live)
                if pulley in self._doubted:  # the walk that waits changed: it began when it began
                    f = replace(f, u_onset=self._doubted[pulley][1].u_onset)
                self._doubted[pulley] = (until, f)
            elif f.name == "walk-ends":
                self._doubted.pop(pulley, None)
                self._drift(live.end_us, pulley, f)
            else:
                if self._suspected_u != self._suspected_u:
                    self._find(live.end_us, "jump", True, pulley=pulley, text=f"{f.u_onset:.3f}")
                self._jumped[pulley] = live.u_end
                together = [u for u in self._jumped.values() if live.u_end - u < BOTH_JUMP_REV]
                if self.walks[pulley].misfit > MISFIT or len(together) > 1:
                    self._distrust(live.u_end)
        if pulley in self._doubted and live.u_end >= self._doubted[pulley][0]:
            self._release(live.end_us, pulley)

    def _doubt_until(self, pulley: Pulley, f: WalkFinding, live: LiveBin) -> float:
        """Travel until which a walk just found waits, since it may be travel that is wrong, not the belt.

        A belt that walks does so at one pulley first; when both readings leave their lines together the
        speed may have changed, which the next mark tells. So may a walk faster than belts walk.
        """
        u, limit = live.u_end, self.station.limits.drift_mm_per_rev
        others = [w for p, w in self.walks.items() if p != pulley]
        both = any(
            w.evidence > BOTH_EVIDENCE or (w.state == "drifting" and u - w.onset_u < BOTH_REV) for w in others
        )
        since_us = live.end_us - (u - f.u_onset) * self.tracker.turn_us
        walk = self.walks[pulley]
        wrong = walk.misfit > MISFIT or walk.left_out > LEFT_OUT or self.motion.seems_still(since_us)
        wrong = wrong or self.motion.might_have_changed(
            walk.s2_mm2, walk.kappa_per_rev, self.tracker.turn_us, self._reading_of
        )
        if both or wrong or self._suspected_u == self._suspected_u:
            self._distrust(u)
            return math.floor(u) + 1.0 + LOST_REV if self.station.conveyor.marks else u + BOTH_REV
        if self._might_lie(pulley, f, u, live.end_us):
            return u + LIE_LOOK_REV
        return u + FAST_WAIT_REV if abs(f.walk_mm_per_rev) > FAST_WALK * limit else u

    def _might_lie(self, pulley: Pulley, f: WalkFinding, u: float, time_us: int) -> bool:
        """Is it a sensor whose scale changed, or that became slow, rather than the belt? Later turns tell."""
        walk, since_us = self.walks[pulley], time_us - (u - f.u_onset) * self.tracker.turn_us
        if pulley in self.pairs:
            return False
        ratios = [
            self.motion.lie_ratio(s, since_us, walk.s2_mm2, walk.kappa_per_rev)
            for s in self.of_pulley[pulley]
        ]
        if any(ratio > LIE_SURE for ratio in ratios):
            self._liar_until[pulley] = u + LIE_WAIT_REV
        elif all(ratio < -LIE_SURE for ratio in ratios):
            self._liar_until.pop(pulley, None)
        return any(ratio > LIE_RATIO for ratio in ratios) or u < self._liar_until.get(pulley, -math.inf)

    def _drift(self, time_us: int, pulley: Pulley, f: WalkFinding) -> None:
        walk = f.walk_mm_per_rev
        begins = f.name == "walk-begins"
        if begins:
            if self.walks[pulley].state != "drifting":
                return
            fit = self.walks[pulley].filter
            walk = fit.w if fit is not None else walk
        self._find(time_us, "drift", begins, pulley=pulley, value_mm=walk, text=f"{f.u_onset:.3f}")

    def _sectioned(self, time_us: int, s: int, found: list[SectionFinding]) -> None:
        for f in found:
            teller, kind = self._teller(s, f)
            if teller is None:
                continue
            self._find(
                time_us,
                "section-wobble",
                f.name == "section-begins",
                pulley=self.sensors[teller].pulley,
                sensor=self.sensors[teller].name,
                text=kind,
                value_mm=f.peak_mm,
                start_mm=self.station_mm(s, f.u_start),
                end_mm=self.station_mm(s, f.u_end),
            )

    def _teller(self, s: int, f: SectionFinding) -> tuple[int | None, str]:
        """The sensor in whose name a section is told (None: it is told already), and what both edges say of it."""
        pair = self.pairs.get(self.sensors[s].pulley)
        if pair is None:
            return s, ""
        told = pair.section(self.sensors[s].edge, f)
        if told is None:
            return None, ""
        same = (k for k in self.of_pulley[self.sensors[s].pulley] if self.sensors[k].edge == told[0])
        return next(same), told[1]

    def _find(self, time_us: int, name: str, active: bool, **more: Any) -> None:
        self._tell(BeltFinding(time_us, name, active, **more))

    def _marks(self, found: list[MarkFinding], known_us: int) -> None:
        for f in found:
            self._find(known_us, f.name or "mark", bool(f.name))

    def _see_again(self) -> None:
        """Travel is certain again: the lines of the pulleys start anew."""
        self._blind = False
        self.motion.forget()
        for p in self.pulleys:
            self._start_line(p)

    def _start_line(self, pulley: Pulley) -> None:
        """A new line of unknown slope, from here on."""
        walk = self.walks[pulley]
        if walk.state != "settling":
            walk.start(self.tracker.travel_now, [], 4.0 * self.station.limits.drift_mm_per_rev)
        self._steps[pulley] = _PulleyStep()

    # ------------------------------------------------------------ turns

    def _turn(self, turn: Turn) -> None:
        self._hear_anew()
        self.travel_error.begin(self.speed_spread)
        self._window, self._fine = 0, []
        last, self._last_turn = self._last_turn, turn
        self._longer = self._longer_than(last, turn)
        if last is not None and turn.regular and last.regular and turn.rev == last.rev + 1:
            change = turn.change_from(last)
            self.speed_spread = math.sqrt(0.9 * self.speed_spread**2 + 0.1 * change * change)
            self.speed.add(change)
        else:
            self.speed.gap()
        if self.learning:
            self._first_turn(turn)
            return
        turn = self._zeroed(turn)
        self.roughness.learn(LIVE_BINS // 3)
        places = [self._place(s, turn) for s in range(len(self.sensors))]
        self._report(turn, places)
        if self.phase is not None:
            self._confirm(turn, self.phase)
        learn = [self._learnable(s, turn, places[s]) for s in range(len(self.sensors))]
        self._learn_wander(turn, places, learn)
        self._learn_held()
        self._learn_length()
        self._cross_check(turn)
        self._held = _Held(turn, places, learn)

    def _longer_than(self, last: Turn | None, turn: Turn) -> float:
        """How much longer the belt took for an irregular turn than for the one before; nil for regular ones."""
        if turn.regular:
            return 0.0
        nominal_us = self.length_mm / self.station.belt.speed_mps * 1000.0
        before_us = last.moved_us if last is not None and last.moved_us > 0.0 else nominal_us
        return turn.moved_us / before_us - 1.0

    def _zeroed(self, turn: Turn) -> Turn:
        """The turn with what moved an edge's reading for good taken out, where both edges tell it."""
        reading = turn.reading_mm
        u = turn.rev - 1 + (np.arange(TURN_BINS) + 0.5) / TURN_BINS
        for p, pair in self.pairs.items():
            for s in self.of_pulley[p]:
                moved = pair.moved_mm(self.sensors[s].edge, u)
                if moved is not None:
                    reading = reading.copy() if reading is turn.reading_mm else reading
                    reading[s] -= moved
        return turn if reading is turn.reading_mm else replace(turn, reading_mm=reading)

    def _first_turn(self, turn: Turn) -> None:
        places = [self._place(s, turn) for s in range(len(self.sensors))]
        first = self._first
        if first and abs(turn.change_from(first[-1])) > 0.01:
            first.clear()
        first.append(turn)
        self._report(turn, places)
        if len(first) >= FIRST_TURNS:
            self._first_profile()

    def _first_profile(self) -> None:
        walking: dict[Pulley, list[tuple[float, float, float]]] = {}
        for s, sensor in enumerate(self.sensors):
            w = self.walks[sensor.pulley]
            fit = fit_first_turns(np.array([t.reading_mm[s] for t in self._first]), w.s2_mm2, w.kappa_per_rev)
            self._learn_first_wander(s, fit.profile_mm)
            turns = [turn.rev - 1 for turn in self._first]
            levels = zip(self._first, fit.levels_mm, strict=True)
            freed = [turn.reading_mm[s] - level - fit.ramp_mm for turn, level in levels]
            if self.repeats[s].begin(turns, freed, fit.profile_mm):
                self._learn_wander_anew(s)
            self._tell_runout(s)
            walking.setdefault(sensor.pulley, []).append(
                (fit.walk_mm_per_rev, fit.walk_se_mm_per_rev, fit.levels_mm[-1])
            )
        for p, fits in walking.items():
            mean = sum(f[2] for f in fits) / len(fits)
            for s, f in zip(self.of_pulley[p], fits, strict=True):
                self._offset[s] = f[2] - mean if len(fits) > 1 else 0.0
        for pair in self.pairs.values():
            pair.start()
        self.learning = False
        self._blind = False
        end_us = self._first[-1].end_us
        for p, fits in walking.items():
            rate, se = fits[0][0], fits[0][1]
            self.walks[p].start(self.tracker.travel_now, [], 4.0 * self.station.limits.drift_mm_per_rev)
            if rate == rate and abs(rate) >= self.station.limits.drift_mm_per_rev and abs(rate) > 5.0 * se:
                self.walks[p].state = "drifting"
                self._find(
                    end_us,
                    "drift",
                    True,
                    pulley=p,
                    value_mm=rate,
                    text=f"{self.tracker.rev - FIRST_TURNS:.3f}",
                )
        self._first = []
        self._learn_length()
        self._share_profiles(self._last_turn)

    def _learn_first_wander(self, s: int, profile_mm: NDArray[np.float64]) -> None:
        """Wander within the first turns, as a turn to come will show it against their mean.

        Their own deviations from it have 1 - 1/n of the variance, those of a new turn 1 + 1/n.
        """
        n = len(self._first)
        scale = math.sqrt((n + 1.0) / (n - 1.0))
        for turn in self._first:
            self._learn_from(s, scale * (turn.reading_mm[s] - profile_mm))

    def _learn_wander_anew(self, s: int) -> None:
        """Run-out was found (or given up): what the pulley's wander was learnt from had it in it."""
        walk = self.walks[self.sensors[s].pulley]
        walk.forget_wander()
        for rest in self.repeats[s].rests():
            self._learn_from(s, rest)

    def _learn_from(self, s: int, rest_mm: NDArray[np.float64]) -> None:
        group = rest_mm.reshape(LIVE_BINS // STEP_BINS, -1)
        seen = np.isfinite(group)
        count = seen.sum(axis=1)
        residual = np.full(count.size, np.nan)
        some = count > 0
        residual[some] = np.where(seen, group, 0.0).sum(axis=1)[some] / count[some]
        self.walks[self.sensors[s].pulley].learn_wander(residual)

    def _learn_length(self) -> None:
        """From time to time: the belt's length, by how far apart its camber passes the two pulleys."""
        turns = max(p.turns for p in self.profiles)
        carry = self.station.conveyor.carry_length_mm
        if carry > 0.0 and (turns <= 10 or turns % 10 == 0):
            self.length_mm = self.cross.length_mm(carry, self.station.belt.length_mm or self.length_mm)

    def _place(self, s: int, turn: Turn) -> TurnPosition:
        walk = self.walks[self.sensors[s].pulley]
        profile = self.profiles[s]
        u = turn.rev - 1 + (np.arange(TURN_BINS) + 0.5) / TURN_BINS
        line = walk.path(u) if not self.learning else np.zeros(TURN_BINS)
        if not turn.ended or self.cross.lying(s):  # how far the belt came in it, or its scale, is not known
            return TurnPosition(math.nan, math.nan, np.ones(TURN_BINS, np.bool_), 0.0)
        noise = self._gate.noise_mm(s, turn.end_us)
        noise = noise if noise == noise else DEFAULT_NOISE_MM
        white = max(noise, self._gate.white_mm(s, turn.end_us))  # heavy tails widen it; rather too wide
        wander = walk.s2_mm2 if walk.state != "settling" else walk.s2_mm2 + 4.0
        place = place_turn(
            self._without_runout(s, turn),
            turn.samples[s],
            profile.mm,
            profile.turns,
            line - float(line.mean()),
            noise,
            white,
            wander,
            walk.kappa_per_rev,
            self.length_mm,
            self.speed.mean_mm2(profile.mm if profile.turns else _filled(turn.reading_mm[s]), self._longer),
        )
        scale_mm = self.cross.scale_spread(s) * place.position_mm
        return replace(place, se_mm=math.hypot(place.se_mm, scale_mm)) if scale_mm else place

    def _without_runout(self, s: int, turn: Turn) -> NDArray[np.float64]:
        return self.repeats[s].freed(turn.rev - 1, turn.reading_mm[s])

    def _share_profiles(self, turn: Turn | None) -> None:
        """Profiles of the same edge at the two pulleys help each other."""
        if turn is None:
            return
        for s, sensor in enumerate(self.sensors):
            walk, samples = self.walks[sensor.pulley], float(turn.samples[s].sum())
            if samples > 0.0:
                noise = math.sqrt(self._noise_mm2(s, turn.end_us))
                self.cross.heard(s, noise, samples, walk.s2_mm2, walk.kappa_per_rev)
        self.cross.share(self.station.conveyor.carry_length_mm / self.length_mm)

    def _cross_check(self, turn: Turn) -> None:
        """What the sensors say of each other, once a turn."""
        self._share_profiles(turn)
        for f in self.cross.judge(self.station.conveyor.carry_length_mm / self.length_mm):
            self._find(
                turn.end_us,
                f.name,
                f.active,
                pulley=self.sensors[f.sensor].pulley,
                sensor=self.sensors[f.sensor].name,
                value_mm=f.figure,
                text=self.sensors[f.other].name if f.other >= 0 else "",
            )
            self._disbelieve(turn.end_us, self.sensors[f.sensor].pulley)

    def _disbelieve(self, time_us: int, pulley: Pulley) -> None:
        """Where no sensor of a pulley is believed any more, what it told of a walk falls too."""
        if any(map(self.believes, self.of_pulley[pulley])):
            return
        self._doubted.pop(pulley, None)
        if self.walks[pulley].state == "drifting":
            self._find(time_us, "drift", False, pulley=pulley, text="nan")
        self._start_line(pulley)

    def _learnable(self, s: int, turn: Turn, place: TurnPosition) -> bool:
        walk = self.walks[self.sensors[s].pulley]
        return (
            turn.regular
            and place.used_share > 0.6
            and walk.state != "settling"
            and not self.cross.lying(s)
            and self._gate.fault(s, turn.end_us) == ""
        )

    def _learn_held(self) -> None:
        held = self._held
        if held is None:
            return
        u = held.turn.rev - 1 + (np.arange(TURN_BINS) + 0.5) / TURN_BINS
        for s in range(len(self.sensors)):
            runout_only = held.turn.regular and self._gate.fault(s, held.turn.end_us) == ""
            if not held.learn[s] and not runout_only:
                continue
            line = self.walks[self.sensors[s].pulley].path(u)
            if runout_only and self.walks[self.sensors[s].pulley].state != "settling":
                self.cross.turn(s, self._without_runout(s, held.turn))
            freed = held.turn.reading_mm[s] - held.places[s].position_mm - (line - float(line.mean()))
            if held.learn[s]:
                self._add(s, held.turn, freed, held.places[s].out)
            else:  # run-out not yet known makes most stations look out of line
                reading = held.turn.reading_mm[s]
                seen = np.isfinite(reading)
                if seen.any():
                    self._add(s, held.turn, reading - float(np.median(reading[seen])), None)

    def _add(self, s: int, turn: Turn, freed_mm: NDArray[np.float64], out: NDArray[np.bool_] | None) -> None:
        """One more turn for the search for run-out and, less its stations that are out, for the profile (None: not)."""
        repeats, calm = self.repeats[s], not self.sections[s].sections
        if repeats.look(turn.rev - 1, freed_mm, out, calm):
            self._learn_wander_anew(s)
        self._tell_runout(s)
        if out is not None:
            repeats.learn(turn.rev - 1, freed_mm, out)

    def _tell_runout(self, s: int) -> None:
        swing, sensor = self.repeats[s].news(), self.sensors[s]
        if swing is not None:
            assert self._last_turn is not None
            at_us, mm = self._last_turn.end_us, swing.amplitude_mm
            self._find(at_us, "run-out", True, pulley=sensor.pulley, sensor=sensor.name, value_mm=mm)

    def _learn_wander(self, turn: Turn, places: list[TurnPosition], learn: list[bool]) -> None:
        for p in self.pulleys:
            walk = self.walks[p]
            usable = [s for s in self.of_pulley[p] if learn[s]]
            if (
                not usable
                or walk.state != "steady"
                or walk.u_segment > turn.rev - 1
                or self.tracker.disturbed
            ):
                continue
            for s in usable:
                rest = np.where(places[s].out, np.nan, self._without_runout(s, turn) - self.profiles[s].mm)
                self._learn_from(s, rest)

    def _follow(self, live: LiveBin, phase: PhaseFilter) -> None:
        """Without marks: an eighth of a turn is over; put travel right by the camber known so far."""
        t = self.tracker
        k = int((live.u_end - t.rev) * WINDOWS)
        if k <= self._window or k > WINDOWS:
            return
        passed, self._window = k - self._window, k
        cells = TURN_BINS // WINDOWS
        phase.pass_on(passed / WINDOWS, TICKS_CHANGE if t.by_ticks else max(self.speed_spread, LEAST_CHANGE))
        if (self.learning and not self._first) or self.standing or t.uncertain:
            return
        first = (k - 1) * cells
        reading, samples = t.window(t.rev + (k - 1) / WINDOWS, float(live.end_us), cells)
        if not self._fine:
            self._fine = [self._fine_camber(s, samples[s], live.end_us) for s in range(len(self.sensors))]
        rows = []
        for s, sensor in enumerate(self.sensors):
            if not self.believes(s, live.end_us):
                continue
            swing, walk = self.repeats[s].swing, self.walks[sensor.pulley]
            if swing is not None:
                reading[s] -= swing.over_cells(t.rev, TURN_BINS)[first : first + cells]
            noise = self._noise_mm2(s, live.end_us) / np.maximum(samples[s], 1)
            rows.append(WindowRow(reading[s], noise, self._fine[s], first, walk.s2_mm2, walk.kappa_per_rev))
        told = find_slip(rows, TURN_BINS, phase.se_rev())
        if t.by_ticks and not self.learning and phase.astray(told):
            t.distrust_ticks(self._told_right, float(live.end_us))
            return
        if told is None:
            return
        self._told_right = float(live.end_us)
        ahead, faster = phase.heed(told)
        t.adjust(float(live.end_us), ahead + 0.5 * faster / WINDOWS, faster)
        self._known_u = live.u_end
        self.travel_error.begin(self.speed_spread)

    def _fine_camber(self, s: int, samples: NDArray[np.int64], time_us: int) -> NDArray[np.float64]:
        """Camber as far as it is known, finely: the profile, before it the first turns' mean."""
        profile, walk = self.profiles[s], self.walks[self.sensors[s].pulley]
        turns, camber = profile.turns, profile.mm
        if self.learning:
            readings = np.array([t.reading_mm[s] for t in self._first])
            turns, fit = len(self._first), fit_first_turns(readings, walk.s2_mm2, walk.kappa_per_rev)
            seen = np.isfinite(fit.profile_mm)
            if not seen.any():
                return np.zeros(FINE * TURN_BINS)
            x = np.arange(TURN_BINS)
            camber = np.interp(x, x[seen], fit.profile_mm[seen], period=TURN_BINS)
        white = self._noise_mm2(s, time_us) * float(np.mean(1.0 / np.maximum(samples, 1)))
        return finely(camber, white / turns, walk.s2_mm2 / turns, walk.kappa_per_rev)

    def _confirm(self, turn: Turn, phase: PhaseFilter) -> None:
        """Without marks, at the end of a turn: its windows, or it as a whole, show that travel is right."""
        if self.tracker.uncertain:
            self._match_lost(turn)
        elif phase.silent < WINDOWS or self._match(turn):
            self.tracker.trust()
            self._trust(turn.end_us)

    def _match(self, turn: Turn) -> bool:
        """Where no window told its slip for a turn: put travel right by the whole turn, all sensors together."""
        slips, weights = 0.0, 0.0
        for s in range(len(self.sensors)):
            value, se = slip(self._without_runout(s, turn), self.profiles[s].mm)
            if value == value and se > 0.0:
                slips += value / se**2
                weights += 1.0 / se**2
        if weights <= 0.0 or abs(slips / weights) > 0.04:
            return False
        found, t = slips / weights, self.tracker
        t.adjust(float(turn.end_us), found, 0.5 * found)
        return True

    def _match_lost(self, turn: Turn) -> None:
        """Without marks, after the belt stood or changed its speed: where is it? Learn anew where it is not found."""
        places = [relocate(self._without_runout(s, turn), p.mm) for s, p in enumerate(self.profiles)]
        heard = [(at, se) for at, se in places if at == at]
        weights = sum(1.0 / se**2 for _, se in heard)
        found = sum(at / se**2 for at, se in heard) / weights if heard else math.nan
        agree = 2 * len(heard) > len(places) and all(abs(at - found) < SAME_PLACE_REV for at, _ in heard)
        again, self._relocated = self._relocated and agree and abs(found) < FOUND_AGAIN_REV, agree
        if agree:
            t = self.tracker
            t.adjust(float(turn.end_us), found, found if again else None)
        if again and abs(found) < SAME_PLACE_REV:
            self.tracker.trust()
            self.phase = PhaseFilter()
            self._relocated, self._lost_turns = False, 0
            if self._blind and not self.standing:
                self._see_again()
            return
        self._lost_turns += 0 if self.standing else 1
        if self._lost_turns > LOST_TURNS and not again:
            self._learn_anew()

    def _learn_anew(self) -> None:
        """Without marks, at a speed nobody knows: as at the start of a recording."""
        self._lost_turns, self._relocated = 0, False
        self.learning, self._first, self._held = True, [], None
        for repeats in self.repeats:
            repeats.start_over()
        self._period, self.phase = self._search_period(), PhaseFilter()
        self._start_over()

    # ------------------------------------------------------------ report

    def _report(self, turn: Turn, places: list[TurnPosition]) -> None:
        rows = []
        for s, sensor in enumerate(self.sensors):
            walk = self.walks[sensor.pulley]
            fit = None if self.learning or self._blind else walk.walk
            place = places[s]
            rows.append(
                RevolutionRow(
                    rev=turn.rev,
                    start_s=turn.start_us / 1e6,
                    end_s=turn.end_us / 1e6,
                    sensor=sensor.name,
                    position_mm=place.position_mm,
                    position_se_mm=place.se_mm,
                    walk_mm_per_rev=fit.slope_mm_per_rev if fit else math.nan,
                    walk_se_mm_per_rev=fit.slope_se_mm_per_rev if fit else math.nan,
                    profile_pp_mm=self.profiles[s].peak_to_peak_mm,
                    behaviour=self._behaviour(s, place),
                    samples=int(turn.samples[s].sum()),
                    lost=turn.lost,
                    pulley=sensor.pulley,
                    edge_min_mm=turn.edge_min_mm[s],
                    edge_max_mm=turn.edge_max_mm[s],
                    quality=self._gate.fault(s, turn.end_us) or "good",
                )
            )
        self._tell(Revolution(turn.rev, turn.start_us / 1e6, turn.end_us / 1e6, tuple(rows)))

    def _behaviour(self, s: int, place: TurnPosition) -> Behaviour:
        if place.position_mm != place.position_mm:
            return "unknown"
        if self.learning:
            return "learning"
        state = self.walks[self.sensors[s].pulley].state
        if state == "settling":
            return "settling"
        if self._blind:
            return "unknown"
        return "drifting" if state == "drifting" else "steady"

    def believes(self, s: int, time_us: float = math.inf) -> bool:
        """Are this sensor's readings taken for the belt's, at that time (now without one)?"""
        return self._gate.fault(s, time_us) in ("", "sensor-noisy") and not self.cross.lying(s)

    def position_mm(self, s: int) -> float:
        """Where the whole belt rides now, as sensor s sees it, mm.

        NaN: no sensor of its pulley is believed, or travel is lost while the belt runs.
        """
        lost = self._blind and not self.standing
        seen = any(map(self.believes, self.of_pulley[self.sensors[s].pulley]))
        return self.now[s] if seen and not lost else math.nan

    def went(self, pulley: Pulley, u: float) -> tuple[float, float]:
        """How far the whole belt went at a pulley since travel u, mm, and the share gone a turn later (NaN: unseen)."""
        return self.walks[pulley].went(u)

    # ------------------------------------------------------------ places on the belt

    def station_mm(self, s: int, u: float) -> float:
        """The belt station that sensor s sees at travel u, mm."""
        c = self.station.conveyor
        offset = c.mark_offset_mm - (c.carry_length_mm if self.sensors[s].pulley == "drive" else 0.0)
        return ((u - math.floor(u)) * self.length_mm + offset) % self.length_mm

    def profile_rows(self) -> list[tuple[str, float, float]]:
        """(sensor, station_mm, profile_mm) by rising station."""
        rows: list[tuple[str, float, float]] = []
        for s, sensor in enumerate(self.sensors):
            if not self.profiles[s].turns:
                continue
            cells = [
                (sensor.name, self.station_mm(s, (j + 0.5) / TURN_BINS), float(self.profiles[s].mm[j]))
                for j in range(TURN_BINS)
            ]
            rows.extend(sorted(cells, key=lambda r: r[1]))
        return rows


def _filled(reading_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """A turn's readings, (stations,), with what was not seen interpolated round the belt; nil where nothing was."""
    seen = np.isfinite(reading_mm)
    if not seen.any():
        return np.zeros(reading_mm.size)
    x = np.arange(reading_mm.size)
    return np.interp(x, x[seen], reading_mm[seen], period=reading_mm.size)
