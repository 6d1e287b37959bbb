"""The software technician and the demonstration bay: closed loop with advice made from the known truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import pytest

from monitor.records import Advice, Entry, Message, MoveMade
from monitor.settings import parse_station
from monitor.simulation import Simulation
from monitor.simulation.scenario import demo
from monitor.simulation.technician import (
    CAREFUL,
    CONFUSED,
    FORGETFUL,
    HASTY,
    HEAVY_HANDED,
    Habits,
    Technician,
    work,
)


def advice(t_s: float, amount_mm: float = 1.0) -> Advice:
    return Advice(t_s, 1, "move", "", "", where="infeed", side="left", amount_mm=amount_mm)


@dataclass
class Knowing:
    """Stands in for the program: knows the true place, advises a move of at most 1.6 mm, four revs apart."""

    simulation: Simulation
    entered: list[Entry] = field(default_factory=list)
    moves: list[str] = field(default_factory=list)
    next_rev: float = 5.0

    def feed(self, data: bytes) -> Iterable[Message]:
        simulation = self.simulation
        if simulation.revolutions < self.next_rev:
            return []
        self.next_rev = simulation.revolutions + 4.5
        place, p = simulation.position_mm(), simulation.params
        where, off, gain = "infeed", place["infeed"], p.infeed_mm_per_mm
        if abs(off) < 2.0:
            where, off, gain = "snub", place["drive"], p.snub_mm_per_mm
            if abs(off) < 1.0:
                return []
        self.moves.append(where)
        amount = min(1.6, abs(off) / gain)
        side = "right" if off > 0 else "left"
        moved = replace(advice(simulation.t_s, amount), where=where, side=side)  # type: ignore[arg-type]
        return [moved]

    def enter(self, entry: Entry) -> None:
        self.entered.append(entry)


@pytest.mark.parametrize("seed", range(8))
def test_demo_needs_about_three_infeed_moves_and_a_snub_trim(seed: int) -> None:
    simulation = Simulation(demo(seed))
    start = simulation.position_mm()
    assert 9.0 <= abs(start["infeed"]) <= 12.0
    assert 4.5 <= abs(start["drive"]) <= 5.5
    watcher = Knowing(simulation)
    work(simulation, watcher, Technician(seed=seed), 1400.0, step_s=5.0)
    end = simulation.position_mm()
    assert 2 <= watcher.moves.count("infeed") <= 4
    assert 1 <= watcher.moves.count("snub") <= 3
    assert max(abs(end["infeed"]), abs(end["drive"])) < 2.0
    assert len(watcher.entered) == len(watcher.moves)
    station = parse_station(simulation.station())
    assert station.bay.site == "demo"


def follow(habits: Habits, count: int = 200) -> list[tuple[float, str, float, bool]]:
    technician, deeds = Technician(habits, seed=1), []
    for n in range(count):
        technician.hear(advice(1000.0 * n), 25.0)
        for deed in technician.due(1000.0 * n + 999):
            deeds.append((deed.t_s - 1000.0 * n, deed.side, deed.amount_mm, deed.entry is not None))
    return deeds


def test_habits() -> None:
    careful = follow(CAREFUL)
    assert len(careful) == 200
    assert all(side == "left" and logged and 0.85 < amount < 1.15 for _, side, amount, logged in careful)
    assert sum(a for _, _, a, _ in follow(HEAVY_HANDED)) / 200 == pytest.approx(1.2, abs=0.02)
    assert 25 < sum(side == "right" for _, side, _, _ in follow(CONFUSED)) < 75
    assert 35 < sum(not logged for *_, logged in follow(FORGETFUL)) < 85
    hasty = follow(HASTY)
    assert 255 < len(hasty) < 305
    assert max(t for t, *_ in hasty) < 7.5 + 2.0 * 25.0


def test_what_is_written_down_is_what_was_meant() -> None:
    technician = Technician(Habits(amount_factor=1.2, wrong_side=1.0), seed=3)
    technician.hear(advice(0.0), 20.0)
    (deed,) = technician.due(100.0)
    assert deed.side == "right"
    assert isinstance(deed.entry, MoveMade)
    assert (deed.entry.side, deed.entry.amount_mm) == ("left", 1.0)
    assert technician.due(1000.0) == []


def test_only_moves_are_acted_on_and_one_at_a_time() -> None:
    technician = Technician()
    technician.hear(Advice(0.0, 1, "wait", "", "", until_rev=4.0), 20.0)
    assert technician.due(1000.0) == []
    technician.hear(advice(0.0), 20.0)
    technician.hear(advice(1.0), 20.0)
    assert len(technician.due(1000.0)) == 1
