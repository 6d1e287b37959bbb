"""Set-up measurements against plane geometry and the published tension formula."""

from __future__ import annotations

import math

import pytest

from monitor.procedure.setup import (
    belt_force_n,
    elongation_percent,
    judge,
    skew_from_diagonals,
    skew_from_sides,
    unusable,
)
from tests.procedure.test_runin import make_station


def test_skew_of_a_sixteenth() -> None:
    """1/16 in over 26 in is 2.40384 mrad (design facts 2.5)."""
    assert 1000 * skew_from_sides(1 / 16, 0.0, 26.0) == pytest.approx(2.40384, abs=1e-5)


def test_skew_from_diagonals_of_a_sheared_rectangle() -> None:
    length, width, skew = 6000.0, 760.0, 0.002
    one = math.hypot(length + skew * width, width)
    two = math.hypot(length - skew * width, width)
    assert skew_from_diagonals(one, two, length, width) == pytest.approx(skew, rel=1e-3)


def test_belt_force_as_printed() -> None:
    """k1% 8, W 600, 0.3 % gives 2880 N; 0.5 % gives 4800 N; k1% 4, W 300, 0.3 % gives 720 N (facts S41)."""
    assert belt_force_n(8, 600, 0.3) == pytest.approx(2880)
    assert belt_force_n(8, 600, 0.5) == pytest.approx(4800)
    assert belt_force_n(4, 300, 0.3) == pytest.approx(720)


def test_each_part_is_judged() -> None:
    station = make_station("k1_n_per_mm = 8.0\n")
    found = {f.name: f for f in judge({"marks_before_mm": 1000.0, "marks_after_mm": 1005.0}, station, 3.0)}
    assert elongation_percent(1000.0, 1005.0) == pytest.approx(0.5)
    assert found["tension"].good
    assert found["tension"].figures["force_n"] == pytest.approx(2 * 8 * 610 * 0.5)
    assert found["square"].good is None
    assert found["level-along"].good is None


def test_sliding_and_too_tight() -> None:
    station = make_station()
    sliding = {f.name: f for f in judge({"slides": "yes"}, station, 3.0)}["tension"]
    tight = {f.name: f for f in judge({"marks_before_mm": 1000, "marks_after_mm": 1020}, station, 3.0)}[
        "tension"
    ]
    assert sliding.good is False
    assert "Tighten both sides" in sliding.text
    assert tight.good is False
    assert "Ease both sides" in tight.text


def test_what_is_not_understood_is_said() -> None:
    faults = unusable({"squareness": 1.0, "square_left_mm": "wide"})
    assert "squareness" in faults[0]
    assert "a number was expected" in faults[1]
