"""Ticks on a belt without marks: only its camber vouches for them. Slow: a board's worth of trouble."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from monitor.simulation.families import make
from monitor.simulation.params import SpeedChange, Stop
from tests.known_truth.belt_truth import simulated_run
from tests.known_truth.detection_table import rms
from tests.known_truth.measures import judge
from tests.known_truth.ticks_table import without_ticks


def trouble(kind: str, rev_s: float) -> dict[str, Any]:
    return {
        "step": {"speed_changes": (SpeedChange(7.3 * rev_s, 0.7, 2.0),)},
        "slip": {"tick_slips": (SpeedChange(7.0 * rev_s, 1.05),)},
        "fail": {"tick_outages": (Stop(7.0 * rev_s, 1.5 * rev_s),)},
        "stop": {"stops": (Stop(7.0 * rev_s, 20.0),)},
    }[kind]


@pytest.mark.parametrize(
    "kind", ["step", *(pytest.param(k, marks=pytest.mark.slow) for k in ("slip", "fail", "stop"))]
)
def test_trouble_is_no_worse_than_without_ticks(kind: str) -> None:
    params = make("ticks-none", 902)
    rev_s = params.length_mm / params.speed_mps / 1000.0
    run = simulated_run(dataclasses.replace(params, length_error=0.03, **trouble(kind, rev_s)), 902)
    told, blind = judge(run), judge(without_ticks(run))
    assert told.false_drifts <= blind.false_drifts, told.failing
    assert told.false_bumps <= blind.false_bumps
    assert told.unknown_rows <= blind.unknown_rows + 4
    assert not rms(told.profile) > 1.2 * rms(blind.profile) + 0.005
    if kind == "step":
        assert max(told.periods) < 0.0005, "ticks carry it over the change"
