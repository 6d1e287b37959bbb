"""Belt travel of every sample, cut into short bins as it comes and into whole turns afterwards.

Travel u is counted in belt revolutions; u is an integer whenever the belt mark passes its sensor.
Two passes, for two needs. Live: travel is extrapolated from the last mark at the last turn's speed
and cut into LIVE_BINS bins a revolution, each closed as soon as it is over (detection lives on
these). Afterwards: when a mark ends a turn, the whole turn is laid again on a grid of TURN_BINS
stations with travel interpolated between its two marks (position and camber live on these).

Marks are believed only where they can be: a mark far from where it is due is an extra one or a
change of speed, and which of the two is decided by the next; a mark that does not come is replaced
by the travel that the speed gives. Without marks the turn ends where travel says so, and the
profile match (`adjust`) keeps travel true. Where pulley ticks come, travel goes by their path in place
of time (`TickClock`), as long as marks say that ticks come as evenly as time runs: a turn whose ticks
are off is laid by time, and so are those after it until they agree again. Sums are of integers, so
nothing depends on how the bytes were cut.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..settings import Station
from .ticks import TickClock

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
LIVE_BINS = (
    128  # live bins a revolution: 5 to 20 cm of belt, well under the length over which a section bends
)
TURN_BINS = 512  # stations of the grid of a whole turn: 1 to 4 cm, as fine as a belt's texture is seen
MARK_TOLERANCE = 0.03  # revolutions that a mark may come early or late at a known speed (it wanders by 0.2 %)
FIRST_TOLERANCE = 0.15  # the same before the first full turn, when only nominal length and speed are known
LOOSE_TOLERANCE = 0.5  # the same after the speed changed
SAME_SPEED = 0.01  # two turns whose durations differ by less ran at one speed
LOOSE_PATIENCE = 0.85  # ... by which it may come late: a belt that slowed to 0.54 of its speed
FIRST_LEAST = 0.4  # of a revolution's duration: two marks nearer than this are not a revolution apart
MAX_TURN_SAMPLES = (
    2_000_000  # samples of a turn under way; beyond (a belt that hardly creeps) it is not laid again
)
SLOWEST = 0.05  # of the station file's speed: bins are cut for no slower a belt
TICKS_EVEN = 0.0005  # relative change of ticks from turn to turn that never speaks against them
TICKS_OFF = 0.004  # ... beyond which they lose or slip; between the two they must be more even than time
FIRST_UNEVEN = 0.001  # of time, before it is known
UNEVEN_WEIGHT = 0.3  # of the latest turn in how even both are
TICKS_AGREE = 2  # turns in which ticks must have agreed before travel goes by them again
COMPACT = 65_536  # samples after which those taken while the belt stood are dropped


class LiveBin(NamedTuple):
    """A short piece of travel, just over. Readings in mm, (sensors,); NaN = nothing good seen.

    u_start, u_end: travel at its ends, revolutions (equal where the belt stands).
    """

    start_us: int
    end_us: int
    u_start: float
    u_end: float
    reading_mm: tuple[float, ...]
    samples: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """A completed revolution. reading_mm, samples: (sensors, TURN_BINS); NaN = not seen.

    regular: it ran at one speed between two marks that were where they should be (or, without
    marks, where travel put them), so that its stations can be trusted.
    """

    rev: int
    start_us: int
    end_us: int
    regular: bool
    reading_mm: NDArray[np.float64]
    samples: NDArray[np.int64]
    edge_min_mm: tuple[float, ...]
    edge_max_mm: tuple[float, ...]
    lost: int
    path_us: float = math.nan  # its length by ticks, in nominal time; NaN: no ticks
    stood_us: float = 0.0  # for how long the belt stood in it
    ended: bool = True  # False: closed where travel put it, in want of a mark, while travel was uncertain

    @property
    def moved_us(self) -> float:
        """For how long the belt moved in it."""
        return self.end_us - self.start_us - self.stood_us

    def change_from(self, before: Turn) -> float:
        """How much longer it was than an earlier one, relatively: by time or by ticks, what changed less."""
        by_time = (self.end_us - self.start_us) / (before.end_us - before.start_us) - 1.0
        if not (self.path_us > 0.0 and before.path_us > 0.0):
            return by_time
        by_ticks = self.path_us / before.path_us - 1.0
        return by_ticks if abs(by_ticks) < abs(by_time) else by_time


@dataclass(frozen=True, slots=True)
class MarkFinding:
    """A mark that came late, twice, or was right again. name: mark-missing, mark-extra or '' (in order)."""

    time_us: int
    name: str


@dataclass(slots=True)
class _Buffer:
    """Samples of the turn under way. Those taken while the belt stood carry no travel and are dropped."""

    sensors: int
    columns: list[tuple[Ints, Ints, Bools, Ints]] = field(
        default_factory=list
    )  # time, counts, good, lost before
    stood: list[tuple[float, float]] = field(
        default_factory=list
    )  # intervals; the last may still be open (inf)
    size: int = 0

    def append(self, time: Ints, counts: Ints, good: Bools, lost: Ints) -> None:
        self.columns.append((time, counts, good, lost))
        self.size += time.size
        if self.size > COMPACT and self.stood:
            self.samples()

    def samples(self) -> tuple[Ints, Ints, Bools, Ints]:
        """All samples but those taken while the belt stood."""
        if not self.columns:
            none = np.empty((0, self.sensors), np.int64)
            return none[:, 0], none, none.astype(np.bool_), none[:, 0]
        if len(self.columns) > 1:
            self.columns = [
                (
                    np.concatenate([c[0] for c in self.columns]),
                    np.concatenate([c[1] for c in self.columns]),
                    np.concatenate([c[2] for c in self.columns]),
                    np.concatenate([c[3] for c in self.columns]),
                )
            ]
        time = self.columns[0][0]
        keep = np.ones(time.size, np.bool_)
        for start, end in self.stood:
            keep &= (time < start) | (time >= end)
        self._hold(keep)
        return self.columns[0]

    def drop_before(self, start_us: int) -> None:
        self._hold(self.samples()[0] >= start_us)
        self.stood = [s for s in self.stood if s[1] > start_us]

    def _hold(self, keep: Bools) -> None:
        if int(np.count_nonzero(keep)) > MAX_TURN_SAMPLES:
            keep = np.zeros(keep.size, np.bool_)
        if self.columns and not keep.all():
            time, counts, good, lost = self.columns[0]
            self.columns = [(time[keep], counts[keep], good[keep], lost[keep])]
        self.size = self.columns[0][0].size if self.columns else 0


class Tracker:
    """Turns gated samples and marks into live bins and turns. Times are int microseconds."""

    def __init__(self, station: Station) -> None:
        self._n = len(station.sensor)
        self._zero = [s.zero_counts for s in station.sensor]
        self._per_mm = [s.counts_per_mm for s in station.sensor]
        self._marks = station.conveyor.marks
        length = station.belt.length_mm or 10_000.0
        self._nominal_us = length / station.belt.speed_mps * 1000.0
        per_turn = station.conveyor.ticks_per_pulley_turn
        round_us = math.pi * station.conveyor.pulley_diameter_mm / station.belt.speed_mps * 1000.0
        self.ticks = TickClock(round_us / per_turn) if per_turn else None
        self.by_ticks = per_turn > 0  # travel goes by ticks now
        self._uneven = [0.0, FIRST_UNEVEN**2]  # mean squared change from turn to turn, of ticks and of time
        self.misled = False  # ticks were wrong in the turn that a mark just closed
        self._agreed = 0  # turns in which ticks agreed with the turn before
        self._last_path, self._last_took = math.nan, math.nan  # the last whole turn, by ticks and by time
        self._start_path = 0.0  # path at the start of the turn under way
        self._turn = self._nominal_us  # length of a revolution as known now: nominal or true time
        self.turn_known = False  # from the belt itself, not from the station file
        self.factor = 1.0  # speed now, against that of turn_us (0: the belt stands)
        self.rev = 0  # completed revolutions
        self.started = False  # travel counts from the first mark (or the first sample without marks)
        self._origin_us = 0.0  # instant and travel from which travel is extrapolated
        self._origin_u = 0.0
        self._knots: list[
            tuple[float, float]
        ] = []  # (time, travel) of this turn: its start and each change of speed
        self._disturbed = False  # speed changed in this turn
        self._loose = False  # travel is uncertain until the next mark
        self._suspect = False  # readings disagree with travel: the next mark will tell
        self._speed_known = True  # turn_us is the speed now
        self._regular = 0  # regular turns running
        self._odd_mark_us: int | None = None
        self._odd_near = False  # it came too soon after a mark to be a turn away from it
        self._mark_rev = 0  # revolutions at the last mark that was believed
        self._dropped: tuple[float, float] | None = None  # time and travel where a turn was dropped
        self._first_us: float | None = None  # interval of the last two marks, as long as no turn is known
        self._grid_us, self._grid_width, self._grid_k = 0.0, 1.0, 0
        self._sums = [0] * self._n
        self._counts = [0] * self._n
        self._buffer = _Buffer(self._n)
        self._turn_start_us = 0
        self._missed = False

    # ------------------------------------------------------------ travel

    def _path(self, time_us: float) -> float:
        """What travel is counted in: time, or the path by ticks."""
        return self.ticks.at(time_us) if self.ticks is not None and self.by_ticks else time_us

    def _paths(self, times_us: Ints) -> Ints | NDArray[np.float64]:
        return self.ticks.over(times_us) if self.ticks is not None and self.by_ticks else times_us

    def _when(self, path: float) -> float:
        return self.ticks.when(path) if self.ticks is not None and self.by_ticks else path

    @property
    def turn_us(self) -> float:
        """Duration of a revolution as known now, at the speed of now (a standing belt: of before), microseconds."""
        if self.ticks is None or not self.by_ticks:
            return self._turn
        return self._turn / max(self.ticks.pace, SLOWEST)

    def know_turn(self, length_us: float) -> None:
        """The length of a revolution was found: in time or, where travel goes by ticks, in their path."""
        self._turn, self.turn_known = length_us, True

    def travel(self, time_us: float) -> float:
        """Belt revolutions travelled at an instant, as known live. NaN before the first mark."""
        if not self.started:
            return math.nan
        return self._origin_u + (self._path(time_us) - self._origin_us) * self.factor / self._turn

    @property
    def travel_now(self) -> float:
        """Travel at the end of the last bin closed, or at the last mark. NaN before the first mark."""
        return self.travel(self._grid_us + self._grid_k * self._grid_width)

    def set_factor(self, time_us: float, factor: float, same_speed: bool = True) -> None:
        """From time_us on (not before the last mark) the belt stands (0) or runs (1).

        Travel is loose until the next mark. same_speed False: it runs, but how fast is not known until
        a whole turn lies between two marks.
        """
        self._rebase(time_us)
        stood = self._buffer.stood
        if factor == 0.0 and not (stood and stood[-1][1] == math.inf):
            stood.append((time_us, math.inf))
        elif factor != 0.0 and stood and stood[-1][1] == math.inf:
            stood[-1] = (stood[-1][0], time_us)
        self.factor = factor
        self._disturbed = True
        self._loose = True
        self._speed_known = self._speed_known and same_speed

    def suspect(self) -> None:
        """Readings say that travel may be wrong: the next mark may come at any time, and tells.

        When it comes where it was due nothing was wrong; otherwise the speed is not known until a whole
        turn lies between two marks.
        """
        self._suspect = True

    def adjust(self, time_us: float, slip_rev: float, faster: float | None) -> None:
        """Correct travel at an instant by slip_rev revolutions and speed by the share `faster`, found by matching."""
        self._rebase(time_us)
        self._origin_u += slip_rev
        self._knots[-1] = (self._origin_us, self._origin_u)
        if faster is not None:
            self.know_turn(self._turn / (1.0 + faster))

    def trust(self) -> None:
        """Without marks: the profile showed that travel is right."""
        self._loose = self._suspect = self._disturbed = False
        self._speed_known = True

    def _rebase(self, time_us: float) -> None:
        u, path = self.travel(time_us), self._path(time_us)
        while len(self._knots) > 1 and self._knots[-1][0] >= path:
            self._knots.pop()
        self._origin_us, self._origin_u = path, u
        self._knots.append((path, u))

    @property
    def turn_start_us(self) -> int:
        """When the turn under way began."""
        return self._turn_start_us

    @property
    def disturbed(self) -> bool:
        """The speed changed within the turn under way, or travel is uncertain until the next mark."""
        return self._disturbed or self._loose

    @property
    def uncertain(self) -> bool:
        """Travel cannot be trusted now: speed or place is not known."""
        return self.disturbed or not self._speed_known

    def fail_ticks(self, time_us: float) -> None:
        """No ticks come though the belt runs: from here on travel goes by time at the pace of late."""
        if self.ticks is None:
            return
        u, pace = self.travel(time_us), self.ticks.usual
        self.ticks.fail()
        self._knots = [*((self._when(path), place) for path, place in self._knots), (time_us, u)]
        self._turn /= pace
        self.by_ticks, self._agreed = False, 0
        self._origin_us, self._origin_u = time_us, u

    def distrust_ticks(self, since_us: float, time_us: float) -> None:
        """Readings say that ticks were wrong since then: from there on travel goes by time, as the turn before did."""
        if self.ticks is None or not self._last_took > 0.0:
            return
        since_us = max(since_us, float(self._turn_start_us))
        u = self.travel(since_us)
        knots = [(self._when(path), place) for path, place in self._knots]
        self._knots = [*(k for k in knots if k[0] < since_us), (since_us, u)]
        self._turn, self.by_ticks, self._agreed = self._last_took, False, 0
        self._origin_us, self._origin_u = since_us, u
        self._rebase(time_us)

    # ------------------------------------------------------------ samples

    def begin(self, time_us: int) -> None:
        """Travel starts here, at a whole revolution."""
        self._count_unseen(time_us)
        self.started, self._mark_rev = True, self.rev
        self._start_turn(time_us)
        self._open_bins(float(time_us))

    def _start_turn(self, time_us: int) -> None:
        path = self._path(float(time_us))
        self._origin_us, self._origin_u = path, float(self.rev)
        self._knots = [(path, float(self.rev))]
        self._turn_start_us = time_us
        if self.ticks is not None:
            self._start_path = self.ticks.at(float(time_us))
            self.ticks.forget(float(time_us))

    def restart(self, placed: bool = True) -> None:
        """The board started anew: the turn under way is dropped, travel starts again with the next mark.

        The revolutions until then count, though none was seen: one at least between two marks, more where the time
        at the last speed says so. placed: travel starts where the profile does (False, without marks: anywhere).
        """
        if self.started and self._dropped is None:
            u, known = self.travel_now, self._speed_known and not self._loose
            seen_us = self._grid_us + self._grid_k * self._grid_width
            self._dropped = (seen_us if known and self.factor > 0.0 else math.inf, u)
        self.started = False
        self._buffer = _Buffer(self._n)
        self._odd_mark_us = None
        self._disturbed = self._missed = self._suspect = False
        self._loose = not placed
        self.factor = 1.0
        self._agreed = 0

    def _count_unseen(self, time_us: int) -> None:
        """Travel starts again: the revolutions since a turn was dropped."""
        if self._dropped is None:
            return
        (since_us, u), self._dropped = self._dropped, None
        took = self._last_took if self._last_took > 0.0 else self._turn
        moved = u - self.rev + max(time_us - since_us, 0.0) / took
        self.rev += max(round(moved), 1 if self._marks else 0)

    def _open_bins(self, time_us: float) -> None:
        self._grid_us, self._grid_width, self._grid_k = time_us, self.turn_us / LIVE_BINS, 0
        self._sums = [0] * self._n
        self._counts = [0] * self._n

    def take(self, time_us: Ints, counts: Ints, good: Bools, lost: Ints) -> Iterator[LiveBin]:
        """Lay samples (all before the next mark) into live bins; yields each bin as soon as it is over.

        time_us, lost (records lost before each): (n,); counts, good: (n, sensors).

        Between two bins the caller may change travel (`set_factor`, `adjust`, `overdue`).
        """
        if not self.started:
            if self._marks or time_us.size == 0:
                if self.ticks is not None and time_us.size:
                    self.ticks.advance(float(time_us[-1]))
                return
            self.begin(int(time_us[0]))
        self._buffer.append(time_us, counts, good, lost)
        index = np.floor((time_us - self._grid_us) / self._grid_width).astype(np.int64)
        edges = np.flatnonzero(np.diff(index)) + 1 if index.size else np.empty(0, np.int64)
        starts = np.concatenate((np.zeros(1, np.int64), edges))
        sums = np.add.reduceat(counts * good, starts, axis=0).tolist() if index.size else []
        seen = np.add.reduceat(good.astype(np.int64), starts, axis=0).tolist() if index.size else []
        for k, part_sums, part_seen in zip(
            index[starts].tolist() if index.size else [], sums, seen, strict=True
        ):
            if k > self._grid_k:
                last, self._grid_k = self._grid_k, k
                end_us = self._grid_us + (last + 1) * self._grid_width
                if self.ticks is not None:
                    self.ticks.advance(end_us)
                made = self._make_bin(self._grid_us + last * self._grid_width, end_us)
                if made is not None:
                    yield made
                if k > last + 1:  # nothing came for a while: the empty bins are one blank bin
                    self._sums, self._counts = [0] * self._n, [0] * self._n
                    blank = self._make_bin(end_us, self._grid_us + k * self._grid_width)
                    if blank is not None:
                        yield blank
                self._sums, self._counts = part_sums, part_seen
                continue
            for s in range(self._n):
                self._sums[s] += part_sums[s]
                self._counts[s] += part_seen[s]

    def _make_bin(self, start_us: float, end_us: float) -> LiveBin | None:
        if end_us <= start_us:
            return None
        reading = tuple(
            [
                (total / count - zero) / per_mm if count else math.nan
                for total, count, zero, per_mm in zip(
                    self._sums, self._counts, self._zero, self._per_mm, strict=True
                )
            ]
        )
        start, end = self._path(start_us), self._path(end_us)
        u_start = self._origin_u + (start - self._origin_us) * self.factor / self._turn
        u_end = self._origin_u + (end - self._origin_us) * self.factor / self._turn
        return LiveBin(int(start_us), int(end_us), u_start, u_end, reading, tuple(self._counts))

    def window(self, u_start: float, end_us: float, cells: int) -> tuple[NDArray[np.float64], Ints]:
        """Readings so far over `cells` stations of the turn under way, from travel u_start on, and their samples.

        (sensors, cells) mm, NaN = not seen. Only samples before end_us.
        """
        time, counts, good, _ = self._buffer.samples()
        knots = [*self._knots, (self._path(end_us), self.travel(end_us))]
        paths, places = [k[0] for k in knots], [k[1] for k in knots]
        start_us = self._when(float(np.interp(u_start, places, paths)))
        inside = slice(int(np.searchsorted(time, start_us)), int(np.searchsorted(time, end_us)))
        u = np.interp(self._paths(time[inside]), paths, places) - u_start
        cell = (u * TURN_BINS).astype(np.int64)
        ok = good[inside] & ((cell >= 0) & (cell < cells))[:, None]
        return self._onto(cell, counts[inside], ok, cells)[:2]

    def _onto(
        self, cell: Ints, counts: Ints, good: Bools, cells: int
    ) -> tuple[NDArray[np.float64], Ints, list[float], list[float]]:
        """Mean reading, mm (NaN = not seen), and samples of each cell, (sensors, cells). cell: of each sample.

        Also the least and the largest reading of each sensor.
        """
        reading, samples = np.full((self._n, cells), np.nan), np.zeros((self._n, cells), np.int64)
        low, high = [math.nan] * self._n, [math.nan] * self._n
        for s, (zero, per_mm) in enumerate(zip(self._zero, self._per_mm, strict=True)):
            ok = np.flatnonzero(good[:, s])
            if not ok.size:
                continue
            place, heard = cell[ok], counts[ok, s]
            samples[s] = np.bincount(place, minlength=cells)
            sums = np.bincount(place, weights=heard, minlength=cells)
            seen = samples[s] > 0
            reading[s, seen] = (sums[seen] / samples[s, seen] - zero) / per_mm
            low[s], high[s] = sorted((int(v) - zero) / per_mm for v in (heard.min(), heard.max()))
        return reading, samples, low, high

    # ------------------------------------------------------------ marks

    def mark(self, time_us: int) -> tuple[list[LiveBin], Turn | None, list[MarkFinding]]:
        """The belt mark passed. All samples before it have been taken (a late M record may find a few after it)."""
        if not self._marks:
            return [], None, []
        if self.ticks is not None:
            self.ticks.advance(float(time_us))
        if not self.started:
            self.begin(time_us)
            return [], None, []
        if self.factor == 0.0:  # a mark cannot pass while the belt stands: it runs again
            self.set_factor(float(time_us), 1.0)
        if not self.turn_known:
            return self._first(time_us)
        u = self.travel(time_us)
        if not self._due(u) and self.by_ticks and self._due(self._travel_by_time(float(time_us))):
            u = self._go_by_time(float(time_us))
        if self._due(u):
            return self._accept(time_us, self._is_late(u))
        return self._odd(time_us)

    def _is_late(self, u: float) -> bool:
        """Is it the mark of the turn that was closed without one?"""
        return self._missed and abs(u - self.rev) <= min(self._tolerance, 0.3)

    def _due(self, u: float) -> bool:
        """May the mark pass at this travel?"""
        return self._is_late(u) or -self._tolerance <= u - self.rev - 1 <= self._patience

    def _travel_by_time(self, time_us: float) -> float:
        """Travel if the belt had run since the last mark as fast as in the turn before. NaN: not known."""
        return self.rev + (time_us - self._turn_start_us) / self._last_took

    def _go_by_time(self, time_us: float) -> float:
        """Ticks were wrong in the turn under way: travel goes by time from its start on. Returns travel now."""
        self.by_ticks, self._agreed, self._turn, self.misled = False, 0, self._last_took, True
        self._origin_us, self._origin_u = float(self._turn_start_us), float(self.rev)
        self._knots = [(self._origin_us, self._origin_u)]
        return self.travel(time_us)

    @property
    def _tolerance(self) -> float:
        """Revolutions that a mark may be away from where it is due."""
        if self._loose or self._suspect or not self._speed_known:
            return LOOSE_TOLERANCE
        return MARK_TOLERANCE if self._regular >= 2 else FIRST_TOLERANCE

    @property
    def _patience(self) -> float:
        """Revolutions after it is due for which a mark is waited for: longer where the speed is not known."""
        tolerance = self._tolerance
        return LOOSE_PATIENCE if tolerance == LOOSE_TOLERANCE else tolerance

    def _first(self, time_us: int) -> tuple[list[LiveBin], Turn | None, list[MarkFinding]]:
        """A mark before any turn is known: only the station file and the interval before can vouch for it."""
        duration = self._path(float(time_us)) - self._knots[0][0]
        nominal = duration / self._nominal_us
        again = self._first_us is not None and abs(duration / self._first_us - 1.0) <= MARK_TOLERANCE
        if nominal < FIRST_LEAST:
            return self._odd(time_us)
        self._first_us = float(duration)
        if not again and abs(nominal - 1.0) > FIRST_TOLERANCE:
            self._disturbed = True  # a slow start, a mark that was missed, or a station file that is wrong
        else:
            self._disturbed = False
        return self._accept(time_us, late=False)

    def _accept(self, time_us: int, late: bool) -> tuple[list[LiveBin], Turn | None, list[MarkFinding]]:
        findings = [MarkFinding(time_us, "")] if self._missed or self._odd_mark_us is not None else []
        self._odd_mark_us = None
        bins: list[LiveBin] = []
        if late:  # the turn was already closed where travel put the missing mark; only travel is put right
            turn = None
        else:
            last = self._make_bin(self._grid_us + self._grid_k * self._grid_width, float(time_us))
            bins = [last] if last is not None and any(n > 0 for n in last.samples) else []
            turn = self._finish(time_us)
        self._start_turn(time_us)
        self._open_bins(float(time_us))
        self._missed = False
        self._loose = self._suspect = False
        self._mark_rev = self.rev
        return bins, turn, findings

    def _odd(self, time_us: int) -> tuple[list[LiveBin], Turn | None, list[MarkFinding]]:
        """A mark out of place: an extra one, unless it and the odd one before it lie one new turn apart.

        One that came right after another mark was passed twice, to and fro or by a mark seen double: how long
        after it the next one comes says nothing of the speed, which stays unknown until a turn lies between two.
        """
        if self._odd_mark_us is not None:
            interval = self._path(float(time_us)) - self._path(float(self._odd_mark_us))
            if 0.4 * self._turn <= interval <= 2.5 * self._turn:
                if self._odd_near:
                    self._speed_known = False
                else:
                    self._turn = interval  # the belt runs at another speed: start anew from here
                    self.rev = max(self.rev, self._mark_rev + 2)
                self.factor = 1.0
                self.begin(time_us)
                self._buffer = _Buffer(self._n)
                self._odd_mark_us = None
                self._disturbed = self._loose = self._missed = self._suspect = False
                return [], None, [MarkFinding(time_us, "")]
        self._odd_mark_us = time_us
        self._odd_near = not self._missed and self.travel(time_us) - self.rev < FIRST_LEAST
        return [], None, [MarkFinding(time_us, "mark-extra")]

    def overdue(self, time_us: int) -> tuple[Turn | None, list[MarkFinding]]:
        """Close the turn where travel says, when its mark did not come (always so without marks)."""
        if not self.started or self.factor <= 0.0:
            return None, []
        u = self.travel(time_us)
        if u < self.rev + 1:
            return None, []
        margin = self._patience if self._marks else 0.0
        if u < self.rev + 1 + margin:
            return None, []
        if self._marks and self.by_ticks and self._travel_by_time(float(time_us)) < self.rev + 1 + margin:
            return None, []  # ticks may come twice
        if self._marks and not self.turn_known:
            return None, []  # nothing but nominal figures to go by: wait for a mark
        instant = self._when(self._origin_us + (self.rev + 1 - self._origin_u) * self._turn / self.factor)
        findings = []
        if self._marks:
            findings = [MarkFinding(int(instant), "mark-missing")]
            self._missed = True
        return self._finish(int(instant), virtual=True), findings

    # ------------------------------------------------------------ turns

    def _finish(self, end_us: int, virtual: bool = False) -> Turn:
        start_us = self._turn_start_us
        ended = not (virtual and self._marks and self.uncertain)
        took, path = float(end_us - start_us), self._tick_path(end_us)
        told = not virtual or not self._marks
        if told and self.ticks is not None:
            self._judge_ticks(took, path)
        duration = path if self.by_ticks else took
        expected = self._turn
        if self._suspect and not virtual and abs(duration / expected - 1.0) > SAME_SPEED:
            self._disturbed, self._speed_known = True, False
        regular = not self.disturbed and (not self.turn_known or abs(duration / expected - 1.0) <= SAME_SPEED)
        self._regular = self._regular + 1 if regular else 0
        knots = self._scaled_knots(end_us)
        turn = self._lay(start_us, end_us, regular, knots, path, ended)
        if not self._disturbed and not virtual:
            self._turn = duration
            self.turn_known = self._speed_known = True
        self._disturbed = False
        self.factor = 1.0 if self.factor > 0.0 else 0.0
        self.rev += 1
        if told:
            self._last_path, self._last_took = path, took
            self._choose(path, took)
        self._start_turn(end_us)
        self._buffer.drop_before(end_us)
        return turn

    def _tick_path(self, end_us: int) -> float:
        """Path of the turn under way by ticks, nominal microseconds; NaN without them."""
        return math.nan if self.ticks is None else self.ticks.at(float(end_us)) - self._start_path

    def _judge_ticks(self, took: float, path: float) -> None:
        """A mark closed the turn: did ticks and marks agree, as in the turn before?"""
        if not (self._last_path > 0.0 and path > 0.0):
            return
        by_ticks, by_time = abs(path / self._last_path - 1.0), abs(took / self._last_took - 1.0)
        for k, change in enumerate((by_ticks, by_time)):
            self._uneven[k] += UNEVEN_WEIGHT * (min(change, SAME_SPEED) ** 2 - self._uneven[k])
        if by_ticks <= TICKS_EVEN or (by_ticks <= TICKS_OFF and self._uneven[0] <= self._uneven[1]):
            self._agreed += 1
            return
        self._agreed = 0
        if self._marks and self.by_ticks and self.turn_known and self.factor > 0.0:
            self._go_by_time(0.0)

    def _choose(self, path: float, took: float) -> None:
        """At a mark: by what does travel go in the turn that begins?"""
        goes = self._agreed >= TICKS_AGREE and (self._turn == took or not (self._marks or self.uncertain))
        if self.ticks is None or self.by_ticks or not goes:
            return
        self.by_ticks, self._turn = True, path

    def _scaled_knots(self, end_us: int) -> list[tuple[float, float]]:
        """Travel of the turn as a polyline that ends at exactly one revolution: the error is shared by what moved."""
        path = self._path(float(end_us))
        knots = [*self._knots, (path, self.travel(float(end_us)))]
        moved = knots[-1][1] - self.rev
        if len(knots) == 2 or moved <= 0.0:
            return [knots[0], (path, float(self.rev + 1))]
        return [(t, self.rev + (u - self.rev) / moved) for t, u in knots]

    def _lay(
        self,
        start_us: int,
        end_us: int,
        regular: bool,
        knots: list[tuple[float, float]],
        path_us: float,
        ended: bool,
    ) -> Turn:
        time, counts, good, lost = self._buffer.samples()
        inside = slice(int(np.searchsorted(time, start_us)), int(np.searchsorted(time, end_us)))
        time, counts, good = time[inside], counts[inside], good[inside]
        u = np.interp(self._paths(time), [k[0] for k in knots], [k[1] for k in knots]) - self.rev
        cell = np.clip((u * TURN_BINS).astype(np.int64), 0, TURN_BINS - 1)
        reading, samples, low, high = self._onto(cell, counts, good, TURN_BINS)
        gone = int(lost[inside].sum())
        ends_mm = tuple(low), tuple(high)
        stood = sum(t1 - t0 for (t0, u0), (t1, u1) in itertools.pairwise(knots) if u1 <= u0)
        return Turn(
            self.rev + 1, start_us, end_us, regular, reading, samples, *ends_mm, gone, path_us, stood, ended
        )

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
