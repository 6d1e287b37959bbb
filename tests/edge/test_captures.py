"""Opening recordings: what is one opens, what is none is refused in one sentence that names the place."""

from __future__ import annotations

import gzip
import os
import random
from pathlib import Path

import pytest

from monitor.errors import RecordingError, RuninError
from monitor.outside.captures import open_log, open_recording
from monitor.outside.entries import Said, parse_said, said_line
from monitor.records import AlarmAcknowledged, AlarmShelved, MoveMade, NoteSaid, StageSaid
from tests.edge.simple_pipeline import some_wire

WIRE = some_wire(10.0)


def test_a_file_a_folder_and_gzip_are_the_same_recording(tmp_path: Path, station_file: Path) -> None:
    (tmp_path / "x.wire").write_bytes(WIRE)
    (tmp_path / "y.wire.gz").write_bytes(gzip.compress(WIRE))
    (tmp_path / "moves.csv").write_text("time_s,where,side,amount_mm\n")
    for path in (tmp_path / "x.wire", tmp_path / "y.wire.gz"):
        recording = open_recording(path)
        assert b"".join(recording.chunks(100)) == WIRE
        assert (recording.kind, recording.size_bytes) == ("capture", len(WIRE))
        assert recording.station is not None
        assert recording.moves_file == tmp_path / "moves.csv"
    (tmp_path / "x.wire").rename(tmp_path / "board.wire")
    assert b"".join(open_recording(tmp_path).chunks()) == WIRE


def test_garbage_before_the_first_record_is_no_obstacle(tmp_path: Path) -> None:
    text = random.Random(1).randbytes(50_000) + b"\n" + WIRE
    (tmp_path / "x.wire").write_bytes(text)
    assert b"".join(open_recording(tmp_path / "x.wire").chunks()) == text


def refused(path: Path) -> str:
    with pytest.raises(RecordingError) as caught:
        list(open_recording(path).chunks())
    text = str(caught.value)
    assert "\n" not in text
    assert "Traceback" not in text
    return text


def test_what_is_no_capture_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.wire"
    path.write_bytes(b"")
    assert "x.wire: is empty" in refused(path)
    path.write_bytes(b"dear diary\n" * 1000)
    assert "is not a capture" in refused(path)
    path.write_bytes(WIRE.replace(b"E,", b"e,").replace(b"M,", b"m,").replace(b"H,", b"h,"))
    assert "is not a capture" in refused(path)
    path.write_bytes(os.urandom(3_000_000))
    assert "is not a capture" in refused(path)
    assert "no such file" in refused(tmp_path / "absent.wire")
    (tmp_path / "empty-folder").mkdir()
    assert "holds no *.wire" in refused(tmp_path / "empty-folder")
    (tmp_path / "y.wire").write_bytes(WIRE)
    assert "holds 2 wire files" in refused(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    assert "not a regular file" in refused(tmp_path / "pipe")


def test_gzip_that_is_cut_or_damaged_is_said(tmp_path: Path) -> None:
    whole = gzip.compress(some_wire(400.0))
    path = tmp_path / "x.wire.gz"
    for text in (whole[:-9], whole[: len(whole) // 2], whole[:12], whole[:3], whole[:-12] + b"\0" * 12):
        path.write_bytes(text)
        assert "cut short or damaged" in refused(path)
    path.write_bytes(gzip.compress(b""))
    assert "empty" in refused(path)


ENTRIES = [
    MoveMade(1.25, "infeed", "left", 0.1 + 0.2, "by"),
    StageSaid(2.0, "set-up", "done", {"level_mm_per_m": 0.3, "remark": "\u00fc"}, ""),
    NoteSaid(3.0, "two\nlines \u2028 and \x1b[31m", ""),
    AlarmAcknowledged(4.0, "bay", "link-lost", ""),
    AlarmShelved(5.0, "infeed", "drift", 10.0, "a", "b"),
]


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: type(e).__name__)
def test_entries_come_back_to_the_bit(entry: MoveMade) -> None:
    said = Said(0.1 + 0.7, 12345, entry)
    line = said_line(said, "label")
    assert line.count(b"\n") == 1
    assert parse_said(line) == said


BAD_LINES = [
    b"", b"{", b"[]", b"3", b'{"kind": "move"}', b'{"kind": "sing", "entry": {}, "known_s": 0, "offset": 0}',
    b'{"kind": "note", "entry": {"t_s": 0, "text": "x", "extra": 1}, "known_s": 0, "offset": 0}',
    b'{"kind": "note", "entry": {"t_s": NaN, "text": "x"}, "known_s": 0, "offset": 0}',
    b'{"kind": "note", "entry": {"t_s": 0, "text": "x"}, "known_s": 0, "offset": -1}',
    b'{"kind": "note", "entry": [], "known_s": 0, "offset": 0}', b"[" * 5000, b"\xff\xfe",
]  # fmt: skip


@pytest.mark.parametrize("line", BAD_LINES)
def test_a_line_that_is_no_entry_names_its_place(tmp_path: Path, station_file: Path, line: bytes) -> None:
    (tmp_path / "board.wire").write_bytes(WIRE)
    (tmp_path / "belt.json").write_text("{}")
    (tmp_path / "entries.jsonl").write_bytes(said_line(Said(0.0, 0, ENTRIES[2]), "") + line + b"\n")
    with pytest.raises(RuninError, match=r"entries.jsonl, line 2"):
        open_log(tmp_path)


@pytest.mark.parametrize("belt", ["{", "[]", '{"length_mm": "long"}'])
def test_a_damaged_belt_file_is_said(tmp_path: Path, station_file: Path, belt: str) -> None:
    (tmp_path / "board.wire").write_bytes(WIRE)
    (tmp_path / "belt.json").write_text(belt)
    with pytest.raises(RecordingError, match=r"belt.json"):
        open_recording(tmp_path)


def test_the_shared_captures_open(captures: Path) -> None:
    for folder in sorted(captures.iterdir()):
        if folder.is_dir():
            recording = open_recording(folder)
            assert recording.station is not None
            assert sum(map(len, recording.chunks())) == recording.size_bytes > 1000
