"""Hostile bytes: nothing is raised, nothing is kept, and the next good line is read again."""

from __future__ import annotations

import random

import pytest

from monitor.readings.decoder import Decoder
from monitor.readings.wire import MAX_LINE, encode_edge, encode_hello, encode_mark
from monitor.records import EdgeBlock


def stream(n: int, seed: int) -> bytes:
    chance = random.Random(seed)
    lines = [encode_hello(0, 0, 7, 2, 50)]
    for k in range(1, n):
        if k % 200 == 0:
            lines.append(encode_mark(k, k * 20_000 - 7, k // 200))
        else:
            lines.append(encode_edge(k, k * 20_000, 0, [chance.randrange(65536), chance.randrange(65536)]))
    return b"".join(lines)


def mutated(octets: bytes, chance: random.Random) -> bytes:
    """Bytes flipped, cut out, doubled, swapped and inserted."""
    out = bytearray(octets)
    for _ in range(chance.randrange(1, 40)):
        at, size = chance.randrange(len(out)), chance.choice([1, 1, 2, 5, 40, 300])
        how = chance.randrange(5)
        if how == 0:
            out[at] ^= 1 << chance.randrange(8)
        elif how == 1:
            del out[at : at + size]
        elif how == 2:
            out[at:at] = out[at : at + size]
        elif how == 3:
            out[at:at] = chance.randbytes(size)
        else:
            out[at : at + 1] = chance.choice([b"\n", b"\r\n", b"\x00", b"*", b"AT\r\n", b"\xff" * 9])
    return bytes(out)


@pytest.mark.parametrize("seed", range(40))
def test_mutated_streams_raise_nothing_and_are_accounted_for(seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(5):
        octets = mutated(stream(600, seed), chance)
        decoder, twin = Decoder(), Decoder(bulk=False)
        decoder.feed(octets)
        for start in range(0, len(octets), 997):
            twin.feed(octets[start : start + 997])
        assert decoder.snapshot() == twin.snapshot()
        tally = decoder.tally
        held = decoder.snapshot()["suspect"] is not None
        assert tally.good + tally.rejected + held == octets.count(b"\n") + decoder.snapshot()["skipping"]
        assert tally.good > 300


@pytest.mark.parametrize(
    "rubbish",
    [
        b"\x00" * 100_000,
        b"\xff" * 100_000,
        b"AT+GMR\r\nATZ\r\n" * 3_000,
        "Ünïcödé ٣٤\r\n".encode() * 3_000,
        b"\n" * 50_000,
        b"\r\n" * 50_000,
        b"E," * 50_000,
        (b"E" + b"0" * 33 + b"\n") * 3_000,
        b"E,0001,00000001,00,0001,0002*0000\r\n" * 3_000,
        (b"H" * 4_096 + b"\n") * 20,
    ],
)
def test_after_rubbish_the_next_whole_line_is_read(rubbish: bytes) -> None:
    decoder = Decoder()
    decoder.feed(stream(100, 1))
    before = decoder.tally.good
    decoder.feed(rubbish)
    assert decoder.tally.good == before
    assert decoder.unfinished_bytes < MAX_LINE
    records = decoder.feed(b"\n" + encode_edge(100, 2_000_000, 0, [1, 2]))
    assert [record.time_us.tolist() for record in records if isinstance(record, EdgeBlock)] == [[2_000_000]]


def test_memory_is_bounded_over_a_long_stream_of_every_kind() -> None:
    decoder = Decoder()
    octets = stream(2_000, 5) + mutated(stream(2_000, 5), random.Random(5))
    decoder.feed(octets)
    size = len(repr(decoder.snapshot()))
    for _ in range(30):
        decoder.feed(octets)
        assert len(repr(decoder.snapshot())) < size + 500
