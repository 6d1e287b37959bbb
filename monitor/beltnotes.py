"""What is worth knowing of belt, pulleys and sensors but is no alarm: findings worded as notes of the record."""

from __future__ import annotations

from typing import Any

from .beltwatch import BeltFinding
from .records import Event

CAUTION = "Stop and lock out before you reach in; this program does not stop the conveyor."
EDGE_NOTES = ("edge-damage", "width-change", "edge-shift", "sensor-scale", "sensor-lag")
NOTES = ("run-out", *EDGE_NOTES)
SECTION_WORDS = {  # by what the two edges of the pulley did while the section passed
    "bend": "Both edges go the same way: the belt is bent there.",
    "left": "Only the left edge departs, the right one keeps its line: that edge is damaged, or hangs.",
    "right": "Only the right edge departs, the left one keeps its line: that edge is damaged, or hangs.",
    "apart": "The two edges depart to opposite sides: the belt's width changes there.",
}


def belt_note(t_s: float, rev: int, f: BeltFinding) -> Event:
    """The note for a finding of NOTES."""
    if f.name == "run-out":
        text = f"The {f.pulley} pulley runs out: it swings the reading by {f.value_mm:.1f} mm to each side."
        return _note(t_s, rev, f, value_mm=f.value_mm, text=text)
    if f.name in ("sensor-scale", "sensor-lag"):
        return _lie_note(t_s, rev, f)
    text = _with_caution(_words(f), (f.active and f.start_mm is not None) or f.name == "edge-shift")
    places = {"value_mm": f.value_mm, "start_mm": f.start_mm, "end_mm": f.end_mm}
    return _note(t_s, rev, f, **places, text=text, details={"active": f.active})


def _note(t_s: float, rev: int, f: BeltFinding, **more: Any) -> Event:
    return Event(t_s, rev, "note", f.name, pulley=f.pulley, sensor=f.sensor, **more)


def _with_caution(text: str, hands_on: bool) -> str:
    """The caution, where somebody will go and look."""
    return f"{text} {CAUTION}" if hands_on else text


def _lie_note(t_s: float, rev: int, f: BeltFinding) -> Event:
    """A sensor that cannot be telling the truth, or can again; `value_mm` carries its gain or lag."""
    figure = f.value_mm or 0.0
    figures: dict[str, bool | float | str] = {
        "active": f.active,
        "gain" if f.name == "sensor-scale" else "lag_rev": round(figure, 4),
    }
    if f.text:
        figures["against"] = f.text
    return _note(t_s, rev, f, text=_with_caution(_lie_words(f, figure), f.active), details=figures)


def _lie_words(f: BeltFinding, figure: float) -> str:
    if f.name == "sensor-lag":
        if not f.active:
            return f"{f.sensor} sees the belt in time again."
        return (
            f"{f.sensor} sees the belt {100.0 * figure:.1f} % of a revolution later than it did, the other sensors "
            "do not: it answers slowly, or was moved along the belt. Look at it."
        )
    if not f.active:
        return f"{f.sensor} shows the belt's camber in its right size again."
    if not f.text:
        return (
            f"{f.sensor} shows the belt's camber {figure:.2f} times as large as it did, the other sensors do not: its "
            "scale has changed (supply, distance, dirt). Look at it; positions from it are wrong by as much."
        )
    if 0.4 < figure < 2.5:
        return (
            f"{f.sensor} shows the camber of the same edge {figure:.2f} times as large as {f.text} does: "
            "counts_per_mm of one of the two is wrong, or one of them does not see the whole departure."
        )
    return (
        f"{f.sensor} and {f.text} do not show the same camber of the same edge: one of them cannot be believed, "
        "or the station file is wrong about its edge, its pulley or carry_length_mm."
    )


def _words(f: BeltFinding) -> str:
    size = abs(f.value_mm or 0.0)
    more = (f.value_mm or 0.0) > 0.0
    if f.name == "edge-shift":
        side = "right" if more else "left"
        return (
            f"{f.sensor} reads {size:.1f} mm farther to the {side} than before, all round the belt, while the "
            "other edge keeps its line: the sensor has moved, or the belt has folded over. Look at it."
        )
    if f.name == "edge-damage":
        if not f.active:
            return f"The edge at {f.sensor} no longer departs from its line there."
        return (
            f"Only the edge at {f.sensor} departs, by {size:.1f} mm, at the same place in each revolution: "
            "that edge is damaged, or hangs."
        )
    if f.start_mm is None:
        if not f.active:
            return f"At the {f.pulley} pulley the belt is about as wide again as when its camber was learnt."
        return (
            f"At the {f.pulley} pulley the belt is {size:.1f} mm {'wider' if more else 'narrower'} than when its "
            "camber was learnt, all round (or one of the two sensors there has slowly moved)."
        )
    if not f.active:
        return f"At the {f.pulley} pulley the belt no longer changes its width there."
    return (
        f"At the {f.pulley} pulley the belt is {size:.1f} mm {'wider' if more else 'narrower'} at one place."
    )
