"""A belt that walks in its first turns while its pulley runs out: neither may stay in the camber that is learnt."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.pipeline import Pipeline
from monitor.records import Event, Revolution
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation
from monitor.simulation.params import Drift

TURN_S = 20.0


@pytest.mark.parametrize("walk", [-1.4, 1.4])
def test_a_walk_beside_run_out_leaves_no_sawtooth(walk: float) -> None:
    """It did: the belt then seemed to walk within each turn for ever, and rode on its place all the time."""
    params = Params(
        seed=7,
        length_mm=10_000.0,
        speed_mps=10.0 / TURN_S,
        pulley_diameter_mm=218.0,
        runout_mm=1.0,
        runout_pulley="infeed",
        wander_sd_mm=0.05,
        drifts=(Drift(0.0, "infeed", walk, 6.0),),
        seconds=16 * TURN_S,
    )
    simulation = Simulation(params)
    pipeline = Pipeline(parse_station(simulation.station()))
    found = [*pipeline.feed(simulation.advance(16 * TURN_S)), *pipeline.finish()]
    notes = [(m.rev, m.name) for m in found if isinstance(m, Event) and m.name == "run-out"]
    assert notes
    assert notes[0][0] <= 6
    drifts = [m.kind for m in found if isinstance(m, Event) and m.name == "drift"]
    assert drifts == ["alarm-raised", "alarm-cleared"]
    rows = [m.rows[0] for m in found if isinstance(m, Revolution) and m.rev > 9]
    assert {row.behaviour for row in rows} == {"steady"}
    assert np.max(np.abs([row.walk_mm_per_rev for row in rows])) < 0.3
