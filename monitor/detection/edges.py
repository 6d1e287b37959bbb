"""Both edges of one pulley watched: did the belt move, did its width change, or is one edge not to be believed?

Model. With camber taken out, and y positive to the right as everywhere (monitor/records.py), a bin shows

    left = x + a - w/2 + noise_l        right = x + b + w/2 + noise_r

x: where the whole belt is (level, walk, wander, a bent section: both edges go alike); w: how much wider
the belt is than when its camber was learnt; a, b: what one edge alone does (damage of that edge, or a
sensor that moved). right - left is free of x, so the belt's walk and wander cannot hide in it.

Weights. While the difference agrees with w, x is the best linear unbiased estimate, each edge weighted by
the inverse variance that its own noise and roughness give; its variance is 1/(1/v_l + 1/v_r), and the
uncertainty of w enters by as much as the weights differ. w itself is a slow random walk, followed by a
Kalman filter in belt travel. Where the difference leaves w by more than GATE of its standard deviations,
three causes are tried against the line that the whole belt follows (v_x, its prediction variance): the
left edge alone (then the right one lies on the line), the right edge alone, or both apart (then their
mean does). Their chi-squares are summed over the run of such bins and the least one is taken: the edge to
blame is left out, bin by bin. An edge that is silent, clipped or stuck is not seen at all (NaN) and the
other one speaks for the belt, w taken into account.

Lasting. A run longer than LASTING_REV is no section. If it came at once, the sensor to blame was knocked
aside (or that edge has folded over) and starts from its new place; if it grew, the belt's width changed and
both start from theirs: a sensor that moves slowly cannot be told from that, except at the other pulley.

By place. The difference is watched like a section (same place, same side, two revolutions running).
A section that both sensors see is one section: it is told once.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..records import Side
from .sections import SectionFinding, SectionWatch

Cause = Literal["left", "right", "apart"]
Kind = Literal["bend", "left", "right", "apart", ""]
GATE = 4.5  # standard deviations of the difference beyond which its two edges disagree
WIDTH_MM_PER_SQRT_REV = (
    0.04  # how fast the width may wander: it hardly does, but has to be followed when it does
)
FIRST_WIDTH_SE_MM = 0.05  # how well the first turns tell the levels of the two edges against each other
LASTING_REV = 0.45  # a disagreement over more belt than this is not one of a section
SUDDEN_BINS, SUDDEN_SHARE = (
    6,
    0.6,
)  # a sensor is knocked aside at once: this share is there within so many bins
COMING_BACK = 0.5  # ... unless it is on its way back, at less than this share of its greatest
CLEAR_SHARE = 0.6  # share of width_mm under which a width change is over
QUIET = 5.0  # width_mm must be this many standard deviations of a bin's difference for places to be judged
HISTORY_BINS = 256  # bins kept to tell what a passage was: two revolutions
SOUND_MM = 0.12  # what the zero of an edge may wander without being believed to have moved
ALIKE = 0.5  # share of one edge's departure that the other must show for both to be one movement


@dataclass(frozen=True, slots=True)
class EdgeFinding:
    """name: edge-damage (by place), width-change (by place, or everywhere: no places), edge-shift.

    cause: the edge, or apart. size_mm: of that edge's departure, or of the width's (wider is positive).
    u_start, u_end: travel of its ends at the last passage, NaN where it is everywhere.
    """

    name: Literal["edge-damage", "width-change", "edge-shift"]
    active: bool
    cause: Cause
    size_mm: float
    u_start: float = math.nan
    u_end: float = math.nan


@dataclass(frozen=True, slots=True)
class PairReading:
    """Whole-belt reading of a bin, mm, with its noise variance (NaN: neither edge seen).

    moved_mm: what the zero of the (left, right) edge moved by, to be taken off from now on.
    """

    reading_mm: float
    noise_mm2: float
    moved_mm: tuple[float, float] = (0.0, 0.0)
    found: tuple[EdgeFinding, ...] = ()


class _Bin(NamedTuple):
    """One live bin: travel, both readings, their noise variances, and the line with its variance; mm, mm2."""

    u_start: float
    u_end: float
    left: float
    right: float
    noise: tuple[float, float]
    line: float
    line_noise: float


@dataclass(slots=True)
class _Run:
    """Bins running whose two edges disagree: summed chi-squares of the three causes, and what was seen."""

    u_start: float
    chi2: dict[Cause, float]
    bins: list[tuple[float, float, float]]  # (left, right) off the line, and their difference
    before_mm: float  # the difference in the bins before it
    u_end: float = 0.0

    @property
    def cause(self) -> Cause:
        return min(self.chi2, key=lambda c: self.chi2[c])


class EdgePair:
    """The two edges of one pulley, bin by bin. Readings with camber and zero taken out, mm."""

    def __init__(self, width_limit_mm: float, length_mm: float) -> None:
        self._limit = width_limit_mm
        self._places = SectionWatch(width_limit_mm, length_mm)
        self.width_mm = 0.0  # wider than when the camber was learnt
        self._p = FIRST_WIDTH_SE_MM**2
        self._wider = False
        self._zero = (0.0, 0.0)
        self._trace: deque[tuple[float, float, float]] = deque(maxlen=2 * HISTORY_BINS)
        self._run: _Run | None = None
        self._seen: deque[tuple[float, float, float, float]] = deque(maxlen=HISTORY_BINS)
        self._damaged: list[EdgeFinding] = []
        self._sections: list[_Shared] = []

    def start(self) -> None:
        """The camber was learnt anew: the belt is as wide as it is now."""
        self._zero = (0.0, 0.0)
        self._trace.clear()
        self.width_mm, self._p, self._wider = 0.0, FIRST_WIDTH_SE_MM**2, False
        self.forget()

    def forget(self) -> None:
        """Travel is no longer certain: what is under way is dropped, what was found stays."""
        self._run = None
        self._places.forget()

    # ------------------------------------------------------------ bins

    def step(
        self,
        u_start: float,
        u_end: float,
        left_mm: float,
        right_mm: float,
        noise_mm2: tuple[float, float],
        line_mm: float,
        line_mm2: float,
    ) -> PairReading:
        """One live bin. NaN: that edge is not seen, or (line) no line is known yet.

        noise_mm2: variance of the (left, right) reading. line_mm, line_mm2: where the whole belt's line
        runs, before this bin, and the variance of that.
        """
        told = self._weigh(_Bin(u_start, u_end, left_mm, right_mm, noise_mm2, line_mm, line_mm2))
        self._trace.append((u_end, *self._zero))
        return told

    def _weigh(self, b: _Bin) -> PairReading:
        self._p += WIDTH_MM_PER_SQRT_REV**2 * max(b.u_end - b.u_start, 0.0)
        sees_left, sees_right = b.left == b.left, b.right == b.right
        if not (sees_left and sees_right):
            self._run = None
            spread = 0.25 * self._p
            if sees_left:
                return PairReading(b.left, b.noise[0] + spread)
            if sees_right:
                return PairReading(b.right, b.noise[1] + spread)
            return PairReading(math.nan, math.nan)
        difference = b.right - b.left
        variance = b.noise[0] + b.noise[1] + self._p
        if b.line == b.line:
            self._seen.append((b.u_start, b.u_end, b.left - b.line, b.right - b.line))
        found = self._place(b.u_start, b.u_end, difference, variance)
        if abs(difference) <= GATE * math.sqrt(variance) or b.line != b.line:
            self._run = None
            reading, noise = self._both(b.left, b.right, b.noise)
            moved = self._widen(self._p / variance * difference)
            self._p *= 1.0 - self._p / variance
            return PairReading(reading, noise, moved, (*found, *self._judge_width()))
        return self._disagree(b, found)

    def _both(self, left_mm: float, right_mm: float, noise_mm2: tuple[float, float]) -> tuple[float, float]:
        """Best linear unbiased estimate of the whole belt's place, and its variance."""
        weight_l, weight_r = 1.0 / noise_mm2[0], 1.0 / noise_mm2[1]
        total = weight_l + weight_r
        uneven = (weight_l - weight_r) / total
        return (weight_l * left_mm + weight_r * right_mm) / total, 1.0 / total + 0.25 * uneven**2 * self._p

    def _widen(self, change_mm: float) -> tuple[float, float]:
        self.width_mm += change_mm
        return self._move(-0.5 * change_mm, 0.5 * change_mm)

    def _disagree(self, b: _Bin, found: list[EdgeFinding]) -> PairReading:
        off_l, off_r = b.left - b.line, b.right - b.line
        if self._run is None:
            before = [r - le for _, _, le, r in list(self._seen)[-1 - SUDDEN_BINS : -1]]
            mean = sum(before) / len(before) if before else 0.0
            self._run = _Run(b.u_start, {"left": 0.0, "right": 0.0, "apart": 0.0}, [], mean)
        run = self._run
        vl, vr = b.noise
        run.chi2["left"] += off_r**2 / (vr + b.line_noise)
        run.chi2["right"] += off_l**2 / (vl + b.line_noise)
        run.chi2["apart"] += (0.5 * (off_l + off_r)) ** 2 / (0.25 * (vl + vr) + b.line_noise)
        run.bins.append((off_l, off_r, b.right - b.left))
        run.u_end = b.u_end
        cause = run.cause
        spread = 0.25 * self._p
        if cause == "left":
            reading, noise = b.right, vr + spread
        elif cause == "right":
            reading, noise = b.left, vl + spread
        else:
            reading, noise = 0.5 * (b.left + b.right), 0.25 * (vl + vr)
        moved = (0.0, 0.0)
        if self._lasts(run):
            moved, lasting = self._re_zero(run)
            found = [*found, *lasting, *self._judge_width()]
        return PairReading(reading, noise, moved, tuple(found))

    def _lasts(self, run: _Run) -> bool:
        if run.u_end - run.u_start < LASTING_REV:
            return False
        return abs(run.bins[-1][2]) >= COMING_BACK * max(abs(b[2]) for b in run.bins)

    def _re_zero(self, run: _Run) -> tuple[tuple[float, float], list[EdgeFinding]]:
        """The disagreement is there to stay: go on from the new place of the edge, or from the new width."""
        self._run = None
        late = run.bins[len(run.bins) // 2 :]
        size = sum(b[2] for b in late) / len(late)
        rise = run.bins[min(SUDDEN_BINS, len(run.bins)) - 1][2] - run.before_mm
        sudden = rise * size >= SUDDEN_SHARE * size * size
        cause = run.cause if sudden else "apart"
        self._p += (0.1 * size) ** 2
        if cause == "apart":
            for k, b in enumerate(reversed(run.bins[:-1]), 1):
                u, le, ri = self._trace[-k]
                self._trace[-k] = (u, le - 0.5 * b[2], ri + 0.5 * b[2])
            return self._widen(size), []
        left, right = (-size, 0.0) if cause == "left" else (0.0, size)
        for i, (u, le, ri) in enumerate(self._trace):
            if u > run.u_start + 1e-9:
                self._trace[i] = (u, le + left, ri + right)
        return self._move(left, right), [EdgeFinding("edge-shift", True, cause, left + right)]

    def moved_mm(self, edge: Side, u: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """What moved this edge's reading since `start`, at travel u (within the last two revolutions), mm.

        None where it is not told from nothing: less than SOUND_MM all along.
        """
        if not self._trace:
            return None
        trace = np.array(self._trace)
        at = np.clip(np.searchsorted(trace[:, 0], u), 0, trace.shape[0] - 1)
        moved: NDArray[np.float64] = trace[at, 1 if edge == "left" else 2]
        return moved if float(np.abs(moved).max()) >= SOUND_MM else None

    def _move(self, left_mm: float, right_mm: float) -> tuple[float, float]:
        """Both edges' zeros move from here on."""
        self._zero = (self._zero[0] + left_mm, self._zero[1] + right_mm)
        return left_mm, right_mm

    # ------------------------------------------------------------ width and damage

    def _judge_width(self) -> list[EdgeFinding]:
        """Is the whole belt wider or narrower by more than its limit, at 1.645 standard errors?"""
        least = abs(self.width_mm) - 1.645 * math.sqrt(self._p)
        if not self._wider and least >= self._limit:
            self._wider = True
        elif self._wider and abs(self.width_mm) < CLEAR_SHARE * self._limit:
            self._wider = False
        else:
            return []
        return [EdgeFinding("width-change", self._wider, "apart", self.width_mm)]

    def _place(self, u_start: float, u_end: float, difference: float, variance: float) -> list[EdgeFinding]:
        """Damage and width by place. Not judged while the readings are too rough for it."""
        judged = difference if QUIET * math.sqrt(variance) < self._limit else math.nan
        found = []
        for f in self._places.step(u_start, u_end, judged, variance):
            if f.name == "section-begins":
                now = self._what(f)
                if now is not None:
                    self._damaged.append(now)
                    found.append(now)
                continue
            for old in [d for d in self._damaged if _near(d.u_start, d.u_end, f)]:
                self._damaged.remove(old)
                found.append(replace(old, active=False))
        return found

    def _what(self, f: SectionFinding) -> EdgeFinding | None:
        """What departs over that stretch of belt, by the means of both edges."""
        bins = self._over(f.u_start, f.u_end)
        if not bins:
            return None
        left, right = sum(b[0] for b in bins) / len(bins), sum(b[1] for b in bins) / len(bins)
        cause = _cause_of(left, right)
        size = -f.peak_mm if cause == "left" else f.peak_mm
        name: Literal["edge-damage", "width-change"] = "width-change" if cause == "apart" else "edge-damage"
        return EdgeFinding(name, True, cause, size, f.u_start, f.u_end)

    def _over(self, u_start: float, u_end: float) -> list[tuple[float, float]]:
        return [(le, ri) for a, b, le, ri in self._seen if b > u_start + 1e-9 and a < u_end - 1e-9]

    # ------------------------------------------------------------ sections seen by both sensors

    def section(self, edge: Side, f: SectionFinding) -> tuple[str, Kind] | None:
        """Whose section is it? (the edge in whose name it is to be told, what it is); None: it is told already.

        Every finding of either edge's SectionWatch goes through here, in order.
        """
        if f.name == "section-begins":
            kind = self._kind(edge, f)
            for shared in self._sections:
                if (
                    kind in ("bend", "apart")
                    and edge not in shared.edges
                    and _near(shared.u_start, shared.u_end, f)
                ):
                    shared.edges.append(edge)
                    return None
            self._sections.append(_Shared(f.u_start, f.u_end, edge, [edge], kind))
            return edge, kind
        for shared in self._sections:
            if edge in shared.edges and _near(shared.u_start, shared.u_end, f):
                shared.edges.remove(edge)
                if shared.edges:
                    return None
                self._sections.remove(shared)
                return shared.teller, shared.kind
        return edge, ""

    def _kind(self, edge: str, f: SectionFinding) -> Kind:
        bins = self._over(f.u_start, f.u_end)
        mine, other = (0, 1) if edge == "left" else (1, 0)
        power = sum(b[mine] ** 2 for b in bins)
        if power <= 0.0:
            return ""
        share = sum(b[mine] * b[other] for b in bins) / power
        if share > ALIKE:
            return "bend"
        if share < -ALIKE:
            return "apart"
        return "left" if edge == "left" else "right"

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


@dataclass(slots=True)
class _Shared:
    """A section that was told, in the name of one edge, and the edges that see it."""

    u_start: float
    u_end: float
    teller: Side
    edges: list[str]
    kind: Kind


def _near(u_start: float, u_end: float, f: SectionFinding) -> bool:
    """The same place on the belt, whole turns apart: the two stretches overlap, or nearly."""
    away = (0.5 * (u_start + u_end) - 0.5 * (f.u_start + f.u_end) + 0.5) % 1.0 - 0.5
    return abs(away) <= 0.5 * (u_end - u_start + f.u_end - f.u_start) + 0.01


def _cause_of(left_mm: float, right_mm: float) -> Cause:
    """Which of (left, 0), (0, right), (-w/2, w/2) the two departures lie nearest to."""
    if abs(left_mm) < ALIKE * abs(right_mm):
        return "right"
    if abs(right_mm) < ALIKE * abs(left_mm):
        return "left"
    if left_mm * right_mm < 0.0:
        return "apart"
    return "left" if abs(left_mm) > abs(right_mm) else "right"
