"""Notes about edges and sensors: every finding is worded, with sensor, size and side, and a caution."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.beltnotes import CAUTION, EDGE_NOTES, SECTION_WORDS, belt_note
from monitor.beltwatch import BeltFinding

PLACE: dict[str, Any] = {"start_mm": 100.0, "end_mm": 700.0}
CASES: list[tuple[str, dict[str, Any], str]] = [
    ("edge-damage", {"sensor": "infeed-left", "value_mm": -5.2, **PLACE}, "infeed-left departs, by 5.2 mm"),
    ("width-change", {"value_mm": 3.0}, "3.0 mm wider"),
    ("width-change", {"value_mm": -3.0}, "3.0 mm narrower"),
    ("width-change", {"value_mm": 6.0, **PLACE}, "6.0 mm wider at one place"),
    ("edge-shift", {"sensor": "infeed-left", "value_mm": -2.5}, "2.5 mm farther to the left"),
    ("sensor-scale", {"sensor": "infeed-left", "value_mm": 0.7}, "0.70 times as large as it did"),
    ("sensor-scale", {"sensor": "drive-left", "value_mm": 0.7, "text": "infeed-left"}, "as infeed-left does"),
    (
        "sensor-scale",
        {"sensor": "drive-left", "value_mm": 0.1, "text": "infeed-left"},
        "do not show the same camber",
    ),
    ("sensor-lag", {"sensor": "drive-left", "value_mm": 0.02}, "2.0 % of a revolution later"),
]


@pytest.mark.parametrize(("name", "more", "words"), CASES)
def test_a_note_says_what_and_where(name: str, more: dict[str, Any], words: str) -> None:
    note = belt_note(12.5, 3, BeltFinding(12_500_000, name, True, pulley="infeed", **more))
    assert (note.kind, note.name, note.t_s, note.rev, note.sensor) == (
        "note",
        name,
        12.5,
        3,
        more.get("sensor"),
    )
    assert words in (note.text or "")
    assert (note.details or {})["active"] is True
    hands_on = name != "width-change" or "start_mm" in more
    assert (note.text or "").endswith(CAUTION) == hands_on


@pytest.mark.parametrize(("name", "more", "words"), CASES)
def test_the_end_is_worded_too(name: str, more: dict[str, Any], words: str) -> None:
    if name == "edge-shift":
        pytest.skip("a sensor that was knocked aside is not knocked back by itself")
    note = belt_note(12.5, 3, BeltFinding(12_500_000, name, False, pulley="infeed", **more))
    assert words not in (note.text or "")
    assert (note.details or {})["active"] is False


def test_every_name_is_worded() -> None:
    assert {name for name, _, _ in CASES} == set(EDGE_NOTES)
    assert set(SECTION_WORDS) == {"bend", "left", "right", "apart"}


def test_run_out_is_told_with_its_pulley_and_size() -> None:
    found = BeltFinding(12_500_000, "run-out", True, pulley="drive", sensor="drive-left", value_mm=1.96)
    note = belt_note(12.5, 3, found)
    assert (note.name, note.pulley, note.sensor, note.value_mm) == ("run-out", "drive", "drive-left", 1.96)
    assert note.text == "The drive pulley runs out: it swings the reading by 2.0 mm to each side."
