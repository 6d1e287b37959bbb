"""Lengths as they are read on the shop floor."""

from __future__ import annotations

import pytest

from monitor.procedure.words import fraction, length, minutes, move_length, revolutions, turns


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (25.4 / 16, "1/16 in"),
        (25.4 * 1.09375, "1 3/32 in"),
        (25.4, "1 in"),
        (0.2, "1/128 in"),
        (-25.4 / 32, "1/32 in"),
    ],
)
def test_fractions(mm: float, text: str) -> None:
    assert fraction(mm) == text


def test_millimetres() -> None:
    assert length(-4.16, "mm") == "4.2 mm"
    assert move_length(0.35, "mm", 0.05) == "0.35 mm"
    assert move_length(1.5, "mm", 0.5) == "1.5 mm"


def test_spans() -> None:
    assert revolutions(2.2) == "3 revolutions"
    assert revolutions(1.0) == "1 revolution"
    assert minutes(0.5) == "30 seconds"
    assert minutes(12.3) == "12 minutes"


@pytest.mark.parametrize(
    ("mm", "pitch_mm", "text"),
    [
        (0.5, 2.0, "1/4 turn"),
        (2.0, 2.0, "1 turn"),
        (-2.75, 2.0, "1 3/8 turns"),
        (4.0, 2.0, "2 turns"),
        (0.05, 2.0, "10 degrees"),
        (0.025, 2.0, "5 degrees"),
        (0.25, 1.5, "1/8 turn"),
    ],
)
def test_turns_of_a_screw(mm: float, pitch_mm: float, text: str) -> None:
    assert turns(mm, pitch_mm) == text
