"""The closed loop on simulated conveyors: a small number every day, two hundred on request."""

from __future__ import annotations

import pytest

from tests.known_truth.runin_table import FAULTS, run, table

EVERYDAY = 16


@pytest.fixture(scope="module")
def runs() -> list[object]:
    return [run(seed) for seed in range(EVERYDAY)]


def test_every_belt_that_can_be_is_tracked(runs: list) -> None:  # type: ignore[type-arg]
    assert [r.verdict for r in runs if r.can] == ["tracked"] * sum(r.can for r in runs)


def test_few_moves_and_none_too_early(runs: list) -> None:  # type: ignore[type-arg]
    moves = sorted(r.moves for r in runs if r.can)
    assert moves[len(moves) // 2] <= 3
    assert moves[-3] <= 5  # what is aimed at is a percentile
    assert sum(r.early for r in runs) == 0
    assert sum(r.unsettled for r in runs) == 0


def test_no_edge_is_driven_to_its_stop_and_nothing_false_is_signed(runs: list) -> None:  # type: ignore[type-arg]
    assert not any(r.stop_by_move or r.wrong_tracked for r in runs)


def test_intervals_hold_the_truth(runs: list) -> None:  # type: ignore[type-arg]
    """95 % intervals over some forty forecasts: fewer than 85 % inside would be rare."""
    assert sum(r.inside_95 for r in runs) >= 0.85 * sum(r.forecasts for r in runs)


@pytest.mark.parametrize("seed", [150057, 140229])
def test_a_belt_without_room_is_put_back_by_hand_before_a_bold_move(seed: int) -> None:
    """Contrary belts that walk to the edge before it is known how strongly they answer."""
    found = run(seed)
    assert found.put_back == 1
    assert found.verdict == "tracked"
    assert not found.stop_by_move


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("seed", [1000, 1001])
def test_what_no_move_can_track_is_named(fault: str, seed: int) -> None:
    found = run(seed, fault)
    assert found.verdict != "tracked"
    assert found.action == "check"
    assert found.moves <= 4
    assert len(found.causes) >= 3


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_the_whole_table() -> None:
    figures = table(200, fixed=False)
    assert figures["tracked"] >= 0.995
    assert figures["median"] <= 3
    assert figures["p95"] <= 6.5  # the goal is 5; 5 to 6.2 on sets of 200
    assert figures["stops"] == 0
    assert figures["early"] == 0
    assert figures["inside"] >= 0.94
    assert figures["wrong"] <= 0.01
    assert figures["named"] >= 0.94
