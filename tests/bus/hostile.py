"""Requests and Sparkplug commands that nobody honest would send, from a seed: each one must be refused and must
change nothing."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from typing import Any

from tests.bus.sparkplug_descriptor import IndependentPayload

ASKS = ("move", "belt", "stage", "acknowledge", "shelve", "note")
GOOD: dict[str, dict[str, Any]] = {
    "move": {"where": "infeed", "side": "left", "amount_mm": 1.6},
    "belt": {"serial": "X-1", "length_mm": 14250.0},
    "stage": {"done": "set-up"},
    "acknowledge": {"where": "bay", "name": "link-lost", "by": "x"},
    "shelve": {"where": "infeed", "name": "drift", "minutes": 5, "by": "x", "why": "x"},
    "note": {"text": "x"},
}
WRONG: tuple[Any, ...] = (
    None, True, [], {}, [[]], {"a": {}}, -1, 0, 1e308, -1e308, 10**40, "", "\x00", "\x1b[2J", "a\nb", "\u202egnp.exe",
    "../../etc/passwd", "x" * 3000, "NaN", "1.6", [1, 2], "\ud800",
)  # fmt: skip
BIG_BYTES = 5_000_000


def hostile_requests(seed: int, number: int, *, big: int = 20) -> Iterator[tuple[str, bytes]]:
    """`(what, payload)`; `big` of them have 5 MB, spread over the run."""
    rng = random.Random(seed)
    every = max(1, number // max(1, big))
    for k in range(number):
        if k % every == every - 1:
            yield rng.choice(ASKS), b'{"text": "' + b"y" * BIG_BYTES + b'"}'
        else:
            yield KINDS[k % len(KINDS)](rng)


def _broken_json(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    text = bytearray(json.dumps(GOOD[what]).encode())
    cut = rng.randrange(len(text) - 1)  # without its closing bracket it is no JSON
    return what, bytes(text[:cut]) + rng.randbytes(rng.randrange(3))


def _noise(rng: random.Random) -> tuple[str, bytes]:
    return rng.choice(ASKS), b"\xff" + rng.randbytes(rng.randrange(3000))


def _deep(rng: random.Random) -> tuple[str, bytes]:
    depth = rng.choice((5, 100, 1000, 2000))
    opening, closing = rng.choice(((b"[", b"]"), (b'{"a":', b"}")))
    return rng.choice(ASKS), opening * depth + (b"1" + closing * depth if rng.random() < 0.5 else b"")


def _not_finite(rng: random.Random) -> tuple[str, bytes]:
    number = rng.choice(("NaN", "Infinity", "-Infinity", "1e999", "-1e999", "9" * 3900, "nan"))
    what, key = rng.choice(
        (("move", "amount_mm"), ("belt", "length_mm"), ("shelve", "minutes"), ("move", "t_s"))
    )
    rest = {name: value for name, value in GOOD[what].items() if name != key}
    return what, (json.dumps(rest)[:-1] + f', "{key}": {number}}}').encode()


def _wrong_type(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    wrong = rng.choice(WRONG)
    key = rng.choice([name for name in GOOD[what] if name not in ("by", "why")])
    if key in ("text", "serial") and isinstance(wrong, str) and wrong and wrong.isprintable():
        wrong = 7  # a text is right there
    if key == "amount_mm" and wrong == -1:
        wrong = "-1"
    if key == "length_mm" and wrong is None:
        wrong = "none"  # null means that no length is given, which is allowed
    if key == "minutes" and wrong == 0 and not isinstance(wrong, bool):
        wrong = "0"  # no minutes end a shelving, which is allowed
    return what, json.dumps({**GOOD[what], key: wrong}).encode()


def _old(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    utc = rng.choice(
        ("2020-01-01T00:00:00Z", "0001-01-01T00:00:00Z", "2024-02-30T00:00:00Z", "yesterday", "1e9", "")
    )
    return what, json.dumps({**GOOD[what], "utc": utc, "id": f"old-{rng.randrange(50)}"}).encode()


def _unknown_ask(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(
        ("start", "stop", "MOVE", "move ", "exec", "x" * 200, "\u00e9", "answer", "{}", "reboot")
    )
    return what, json.dumps(rng.choice(list(GOOD.values()))).encode()


def _unknown_key(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    key = rng.choice(("force", "__class__", "topic", "Where", " where", "x" * 500, "\x00", "t_ns"))
    return what, json.dumps({**GOOD[what], key: 1}).encode()


def _missing_key(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    needed = [name for name in GOOD[what] if name not in ("by", "why", "length_mm")]
    gone = rng.choice(needed)
    return what, json.dumps({name: value for name, value in GOOD[what].items() if name != gone}).encode()


def _twice(rng: random.Random) -> tuple[str, bytes]:
    what = rng.choice(ASKS)
    text = json.dumps(GOOD[what])
    return what, (text[:-1] + ", " + text[1:]).encode()


def _out_of_range(rng: random.Random) -> tuple[str, bytes]:
    return rng.choice((
        ("move", b'{"where": "infeed", "side": "left", "amount_mm": 0}'),
        ("move", b'{"where": "infeed", "side": "left", "amount_mm": 25.01}'),
        ("move", b'{"where": "infeed", "side": "left", "amount_mm": 1, "t_s": 1e12}'),
        ("belt", b'{"serial": "x", "length_mm": 400}'),
        ("belt", b'{"serial": "x", "length_mm": 5000}'),
        ("shelve", b'{"where": "infeed-left", "name": "edge-stop", "minutes": 5}'),
        ("shelve", b'{"where": "infeed", "name": "drift", "minutes": 31}'),
        ("shelve", b'{"where": "roof", "name": "drift", "minutes": 1}'),
        ("acknowledge", b'{"where": "bay", "name": "fire"}'),
        ("acknowledge", b'{"where": "drive", "name": "drift"}'),
        ("stage", b'{"done": "set-up", "enter": "watch"}'),
        ("stage", b"{}"),
        ("note", b"{}"),
        ("note", b""),
        ("note", b"null"),
        ("note", b'"text"'),
    ))  # fmt: skip


KINDS = (
    _broken_json, _noise, _deep, _not_finite, _wrong_type, _old, _unknown_ask, _unknown_key, _missing_key, _twice,
    _out_of_range,
)  # fmt: skip


# ---------------------------------------------------------------- Sparkplug commands

NAMES = (
    "Node Control/Rebirth", "Node Control/Reboot", "Node Control/Next Server", "Node Control/Scan Rate",
    "Belt/position", "State/running", "Verdict/verdict", "Advice/action", "ask/move", "", "x" * 3000,
    "\u202egnp.exe", "../../etc/passwd", "bdSeq",
)  # fmt: skip
HELD: tuple[tuple[int, str, Any], ...] = (
    # datatype, field, content
    (11, "boolean_value", False),
    (11, "int_value", 1),
    (12, "string_value", "true"),
    (10, "double_value", float("nan")),
    (9, "float_value", float("inf")),
    (8, "long_value", 2**64 - 1),
    (3, "int_value", 2**32 - 1),
    (17, "bytes_value", b"\1"),
    (0, "boolean_value", False),
    (4_000_000_000, "boolean_value", False),
    (12, "string_value", "\x00\x1b[2J"),
    (12, "string_value", "y" * 50_000),
)


def hostile_commands(seed: int, number: int, *, big: int = 20) -> Iterator[bytes]:
    """Payloads for NCMD and DCMD, none of which asks for a birth; `big` of them have 5 MB."""
    rng = random.Random(seed)
    every = max(1, number // max(1, big))
    for k in range(number):
        if k % every == every - 1:
            yield b"\x12" + b"\xff" * BIG_BYTES
        else:
            yield (_no_payload, _cut_payload, _wrong_metrics, _request_as_command)[k % 4](rng)


def _payload(rng: random.Random) -> Any:
    payload = IndependentPayload(timestamp=rng.choice((0, 1, 10**12, 2**64 - 1)), seq=rng.randrange(300))
    for _ in range(rng.choice((0, 1, 1, 1, 3, 200))):
        datatype, field, content = rng.choice(HELD if len(payload.metrics) < 3 else HELD[:-1])
        metric = payload.metrics.add(datatype=datatype, timestamp=rng.choice((0, 2**64 - 1)))
        if rng.random() < 0.3:
            metric.alias = rng.randrange(200)
        else:
            metric.name = rng.choice(NAMES)
        if rng.random() < 0.9:
            setattr(metric, field, content)
        else:
            metric.is_null = True
    return payload


def _wrong_metrics(rng: random.Random) -> bytes:
    return bytes(_payload(rng).SerializeToString())


def _cut_payload(rng: random.Random) -> bytes:
    text = bytes(_payload(rng).SerializeToString())
    return text[: rng.randrange(len(text))] + b"\xff" * rng.randrange(20)


def _no_payload(rng: random.Random) -> bytes:
    return b"\xff" + rng.randbytes(rng.randrange(3000)) if rng.random() < 0.9 else b""


def _request_as_command(rng: random.Random) -> bytes:
    return json.dumps(GOOD[rng.choice(ASKS)]).encode()
