"""A technician of software: does what the advice says, with the mistakes people make.

He answers each advice to move with one deed after a while: he may turn the screw too far, take the wrong
side, forget to write it down, or not wait for the belt to settle and turn again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from monitor.records import Advice, Entry, Message, MoveMade, MoveWhere, Side
from monitor.simulation.simulation import Simulation


@dataclass(frozen=True, slots=True)
class Habits:
    """How good he is: factor on every amount, and the chances of each mistake."""

    amount_factor: float = 1.0
    amount_spread: float = 0.03
    wrong_side: float = 0.0
    forgets_to_log: float = 0.0
    too_early: float = 0.0
    takes_s: float = 20.0


CAREFUL = Habits()
HEAVY_HANDED = Habits(amount_factor=1.2)
CONFUSED = Habits(wrong_side=0.25)
FORGETFUL = Habits(forgets_to_log=0.3)
HASTY = Habits(too_early=0.4, takes_s=5.0)


@dataclass(frozen=True, slots=True)
class Deed:
    """A move to be made at `t_s`; what is written down (None: nothing) is what he believes he did."""

    t_s: float
    where: MoveWhere
    side: Side
    amount_mm: float
    entry: MoveMade | None


class Technician:
    """Turns advice into deeds; deterministic by seed."""

    def __init__(self, habits: Habits = CAREFUL, seed: int = 0, name: str = "invented technician") -> None:
        self._habits, self._name = habits, name
        self._rng = np.random.default_rng(seed)
        self._waiting: list[Deed] = []

    def hear(self, advice: Advice, rev_s: float) -> None:
        """Take in one advice; `rev_s` is how long a revolution takes now."""
        if advice.action != "move" or advice.where is None or advice.side is None or advice.amount_mm is None:
            return
        if self._waiting:
            return
        h = self._habits
        slip, forget, early = self._rng.random(3)
        factor = h.amount_factor * (1.0 + h.amount_spread * float(self._rng.standard_normal()))
        other: dict[Side, Side] = {"left": "right", "right": "left"}
        side = other[advice.side] if slip < h.wrong_side else advice.side
        at = advice.t_s + h.takes_s * float(self._rng.uniform(0.5, 1.5))
        logs = forget >= h.forgets_to_log
        deeds = [self._deed(at, advice, side, factor, logs)]
        if early < h.too_early:
            again = at + rev_s * float(self._rng.uniform(0.4, 2.0))
            deeds.append(self._deed(again, advice, side, factor, logs))
        self._waiting = deeds

    def _deed(self, at: float, advice: Advice, side: Side, factor: float, logs: bool) -> Deed:
        where, amount = advice.where, advice.amount_mm
        if where is None or amount is None or advice.side is None:
            raise ValueError("an advice to move needs where, side and amount")
        entry = MoveMade(at, where, advice.side, round(amount, 2), self._name) if logs else None
        return Deed(at, where, side, amount * factor, entry)

    def due(self, now_s: float) -> list[Deed]:
        """Deeds whose time has come; each is given once."""
        ripe = [deed for deed in self._waiting if deed.t_s <= now_s]
        self._waiting = [deed for deed in self._waiting if deed.t_s > now_s]
        return ripe


class Watcher(Protocol):
    """What the technician needs of the program that advises him."""

    def feed(self, data: bytes, /) -> Iterable[Message]: ...
    def enter(self, entry: Entry, /) -> None: ...


def work(
    simulation: Simulation,
    watcher: Watcher,
    technician: Technician,
    seconds: float,
    step_s: float = 1.0,
    until: Callable[[Message], bool] | None = None,
) -> list[Message]:
    """Run the bay, the program and the technician together; all messages, in order.

    `until`: stop early at the first message for which it is true.
    """
    messages: list[Message] = []
    rev_s = simulation.params.length_mm / (1000.0 * simulation.params.speed_mps)
    end_s = simulation.t_s + seconds
    while simulation.t_s < end_s - 1e-9:
        for deed in technician.due(simulation.t_s):
            simulation.move(deed.where, deed.side, deed.amount_mm, logged=deed.entry is not None)
            if deed.entry is not None:
                watcher.enter(dataclasses.replace(deed.entry, t_s=simulation.t_s))
        fresh = list(watcher.feed(simulation.advance(min(step_s, end_s - simulation.t_s))))
        messages += fresh
        for message in fresh:
            if isinstance(message, Advice):
                technician.hear(message, rev_s)
            if until is not None and until(message):
                return messages
    return messages
