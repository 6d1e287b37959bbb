"""The column parse believes exactly the lines that the line parse believes, and reads the same from them."""

from __future__ import annotations

import random

import numpy as np
import pytest

from monitor.readings.bulk import parse_edges
from monitor.readings.wire import MAX_CHANNELS, WireLine, encode_edge, encode_mark, parse_line, sealed


def spoilt(line: bytes, chance: random.Random) -> bytes:
    """The line with one byte, or two neighbours, altered; often to something a lax reader would take."""
    place = chance.randrange(len(line) - 1)
    return line[:place] + bytes([chance.choice(b"0F9A@G/:g`f,*\r _+- \x00\x80\xff")]) + line[place + 1 :]


@pytest.mark.parametrize("channels", [1, 2, 4, MAX_CHANNELS])
def test_believes_what_the_line_parse_believes(channels: int) -> None:
    chance = random.Random(channels)
    lines = []
    for seq in range(1500):
        counts = [chance.randrange(65536) for _ in range(channels)]
        line = encode_edge(seq, chance.randrange(2**32), chance.randrange(256), counts)
        other = encode_edge(seq, 1, 0, [1] * (1 + channels % MAX_CHANNELS))
        lines.append(chance.choice([line, line, spoilt(line, chance), encode_mark(seq, 1, 1), other]))
    lines = [line for line in lines if b"\n" not in line[:-1]]
    ends = np.cumsum([len(line) for line in lines])
    edges = parse_edges(b"".join(lines), ends - [len(line) for line in lines], ends, channels)
    found = [
        (int(row), int(seq), int(time_us), (int(flags), *counts.tolist()))
        for row, seq, time_us, flags, counts in zip(*edges, strict=True)
    ]
    plain = [(row, parse_line(line)) for row, line in enumerate(lines)]
    expected = [
        (row, said.seq, said.time_us, said.fields)
        for row, said in plain
        if isinstance(said, WireLine) and said.kind == "E" and len(said.fields) == 1 + channels
    ]
    assert found == expected
    assert 400 < len(found) < len(lines) - 400  # both kinds of line were there in numbers


def test_a_wrong_character_under_a_right_sum_is_refused() -> None:
    body = "E,BEEF,89ABCDEF,01,0123,FEDC"
    lines = [
        sealed(body[:place] + octet + body[place + 1 :])
        for place in range(len(body))
        for octet in "/:@G`ag, *E"
        if body[place] != octet
    ]
    ends = np.arange(1, len(lines) + 1) * len(lines[0])
    found = parse_edges(b"".join(lines), ends - len(lines[0]), ends, 2).line.tolist()
    assert found == [row for row, line in enumerate(lines) if isinstance(parse_line(line), WireLine)]
    digits = [place for place in range(2, len(body)) if body[place] not in ",E"]
    assert len(found) == len(digits)  # only the E is a digit among these, where there was another one


def test_every_single_byte_change_of_a_line_is_judged_alike() -> None:
    line = encode_edge(0xBEEF, 0x89ABCDEF, 1, [0x0123, 0xFEDC])
    changed = [
        line[:place] + bytes([octet]) + line[place + 1 :]
        for place in range(len(line) - 1)
        for octet in range(256)
        if octet != ord("\n")
    ]
    ends = np.arange(1, len(changed) + 1) * len(line)
    edges = parse_edges(b"".join(changed), ends - len(line), ends, 2)
    plain = [row for row, text in enumerate(changed) if isinstance(parse_line(text), WireLine)]
    assert edges.line.tolist() == plain
    assert len(plain) == len(line) - 1  # the line itself, once for each place; no changed one
