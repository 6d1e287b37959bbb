"""Requests from outside: the good ones are understood, the hostile ones refused in one sentence."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime, timedelta

import pytest

from monitor.errors import EntryError
from monitor.outside.requests import ASKS, MoveRequest, StageRequest, parse_request

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
GOOD = {
    "move": {"where": "infeed", "side": "left", "amount_mm": 1.6},
    "belt": {"serial": "../../x", "length_mm": 14000, "customer_ref": "A-1", "note": "n"},
    "stage": {"done": "set-up", "measurements": {"level_mm_per_m": 0.4, "remark": "fine"}},
    "acknowledge": {"where": "infeed", "name": "drift", "by": "x"},
    "shelve": {"where": "infeed", "name": "drift", "minutes": 10, "by": "x", "why": "y"},
    "note": {"text": "a note, \u00e4", "by": "x"},
}


def parse(what: str, content: object, *, retained: bool = False) -> object:
    payload = content if isinstance(content, bytes) else json.dumps(content).encode()
    return parse_request(what, payload, retained=retained, utc=NOW)


@pytest.mark.parametrize("what", GOOD)
def test_every_request_of_the_contract_is_understood(what: str) -> None:
    assert set(GOOD) == set(ASKS)
    assert isinstance(parse(what, GOOD[what]), ASKS[what])


def test_numbers_and_stages_arrive_as_said() -> None:
    move = parse("move", GOOD["move"] | {"t_s": 12, "id": 7, "utc": "2026-03-01T11:59:30Z"})
    assert isinstance(move, MoveRequest)
    assert (move.amount_mm, move.t_s, move.id) == (1.6, 12.0, 7)
    stage = parse("stage", {"enter": "prove"})
    assert isinstance(stage, StageRequest)
    assert (stage.done, stage.enter) == (None, "prove")


HOSTILE = [
    b"", b"\xff\xfe", b"null", b"[]", b"3", b'"x"', b"{", b"{}" * 2, b"[" * 4000, b'{"a":' * 800,
    b'{"where": NaN}', b'{"amount_mm": Infinity}', b'{"amount_mm": 1e999, "where": "infeed", "side": "left"}',
    b'{"where": "infeed", "where": "snub", "side": "left", "amount_mm": 1}', b"9" * 4090, b" " * 5000,
    b'{"text": "' + b"x" * 4000 + b'"}',
]  # fmt: skip
WRONG = [
    ("move", {"where": "roof", "side": "left", "amount_mm": 1}, "where"),
    ("move", {"where": "infeed", "side": "left", "amount_mm": "1"}, "amount_mm"),
    ("move", {"where": "infeed", "side": "left", "amount_mm": True}, "amount_mm"),
    ("move", {"where": "infeed", "side": "left", "amount_mm": 1e308}, "amount_mm"),
    ("move", {"where": "infeed", "side": "left", "amount_mm": 0}, "no move"),
    ("move", {"where": "infeed", "side": "left"}, "amount_mm"),
    ("move", GOOD["move"] | {"start": True}, "start"),
    ("move", GOOD["move"] | {"t_s": -1}, "t_s"),
    ("move", GOOD["move"] | {"utc": "2026-03-01T11:58:00Z"}, "old"),
    ("move", GOOD["move"] | {"utc": "yesterday"}, "utc"),
    ("move", GOOD["move"] | {"utc": "2026-03-01T12:00:00"}, "utc"),
    ("note", {"text": "two\nlines"}, "control"),
    ("note", {"text": "\x1b[31mred"}, "control"),
    ("note", {"text": "\u202egnp"}, "control"),
    ("note", {"text": ""}, "text"),
    ("note", {"text": "\ud800"}, "text"),
    ("belt", {"serial": ""}, "serial"),
    ("belt", {"serial": "x" * 65}, "serial"),
    ("belt", {"serial": "x", "length_mm": 3}, "length_mm"),
    ("stage", {"done": "set-up", "enter": "watch"}, "either"),
    ("stage", {}, "either"),
    ("stage", {"done": "lunch"}, "done"),
    ("stage", {"done": "set-up", "measurements": {"a": [1]}}, "measurements"),
    ("stage", {"done": "set-up", "measurements": {str(k): k for k in range(41)}}, "measurements"),
    ("shelve", GOOD["shelve"] | {"minutes": 31}, "minutes"),
    ("start", {}, "no such request"),
    ("../move", GOOD["move"], "no such request"),
    ("", {}, "no such request"),
]


@pytest.mark.parametrize("what", ASKS)
@pytest.mark.parametrize("payload", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_bytes_are_refused_in_one_sentence(what: str, payload: bytes) -> None:
    with pytest.raises(EntryError) as caught:
        parse(what, payload)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize(("what", "content", "word"), WRONG)
def test_what_cannot_be_understood_is_told_what_was_expected(what: str, content: object, word: str) -> None:
    with pytest.raises(EntryError, match=word):
        parse(what, content)


def test_a_retained_request_is_not_carried_out() -> None:
    with pytest.raises(EntryError, match="retained"):
        parse("move", GOOD["move"], retained=True)


def test_a_request_of_a_minute_ago_is_still_fresh() -> None:
    asked = (NOW - timedelta(seconds=59)).isoformat()
    assert parse("note", GOOD["note"] | {"utc": asked})


def test_two_thousand_damaged_requests() -> None:
    """Random damage to good requests: understood or refused, never anything else."""
    rng = random.Random(11)
    for _ in range(2000):
        what = rng.choice(list(GOOD))
        payload = bytearray(json.dumps(GOOD[what]).encode())
        for _ in range(rng.randrange(1, 5)):
            place = rng.randrange(len(payload))
            payload[place : place + rng.randrange(2)] = rng.randbytes(rng.randrange(3))
        try:
            parse(what, bytes(payload))
        except EntryError:
            continue
