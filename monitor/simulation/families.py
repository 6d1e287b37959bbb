"""Random belts by family: what a run is about, with everything else drawn from wide ranges.

`make(family, seed)` gives the parameters; `expect` in them says what is going on and when. The ranges are
wider than a good bay would show, and not those of any recording.
"""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Callable
from typing import Any, Literal

import numpy as np

from monitor.records import Pulley, Side
from monitor.simulation.mechanics import crowned_gain_mm_per_mm, stiffness_number, walk_per_rev_mm
from monitor.simulation.params import (
    Bump,
    Drift,
    Fault,
    FaultKind,
    Params,
    ScheduledMove,
    SensorFit,
    SpeedChange,
    Stop,
    Widening,
)

Draw = np.random.Generator
Build = Callable[[Draw, Params], Params]


def make(family: str, seed: int) -> Params:
    """Parameters of one random belt of a family (see FAMILIES). Raises KeyError for an unknown family."""
    build = FAMILIES[family]
    rng = np.random.default_rng([seed, zlib.crc32(family.encode())])
    params = build(rng, _belt(rng))
    expect = {"family": family, **params.expect}
    number = int(rng.integers(1, 2**31))
    return dataclasses.replace(params, seed=number, name=f"{family}-{seed}", expect=expect)


def _log(rng: Draw, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sign(rng: Draw) -> float:
    return -1.0 if rng.random() < 0.5 else 1.0


def _side(rng: Draw) -> Side:
    return "left" if rng.random() < 0.5 else "right"


def _pulley(rng: Draw) -> Pulley:
    return "infeed" if rng.random() < 0.5 else "drive"


def _fits(rng: Draw, both_edges: bool = False) -> tuple[SensorFit, ...]:
    side = _side(rng)
    edges: list[tuple[Pulley, Side]] = [("infeed", side), ("drive", side)]
    if both_edges:
        edges = [("infeed", "left"), ("infeed", "right"), ("drive", "left"), ("drive", "right")]
    fits = []
    for pulley, edge in edges:
        zero, scale = int(rng.integers(31500, 34000)), _sign(rng) * rng.uniform(350.0, 750.0)
        fits.append(SensorFit(pulley, edge, zero, round(scale, 1)))
    return tuple(fits)


def _belt(rng: Draw, revs: float = 24.0) -> Params:
    """An ordinary crowned bay that is at rest near its target."""
    length, width = _log(rng, 5000.0, 26000.0), rng.uniform(300.0, 1200.0)
    diameter = rng.uniform(100.0, 300.0)
    carry = rng.uniform(0.36, 0.47) * length
    spacing = width * rng.uniform(1.05, 1.35) + 30.0
    speed = _log(rng, 0.18, 1.1)
    restoring_i, restoring_d = _log(rng, 0.1, 0.9), _log(rng, 0.1, 0.9)
    kl = stiffness_number(carry, width, rng.uniform(0.002, 0.006))
    answer = crowned_gain_mm_per_mm(kl, carry, spacing, 1.0) * _log(rng, 0.4, 1.6)
    return Params(
        length_mm=length,
        width_mm=width,
        camber_pp_mm=_log(rng, 2.0, 18.0),
        camber_shape=_shape(rng),
        texture_sd_mm=rng.uniform(0.03, 0.3),
        texture_length_mm=rng.uniform(20.0, 120.0),
        splice_jog_mm=rng.uniform(0.0, 3.0),
        width_variation_mm=rng.uniform(0.0, 1.5),
        bearing_spacing_mm=spacing,
        pulley_diameter_mm=diameter,
        carry_length_mm=carry,
        mark_offset_mm=rng.uniform(0.0, 2000.0),
        start_station_mm=rng.uniform(0.0, length),
        stiffness_kl=kl,
        infeed_mm_per_mm=float(np.clip(answer, 0.7, 4.0)),
        snub_mm_per_mm=float(np.clip(answer * rng.uniform(0.3, 0.8), 0.4, 3.0)),
        infeed_restoring_revs=restoring_i,
        drive_restoring_revs=restoring_d,
        carry_over=rng.uniform(0.1, 0.5),
        carry_back=rng.uniform(0.0, 0.05),
        standing_infeed_mm=rng.uniform(-0.5, 0.5),
        standing_drive_mm=rng.uniform(-0.5, 0.5),
        wander_sd_mm=_log(rng, 0.03, 0.25),
        wander_length_mm=_log(rng, 3000.0, 12000.0),
        speed_mps=speed,
        speed_wander=rng.uniform(0.0005, 0.002),
        speed_wander_s=rng.uniform(15.0, 90.0),
        sensors=_fits(rng),
        rate_hz=int(rng.choice([50, 100, 200], p=[0.5, 0.4, 0.1])),
        jitter_us=rng.uniform(0.5, 4.0),
        boot_us=int(rng.integers(0, 2**32)),
        first_seq=int(rng.integers(0, 2**16)),
        board=int(rng.integers(1, 2**32)),
        noise_sd_mm=rng.uniform(0.05, 0.37),
        length_error=rng.uniform(-0.02, 0.02),
        speed_error=rng.uniform(-0.03, 0.03),
        seconds=revs * length / (1000.0 * speed),
    )


def _shape(rng: Draw) -> Literal["harmonics", "sagitta", "mixed"]:
    shapes: tuple[Literal["harmonics", "sagitta", "mixed"], ...] = ("harmonics", "mixed", "sagitta")
    return shapes[int(rng.choice(3, p=[0.6, 0.3, 0.1]))]


def _rev_s(params: Params) -> float:
    return params.length_mm / (1000.0 * params.speed_mps)


def _with(params: Params, revs: float | None = None, **changes: Any) -> Params:
    if revs is not None:
        changes["seconds"] = revs * _rev_s(params)
    return dataclasses.replace(params, **changes)


# ---------------------------------------------------------------- what the belt does


def _quiet(rng: Draw, belt: Params) -> Params:
    return _with(belt, revs=float(rng.uniform(30, 70)))


def _drift(rng: Draw, belt: Params) -> Params:
    pulley = _pulley(rng)
    revs = rng.uniform(3.0, 7.0)
    rate = _sign(rng) * min(_log(rng, 0.7, 3.5), 22.0 / revs)
    start = rng.uniform(10.0, 14.0) * _rev_s(belt)
    drift = Drift(start, pulley, rate, revs)
    return _with(belt, drifts=(drift,), expect={"pulley": pulley, "at_s": start, "mm_per_rev": rate})


def _slow(rng: Draw, belt: Params) -> Params:
    """A drift under the limit: worth no alarm."""
    pulley = _pulley(rng)
    rate = _sign(rng) * rng.uniform(0.03, 0.2)
    start = rng.uniform(8.0, 12.0) * _rev_s(belt)
    return _with(belt, revs=36.0, drifts=(Drift(start, pulley, rate, 24.0),), expect={"pulley": pulley})


def _bump(rng: Draw, belt: Params, start_rev: float, edge: Side | None = None) -> Bump:
    return Bump(
        start_s=start_rev * _rev_s(belt),
        place_mm=rng.uniform(0.0, belt.length_mm),
        width_mm=rng.uniform(500.0, 2000.0),
        size_mm=_sign(rng) * rng.uniform(6.0, 14.0),
        grow_revs=rng.uniform(0.2, 2.0),
        edge=edge,
    )


def _wobble(rng: Draw, belt: Params) -> Params:
    bump = _bump(rng, belt, rng.uniform(10.0, 14.0))
    return _with(belt, bumps=(bump,), expect={"at_s": bump.start_s, "place_mm": bump.place_mm})


def _both(rng: Draw, belt: Params) -> Params:
    wobbling = _wobble(rng, belt)
    start = rng.uniform(14.5, 17.0) * _rev_s(belt)
    drift = Drift(start, _pulley(rng), _sign(rng) * rng.uniform(0.8, 2.5), rng.uniform(4.0, 6.0))
    expect = {**wobbling.expect, "pulley": drift.pulley, "drift_at_s": start}
    return _with(wobbling, drifts=(drift,), expect=expect)


def _edges(rng: Draw, belt: Params) -> Params:
    """Both edges are watched; either the belt drifts, or one edge alone is damaged."""
    belt = _with(belt, sensors=_fits(rng, both_edges=True))
    if rng.random() < 0.5:
        return _drift(rng, belt)
    edge = _side(rng)
    bump = _bump(rng, belt, rng.uniform(10.0, 14.0), edge)
    bump = dataclasses.replace(bump, width_mm=rng.uniform(500.0, 900.0))
    expect = {"edge": edge, "at_s": bump.start_s, "place_mm": bump.place_mm}
    return _with(belt, bumps=(bump,), expect=expect)


def _apart(rng: Draw, belt: Params) -> Params:
    """Both edges are watched; the belt becomes wider or narrower, all round or at one place."""
    belt = _with(belt, sensors=_fits(rng, both_edges=True))
    start = rng.uniform(8.0, 11.0)
    if rng.random() < 0.5:
        widening = Widening(start * _rev_s(belt), _sign(rng) * rng.uniform(3.2, 7.0), _log(rng, 0.02, 6.0))
        return _with(belt, widenings=(widening,), expect={"wider_mm": widening.mm, "at_s": widening.start_s})
    bump = dataclasses.replace(
        _bump(rng, belt, start), edge="apart", size_mm=_sign(rng) * rng.uniform(4.0, 14.0)
    )
    return _with(belt, bumps=(bump,), expect={"at_s": bump.start_s, "place_mm": bump.place_mm})


def _bent(rng: Draw, belt: Params) -> Params:
    """Both edges are watched; a section is bent, so that both go the same way. Half of the belts drift too."""
    belt = _with(belt, sensors=_fits(rng, both_edges=True))
    return _wobble(rng, belt) if rng.random() < 0.5 else _both(rng, belt)


def _one_edge(rng: Draw, belt: Params) -> Params:
    """Both edges are watched; one of the sensors fails or is knocked aside. Half of the belts drift as well."""
    belt = _with(belt, sensors=_fits(rng, both_edges=True))
    kinds: tuple[FaultKind, ...] = ("stuck", "clipped", "open", "noisy", "shifted")
    kind = kinds[int(rng.integers(len(kinds)))]
    start = rng.uniform(7.0, 9.5) * _rev_s(belt)
    size = {"noisy": rng.uniform(5.0, 12.0), "shifted": _sign(rng) * rng.uniform(2.0, 8.0)}.get(kind, 1.0)
    fault = Fault(kind, int(rng.integers(4)), start, 1e12, size)
    expect: dict[str, Any] = {"kind": kind, "fault_at_s": start, "sensor": belt.sensors[fault.sensor].name}
    belt = _with(belt, faults=(fault,))
    if rng.random() < 0.5:
        belt = _drift(rng, belt)
        expect |= belt.expect
    return _with(belt, expect=expect)


def _lies(rng: Draw, belt: Params) -> Params:
    """One sensor's scale is wrong, from the start or from some time on, or it becomes slow; noise stays as it was."""
    belt = _with(belt, camber_pp_mm=_log(rng, 4.0, 18.0))
    kind: FaultKind = "scaled" if rng.random() < 0.7 else "sluggish"
    start = 0.0 if kind == "scaled" and rng.random() < 0.5 else rng.uniform(8.0, 11.0) * _rev_s(belt)
    # slow: a lag of 1 to 4 % of a revolution
    size = float(rng.choice([0.5, 0.7, 1.35])) if kind == "scaled" else rng.uniform(0.01, 0.04) * _rev_s(belt)
    fault = Fault(kind, int(rng.integers(2)), start, 1e12, size)
    expect = {"kind": kind, "fault_at_s": start, "sensor": belt.sensors[fault.sensor].name, "size": size}
    return _with(belt, faults=(fault,), expect=expect)


def _runout(rng: Draw, belt: Params) -> Params:
    pulley = _pulley(rng)
    return _with(belt, revs=30.0, runout_mm=rng.uniform(0.4, 2.0), runout_pulley=pulley)


# ---------------------------------------------------------------- moves


def _off_centre(rng: Draw, belt: Params) -> tuple[Params, Side]:
    """A standing skew at the infeed; also the side to tighten to bring the belt back."""
    sign = _sign(rng)
    off_mm = rng.uniform(5.0, 12.0)
    belt = _with(belt, standing_infeed_mm=-sign * off_mm / belt.infeed_mm_per_mm)
    return belt, "right" if sign > 0 else "left"  # off to the right: tighten the right side


def _moves(rng: Draw, belt: Params) -> Params:
    belt, side = _off_centre(rng, belt)
    at, moves = rng.uniform(6.0, 9.0), []
    for _ in range(int(rng.integers(2, 4))):
        moves.append(ScheduledMove(at * _rev_s(belt), "infeed", side, rng.uniform(0.6, 1.6)))
        at += rng.uniform(4.5, 6.5)
    if rng.random() < 0.5:
        moves.append(ScheduledMove(at * _rev_s(belt), "snub", _side(rng), rng.uniform(0.4, 1.2)))
        at += 5.0
    return _with(belt, revs=at + 6.0, moves=tuple(moves), backlash_mm=rng.choice([0.0, 0.2]))


def _early(rng: Draw, belt: Params) -> Params:
    belt, side = _off_centre(rng, belt)
    first = rng.uniform(8.0, 11.0)
    second = first + rng.uniform(0.5, 2.3)
    moves = tuple(ScheduledMove(at * _rev_s(belt), "infeed", side, 0.8) for at in (first, second))
    return _with(belt, moves=moves, expect={"at_s": moves[1].t_s})


def _unlogged(rng: Draw, belt: Params) -> Params:
    side = _side(rng)
    amount = max(1.2, 3.5 / belt.infeed_mm_per_mm)
    move = ScheduledMove(rng.uniform(10.0, 14.0) * _rev_s(belt), "infeed", side, amount, logged=False)
    return _with(belt, moves=(move,), expect={"at_s": move.t_s, "pulley": "infeed"})


def _accept(rng: Draw, belt: Params) -> Params:
    """A run that is to be judged: good ones lie inside the limit and hold, bad ones lie outside or walk."""
    good = rng.random() < 0.5
    hold_min = float(rng.choice([3.0, 4.0, 5.0]))
    start_s = 10.0 * _rev_s(belt)
    changes: dict[str, Any] = {"hold_minutes": hold_min, "seconds": start_s + 60.0 * hold_min * 1.6}
    rest = {"standing_infeed_mm": 0.0, "standing_drive_mm": 0.0}
    if good:
        return _with(belt, **changes, **rest, expect={"good": True})
    if rng.random() < 0.5:
        off_mm = _sign(rng) * rng.uniform(4.5, 9.0)
        rest["standing_infeed_mm"] = off_mm / belt.infeed_mm_per_mm
        return _with(belt, **changes, **rest, expect={"good": False, "why": "off centre"})
    drift = Drift(start_s * 0.5, _pulley(rng), _sign(rng) * rng.uniform(0.7, 1.5), 1e6)
    return _with(belt, **changes, **rest, drifts=(drift,), expect={"good": False, "why": "walks"})


def _plain(rng: Draw, belt: Params) -> Params:
    """Plain pulleys: the belt walks steadily until a logged move stops it."""
    belt = _with(belt, crowned=False, gain=_log(rng, 0.6, 1.4))
    rate = _sign(rng) * rng.uniform(0.7, 1.5)
    per_mm = belt.gain * walk_per_rev_mm(belt.stiffness_kl, belt.carry_length_mm, 1 / belt.bearing_spacing_mm)
    standing = -rate / per_mm
    move = ScheduledMove(9.0 * _rev_s(belt), "infeed", "right" if standing < 0 else "left", abs(standing))
    changes: dict[str, Any] = {"standing_infeed_mm": standing, "standing_drive_mm": 0.0, "moves": (move,)}
    return _with(belt, revs=20.0, start_infeed_mm=-rate * 5, expect={"mm_per_rev": rate}, **changes)


# ---------------------------------------------------------------- faults of sensors, link, marks, speed


def _fault(kind: FaultKind) -> Build:
    def build(rng: Draw, belt: Params) -> Params:
        start = rng.uniform(9.0, 14.0) * _rev_s(belt)
        lasts = 1e12 if rng.random() < 0.5 else rng.uniform(2.0, 5.0) * _rev_s(belt)
        sensor = int(rng.integers(2))
        size = rng.uniform(5.0, 12.0) if kind == "noisy" else _sign(rng)
        if kind == "silent":
            lasts = min(lasts, rng.uniform(10.0, 90.0))
        fault = Fault(kind, sensor, start, lasts, size)
        expect: dict[str, Any] = {"kind": kind, "at_s": start}
        if kind not in ("silent", "reference"):  # those concern all sensors
            expect["sensor"] = belt.sensors[sensor].name
        return _with(belt, faults=(fault,), expect=expect)

    return build


def _with_drift(kind: str, change: Callable[[Draw, Params], dict[str, Any]]) -> Build:
    """Trouble that must not hide a drift nor make one up: half of the belts drift."""

    def build(rng: Draw, belt: Params) -> Params:
        belt = _with(belt, **change(rng, belt))
        expect: dict[str, Any] = {"kind": kind}
        if rng.random() < 0.5:
            belt = _drift(rng, belt)
            expect |= belt.expect
        return _with(belt, expect=expect)

    return build


def _loss(rng: Draw, belt: Params) -> dict[str, Any]:
    gap = Stop(rng.uniform(4.0, 8.0) * _rev_s(belt), rng.uniform(0.2, 1.5))
    return {"record_loss": rng.uniform(0.005, 0.06), "garble": rng.uniform(0.002, 0.03), "outages": (gap,)}


def _some_revs(rng: Draw, belt: Params) -> tuple[int, ...]:
    return tuple(int(n) for n in np.sort(rng.choice(np.arange(5, 21), size=2, replace=False)))


def _stops(rng: Draw, belt: Params) -> dict[str, Any]:
    return {"stops": (Stop(rng.uniform(6.0, 9.0) * _rev_s(belt), rng.uniform(5.0, 90.0)),)}


def _speed_step(rng: Draw, belt: Params) -> dict[str, Any]:
    factor = float(rng.choice([rng.uniform(0.6, 0.9), rng.uniform(1.1, 1.5)]))
    change = SpeedChange(rng.uniform(6.0, 9.0) * _rev_s(belt), factor, rng.uniform(0.5, 5.0))
    return {"speed_changes": (change,)}


def _reverse(rng: Draw, belt: Params) -> dict[str, Any]:
    start = rng.uniform(6.0, 9.0) * _rev_s(belt)
    back = SpeedChange(start, -rng.uniform(0.3, 1.0), 2.0)
    forth = SpeedChange(start + rng.uniform(3.0, 12.0), 1.0, 2.0)
    return {"speed_changes": (back, forth)}


def _ticks_steps(rng: Draw, belt: Params) -> dict[str, Any]:
    """Ticks on a belt whose speed changes: a step, a stop, a slow start or a slow swing."""
    changes: list[dict[str, Any]] = [
        _speed_step(rng, belt),
        _stops(rng, belt),
        {"start_ramp_s": rng.uniform(20.0, 120.0)},
        {"speed_wander": rng.uniform(0.01, 0.06), "speed_wander_s": rng.uniform(15.0, 90.0)},
    ]
    change = changes[int(rng.integers(4))]
    return {"ticks_per_turn": int(rng.choice([4, 12, 60])), **change}


def _ticks_lossy(rng: Draw, belt: Params) -> dict[str, Any]:
    """Ticks that cannot be trusted: lost, doubled, none for a while, or a pulley that slips."""
    start_s = rng.uniform(6.0, 9.0) * _rev_s(belt)
    troubles: list[dict[str, Any]] = [
        {"tick_loss": rng.uniform(0.002, 0.05), "tick_double": rng.uniform(0.0, 0.03)},
        {"tick_outages": (Stop(start_s, rng.uniform(1.0, 60.0)),)},
        {"tick_slips": (SpeedChange(start_s, 1.0 + rng.uniform(0.01, 0.2)),)},
        {"tick_slips": (SpeedChange(start_s, 2.0), SpeedChange(start_s + _rev_s(belt), 1.0))},
    ]
    trouble = troubles[int(rng.integers(4))]
    return {"ticks_per_turn": int(rng.choice([1, 4, 12, 60])), **trouble}


def _restart(rng: Draw, belt: Params) -> dict[str, Any]:
    return {"restarts_s": (rng.uniform(5.0, 9.0) * _rev_s(belt),)}


FAMILIES: dict[str, Build] = {
    "quiet": _quiet,
    "drift": _drift,
    "slow": _slow,
    "wobble": _wobble,
    "both": _both,
    "moves": _moves,
    "early": _early,
    "unlogged": _unlogged,
    "accept": _accept,
    "edges": _edges,
    "edges-apart": _apart,
    "edges-bent": _bent,
    "edges-fault": _one_edge,
    "pair-lies": _lies,
    "plain": _plain,
    "runout": _runout,
    "fault-stuck": _fault("stuck"),
    "fault-clipped": _fault("clipped"),
    "fault-silent": _fault("silent"),
    "fault-open": _fault("open"),
    "fault-reference": _fault("reference"),
    "fault-noisy": _fault("noisy"),
    "fault-spikes": _with_drift("spikes", lambda rng, _: {"spike_share": rng.uniform(0.002, 0.02)}),
    "fault-heavy": _with_drift("heavy", lambda rng, _: {"student_df": rng.uniform(2.2, 4.0)}),
    "fault-loss": _with_drift("loss", _loss),
    "marks-miss": _with_drift("miss", lambda rng, belt: {"mark_missing": _some_revs(rng, belt)}),
    "marks-dup": _with_drift("dup", lambda rng, belt: {"mark_double": _some_revs(rng, belt)}),
    "marks-late": _with_drift("late", lambda rng, _: {"mark_delay_s": rng.uniform(0.1, 0.6)}),
    "marks-none": _with_drift("none", lambda *_: {"marks": False}),
    "ticks": _with_drift("ticks", lambda rng, _: {"ticks_per_turn": int(rng.choice([1, 4, 12, 60]))}),
    "ticks-none": _with_drift(
        "ticks-none", lambda rng, _: {"ticks_per_turn": int(rng.choice([4, 12, 60])), "marks": False}
    ),
    "ticks-steps": _with_drift("ticks-steps", _ticks_steps),
    "ticks-lossy": _with_drift("ticks-lossy", _ticks_lossy),
    "speed-stop": _with_drift("stop", _stops),
    "speed-step": _with_drift("step", _speed_step),
    "speed-slow": _with_drift("slow", lambda rng, _: {"start_ramp_s": rng.uniform(20.0, 120.0)}),
    "speed-reverse": _with_drift("reverse", _reverse),
    "restart": _with_drift("restart", _restart),
}
