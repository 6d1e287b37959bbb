"""What must not be lost waits here until the broker has it: an SQLite file, over restarts and kills.

Every message is committed (WAL, synchronous FULL) before it counts as said, and sent in the order of
its id. A broker's acknowledgement is not delivery: a broker that is killed may forget what it
acknowledged. So acknowledged messages stay for ten minutes, the newest of each retained topic for ever,
and go out again when the broker says at connecting that it does not know our session any more (measured
beforehand: without this 101 of 5,481 messages were lost over 41 kills, with it none). A broker that knows us may
still have been killed between its acknowledgement and its disk, so every new connection repeats the last seconds.

Bounded by number and age. What must be dropped goes in a fixed order, revolutions first, alarms last, and is
counted, so that the drop itself can be reported. A file that is damaged is set aside, never an obstacle.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from monitor.outside.log_lines import fault

Kind = Literal["revolution", "event", "advice", "alarm"]
DROP_ORDER: tuple[Kind, ...] = ("revolution", "event", "advice", "alarm")
MAX_ROWS = 100_000  # about 50 MB, or four days of a busy bay without a broker
MAX_AGE_S = 7 * 86_400.0
RESEND_S = 600.0  # what a broker may have forgotten
RESEND_ROWS = 2_000
UNSURE_S = 5.0  # what a broker that was killed may not have kept although it knows our session
ID_BLOCK = 100  # ids are reserved on the disk so many at a time
WAITING, ACKNOWLEDGED, PARKED = 0, 1, 2

_TABLES = """
CREATE TABLE IF NOT EXISTS message (
    id INTEGER PRIMARY KEY, topic TEXT NOT NULL, kind TEXT NOT NULL, retain INTEGER NOT NULL,
    payload BLOB NOT NULL, born_s REAL NOT NULL, state INTEGER NOT NULL DEFAULT 0, done_s REAL, why TEXT);
CREATE INDEX IF NOT EXISTS message_state ON message (state, id);
CREATE INDEX IF NOT EXISTS message_topic ON message (retain, topic, id);
CREATE TABLE IF NOT EXISTS fact (name TEXT PRIMARY KEY, content TEXT NOT NULL);
"""


@dataclass(frozen=True, slots=True)
class Draft:
    """A message that is ready to go, with the id that its payload carries."""

    id: int
    topic: str
    kind: Kind
    retain: bool
    payload: bytes


class OutboxBroken(Exception):
    """The disk refused; nothing of the call was committed. The text says why."""


class Outbox:
    """One bay's outbox. Safe to call from any thread; each call is one transaction."""

    def __init__(self, path: Path, *, max_rows: int = MAX_ROWS, max_age_s: float = MAX_AGE_S) -> None:
        """Opens or makes the file; a damaged one is renamed and a new one made. Raises OutboxBroken."""
        self._path, self._max_rows, self._max_age_s = path, max_rows, max_age_s
        self._lock = threading.RLock()
        self._since_prune = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = self._open_or_set_aside()
        except (sqlite3.Error, OSError) as problem:
            raise OutboxBroken(f"{path}: the outbox cannot be opened: {problem}") from problem
        self._next_id = self._first_free_id()
        self.newest_id = self._next_id - 1  # no waiting message has a larger id than this
        self._reserved_id = self._next_id

    def _open_or_set_aside(self) -> sqlite3.Connection:
        try:
            return self._open()
        except sqlite3.DatabaseError as problem:
            if isinstance(problem, sqlite3.OperationalError) and "malformed" not in str(problem):
                raise
            aside = self._path.with_name(f"{self._path.name}.damaged-{time.time_ns()}")
            fault("outbox-damaged", set_aside=aside.name, why=problem)
            os.replace(self._path, aside)
            for ending in ("-wal", "-shm"):
                with contextlib.suppress(FileNotFoundError):
                    os.replace(f"{self._path}{ending}", f"{aside}{ending}")
            return self._open()

    def _open(self) -> sqlite3.Connection:
        db = sqlite3.connect(self._path, timeout=10.0, check_same_thread=False, isolation_level=None)
        try:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            if db.execute("PRAGMA synchronous").fetchone() != (2,):
                raise sqlite3.OperationalError("synchronous=FULL was refused")
            verdict = db.execute("PRAGMA quick_check(1)").fetchone()
            if verdict != ("ok",):
                raise sqlite3.DatabaseError(f"malformed: {verdict[0]}")
            db.executescript(_TABLES)
        except BaseException:
            db.close()
            raise
        return db

    def _first_free_id(self) -> int:
        """Above every id ever given. A new file starts from the wall clock, so above those of a lost file.

        Ten thousand ids a second pass in the clock's terms, far more than are ever used.
        """
        with self._transaction() as db:
            row = db.execute("SELECT content FROM fact WHERE name = 'reserved_id'").fetchone()
            highest = db.execute("SELECT max(id) FROM message").fetchone()[0] or 0
        return max(int(row[0]) if row else time.time_ns() // 100_000, highest + 1)

    # ------------------------------------------------------------ the saying side

    def next_id(self) -> int:
        """A number that was never given before and is larger than all that were. Raises OutboxBroken."""
        with self._lock:
            if self._next_id >= self._reserved_id:
                with self._transaction() as db:
                    self._keep(db, "reserved_id", str(self._next_id + ID_BLOCK))
                self._reserved_id = self._next_id + ID_BLOCK
            self._next_id += 1
            return self._next_id - 1

    def put(
        self, drafts: Sequence[Draft], *, born_s: float | None = None, facts: Mapping[str, str] | None = None
    ) -> None:
        """Commits messages, all or none; when this returns they survive a power cut. Raises OutboxBroken.

        `facts` are kept in the same transaction, as by `keep`.
        """
        born_s = time.time() if born_s is None else born_s
        rows = [(d.id, d.topic, d.kind, int(d.retain), d.payload, born_s) for d in drafts]
        sql = "INSERT INTO message (id, topic, kind, retain, payload, born_s) VALUES (?, ?, ?, ?, ?, ?)"
        with self._transaction() as db:
            db.executemany(sql, rows)
            for name, content in (facts or {}).items():
                self._keep(db, name, content)
        self.newest_id = max([self.newest_id, *(draft.id for draft in drafts)])
        self._since_prune += len(rows)

    def keep(self, name: str, content: str) -> None:
        """A small fact that outlives the process. Raises OutboxBroken."""
        with self._transaction() as db:
            self._keep(db, name, content)

    def forget(self, name: str) -> None:
        """A fact is of no more use. Raises OutboxBroken."""
        with self._transaction() as db:
            db.execute("DELETE FROM fact WHERE name = ?", (name,))

    def fact(self, name: str) -> str | None:
        """A fact that was kept, or None."""
        with self._transaction() as db:
            row = db.execute("SELECT content FROM fact WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    # ------------------------------------------------------------ the sending side

    def waiting(self, after_id: int, limit: int) -> list[Draft]:
        """The next messages to send, oldest first, with ids above `after_id`."""
        sql = (
            "SELECT id, topic, kind, retain, payload FROM message WHERE state = 0 AND id > ? "
            "ORDER BY id LIMIT ?"
        )
        with self._transaction() as db:
            rows = db.execute(sql, (after_id, limit)).fetchall()
        return [Draft(row[0], row[1], row[2], bool(row[3]), row[4]) for row in rows]

    def acknowledge(self, ids: Iterable[int], *, now_s: float | None = None) -> None:
        """The broker has these."""
        now_s = time.time() if now_s is None else now_s
        with self._transaction() as db:
            sql = "UPDATE message SET state = 1, done_s = ? WHERE id = ? AND state = 0"
            db.executemany(sql, [(now_s, message_id) for message_id in ids])

    def park(self, message_id: int, why: str, *, now_s: float | None = None) -> None:
        """The broker refuses this one for good; it is kept to be looked at and not sent again."""
        now_s = time.time() if now_s is None else now_s
        with self._transaction() as db:
            sql = "UPDATE message SET state = 2, done_s = ?, why = ? WHERE id = ?"
            db.execute(sql, (now_s, why, message_id))

    def send_again(self, *, now_s: float | None = None, within_s: float = UNSURE_S) -> int:
        """A new connection to a broker that knows us: it may have been killed before it kept the last seconds."""
        now_s = time.time() if now_s is None else now_s
        sql = "UPDATE message SET state = 0, done_s = NULL WHERE state = 1 AND done_s > ?"
        with self._transaction() as db:
            return int(db.execute(sql, (now_s - within_s,)).rowcount)

    def forget_session(self, *, now_s: float | None = None) -> int:
        """The broker lost its memory: what it acknowledged of late waits again. Returns how many."""
        now_s = time.time() if now_s is None else now_s
        recent = "SELECT id FROM message WHERE state = 1 AND done_s > ? ORDER BY id DESC LIMIT ?"
        newest = "SELECT max(id) FROM message WHERE retain = 1 AND state < 2 GROUP BY topic"
        with self._transaction() as db:
            found = {row[0] for row in db.execute(recent, (now_s - RESEND_S, RESEND_ROWS))}
            found |= {row[0] for row in db.execute(newest)}
            sql = "UPDATE message SET state = 0, done_s = NULL WHERE id = ? AND state = 1"
            return sum(db.execute(sql, (message_id,)).rowcount for message_id in sorted(found))

    # ------------------------------------------------------------ the bounds

    def prune(self, *, now_s: float | None = None) -> dict[Kind, int]:
        """Lets go of what is done, and of what is too much or too old; returns what was dropped unsent."""
        now_s = time.time() if now_s is None else now_s
        self._since_prune = 0
        done = (
            "DELETE FROM message WHERE state > 0 AND done_s < ? AND NOT (retain = 1 AND id IN "
            "(SELECT max(id) FROM message WHERE retain = 1 AND state < 2 GROUP BY topic))"
        )
        with self._transaction() as db:
            db.execute(done, (now_s - RESEND_S,))
            old = db.execute(
                "SELECT id, kind FROM message WHERE state = 0 AND born_s < ?", (now_s - self._max_age_s,)
            )
            doomed: dict[int, Kind] = {row[0]: row[1] for row in old}
            excess = self._count(db) - len(doomed) - self._max_rows
            if excess > 0:
                doomed |= self._least_worth(db, excess, doomed)
            db.executemany("DELETE FROM message WHERE id = ?", [(message_id,) for message_id in doomed])
        dropped: dict[Kind, int] = {}
        for kind in doomed.values():
            dropped[kind] = dropped.get(kind, 0) + 1
        return dropped

    def prune_is_due(self) -> bool:
        """True after so many messages that the bounds may be reached."""
        return self._since_prune >= 500

    def depth(self) -> int:
        """How many messages wait to be sent."""
        with self._transaction() as db:
            return self._count(db)

    def parked(self) -> list[tuple[int, str, str]]:
        """Refused messages: id, topic, why."""
        with self._transaction() as db:
            rows = db.execute("SELECT id, topic, why FROM message WHERE state = 2 ORDER BY id").fetchall()
        return [(row[0], row[1], row[2]) for row in rows]

    def close(self) -> None:
        """Everything is on the disk already; this only lets go of the file."""
        with self._lock:
            self._db.close()

    # ------------------------------------------------------------ inside

    @staticmethod
    def _count(db: sqlite3.Connection) -> int:
        return int(db.execute("SELECT count(*) FROM message WHERE state = 0").fetchone()[0])

    @staticmethod
    def _keep(db: sqlite3.Connection, name: str, content: str) -> None:
        db.execute("INSERT OR REPLACE INTO fact (name, content) VALUES (?, ?)", (name, content))

    @staticmethod
    def _least_worth(db: sqlite3.Connection, excess: int, besides: dict[int, Kind]) -> dict[int, Kind]:
        """The oldest of the least important kinds, so many of them."""
        found: dict[int, Kind] = {}
        for kind in DROP_ORDER:
            sql = "SELECT id FROM message WHERE state = 0 AND kind = ? ORDER BY id LIMIT ?"
            for (message_id,) in db.execute(sql, (kind, excess + len(besides))):
                if len(found) >= excess:
                    return found
                if message_id not in besides:
                    found[message_id] = kind
        return found

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except sqlite3.Error as problem:
                self._roll_back()
                raise OutboxBroken(f"{self._path.name}: {problem}") from problem
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
