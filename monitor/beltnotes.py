"""What both edges of a pulley, and both pulleys, say of belt and sensors: findings worded as notes of the record."""

from __future__ import annotations

from .beltwatch import BeltFinding
from .records import Event

EDGE_NOTES = ("edge-damage", "width-change", "edge-shift")
SECTION_WORDS = {  # by what the two edges of the pulley did while the section passed
    "bend": "Both edges go the same way: the belt is bent there.",
    "left": "Only the left edge departs, the right one keeps its line: that edge is damaged, or hangs.",
    "right": "Only the right edge departs, the left one keeps its line: that edge is damaged, or hangs.",
    "apart": "The two edges depart to opposite sides: the belt's width changes there.",
}


def edge_note(t_s: float, rev: int, f: BeltFinding) -> Event:
    """The note for a finding of EDGE_NOTES."""
    return Event(
        t_s,
        rev,
        "note",
        f.name,
        pulley=f.pulley,
        sensor=f.sensor,
        value_mm=f.value_mm,
        start_mm=f.start_mm,
        end_mm=f.end_mm,
        text=_words(f),
        details={"active": f.active},
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
