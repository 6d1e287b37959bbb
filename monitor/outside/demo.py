"""`runin demo`: an invented conveyor is run in before your eyes.

Everything but the conveyor and the technician is the real thing: the service is the very `runin run`, in a
process of its own; it opens a pseudo-terminal as its serial port, speaks to a broker over MQTT and keeps
its log. What is shown here was heard over MQTT. At the end the log is replayed, and the replay must
say what was said live. With `board` the conveyor's bytes come from the reference firmware in a simulated
microcontroller (simulated_board.py): one more real thing in the chain.
"""

from __future__ import annotations

import os
import queue
import re
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from rich.console import Console

from monitor.errors import BrokerError, PortError, RecordingError, RuninError, UsageError
from monitor.outside.bench import Bench
from monitor.outside.broker import Address, private_broker
from monitor.outside.narrator import Narrator
from monitor.outside.outputs import event_line
from monitor.outside.replay import replay_recording
from monitor.outside.technician import Ear, Heard, Technician
from monitor.records import STAGES
from monitor.settings import Station, parse_station
from monitor.simulation import Params, Simulation

ONLINE_S = 20.0  # longest wait for the service to come up; it took 1 s on two busy cores
SILENCE_S = 20.0  # longest wait for a word of the service while the belt runs
END_S = 10.0  # longest wait for it to close its log
SERIAL = "DEMO-1"


def scenario(seed: int) -> Params:
    """The invented conveyor: a cambered belt; both pulleys out of square, against each other."""
    side = 1.0 if seed % 2 else -1.0
    return Params(
        seed=seed,
        site="invented-hall",
        name="demo-bay",
        length_mm=9000.0 + 250.0 * (seed % 7),
        carry_length_mm=4000.0,
        camber_pp_mm=9.0,
        crowned=True,
        standing_infeed_mm=side * 4.6,
        standing_drive_mm=side * -3.0,
        speed_mps=0.5,
        length_error=0.01,
        hold_minutes=15.0,
    )


@dataclass
class Service:
    """The real service as a process of its own: `runin run`."""

    station_file: Path
    folder: Path
    display: str = ""
    process: subprocess.Popen[bytes] = field(init=False)

    def __enter__(self) -> Service:
        command = [sys.executable, "-m", "monitor", "run", "--station", str(self.station_file)]
        command += ["--logs", str(self.folder / "logs"), "--belt", SERIAL]
        command += ["--display", self.display] if self.display else []
        with (self.folder / "service.log").open("wb") as lines:
            self.process = subprocess.Popen(
                command, stdout=lines, stderr=lines, stdin=subprocess.DEVNULL, start_new_session=True
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> int:
        """End it as an operator would, by SIGTERM; returns its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(END_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        return self.process.returncode

    def check_alive(self) -> None:
        """Raises PortError with the service's last words when it has ended by itself."""
        if self.process.poll() is not None:
            raise PortError(f"the service ended with {self.process.returncode}: {self.last_words()}")

    def last_words(self) -> str:
        """The last line of its own log."""
        lines = (self.folder / "service.log").read_text(errors="replace").strip().splitlines()
        return lines[-1] if lines else "it said nothing"


def run_demo(
    *,
    speed_up: float,
    seed: int,
    minutes: float,
    keep: Path | None,
    embedded_broker: bool = False,
    board: bool = False,
    display: str = "",
    explain: bool = False,
) -> bool:
    """Run the demo to its end; True when the belt was tracked within so many minutes of its clock.

    Raises RuninError when the broker, the service or (with `board`) the simulated board cannot run here.
    """
    if os.name != "posix":
        raise PortError("the demo needs a pseudo-terminal, which only Linux and macOS have")
    make_bench = board_bench(speed_up) if board else Bench
    folder = fresh_folder(keep if keep is not None else Path("runs") / "demo")
    console = Console(highlight=False)
    simulation = Simulation(scenario(seed))
    with ExitStack() as stack:
        address = stack.enter_context(private_broker(embedded=embedded_broker))
        if board:
            console.print("Compiling the board's firmware and its simulator ...")
        bench = make_bench(simulation, speed_up)
        stack.callback(bench.stop)
        station = write_station(folder / "station.toml", simulation, bench.port, address)
        ear = Ear(address, station)
        stack.callback(ear.close)
        broker = f"{address.program} on port {address.port}"
        narrator = Narrator(console, station, simulation, speed_up, broker, board, explain)
        narrator.introduce()
        service = stack.enter_context(Service(folder / "station.toml", folder, display))
        await_online(ear, service)
        technician = Technician(station, bench, seed)
        try:
            tracked = follow(bench, ear, service, technician, narrator, minutes * 60.0)
        except KeyboardInterrupt:
            console.print(f"\nStopped. What there is so far lies in {folder}", markup=False)
            raise
        bench.stop()
        service.stop()
        conclude(narrator, folder, tracked, technician)
    return tracked


def board_bench(speed_up: float) -> type[Bench]:
    """The bench with the simulated board. Raises UsageError when its tools are missing or it is too slow."""
    from monitor.outside.simulated_board import MOST_SPEED_UP, BoardBench, require_tools

    if speed_up > MOST_SPEED_UP:
        raise UsageError(
            f"--speed-up {speed_up:g} is more than the simulated board can do: "
            f"with --board at most {MOST_SPEED_UP:g}"
        )
    require_tools()
    return BoardBench


def fresh_folder(folder: Path) -> Path:
    """The folder, made; a number is added where an earlier demo already lies there. Raises RecordingError."""
    number, free = 1, folder
    try:
        while free.exists() and any(free.iterdir()):
            number += 1
            free = folder.with_name(f"{folder.name}-{number}")
        free.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise RecordingError(f"{folder}: cannot be made a folder: {problem.strerror or problem}") from None
    return free


def write_station(file: Path, simulation: Simulation, port: str, address: Address) -> Station:
    """The scenario's station file with the pseudo-terminal and the broker put in."""
    text = re.sub(r'(?m)^port = ".*"$', f'port = "{port}"', simulation.station(), count=1)
    broker = f'[mqtt]\nhost = "{address.host}"\nport = {address.port}\n'
    broker += 'protocol = "3.1.1"\n\n' if address.program == "amqtt" else "\n"  # all that amqtt speaks
    text = "# An invented scenario: no measurement.\n" + text.replace("[belt]", broker + "[belt]", 1)
    file.write_text(text)
    return parse_station(text, str(file))


def await_online(ear: Ear, service: Service) -> None:
    """Wait until the service says over MQTT that it is there."""
    end_s = time.monotonic() + ONLINE_S
    while time.monotonic() < end_s:
        service.check_alive()
        try:
            heard = ear.heard.get(timeout=0.2)
        except queue.Empty:
            continue
        if heard.topic == "state" and heard.payload.get("online"):
            return
    raise BrokerError(f"the service was not heard over MQTT within {ONLINE_S:g} s: {service.last_words()}")


def follow(
    bench: Bench, ear: Ear, service: Service, technician: Technician, narrator: Narrator, limit_s: float
) -> bool:
    """Let the belt run and the technician work until the belt is signed off, or the time is over."""
    bench.start()
    last_word_s = time.monotonic()
    while bench.t_s < limit_s:
        service.check_alive()
        if bench.failure is not None:
            raise bench.failure
        try:
            heard = ear.heard.get(timeout=0.2)
        except queue.Empty:
            if time.monotonic() - last_word_s > SILENCE_S:
                raise BrokerError(f"the service fell silent: {service.last_words()}") from None
            continue
        last_word_s = time.monotonic()
        narrator.tell(heard, bench.t_s)
        act(heard, technician)
        while not technician.deeds.empty():
            narrator.tell_deed(technician.deeds.get(), bench.t_s)
        if narrator.verdict == "tracked" and narrator.stage == STAGES[-1]:
            return True
    return narrator.verdict == "tracked"


def act(heard: Heard, technician: Technician) -> None:
    """What the technician does about a message."""
    if heard.topic == "advice":
        technician.follow(heard.payload)
    elif heard.topic == "state":
        technician.attend(str(heard.payload.get("stage")))


def conclude(narrator: Narrator, folder: Path, tracked: bool, technician: Technician) -> None:
    """Replay the log, compare, write the outputs, say where everything is."""
    logs = sorted((path for path in (folder / "logs").rglob("board.wire*")), key=lambda p: p.stat().st_mtime)
    if not logs:
        raise RecordingError(f"{folder / 'logs'}: the service left no log")
    log = logs[-1].parent
    result = replay_recording(log)
    result.write(folder / "replay")
    live = (log / "events.jsonl").read_bytes()
    same = live == "".join(map(event_line, result.found_events)).encode()
    narrator.conclude(result, tracked, same, technician.moves_made, log, folder)
    if not same:
        raise RuninError("the replay of the log does not say what was said live: a fault of the program")
