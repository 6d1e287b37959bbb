"""The decoder on the shared captures, whose losses and mark times are known from their independent maker."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from monitor.readings.decoder import Decoder
from monitor.readings.wire import WireLine, parse_line
from monitor.records import BoardRecord, EdgeBlock, Mark, Restart

CRYSTAL = 100e-6  # a board's crystal is within this of true (common practice, no source)


def same(one: list[BoardRecord], other: list[BoardRecord]) -> bool:
    if [type(record) for record in one] != [type(record) for record in other]:
        return False
    return all(
        all(np.array_equal(getattr(a, f), getattr(b, f)) for f in ("time_us", "flags", "counts", "lost"))
        if isinstance(a, EdgeBlock) and isinstance(b, EdgeBlock)
        else a == b
        for a, b in zip(one, other, strict=True)
    )


def folders(captures: Path) -> list[Path]:
    found = sorted(path.parent for path in captures.glob("*/board.wire"))
    assert found
    return found


def swallowed(stream: bytes) -> int:
    """Sound records that a record before them, cut short of its line end, took with it into one line."""
    rejected = [
        line + b"\n" for line in stream.split(b"\n")[:-1] if isinstance(parse_line(line + b"\n"), str)
    ]
    return sum(
        any(isinstance(parse_line(line[k:]), WireLine) for k in range(1, len(line))) for line in rejected
    )


def test_losses_and_rejections_are_those_of_the_truth(captures: Path) -> None:
    for folder in folders(captures):
        stream = (folder / "board.wire").read_bytes()
        truth = json.loads((folder / "truth.json").read_text())
        decoder = Decoder()
        records = decoder.feed(stream)
        tally = decoder.tally
        # Every garbled record is missing too; a garbled record without its line end spoils the one after it.
        # (A byte garbled into itself is no harm: 1 in 256, so a few in a thousand may be missing here.)
        unharmed = truth["lost"] + truth["garbled"] + swallowed(stream) - tally.lost
        assert 0 <= unharmed <= 0.01 * truth["garbled"], folder.name
        # Two garbled records that run into one line are one rejection.
        merged = truth["garbled"] - tally.rejected
        assert 0 <= merged <= 0.02 * truth["garbled"], folder.name
        assert tally.good + tally.rejected == stream.count(b"\n"), folder.name
        assert not any(isinstance(record, Restart) for record in records), folder.name


def test_marks_are_where_the_truth_has_them(captures: Path) -> None:
    compared = 0
    for folder in folders(captures):
        truth = json.loads((folder / "truth.json").read_text())
        if not truth["params"]["marks"] or truth["params"]["mark_dup"]:
            continue
        records = Decoder().feed((folder / "board.wire").read_bytes())
        found_s = np.array([record.time_us / 1e6 for record in records if isinstance(record, Mark)])
        true_s = np.array(truth["marks_s"])
        nearest_s = true_s[np.abs(true_s[:, None] - found_s).argmin(axis=0)]
        # The board counts by its own crystal, so its times are a straight line of the true ones.
        rate, offset_s = np.polyfit(nearest_s, found_s, 1)
        assert abs(rate - 1) < CRYSTAL, folder.name
        # 1 us of rounding on the mark and on the first record each, and the first record's time.
        assert np.abs(found_s - rate * nearest_s - offset_s).max() < 2e-6, folder.name
        assert abs(offset_s) < 5e-6, folder.name
        compared += len(found_s)
    assert compared > 100


@pytest.mark.parametrize("size", [1_000, 5_000, 70_000, None])
def test_both_paths_and_all_chunks_agree_to_the_bit(captures: Path, size: int | None) -> None:
    for folder in folders(captures):
        stream = (folder / "board.wire").read_bytes()[: 400_000 if size else None]
        decoder, twin = Decoder(), Decoder(bulk=False)
        for start in range(0, len(stream), size or len(stream)):
            chunk = stream[start : start + (size or len(stream))]
            assert same(decoder.feed(chunk), twin.feed(chunk)), folder.name
        assert decoder.snapshot() == twin.snapshot(), folder.name
        assert decoder.tally == twin.tally
