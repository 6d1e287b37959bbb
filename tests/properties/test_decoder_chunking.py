"""However a stream is cut, the same records come out: for any stream and any cuts, on both paths."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.readings.decoder import Decoder
from monitor.readings.wire import (
    WireLine,
    encode_button,
    encode_edge,
    encode_hello,
    encode_mark,
    encode_ticks,
    parse_line,
)
from monitor.records import BoardRecord, EdgeBlock


def flat(records: list[BoardRecord]) -> list[Any]:
    out: list[Any] = []
    for record in records:
        if isinstance(record, EdgeBlock):
            columns = (record.time_us, record.flags, record.counts, record.lost)
            out += zip(*(column.tolist() for column in columns), strict=True)
        else:
            out.append(record)
    return out


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """Runs of E records, other records, jumps of counter and time, and rubbish, in any order."""
    seq = draw(st.integers(0, 65535))
    time_us = draw(st.sampled_from([0, 1_000, 2**31, 2**32 - 400_000, 2**32 - 1]))
    channels = draw(st.integers(1, 3))
    pieces: list[bytes] = []
    kinds = st.sampled_from(["run", "run", "M", "T", "B", "H", "jump", "gap", "rubbish", "wide", "again"])
    for kind in draw(st.lists(kinds, min_size=1, max_size=14)):
        seq, time_us = seq + 1, time_us + 20_000
        if kind == "run":
            for _ in range(draw(st.integers(1, 90))):
                seq, time_us = seq + 1, time_us + 20_000
                pieces.append(encode_edge(seq, time_us, 0, [seq % 65536] * channels))
        elif kind == "M":
            pieces.append(encode_mark(seq, time_us - 9_000, draw(st.integers(0, 70_000))))
        elif kind == "T":
            pieces.append(
                encode_ticks(seq, time_us - draw(st.integers(0, 2**32)), draw(st.integers(0, 2**32)))
            )
        elif kind == "B":
            pieces.append(encode_button(seq, time_us, 1))
        elif kind == "H":
            board, width = draw(st.integers(1, 2)), draw(st.integers(1, 3))
            channels = width if draw(st.booleans()) else channels
            pieces.append(encode_hello(seq, time_us, board, width, draw(st.sampled_from([1, 50, 65535]))))
        elif kind == "jump":
            seq, time_us = draw(st.integers(0, 65535)), draw(st.integers(0, 2**32 - 1))
        elif kind == "gap":
            missing = draw(st.integers(0, 100_000))
            seq, time_us = seq + missing, time_us + missing * 20_000
        elif kind == "wide":
            pieces.append(encode_edge(seq, time_us, 1, [5] * (channels + 1)))
        elif kind == "again" and pieces:
            pieces.append(pieces[draw(st.integers(max(0, len(pieces) - 9), len(pieces) - 1))])
        else:
            pieces.append(draw(st.binary(max_size=200)))
    return b"".join(pieces)


@given(stream=streams(), cuts=st.lists(st.integers(0, 40_000), max_size=8))
@settings(max_examples=300, deadline=None)
def test_cuts_change_nothing(stream: bytes, cuts: list[int]) -> None:
    whole, twin, cut_up = Decoder(), Decoder(bulk=False), Decoder()
    at_once = flat(whole.feed(stream))
    assert flat(twin.feed(stream)) == at_once
    assert twin.snapshot() == whole.snapshot()
    bounds = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    parts: list[Any] = []
    for start, end in pairwise(bounds):
        parts += flat(cut_up.feed(stream[start:end]))
        cut_up = Decoder.restore(json.loads(json.dumps(cut_up.snapshot())))
    assert parts == at_once
    assert cut_up.tally == whole.tally


@given(stream=streams())
@settings(max_examples=150, deadline=None)
def test_every_line_is_accounted_for_and_time_never_runs_back(stream: bytes) -> None:
    decoder = Decoder()
    records = decoder.feed(stream)
    tally = decoder.tally
    held = decoder.snapshot()["suspect"] is not None
    given_up = decoder.snapshot()["skipping"]
    assert tally.good + tally.rejected + held == stream.count(b"\n") + given_up
    assert tally.rejected == sum(tally.reasons.values())
    assert tally.lost >= 0
    edges = [record for record in records if isinstance(record, EdgeBlock)]
    time_us = np.concatenate([block.time_us for block in edges]) if edges else np.zeros(0, np.int64)
    assert (np.diff(time_us) > 0).all()
    assert all((block.lost >= 0).all() for block in edges)


@given(line=st.binary(max_size=140))
@settings(max_examples=300, deadline=None)
def test_what_is_believed_can_be_written_again(line: bytes) -> None:
    said = parse_line(line)
    if isinstance(said, WireLine) and said.kind == "E":
        assert encode_edge(said.seq, said.time_us, said.fields[0], said.fields[1:]) == line
