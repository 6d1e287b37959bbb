"""moves.csv: what is read, and that every fault is named with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import ExitCode, MovesFileError
from monitor.readings.moves import parse_moves
from monitor.records import MoveMade

HEAD = "time_s,where,side,amount_mm\n"


def test_moves_are_read_in_order_of_time() -> None:
    text = "\ufeff" + HEAD.replace("\n", "\r\n") + "169.9,infeed,left,0.8\r\n\r\n 20, snub ,right, -1.6 \r\n"
    assert parse_moves(text) == [
        MoveMade(20.0, "snub", "right", -1.6),
        MoveMade(169.9, "infeed", "left", 0.8),
    ]
    assert parse_moves(HEAD) == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: expected the heading time_s,where,side,amount_mm"),
        ("time,where,side,amount\n", "line 1: expected the heading"),
        (HEAD + "1,infeed,left\n", "line 2: expected 4 values"),
        (HEAD + "1,infeed,left,1,6\n", "decimals with a point"),
        (HEAD + "\n\nnan,infeed,left,1\n", 'line 4: time_s = "nan": expected a number from 0'),
        (HEAD + "1_0,infeed,left,1\n", 'time_s = "1_0"'),
        (HEAD + "-1,infeed,left,1\n", 'time_s = "-1"'),
        (HEAD + "1,drive,left,1\n", 'where = "drive": expected infeed or snub'),
        (HEAD + "1,infeed,LEFT,1\n", 'side = "LEFT": expected left or right'),
        (HEAD + "1,infeed,left,inf\n", 'amount_mm = "inf"'),
        (HEAD + "1,infeed,left,0\n", "amount_mm = 0"),
        (HEAD + "1,infeed,left,1600\n", 'amount_mm = "1600": expected a number from -200 to 200'),
        (HEAD + "1,in\x1b[31m,left,1\n", 'where = "in?[31m"'),
        ("x" * 2_000_000, "no list of moves"),
    ],
)
def test_faults_name_file_line_and_what_was_expected(text: str, says: str) -> None:
    with pytest.raises(MovesFileError) as caught:
        parse_moves(text, "run/moves.csv")
    assert str(caught.value).startswith("run/moves.csv: ")
    assert says in str(caught.value)
    assert caught.value.exit_code is ExitCode.INPUT_UNREADABLE


def test_every_faulty_line_is_named_up_to_a_limit() -> None:
    with pytest.raises(MovesFileError) as caught:
        parse_moves(HEAD + "x\n1,infeed,left,1\ny\n")
    assert len(caught.value.faults) == 2
    with pytest.raises(MovesFileError) as caught:
        parse_moves(HEAD + "x\n" * 10_000)
    assert len(caught.value.faults) == 20


def test_the_shared_captures_moves_are_read(captures: Path) -> None:
    found = {path.parent.name: parse_moves(path.read_text()) for path in captures.glob("*/moves.csv")}
    assert MoveMade(325.2, "infeed", "right", 0.8) in found["early-0"]
