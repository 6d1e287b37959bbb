"""Does the whole belt walk? A sequential test for one pulley, with a designed rate of false alarms.

What is left of an edge reading when camber is taken out is a straight line in belt travel (level
and walk of the whole belt), an Ornstein-Uhlenbeck wander that every belt has, and white noise.
The line runs through a Kalman filter (`numerics.wander`); while the line holds, its innovations
are white with unit variance. A walk that begins `a` bins ago leaves a known signature s(a) in them,
so the generalised likelihood ratio over onset and rate needs two sums for each onset (`onsets`):
A = sum(z s), B = sum(s^2), log ratio = w A - w^2 B / 2, maximised over w (Willsky and Jones 1976).
Over onsets the likelihoods are averaged, not maximised (Shiryaev 1963, Roberts 1966): a walk makes
many onsets likely, chance but a few, and so a walk is told sooner at the same rate of false alarms.
Rates are bounded to what a belt can do; the null hypothesis is not "no walk" but "a walk below
NIL_SHARE of what is worth an alarm", so a slow creep is not called drift because it lasts long.

A section of the belt moves alone: its readings leave the line by many standard deviations within a
few bins and come back before a section's length is over. Such bins are gated out, and no onset
younger than about a section's length is believed. While bins are out, line and sums go on apart as if
they were the whole belt: on a calm belt a walk is as many standard deviations off as a section, but a
line explains it (every bin in full) and a section's rise it does not. What stays out longer than a section can be is
the whole belt that jumped: the line starts anew there.

A walk is over when it is above the limit with a probability of STILL_WALKS at most. A line just begun, after a walk
that broke off, is a mixture beforehand: steady (STEADY_ODDS), or of any slope.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..numerics.wander import LineFilter, LineFit, fit_line
from ..numerics.wander_posterior import WanderPosterior
from .onsets import Kept, OnsetSums

AGES = 96  # onsets looked at, bins: 1.5 revolutions
GATE = 4.0  # innovations beyond this many standard deviations are a section, not the belt
LOG_RATIO_RAISE = 5.6  # log likelihood ratio that raises; DEVELOPERS.md has the false alarms that go with it
MAY_RAISE = 2.0 * LOG_RATIO_RAISE * (1.0 - 1e-9)  # A^2 / B, half of which no log ratio exceeds
NIL_SHARE = 0.3  # of drift_mm_per_rev: a walk below that is no walk, however long it lasts
PROVING_SIGMAS = 5.0  # a new line is a walk when it is this far above half the limit
LOG_RATIO_KINK = 6.0  # the same for a change of a walk under way
USUAL = 4.0  # times drift_mm_per_rev: spread of the rates expected of a walk (a normal prior)
FASTEST = 8.0  # times drift_mm_per_rev: no walk faster than this is looked for bin by bin
SECTION_MM = (
    1700.0  # a section is seldom longer; an onset must be older than this much belt (within AGE_LIMITS)
)
AGE_LIMITS_REV = (0.12, 0.25)
LINE_FITS = 1.5  # mean squared innovation up to which a line explains what is out
NO_LINE = 3.0  # mean squared innovation from which a line explains nothing
USUAL_NOISE_MM2 = 0.05**2  # of a step, before any was seen
STILL_WALKS = 0.08  # a walk is over when it is above the limit with no more than this probability
STEADY_ODDS = 0.5  # a line just begun is steady as against walks, beforehand
LOG_RATIO_ENDED = 4.0  # the same for a walk that ended: a likely thing, after some revolutions of it
OUTLIER_CHI2 = 9.0  # a squared innovation counts no more than this toward the misfit of a line
RETURN_GATE = 2.0  # after a section, readings count again from this many standard deviations on
LONGEST_SECTION_MM = (
    2600.0  # readings that stay out for longer than this are the whole belt (within RUN_LIMITS)
)
RUN_LIMITS_REV = (0.18, 0.35)
REFRESH = 8  # steps after which a line that walks gets a new signature of a change
LEAD_LIMIT = 16  # ... unless nothing was heard for so many steps just before it
LEAD_BINS = 3  # steps before a section that are left out with it: its soft beginning
COMING_BACK = 0.6  # share of the peak below which a departure is on its way back and gets half as long again
MEMORY_TURNS = 40.0  # turns over which the wander learnt forgets
PRIOR_WANDER_LENGTH_MM = (
    6500.0  # travel over which a belt's wander decays to 1/e (common practice, no source)
)
Q_LEVEL = 0.03**2  # mm2/rev: slow change of a steady level
STEADY_SLOPE_SE = 0.08  # mm/rev: creep of a belt that counts as steady
KINK_SLOPE_SE = 4.0  # times drift_mm_per_rev: prior spread of a walk just found

State = Literal["steady", "drifting", "proving", "settling"]


@dataclass(frozen=True, slots=True)
class Passage:
    """A section that departed from the line, over: travel of its ends, largest departure (mm) and where."""

    u_start: float
    u_end: float
    u_peak: float
    peak_mm: float


@dataclass(frozen=True, slots=True)
class WalkFinding:
    """walk-begins, walk-ends or jump, with the walk (mm/rev) and the travel of the onset."""

    name: Literal["walk-begins", "walk-ends", "jump"]
    u_onset: float
    walk_mm_per_rev: float


class _Point(NamedTuple):
    u: float
    du: float
    r: float
    noise: float


class WalkEstimator:
    """Level, walk and wander of the whole belt at one pulley, bin by bin."""

    def __init__(self, drift_mm_per_rev: float, length_mm: float, bins_per_rev: int) -> None:
        self._w1 = drift_mm_per_rev
        self._w0 = NIL_SHARE * drift_mm_per_rev
        self._wmax = FASTEST * drift_mm_per_rev
        self._usual = 1.0 / (USUAL * drift_mm_per_rev) ** 2
        self._bins = bins_per_rev
        self._age_min = round(
            bins_per_rev * min(max(SECTION_MM / length_mm, AGE_LIMITS_REV[0]), AGE_LIMITS_REV[1])
        )
        self._run_max = bins_per_rev * min(
            max(LONGEST_SECTION_MM / length_mm, RUN_LIMITS_REV[0]), RUN_LIMITS_REV[1]
        )
        self._wander = WanderPosterior(length_mm / PRIOR_WANDER_LENGTH_MM, bins_per_rev, MEMORY_TURNS)
        self.s2_mm2, self.kappa_per_rev = self._wander.estimate()
        self.state: State = "proving"
        self.filter: LineFilter | None = None
        self.u_segment = 0.0  # travel where the present line begins
        self.segments: deque[tuple[float, float]] = deque(
            maxlen=32
        )  # (travel, walk) of lines, for the path of a turn
        self._points: deque[_Point] = deque(maxlen=4 * bins_per_rev + 8)
        self._onsets = OnsetSums(AGES)
        self._before: deque[tuple[tuple[float, ...], Kept, int]] = deque(maxlen=LEAD_BINS)
        self._steps = 0  # bins seen so far
        self._tail = 0  # bins after a section that are still left out
        self._misfit = [
            0.0,
            0.0,
            0.0,
        ]  # sum of squared innovations since the line began, their number, and bins left out of it
        self._run: list[
            tuple[float, float, float, float]
        ] = []  # gated bins under way: u_start, u_end, departure, r
        self._shadow: tuple[LineFilter, OnsetSums]  # line and sums during a run, as if it were the whole belt
        self._settle_until = math.nan
        self.onset_u = math.nan
        self._evidence = 0.0  # best log ratio, as last looked for
        self._unseen = False  # it was not looked for as of the last bin, since nothing could be shown
        self._most = 0.0  # A^2 / (B + usual) of no onset is more than this

    # ------------------------------------------------------------ start and restart of the line

    def start(self, u: float, points: list[tuple[float, float, float, float]], slope_se: float) -> None:
        """Begin a line at travel u from (u_end, du, r, noise variance) points seen; slope prior 0 +- slope_se."""
        self._points.clear()
        for p in points:
            self._points.append(_Point(*p))
        self._begin(u, slope_se, "proving")

    def _begin(self, u: float, slope_se: float, state: State) -> None:
        """A new line from travel u on, through the points kept since then."""
        f, misfit = self._line(u, slope_se)
        self.filter = f
        self._misfit = misfit
        self.state = state
        self.u_segment = u
        self._slope_se = slope_se
        while self.segments and self.segments[-1][0] >= u:
            self.segments.pop()
        self.segments.append((u, f.w if f is not None else 0.0))
        self._forget_ages()

    def _line(
        self, u: float, slope_se: float, held: dict[float, float] | None = None
    ) -> tuple[LineFilter | None, list[float]]:
        """A line through the points since travel u, and its misfit. Outliers do not count in full.

        held: readings, by travel, that were left out; with them all count in full.
        """
        strict, held = held is not None, held or {}
        f: LineFilter | None = None
        chi2, count, out = 0.0, 0.0, 0.0
        for p in self._points:
            if p.u <= u:
                continue
            r = held.get(p.u, p.r)
            if f is None:
                if r == r:
                    f = LineFilter(
                        r,
                        0.0,
                        0.0,
                        4.0 * self.s2_mm2 + p.noise + 0.25,
                        0.0,
                        0.0,
                        slope_se**2,
                        0.0,
                        self.s2_mm2,
                    )
                    expected, variance = f.expect(p.noise)
                    f.update(r - expected, variance)
                continue
            f.predict(p.du, self.s2_mm2, self.kappa_per_rev, Q_LEVEL, 0.0)
            out += r != r
            if r == r:
                expected, variance = f.expect(p.noise)
                count += 1.0
                surprise = (r - expected) ** 2 / variance
                chi2 += surprise if strict else min(surprise, OUTLIER_CHI2)
                if strict or surprise <= GATE * GATE:
                    f.update(r - expected, variance)
        return f, [chi2, count, out]

    def _forget_ages(self) -> None:
        self._onsets.clear()
        self._run = []
        self._before.clear()
        self._tail = 0
        self._evidence, self._unseen, self._most = 0.0, False, 0.0
        self._sign_ramp()

    def _sign_ramp(self) -> None:
        """The signature that a walk of 1 mm/rev, beginning now, will leave in the innovations."""
        if self.filter is None:
            return
        noise = next((p.noise for p in reversed(self._points) if p.noise == p.noise), USUAL_NOISE_MM2)
        self._onsets.sign(
            self.filter.ramp(AGES, 1.0 / self._bins, self.s2_mm2, self.kappa_per_rev, Q_LEVEL, noise)
        )

    def settle(self, u: float, until_u: float) -> None:
        """A move was logged at travel u: the belt answers until until_u, and no walk is called drift meanwhile."""
        if self._unseen:
            self._look()
        self._settle_until = until_u
        self.state = "settling"
        self.u_segment = u
        self._run = []

    # ------------------------------------------------------------ bins

    def step(
        self, u_start: float, u_end: float, reading_mm: float, noise_mm2: float
    ) -> list[WalkFinding | Passage]:
        """One live bin: reading with camber taken out (NaN = not seen) and its noise variance."""
        du = u_end - u_start
        if du <= 0.0:
            return []
        self._points.append(_Point(u_end, du, reading_mm, noise_mm2))
        self._steps += 1
        if self.filter is None:
            if reading_mm == reading_mm:
                self._begin(u_start, KINK_SLOPE_SE * self._w1, self.state)
            return []
        if self.state == "settling":
            return self._follow(u_end, du, reading_mm, noise_mm2)
        f = self.filter
        f.predict(du, self.s2_mm2, self.kappa_per_rev, Q_LEVEL, 0.0)
        expected, variance = f.expect(noise_mm2)
        innovation = reading_mm - expected
        se = math.sqrt(variance)
        if reading_mm == reading_mm:
            self._misfit[0] += min(innovation * innovation / variance, OUTLIER_CHI2)
            self._misfit[1] += 1.0
        gate = RETURN_GATE if self._run else GATE
        if reading_mm != reading_mm or abs(innovation) > gate * se:
            turned = self._gated(u_start, innovation)
            return self._decide(u_end) if turned is None else turned
        if self._run or self._tail > 0:
            found: list[WalkFinding | Passage] = [self._passage()] if self._run else []
            self._tail -= 1
            self._points[-1] = _Point(u_end, du, math.nan, noise_mm2)
            self._onsets.add(math.nan)
            return found + self._decide(u_end)
        self._before.append((f.figures(), self._onsets.copy(), self._steps))
        f.update(innovation, variance)
        z = innovation / se
        self._onsets.add(z)
        self._most += z * z
        return self._decide(u_end)

    def _gated(self, u_start: float, innovation: float) -> list[WalkFinding | Passage] | None:
        """The last bin is out, or was not seen. Returns what it shows, if the line went another way there."""
        f = self.filter
        assert f is not None
        u_end, du, reading_mm, noise_mm2 = self._points[-1]
        self._shade(f, du, reading_mm, noise_mm2)
        if reading_mm == reading_mm:
            if self._unseen:
                self._look()
            self._run.append((u_start, u_end, innovation, reading_mm))
            if self._stays_out():
                return self._jump()
            turned = self._walks_out()
            if turned is not None:
                return turned
            self._points[-1] = _Point(u_end, du, math.nan, noise_mm2)
        self._onsets.add(math.nan)
        if len(self._run) == 2:
            self._step_back()
        return None

    def _step_back(self) -> None:
        """A section begins softly: take back what its first bins, not yet told from the line, did to it."""
        if len(self._before) < LEAD_BINS:
            return
        figures, sums, step = self._before[0]
        self._before.clear()
        f = LineFilter(*figures)
        lost = self._steps - step + 1
        if lost > LEAD_LIMIT:
            return
        for i in range(1, lost + 1):
            p = self._points[-i]
            if i < lost:  # the copy already stands at its own bin's end
                f.predict(p.du, self.s2_mm2, self.kappa_per_rev, Q_LEVEL, 0.0)
            self._points[-i] = _Point(p.u, p.du, math.nan, p.noise)
        self.filter = f
        self._onsets.go_back(sums, lost)
        self._most = math.inf

    def _follow(
        self, u_end: float, du: float, reading_mm: float, noise_mm2: float
    ) -> list[WalkFinding | Passage]:
        """While a logged move is answered the level is free; afterwards the line starts anew."""
        f = self.filter
        assert f is not None
        f.predict(du, self.s2_mm2, self.kappa_per_rev, 9.0, 0.0)
        expected, variance = f.expect(noise_mm2)
        if reading_mm == reading_mm and abs(reading_mm - expected) <= 6.0 * math.sqrt(variance):
            f.update(reading_mm - expected, variance)
        if u_end >= self._settle_until:
            self._settle_until = math.nan
            self._begin(u_end - 1.0, KINK_SLOPE_SE * self._w1, "proving")
        return []

    def _stays_out(self) -> bool:
        """Out for longer than a section of the belt can be, and not on the way back."""
        run = self._run
        if len(run) <= self._run_max:
            return False
        back = abs(run[-1][2]) < COMING_BACK * max(abs(b[2]) for b in run)
        return not back or len(run) > 1.5 * self._run_max

    def _passage(self) -> Passage:
        run, self._run = self._run, []
        if len(run) >= 2:
            self._tail = max(1, len(run) // 4)
        peak = max(run, key=lambda b: abs(b[2]))
        return Passage(run[0][0], run[-1][1], 0.5 * (peak[0] + peak[1]), peak[2])

    def _shade(self, f: LineFilter, du: float, reading_mm: float, noise_mm2: float) -> None:
        """Go on with the line, and the sums of onsets, as if what is out were the whole belt."""
        if self._run:
            shadow, sums = self._shadow
            shadow.predict(du, self.s2_mm2, self.kappa_per_rev, Q_LEVEL, 0.0)
        elif reading_mm == reading_mm:
            shadow, sums = self._shadow = (f.copy(), self._onsets.apart())
        else:
            return
        expected, variance = shadow.expect(noise_mm2)
        sums.add((reading_mm - expected) / math.sqrt(variance))
        if reading_mm == reading_mm:
            shadow.update(reading_mm - expected, variance)

    def _walks_out(self) -> list[WalkFinding | Passage] | None:
        """Is what is out the whole belt that walks? Not when it is on its way back, nor where no line explains it.

        An onset is older than the rise of a section takes, which bends over before that.
        """
        run = self._run
        if self.state not in ("steady", "drifting") or len(run) % 2:
            return None
        if abs(run[-1][2]) < COMING_BACK * max(abs(b[2]) for b in run):
            return None
        _, sums = self._shadow
        _, age = self._onset_age(sums)
        if age is None:
            return None
        out = {b[1]: b[3] for b in run}
        line, (chi2, count, _) = self._line(self._onset(age), KINK_SLOPE_SE * self._w1, out)
        if line is None or chi2 > LINE_FITS * count or (self.state == "steady" and abs(line.w) < self._w1):
            return None
        self._put_back(out)
        return self._turn_to(age)

    def _put_back(self, out: dict[float, float]) -> None:
        """Readings that were left out, by travel, count after all."""
        self._points = deque(
            (_Point(p.u, p.du, out.get(p.u, p.r), p.noise) for p in self._points), maxlen=self._points.maxlen
        )

    def _jump(self) -> list[WalkFinding | Passage]:
        """Out for longer than any section: the whole belt moved, suddenly."""
        u = self._run[0][0]
        self._put_back({b[1]: b[3] for b in self._run})
        self._begin(u, 4.0 * KINK_SLOPE_SE * self._w1, "proving")
        return [WalkFinding("jump", u, self.walk.slope_mm_per_rev)]

    def _decide(self, u_end: float) -> list[WalkFinding | Passage]:
        f = self.filter
        assert f is not None
        if self.state == "proving":
            return self._prove(u_end)
        if self._run:
            return []
        if self.state == "drifting" and self._steps % REFRESH == 0:  # the line is known better and better
            self._sign_ramp()
        if self.state == "steady" and not self._may_raise():
            self._unseen = True
            return []
        age = self._look()
        if age is not None:
            return self._turn_to(age)
        if self.state == "drifting":
            self.segments[-1] = (self.segments[-1][0], f.w)
            return self._rest(u_end)
        return []

    def _may_raise(self) -> bool:
        """Could an onset of a steady line be shown? Asks the sums only where it cannot be ruled out without them.

        An innovation z raises A^2 / (B + usual) of an onset, old or new, by z^2 at most (Cauchy and Schwarz).
        """
        if self._most >= MAY_RAISE:
            a, b = self._onsets.since(0)
            self._most = float((a * a / (b + self._usual)).max(initial=0.0))
        return self._most >= MAY_RAISE

    def _look(self) -> int | None:
        """Look for an onset as of the last bin. Returns its age where it is shown."""
        self._unseen = False
        self._evidence, age = self._onset_age(self._onsets)
        return age

    @property
    def evidence(self) -> float:
        """Best log ratio as of the last bin that was no section's."""
        if self._unseen:
            self._look()
        return self._evidence

    def _onset_age(self, sums: OnsetSums) -> tuple[float, int | None]:
        """The best log ratio of a walk (or of a change of one) over all onsets, and its age where it is shown."""
        if sums.known <= self._age_min:
            return 0.0, None
        a, b = sums.since(self._age_min)
        if self.state == "steady":
            size, weight = np.abs(a), b + self._usual
            rate = size / weight
            if rate.max() < self._w1:
                return 0.0, None
            rate = np.minimum(rate, self._wmax)
            null = np.minimum(rate, self._w0)
            gain = rate * size - 0.5 * rate**2 * weight - (null * size - 0.5 * null**2 * b)
            ratio = np.where(rate >= self._w1, gain, 0.0)
            raised = LOG_RATIO_RAISE
        else:
            ratio = 0.5 * a * a / np.maximum(b, 1e-12)
            if ratio.max() >= LOG_RATIO_KINK:
                return float(ratio.max()), int(ratio.argmax()) + self._age_min
            ratio, raised = self._ended(a, b), LOG_RATIO_ENDED
        best = int(ratio.argmax())
        evidence = float(ratio[best])
        if evidence < raised:  # then their mean is, too
            return evidence, None
        mean = evidence + math.log(float(np.exp(ratio - evidence).sum()) / AGES)
        return evidence, best + self._age_min if mean >= raised else None

    def _ended(self, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log likelihood ratio, for each onset, of a walk that ended there against one that goes on.

        Its end changes the slope by minus the walk, known within the spread of both lines.
        """
        f = self.filter
        assert f is not None
        variance = max(f.pww, 0.0) + STEADY_SLOPE_SE**2
        more = 1.0 + variance * b
        ratio: NDArray[np.float64] = 0.5 * (
            (variance * a - f.w) ** 2 / more - f.w**2
        ) / variance - 0.5 * np.log(more)
        return ratio

    def _onset(self, age: int) -> float:
        """Travel where the onset `age` bins ago lies (the age-th bin before the last)."""
        points = list(self._points)[-(age + 1) :]
        return points[0].u - points[0].du

    def _turn_to(self, age: int) -> list[WalkFinding | Passage]:
        """A walk, or a change of one, began `age` bins ago."""
        u = self._onset(age)
        if self.state == "drifting":
            self._begin(u, KINK_SLOPE_SE * self._w1, "proving")
            return []
        self._begin(u, KINK_SLOPE_SE * self._w1, "drifting")
        self.onset_u = u
        return [WalkFinding("walk-begins", u, self.filter.w if self.filter is not None else math.nan)]

    def _is_nil(self) -> bool:
        """Is the walk shown to be below the limit? A line just begun is as likely steady as not, beforehand."""
        f = self.filter
        assert f is not None
        size, variance = abs(f.w), max(f.pww, 1e-12)
        walks = 0.5 * math.erfc((self._w1 - size) / math.sqrt(2.0 * variance))
        if self.state == "proving":
            steady = variance + STEADY_SLOPE_SE**2
            odds = STEADY_ODDS * self._slope_se / math.sqrt(steady) * math.exp(-0.5 * size * size / steady)
            walks /= 1.0 + odds
        return walks < STILL_WALKS

    def _prove(self, u_end: float) -> list[WalkFinding | Passage]:
        """A new line of unknown slope: is it a walk, or steady? Undecided as long as its spread says so."""
        f = self.filter
        assert f is not None
        se = math.sqrt(max(f.pww, 0.0))
        self.segments[-1] = (self.segments[-1][0], f.w)
        if u_end - self.u_segment < self._age_min / self._bins:
            return []
        walks = abs(f.w) >= self._w1 and abs(f.w) - 0.5 * self._w1 > PROVING_SIGMAS * se
        if walks and self.misfit < NO_LINE:
            self.state = "drifting"
            self.onset_u = self.u_segment
            self._forget_ages()
            return [WalkFinding("walk-begins", self.u_segment, f.w)]
        return self._rest(u_end)

    def _rest(self, u_end: float) -> list[WalkFinding | Passage]:
        """A line whose walk is shown to be below the limit is steady from now on: its slope is drawn toward nil."""
        f = self.filter
        assert f is not None
        if not self._is_nil() or u_end - self.u_segment < 0.5:
            return []
        variance = f.pww + STEADY_SLOPE_SE**2
        km, kw, ko = f.pmw / variance, f.pww / variance, f.pwo / variance
        w = f.w
        f.m -= km * w
        f.w -= kw * w
        f.o -= ko * w
        f.pmm -= km * f.pmw
        f.pmo -= km * f.pwo
        f.poo -= ko * f.pwo
        f.pmw -= km * f.pww
        f.pwo -= ko * f.pww
        f.pww -= kw * f.pww
        self.state = "steady"
        self.segments[-1] = (self.segments[-1][0], 0.0)
        self._forget_ages()
        return [WalkFinding("walk-ends", self.u_segment, w)]

    # ------------------------------------------------------------ what is known

    @property
    def misfit(self) -> float:
        """Mean squared innovation since the present line began: 1 where a line explains the readings; NaN: none."""
        return self._misfit[0] / self._misfit[1] if self._misfit[1] else math.nan

    @property
    def left_out(self) -> float:
        """Share of the bins that were left out, or not seen, when the present line began."""
        return self._misfit[2] / max(self._misfit[1] + self._misfit[2], 1.0)

    @property
    def walk(self) -> LineFit:
        """Walk over the present line (at most four revolutions of it), by generalised least squares."""
        if self.state != "settling" or not self._points:
            return self.fit_since(self.u_segment)
        # a belt that answers a move bends: the last quarter of a revolution, and how it bends
        u = self._points[-1].u
        short = self.fit_since(max(self.u_segment, u - 0.25))
        longer = self.fit_since(max(self.u_segment, u - 0.5))
        bend = short.slope_mm_per_rev - longer.slope_mm_per_rev
        se = math.hypot(short.slope_se_mm_per_rev, bend)
        return replace(short, slope_se_mm_per_rev=se)

    def fit_since(self, u: float) -> LineFit:
        """The line through what was seen since travel u, on quarters of sixteenths of a revolution."""
        dus: list[float] = []
        rs: list[float] = []
        ns: list[float] = []
        since = iter([p for p in self._points if p.u > u])
        for a, b, c, d in zip(since, since, since, since, strict=False):
            r, noise = (a.r + b.r + c.r + d.r) / 4, (a.noise + b.noise + c.noise + d.noise) / 16
            if r != r:
                seen = [q for q in (a, b, c, d) if q.r == q.r]
                r = sum(q.r for q in seen) / len(seen) if seen else math.nan
                noise = sum(q.noise for q in seen) / len(seen) ** 2 if seen else math.nan
            dus.append(a.du + b.du + c.du + d.du)
            rs.append(r)
            ns.append(noise)
        return fit_line(dus, rs, ns, self.s2_mm2, self.kappa_per_rev)

    def went(self, u: float) -> tuple[float, float]:
        """How far the whole belt went since it left its place at travel u, mm, and the share of it gone a turn later.

        A walk goes on as it began; a belt that answers a move has gone most of its way by then. NaN where not seen.
        """
        now = self._points[-1].u if self._points else math.nan
        before, after = self._mean_reading(u - 0.5, u), self._mean_reading(now - 0.25, now)
        gone = after - before
        early = self._mean_reading(u + 1.0, u + 1.5) - before
        return gone, early / gone if gone else math.nan

    def _mean_reading(self, u_start: float, u_end: float) -> float:
        """Mean of what was seen, and not left out, over a stretch of travel, mm; NaN where nothing was."""
        seen = [p.r for p in self._points if u_start < p.u <= u_end and p.r == p.r]
        return sum(seen) / len(seen) if seen else math.nan

    def learn_wander(self, residual_mm: NDArray[np.float64]) -> None:
        """Learn variance and length of the wander from one steady turn's residuals, (bins,) mm, NaN = not seen."""
        if not self._wander.add(residual_mm):
            return
        self.s2_mm2, self.kappa_per_rev = self._wander.estimate()
        if self.state != "settling" and not self._run:
            self._refresh()

    def forget_wander(self) -> None:
        """What wander was learnt from was not wander: back to the prior."""
        self._wander.forget()
        self.s2_mm2, self.kappa_per_rev = self._wander.estimate()

    def _refresh(self) -> None:
        """New signature for onsets from now on. Sums of older onsets keep theirs: the change is small."""
        self._sign_ramp()

    def path(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape of the whole belt's path over travel u, mm, up to a constant: the lines found so far, end to end."""
        y = np.zeros(u.size)
        lines = list(self.segments)
        if self.state == "steady" and self.filter is not None:
            lines[-1] = (lines[-1][0], self.filter.w)  # a creep would leak into the profile as a sawtooth
        for i, (start, w) in enumerate(lines):
            end = lines[i + 1][0] if i + 1 < len(lines) else math.inf
            y += w * (np.clip(u, start, end) - start)
        return y

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
