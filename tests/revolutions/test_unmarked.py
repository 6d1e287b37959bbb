"""Without marks, after a stop: the belt is found again by its camber, and is watched as before."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.beltwatch import FOUND_AGAIN_REV
from monitor.pipeline import Pipeline
from monitor.records import Event, Message, Revolution
from monitor.revolutions.period import relocate
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation
from monitor.simulation.params import Drift, SpeedChange, Stop

CELLS = 512
U = (np.arange(CELLS) + 0.5) / CELLS
TURN_S = 20.0


def camber(u: np.ndarray) -> np.ndarray:
    return 3.0 * np.sin(2 * np.pi * u) + 1.2 * np.cos(4 * np.pi * u + 1.0) + 0.5 * np.sin(14 * np.pi * u)


@pytest.mark.parametrize("ahead", [-0.45, -0.2, -0.013, 0.0, 0.07, 0.31, 0.48])
def test_a_turn_is_found_wherever_it_lies(ahead: float) -> None:
    rng = np.random.default_rng(1)
    reading = 7.0 + 0.8 * U + camber(U + ahead) + 0.05 * rng.standard_normal(CELLS)
    reading[40:90] = np.nan
    found, se = relocate(reading, camber(U))
    assert found == pytest.approx(ahead, abs=0.004)
    assert 0.0 < se < 0.01


@pytest.mark.parametrize("speed", [0.7, 0.85, 1.2, 1.3, 1.5])
def test_a_belt_at_another_speed_is_not_found_twice_where_it_should_be(speed: float) -> None:
    """One turn may look like the belt elsewhere; the next one is then out of place."""
    first, second = (relocate(camber(speed * (U + k)), camber(U))[0] for k in (0, 1))
    apart = second - first
    assert math.isnan(apart) or abs(apart - round(apart)) > FOUND_AGAIN_REV


def unmarked(**more: Any) -> tuple[str, bytes]:
    """Station file and wire bytes of a belt without marks that stands for a while in its eighth revolution."""
    belt: dict[str, Any] = {
        "seed": 4,
        "length_mm": 10_000.0,
        "speed_mps": 10.0 / TURN_S,
        "marks": False,
        "stops": (Stop(7.4 * TURN_S, 15.0),),
        "seconds": 22 * TURN_S,
    }
    simulation = Simulation(Params(**(belt | more)))
    return simulation.station(), simulation.advance(22 * TURN_S)


def messages(station: str, wire: bytes, size: int) -> list[Message]:
    pipeline = Pipeline(parse_station(station))
    found: list[Message] = []
    for at in range(0, len(wire), size):
        found += pipeline.feed(wire[at : at + size])
    return found + pipeline.finish()


def behaviours(found: list[Message]) -> list[str]:
    return [m.rows[0].behaviour for m in found if isinstance(m, Revolution)]


def drifts(found: list[Message]) -> list[float]:
    return [m.t_s for m in found if isinstance(m, Event) and (m.kind, m.name) == ("alarm-raised", "drift")]


def test_after_a_stop_the_belt_is_watched_again() -> None:
    start_s = 15.0 * TURN_S
    walks = Drift(start_s, "infeed", 1.5, 5.0)
    found = messages(*unmarked(drifts=(walks,)), 65536)
    assert behaviours(found)[9:13] == ["steady"] * 4
    assert len(drifts(found)) == 1
    assert start_s < drifts(found)[0] < start_s + TURN_S


def test_after_a_restart_of_the_board_the_belt_is_found_again() -> None:
    """It came back anywhere on its way round; before, travel went on as if at the start of a turn."""
    found = messages(*unmarked(stops=(), restarts_s=(7.4 * TURN_S,)), 65536)
    assert behaviours(found)[5:11] == ["steady"] * 2 + ["unknown"] * 2 + ["steady"] * 2
    assert not [m for m in found if isinstance(m, Event) and m.name == "belt-stopped"]


@pytest.mark.parametrize("factor", [0.75, 1.2, 1.5])
def test_a_belt_at_a_speed_nobody_knows_is_not_judged(factor: float) -> None:
    """Much faster or slower than the station file says: no mark tells so, and no figure is made up."""
    found = messages(*unmarked(speed_changes=(SpeedChange(10.0 * TURN_S, factor),)), 65536)
    assert "drifting" not in behaviours(found)
    assert drifts(found) == []


def test_however_the_bytes_are_cut_it_is_learnt_anew_the_same() -> None:
    station, wire = unmarked(speed_changes=(SpeedChange(10.0 * TURN_S, 1.06),))
    whole = repr(messages(station, wire, len(wire)))
    assert repr(messages(station, wire, 997)) == whole
    assert repr(messages(station, wire, 65536)) == whole
