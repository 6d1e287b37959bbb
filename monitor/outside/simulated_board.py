"""The reference firmware in a simulated microcontroller, its serial line on a pseudo-terminal.

The simulated conveyor speaks wire format 1; here its records become what a real board would meet: an
E record sets the voltages on the analogue inputs, an M record pulses the mark input, a T record the tick
input. The compiled firmware samples, captures and writes its own records, and the service reads those
from `port` as from any board. The simulator is a program of its own (firmware_notes/simulator, with its
licence); it is built when first wanted and needs avr-gcc, avr-libc, libsimavr-dev and a C compiler.
"""

from __future__ import annotations

import array
import contextlib
import heapq
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import PortError, UsageError
from monitor.outside.bench import Bench
from monitor.readings import Decoder
from monitor.records import BoardRecord, EdgeBlock, Mark, Ticks
from monitor.simulation import Simulation

if os.name == "posix":
    import fcntl
    import termios

SOURCES = Path(__file__).resolve().parents[2] / "firmware_notes"
SIMAVR_HEADER = Path("/usr/include/simavr/sim_avr.h")
FULL_COUNTS = 65_535
FULL_MV = 5000
PULSE_US = 4000  # a reflective strip of 20 mm at 0.5 m/s passes in 40 ms; any width will do
TICK_PULSE_US = 400
PRESS_US = 100_000
HOLD_BACK_US = 120_000  # an M or T record may come this much after the instant it speaks of
F_SETPIPE_SZ = 1031  # Linux: the size of a pipe; a short one keeps the inputs from running far ahead
PIPE_BYTES = 4096
MOST_SPEED_UP = (
    30.0  # one core of a common machine simulates the microcontroller some 25 times faster than real
)


@dataclass(frozen=True)
class BuiltBoard:
    """The compiled firmware and the program that runs it."""

    firmware: Path
    simulator: Path


def missing_tools() -> list[str]:
    """What must be installed before the board can be simulated, one plain phrase each; empty when ready."""
    missing = [
        f"{command} (Debian package {package})"
        for command, package in (("avr-gcc", "gcc-avr"), ("cc", "gcc"), ("make", "make"))
        if shutil.which(command) is None
    ]
    if not SIMAVR_HEADER.exists():
        missing.append("libsimavr (Debian package libsimavr-dev)")
    if shutil.which("avr-gcc") and not Path("/usr/lib/avr/include/avr/io.h").exists():
        missing.append("avr-libc (Debian package avr-libc)")
    return missing


def require_tools() -> None:
    """Raises UsageError naming everything that is missing for build_board."""
    missing = missing_tools()
    if missing:
        raise UsageError(f"the simulated board needs {', '.join(missing)}: install and try again")
    if not (SOURCES / "firmware" / "Makefile").exists():
        raise UsageError(
            "the simulated board is built from the folder firmware_notes, which is only in a checkout"
        )


def build_board(folder: Path, options: str = "") -> BuiltBoard:
    """Compile firmware and simulator into `folder`; `options` go to the firmware's compiler (-DCHANNELS=2).

    Raises UsageError naming what is missing or the compiler's first words.
    """
    require_tools()
    firmware = folder / "board.elf"
    simulator = folder / "simulated_board"
    for source, wanted in ((SOURCES / "firmware", firmware), (SOURCES / "simulator", simulator)):
        command = ["make", "-s", "-C", str(source), f"BUILD={folder}", f"OPTIONS={options}", str(wanted)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode != 0:
            first = (done.stderr.strip().splitlines() or ["no reason given"])[0]
            raise UsageError(f"the simulated board could not be built in {source.name}: {first}")
    return BuiltBoard(firmware, simulator)


class Wiring:
    """Records of the simulated conveyor -> lines of the simulator's script, in time order."""

    def __init__(self) -> None:
        self._waiting: list[tuple[int, int, str]] = []
        self._order = 0
        self._sent_us = 0
        self._last_tick: Ticks | None = None

    def connect(self, records: Iterable[BoardRecord]) -> None:
        """Take in records."""
        for record in records:
            if isinstance(record, EdgeBlock):
                for time_us, counts in zip(record.time_us.tolist(), record.counts.tolist(), strict=True):
                    volts = (str(round(count * FULL_MV / FULL_COUNTS)) for count in counts)
                    self._put(time_us, f"volts {' '.join(volts)}")
            elif isinstance(record, Mark):
                self._pulse("mark", record.time_us, PULSE_US)
            elif isinstance(record, Ticks):
                for time_us in self._tick_times_us(record):
                    self._pulse("tick", time_us, TICK_PULSE_US)

    def press(self, button: int) -> None:
        """Hold push-button 1 or 2 down for 0.1 s from now."""
        self._pulse(f"button{button}", self._sent_us, PRESS_US)

    def lines_until(self, until_us: int) -> list[str]:
        """The script up to that time, and leave for the simulation to run so far."""
        lines = []
        while self._waiting and self._waiting[0][0] <= until_us:
            time_us, _, what = heapq.heappop(self._waiting)
            self._sent_us = max(self._sent_us, time_us)
            lines.append(f"{self._sent_us} {what}\n")
        self._sent_us = max(self._sent_us, until_us)
        lines.append(f"{self._sent_us} go\n")
        return lines

    def _put(self, time_us: int, what: str) -> None:
        self._order += 1
        heapq.heappush(self._waiting, (max(0, time_us), self._order, what))

    def _pulse(self, pin: str, at_us: int, width_us: int) -> None:
        self._put(at_us, f"{pin} 0")
        self._put(at_us + width_us, f"{pin} 1")

    def _tick_times_us(self, record: Ticks) -> Iterator[int]:
        last, self._last_tick = self._last_tick, record
        if last is None or not 0 < record.ticks - last.ticks < 1000 or record.time_us <= last.time_us:
            return
        step_us = (record.time_us - last.time_us) / (record.ticks - last.ticks)
        for k in range(record.ticks - last.ticks):
            yield round(last.time_us + (k + 1) * step_us)


class BoardBench(Bench):
    """A bench whose bytes come from the firmware: the simulated conveyor drives the simulated board's inputs.

    Use it as a Bench. It goes as fast as `speed_up` says or as the simulator can (some 25 times real time),
    and waits for its reader; the belt's time stands still meanwhile. Raises UsageError if it cannot be built.
    """

    def __init__(self, simulation: Simulation, speed_up: float, options: str = "") -> None:
        super().__init__(simulation, speed_up)
        self._folder = Path(tempfile.mkdtemp(prefix="runin-board-"))
        self._decoder, self._wiring = Decoder(), Wiring()
        self._ending = False
        self._process: subprocess.Popen[bytes] | None = None
        try:
            built = build_board(self._folder, options)
            self._process = subprocess.Popen(
                [str(built.simulator), str(built.firmware), "pty"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # Ctrl-C is for us; the board goes on until it is stopped
            )
            assert self._process.stdin is not None
            assert self._process.stdout is not None
            self._inputs = self._process.stdin.fileno()
            with contextlib.suppress(OSError):
                fcntl.fcntl(self._inputs, F_SETPIPE_SZ, PIPE_BYTES)
            self.port = self._process.stdout.readline().decode().strip()
            if not self.port:
                raise UsageError("the simulated board did not start")
            os.close(self._theirs)
            self._theirs = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
        except BaseException:
            self.stop()
            raise

    def press(self, button: int) -> None:
        """Press push-button 1 or 2, now."""
        with self._lock:
            self._wiring.press(button)

    def stop(self) -> None:
        """Let the belt stand and end the simulation. May be called twice."""
        self._ending = True
        if self._process is not None:
            self._process.kill()  # first: a board that waits for a reader holds up the bench's thread
        super().stop()
        if self._process is not None:
            self._process.wait()
            for stream in (self._process.stdin, self._process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):  # what was not yet sent has nowhere to go
                        stream.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _unread(self) -> int:
        count = array.array("i", [0])
        fcntl.ioctl(self._inputs, termios.FIONREAD, count)
        return super()._unread() + count[0]

    def _write(self, data: bytes) -> None:
        records = self._decoder.feed(data)
        with self._lock:
            self._wiring.connect(records)
            lines = self._wiring.lines_until(max(0, round(self.t_s * 1e6) - HOLD_BACK_US))
        assert self._process is not None
        assert self._process.stdin is not None
        try:
            self._process.stdin.write("".join(lines).encode("ascii"))
            self._process.stdin.flush()
        except OSError:
            if not self._ending:
                raise PortError("the simulated board has ended") from None
