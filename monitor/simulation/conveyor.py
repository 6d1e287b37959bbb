"""The conveyor: how far the belt has run, and where the whole belt stands at each pulley.

Everything sideways happens along the belt's travel, not in time, so it is computed on a grid of rolled
distance (1/512 of the belt length) and looked up for each sample; the grid does not depend on how the
run is cut into steps. In reverse the rolled distance still grows: answers go on settling.

Crowned pulleys: dy/du = (rest - y)/(n*Lb), n the e-folding in revolutions; rest = take-up difference times
gain, plus a share of the other pulley (the drive sees the infeed one carry length later).
Plain pulleys: the integrator monitor.simulation.mechanics.EndlessBelt; a skew anywhere walks the whole belt.
The belt's own wander is an Ornstein-Uhlenbeck process of the rolled distance, one for each pulley.
"""

from __future__ import annotations

import copy
import math

import numpy as np
from numpy.typing import NDArray

from monitor.records import MoveWhere, Pulley, Side
from monitor.simulation.mechanics import EndlessBelt, skew_rad
from monitor.simulation.params import Params

Floats = NDArray[np.float64]
NODES_PER_REV = 512
_BLOCK = 256  # wander is made in whole blocks, so that any cutting of the run gives the same values
_SETTLED_MM = 1e-10
PULLEYS: tuple[Pulley, Pulley] = ("infeed", "drive")


class Series:
    """Values on a uniform grid that grows at its end and forgets what is far behind."""

    def __init__(self, step: float, first: float) -> None:
        self.step = step
        self._values: Floats = np.array([first])
        self._start = 0

    @property
    def end(self) -> int:
        """Index of the next value to come."""
        return self._start + self._values.size

    def append(self, values: Floats | list[float]) -> None:
        self._values = np.concatenate([self._values, values])

    def forget(self, before: float) -> None:
        drop = int(before / self.step) - 2 - self._start
        if drop > self._values.size // 2:
            self._values = self._values[drop:]
            self._start += drop

    def value(self, index: int) -> float:
        return float(self._values[max(index - self._start, 0)])

    def at(self, place: Floats) -> Floats:
        """Linear between grid points."""
        spot = place / self.step - self._start
        low = np.clip(spot.astype(np.int64), 0, self._values.size - 2)
        first = self._values[low]
        result: Floats = first + (self._values[low + 1] - first) * (spot - low)
        return result


class Wander:
    """Ornstein-Uhlenbeck, exact on its grid: sd and correlation length (1/e) as asked."""

    def __init__(self, sd: float, length: float, step: float, rng: np.random.Generator) -> None:
        keep = math.exp(-step / length)
        power = keep ** np.arange(1, _BLOCK + 1)
        self._rng, self._power = rng, power
        self._kick = sd * math.sqrt(1.0 - keep * keep) / power
        self._last = sd * float(rng.standard_normal())
        self.series = Series(step, self._last)

    def reach(self, place: float) -> None:
        blocks, end = [], self.series.end
        while (end - 2) * self.series.step <= place:
            kicks = np.cumsum(self._kick * self._rng.standard_normal(_BLOCK))
            blocks.append(self._power * (self._last + kicks))
            self._last = float(blocks[-1][-1])
            end += _BLOCK
        if blocks:
            self.series.append(np.concatenate(blocks))


class Screw:
    """A take-up screw with play: the bearing follows once the play is taken up. It starts pushed outward."""

    def __init__(self, play_mm: float) -> None:
        self._half = play_mm / 2.0
        self._screw = self._half
        self.bearing_mm = 0.0

    def turn(self, amount_mm: float) -> None:
        self._screw += amount_mm
        self.bearing_mm = min(max(self.bearing_mm, self._screw - self._half), self._screw + self._half)


class Adjusters:
    """Both ends of the infeed take-up and of the snub, with the skew that was there from the start."""

    def __init__(self, params: Params) -> None:
        self._standing = {"infeed": params.standing_infeed_mm, "snub": params.standing_drive_mm}
        ends = [(where, side) for where in ("infeed", "snub") for side in ("left", "right")]
        self._screws = {end: Screw(params.backlash_mm) for end in ends}

    def move(self, where: MoveWhere, side: Side, amount_mm: float) -> None:
        self._screws[where, side].turn(amount_mm)

    def difference_mm(self, where: MoveWhere) -> float:
        """How much further out the right end stands than the left one."""
        right, left = self._screws[where, "right"], self._screws[where, "left"]
        return self._standing[where] + right.bearing_mm - left.bearing_mm


class CrownedPulleys:
    """First-order answer toward a resting place at each pulley."""

    def __init__(self, params: Params, step_mm: float) -> None:
        self._params = params
        self._delay = max(1, round(params.carry_length_mm / step_mm))
        self._part = [
            1.0 - math.exp(-step_mm / (revs * params.length_mm))
            for revs in (params.infeed_restoring_revs, params.drive_restoring_revs)
        ]
        self._rest = [0.0, 0.0]
        self._moved = True
        self.now = [0.0, 0.0]

    def set_skew(self, infeed_mm: float, snub_mm: float) -> None:
        p = self._params
        sign = -p.direction * p.gain
        self._rest = [sign * p.infeed_mm_per_mm * infeed_mm, sign * p.snub_mm_per_mm * snub_mm]
        self._moved = True

    def resting_place_mm(self) -> tuple[float, float]:
        """Where the belt comes to rest at the infeed and at the drive pulley."""
        over, back = self._params.carry_over, self._params.carry_back
        infeed = (self._rest[0] + back * self._rest[1]) / (1.0 - over * back)
        return infeed, self._rest[1] + over * infeed

    def place(self, infeed_mm: float | None, drive_mm: float | None) -> tuple[float, float]:
        """Start at the given places, or at rest."""
        rest = self.resting_place_mm()
        self.now = [
            rest[0] if infeed_mm is None else infeed_mm,
            rest[1] if drive_mm is None else drive_mm,
        ]
        return self.now[0], self.now[1]

    def extend(self, tracks: tuple[Series, Series], count: int) -> None:
        """Add grid points; whether all is at rest is asked once a revolution, at fixed points."""
        while count > 0:
            piece = min(count, NODES_PER_REV - tracks[0].end % NODES_PER_REV)
            self._extend_piece(tracks, piece)
            count -= piece
            if tracks[0].end % NODES_PER_REV == 0:
                self._moved = not self._at_rest(tracks[0])

    def _extend_piece(self, tracks: tuple[Series, Series], count: int) -> None:
        if not self._moved:
            for track, value in zip(tracks, self.now, strict=True):
                track.append(np.full(count, value))
            return
        over, back = self._params.carry_over, self._params.carry_back
        first = tracks[0].end
        infeed: list[float] = []
        drive: list[float] = []
        y_i, y_d = self.now
        for index in range(first, first + count):
            past = index - self._delay
            seen = infeed[past - first] if past >= first else tracks[0].value(past)
            y_i += self._part[0] * (self._rest[0] + back * y_d - y_i)
            y_d += self._part[1] * (self._rest[1] + over * seen - y_d)
            infeed.append(y_i)
            drive.append(y_d)
        tracks[0].append(infeed)
        tracks[1].append(drive)
        self.now = [y_i, y_d]

    def _at_rest(self, infeed: Series) -> bool:
        rest = self.resting_place_mm()
        seen = infeed.value(infeed.end - self._delay - 1)
        errors = (self.now[0] - rest[0], self.now[1] - rest[1], seen - rest[0])
        return max(abs(e) for e in errors) < _SETTLED_MM


class PlainPulleys:
    """A constant skew walks the belt for ever."""

    def __init__(self, params: Params, step_mm: float) -> None:
        self._params = params
        wrap = max(params.length_mm / 2.0 - params.carry_length_mm, step_mm)
        self._belt = EndlessBelt(params.stiffness_kl, params.carry_length_mm, wrap, step_mm)

    def set_skew(self, infeed_mm: float, snub_mm: float) -> None:
        p = self._params
        sign = p.direction * p.gain  # the right end out leads the carrying belt right at the infeed, and
        # the returning belt left; the return span is the stronger one: the belt walks left, away from it
        infeed = skew_rad(infeed_mm, p.bearing_spacing_mm)
        drive = p.snub_share * skew_rad(snub_mm, p.bearing_spacing_mm)
        self._belt.skew(sign * infeed, -sign * drive)

    def place(self, infeed_mm: float | None, drive_mm: float | None) -> tuple[float, float]:
        """Start in the steady walk of the standing skew, the infeed at the given place."""
        for _ in range(6 * NODES_PER_REV):
            self._belt.step()
        by = (0.0 if infeed_mm is None else infeed_mm) - self._belt.infeed_mm
        self._belt.shift(by, by if drive_mm is None else drive_mm - self._belt.drive_mm)
        return self._belt.infeed_mm, self._belt.drive_mm

    def put_back(self) -> None:
        """The belt is put to the middle by hand, both pulleys by the same amount."""
        self._belt.shift(-self._belt.infeed_mm, -self._belt.infeed_mm)

    def walk_mm_per_rev(self) -> float:
        """How far the belt walks each revolution once all transients are over."""
        ahead = copy.deepcopy(self._belt)
        for _ in range(7 * NODES_PER_REV):
            ahead.step()
        before = ahead.infeed_mm
        for _ in range(NODES_PER_REV):
            ahead.step()
        return ahead.infeed_mm - before

    def extend(self, tracks: tuple[Series, Series], count: int) -> None:
        steps = [self._belt.step() for _ in range(count)]
        tracks[0].append([infeed for infeed, _ in steps])
        tracks[1].append([drive for _, drive in steps])


class Speed:
    """Speed in time: nominal, a slow wander, and a programme of ramps between levels."""

    def __init__(self, params: Params, rng: np.random.Generator) -> None:
        self._usual_mm_s = params.speed_mps * 1000.0
        self._wander = Wander(params.speed_wander, params.speed_wander_s, 0.5, rng)
        self._level = 1.0
        self._times = [0.0]
        self._levels = [0.0 if params.start_ramp_s > 0.0 else 1.0]
        if params.start_ramp_s > 0.0:
            self._ramp(0.0, 1.0, params.start_ramp_s)
        plan: list[tuple[float, float | None, float]] = [
            (c.start_s, c.factor, c.ramp_s) for c in params.speed_changes
        ]
        for stop in params.stops:
            plan += [(stop.start_s, 0.0, 1.0), (stop.start_s + stop.duration_s, None, 1.0)]
        for start_s, level, ramp_s in sorted(plan, key=lambda item: item[0]):
            self._ramp(start_s, self._level if level is None else level, ramp_s)
            if level:
                self._level = level

    def _ramp(self, start_s: float, level: float, ramp_s: float) -> None:
        now = float(np.interp(start_s, self._times, self._levels))
        keep = [i for i, t in enumerate(self._times) if t < start_s]
        self._times = [*(self._times[i] for i in keep), start_s, start_s + max(ramp_s, 1e-3)]
        self._levels = [*(self._levels[i] for i in keep), now, level]

    def stop(self, now_s: float) -> None:
        self._ramp(now_s, 0.0, 1.0)

    def start(self, now_s: float) -> None:
        self._ramp(now_s, self._level, 1.0)

    def at(self, time_s: Floats) -> Floats:
        """Speed, mm/s, negative in reverse."""
        self._wander.reach(float(time_s[-1]))
        wander = self._wander.series.at(time_s)
        self._wander.series.forget(float(time_s[0]))
        level = np.interp(time_s, self._times, self._levels)
        speed: Floats = self._usual_mm_s * level * (1.0 + wander)
        return speed


class Conveyor:
    """The whole belt at the two pulleys, along the rolled distance."""

    def __init__(self, params: Params, rngs: list[np.random.Generator]) -> None:
        self._params = params
        self._step = params.length_mm / NODES_PER_REV
        self._adjusters = Adjusters(params)
        self._pulleys: CrownedPulleys | PlainPulleys
        self._pulleys = (CrownedPulleys if params.crowned else PlainPulleys)(params, self._step)
        self._set_skew()
        first = self._pulleys.place(params.start_infeed_mm, params.start_drive_mm)
        self._tracks = (Series(self._step, first[0]), Series(self._step, first[1]))
        self._wanders = [
            Wander(params.wander_sd_mm, params.wander_length_mm, self._step, rng) for rng in rngs[:2]
        ]
        self._drifts: list[tuple[Pulley, float, float, float]] = []
        self._runout_phase = float(rngs[2].uniform(0.0, 2.0 * math.pi))
        self.reach(0.0)

    def move(self, where: MoveWhere, side: Side, amount_mm: float) -> None:
        """Move one bearing; positive tightens the belt there."""
        self._adjusters.move(where, side, amount_mm)
        self._set_skew()

    def resting_place_mm(self) -> tuple[float, float] | None:
        """Where the belt comes to rest at the infeed and the drive pulley; None: it does not, it walks on."""
        return self._pulleys.resting_place_mm() if isinstance(self._pulleys, CrownedPulleys) else None

    def walk_mm_per_rev(self) -> float:
        """The walk that is left once all transients are over: nil on crowned pulleys."""
        return self._pulleys.walk_mm_per_rev() if isinstance(self._pulleys, PlainPulleys) else 0.0

    def put_back(self) -> None:
        """The belt is put to the middle by hand. Crowned pulleys take it to where they had it at once."""
        if isinstance(self._pulleys, PlainPulleys):
            self._pulleys.put_back()

    def _set_skew(self) -> None:
        self._pulleys.set_skew(self._adjusters.difference_mm("infeed"), self._adjusters.difference_mm("snub"))

    def begin_drift(self, pulley: Pulley, rolled_mm: float, mm_per_rev: float, revs: float) -> None:
        """Impose a walk from here on."""
        self._drifts.append((pulley, rolled_mm, mm_per_rev, revs))

    def reach(self, rolled_mm: float) -> None:
        """Compute the grid up to this rolled distance and one point beyond."""
        count = int(rolled_mm / self._step) + 2 - self._tracks[0].end
        if count > 0:
            self._pulleys.extend(self._tracks, count)
        for wander in self._wanders:
            wander.reach(rolled_mm)

    def forget(self, rolled_mm: float) -> None:
        """Drop what lies more than a revolution behind."""
        for series in (*self._tracks, *(w.series for w in self._wanders)):
            series.forget(rolled_mm - 1.2 * self._params.length_mm)

    def position_mm(self, pulley: Pulley, rolled_mm: Floats) -> Floats:
        """Whole-belt position, without the belt's own wander."""
        place = self._tracks[PULLEYS.index(pulley)].at(rolled_mm)
        for drifting, start, rate, revs in self._drifts:
            if drifting == pulley:
                place = place + rate * np.clip((rolled_mm - start) / self._params.length_mm, 0.0, revs)
        return place

    def wander_mm(self, pulley: Pulley, rolled_mm: Floats) -> Floats:
        """The belt's own wander at this pulley."""
        return self._wanders[PULLEYS.index(pulley)].series.at(rolled_mm)

    def runout_mm(self, pulley: Pulley, travel_mm: Floats) -> Floats | float:
        """Sideways swing of a pulley that does not run true, once per pulley turn."""
        if pulley != self._params.runout_pulley or self._params.runout_mm == 0.0:
            return 0.0
        turn = 2.0 * travel_mm / self._params.pulley_diameter_mm
        swing: Floats = self._params.runout_mm * np.sin(turn + self._runout_phase)
        return swing
