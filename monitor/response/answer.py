"""How this belt answers moves: where it will be, where it comes to rest or how it walks, and did it answer
at all.

Keeps the bank of models as the technician logged the moves, and beside it, after each move, what the models
would say had the move not happened, or happened on the other side. When the belt follows one of those far
better, the move had no effect (or the wrong one), and the bank is corrected; while that is not clear (a first
answer the wrong way may come of a contrary machine or of a slip), all that is possible is weighed. A move that
is logged late is put where it belongs by filtering the last revolutions again.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from monitor.numerics.mixture import Mixture
from monitor.response.bank import (
    D0,
    FLAT,
    OFFSET,
    RUN_AHEAD,
    RUN_BEHIND,
    STEERED,
    B,
    Bank,
    D,
    E,
    F,
    G,
    M,
    Models,
    Y,
    start,
)
from monitor.response.geometry import expected_gain
from monitor.settings import Station

Array = NDArray[np.float64]
Answered = Literal["unknown", "as-logged", "not-at-all", "other-way"]
REMEMBERED = 16  # revolutions that can be filtered again for a move that is logged late
CARELESS = {
    0.0: 0.04,
    -1.0: 0.03,
}  # how often a logged move was not made, or on the other side: from experience, no source
SURE = 0.97  # probability from which a finding about the last move is stated
INEXACT, INEXACT_MM = 0.12, 0.03  # how inexactly a logged amount is made (sd): share, and mm
BACKLASH_MM = 0.12  # further sd when a screw is turned back
HALF = 0.5  # a revolution's mean belongs to its middle

Position = tuple[float, float] | None


@dataclass(eq=False)
class Ahead:
    """What is expected some revolutions ahead, without the belt's random wander; each figure is reckoned when
    it is asked for, so it is to be asked before the belt is told anything new.

    steered, offset, slope: (n, 4) by which the state gives the infeed position, what the drive position has
    besides, and the walk. slip: (n,) variance from what a hand leaves open of the move.
    """

    bank: Models
    weight: Array
    steered: Array
    offset: Array
    slope: Array
    slip: tuple[Array, Array]

    def _figure(self, row: Array, extra: Array, of: slice) -> Mixture:
        mean = (row * self.bank.x[:, of]).sum(axis=1)
        inner = np.einsum("nij,nj->ni", self.bank.p[:, of, of], row)
        variance = (row * inner).sum(axis=1) + extra
        return Mixture(self.weight, mean, np.sqrt(np.maximum(variance, 1e-10)))

    @cached_property
    def infeed(self) -> Mixture:
        """Position at the infeed pulley, mm."""
        return self._figure(self.steered, self.slip[0], STEERED)

    @cached_property
    def drive(self) -> Mixture:
        """Position at the drive pulley, mm."""
        row = np.concatenate([self.steered, self.offset], axis=1)
        return self._figure(row, self.slip[0], slice(STEERED.start, OFFSET.stop))

    @cached_property
    def walk(self) -> Mixture:
        """Walk at the infeed pulley, mm per revolution."""
        return self._figure(self.slope, self.slip[1], STEERED)


@dataclass(slots=True)
class LastMove:
    """The move whose effect is being watched."""

    s: float
    where: str
    signed_mm: float
    evidence_before: float
    twins: dict[float, Bank] = field(default_factory=dict)
    verdict: Answered = "unknown"
    seen: int = 0
    merged: Bank | None = None

    def copy(self) -> LastMove:
        return replace(self, twins={share: bank.copy() for share, bank in self.twins.items()})


class BeltAnswer:
    """The belt of one run-in. Positions in mm, belt travel in revolutions since the run-in began."""

    def __init__(self, station: Station) -> None:
        self._settle_revs = station.procedure.settle_revs
        self.prior_gain = expected_gain(station)
        self._bank = start(self.prior_gain)
        self._past: deque[tuple[float, Bank, LastMove | None, tuple[float, Position, Position]]] = deque(
            maxlen=REMEMBERED
        )
        self._last: LastMove | None = None
        self._moves: deque[float] = deque(maxlen=8)
        self._likely: Models | None = None
        self._asked: dict[tuple[float, float, float, float, float], Ahead] = {}

    # ------------------------------------------------------------ what happens

    def observe(self, rev: float, infeed: Position, drive: Position) -> None:
        """The revolution that ended at belt travel rev. A revolution in which a move fell is not used."""
        if infeed is None and drive is None:
            return
        if self._last is not None:
            self._last.merged = None
        self._likely, self._asked = None, {}
        last = self._last.copy() if self._last is not None else None
        self._past.append((self._bank.s, self._bank.copy(), last, (rev, infeed, drive)))
        self._take(rev, infeed, drive)

    def _take(self, rev: float, infeed: Position, drive: Position) -> None:
        middle = rev - HALF
        banks = [self._bank, *(self._last.twins.values() if self._last else ())]
        if math.isnan(self._bank.s):
            for bank in banks:
                bank.s = middle
        if any(rev - 1.0 < s < rev for s in self._moves):
            return
        for bank in banks:
            bank.travel(middle)
            bank.observe(infeed, drive)
        if self._last is not None:
            self._last.seen += 1
            self._judge()

    def move(self, s: float, where: str, signed_mm: float, turned_back: bool = False) -> None:
        """A take-up move at belt travel s. signed_mm is positive when it should send the belt to the
        right.
        """
        self._likely, self._asked = None, {}
        redo: list[tuple[float, Position, Position]] = []
        while self._past and s < self._bank.s:
            _, self._bank, self._last, seen = self._past.pop()
            redo.insert(0, seen)
        self._apply(
            max(s, self._bank.s) if not math.isnan(self._bank.s) else s, where, signed_mm, turned_back
        )
        for rev, infeed, drive in redo:
            self.observe(rev, infeed, drive)

    def _apply(self, s: float, where: str, signed_mm: float, turned_back: bool) -> None:
        if math.isnan(self._bank.s):
            self._bank.s = s
        self._bank.travel(s)
        self._settle_last()
        self._moves.append(s)
        error_mm = math.hypot(INEXACT * abs(signed_mm), INEXACT_MM, BACKLASH_MM if turned_back else 0.0)
        last = LastMove(s, where, signed_mm, self._bank.log_evidence)
        for share in CARELESS:
            twin = self._bank.copy()
            if share:
                twin.move(*self._signed(where, share * signed_mm), error_mm)
            last.twins[share] = twin
        self._bank.move(*self._signed(where, signed_mm), error_mm)
        self._last = last

    @staticmethod
    def _signed(where: str, signed_mm: float) -> tuple[float, float]:
        return (signed_mm, 0.0) if where == "infeed" else (0.0, signed_mm)

    def jolt(self) -> None:
        """Something moved the belt that nobody logged: what it does from now on says nothing of the last move."""
        if not math.isnan(self._bank.s):
            self._settle_last()
        self._likely, self._asked = None, {}
        self._bank.widen()

    def _judge(self) -> None:
        last = self._last
        assert last is not None
        if last.seen < max(self._settle_revs - 1, 1):
            return
        log_odds = self._log_odds(last)
        top = max(log_odds.values())
        total = sum(math.exp(v - top) for v in log_odds.values())
        best = max(log_odds, key=lambda k: log_odds[k])
        sure = math.exp(log_odds[best] - top) / total >= SURE
        names: dict[float, Answered] = {1.0: "as-logged", 0.0: "not-at-all", -1.0: "other-way"}
        last.verdict = names[best] if sure else "unknown"

    def _log_odds(self, last: LastMove) -> dict[float, float]:
        """How likely it is by now that the last move was made as logged (1), not at all (0), the other way (-1)."""
        log_odds = {share: math.log(p) + last.twins[share].log_evidence for share, p in CARELESS.items()}
        log_odds[1.0] = math.log(1.0 - sum(CARELESS.values())) + self._bank.log_evidence
        return log_odds

    def _believed(self) -> Bank:
        """What is believed of the belt with what is not known of the last move weighed in.

        Also what is unlikely: a contrary machine whose first move was made on the wrong side looks like an ordinary
        one, and when the next answer goes the other way it must still be among what is possible.
        """
        last = self._last
        if last is None or last.seen < max(self._settle_revs - 1, 1):
            return self._bank
        if last.merged is None:
            log_odds = self._log_odds(last)
            last.merged = self._bank.copy()
            for share, twin in last.twins.items():
                last.merged.merge(twin, log_odds[share] - log_odds[1.0])
        return last.merged

    def _settle_last(self) -> None:
        """Before the next move: go on with what is believed."""
        believed = self._believed()
        if believed is not self._bank:
            believed.travel(self._bank.s)
            self._bank = believed
        self._last = None

    # ------------------------------------------------------------ what is believed

    @property
    def _best(self) -> Models:
        """The likely models of what is believed; reckoned once until something new is told."""
        if self._likely is None:
            self._likely, self._asked = self._believed().likely(), {}
        return self._likely

    @property
    def answered(self) -> Answered:
        """Whether the belt answered the last move, as far as that can be told by now."""
        return self._last.verdict if self._last else "unknown"

    @property
    def gain(self) -> Mixture:
        """Walk per revolution, mm, that one mm of take-up difference gives at first."""
        bank = self._best
        return Mixture(bank.weight, bank.x[:, B], np.sqrt(bank.p[:, B, B]))

    def effect(self, revs: float) -> Mixture:
        """The change of position, mm, that one mm of take-up difference gives within so many revolutions."""
        bank = self._best
        grown = bank.decay(revs)[1]
        return Mixture(bank.weight, grown * bank.x[:, B], grown * np.sqrt(bank.p[:, B, B]))

    @property
    def snub_effect(self) -> Mixture:
        """The change of position at the drive pulley, mm, that one mm of snub difference gives."""
        bank = self._best
        return Mixture(bank.weight, bank.x[:, E], np.sqrt(bank.p[:, E, E]))

    def standing_offset(self, snub_mm: float = 0.0) -> Mixture:
        """How far to the right of its infeed position, mm, the belt will ride at the drive pulley once the infeed
        pulley was set so that it walks no more, the snub having been moved by snub_mm before.

        For models that walk on the take-up difference that stops them is -(f + g v) / b, where f, g and b are not
        known for certain: to first order their errors go with the offset's own.
        """
        bank = self._best
        v = bank.snub_mm + snub_mm
        walks = bank.rate < FLAT
        f, b, g, m = (bank.x[:, i] for i in (F, B, G, M))
        stops = np.where(walks, -(f + g * v) / b, bank.infeed_mm)
        row = np.zeros_like(bank.x)
        row[:, D0], row[:, E], row[:, M] = 1.0, v, stops
        mean = (row * bank.x).sum(axis=1)
        share = np.where(walks, -m / b, 0.0)
        row[:, F], row[:, G], row[:, B] = share, share * v, share * stops
        variance = np.einsum("ni,nij,nj->n", row, bank.p, row)
        return Mixture(bank.weight, mean, np.sqrt(np.maximum(variance, 1e-10)))

    @property
    def sign_known(self) -> bool:
        """True once it is clear which way this belt answers."""
        share = self.gain.below(0.0)
        return min(share, 1.0 - share) < 0.02

    @property
    def contrary(self) -> float:
        """The probability that this machine answers the other way."""
        return self.gain.below(0.0)

    @property
    def walks_on(self) -> float:
        """The probability that nothing brings the belt to rest: flat pulleys."""
        bank = self._best
        return float(bank.weight[bank.rate < FLAT].sum())

    @property
    def restoring(self) -> float:
        """The expected share of a displacement that is taken back in one revolution (0 none, 1 all)."""
        bank = self._best
        return float(bank.weight @ (1.0 - np.exp(-bank.rate)))

    def settling_revs(self, rev: float, tolerance_mm: float) -> float:
        """Revolutions from now until the last move's effect is over within tolerance, for likely models.
        0: it is.
        """
        bank, last = self._best, self._last
        if last is None or last.verdict == "not-at-all":
            return 0.0
        likely = (bank.weight > 0.03 * bank.weight.max()) & (bank.rate >= FLAT)
        if not likely.any() or self.walks_on > 0.5:
            return 0.0
        if last.where == "infeed":
            rate = bank.rate[likely]
            effect = np.abs(bank.x[likely, B] * last.signed_mm) / rate
        else:
            rate = bank.follow[likely]
            effect = np.abs(bank.x[likely, E] * last.signed_mm)
        revs = np.log(np.maximum(effect / tolerance_mm, 1.0)) / rate
        weight = bank.weight[likely] / bank.weight[likely].sum()
        order = np.argsort(revs)
        place = int(np.searchsorted(np.cumsum(weight[order]), 0.8))
        longest = float(revs[order][min(place, len(order) - 1)])
        return max(last.s + longest - rev, 0.0)

    def ahead(
        self, rev: float, revs: float, infeed_mm: float = 0.0, snub_mm: float = 0.0, delay: float = 0.0
    ) -> Ahead:
        """What is expected at rev + revs if these moves are made at rev + delay (signed as in `move`)."""
        asked = (rev, revs, infeed_mm, snub_mm, delay)
        if asked not in self._asked:
            self._asked[asked] = self._ahead(*asked)
        return self._asked[asked]

    def _ahead(self, rev: float, revs: float, infeed_mm: float, snub_mm: float, delay: float) -> Ahead:
        bank = self._best
        h, after = rev + revs - bank.s, max(revs - delay, 0.0)
        left, grown = bank.decay(max(h, 0.0))
        left2, grown2 = bank.decay(after)
        follow = 1.0 - np.exp(-bank.follow * max(h, 0.0))
        follow2 = 1.0 - np.exp(-bank.follow * after)
        push, trim = (infeed_mm, snub_mm) if after > 0.0 else (0.0, 0.0)
        run = RUN_AHEAD * np.exp(-bank.rate) * left2
        a, d, w = (np.zeros((len(bank.rate), 4)) for _ in range(3))
        a[:, Y], a[:, F] = left, grown
        a[:, B] = grown * bank.infeed_mm + (grown2 + run) * push
        a[:, G] = grown * bank.snub_mm + (grown2 - RUN_BEHIND * left2) * trim
        d[:, D - D], d[:, D0 - D] = 1.0 - follow, follow
        d[:, M - D] = follow * bank.infeed_mm + follow2 * push
        d[:, E - D] = follow * bank.snub_mm + follow2 * trim
        w[:, Y], w[:, F] = -bank.rate * left, left
        w[:, B] = left * bank.infeed_mm + left2 * push
        w[:, G] = left * bank.snub_mm + left2 * trim
        slip = 0.01 * push**2 * bank.x[:, B] ** 2 * (1.0 + 1.0 / (1.0 + bank.rate) ** 2)
        slip += 0.01 * trim**2 * bank.x[:, G] ** 2
        return Ahead(bank, bank.weight, a, d, w, (slip * grown2**2, slip * left2**2))

    # ------------------------------------------------------------ keeping

    def snapshot(self) -> dict[str, Any]:
        kept = {k: v for k, v in self.__dict__.items() if k not in ("_likely", "_asked")}
        return copy.deepcopy(kept)

    def restore(self, state: dict[str, Any]) -> None:
        self.__dict__.update(copy.deepcopy(state))
        self._likely, self._asked = None, {}
