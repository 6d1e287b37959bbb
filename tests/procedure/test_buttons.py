"""Push-buttons: what each meaning enters, and that a press in the bytes is live and in a replay the same."""

from __future__ import annotations

import dataclasses

import pytest

from monitor.outside.outputs import event_line
from monitor.pipeline import Pipeline
from monitor.procedure.buttons import entry_of
from monitor.records import Advice, Event, Message, MoveMade, NoteSaid, StageSaid
from monitor.settings import Station, parse_station
from monitor.simulation import Simulation
from monitor.simulation.scenario import demo
from monitor.simulation.station import station_text

MOVE = Advice(5.0, 3, "move", "why", "caution", "snub", "right", -0.8)
WAIT = Advice(5.0, 3, "wait", "why", "caution", until_rev=6.0)


@pytest.mark.parametrize(
    ("meaning", "entry"),
    [
        ("move as advised", MoveMade(9.0, "snub", "right", -0.8, "button 1")),
        ("move infeed left +", MoveMade(9.0, "infeed", "left", 1.6, "button 1")),
        ("move infeed right -", MoveMade(9.0, "infeed", "right", -1.6, "button 1")),
        ("move snub right -0.8", MoveMade(9.0, "snub", "right", -0.8, "button 1")),
        ("stage-done", StageSaid(9.0, "steer", "done", {}, "button 1")),
        ("note looked at the splice", NoteSaid(9.0, "looked at the splice", "button 1")),
    ],
)
def test_what_a_press_enters(meaning: str, entry: object) -> None:
    assert entry_of(meaning, "button 1", 9.0, MOVE, "steer", 1.6) == entry


@pytest.mark.parametrize("advice", [WAIT, None])
def test_no_move_is_made_up_when_none_is_advised(advice: Advice | None) -> None:
    found = entry_of("move as advised", "button 1", 9.0, advice, "steer", 1.6)
    assert found == "No move is advised now, so none was logged."


def station_with_buttons() -> tuple[Station, Simulation]:
    params = dataclasses.replace(demo(), hold_minutes=1.0)
    buttons = '\n[buttons]\n1 = "move as advised"\n2 = "stage-done"\n3 = "acknowledge"\n'
    return parse_station(station_text(params) + buttons), Simulation(params)


def pressed_run() -> tuple[Station, bytes, list[Message]]:
    """The belt runs; what is advised is done and button 1 is pressed, at once twice; then others."""
    station, simulation = station_with_buttons()
    pipeline, wire, said = Pipeline(station), b"", []

    def run(seconds: float) -> None:
        nonlocal wire
        piece = simulation.advance(seconds)
        wire += piece
        said.extend(pipeline.feed(piece))

    run(100.0)
    advice = pipeline.advice
    assert advice is not None
    assert advice.where is not None
    assert advice.side is not None
    simulation.move(advice.where, advice.side, advice.amount_mm or 0.0)
    for button in (1, 1, 2, 3, 9):
        simulation.press(button)
        run(2.0)
    run(100.0)
    said.extend(pipeline.finish())
    return station, wire, said


def test_a_press_is_heard_live_and_in_a_replay_alike() -> None:
    station, wire, said = pressed_run()
    events = [m for m in said if isinstance(m, Event)]
    moves = [e for e in events if e.kind == "move"]
    assert len(moves) == 1  # the second press found no move advised any more
    assert moves[0].by == "button 1"
    texts = [e.text or "" for e in events if e.name == "button"]
    assert "No move is advised now" in texts[1]
    assert [e for e in events if e.kind == "stage" and e.by == "button 2"]
    assert "most urgent alarm" in texts[3]
    assert "gives it no meaning" in texts[4]
    again = Pipeline(station)
    replayed = [*again.feed(wire), *again.finish()]
    lines = [event_line(m) for m in replayed if isinstance(m, Event)]
    assert lines == [event_line(e) for e in events]
