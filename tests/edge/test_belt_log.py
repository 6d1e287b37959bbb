"""The log of a belt: what is in it, that a replay says the same, hostile names, and a kill at any time."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import unicodedata
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.outside import belt_log
from monitor.outside.belt_log import BeltLog, BeltTag, LogBroken, folder_part, left_open, recover_logs
from monitor.outside.captures import open_log, open_recording
from monitor.outside.entries import Said
from monitor.outside.outputs import event_line
from monitor.records import Event, Message, MoveMade, NoteSaid
from monitor.settings import load_station
from tests.conftest import ROOT
from tests.edge.simple_pipeline import SimplePipeline, some_wire

UTC_START = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
SECOND_NS = 1_000_000_000


def new_log(
    root: Path, station_file: Path, serial: str | None = "belt-1", length: float | None = None
) -> BeltLog:
    return BeltLog(root, station_file.read_text(), BeltTag(serial, length), UTC_START, 0)


def run_belt(
    log: BeltLog, wire: bytes, station_file: Path, chunk: int
) -> tuple[SimplePipeline, list[Message]]:
    """What the service does: bytes into the log and the pipeline, a note and a move in between."""
    pipeline = SimplePipeline(load_station(station_file))
    messages: list[Message] = []
    for number, start in enumerate(range(0, len(wire), chunk)):
        data = wire[start : start + chunk]
        log.append(data, UTC_START, number * SECOND_NS // 4)
        found = pipeline.feed(data)
        log.record(found)
        messages += found
        if number in (10, 20):
            entry = (
                NoteSaid(pipeline.t_s, "a note, \u00e4")
                if number == 10
                else MoveMade(1.5, "infeed", "left", 0.1)
            )
            log.say(Said(pipeline.t_s, log.bytes_written, entry), UTC_START, number * SECOND_NS // 4)
            pipeline.enter(entry, pipeline.t_s)
    last = pipeline.finish()
    log.record(last)
    return pipeline, messages + last


def test_a_log_holds_the_run_and_replays_the_same(tmp_path: Path, station_file: Path) -> None:
    wire = b"\x00garbage\xff\r\n" + some_wire(30.0)[:-5]  # the last line is cut
    log = new_log(tmp_path / "logs", station_file)
    assert log.folder.name == "20260301T120000Z_belt-1.part"
    pipeline, messages = run_belt(log, wire, station_file, 501)
    folder = log.close(pipeline, "test", UTC_START, 99 * SECOND_NS)
    assert folder.name == "20260301T120000Z_belt-1"
    assert sorted(p.name for p in folder.iterdir()) == [
        "belt.json", "board.times", "board.wire", "closed.json", "entries.jsonl", "events.jsonl",
        "profile.csv", "revolutions.csv", "station.toml", "summary.json",
    ]  # fmt: skip
    assert (folder / "board.wire").read_bytes() == wire
    events = "".join(event_line(m) for m in messages if isinstance(m, Event))
    assert (folder / "events.jsonl").read_text() == events
    assert "NoteSaid" in events
    for size in (1, 77, 1 << 18):
        again = SimplePipeline(load_station(station_file))
        heard = [m for batch in open_recording(folder).play(again, size=size) for m in batch]
        assert "".join(event_line(m) for m in heard if isinstance(m, Event)) == events
    assert json.loads((folder / "summary.json").read_text())["revolutions"] == 14


def test_host_times_stand_beside_the_bytes(tmp_path: Path, station_file: Path) -> None:
    log = new_log(tmp_path, station_file)
    run_belt(log, some_wire(30.0), station_file, 501)
    log.note_time("port-lost", UTC_START, 98 * SECOND_NS)
    lines = (log.folder / "board.times").read_text().splitlines()
    assert lines[0] == "offset,monotonic_ns,utc,what"
    rows = [line.split(",") for line in lines[1:]]
    assert rows[0][0] == "0"
    assert rows[0][3] == "opened"
    assert rows[-1] == [str(log.bytes_written), str(98 * SECOND_NS), "2026-03-01T12:00:00.000Z", "port-lost"]
    gaps = [int(b[1]) - int(a[1]) for a, b in pairwise(rows[:-1])]
    assert max(gaps) < 2 * SECOND_NS
    log.abandon()


def test_a_length_that_was_said_belongs_to_the_log(tmp_path: Path, station_file: Path) -> None:
    log = new_log(tmp_path, station_file, "x", 9876.5)
    station = open_log(log.folder).station
    assert station is not None
    assert station.belt.length_mm == 9876.5
    log.abandon()


def test_a_log_left_open_is_closed_at_the_next_start(tmp_path: Path, station_file: Path) -> None:
    log = new_log(tmp_path, station_file)
    _, messages = run_belt(log, some_wire(20.0), station_file, 501)
    with (log.folder / "entries.jsonl").open("ab") as torn:
        torn.write(b'{"known_s": 3.5, "off')
    (log.folder / "events.jsonl").write_text("torn{")
    log.abandon()
    (folder,) = recover_logs(left_open(tmp_path), SimplePipeline, UTC_START)
    assert folder.name == "20260301T120000Z_belt-1"
    expected = "".join(event_line(m) for m in messages if isinstance(m, Event))
    assert (folder / "events.jsonl").read_text() == expected
    assert json.loads((folder / "closed.json").read_text())["why"] == "interrupted"
    assert recover_logs(left_open(tmp_path), SimplePipeline, UTC_START) == []


def test_recovery_of_nothing_and_of_rubbish(tmp_path: Path, station_file: Path) -> None:
    new_log(tmp_path, station_file, "empty").abandon()
    broken = new_log(tmp_path, station_file, "broken")
    broken.abandon()
    (broken.folder / "station.toml").write_bytes(b"\xff\x00")
    (broken.folder / "board.wire").write_bytes(b"keep me")
    (tmp_path / "not-a-log.part").write_text("a file")
    (tmp_path / "link.part").symlink_to("/etc")
    folders = recover_logs(left_open(tmp_path), SimplePipeline, UTC_START)
    assert [folder.name for folder in folders] == ["20260301T120000Z_empty"]
    kept = tmp_path / "20260301T120000Z_broken.unreadable" / "board.wire"
    assert kept.read_bytes() == b"keep me"


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from monitor.outside.belt_log import BeltLog, BeltTag
from monitor.outside.entries import Said
from monitor.records import NoteSaid
from tests.edge.simple_pipeline import some_wire
log = BeltLog(Path(sys.argv[1]), Path(sys.argv[2]).read_text(), BeltTag("killed"), datetime.now(UTC), 0)
wire = some_wire(600.0)
for number, start in enumerate(range(0, len(wire), 97)):
    log.append(wire[start:start + 97], datetime.now(UTC), number * 20_000_000)
    if number % 7 == 0:
        said = Said(number / 50, log.bytes_written, NoteSaid(number / 50, f"note {number}"))
        log.say(said, datetime.now(UTC), number * 20_000_000)
        print(number, log.bytes_written, flush=True)
"""


@pytest.mark.parametrize("seed", range(6))
def test_kill_9_loses_nothing_that_was_acknowledged(tmp_path: Path, station_file: Path, seed: int) -> None:
    """Every entry whose `say` had returned is there, with all bytes before it; a torn line is no obstacle."""
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path / "logs"), str(station_file)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    acknowledged = []
    for _ in range(random.Random(seed).randrange(1, 300)):
        line = process.stdout.readline()
        if not line:
            break
        acknowledged.append(line.split())
    process.send_signal(signal.SIGKILL)
    acknowledged += [line.split() for line in process.stdout.read().splitlines() if line.count(" ") == 1]
    process.wait()
    (folder,) = recover_logs(left_open(tmp_path / "logs"), SimplePipeline, UTC_START)
    recording = open_log(folder)
    notes = {said.entry.text: said.offset for said in recording.entries if isinstance(said.entry, NoteSaid)}
    assert acknowledged
    for number, offset in acknowledged:
        assert notes[f"note {number}"] == int(offset)
    assert recording.size_bytes >= int(acknowledged[-1][1])
    assert some_wire(600.0).startswith((folder / "board.wire").read_bytes())


def test_a_full_disk_is_said_and_never_retried(
    tmp_path: Path, station_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = new_log(tmp_path, station_file)
    true_write, room = os.write, [300]

    def write(fd: int, text: bytes) -> int:
        if room[0] == 0:
            raise OSError(28, "No space left on device")
        taken = true_write(fd, bytes(text)[: room[0]])
        room[0] -= taken
        return taken

    monkeypatch.setattr(belt_log.os, "write", write)
    with pytest.raises(LogBroken, match="No space left"):
        log.append(some_wire(10.0), UTC_START, 0)
    log.abandon()
    assert (log.folder / "board.wire").read_bytes() == some_wire(10.0)[:300]


HOSTILE = [
    "../../x", "/etc/passwd", "..", ".", "", " ", "a/b", "a\\b", "nul", "CON.txt", "-rf", "x" * 300,
    "\u00e4" * 300, "a\0b", "line\nend", "\u202egnp", "caf\u00e9", "cafe\u0301", "belt.part", "%2e%2e%2f",
    "~", "$(id)", "\ud800", "x.", "CON", "com1", "a..b", ".hidden", "SN 12/34", "\U0001f4a5" * 40,
]  # fmt: skip


def test_no_serial_leaves_its_folder(tmp_path: Path, station_file: Path) -> None:
    root = tmp_path / "deep" / "logs"
    generator = random.Random(7)
    alphabet = [*"aA0._-/\\%~ \0\n\u00e9e\u0301\u202e:", ".."]
    serials = HOSTILE + [
        "".join(generator.choices(alphabet, k=generator.randrange(1, 90))) for _ in range(300)
    ]
    for serial in serials:
        log = BeltLog(root, "", BeltTag(serial), UTC_START, 0)
        assert log.folder.parent == root
        assert log.folder.is_dir()
        assert json.loads((log.folder / "belt.json").read_text())["serial"] == serial
        log.abandon()
    assert len(list(root.iterdir())) == len(serials)
    assert len({name.name.lower() for name in root.iterdir()}) == len(serials)
    assert sorted(p.name for p in tmp_path.rglob("*") if root not in (p, *p.parents)) == [
        "deep",
        "station.toml",
    ]


@pytest.mark.parametrize("serial", HOSTILE)
def test_names_are_plain_and_told_apart(serial: str) -> None:
    name = folder_part(serial)
    assert len(name) <= 73
    assert all(c in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-%" for c in name)
    twins = [other for other in HOSTILE if folder_part(other) == name]
    assert {unicodedata.normalize("NFC", twin) for twin in twins} == {unicodedata.normalize("NFC", serial)}


def test_plain_serials_stay_readable() -> None:
    assert folder_part("SN-4711.b") == "SN-4711.b"
    assert folder_part(None) == "unnamed"


def test_a_planted_link_is_not_followed(tmp_path: Path, station_file: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    root = tmp_path / "logs"
    root.mkdir()
    (root / "20260301T120000Z_belt-1.part").symlink_to(elsewhere)
    log = new_log(root, station_file)
    assert log.folder.name == "20260301T120000Z_belt-1-2.part"
    assert list(elsewhere.iterdir()) == []
    log.abandon()


def test_a_log_that_cannot_be_made_says_so(tmp_path: Path, station_file: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogBroken, match="no log can be made there"):
        new_log(tmp_path / "file", station_file)
