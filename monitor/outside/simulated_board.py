"""The reference firmware in a simulated microcontroller, its serial line on a pseudo-terminal.

The simulated conveyor speaks wire format 1; here its records become what a real board would meet: an
E record sets the voltages on the analogue inputs, an M record pulses the mark input, a T record the tick
input. The compiled firmware samples, captures and writes its own records, and the service reads those
from `port` as from any board. The simulator is a program of its own (firmware_notes/simulator, with its
licence); it is built when first wanted and needs avr-gcc, avr-libc, libsimavr-dev and a C compiler.
"""

from __future__ import annotations

import contextlib
import heapq
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from monitor.errors import UsageError
from monitor.readings.decoder import Decoder
from monitor.records import BoardRecord, EdgeBlock, Mark, Ticks

SOURCES = Path(__file__).resolve().parents[2] / "firmware_notes"
SIMAVR_HEADER = Path("/usr/include/simavr/sim_avr.h")
FULL_COUNTS = 65_535
FULL_MV = 5000
PULSE_US = 4000  # a reflective strip of 20 mm at 0.5 m/s passes in 40 ms; any width will do
TICK_PULSE_US = 400
PRESS_US = 100_000
HOLD_BACK_US = 300_000  # an M or T record may come this much after the instant it speaks of
STEP_S = 0.02


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


def build_board(folder: Path, options: str = "") -> BuiltBoard:
    """Compile firmware and simulator into `folder`; `options` go to the firmware's compiler (-DCHANNELS=2).

    Raises UsageError naming what is missing or the compiler's first words.
    """
    missing = missing_tools()
    if missing:
        raise UsageError(f"the simulated board needs {', '.join(missing)}: install and try again")
    if not (SOURCES / "firmware" / "Makefile").exists():
        raise UsageError(
            "the simulated board is built from the folder firmware_notes, which is only in a checkout"
        )
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


class SimulatedBoard:
    """A running board. `advance(seconds)` gives the conveyor's next bytes; `port` is the serial line's name.

    Use as a context manager. `speed` is how many times real time it goes. `advance` is called from a thread
    of this object's own; what it raises is kept in `fault` and ends the feeding.
    """

    def __init__(
        self,
        advance: Callable[[float], bytes],
        *,
        speed: float = 1.0,
        options: str = "",
        folder: Path | None = None,
    ) -> None:
        self._advance, self._speed = advance, speed
        self._own_folder = folder is None
        self._folder = Path(tempfile.mkdtemp(prefix="runin-board-")) if folder is None else folder
        self.port = ""
        self.fault: Exception | None = None
        self._wiring = Wiring()
        self._lock = threading.Lock()
        self._ended = threading.Event()
        try:
            built = build_board(self._folder, options)
            self._process = subprocess.Popen(
                [str(built.simulator), str(built.firmware), "pty"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
            assert self._process.stdout is not None
            self.port = self._process.stdout.readline().strip()
            if not self.port:
                raise UsageError("the simulated board did not start")
        except BaseException:
            self._clear()
            raise
        self._thread = threading.Thread(target=self._feed, name="simulated-board", daemon=True)
        self._thread.start()

    def press(self, button: int) -> None:
        """Press push-button 1 or 2, now."""
        with self._lock:
            self._wiring.press(button)

    def close(self) -> None:
        """End the simulation."""
        self._ended.set()
        self._thread.join(timeout=5.0)
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):  # a broken pipe at closing: the process is gone, as wanted
                    stream.close()
        self._clear()

    def __enter__(self) -> SimulatedBoard:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _clear(self) -> None:
        if self._own_folder:
            shutil.rmtree(self._folder, ignore_errors=True)

    def _feed(self) -> None:
        decoder = Decoder()
        began_s = time.monotonic()
        fed_s = 0.0
        assert self._process.stdin is not None
        try:
            while not self._ended.is_set():
                step_s = STEP_S * self._speed
                records = decoder.feed(self._advance(step_s))
                fed_s += step_s
                with self._lock:
                    self._wiring.connect(records)
                    lines = self._wiring.lines_until(round(fed_s * 1e6) - HOLD_BACK_US)
                self._process.stdin.writelines(lines)
                self._process.stdin.flush()
                self._ended.wait(max(0.0, began_s + fed_s / self._speed - time.monotonic()))
        except Exception as problem:
            self.fault = problem
