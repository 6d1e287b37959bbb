"""The bay as a Sparkplug edge node (Sparkplug 3.0.0, ISO/IEC 20237): a second connection, for SCADA hosts.

A thread of its own with everything about it: what the service says is dropped into a bounded trough and never waited
for, so nothing that goes wrong here can slow or stop the recording. The thread keeps each report in an SQLite outbox of
its own (bounded, oldest revolutions dropped first and counted in `State/dropped`) until it is known to have arrived.

The will is the NDEATH with the session's bdSeq, which is kept over restarts and grows by one (0 to 255) with each
CONNECT; then come NBIRTH and a DBIRTH for each sensor that is heard. A sensor that falls silent gets a DDEATH. With a
primary host in the station file the birth waits for its STATE `online`, and when it goes offline the node says NDEATH,
leaves, and comes back to wait. What was reported while no birth was out goes out after the next one, marked historical.
A host can ask for one thing only: a new birth.

Reports without a receipt (sparkplug_session.py) go out again, as historical, after the next birth; the time stamps show
a repeat. A primary host that dies is noticed late: what went out in that time is said again, too.
"""

from __future__ import annotations

import contextlib
import json
import random
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

from monitor.errors import BrokerError
from monitor.outside.log_lines import fault, note, warn
from monitor.outside.outbox import Draft, Kind, Outbox, OutboxBroken
from monitor.outside.sparkplug_metrics import REBIRTH, Picture, Report, Said
from monitor.outside.sparkplug_session import MAX_COMMAND_BYTES, NAMESPACE, Session, utc_ms
from monitor.outside.sparkplug_wire import DataType, Metric, decode
from monitor.records import Revolution
from monitor.settings import Station

FIRST_WAIT_S, LAST_WAIT_S = 0.5, 30.0
TROUGH = 5_000  # what the thread may be behind; at a bay's rate an hour
KEPT_ROWS = 50_000  # some weeks of one bay without a host
WINDOW = 200  # reports under way without a receipt
LIVE_S = 1.0  # the live metrics at most so often
BIRTH_S = 1.0  # births that are asked for come at most so often; no data go out between
HOST_UNSURE_S = 90.0  # 1.5 times the usual keep-alive of 60 s: so late may a host's death be told
PRUNE_S = 60.0
BDSEQ = "bdseq"
COUNTS = ("births", "sent", "historical", "dropped", "commands", "commands_refused")


class EdgeNode(threading.Thread):
    """Start it, offer it what is said, stop it."""

    def __init__(self, station: Station, folder: Path, *, version: str = "") -> None:
        """`folder`: where what waits is kept. Nothing can go wrong here; what does later is only said."""
        super().__init__(name="sparkplug", daemon=True)
        assert station.sparkplug is not None
        self._station, self._file = station, folder / "sparkplug.sqlite"
        self._group = station.sparkplug.group_id
        self._node = station.sparkplug.edge_node_id or station.bay.name
        self._host = station.sparkplug.primary_host_id
        self._host_ms: int | None = None  # of the newest STATE
        self._picture = Picture(station, version)
        self._trough: deque[tuple[int, Said]] = deque(maxlen=TROUGH)
        self._drafts: deque[Draft] = deque(maxlen=TROUGH)  # made, and not on the disk yet
        self._live: dict[tuple[str | None, str], Report] = {}
        self._outbox: Outbox | None = None
        self._unused_bdseq: int | None = None
        self._stopping = threading.Event()
        self._stop_by_s = 0.0
        self._pruned_s = time.monotonic()
        self.born = False
        self.counts = dict.fromkeys(COUNTS, 0)

    # ------------------------------------------------------------ handed over by the service

    def offer(self, said: Said) -> None:
        """Something was said. Never waits, never fails; what finds no room is counted."""
        self.counts["dropped"] += len(self._trough) == TROUGH
        self._trough.append((utc_ms(), said))

    def stop(self, wait_s: float = 3.0) -> None:
        """Send what can be sent within the time, say NDEATH, disconnect."""
        self._stop_by_s = time.monotonic() + 0.5 * wait_s
        self._stopping.set()
        if self.is_alive():
            self.join(wait_s)

    # ------------------------------------------------------------ the thread

    def run(self) -> None:
        wait_s = FIRST_WAIT_S
        while not self._stopping.is_set():
            good = False
            try:
                good = self._live_through_one_connection()
            except (OutboxBroken, BrokerError) as problem:
                fault("sparkplug-failed", why=problem)
            except Exception:  # whatever breaks here, the bay goes on and this tries again
                fault("sparkplug-failed", trace=True)
            self.born = False
            wait_s = FIRST_WAIT_S if good else min(2.0 * wait_s, LAST_WAIT_S)
            self._wait(wait_s * random.uniform(0.5, 1.0))
        with contextlib.suppress(Exception):
            self._drain()
        if self._outbox is not None:
            self._outbox.close()

    def _wait(self, seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while not self._stopping.is_set() and time.monotonic() < end_s:
            with contextlib.suppress(OutboxBroken):
                self._drain()
            self._stopping.wait(0.2)

    def _store(self) -> Outbox:
        """The outbox, opened at the first use so that a bad disk cannot keep the service from starting."""
        if self._outbox is None:
            self._outbox = Outbox(self._file, max_rows=KEPT_ROWS)
        return self._outbox

    def _drain(self) -> None:
        """What lies in the trough becomes kept reports and live contents. Raises OutboxBroken."""
        store = self._store()
        while self._trough:
            ms, said = self._trough.popleft()
            for report in self._picture.take(said, ms):
                if self._picture.is_live(report):
                    self._live |= {(report.device, name): report for name in report.contents}
                else:
                    self._keep(store, report, "revolution" if isinstance(said, Revolution) else "event")
        if time.monotonic() - self._pruned_s > PRUNE_S or store.prune_is_due():
            self._pruned_s = time.monotonic()
            dropped = sum(store.prune().values())
            if dropped:
                warn("sparkplug-dropped", reports=dropped, why="no host took them in time")
            self.counts["dropped"] += dropped
        for report in self._picture.note_dropped(self.counts["dropped"], utc_ms()):
            self._keep(store, report, "event")
        if self._drafts:
            store.put(list(self._drafts))
            self._drafts.clear()

    def _keep(self, store: Outbox, report: Report, kind: Kind) -> None:
        self.counts["dropped"] += len(self._drafts) == TROUGH
        self._drafts.append(Draft(store.next_id(), report.device or "", kind, False, report.to_json()))

    # ------------------------------------------------------------ one connection

    def _live_through_one_connection(self) -> bool:
        """Returns whether it was good."""
        self._drain()
        session = self._open()
        if session is None:
            return False
        try:
            topics = [session.topic("NCMD")] + ([f"{NAMESPACE}/STATE/{self._host}"] if self._host else [])
            if not session.establish(topics, self._time_is_up):
                fault("sparkplug-refused", why=session.reason_text or session.ended or "no answer")
                return False
            note("sparkplug-connected", node=f"{self._group}/{self._node}", bdseq=session.bdseq)
            while session.ended is None and session.leaving is None and not self._finished(session):
                self._turn(session)
            if session.ended is None:
                self._part(session)
            note("sparkplug-disconnected", why=session.leaving or session.ended or "stopped")
            return True
        finally:
            self.born = False
            session.drop()

    def _open(self) -> Session | None:
        settings, bay = self._station.sparkplug_broker(), self._station.bay
        assert settings is not None
        name = f"runin-sparkplug-{bay.site}-{bay.name}"
        bdseq = self._next_bdseq()
        try:
            session = Session(settings, name, self._group, self._node, bdseq)
            session.connect()
        except (OSError, ValueError, BrokerError) as problem:
            self._unused_bdseq = bdseq  # no CONNECT went out with it
            warn("sparkplug-no-broker", host=f"{settings.host}:{settings.port}", why=problem)
            return None
        return session

    def _next_bdseq(self) -> int:
        """One more than at the last CONNECT, 0 the first time; on the disk before it is used."""
        if self._unused_bdseq is not None:
            number, self._unused_bdseq = self._unused_bdseq, None
            return number
        last = self._store().fact(BDSEQ)
        number = 0 if last is None else (int(last) + 1) % 256
        self._store().keep(BDSEQ, str(number))
        return number

    def _turn(self, session: Session) -> None:
        session.loop()
        with contextlib.suppress(OutboxBroken):
            self._drain()
        arrived = session.take_receipt()
        if arrived:
            self._store().acknowledge(arrived)
        self.counts["commands"] += session.overflowed
        self.counts["commands_refused"] += session.overflowed
        session.overflowed = 0
        while session.inbox:
            self._read(session, *session.inbox.popleft())
        if session.leaving or (self._host and not session.host_online):
            return
        if session.birth_due:
            if time.monotonic() - session.birth_s < BIRTH_S:
                return  # a birth is asked for, so no data go out before it
            self._bear(session)
        self._mind_devices(session)
        self._send_kept(session)
        self._send_live(session)

    # ------------------------------------------------------------ what comes in

    def _read(self, session: Session, topic: str, content: bytes, retained: bool) -> None:
        if topic == session.topic("NCMD"):
            self._command(session, content, retained)
        elif self._host and topic == f"{NAMESPACE}/STATE/{self._host}":
            self._host_state(session, content)

    def _command(self, session: Session, content: bytes, retained: bool) -> None:
        """The one command is Node Control/Rebirth; every other is counted and changes nothing."""
        self.counts["commands"] += 1
        metrics: tuple[Metric, ...] = ()
        try:
            if retained or len(content) > MAX_COMMAND_BYTES:
                raise ValueError("it is retained, so it may be old" if retained else "it is too long")
            metrics = decode(content).metrics
        except ValueError as problem:
            warn("sparkplug-command-refused", why=problem)
        if any(metric.name == REBIRTH and metric.content is True for metric in metrics):
            session.birth_due = True
        else:
            self.counts["commands_refused"] += 1

    def _host_state(self, session: Session, content: bytes) -> None:
        """JSON with `online` and `timestamp`; what is older than the newest known says nothing."""
        try:
            state: Any = json.loads(content[:MAX_COMMAND_BYTES])
            online, ms = state["online"], state["timestamp"]
            if not isinstance(online, bool) or isinstance(ms, bool) or not isinstance(ms, int):
                raise TypeError
        except (ValueError, TypeError, KeyError, RecursionError):
            why = "it is not {online, timestamp} as in Sparkplug 3.0"
            warn("sparkplug-state-refused", host=self._host, why=why)
            return
        if self._host_ms is not None and ms < self._host_ms:
            return
        self._host_ms = ms
        if online != session.host_online:
            note("sparkplug-host", host=self._host, online=online)
        session.host_online = online
        if not online and session.born:
            session.leaving = "the primary host is offline"

    # ------------------------------------------------------------ what goes out

    def _bear(self, session: Session) -> None:
        """NBIRTH with sequence number 0, then each device that is heard; nothing goes out in between."""
        session.birth_due, session.birth_s = False, time.monotonic()
        ms = utc_ms()
        own = (
            Metric("bdSeq", DataType.INT64, session.bdseq, ms, 0),
            Metric(REBIRTH, DataType.BOOLEAN, False, ms),  # its alias is not allowed
        )
        session.bear((*own, *self._picture.birth(None, ms)))
        session.born = {None: self._store().newest_id}
        session.sent_id = 0
        self.born = True
        self.counts["births"] += 1
        self._live.clear()  # the birth has them
        self._mind_devices(session)

    def _mind_devices(self, session: Session) -> None:
        """DBIRTH for a sensor that is heard again, DDEATH for one that is not any more."""
        for device in self._picture.devices:
            alive, born = self._picture.is_alive(device), device in session.born
            if alive and not born:
                session.publish("DBIRTH", device, self._picture.birth(device, utc_ms()))
                session.born[device] = self._store().newest_id
                session.sent_id = 0  # what waited for it can go now
            elif born and not alive:
                session.publish("DDEATH", device, ())
                del session.born[device]

    def _send_kept(self, session: Session) -> None:
        """The next reports, oldest first; those of a sensor that is not heard wait until it is."""
        store, under_way = self._store(), session.under_way
        room = WINDOW - len(under_way)
        if room > 0 and session.sent_id < store.newest_id:
            newest_id = store.newest_id
            drafts = store.waiting(session.sent_id, room)
            for draft in drafts:
                session.sent_id = draft.id
                if draft.id not in under_way and (draft.topic or None) in session.born:
                    self._send_report(session, draft)
                if session.ended is not None:
                    return
            if not drafts:
                session.sent_id = newest_id
        session.ask_receipt()

    def _send_report(self, session: Session, draft: Draft) -> None:
        report = Report.from_json(draft.payload)
        historical = draft.id <= session.born[report.device]
        metrics = self._picture.metrics(report, historical=historical)
        if metrics:
            session.publish("DDATA" if report.device else "NDATA", report.device, metrics)
            self.counts["sent"] += 1
            self.counts["historical"] += historical
        session.note_sent(draft.id)

    def _send_live(self, session: Session) -> None:
        if not self._live or time.monotonic() - session.live_s < LIVE_S:
            return
        session.live_s = time.monotonic()
        by_device: dict[str | None, list[Metric]] = {}
        for (device, name), report in self._live.items():
            one = Report(device, report.ms, {name: report.contents[name]})
            by_device.setdefault(device, []).extend(self._picture.metrics(one, historical=False))
        self._live.clear()
        for device, metrics in by_device.items():
            if device in session.born:
                session.publish("DDATA" if device else "NDATA", device, metrics)

    # ------------------------------------------------------------ the end

    def _time_is_up(self) -> bool:
        return self._stopping.is_set() and time.monotonic() > self._stop_by_s

    def _finished(self, session: Session) -> bool:
        """Told to stop, and everything is away, or nothing can go, or the time is up."""
        if not self._stopping.is_set():
            return False
        if self._time_is_up() or not session.born:
            return True
        return not session.under_way and not self._trough and session.sent_id >= self._store().newest_id

    def _part(self, session: Session) -> None:
        """A host that went offline may have missed the last moments: they go out again."""
        if session.leaving:
            with contextlib.suppress(OutboxBroken):
                self._store().send_again(within_s=HOST_UNSURE_S)
        session.part()
