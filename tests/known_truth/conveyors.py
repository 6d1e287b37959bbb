"""Simulated conveyors at the level of belt revolutions, with known truth, that answer moves; and a
technician.

The mechanics are not those of the estimator. Pulleys answer as a tensioned beam does, second order in time,
with the return strand as a delay (Shelton and Reid 1971, "Real Moving Web"); crown is a steering angle
against the displacement. A third kind comes to rest within a fraction of a revolution, first order, as
belts with much side friction do. Gains lie anywhere within a factor of three of the geometric one, one
machine in ten answers the other way, every other snub on plain pulleys steers the whole belt as a skewed drive
pulley does, screws have backlash, the technician is late and inexact. Nothing in
the program is tuned to these draws.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from monitor.records import Event, MoveMade, Revolution, RevolutionRow
from monitor.response.geometry import curvature_factor, tension_parameter
from monitor.settings import Station, parse_station

STEP_REV = 0.01

STATION = """
[bay]
site = "test-hall"
name = "bay-1"
[serial]
port = "loop://"
[belt]
width_mm = {width:.1f}
length_mm = {length:.1f}
speed_mps = {speed:.4f}
[conveyor]
bearing_spacing_mm = {spacing:.1f}
pulley_diameter_mm = {diameter:.1f}
carry_length_mm = {span:.1f}
[[sensor]]
name = "infeed-left"
channel = 0
pulley = "infeed"
edge = "left"
zero_counts = 32768
counts_per_mm = 600.0
[[sensor]]
name = "drive-left"
channel = 1
pulley = "drive"
edge = "left"
zero_counts = 32768
counts_per_mm = 600.0
[limits]
centre_mm = 3.0
drift_mm_per_rev = 0.5
wobble_mm = 4.0
edge_warn_mm = 25.0
edge_stop_mm = 40.0
[procedure]
hold_minutes = {hold:.1f}
"""


def beam_factors(kl: float) -> tuple[float, float, float]:
    """f1, f2, f3 of the beam's answer in time (facts: Shelton and Reid)."""
    if kl < 0.05:
        return 6.0, 4.0, 2.0
    sh, ch = math.sinh(kl), math.cosh(kl)
    q = kl * sh + 2.0 * (1.0 - ch)
    return kl * kl * (ch - 1.0) / q, kl * (kl * ch - sh) / q, kl * (sh - kl) / q


@dataclass
class Loop:
    """A belt over two pulleys, time counted in belt revolutions. Positions mm at the infeed (0) and drive
    (1) pulley.

    span_mm: centre distance; length_mm: belt length; crown_per_mm: steering angle per mm of displacement.
    """

    span_mm: float
    length_mm: float
    kl: float
    crown_per_mm: float
    y: np.ndarray = field(default_factory=lambda: np.zeros(2))

    def __post_init__(self) -> None:
        self.rate = np.zeros(2)
        self.f = beam_factors(self.kl)
        self.delay = max(round(0.5 * (self.length_mm - 2 * self.span_mm) / self.length_mm / STEP_REV), 1)
        self.past = [(self.y.copy(), self.rate.copy())] * (self.delay + 1)
        self.skew = None

    def advance(self, skew: np.ndarray) -> None:
        """One step with these pulley skews (rad)."""
        f1, f2, f3 = self.f
        a = self.length_mm / self.span_mm  # spans per revolution
        now = skew - self.crown_per_mm * self.y
        turned = (now - self.skew) / STEP_REV if self.skew is not None else np.zeros(2)
        before_y, before_rate = self.past[0]
        up_y, up_rate = before_y[::-1], before_rate[::-1]
        acc = (
            a * a * f1 * (up_y - self.y)
            - a * f2 * self.rate
            - a * f3 * up_rate
            + a * a * self.span_mm * (f2 * now - f3 * skew[::-1])  # the other strand runs the other way
            + self.length_mm * turned
        )
        self.rate = self.rate + STEP_REV * acc
        self.y = self.y + STEP_REV * self.rate
        self.skew = now
        self.past = [*self.past[1:], (self.y.copy(), self.rate.copy())]


@dataclass
class Screw:
    """One take-up screw: what was turned and what reached the bearing."""

    slack_mm: float
    turned_mm: float = 0.0
    bearing_mm: float = 0.0

    def turn(self, amount_mm: float) -> None:
        self.turned_mm += amount_mm
        gap = self.turned_mm - self.bearing_mm
        if gap > self.slack_mm:
            self.bearing_mm = self.turned_mm - self.slack_mm
        elif gap < 0.0:
            self.bearing_mm = self.turned_mm


class Conveyor:
    """One conveyor with its truth. kind: flat, crown, quick; fault: None, twisted, saturated, splice,
    camber.
    """

    def __init__(self, seed: int, fault: str | None = None) -> None:
        rng = self.rng = np.random.default_rng([20260, seed])
        self.fault = fault
        self.kind = "flat" if rng.random() < 0.5 else ("crown" if rng.random() < 0.6 else "quick")
        span, width = rng.uniform(2500, 9500), rng.uniform(300, 900)
        diameter, spacing = rng.uniform(100, 220), width + rng.uniform(40, 150)
        self.length_mm = 2 * span + math.pi * diameter
        speed = self.length_mm / 1000 / rng.uniform(20, 50)
        self.rev_s = self.length_mm / 1000 / speed
        self.station: Station = parse_station(
            STATION.format(
                width=width,
                length=self.length_mm * (1 + rng.uniform(-0.02, 0.02)),
                speed=speed,
                spacing=spacing,
                diameter=diameter,
                span=span,
                hold=rng.uniform(5, 15),
            )
        )
        kl = tension_parameter(span, width)
        factor = float(np.exp(rng.uniform(-math.log(3), math.log(3))))
        self.contrary = rng.random() < 0.1
        sign = -1.0 if self.contrary else 1.0
        self.per_mm = sign * factor / spacing  # skew, rad, per mm of take-up difference
        walk = (2 * curvature_factor(kl) - 1) * span  # mm per rev per rad
        self.gain = walk * self.per_mm
        restoring = float(np.exp(rng.uniform(math.log(0.25), math.log(2.5)))) if self.kind == "crown" else 0.0
        self.loop = Loop(span, self.length_mm, kl, restoring / (2 * walk))
        self.quick_rate = rng.uniform(3, 12)
        self.quick_gain = sign * factor * walk / spacing / 2.0
        self.couple = rng.uniform(0.1, 0.6)
        start = rng.uniform(-10, 10)
        if self.kind == "flat":
            self.skew0 = rng.uniform(-2.0, 2.0) / walk if rng.random() < 0.8 else 0.0
            self.loop.y[:] = start
        elif self.kind == "crown":
            self.skew0 = start * restoring / walk
            self.loop.y[:] = start
        self.quick_y = np.array([start, start])
        self.quick_rest0 = start
        self.offset = rng.normal(0.0, 1.5)
        snub = np.exp(rng.uniform(-math.log(3), math.log(3))) * abs(walk / spacing) / 2.0
        self.snub_gain, self.snub_leak = sign * snub, sign * 0.05 * snub
        self.snub_now = 0.0
        self.snub_share = 0.0  # of a pulley's skew that a snub is worth: plain pulleys, every other machine
        own = np.random.default_rng([20262, seed])
        if self.kind == "flat" and own.random() < 0.5:
            self.snub_share, self.snub_gain, self.snub_leak = float(own.uniform(0.15, 0.5)), 0.0, 0.0
        self.slack_mm = rng.uniform(0.05, 0.25) if rng.random() < 0.33 else 0.0
        self.screws = {
            (w, s): Screw(self.slack_mm, self.slack_mm) for w in ("infeed", "snub") for s in ("left", "right")
        }
        self.wander_sd, self.wander_len = rng.uniform(0.03, 0.25), rng.uniform(3000, 12000)
        self.wander = rng.normal(0.0, self.wander_sd, 2)
        self.camber_mm = rng.uniform(2, 12)
        self.noise_mm = rng.uniform(0.01, 0.08)
        self._break(walk, spacing)
        self.rev, self.s = 0, 0.0
        self.edge_max_mm = 0.0
        for _ in range(400):
            self._step(settle=True)

    def _break(self, walk: float, spacing: float) -> None:
        """Makes a conveyor that no move can track."""
        if self.fault == "twisted":  # a frame so skewed that the take-ups cannot null it, held by crown
            self.kind = "quick"
            self.quick_gain = math.copysign(walk / spacing / 6.0, self.quick_gain)
            self.quick_rest0 = float(self.rng.choice([-1, 1])) * 32.0 * abs(self.quick_gain)
            self.quick_rest0 = float(np.clip(self.quick_rest0, -22, 22))
            self.quick_y[:] = self.quick_rest0
            outside_mm = max(
                abs(self.quick_rest0) - self.station.limits.centre_mm, 1.0
            )  # 35 mm only to come inside
            self.quick_gain = math.copysign(outside_mm / 35.0, self.quick_gain)
        if self.fault == "saturated":  # the belt gives way a little and comes no further
            self.kind = "quick"
            self.quick_rest0 = float(self.rng.choice([-1, 1])) * self.rng.uniform(9, 14)
            self.quick_y[:] = self.quick_rest0
        if self.fault == "splice":
            self.camber_mm = self.rng.uniform(54, 64)
        if self.fault == "camber":
            self.camber_mm = self.rng.uniform(54, 64)

    # ------------------------------------------------------------ mechanics

    @property
    def difference_mm(self) -> float:
        return self.screws["infeed", "left"].bearing_mm - self.screws["infeed", "right"].bearing_mm

    @property
    def snub_mm(self) -> float:
        return self.screws["snub", "left"].bearing_mm - self.screws["snub", "right"].bearing_mm

    def quick_rest(self) -> float:
        push = self.quick_gain * self.difference_mm
        if self.fault == "saturated":
            push = float(np.clip(push, -3.0, 3.0))
        return self.quick_rest0 + push

    def _step(self, settle: bool = False) -> None:
        if settle and self.kind == "flat":
            base = self.loop.y.mean()
            self.loop.advance(np.array([self.skew0, 0.0]))
            shift = base - self.loop.y.mean()
            self.loop.y += shift
            self.loop.past = [(y + shift, r) for y, r in self.loop.past]
            return
        if self.kind == "quick":
            rest = self.quick_rest()
            goal = np.array([rest, self.couple * rest])
            self.quick_y = self.quick_y + STEP_REV * self.quick_rate * (goal - self.quick_y)
        else:
            infeed = self.skew0 + self.per_mm * self.difference_mm
            self.loop.advance(np.array([infeed, self.snub_share * self.per_mm * self.snub_mm]))
        self.snub_now += STEP_REV * 3.0 * (self.snub_mm - self.snub_now)

    def true_positions(self) -> np.ndarray:
        y = (self.quick_y if self.kind == "quick" else self.loop.y).copy()
        y[0] += self.snub_leak * self.snub_now
        y[1] += self.offset + self.snub_gain * self.snub_now
        return y

    def move(self, where: str, side: str, amount_mm: float) -> None:
        self.screws[where, side].turn(amount_mm)

    def put_back(self) -> None:
        """The belt is stopped and put to the middle by hand; crowned pulleys take it back to where they had it."""
        if self.kind == "flat":
            shift = self.loop.y[0]
            self.loop.y = self.loop.y - shift
            self.loop.past = [(y - shift, rate) for y, rate in self.loop.past]

    def run_to(self, s: float) -> np.ndarray:
        """Advances to belt travel s; returns the mean true positions over that stretch."""
        total, n = np.zeros(2), 0
        kept = math.exp(-STEP_REV * self.length_mm / self.wander_len)
        while self.s < s - 1e-9:
            self._step()
            self.wander = kept * self.wander + self.rng.normal(0, self.wander_sd * math.sqrt(1 - kept**2), 2)
            y = self.true_positions()
            self.edge_max_mm = max(self.edge_max_mm, float(np.abs(y).max()) + 0.5 * self.camber_mm)
            self.acc += y + self.wander
            self.true_acc += y
            self.n_acc += 1
            total, n = total + y, n + 1
            self.s += STEP_REV
        return total / max(n, 1)

    # ------------------------------------------------------------ what the estimator hands over

    def start_revolution(self) -> None:
        self.acc, self.true_acc, self.n_acc = np.zeros(2), np.zeros(2), 0

    def end_revolution(self) -> Revolution:
        self.rev += 1
        self.true_mean = self.true_acc / self.n_acc
        seen = self.acc / self.n_acc + self.rng.normal(0, self.noise_mm, 2)
        half = 0.5 * self.camber_mm
        rows = tuple(
            RevolutionRow(
                self.rev,
                (self.rev - 1) * self.rev_s,
                self.rev * self.rev_s,
                name,
                float(y),
                self.noise_mm,
                0.0,
                0.3,
                self.camber_mm,
                "steady",
                1000,
                0,
                pulley,
                float(y) - half,
                float(y) + half,
                "good",
            )
            for name, pulley, y in zip(("infeed-left", "drive-left"), ("infeed", "drive"), seen, strict=True)
        )
        return Revolution(self.rev, (self.rev - 1) * self.rev_s, self.rev * self.rev_s, rows)

    # ------------------------------------------------------------ truth for the table

    def true_walk(self) -> float:
        """The walk per revolution once all transients are over (flat pulleys)."""
        if self.kind != "flat":
            return 0.0
        moved_mm = self.difference_mm + self.snub_share * self.snub_mm
        return self.gain / self.per_mm * (self.skew0 + self.per_mm * moved_mm)

    def can_be_tracked(self) -> bool:
        """False for faults, and for flat pulleys whose gain is so high that the finest move advised (a hair, a
        twentieth of a wrench step) still walks too much.
        """
        if self.fault is not None:
            return False
        if self.kind != "flat":
            return True
        p = self.station.procedure
        hold_revs = 60 * p.hold_minutes / self.rev_s
        left_over = 0.5 * (p.wrench_step_mm / 20) * abs(self.gain)
        return left_over <= min(0.2, 1.3 * self.station.limits.centre_mm / hold_revs)


@dataclass
class Technician:
    """Follows the advice: late by part of a revolution, inexact, sometimes 20 % too much; careless on
    request.
    """

    rng: np.random.Generator
    careless: float = 0.0
    plan: tuple[float, MoveMade] | None = None

    def hears(self, advice: object, s: float, rev_s: float) -> None:
        action = getattr(advice, "action", "")
        if action == "move":
            at = s + self.rng.uniform(0.2, 1.2)
            where, side, amount_mm = (getattr(advice, key) for key in ("where", "side", "amount_mm"))
            self.plan = (at, MoveMade(at * rev_s, where, side, amount_mm))
        elif action in ("check", "wait", "none"):
            self.plan = None

    def really(self, entry: MoveMade) -> tuple[str, float, bool]:
        """Side, amount, logged: what the hand does."""
        amount = entry.amount_mm * (1 + 0.05 * self.rng.normal()) * (1.2 if self.rng.random() < 0.1 else 1.0)
        amount += 0.01 * self.rng.normal()
        side, logged = entry.side, True
        if self.rng.random() < self.careless:
            side = "left" if side == "right" else "right"
        elif self.rng.random() < self.careless:
            logged = False
        return side, amount, logged


@dataclass
class Outcome:
    """What became of one run-in."""

    kind: str
    fault: str | None
    can: bool
    contrary: bool
    verdict: str = "undecided"
    action: str = ""
    revs: int = 0
    moves: int = 0
    infeed_moves: int = 0
    early: int = 0
    unsettled: int = 0
    stop_by_move: bool = False
    wrong_tracked: bool = False
    inside_95: int = 0
    forecasts: int = 0
    causes: tuple[str, ...] = ()
    no_response: int = 0
    put_back: int = 0
    trail: list[str] = field(default_factory=list)


def alarms_of(conveyor: Conveyor, revolution: Revolution, active: dict[str, bool]) -> list[Event]:
    """The edge alarms, as detection would raise and clear them."""
    out = []
    limits = conveyor.station.limits
    for row in revolution.rows:
        for name, limit in (("edge-warn", limits.edge_warn_mm), ("edge-stop", limits.edge_stop_mm)):
            extreme = max(abs(row.edge_min_mm), abs(row.edge_max_mm))
            key, beyond = f"{name} {row.sensor}", extreme > limit
            if beyond != active.get(key, False):
                active[key] = beyond
                kind = "alarm-raised" if beyond else "alarm-cleared"
                out.append(
                    Event(revolution.end_s, revolution.rev, kind, name, sensor=row.sensor, value_mm=extreme)
                )  # type: ignore[arg-type]
    return out
