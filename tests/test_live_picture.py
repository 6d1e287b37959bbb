"""The live picture shows nothing that is not known: faulty sensors, and travel that is lost."""

from __future__ import annotations

import math

import pytest

from monitor.pipeline import Pipeline
from monitor.records import SensorNow
from monitor.settings import parse_station
from monitor.simulation import Params, Simulation
from monitor.simulation.families import make

TURNS_LATER = 3.0


def seen_during(params: Params) -> tuple[SensorNow, SensorNow]:
    """Faulty sensor and the other one, some revolutions after the fault began."""
    simulation = Simulation(params)
    pipeline = Pipeline(parse_station(simulation.station(), "x"))
    fault, rev_s = params.faults[0], params.length_mm / params.speed_mps / 1000.0
    pipeline.consume(simulation.records(fault.start_s + min(TURNS_LATER * rev_s, 0.9 * fault.duration_s)))
    sensors = pipeline.now().sensors
    return sensors[fault.sensor], sensors[1 - fault.sensor]


@pytest.mark.parametrize("family", ["fault-clipped", "fault-open"])
def test_a_sensor_that_is_not_heard_shows_no_figures(family: str) -> None:
    faulty, other = seen_during(make(family, 1))
    assert faulty.quality.startswith("sensor-")
    assert math.isnan(faulty.edge_mm)
    assert math.isnan(faulty.position_mm)
    assert math.isnan(faulty.expected_mm)
    assert math.isfinite(other.position_mm)


def test_a_noisy_sensor_still_tells() -> None:
    faulty, _ = seen_during(make("fault-noisy", 1))
    assert faulty.quality == "sensor-noisy"
    assert math.isfinite(faulty.edge_mm)
    assert math.isfinite(faulty.position_mm)


def test_while_travel_is_lost_no_position_is_shown() -> None:
    """After a step of the speed, positions are unknown until a whole turn lies between two marks."""
    params = make("speed-step", 0)
    simulation = Simulation(params)
    pipeline = Pipeline(parse_station(simulation.station(), "x"))
    rev_s, step_s = params.length_mm / params.speed_mps / 1000.0, params.speed_changes[0].start_s
    known = {}
    for name, until_s in (
        ("before", step_s - 1.0),
        ("lost", step_s + 1.2 * rev_s),
        ("after", step_s + 5 * rev_s),
    ):
        pipeline.consume(simulation.records(until_s - simulation.t_s))
        known[name] = [math.isfinite(s.position_mm) for s in pipeline.now().sensors]
    assert known == {"before": [True, True], "lost": [False, False], "after": [True, True]}
