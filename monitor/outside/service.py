"""The daemon of one bay: reads the board, logs every belt, speaks over MQTT, until it is told to stop.

One thread (the caller's) owns the pipeline, the log and the alarms; the port reader and the MQTT
connection have a thread each and only hand things over. Bytes are cut into runs at line ends, so every
log begins with a whole line. Everything that is a decision runs on the board's clock; the host's clock
decides only this: that the link is lost (said over MQTT at once; the pipeline writes the same alarm
when the next record comes), that a log ends after half an hour of silence (the board's clock could not
be unwrapped over more), and when to sync.

It never exits because a device, a broker or a disk is gone: it says so, and goes on.
"""

from __future__ import annotations

import fcntl
import logging
import os
import queue
import signal
import threading
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import monitor
from monitor.errors import ExitCode, UsageError
from monitor.outside.belt_log import BeltTag, NotYet, Replayed, left_open, newest_log, recover_log
from monitor.outside.belt_run import BeltRun, Clock, PipelineMaker, real_clock
from monitor.outside.counters import CounterPage, parse_address, render_counters
from monitor.outside.desk import Desk
from monitor.outside.display_door import PIN_FILE, parse_place, read_pin
from monitor.outside.display_feed import Feed, Posted
from monitor.outside.health import Progress, samples
from monitor.outside.log_lines import fault, note, notify_systemd, set_up_lines, warn
from monitor.outside.mqtt import Asked, Bus
from monitor.outside.outbox import Outbox, OutboxBroken
from monitor.outside.payloads import envelope, now_payload, to_json
from monitor.outside.serial_port import Bytes, PortEnded, PortLost, PortOpened, PortReader
from monitor.outside.sparkplug import EdgeNode
from monitor.outside.voice import Voice
from monitor.pipeline import Pipeline
from monitor.records import Advice, Event, Message
from monitor.settings import Station

if TYPE_CHECKING:
    from monitor.outside.display import Display

TURN_S = 0.05  # how long one wait for news lasts
LOST_NS = 2_000_000_000  # no valid record for so long: the link is lost (as in the pipeline)
SILENCE_NS = 30 * 60 * 1_000_000_000  # the board's clock is unwrapped over at most 35 minutes
REOPEN_NS = 30_000_000_000  # an open port that says nothing for so long is opened again
NOW_NS = 500_000_000  # the live picture at most twice a second
SHOW_NS = 1_000_000_000  # counters and watchdog
PRUNE_NS = 60_000_000_000
MAX_LINE_BYTES = 4096  # what has no line end by then is no line
MERGE_BYTES = 1 << 17
LATE_S = 60.0  # how long the recovery of a log waits until what it says is committed
NEW_RUN = Advice(
    0.0,
    0,
    "none",
    "A new run begins: nothing is known of this belt yet.",
    "Advice only: not a safety device, not an emergency stop, not a guard.",
)


@dataclass(frozen=True, slots=True)
class _Stop:
    why: str


@dataclass(frozen=True, slots=True)
class _Late:
    """What a killed process may have left unsaid; `done` is set when it is committed."""

    replayed: Replayed
    done: threading.Event


class Service:
    """One bay. `serve` runs until `stop` is called, a signal comes, or the port's bytes end."""

    def __init__(
        self, station: Station, station_text: str, root: Path, *, belt: BeltTag | None = None,
        stop_at_end: bool = False, make: PipelineMaker = Pipeline, clock: Clock | None = None,
        page: CounterPage | None = None, feed: Feed | None = None, earlier: str = "",
    ) -> None:  # fmt: skip
        """`root`: this bay's folder, for logs and outbox; `earlier`: its last log. Raises PortError, BrokerError."""
        self.station, self._root, self._make = station, root, make
        self._clock = clock or real_clock()
        self._text, self._stop_at_end = station_text, stop_at_end
        self._news: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._reader = PortReader(
            station.serial.port, station.serial.baud, self._news, stop_at_end=stop_at_end
        )
        self._outbox = _open_outbox(root) if station.mqtt is not None else None
        self._bus: Bus | None = None
        if self._outbox is not None:
            self._bus = Bus(station, self._outbox, self._news, version=monitor.__version__)
        self._node: EdgeNode | None = None
        if station.sparkplug is not None:
            self._node = EdgeNode(station, root, version=monitor.__version__)
        self.voice = Voice(self._outbox, self._clock.utc, None if self._node is None else self._node.offer)
        self.desk = Desk(self)
        self._page, self._progress, self._display = page, Progress(), feed
        self._held, self._earlier = b"", earlier
        self.link_lost = False
        self._pipeline_lost = False
        self._heard_ns = self._valid_ns = self._reopened_ns = self._clock.mono_ns()
        self._now_ns = self._pruned_ns = self._shown_ns = self._watched_ns = self._glanced_ns = 0
        self._port_open = False
        self._port_why = ""
        self._last_state: dict[str, Any] = {}
        self._stopped: str | None = None
        self._recovery = self._start_recovery()
        self.run = self._new_run(belt)

    # ------------------------------------------------------------ the life of the daemon

    def stop(self, why: str = "stopped") -> None:
        """From any thread: end soon."""
        self._news.put(_Stop(why))

    def post(self, posted: Posted) -> None:
        """From any thread: a request made at the display."""
        self._news.put(posted)

    def serve(self) -> None:
        """Runs the bay. Everything is closed and on the disk when this returns."""
        self.voice.restore()
        self._say([NEW_RUN])
        self._reader.start()
        if self._bus is not None:
            self._bus.start()
        if self._node is not None:
            self._node.start()
        note("started", bay=f"{self.station.bay.site}/{self.station.bay.name}", port=self.station.serial.port)
        notify_systemd("READY=1")
        try:
            while self._stopped is None:
                self._turn()
        finally:
            self._end(self._stopped or "failed")

    def _turn(self) -> None:
        items = self._collect()
        for item in items:
            self._take(item)
        self._tick(quiet=not items)
        self._check_threads()
        now_ns = self._clock.mono_ns()
        if now_ns - self._watched_ns >= SHOW_NS and self._progress.is_good(self._bus):
            self._watched_ns = now_ns
            notify_systemd("WATCHDOG=1")

    def _collect(self) -> list[Any]:
        """What has come, neighbouring bytes put together; waits a little for the first."""
        try:
            items: list[Any] = [self._news.get(timeout=TURN_S)]
        except queue.Empty:
            return []
        size = 0
        while size < MERGE_BYTES and not self._news.empty():
            item = self._news.get()
            if isinstance(item, Bytes) and isinstance(items[-1], Bytes):
                items[-1] = Bytes(items[-1].data + item.data, item.mono_ns)
                size += len(item.data)
            else:
                items.append(item)
        return items

    def _take(self, item: Any) -> None:
        if isinstance(item, Bytes):
            self._hear(item)
        elif isinstance(item, Asked):
            self.desk.serve(item, self._bus)
        elif isinstance(item, Posted):
            item.reply(self.desk.answer(item.asked))
        elif isinstance(item, _Late):
            self._say_late(item)
        elif isinstance(item, _Stop):
            self._stopped = item.why
        else:
            self._port_news(item)

    def _say_late(self, late: _Late) -> None:
        replayed = late.replayed
        try:
            self.voice.say_late(replayed.messages, replayed.log, replayed.run)
        except OutboxBroken as problem:
            fault("outbox-failed", why=problem)
            return
        if self.voice.owes_nothing:
            late.done.set()

    def _port_news(self, item: PortOpened | PortLost | PortEnded) -> None:
        self._flush_held(item.mono_ns)
        opened = isinstance(item, PortOpened)
        if isinstance(item, PortOpened):
            note("port-opened", port=self.station.serial.port)
            self._heard_ns = item.mono_ns
        elif isinstance(item, PortLost):
            warn("port-lost", port=self.station.serial.port, why=item.why)
        elif self._stop_at_end:
            self._stopped = "the recording is at its end"
        else:
            warn("port-ended", why=item.why)
        why = "" if isinstance(item, PortOpened) else item.why
        if opened != self._port_open or (why != self._port_why and self._port_open):
            self.run.note_time("port-opened" if opened else "port-lost")
        self._port_open, self._port_why = opened, why

    def _end(self, why: str) -> None:
        self._reader.stop()
        self._reader.join(2.0)
        while not self._news.empty():
            item = self._news.get()
            if isinstance(item, Bytes):
                self._hear(item)
        self._flush_held(self._clock.mono_ns())
        self._end_run(why)
        if self._bus is not None:
            self._bus.set_state(self._state())
            self._bus.stop(why)
        if self._node is not None:
            self._node.offer({**self._state(), "running": None})
            self._node.stop()
        if self._outbox is not None:
            self._outbox.close()
        notify_systemd("STOPPING=1")
        note("stopped", why=why)

    # ------------------------------------------------------------ bytes

    def _hear(self, item: Bytes) -> None:
        if item.mono_ns - self._heard_ns > SILENCE_NS:
            self._flush_held(item.mono_ns)
            self.change_belt(None, "the board was silent for half an hour")
        self._heard_ns = item.mono_ns
        text = self._held + item.data
        cut = text.rfind(b"\n") + 1
        if len(text) - cut > MAX_LINE_BYTES:
            cut = len(text)
        self._held = text[cut:]
        self._feed(text[:cut], item.mono_ns)

    def _flush_held(self, mono_ns: int) -> None:
        text, self._held = self._held, b""
        self._feed(text, mono_ns)

    def _feed(self, data: bytes, mono_ns: int) -> None:
        if not data:
            return
        good = self.run.pipeline.tally.good
        try:
            messages = self.run.feed(data, mono_ns)
        except Exception:  # a mistake in the program must not end the record of the belt
            fault("pipeline-failed", trace=True)
            self.run.abandon()
            self.run = self._new_run(self.run.tag)
            return
        self._progress.note(len(data), self.run.pipeline.tally)
        if self._display is not None:
            self._display.put(data)
        valid = self.run.pipeline.tally.good > good
        if valid:
            self._valid_ns = mono_ns
        self._say(messages)
        if valid and self.link_lost:
            self._find_link()
        if self.run.is_over:
            self.change_belt(None, "nothing to log" if self.run.idle else "the belt stood for two hours")

    def _say(self, messages: list[Message]) -> None:
        for message in messages:
            if isinstance(message, Event) and message.name == "link-lost":
                self._pipeline_lost = message.kind == "alarm-raised"
        if messages:
            self.run.sync()  # nothing is said that the log might not hold
        self.voice.say(messages, self.run.t_s, mark=self.run.mark, said_count=self.run.said_count)
        self.voice.flush()
        if self._display is not None:
            self._display.say(messages, self.run.pipeline)
            self._glanced_ns = 0 if messages else self._glanced_ns  # what was said is seen at once

    # ------------------------------------------------------------ time

    def _tick(self, *, quiet: bool) -> None:
        now_ns = self._clock.mono_ns()
        self.run.tick()
        if quiet:
            self._watch_link(now_ns)
        self.voice.say_alarms(self.voice.alarms.advance(self.now_s()), self.now_s())
        self.voice.flush()
        if now_ns - self._pruned_ns > PRUNE_NS:
            self._pruned_ns = now_ns
            self.voice.prune()
        if self._page is not None and now_ns - self._shown_ns >= SHOW_NS:
            self._shown_ns = now_ns
            lag_s = (now_ns - self._valid_ns) / 1e9
            labels = {"site": self.station.bay.site, "bay": self.station.bay.name}
            self._page.show(
                render_counters(samples(self, self._bus, self._outbox, lag_s, self._node), labels)
            )
        if self._display is not None and now_ns - self._glanced_ns >= NOW_NS:
            self._glanced_ns = now_ns
            self._display.show(self, (now_ns - self._valid_ns) / 1e9, self._bus)
        self._say_state(now_ns)

    def _say_state(self, now_ns: int) -> None:
        """What is so now, for the broker and the SCADA host: the state when it changes, the live picture in turn."""
        if self._bus is None and self._node is None:
            return
        state = self._state()
        live = now_ns - self._now_ns >= NOW_NS
        if live:
            self._now_ns = now_ns
        if self._bus is not None:
            self._bus.set_state(state)
            if live and self._bus.connected:
                self._say_now(self._bus)
        if self._node is not None:
            if state | {"t_s": None} != self._last_state:
                self._last_state = state | {"t_s": None}
                self._node.offer(state)
            if live and self._node.born:
                self._node.offer(self.run.pipeline.now())

    def utc(self) -> datetime:
        """The host's wall clock: a label, never a decision about the belt."""
        return self._clock.utc()

    def now_s(self) -> float:
        """The board's clock, carried on by the host's while the link is lost."""
        silent_ns = self._clock.mono_ns() - self._valid_ns if self.link_lost else 0
        return self.run.t_s + silent_ns / 1e9

    def _watch_link(self, now_ns: int) -> None:
        if not self.link_lost and now_ns - self._valid_ns > LOST_NS:
            self.link_lost = True
            stamp_s = self.run.t_s + LOST_NS / 1e9
            changed = self.voice.alarms.raise_alarm("bay", "link-lost", self.now_s(), stamp_s=stamp_s)
            self.voice.say_alarms(changed, self.now_s())
        last_ns = max(self._heard_ns, self._reopened_ns)
        if self._port_open and now_ns - last_ns > REOPEN_NS:
            self._reopened_ns = now_ns
            self._reader.reopen()

    def _find_link(self) -> None:
        """Valid records come again. The pipeline has said so too, unless its clock saw no gap."""
        self.link_lost = False
        if not self._pipeline_lost:
            self.voice.say_alarms(self.voice.alarms.clear("bay", "link-lost", self.run.t_s), self.run.t_s)
            self.voice.flush()

    def _say_now(self, bus: Bus) -> None:
        assert self._outbox is not None
        try:
            head = envelope(self._outbox.next_id(), self._clock.utc())
        except OutboxBroken as problem:
            fault("outbox-failed", why=problem)
            return
        bus.say_now(to_json(now_payload(head, self.run.pipeline.now(), link=not self.link_lost)))

    def _state(self) -> dict[str, Any]:
        run, tag = self.run, self.run.tag
        return {
            "online": True,
            "belt": None if tag is None else tag.serial,
            "stage": run.pipeline.stage,
            "verdict": run.pipeline.verdict,
            "running": None if self.link_lost else run.pipeline.running,
            "why": f"the log cannot be written: {run.log_failed}" if run.log_failed else None,
            "t_s": run.t_s,
            "log": run.log.name if run.log is not None else None,
            "earlier": self._earlier or None,
            "link": not self.link_lost,
            "alarms": [f"{s.where}/{s.name}" for s in self.voice.alarms.standing()],
        }

    # ------------------------------------------------------------ belts

    def change_belt(self, tag: BeltTag | None, why: str) -> None:
        """End the run and its log, begin another with a fresh pipeline."""
        self._end_run(why)
        self.run, self._earlier = self._new_run(tag), ""
        keep = [("bay", "link-lost")] if self.link_lost else []
        self.voice.say_alarms(self.voice.alarms.clear_all(self.now_s(), keep=keep), self.now_s())
        self.voice.alarms.restart_clock()
        self._pipeline_lost = False
        self._say([NEW_RUN])

    def _end_run(self, why: str) -> None:
        """Said, then closed: a kill in between leaves an open log, and the next start says what is missing."""
        self._say(self.run.finish())
        closed = self.run.close(why)
        if closed and self.voice.owes_nothing:
            self.voice.forget_run(self.run.mark)

    def _new_run(self, tag: BeltTag | None) -> BeltRun:
        run = BeltRun(self._root, self.station, self._text, tag, self._make, self._clock)
        if self._display is not None:
            self._display.begin(run.station)
        return run

    def _start_recovery(self) -> threading.Thread:
        parts, utc = left_open(self._root), self._clock.utc()
        thread = threading.Thread(target=self._recover, args=(parts, utc), name="recovery", daemon=True)
        thread.start()
        return thread

    def _recover(self, parts: list[Path], utc: datetime) -> None:
        """Each log that was left open: what it says and was never said is said, then it is closed."""
        for part in parts:
            told: list[str] = []

            def tell(replayed: Replayed, told: list[str] = told) -> None:
                if self._outbox is None or not replayed.run:
                    return
                late = _Late(replayed, threading.Event())
                self._news.put(late)
                if not late.done.wait(LATE_S):
                    raise NotYet
                told.append(replayed.run)

            if recover_log(part, self._make, utc, tell) is not None:
                for mark in told:
                    self.voice.forget_run(mark)

    def _check_threads(self) -> None:
        """A thread that ended by a mistake would leave the bay blind or mute: say so and end."""
        if not self._reader.is_alive() and self._news.empty() and self._port_open:
            raise RuntimeError("the port reader ended by itself")
        if self._bus is not None and not self._bus.is_alive():
            raise RuntimeError("the MQTT connection ended by itself")


def _open_outbox(root: Path) -> Outbox:
    try:
        return Outbox(root / "outbox.sqlite")
    except OutboxBroken as problem:
        raise UsageError(str(problem)) from None


def run_service(
    station: Station,
    station_file: Path,
    *,
    logs: Path | None = None,
    belt: str | None = None,
    stop: threading.Event | None = None,
    stop_at_end: bool = False,
    make: PipelineMaker = Pipeline,
    metrics: str | None = None,
    display: str | None = None,
) -> int:
    """Serve one bay; returns the exit code: 0 when `stop` was set or the bytes ended, 130/143 by signal.

    station_file: its text is copied into every log. logs: folder for the belts' logs, instead of the station
    file's (which is taken from where the station file lies). belt: serial of the belt that is on now. stop:
    set it from another thread to end (signals are only taken in the main thread). stop_at_end: end when a
    `socket://` or file port has no more bytes (tests). metrics: a loopback address for the counters' page,
    `127.0.0.1:9105`. display: where the bay display listens, `8080` or `0.0.0.0:8080`. Raises PortError,
    BrokerError, UsageError for settings that can never work.
    """
    set_up_lines()
    folder = logs if logs is not None else station_file.parent / station.log.folder
    root = folder / station.bay.site / station.bay.name
    tag = BeltTag(belt) if belt else None
    with ExitStack() as stack:
        stack.callback(os.close, _lock(root))
        text = station_file.read_text(encoding="utf-8-sig")
        page = CounterPage(parse_address(metrics)) if metrics else None
        if page is not None:
            stack.callback(page.close)
        feed, earlier = Feed() if display else None, newest_log(root)  # before this one begins its own
        service = Service(
            station, text, root, belt=tag, stop_at_end=stop_at_end, make=make, page=page, feed=feed,
            earlier=earlier,
        )  # fmt: skip
        if display and feed is not None:
            stack.callback(_open_display(display, service, feed, root, earlier).close)
        signals = _take_signals(service)
        if stop is not None:
            threading.Thread(target=_stop_when, args=(stop, service), name="stop", daemon=True).start()
        try:
            service.serve()
        except RuntimeError as problem:
            logging.getLogger("runin").critical("died", extra={"fields": {"why": problem}})
            return ExitCode.ANSWER_NO
    return 128 + signals[0] if signals else ExitCode.OK


def _open_display(address: str, service: Service, feed: Feed, root: Path, earlier: str) -> Display:
    """Raises UsageError when the extra is not installed, or the address cannot be used."""
    place = parse_place(address)
    try:
        from monitor.outside.display import Display
    except ModuleNotFoundError as missing:
        raise UsageError(
            f"--display needs the package {missing.name}: install this program with its extra [display]"
        ) from None
    pin = read_pin(root) if place.beyond_loopback else None
    if pin is not None:
        note("display-pin", file=root / PIN_FILE)
    return Display(service.station, place, pin, feed, service.post, earlier)


def _stop_when(stop: threading.Event, service: Service) -> None:
    stop.wait()
    service.stop()


def _lock(root: Path) -> int:
    """Only one daemon may serve a bay from one folder. Raises UsageError."""
    try:
        root.mkdir(parents=True, exist_ok=True)
        fd = os.open(root / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return fd
    except BlockingIOError:
        raise UsageError(f"{root}: another runin serves this bay already") from None
    except OSError as problem:
        raise UsageError(f"{root}: cannot be used for logs: {problem.strerror or problem}") from None


def _take_signals(service: Service) -> list[int]:
    """SIGINT and SIGTERM end the service cleanly; what came is in the list."""
    came: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        return came

    def handle(number: int, frame: object) -> None:
        came.append(number)
        signal.signal(number, signal.SIG_DFL)  # a second one ends it at once
        service.stop(f"stopped by {signal.Signals(number).name}")

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handle)
    return came
