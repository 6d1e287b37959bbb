"""Is anything lost? The daemon and a real broker are killed, stopped and cut off at random instants under load.

    python -m tests.bus.chaos --kills 200 --seed 1 [--amnesic] [--table]

The daemon is the real service as a process of its own, fed over a pseudo-terminal at twenty times real time by
a pipeline that says an alarm with every second of the board's time (tests/bus/load_pipeline.py). It reaches
mosquitto through a relay that can be cut or stalled. An independent subscriber with a kept session (QoS 1) notes
every delivery. What must have arrived is read from the outbox's file itself, by this script, while the daemon is
dead and at the end, so the program is not asked whether it did well.

Conservation laws: every committed id is heard; nothing is heard that was not committed; first arrivals come in
the order of their ids; the events' own numbers have no gap within a daemon's life; what the belts' logs say, replayed
where the daemon was killed, is what was heard, each event once (`unsaid`, `unlogged`, `said twice`).

The broker runs with the persistence of the shipped example (monitor/outside/deploy/mosquitto.conf). `--amnesic`
runs it without any: then it forgets its subscribers, too, and what arrives before they are back reaches nobody;
no publisher can mend that, the figures show how much it is.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.outside.deploying import deploy_text
from monitor.outside.service import run_service
from monitor.settings import load_station
from tests.bus.conftest import Mosquitto
from tests.bus.load_pipeline import LoadPipeline
from tests.bus.proxy import Proxy
from tests.edge.conftest import STATION
from tests.edge.pseudo_board import Board
from tests.edge.simple_pipeline import some_wire

SPEED_UP = 20.0
KEPT = ("persistence", "autosave", "max_queued", "persistent_client")  # of the shipped configuration
REPO = Path(__file__).resolve().parents[2]
PREFIX = "runin/test-hall/bay-9/"
QUEUED = ("event", "revolution", "advice", "alarm")
CALM_LOOKS = 4  # a second apart: by then a daemon that came up late has closed what another left open
DRAIN_S = 120.0


@dataclass
class Figures:
    """What a run came to."""

    seed: int
    persistence: bool
    seconds: float = 0.0
    board_s: float = 0.0
    daemon_kills: int = 0
    broker_kills: int = 0
    broker_stops: int = 0
    cuts: int = 0
    stalls: int = 0
    committed: int = 0
    alarms: int = 0
    events: int = 0
    heard: int = 0
    deliveries: int = 0
    missing: list[int] = field(default_factory=list)
    unknown: list[int] = field(default_factory=list)
    inversions: int = 0
    gaps: int = 0
    unsaid: int = 0
    unlogged: int = 0
    said_twice: int = 0

    @property
    def balanced(self) -> bool:
        """Every law held."""
        wrong = self.inversions + self.gaps + self.unsaid + self.unlogged + self.said_twice
        return not (self.missing or self.unknown or wrong)

    @property
    def kills(self) -> int:
        return self.daemon_kills + self.broker_kills

    def row(self) -> str:
        return (
            f"| {self.seed} | {'kept' if self.persistence else 'none'} | {self.daemon_kills} | {self.broker_kills} "
            f"| {self.broker_stops} | {self.cuts} | {self.stalls} | {self.board_s / 3600:.2f} | {self.seconds:.0f} "
            f"| {self.committed} | {self.alarms} | {self.events} | {len(self.missing)} | {self.inversions} "
            f"| {self.gaps} | {len(self.unknown)} | {self.unsaid} / {self.unlogged} / {self.said_twice} "
            f"| {self.deliveries - self.heard} |"
        )


HEADER = (
    "| seed | broker's memory | daemon killed | broker killed | broker stopped | network cut | stalled "
    "| board time, h | run, s | committed | of these alarms | events | missing | out of order | gaps in numbers "
    "| never committed | in a log unsaid / said unlogged / said twice | repeats |\n" + "| --- " * 18 + "|"
)


class Listener:
    """Notes the id of every delivery below the bay, with a session that the broker keeps."""

    def __init__(self, port: int) -> None:
        self.deliveries: list[tuple[int, str, str]] = []
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="chaos-listener", protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.on_connect, self.client.on_message = self._greet, self._hear
        self.client.reconnect_delay_set(1, 1)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 86_400
        properties.ReceiveMaximum = 1000
        self.client.connect("127.0.0.1", port, 10, clean_start=False, properties=properties)
        self.client.loop_start()

    def _greet(self, client: paho.Client, _u: Any, flags: Any, _r: Any, _p: Any) -> None:
        if not flags.session_present:
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
            client.subscribe(f"{PREFIX}#", options=options)

    def _hear(self, _c: Any, _u: Any, message: paho.MQTTMessage) -> None:
        kind = message.topic.removeprefix(PREFIX).split("/")[0]
        if kind in QUEUED:
            content = json.loads(message.payload)
            self.deliveries.append((content["id"], kind, content.get("text") or ""))

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Feed(threading.Thread):
    """Wire bytes at twenty times real time; what nobody reads is lost, as on a serial line."""

    def __init__(self, board: Board) -> None:
        super().__init__(daemon=True)
        self._board, self._ended = board, threading.Event()
        self.board_s = 0.0

    def run(self) -> None:
        os.set_blocking(self._board.master, False)
        start_s, step_s = time.monotonic(), 2.0
        while not self._ended.is_set():
            text = some_wire(step_s, start_us=1000 + round(self.board_s * 1e6))
            with contextlib.suppress(BlockingIOError):
                os.write(self._board.master, text)
            self.board_s += step_s
            self._ended.wait(max(0.0, start_s + self.board_s / SPEED_UP - time.monotonic()))

    def stop(self) -> None:
        self._ended.set()
        self.join()


def shipped_persistence(folder: Path) -> str:
    """What the shipped broker configuration says about keeping, with its folder here."""
    lines = [line for line in deploy_text("mosquitto.conf").splitlines() if line.startswith(KEPT)]
    return "\n".join(lines).replace("/var/lib/mosquitto/", f"{folder}/")


class Chaos:
    """The whole bench; `run` does so many kills or so many seconds, whichever ends first."""

    def __init__(self, folder: Path, seed: int, *, persistence: bool = True) -> None:
        self.folder, self.random = folder, random.Random(seed)
        self.figures = Figures(seed, persistence)
        broker = folder / "broker"
        self.broker = Mosquitto(broker, shipped_persistence(broker) if persistence else "persistence false")
        self.broker.start()
        self.proxy = Proxy(self.broker.port)
        self.board = Board(folder / "edge-board")
        self.file = folder / "station.toml"
        text = STATION.replace("/dev/serial/by-id/made-up", str(folder / "edge-board"))
        tables = f'\n[mqtt]\nhost = "127.0.0.1"\nport = {self.proxy.port}\n'
        tables += '[sparkplug]\ngroup_id = "chaos"\n'  # through the same troubles, and in nobody's way
        self.file.write_text(text + tables)
        self.outbox = folder / "logs" / "test-hall" / "bay-9" / "outbox.sqlite"
        self.committed: dict[int, str] = {}
        self.listener = Listener(self.broker.port)
        self.daemon = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "tests.bus.chaos", "--daemon", str(self.file)]
        return subprocess.Popen(
            command, cwd=REPO, stderr=(self.folder / "daemon.log").open("ab"), stdout=subprocess.DEVNULL
        )

    def run(self, kills: int, seconds: float) -> Figures:
        feed, start_s = Feed(self.board), time.monotonic()
        feed.start()
        while self.figures.kills < kills and time.monotonic() - start_s < seconds:
            time.sleep(self.random.uniform(0.2, 4.0))
            self._strike()
        self.figures.seconds, self.figures.board_s = time.monotonic() - start_s, feed.board_s
        self._settle(feed)
        return self._judge()

    def _strike(self) -> None:
        what = self.random.choice(
            ("daemon", "daemon", "daemon", "broker", "broker", "broker", "stop", "cut", "stall")
        )
        if what == "daemon":
            self.daemon.send_signal(signal.SIGKILL)
            self.daemon.wait()
            self._note_committed()
            self.daemon = self._start()
            self.figures.daemon_kills += 1
        elif what in ("broker", "stop"):
            self.broker.stop(signal.SIGKILL if what == "broker" else signal.SIGTERM)
            time.sleep(self.random.uniform(0.0, 2.0))
            self.broker.start()
            self.figures.broker_kills += what == "broker"
            self.figures.broker_stops += what == "stop"
        else:
            (self.proxy.cut if what == "cut" else self.proxy.stall)()
            time.sleep(self.random.uniform(0.1, 2.0))
            self.proxy.mend()
            self.figures.cuts += what == "cut"
            self.figures.stalls += what == "stall"

    def _note_committed(self) -> int:
        """Reads the outbox's file; returns how many messages wait."""
        if not self.outbox.exists():
            return 0
        db = sqlite3.connect(self.outbox, timeout=30)
        try:
            rows = db.execute("SELECT id, kind, state FROM message").fetchall()
        finally:
            db.close()
        self.committed.update((row[0], row[1]) for row in rows)
        return sum(row[2] == 0 for row in rows)

    def _left_open(self) -> int:
        """The logs that are open: the running one, and those of killed daemons that were not closed yet."""
        return len(list(self.outbox.parent.glob("*.part")))

    def _settle(self, feed: Feed) -> None:
        """Calm: the feed ends, the outbox drains, the listener hears out."""
        feed.stop()
        end_s, calm = time.monotonic() + DRAIN_S, 0
        while time.monotonic() < end_s and calm < CALM_LOOKS:
            time.sleep(1.0)
            waiting = self._note_committed() or self.daemon.poll() is not None or self._left_open() > 1
            calm = 0 if waiting else calm + 1
        self.daemon.terminate()
        self.daemon.wait(30)
        self._note_committed()
        heard = -1
        while heard != len(self.listener.deliveries):
            heard = len(self.listener.deliveries)
            time.sleep(3.0)

    def _judge(self) -> Figures:
        figures, first, numbers = self.figures, [], {}
        known: set[int] = set()
        for message_id, _, text in self.listener.deliveries:
            if message_id in known:
                continue
            known.add(message_id)
            first.append(message_id)
            if ":" in text and len(text.split(":")[0]) == 12:
                birth, number = text.split(":")
                numbers.setdefault(birth, []).append(int(number))
        figures.committed, figures.heard = len(self.committed), len(known)
        figures.alarms = sum(kind == "alarm" for kind in self.committed.values())
        figures.events = sum(kind == "event" for kind in self.committed.values())
        figures.deliveries = len(self.listener.deliveries)
        figures.missing = sorted(self.committed.keys() - known)
        figures.unknown = sorted(known - self.committed.keys())
        figures.inversions = sum(b < a for a, b in itertools.pairwise(first))
        self._compare_with_logs(numbers)
        figures.gaps = sum(sorted(n) != list(range(1, len(n) + 1)) for n in numbers.values())
        return figures

    def _compare_with_logs(self, numbers: dict[str, list[int]]) -> None:
        """The last daemon is stopped and had time to close what the others left open."""
        logged: set[tuple[str, int]] = set()
        for file in self.outbox.parent.glob("*/events.jsonl"):
            texts = [json.loads(line).get("text") or "" for line in file.read_text().splitlines()]
            parts = [text.split(":") for text in texts if ":" in text]
            logged |= {(birth, int(number)) for birth, number in parts if len(birth) == 12}
        heard = [(birth, number) for birth, of_birth in numbers.items() for number in of_birth]
        self.figures.unsaid = len(logged - set(heard))
        self.figures.unlogged = len(set(heard) - logged)
        self.figures.said_twice = len(heard) - len(set(heard))

    def close(self) -> None:
        self.listener.close()
        if self.daemon.poll() is None:
            self.daemon.kill()
            self.daemon.wait()
        self.proxy.close()
        self.broker.stop()
        self.board.pull()


def run_chaos(folder: Path, seed: int, *, kills: int, seconds: float, persistence: bool = True) -> Figures:
    """One run in `folder`; see the module's opening lines."""
    chaos = Chaos(folder, seed, persistence=persistence)
    try:
        return chaos.run(kills, seconds)
    finally:
        chaos.close()


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bus.chaos", description=__doc__.split("\n")[0])
    parser.add_argument("--kills", type=int, default=200, help="kill -9 of daemon and broker together")
    parser.add_argument("--seconds", type=float, default=3600.0, help="end after so long at most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--amnesic", action="store_true", help="a broker without persistence")
    parser.add_argument("--table", action="store_true", help="print the table's heading, too")
    parser.add_argument("--daemon", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.daemon:
        file = Path(options.daemon)
        return run_service(load_station(file), file, make=LoadPipeline)
    with tempfile.TemporaryDirectory(prefix="chaos-") as folder:
        figures = run_chaos(
            Path(folder), options.seed, kills=options.kills, seconds=options.seconds,
            persistence=not options.amnesic,
        )  # fmt: skip
    print(f"{HEADER}\n{figures.row()}" if options.table else figures.row())
    return int(not figures.balanced)


if __name__ == "__main__":
    sys.exit(main())
