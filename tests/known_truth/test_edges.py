"""Both edges of each pulley watched, on simulated belts: what is told of width, damage and sensors, and what is not."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from monitor.simulation import Params
from monitor.simulation.families import make
from monitor.simulation.params import Bump, Fault, SensorFit
from tests.known_truth.edge_truth import faults_of

FAMILIES = ("edges", "edges-apart", "edges-bent", "edges-fault")
OTHERS = (
    "quiet",
    "drift",
    "moves",
    "unlogged",
    "marks-none",
    "speed-stop",
    "fault-heavy",
)  # nothing may be told
BOTH = tuple(
    SensorFit(pulley, edge, 32500 + 40 * k, (600.0, -550.0)[k % 2])
    for k, (pulley, edge) in enumerate(
        (("infeed", "left"), ("infeed", "right"), ("drive", "left"), ("drive", "right"))
    )
)  # type: ignore[misc]


def with_both(family: str, seed: int) -> Params:
    params = make(family, seed)
    return params if len(params.sensors) == 4 else dataclasses.replace(params, sensors=BOTH)


def check(cases: list[tuple[str, int]], allowed: int) -> None:
    wrong = {case: faults for case in cases if (faults := faults_of(with_both(*case)))}
    print(f"{len(cases) - len(wrong)} of {len(cases)} belts without a fault")
    assert len(wrong) <= allowed, wrong


def test_edges_of_a_few_belts() -> None:
    check([(family, 0) for family in FAMILIES], 0)


def test_nothing_is_told_of_sound_edges() -> None:
    check([("drift", 0), ("unlogged", 0)], 0)


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_edges_of_many_belts(family: str) -> None:
    check([(family, seed) for seed in range(100, 125)], 1)


@pytest.mark.slow
@pytest.mark.parametrize("family", OTHERS)
def test_nothing_is_told_of_many_sound_edges(family: str) -> None:
    check([(family, seed) for seed in range(100, 110)], 1)


def test_the_judge_can_find_fault() -> None:
    """A belt whose truth is kept from the judge is judged to be told wrongly, and one with a truth too many too."""
    rng = np.random.default_rng(5)
    belt = dataclasses.replace(
        make("quiet", 4), sensors=BOTH, seconds=12.0 * 20.0, speed_mps=0.5, length_mm=10_000.0
    )
    tiny = Bump(100.0, float(rng.uniform(0.0, 10_000.0)), 900.0, 3.3, 0.1, "left")
    assert not faults_of(belt)
    assert faults_of(
        dataclasses.replace(belt, bumps=(dataclasses.replace(tiny, size_mm=3.3, width_mm=20.0),))
    )
    assert faults_of(dataclasses.replace(belt, faults=(Fault("shifted", 0, 239.0, size=4.0),)))
