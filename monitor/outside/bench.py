"""A simulated conveyor on this machine's own serial port: a pseudo-terminal, faster than real time.

The service opens the pseudo-terminal as it would open a real board's port and cannot tell the difference. A
pseudo-terminal holds only 17 kB, so the bench waits for room and lets the belt's time stand still meanwhile:
nothing is ever dropped, whatever the speed. Portions are due at absolute times of the host's clock, so that a
portion that came late does not delay all that follow. Linux and macOS only.
"""

from __future__ import annotations

import array
import os
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from monitor.records import MoveWhere, Side
from monitor.simulation import Simulation

STEP_S = 0.02  # of our own clock, between two portions of bytes
DRAIN_S = 3.0  # longest wait for the service to have read what was sent
READING_S = 0.15  # ... and to have worked on it
LATE_S = 1.0  # so far behind, the belt has stood still: what was missed is not caught up


@dataclass(frozen=True, slots=True)
class Job:
    """Something a technician does at the machine at a known time of the belt's clock."""

    due_s: float
    where: MoveWhere
    side: Side
    amount_mm: float
    then: Callable[[float], None]


class Pace:
    """When portions are due: every STEP_S on the host's clock, counted from the first, not from the last.

    A delay up to LATE_S is caught up by portions without a wait between; a longer one shifts all that follow.
    """

    def __init__(self, began_s: float) -> None:
        self._due_s = began_s

    def wait_s(self, now_s: float) -> float:
        """A portion is done: seconds to wait for the next."""
        self._due_s += STEP_S
        if now_s - self._due_s > LATE_S:
            self._due_s = now_s
        return max(0.0, self._due_s - now_s)

    def stand_until(self, now_s: float) -> None:
        """The belt has stood still on purpose until now: the portion that is under way was due now."""
        self._due_s = now_s


class Bench:
    """The simulated bay: start it, read `port` and `t_s`, give it jobs, stop it."""

    def __init__(self, simulation: Simulation, speed_up: float) -> None:
        import fcntl
        import termios
        import tty

        self.simulation = simulation
        self.speed_up = speed_up
        self.failure: Exception | None = None
        self._fcntl, self._fionread = fcntl.ioctl, termios.FIONREAD
        self._ours, self._theirs = os.openpty()  # holding their end open makes a reader's absence harmless
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.port = os.ttyname(self._theirs)
        self._jobs: list[Job] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._pace = Pace(time.monotonic())
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)

    @property
    def t_s(self) -> float:
        """The belt's clock, seconds since the first record."""
        return self.simulation.t_s

    def start(self) -> None:
        """Let the belt run."""
        self._thread.start()

    def stop(self) -> None:
        """Let it stand, and close the port. May be called twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(5)
        os.close(self._ours)
        os.close(self._theirs)

    def do_later(self, job: Job) -> None:
        """Have a move made when the belt's clock comes to it; `then` is called with the time it was made."""
        with self._lock:
            self._jobs = sorted([*self._jobs, job], key=lambda waiting: waiting.due_s)

    def wait_until_read(self) -> None:
        """Wait until the service has read what was sent so far, and a little for it to work on that."""
        end_s = time.monotonic() + DRAIN_S
        while self._unread() and time.monotonic() < end_s and not self._stop.is_set():
            time.sleep(0.01)
        self._stop.wait(READING_S)

    def _unread(self) -> int:
        count = array.array("i", [0])
        self._fcntl(self._theirs, self._fionread, count)
        return count[0]

    def _run(self) -> None:
        try:
            self._pace.stand_until(time.monotonic())
            while not self._stop.is_set():
                self._step(STEP_S * self.speed_up)
                self._stop.wait(self._pace.wait_s(time.monotonic()))
        except Exception as problem:  # the thread's last act: the demo shows it
            self.failure = problem

    def _step(self, seconds: float) -> None:
        with self._lock:
            job = self._jobs[0] if self._jobs else None
        if job is not None and job.due_s <= self.t_s + seconds:
            with self._lock:
                self._jobs.remove(job)
            self._write(self.simulation.advance(max(0.0, job.due_s - self.t_s)))
            self.simulation.move(job.where, job.side, job.amount_mm)
            self.wait_until_read()
            job.then(self.t_s)  # the belt's clock stands still while this is written down
            self._pace.stand_until(time.monotonic())
        else:
            self._write(self.simulation.advance(seconds))

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view and not self._stop.is_set():
            _, writable, _ = select.select([], [self._ours], [], 0.2)
            if writable:
                try:
                    view = view[os.write(self._ours, view) :]
                except BlockingIOError:
                    continue
