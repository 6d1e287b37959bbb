"""The outbox: order, ids that only grow, bounds with counted drops, and kills at any instant."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.outside.outbox import Draft, Kind, Outbox, OutboxBroken
from tests.conftest import ROOT


def put(
    outbox: Outbox, number: int, kind: Kind = "event", *, retain: bool = False, born_s: float | None = None
) -> list[int]:
    drafts = []
    for k in range(number):
        message_id = outbox.next_id()
        topic = f"{kind}/{k % 3}" if retain else kind
        drafts.append(Draft(message_id, topic, kind, retain, b'{"id": %d}' % message_id))
    outbox.put(drafts, born_s=born_s)
    return [draft.id for draft in drafts]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "outbox.sqlite"


def test_messages_wait_in_order_until_acknowledged(path: Path) -> None:
    outbox = Outbox(path)
    ids = put(outbox, 10)
    assert [draft.id for draft in outbox.waiting(0, 100)] == ids
    assert [draft.id for draft in outbox.waiting(ids[3], 3)] == ids[4:7]
    outbox.acknowledge(ids[:4])
    outbox.park(ids[4], "Not authorized")
    assert [draft.id for draft in outbox.waiting(0, 100)] == ids[5:]
    assert outbox.parked() == [(ids[4], "event", "Not authorized")]
    assert outbox.depth() == 5


def test_ids_grow_over_restarts_kills_and_a_lost_file(path: Path) -> None:
    last = 0
    for start in range(8):
        outbox = Outbox(path)
        for _ in range(1500 if start == 2 else 5):
            message_id = outbox.next_id()
            assert message_id > last
            last = message_id
        if start % 2:  # a start that was killed never closed; a start with a lost file finds none
            outbox.close()
    for ending in ("", "-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
    time.sleep(0.3)  # ids of a new file follow the wall clock, 10,000 a second; about 2,300 were used
    assert Outbox(path).next_id() > last


def test_a_broker_that_forgot_gets_the_recent_and_the_retained_again(path: Path) -> None:
    outbox = Outbox(path)
    ancient = put(outbox, 3, "alarm", retain=True)
    superseded = put(outbox, 2, "event")
    outbox.acknowledge(ancient + superseded, now_s=1000.0)
    recent, waiting = put(outbox, 4), put(outbox, 2)
    outbox.acknowledge(recent, now_s=2000.0)
    assert outbox.forget_session(now_s=2100.0) == len(ancient) + len(recent)
    assert [draft.id for draft in outbox.waiting(0, 100)] == ancient + recent + waiting


def test_done_messages_go_but_the_newest_of_a_retained_topic_stays(path: Path) -> None:
    outbox = Outbox(path)
    older, newer = put(outbox, 3, "alarm", retain=True), put(outbox, 3, "alarm", retain=True)
    events = put(outbox, 5)
    outbox.acknowledge(older + newer + events, now_s=1000.0)
    assert outbox.prune(now_s=1500.0) == {}
    assert outbox.prune(now_s=2000.0) == {}
    assert outbox.forget_session(now_s=1e9) == 3
    assert [draft.id for draft in outbox.waiting(0, 100)] == newer


def test_too_many_drop_revolutions_first_and_alarms_last_and_are_counted(path: Path) -> None:
    outbox = Outbox(path, max_rows=100)
    now_s = time.time()
    kept_alarms = put(outbox, 60, "alarm")
    put(outbox, 70, "revolution")
    events = put(outbox, 30, "event")
    assert outbox.prune(now_s=now_s) == {"revolution": 60}
    put(outbox, 50, "advice")
    assert outbox.prune(now_s=now_s) == {"revolution": 10, "event": 30, "advice": 10}
    assert [d.id for d in outbox.waiting(0, 999) if d.kind == "alarm"] == kept_alarms
    assert events[0] not in [d.id for d in outbox.waiting(0, 999)]
    put(outbox, 101, "alarm")
    assert outbox.prune(now_s=now_s) == {"advice": 40, "alarm": 61}
    assert outbox.depth() == 100


def test_too_old_is_dropped_and_counted(path: Path) -> None:
    outbox = Outbox(path, max_age_s=100.0)
    put(outbox, 3, "alarm", born_s=1000.0)
    fresh = put(outbox, 2, "alarm", born_s=1100.0)
    assert outbox.prune(now_s=1101.0) == {"alarm": 3}
    assert [draft.id for draft in outbox.waiting(0, 9)] == fresh


def test_a_damaged_file_is_set_aside_and_ids_still_grow(path: Path) -> None:
    outbox = Outbox(path)
    (last,) = put(outbox, 1)
    outbox.close()
    path.write_bytes(b"not a database, " * 1000)
    time.sleep(0.1)
    outbox = Outbox(path)
    assert outbox.next_id() > last
    assert outbox.waiting(0, 9) == []
    assert len(list(path.parent.glob("outbox.sqlite.damaged-*"))) >= 1


def test_a_refused_commit_commits_nothing(path: Path) -> None:
    outbox = Outbox(path)
    (first,) = put(outbox, 1)
    twin = Draft(first, "event", "event", False, b"{}")
    with pytest.raises(OutboxBroken):
        outbox.put([Draft(outbox.next_id(), "event", "event", False, b"{}"), twin])
    assert outbox.depth() == 1
    put(outbox, 1)
    assert outbox.depth() == 2


def test_every_commit_is_synced(path: Path) -> None:
    """WAL with synchronous=FULL (2) survives a power cut: SQLite's documentation of PRAGMA synchronous."""
    outbox = Outbox(path)
    assert outbox._db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert outbox._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_facts_outlive_the_process(path: Path) -> None:
    Outbox(path).keep("alarms", "[]")
    assert Outbox(path).fact("alarms") == "[]"
    assert Outbox(path).fact("other") is None


WRITER = """
import sys
from pathlib import Path
from monitor.outside.outbox import Draft, Outbox
outbox = Outbox(Path(sys.argv[1]))
while True:
    ids = [outbox.next_id() for _ in range(3)]
    outbox.put([Draft(i, "event", "event", False, b"x" * 300) for i in ids])
    print(*ids, flush=True)
    if ids[0] % 5 == 0:
        outbox.acknowledge([ids[0]])
        print("acknowledged", ids[0], flush=True)
"""


@pytest.mark.parametrize("seed", range(4))
def test_kill_9_loses_nothing_that_was_committed(path: Path, seed: int) -> None:
    rng = random.Random(seed)
    said: list[int] = []
    done: set[int] = set()
    for _ in range(3):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)],
            stdout=subprocess.PIPE, text=True, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(rng.randrange(1, 120))]
        process.send_signal(signal.SIGKILL)
        lines += [line for line in process.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
        process.wait()
        for line in lines:
            words = line.split()
            if words[0] == "acknowledged":
                done.add(int(words[1]))
            elif len(words) == 3:
                said += map(int, words)
    assert said == sorted(set(said)), "an id was given twice or went back"
    kept = [draft.id for draft in Outbox(path).waiting(0, 1_000_000)]
    assert kept == sorted(kept)
    with sqlite3.connect(path) as db:
        acknowledged = {row[0] for row in db.execute("SELECT id FROM message WHERE state = 1")}
    assert set(said) <= set(kept) | acknowledged
    assert done <= acknowledged
    assert len(acknowledged - done) <= 3, "a kill falls between a commit and its line at most once a start"


def test_the_file_is_a_whole_database_after_a_kill(path: Path) -> None:
    test_kill_9_loses_nothing_that_was_committed(path, 99)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_new_connection_repeats_only_the_last_seconds(path: Path) -> None:
    outbox = Outbox(path)
    ids = [outbox.next_id() for _ in range(3)]
    outbox.put([Draft(i, "event", "event", False, b"{}") for i in ids])
    outbox.acknowledge(ids[:1], now_s=100.0)
    outbox.acknowledge(ids[1:], now_s=104.0)
    assert outbox.send_again(now_s=107.0) == 2
    assert [draft.id for draft in outbox.waiting(0, 10)] == ids[1:]
    outbox.close()
