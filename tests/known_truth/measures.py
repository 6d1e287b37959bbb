"""What one belt showed, against its truth. `judge`: the program; `judge_generic`: a generic method."""

from __future__ import annotations

import math
import time

import numpy as np

from monitor.pipeline import Pipeline
from monitor.records import EdgeBlock, Event, Message, Revolution, RevolutionRow
from tests.known_truth.belt_truth import Run, TrueDrift
from tests.known_truth.figures import Failing, Figures
from tests.known_truth.generic_methods import Heard
from tests.known_truth.rules import (
    AROUND_REV,
    MUST,
    PLACE_MM,
    SPAN,
    WOBBLE_LATEST_REV,
    clearing_of,
    delay_of,
    false_drift,
    must_find,
    out_of_sight,
    profile_error,
    spans_of,
)

MISCOUNT_REV = 3.0
CALM_WANDER_MM = (
    0.2  # the shared captures wander by 0.05 to 0.19 mm, the simulated belts by up to 0.25 and more
)
NAMES_OF = {
    "stuck": {"sensor-stuck"},
    "clipped": {"sensor-clipped", "sensor-silent"},
    "open": {"sensor-silent", "sensor-clipped", "sensor-stuck", "sensor-noisy"},
    "silent": {"sensor-silent", "link-lost"},
    "reference": {"sensor-noisy", "sensor-clipped", "sensor-stuck", "sensor-silent"},
    "noisy": {"sensor-noisy"},
    "spikes": {"sensor-noisy"},
}


def watch(run: Run) -> tuple[Pipeline, list[Message], float]:
    """The program over a run: pipeline, messages, CPU seconds."""
    pipeline = Pipeline(run.station)
    for move in run.moves:
        pipeline.enter(move, move.t_s)
    began = time.process_time()
    messages = pipeline.consume(run.records)
    messages += pipeline.finish()
    return pipeline, messages, time.process_time() - began


def judge(run: Run) -> Figures:
    """The program on one run."""
    pipeline, messages, cpu_s = watch(run)
    return Judge(run, pipeline, messages, cpu_s).figures


class Judge:
    """Works through one run; the result is `figures`."""

    def __init__(self, run: Run, pipeline: Pipeline, messages: list[Message], cpu_s: float) -> None:
        self.run, self.truth, self.pipeline = run, run.truth, pipeline
        self.events = [m for m in messages if isinstance(m, Event)]
        self.raised = [e for e in self.events if e.kind == "alarm-raised"]
        self.rows = [row for m in messages if isinstance(m, Revolution) for row in m.rows]
        t = self.truth
        self.end_rev = float(t.rolled_rev[-1])
        f = self.figures = Figures(belts=1, revolutions=self.end_rev - float(t.rolled_rev[0]), cpu_s=cpu_s)
        self._calm = t.wander_mm <= CALM_WANDER_MM
        f.calm_revolutions = f.revolutions if self._calm else 0.0
        f.sensor_revs = f.revolutions * len(run.station.sensor)
        f.samples = len(run.station.sensor) * sum(
            r.time_us.size for r in run.records if isinstance(r, EdgeBlock)
        )
        f.alarms.update(e.name for e in self.raised)
        settle = float(run.station.procedure.settle_revs)
        self.settling = [(m.rev, m.rev + settle) for m in t.moves if m.logged]
        self.drift_spans = spans_of(self.events, "drift", t)
        self._counted()
        self._drifts()
        self._rows()
        self._bumps()
        self._profile()
        self._period()
        self._faults()
        self._runout()
        self._unlogged()
        self._confusion()
        if "good" in t.expect:
            f.verdicts[f"{'good' if t.expect['good'] else 'bad'}: {pipeline.verdict}"] += 1
            if pipeline.verdict == "tracked" and not t.expect["good"]:
                self._fail("a bad belt was called tracked", self.end_rev)

    def _fail(self, what: str, rev: float, more: str = "") -> None:
        self.figures.failing.append(Failing(self.truth.family, self.truth.seed, what, rev, more))

    def _counted(self) -> None:
        """Revolutions counted against those travelled (the first begins with the first mark)."""
        true = float(self.truth.travel_rev.max() - self.truth.travel_rev[0])
        if abs(true - self.pipeline.rev) > MISCOUNT_REV:
            self.figures.miscounted += 1
            self._fail("revolutions miscounted", self.end_rev, f"{self.pipeline.rev}, travelled {true:.1f}")

    # ------------------------------------------------------------ drift

    def _drifts(self) -> None:
        f, t = self.figures, self.truth
        for pulley, spans in self.drift_spans.items():
            for raised, _ in spans:
                why = false_drift(t, self.settling, pulley, raised)
                if why:
                    f.false_drifts += 1
                    f.calm_false_drifts += self._calm
                    self._fail("false drift", raised, f"{pulley}, {why}")
        for d in must_find(t):
            self._drift(d, self.drift_spans.get(d.pulley, []))
        if t.walks_from_start:
            end = min((m.rev for m in t.moves), default=self.end_rev)
            if not any(r < end for spans in self.drift_spans.values() for r, _ in spans):
                f.slow_starts += 1
                self._fail("walks from the start, no alarm", end)

    def _drift(self, d: TrueDrift, spans: list[SPAN]) -> None:
        f = self.figures
        f.drifts += 1
        delay = delay_of(d, spans)
        if delay is None:
            f.missed += 1
            self._fail("missed drift", d.start_rev, f"{d.pulley} {d.mm_per_rev:+.2f} mm/rev")
            return
        f.delays.append(delay)
        if self._calm:
            f.calm_delays.append(delay)
        if delay > 0.8:
            self._fail(
                "slow drift alarm", d.start_rev, f"{d.pulley} {d.mm_per_rev:+.2f} mm/rev, {delay:.2f} rev"
            )
        end = d.end_rev
        flickers = sum(d.start_rev + delay < c < end - AROUND_REV for _, c in spans)
        f.flickers += flickers
        if flickers:
            self._fail("cleared while it walks", d.start_rev, f"{d.pulley} {d.mm_per_rev:+.2f}")
        later = clearing_of(d, spans, self.end_rev)
        if later is not None:
            f.clearings.append(later)
            if later > 1.5:
                self._fail("drift alarm clears late", end, f"{d.pulley} {later:.2f} rev")

    # ------------------------------------------------------------ positions and walks

    def _rows(self) -> None:
        f, t = self.figures, self.truth
        for row in self.rows:
            f.rows += 1
            if not math.isfinite(row.position_mm):
                f.unknown_rows += 1
            else:
                self._position(row)
            if math.isfinite(row.walk_mm_per_rev) and row.walk_se_mm_per_rev > 0.0:
                end = t.rolled(row.end_s)
                z = (row.walk_mm_per_rev - t.walk(row.pulley, end)) / row.walk_se_mm_per_rev
                f.walk_z.append(z)
                if not self._changes(row.pulley, end - 1.0, end):
                    f.walk_z_calm.append(z)

    def _position(self, row: RevolutionRow) -> None:
        f, t = self.figures, self.truth
        truth = t.mean_position_mm(row.pulley, row.start_s, row.end_s)
        if not math.isfinite(truth):
            return
        error = row.position_mm - truth
        if row.position_se_mm > 0.0:
            unsure = t.mean_error_mm2(row.pulley, row.start_s, row.end_s)
            f.position_z.append(error / math.sqrt(row.position_se_mm**2 + unsure))
        start = t.rolled(row.start_s)
        if t.family.startswith("quiet"):
            f.position_quiet.append(error)
        if any(start >= b.full_rev and self._counts(b.size_mm) for b in t.bumps):
            f.position_bump.append(error)

    def _counts(self, size_mm: float) -> bool:
        return MUST * self.truth.wobble_limit_mm <= abs(size_mm) <= 3.0 * self.truth.wobble_limit_mm

    def _changes(self, pulley: str, start_rev: float, end_rev: float) -> bool:
        t = self.truth
        kinks = [r for d in t.drifts if d.pulley == pulley for r in (d.start_rev, d.end_rev)]
        return any(start_rev <= k <= end_rev for k in kinks) or any(
            m.rev <= end_rev and m.rev + 3.0 >= start_rev for m in t.moves
        )

    # ------------------------------------------------------------ sections

    def _bumps(self) -> None:
        f, t = self.figures, self.truth
        found = [e for e in self.raised if e.name == "section-wobble"]
        big = [b for b in t.bumps if abs(b.size_mm) >= t.wobble_limit_mm]
        first: dict[int, float] = {}
        for e in found:
            rev = t.rolled(e.t_s)
            near = [
                (k, self._away_mm(e, b.place_mm))
                for k, b in enumerate(big)
                if rev >= b.start_rev and (b.edge in ("", "apart") or b.edge == str(e.sensor).split("-")[-1])
            ]
            near = [n for n in near if n[1] <= PLACE_MM]
            if not near:
                f.false_bumps += 1
                self._fail(
                    "false section wobble", rev, f"{e.sensor} {e.value_mm or 0.0:+.1f} mm at {e.start_mm}"
                )
                continue
            f.bump_places.append(near[0][1])
            if near[0][1] > 200.0:
                self._fail("section placed badly", rev, f"{e.sensor} {near[0][1]:.0f} mm away")
            first.setdefault(near[0][0], rev)
        for k, b in enumerate(big):
            if abs(b.size_mm) < MUST * t.wobble_limit_mm or b.full_rev + WOBBLE_LATEST_REV > self.end_rev:
                continue
            f.bumps += 1
            if k not in first:
                f.bumps_missed += 1
                self._fail(
                    "missed section wobble", b.full_rev, f"{b.size_mm:+.1f} mm, {b.width_mm:.0f} mm wide"
                )
                continue
            delay = first[k] - b.full_rev
            f.bump_delays.append(delay)
            if delay > WOBBLE_LATEST_REV:
                f.bumps_late += 1
                self._fail("section wobble late", b.full_rev, f"{delay:.2f} rev")

    def _away_mm(self, e: Event, place_mm: float) -> float:
        """Distance between an alarm's section and a true place, both taken as shares of their belt length."""
        length = self.pipeline_length_mm
        start, end = float(e.start_mm or 0.0), float(e.end_mm or 0.0)
        middle = (start + 0.5 * ((end - start) % length)) / length
        away = (middle - place_mm / self.truth.length_mm + 0.5) % 1.0 - 0.5
        return abs(away) * self.truth.length_mm

    @property
    def pipeline_length_mm(self) -> float:
        found = self.pipeline.summary().get("length_mm") or self.run.station.belt.length_mm
        return float(found or self.truth.length_mm)

    # ------------------------------------------------------------ profile and period

    def _profile(self) -> None:
        f, t = self.figures, self.truth
        if self.pipeline.rev < 20:
            return
        for sensor in self.run.station.sensor:
            rows = [r for r in self.pipeline.profile_rows() if r[0] == sensor.name]
            if not rows or any(
                x.kind not in ("silent", "heavy") for x in t.faults if x.sensor in ("", sensor.name)
            ):
                continue
            share = np.array([r[1] for r in rows]) / self.pipeline_length_mm
            mm = np.array([r[2] for r in rows])
            error, points = profile_error(t, sensor.name, share, mm, best_shift=not t.marks)
            if t.bumps:
                f.profile_bump.append(error)
                continue
            f.profile.append(error)
            f.profile_points.append(points)
            if error > 0.16:
                self._fail("profile", self.end_rev, f"{sensor.name} {error:.3f} mm rms")

    def _period(self) -> None:
        t = self.truth
        if t.marks:
            return
        ends = {row.rev: row.end_s for row in self.rows}
        revs = [r for r in (5, 10) if r in ends]
        if len(revs) == 2:
            error = (t.travel(ends[10]) - t.travel(ends[5])) / 5.0 - 1.0
            self.figures.periods.append(abs(error))
            if abs(error) > 0.001:
                self._fail("period without marks", 10.0, f"{100 * error:+.3f} %")

    # ------------------------------------------------------------ faults, run-out, unlogged moves

    def _faults(self) -> None:
        f, t = self.figures, self.truth
        told = [(e.name, e.sensor or "", e.t_s) for e in self.raised]
        for fault in t.faults:
            names = NAMES_OF.get(fault.kind)
            if names is None or fault.start_s >= t.t_s[-1]:
                continue
            begun = t.rolled(fault.start_s)
            until = max(begun + 1.0, t.rolled(fault.start_s + 5.0)) + (6.0 if fault.kind == "spikes" else 0.0)
            f.faults[fault.kind] += 1
            if any(
                n in names and (fault.sensor in ("", s) or n == "link-lost")
                and s_t >= fault.start_s and t.rolled(s_t) <= until
                for n, s, s_t in told
            ):  # fmt: skip
                f.faults_named[fault.kind] += 1
            else:
                self._fail(f"sensor {fault.kind} not named", begun, fault.sensor)
        for name, sensor, at in told:
            well = not any(
                x.sensor in ("", sensor) and x.start_s - 0.1 <= at <= x.end_s + 5.0 for x in t.faults
            )
            if name == "sensor-clipped" and well:
                fit = next(x for x in self.run.station.sensor if x.name == sensor)
                well = not out_of_sight(t, sensor, fit.pulley, fit.zero_counts, fit.counts_per_mm, at)
            if name.startswith("sensor-") and well:
                f.false_sensor += 1
                self._fail(f"false {name}", t.rolled(at), sensor)

    def _runout(self) -> None:
        f, t = self.figures, self.truth
        if t.runout_mm <= 0.0:
            return
        f.runouts += 1
        for pulley in ("infeed", "drive"):
            errors = [
                row.walk_mm_per_rev - t.walk(row.pulley, t.rolled(row.end_s))
                for row in self.rows
                if row.pulley == pulley and math.isfinite(row.walk_mm_per_rev)
                and not self._changes(pulley, t.rolled(row.end_s) - 2.0, t.rolled(row.end_s))
            ]  # fmt: skip
            if len(errors) >= 10:
                bias = float(np.mean(errors))
                f.runout_bias.append(bias)
                if abs(bias) > 0.05:
                    self._fail("walk biased by run-out", self.end_rev, f"{pulley} {bias:+.3f} mm/rev")
        told = [e for e in self.events if "run-out" in f"{e.name} {e.text}" or "runout" in e.name]
        sizes = [abs(e.value_mm or 0.0) for e in told if e.pulley in (None, t.runout_pulley)]
        if any(abs(size - t.runout_mm) <= 0.25 * t.runout_mm + 0.05 for size in sizes):
            f.runouts_named += 1
        elif t.runout_mm >= 1.0:
            self._fail(
                "run-out not reported", self.end_rev, f"{t.runout_pulley} {t.runout_mm:.2f} mm, said {sizes}"
            )

    def _unlogged(self) -> None:
        f, t = self.figures, self.truth
        hidden = [m.rev for m in t.moves if not m.logged]
        told = [t.rolled(e.t_s) for e in self.raised if e.name == "unlogged-move"]
        for rev in hidden:
            f.unlogged += 1
            if any(rev <= x <= rev + 4.0 for x in told):
                f.unlogged_named += 1
            else:
                self._fail("unlogged move not named", rev)
        for x in told:
            if not any(rev <= x <= rev + 6.0 for rev in hidden):
                f.false_unlogged += 1
                self._fail("false unlogged move", x)

    def _confusion(self) -> None:
        t = self.truth
        drift = any(abs(d.mm_per_rev) >= t.drift_limit_mm_per_rev for d in t.drifts)
        bump = any(abs(b.size_mm) >= t.wobble_limit_mm for b in t.bumps)
        if t.family.split("-")[0] not in ("quiet", "slow", "drift", "wobble", "both", "edges"):
            return
        truth = {(0, 0): "neither", (1, 0): "drift", (0, 1): "wobble", (1, 1): "both"}
        said = {e.name for e in self.raised}
        real = (int(drift), int(bump))
        self.figures.confusion[
            f"{truth[real]} -> {truth[int('drift' in said), int('section-wobble' in said)]}"
        ] += 1


def judge_generic(run: Run, heard: dict[str, Heard]) -> Figures:
    """One of the generic methods on one run: the rows of the table that it has."""
    t = run.truth
    end = float(t.rolled_rev[-1])
    f = Figures(belts=1, revolutions=end - float(t.rolled_rev[0]))
    settle = float(run.station.procedure.settle_revs)
    settling = [(m.rev, m.rev + settle) for m in t.moves if m.logged]
    by_pulley: dict[str, list[SPAN]] = {}
    for sensor in run.station.sensor:
        said = heard.get(sensor.name)
        if said is None:
            continue
        if sensor.pulley not in by_pulley:  # two sensors of one pulley: the first one speaks
            by_pulley[sensor.pulley] = said.alarms
            f.false_drifts += sum(bool(false_drift(t, settling, sensor.pulley, r)) for r, _ in said.alarms)
        for start, stop, mm in said.positions:
            start_s, end_s = np.interp([start, stop], t.rolled_rev, t.t_s)
            error = mm - t.mean_position_mm(sensor.pulley, float(start_s), float(end_s))
            if not math.isfinite(error):
                continue
            if t.family.startswith("quiet"):
                f.position_quiet.append(error)
            limit = t.wobble_limit_mm
            if any(start >= b.full_rev and MUST * limit <= abs(b.size_mm) <= 3 * limit for b in t.bumps):
                f.position_bump.append(error)
        if end >= 20 and not t.bumps and not t.faults:
            share = (np.arange(said.profile.size) + 0.5) / said.profile.size
            error, points = profile_error(t, sensor.name, share, said.profile, best_shift=True)
            f.profile.append(error)
            f.profile_points.append(points)
    for d in must_find(t):
        f.drifts += 1
        delay = delay_of(d, by_pulley.get(d.pulley, []))
        if delay is None:
            f.missed += 1
            continue
        f.delays.append(delay)
        later = clearing_of(d, by_pulley.get(d.pulley, []), end)
        if later is not None:
            f.clearings.append(later)
    return f
