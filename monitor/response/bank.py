"""Many models of one belt, filtered side by side: which of them does the belt follow, and where will it go?

One model is a small linear state, in mm and belt revolutions s:

infeed position   dY/ds = f + b u + g v - r Y      f standing walk, b gain, u take-up difference, r restoring
rate, g what the snub steers, v snub difference
drive - infeed    dD/ds = q (d0 + m u + e v - D)      the offset follows within two revolutions, or as
slowly as the belt comes to rest

and what a revolution shows is Y or Y + D plus the belt's own random wander (first-order autoregressive) and
the reading's error. r = 0 is a pair of flat pulleys (the belt walks on), a large r a strong crown (it comes
to rest). For a given r, wander and coarse gain everything is linear, so each model is a Kalman filter
(Kalman 1960; Gelb 1974, from memory), and the weights of the models follow their predictions (Bayes). Gains
of either sign and from a sixth to six times the geometric one are covered. The first revolutions after a
move are not representative on flat pulleys (the moved pulley runs ahead by about 0.6 of a revolution's new
walk, the other lags; from the beam model), so a move also shifts Y and widens Y and D.

A snub skews the belt's path at the drive pulley. Where nothing pulls the belt back that steers the whole belt
as a skewed drive pulley does, and the walk g it gives and the offset e belong together: e / g is L theta / 2
over (2 K_c - 1) L theta, some 1.2 for belts of usual stiffness. How much of a pulley's skew a snub is worth
is published nowhere, nor whether friction takes it up, so plain pulleys with and without it are both models.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
N = 10
Y, F, B, G, D, D0, M, E, WI, WD = range(N)
STEERED = slice(Y, G + 1)  # what the infeed position depends on; with OFFSET what the drive position does
OFFSET = slice(D, E + 1)
WANDER = slice(WI, WD + 1)

OFFSET_RATE = (
    1.8  # per rev: 83 % of the offset in the first, 97 % in the second revolution (beam, KL about 1)
)
RESTORING = (  # restoring rate and rate at which the offset follows, per rev; does the snub steer; weight
    (0.0, OFFSET_RATE, False, 0.13),
    (0.0, OFFSET_RATE, True, 0.13),
    (0.03, OFFSET_RATE, False, 0.04),
    (0.03, OFFSET_RATE, True, 0.04),
    (0.1, OFFSET_RATE, False, 0.04),
    (0.1, OFFSET_RATE, True, 0.04),
    (0.25, OFFSET_RATE, False, 0.06),
    (0.25, 0.25, False, 0.06),
    (0.6, OFFSET_RATE, False, 0.07),
    (0.6, 0.6, False, 0.07),
    (1.5, OFFSET_RATE, False, 0.16),
    (4.0, OFFSET_RATE, False, 0.16),
)
SNUB_WALK, SNUB_WALK_SD = 0.35, 0.25  # walk by a snub that steers, as a share of the infeed's: no source
SNUB_OFFSET, SNUB_OFFSET_SD = (
    1.2,
    0.15,
)  # offset per walk on plain pulleys; its sd, as a share of the infeed's gain
GAIN_FACTOR = (1 / 3, 0.58, 1.0, 1.73, 3.0)  # times the geometric gain: a factor of three either way
GAIN_WEIGHT = (0.16, 0.22, 0.24, 0.22, 0.16)
GAIN_WIDTH = 0.3  # sd of each, as a share of it: neighbours overlap
CONTRARY = 0.1  # one machine in ten answers the other way
WANDER_MM = (0.05, 0.12, 0.25)
WANDER_WEIGHT = (0.35, 0.4, 0.25)
WANDER_KEPT = 0.25  # correlation of the wander's mean over one revolution with the next one
# Of the beam with crowned pulleys, KL 1: 0.59 at 0.1 per rev, 0.39 at 0.5, 0.29 at 0.8, 0.19 at 1.2 (computed)
RUN_AHEAD = 0.6  # times exp(-rate): revolutions of the new walk by which the moved pulley runs ahead
RUN_BEHIND = 0.75  # ... and by which the other one lags behind
UNREADY, UNREADY_REV = 0.08, 2.0  # scatter of the walk, as a share of its change, this long after a move
FLAT = 0.15  # models that restore more slowly than this, per rev, are treated as walking
PUT_ASIDE = 8.0  # log evidence that a reading put aside costs: about what a four-sigma miss would
CREDIBLE = 1e-3  # share of the weight of all models of its sign from which a model counts
CREDIBLE_SIGN = 1e-4  # ... and of all weight from which a sign does
SWITCHING = 3e-4  # share of the prior mixed back at each revolution, so that no model is ever lost
NEGLIGIBLE = 1e-6  # models lighter than this (by SWITCHING alone) are kept, but not asked what they expect


@dataclass(slots=True, eq=False)
class Bank:
    """All models at belt travel s (rev). x: (N, n) means, p: (N, N, n) covariances, log_weight: (n,)."""

    rate: Array
    follow: Array
    sign: Array
    wander_mm: Array
    prior: Array
    x: Array
    p: Array
    log_weight: Array
    gain_mm: float
    s: float = math.nan
    infeed_mm: float = 0.0
    snub_mm: float = 0.0
    moved_s: float = -math.inf
    moved_mm: float = 0.0
    moved_snub_mm: float = 0.0
    log_evidence: float = 0.0
    doubtful: int = 0

    def copy(self) -> Bank:
        """A bank that goes its own way from here: arrays are never changed in place, so they may be shared."""
        return replace(self)

    @property
    def weight(self) -> Array:
        return _softmax(self.log_weight)

    def likely(self) -> Models:
        """The models that are not as good as excluded, to be asked."""
        keep = self.weight > NEGLIGIBLE
        left = _softmax(self.log_weight[keep])
        x, p = _models_first(self.x[:, keep]), _models_first(self.p[:, :, keep])
        rate, follow = self.rate[keep], self.follow[keep]
        return Models(left, rate, follow, x, p, self.s, self.infeed_mm, self.snub_mm)

    # ------------------------------------------------------------ time

    def travel(self, to_rev: float) -> None:
        """Moves every model on to this belt travel."""
        revs = to_rev - self.s
        if not revs > 0.0:
            return
        left, grown = _decay(self.rate, revs)
        follow = 1.0 - np.exp(-self.follow * revs)
        kept = WANDER_KEPT**revs
        self.x, self.p = self.x.copy(), self.p.copy()
        self._blend(Y, {Y: left, F: grown, B: grown * self.infeed_mm, G: grown * self.snub_mm})
        self._blend(D, {D: 1.0 - follow, D0: follow, M: follow * self.infeed_mm, E: follow * self.snub_mm})
        self.x[WANDER] *= kept
        self.p[WANDER] *= kept
        self.p[:, WANDER] *= kept
        fresh = self.wander_mm**2 * (1.0 - kept * kept)
        self.p[WI, WI] += fresh
        self.p[WD, WD] += fresh
        self.p[F, F] += revs * (0.004 * (1.0 + 4.0 * self.rate)) ** 2  # warming belt, creeping frame
        self.p[D0, D0] += revs * 0.02**2
        if self.s - self.moved_s < UNREADY_REV:
            change = self.x[B] * self.moved_mm + self.x[G] * self.moved_snub_mm
            for index in (Y, D):
                self.p[index, index] += revs * (UNREADY * change / (1.0 + self.rate)) ** 2
        self.s = to_rev

    def _blend(self, index: int, parts: dict[int, Array]) -> None:
        """One entry of the state becomes this sum of entries."""
        parts = {other: part for other, part in parts.items() if part.any()}
        self.x[index] = sum(part * self.x[other] for other, part in parts.items())
        self.p[index] = sum(part * self.p[other] for other, part in parts.items())
        self.p[:, index] = sum(part * self.p[:, other] for other, part in parts.items())

    # ------------------------------------------------------------ moves

    def move(self, infeed_mm: float, snub_mm: float, error_mm: float) -> None:
        """A take-up difference was changed here and now, by these signed amounts, give or take error_mm."""
        gain, offset, walk, snub_offset = (self.x[i].copy() for i in (B, M, G, E))
        ahead = RUN_AHEAD * np.exp(-self.rate)
        self.infeed_mm += infeed_mm
        self.moved_s, self.moved_mm, self.moved_snub_mm = self.s, infeed_mm, snub_mm
        self.snub_mm += snub_mm
        jump = np.tile(np.eye(N), (len(self.rate), 1, 1))
        jump[:, Y, B], jump[:, Y, G] = ahead * infeed_mm, -RUN_BEHIND * snub_mm
        self.x = _models_last(np.einsum("nij,nj->ni", jump, _models_first(self.x)))
        self.p = _models_last(jump @ _models_first(self.p) @ jump.transpose(0, 2, 1))
        slip = np.zeros_like(self.x)
        if infeed_mm:
            slip[F], slip[D0], slip[Y] = gain, offset, ahead * gain
            self.p[Y, Y] += (0.3 * gain * infeed_mm / (1.0 + self.rate)) ** 2
            self.p[D, D] += (0.3 * gain * infeed_mm / (1.0 + self.rate)) ** 2
        if snub_mm:
            slip[D0], slip[F], slip[Y] = snub_offset, walk, -RUN_BEHIND * walk
            self.p[Y, Y] += (0.3 * walk * snub_mm) ** 2
            self.p[F, F] += (0.1 * snub_offset * snub_mm * np.maximum(self.rate, 0.1)) ** 2
            self.p[D, D] += (0.3 * snub_offset * snub_mm) ** 2
        self.p += error_mm**2 * slip[:, None] * slip[None, :]

    def merge(self, other: Bank, log_odds: float) -> None:
        """Take in a bank that saw the same belt but another take-up history; log_odds: how much likelier it is.

        Each model is kept from the bank in which it is likelier, with the weight of both. The other's models are
        told in this one's take-up differences: what they explain by the difference becomes standing walk.
        """
        infeed_mm, snub_mm = other.infeed_mm - self.infeed_mm, other.snub_mm - self.snub_mm
        shift = np.eye(N)
        shift[F, B], shift[D0, M], shift[D0, E], shift[F, G] = infeed_mm, infeed_mm, snub_mm, snub_mm
        mine, theirs = self.weight, other.weight * math.exp(min(log_odds, 50.0))
        take = theirs > mine
        self.x, self.p = self.x.copy(), self.p.copy()
        self.x[:, take] = (_models_first(other.x[:, take]) @ shift.T).T
        self.p[:, :, take] = _models_last(shift @ _models_first(other.p[:, :, take]) @ shift.T)
        total = mine + theirs
        self.log_weight = np.log(total / total.sum())

    def widen(self, factor: float = 1.0) -> None:
        """The belt did something no logged move explains: forget where it is and where it goes, keep the
        gains.
        """
        rate = 1.0 + self.rate
        self.p = self.p.copy()
        for index, sd in ((Y, 6.0), (D, 2.0), (D0, 2.0)):
            self.p[index, index] += (factor * sd) ** 2
        self.p[F, F] += (factor * 2.0 * rate) ** 2

    # ------------------------------------------------------------ what the belt shows

    def observe(self, infeed: tuple[float, float] | None, drive: tuple[float, float] | None) -> bool:
        """One revolution's positions with their standard errors. False: so unlikely that it is put aside
        first.
        """
        readings = [(row, value) for row, value in (((Y, WI), infeed), ((Y, D, WD), drive)) if value]
        if not readings:
            return True
        x, p = self.x, self.p
        distance, log_spread = np.zeros_like(self.rate), np.zeros_like(self.rate)
        for row, (position_mm, se_mm) in readings:  # one after the other: their errors are independent
            hp = np.asarray(sum(p[:, i] for i in row))
            variance = np.asarray(sum(hp[i] for i in row)) + se_mm**2
            miss = position_mm - sum(x[i] for i in row)
            x = x + hp * (miss / variance)
            learnt = hp[:, None] * (hp / variance)
            p = np.subtract(p, learnt, out=learnt)
            distance += miss**2 / variance
            log_spread += np.log(2.0 * math.pi * variance)
        if self.doubtful < 2 and distance[self._credible()].min() > 16.0 + 4.0 * len(readings):
            self.doubtful += 1
            self.log_evidence -= PUT_ASIDE
            if self.doubtful == 1:
                return False
            self.widen()
            return self.observe(infeed, drive)
        self.doubtful = 0
        self.x, self.p = x, p + p.transpose(1, 0, 2)
        self.p *= 0.5
        self._reweigh(-0.5 * (distance + log_spread))
        return True

    def _credible(self) -> NDArray[np.bool_]:
        """Models that count when it is asked whether any explains a reading: of either sign, a contrary machine with
        very little weight as well, since only the next answer can tell that it is one.
        """
        weight = self.weight
        share = np.where(self.sign < 0.0, weight[self.sign < 0.0].sum(), weight[self.sign > 0.0].sum())
        return np.asarray((share > CREDIBLE_SIGN) & (weight > CREDIBLE * share))

    def _reweigh(self, density: Array) -> None:
        before = self.log_weight - math.log(np.exp(self.log_weight).sum())
        total = before + density
        top = total.max()
        evidence = top + math.log(np.exp(total - top).sum())
        self.log_evidence += float(evidence)
        mixed = (1.0 - SWITCHING) * np.exp(total - evidence) + SWITCHING * self.prior
        self.log_weight = np.log(mixed)


@dataclass(frozen=True, slots=True, eq=False)
class Models:
    """Models to be asked, of a bank at belt travel s (rev). weight: (n,), sums to 1; x: (n, N); p: (n, N, N)."""

    weight: Array
    rate: Array
    follow: Array
    x: Array
    p: Array
    s: float
    infeed_mm: float
    snub_mm: float

    def decay(self, revs: float) -> tuple[Array, Array]:
        """What is left of a displacement after so many revolutions, and what a unit of walk has become."""
        return _decay(self.rate, revs)


def _decay(rate: Array, revs: float) -> tuple[Array, Array]:
    left = np.exp(-rate * revs)
    slow = rate < 1e-9
    grown = np.where(slow, revs, (1.0 - left) / np.where(slow, 1.0, rate))
    return left, grown


def _softmax(log_weight: Array) -> Array:
    w = np.exp(log_weight - log_weight.max())
    return np.asarray(w / w.sum())


def _models_first(a: Array) -> Array:
    return np.ascontiguousarray(np.moveaxis(a, -1, 0))


def _models_last(a: Array) -> Array:
    return np.ascontiguousarray(np.moveaxis(a, 0, -1))


def start(gain_mm: float) -> Bank:
    """The models before the belt has shown anything; gain_mm is the geometric gain, mm per rev per mm."""
    rows = [
        (rate, follow, steers, sign, factor, wander, rw * sw * gw * ww)
        for rate, follow, steers, rw in RESTORING
        for sign, sw in ((1.0, 1.0 - CONTRARY), (-1.0, CONTRARY))
        for factor, gw in zip(GAIN_FACTOR, GAIN_WEIGHT, strict=True)
        for wander, ww in zip(WANDER_MM, WANDER_WEIGHT, strict=True)
    ]
    columns = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    rate, follow, steers, sign, factor, wander, weight = columns
    n = len(rate)
    rest_gain = sign * factor * gain_mm / np.maximum(np.minimum(rate, 2.0), 1.0)
    gain = sign * factor * gain_mm * np.maximum(1.0, rate / 2.0)
    x, p = np.zeros((n, N)), np.zeros((n, N, N))
    x[:, B] = gain
    flat = rate < FLAT
    steering = steers > 0.5
    x[:, G] = np.where(steering, SNUB_WALK * gain, 0.0)
    x[:, E] = np.where(steering, SNUB_OFFSET * x[:, G], sign * gain_mm / 2.0)
    share = np.where(flat, -1.2, -0.5)  # the drive pulley's share of the answer, relative to the infeed's
    x[:, M] = share * rest_gain
    sds = {
        Y: np.full(n, 12.0),
        F: np.hypot(2.5, 8.0 * rate),
        B: GAIN_WIDTH * np.abs(gain),
        D: np.full(n, 4.0),
        D0: np.full(n, 4.0),
        M: 0.35 * np.abs(rest_gain),
        G: np.where(steering, SNUB_WALK_SD * np.abs(gain), 0.0),
        E: np.where(steering, SNUB_OFFSET_SD * np.abs(gain), 0.6 * gain_mm / 2.0),
        WI: wander,
        WD: wander,
    }
    for index, sd in sds.items():
        p[:, index, index] = sd**2
    p[:, M, B] = p[:, B, M] = (share * rest_gain / gain) * p[:, B, B]
    p[:, M, M] += (share * rest_gain / gain) ** 2 * p[:, B, B]
    p[:, E, G] = p[:, G, E] = SNUB_OFFSET * p[:, G, G]
    p[:, E, E] += SNUB_OFFSET**2 * p[:, G, G]
    weight = weight / weight.sum()
    x, p = _models_last(x), _models_last(p)
    return Bank(rate, follow, sign, wander, weight, x, p, np.log(weight), gain_mm)
