"""The closed loop on wire bytes: three conveyors every day, twelve in the slow step, forty by the script."""

from __future__ import annotations

import pytest

from tests.known_truth.wire_table import WireOutcome, run, table


@pytest.fixture(scope="module")
def runs() -> list[WireOutcome]:
    return [run(seed, most_revs=120.0) for seed in range(3)]


def test_real_bytes_are_brought_to_tracked(runs: list[WireOutcome]) -> None:
    assert [r.verdict for r in runs] == ["tracked"] * 3
    assert not any(r.wrong_tracked or r.stops or r.early for r in runs)
    assert max(r.moves for r in runs) <= 6


def test_forecasts_hold_on_real_bytes(runs: list[WireOutcome]) -> None:
    assert sum(r.inside_95 for r in runs) >= sum(r.forecasts for r in runs) - 1


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [434, 707])
def test_a_walk_from_the_start_beside_run_out(seed: int) -> None:
    """Its sawtooth stayed in the camber, and a drift that was none stood for tens of revolutions."""
    assert run(seed).verdict == "tracked"


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1420, 1654])
def test_a_move_is_safe_though_one_before_was_made_on_the_wrong_side(seed: int) -> None:
    """Both were moved past the edge's stop: what the slip made unlikely was taken for impossible."""
    found = run(seed)
    assert found.moves >= 3
    assert found.stops == 0


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_belt_is_put_back_once_before_the_next_move() -> None:
    """It walks so fast that no move is safe even from the middle: the least risky one is made, not one more stop."""
    found = run(1547)
    assert (found.verdict, found.stops, found.put_back) == ("tracked", 0, 1)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_twelve_conveyors() -> None:
    figures = table(range(100, 112))
    assert figures["tracked"] >= 11 / 12
    assert figures["median"] <= 3
    assert figures["stops"] == 0
    assert figures["early"] == 0
    assert figures["wrong"] == 0
    assert figures["inside"] >= 0.9
