"""What a push-button on the board means: the station file's words, as an entry.

A press is in the board's bytes, so it needs no log of its own: a replay hears it again. What cannot be carried
out (no move is advised just now) changes nothing and says why.
"""

from __future__ import annotations

from monitor.records import Advice, Entry, MoveMade, MoveWhere, NoteSaid, Side, Stage, StageSaid

ACKNOWLEDGE = "acknowledge"
AS_ADVISED = "move as advised"


def entry_of(
    meaning: str, by: str, t_s: float, advice: Advice | None, stage: Stage, usual_mm: float
) -> Entry | str:
    """The entry a press makes, or why it makes none. meaning: as settings.BUTTON_PATTERN allows it; usual_mm: the
    amount of a move for which the station file names none.
    """
    if meaning == AS_ADVISED:
        if advice is None or advice.action != "move":
            return "No move is advised now, so none was logged."
        assert advice.where is not None
        assert advice.side is not None
        assert advice.amount_mm is not None
        return MoveMade(t_s, advice.where, advice.side, advice.amount_mm, by)
    if meaning == "stage-done":
        return StageSaid(t_s, stage, "done", {}, by)
    if meaning.startswith("note "):
        return NoteSaid(t_s, meaning.removeprefix("note "), by)
    if meaning == ACKNOWLEDGE:
        return "The most urgent alarm that nobody had acknowledged is acknowledged."
    return _move(meaning, by, t_s, usual_mm)


def _move(meaning: str, by: str, t_s: float, usual_mm: float) -> MoveMade:
    """`move infeed left +`, `move snub right -0.8`."""
    _, place, end, amount = meaning.split()
    where: MoveWhere = "infeed" if place == "infeed" else "snub"
    side: Side = "left" if end == "left" else "right"
    size = float(amount[1:]) if len(amount) > 1 else usual_mm
    return MoveMade(t_s, where, side, -size if amount[0] == "-" else size, by)
