"""Both edges of one pulley, bin by bin: sideways, width, damage, and which edge speaks for the belt."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from monitor.detection.edges import EdgeFinding, EdgePair
from monitor.detection.sections import SectionFinding

BINS = 128
LIMIT_MM = 2.0
Edges = Callable[[float], tuple[float, float]]


def run(
    edges: Edges,
    revs: float = 10.0,
    noise_mm: tuple[float, float] = (0.1, 0.1),
    belt: Callable[[float], float] = lambda u: 0.0,
    seed: int = 1,
) -> tuple[list[EdgeFinding], np.ndarray, EdgePair]:
    """Bins of both edges; (left, right) of `edges` is added to the belt's own place, which the line knows.

    Returns the findings, the error of the whole-belt reading of each bin, and the pair.
    """
    rng = np.random.default_rng(seed)
    pair, zero = EdgePair(LIMIT_MM, 10_000.0), [0.0, 0.0]
    found: list[EdgeFinding] = []
    errors = []
    for k in range(round(revs * BINS)):
        u, x = k / BINS, belt(k / BINS)
        add = edges(u)
        reads = [x + add[i] + noise_mm[i] * float(rng.standard_normal()) - zero[i] for i in range(2)]
        told = pair.step(u, u + 1.0 / BINS, *reads, (noise_mm[0] ** 2, noise_mm[1] ** 2), x, 0.01)
        zero = [zero[i] + told.moved_mm[i] for i in range(2)]
        found += told.found
        errors.append(told.reading_mm - x)
    return found, np.array(errors), pair


def bump(u: float, size_mm: float, since: float = 3.0) -> float:
    away = abs(u % 1.0 - 0.4)
    return size_mm * (0.5 + 0.5 * math.cos(math.pi * away / 0.04)) if u > since and away < 0.04 else 0.0


def test_sideways_motion_is_neither_width_nor_damage() -> None:
    """The counter-example: a belt that walks, wanders and has a bent section; the two edges go alike."""
    found, errors, _ = run(lambda u: (bump(u, 9.0), bump(u, 9.0)), belt=lambda u: 2.0 * u + math.sin(u))
    assert found == []
    sound = errors[: 3 * BINS]
    assert float(np.std(sound)) == pytest.approx(0.1 / math.sqrt(2.0), rel=0.15)


@pytest.mark.parametrize(("edge", "other"), [("left", "right"), ("right", "left")])
@pytest.mark.parametrize("size_mm", [5.0, -3.5])
def test_damage_of_one_edge(edge: str, other: str, size_mm: float) -> None:
    found, errors, _ = run(lambda u: (bump(u, size_mm), 0.0) if edge == "left" else (0.0, bump(u, size_mm)))
    assert [(f.name, f.cause, f.active) for f in found] == [("edge-damage", edge, True)]
    assert found[0].size_mm == pytest.approx(size_mm, rel=0.15)
    assert 0.36 < found[0].u_start % 1.0 < 0.4 < found[0].u_end % 1.0 < 0.44
    inside = errors[np.abs(np.arange(errors.size) / BINS % 1.0 - 0.4) < 0.02]
    assert abs(float(inside.mean())) < 0.08, (
        f"the damaged edge is left out, the {other} one speaks for the belt"
    )


def test_damage_that_goes_away_is_taken_back() -> None:
    found, _, _ = run(lambda u: (bump(u, 5.0) if u < 7.0 else 0.0, 0.0), revs=11.0)
    assert [(f.cause, f.active) for f in found] == [("left", True), ("left", False)]


def test_one_passage_is_no_damage() -> None:
    found, _, _ = run(lambda u: (bump(u, 6.0) if u < 4.0 else 0.0, 0.0))
    assert found == []


def test_width_by_place() -> None:
    found, errors, _ = run(lambda u: (-0.5 * bump(u, 6.0), 0.5 * bump(u, 6.0)))
    assert [(f.name, f.cause) for f in found] == [("width-change", "apart")]
    assert found[0].size_mm == pytest.approx(6.0, rel=0.15)
    inside = errors[np.abs(np.arange(errors.size) / BINS % 1.0 - 0.4) < 0.02]
    assert abs(float(inside.mean())) < 0.05


@pytest.mark.parametrize("over_rev", [0.01, 1.0, 4.0])
@pytest.mark.parametrize("wider_mm", [4.0, -4.0])
def test_width_all_round(over_rev: float, wider_mm: float) -> None:
    def edges(u: float) -> tuple[float, float]:
        half = 0.5 * wider_mm * min(max((u - 3.0) / over_rev, 0.0), 1.0)
        return -half, half

    found, errors, pair = run(edges)
    assert [(f.name, f.active) for f in found] == [("width-change", True)]
    assert math.isnan(found[0].u_start)
    assert pair.width_mm == pytest.approx(wider_mm, abs=0.15)
    assert float(np.abs(errors).max()) < 0.5
    moved = pair.moved_mm("right", np.array([9.5]))
    assert moved is not None
    assert float(moved[0]) == pytest.approx(0.5 * wider_mm, abs=0.1)


def test_a_small_change_of_width_is_followed_and_not_told() -> None:
    found, _, pair = run(lambda u: (-0.4, 0.4) if u > 3.0 else (0.0, 0.0))
    assert found == []
    assert pair.width_mm == pytest.approx(0.8, abs=0.15)


@pytest.mark.parametrize("edge", ["left", "right"])
def test_a_sensor_knocked_aside_does_not_move_the_belt(edge: str) -> None:
    found, errors, _ = run(
        lambda u: ((3.0, 0.0) if edge == "left" else (0.0, 3.0)) if u > 4.2 else (0.0, 0.0)
    )
    assert [(f.name, f.cause) for f in found] == [("edge-shift", edge)]
    assert found[0].size_mm == pytest.approx(3.0, abs=0.15)
    assert float(np.abs(errors).max()) < 0.6
    assert abs(float(errors[round(4.3 * BINS) :].mean())) < 0.1


def test_the_better_reading_weighs_more() -> None:
    """Inverse variance: as good as theory says, and never worse than the better edge alone."""
    _, errors, _ = run(lambda u: (0.0, 0.0), revs=30.0, noise_mm=(0.05, 0.5))
    best = math.sqrt(1.0 / (1.0 / 0.05**2 + 1.0 / 0.5**2))
    assert float(np.std(errors)) == pytest.approx(best, rel=0.1)
    assert best < 0.2 * math.sqrt(0.05**2 + 0.5**2) / 2.0


def test_one_edge_alone_speaks_for_the_belt() -> None:
    """A stuck sensor is not seen at all: no step in the reading when it goes, nor when it comes back."""
    gone = (4.0, 6.0)
    found, errors, pair = run(
        lambda u: (math.nan if gone[0] <= u < gone[1] else -0.5 if u > 2.0 else 0.0, 0.5 if u > 2.0 else 0.0)
    )
    assert found == []
    assert pair.width_mm == pytest.approx(1.0, abs=0.15)
    assert abs(float(errors[4 * BINS : 6 * BINS].mean())) < 0.1


def test_neither_edge_seen() -> None:
    _, errors, _ = run(lambda u: (math.nan, math.nan), revs=1.0)
    assert bool(np.isnan(errors).all())


def test_damage_is_not_judged_through_noise() -> None:
    found, _, _ = run(lambda u: (0.0, 0.0), revs=60.0, noise_mm=(0.1, 2.0))
    assert found == []


# ---------------------------------------------------------------- a section that both sensors see


def passage(name: str, at: float, size_mm: float) -> SectionFinding:
    return SectionFinding(name, at + 0.38, at + 0.42, size_mm)  # type: ignore[arg-type]


def test_a_bent_section_is_told_once_and_clears_once() -> None:
    _, _, pair = run(lambda u: (bump(u, 9.0), bump(u, 9.0)), revs=5.5)
    assert pair.section("left", passage("section-begins", 5.0, 9.0)) == ("left", "bend")
    assert pair.section("right", passage("section-begins", 5.0, 9.0)) is None
    assert pair.section("left", passage("section-ends", 5.0, 9.0)) is None
    assert pair.section("right", passage("section-ends", 5.0, 9.0)) == ("left", "bend")


def test_damage_of_each_edge_is_told_for_each() -> None:
    _, _, pair = run(lambda u: (bump(u, 9.0), 0.0), revs=5.5)
    assert pair.section("left", passage("section-begins", 5.0, 9.0)) == ("left", "left")
    other = SectionFinding("section-begins", 5.10, 5.15, 6.0)
    assert pair.section("right", other) is not None
    assert pair.section("left", passage("section-ends", 5.0, 9.0)) == ("left", "left")
