"""The command `runin`: reads what a person typed, calls the outside, prints the answer.

It decides nothing about belts. A person's mistake ends in one sentence on standard error and an exit code
that `--help` lists. `--json` prints one JSON document on standard output and nothing else there.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console
from rich.padding import Padding

import monitor
from monitor.cli_log import app as log_app
from monitor.errors import ExitCode, RuninError, UsageError
from monitor.settings import Station, load_station, station_toml_for_docs

EXIT_CODES = (
    "Exit codes: 0 done, the answer is yes; 1 done, the answer is no (not tracked, a check failed); "
    "2 wrong call or wrong station file; 3 a recording cannot be read; 4 no sensor board; "
    "5 no MQTT broker; 130 stopped by Ctrl-C; 143 stopped by SIGTERM."
)
CAUTION = (
    "Advice only: not a safety device, not an emergency stop, not a guard. "
    "The program never starts or stops a machine."
)

app = typer.Typer(
    name="runin",
    help="Watches a belt conveyor being run in: tells true drift from camber, says what to move and when to "
    f"wait, raises alarms, keeps a record.\n\n{CAUTION}",
    epilog=EXIT_CODES,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.add_typer(log_app, name="log")
if importlib.util.find_spec("monitor.outside.board_cli"):
    app.add_typer(importlib.import_module("monitor.outside.board_cli").app, name="board")

StationOption = Annotated[
    Path, typer.Option("--station", "-s", envvar="RUNIN_STATION", help="The bay's station file (TOML).")
]
ExplainOption = Annotated[
    bool,
    typer.Option("--explain", help="Also show the figures behind each advice: estimates and their spread."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
RecordingArgument = Annotated[
    Path,
    typer.Argument(
        metavar="CAPTURE",
        help="A capture (board.wire, also .gz), a folder that holds one, or one of our own belt logs.",
    ),
]
ReplayStationOption = Annotated[
    Path | None,
    typer.Option("--station", "-s", help="Station file; left out: station.toml beside the capture."),
]
ReplayMovesOption = Annotated[
    Path | None,
    typer.Option("--moves", help="Moves that were logged; left out: moves.csv beside the capture."),
]


def print_json(document: object) -> None:
    """One JSON document on standard output."""
    print(json.dumps(document, indent=2, allow_nan=False))


def show_version(wanted: bool) -> None:
    if wanted:
        print(f"runin {monitor.__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Options that stand before a command."""


@app.command(epilog=EXIT_CODES)
def run(
    station: StationOption,
    logs: Annotated[
        Path | None,
        typer.Option("--logs", help="Folder for the belts' logs, instead of the station file's."),
    ] = None,
    belt: Annotated[str, typer.Option(help="Serial number of the belt that is on now.")] = "",
    metrics: Annotated[
        str, typer.Option(help="Loopback address for the counters' page, such as 127.0.0.1:9105.")
    ] = "",
    display: Annotated[
        str,
        typer.Option(
            metavar="[HOST:]PORT",
            help="Serve the bay display there, on 127.0.0.1 unless told otherwise (extra: display).",
        ),
    ] = "",
) -> None:
    """Watch a bay live: read the sensor board, log every belt, speak over MQTT, until Ctrl-C or SIGTERM."""
    from monitor.outside.service import run_service

    raise typer.Exit(
        run_service(
            load_station(station),
            station,
            logs=logs,
            belt=belt or None,
            metrics=metrics or None,
            display=display or None,
        )
    )


@app.command(epilog=EXIT_CODES)
def watch(
    station: Annotated[
        Path | None,
        typer.Option("--station", "-s", envvar="RUNIN_STATION", help="Follow this bay over its MQTT broker."),
    ] = None,
    display: Annotated[
        str, typer.Option(metavar="[HOST:]PORT", help="Follow this bay display instead.")
    ] = "",
    once: Annotated[bool, typer.Option("--once", help="Print one picture and end.")] = False,
    explain: ExplainOption = False,
) -> None:
    """Follow a running bay in a terminal: may I trust it, what to do, how the belt rides, what is wrong."""
    from monitor.outside import watch as watching

    console = Console(highlight=False)
    if display:
        watching.watch(watching.DisplayLook(display), console, once=once, explain=explain)
        return
    if station is None:
        raise UsageError("name the bay's --station file, or the --display to follow")
    from monitor.outside.watch_mqtt import MqttLook

    look = MqttLook(load_station(station))
    try:
        watching.watch(look, console, once=once, explain=explain)
    finally:
        look.close()


@app.command(epilog=EXIT_CODES)
def replay(
    recording: RecordingArgument,
    station: ReplayStationOption = None,
    moves: ReplayMovesOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", "-o", help="Folder for the outputs; left out: replay-NAME in the present folder."
        ),
    ] = None,
    explain: ExplainOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run the code that runs live over a recording.

    Leaves revolutions.csv, events.jsonl, profile.csv and summary.json in the folder named by --out.
    """
    from monitor.outside import replay as replaying

    result = replaying.replay_recording(recording, station, moves, progress=sys.stderr.isatty())
    folder = out if out is not None else replaying.default_folder(recording)
    result.write(folder)
    if as_json:
        print_json(result.summary | {"out": str(folder)})
    else:
        replaying.print_summary(result, folder, Console(highlight=False), explain=explain)


@app.command(epilog=EXIT_CODES)
def record(
    recording: RecordingArgument,
    station: ReplayStationOption = None,
    moves: ReplayMovesOption = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="The HTML file; left out: record-NAME.html in the present folder."),
    ] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Also a PDF of at most two pages (extra: pdf).")] = False,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    as_json: JsonOption = False,
) -> None:
    """Make the record that travels with the machine: one HTML file that needs nothing else, and a PDF if wanted."""
    from monitor.outside import record as recordings

    size = recordings.paper_named(paper)
    made = recordings.make_record(recording, station, moves)
    written = recordings.write_record(made, out or recordings.default_record(recording), pdf, size)
    if as_json:
        print_json({"verdict": made.replay.summary["verdict"], "written": [str(file) for file in written]})
    else:
        print("\n".join(f"Written: {file}" for file in written))


@app.command(epilog=EXIT_CODES)
def plot(
    recording: RecordingArgument,
    station: ReplayStationOption = None,
    moves: ReplayMovesOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder; left out: plot-NAME in the present folder.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Draw a recording: raster.svg (revolutions downward, belt stations across), position.svg, profile.svg."""
    from monitor.outside import record as recordings

    made = recordings.make_record(recording, station, moves)
    written = recordings.write_plots(made, out or recordings.default_plots(recording))
    if as_json:
        print_json({"written": [str(file) for file in written]})
    else:
        print("\n".join(f"Written: {file}" for file in written))


@app.command(epilog=EXIT_CODES)
def demo(
    speed_up: Annotated[
        float,
        typer.Option(min=1, max=600, help="How much faster than real time; with --board at most 30."),
    ] = 12.0,
    seed: Annotated[int, typer.Option(min=0, help="Another number gives another invented belt.")] = 1,
    minutes: Annotated[
        float, typer.Option(min=1, max=600, help="Give up after this many minutes of belt time.")
    ] = 120.0,
    keep: Annotated[
        Path | None, typer.Option(help="Folder for the log and the outputs; left out: runs/demo.")
    ] = None,
    embedded: Annotated[
        bool, typer.Option("--embedded-broker", help="Use the built-in broker even where mosquitto is.")
    ] = False,
    display: Annotated[
        str, typer.Option(metavar="[HOST:]PORT", help="Also serve the bay display there (extra: display).")
    ] = "",
    board: Annotated[
        bool,
        typer.Option(
            "--board",
            help="Put the reference firmware in a simulated microcontroller between conveyor and service "
            "(needs gcc-avr, avr-libc, libsimavr-dev, make and gcc).",
        ),
    ] = False,
    explain: ExplainOption = False,
) -> None:
    """A simulated conveyor is run in before your eyes, by the real service and a robot technician.

    Nothing has to be installed (but for --board) or connected. The scenario is invented.
    """
    from monitor.outside.demo import run_demo

    tracked = run_demo(
        speed_up=speed_up,
        seed=seed,
        minutes=minutes,
        keep=keep,
        embedded_broker=embedded,
        board=board,
        display=display,
        explain=explain,
    )
    raise typer.Exit(ExitCode.OK if tracked else ExitCode.ANSWER_NO)


@app.command(epilog=EXIT_CODES)
def check(
    station: Annotated[Path, typer.Argument(metavar="STATION", help="The station file to check.")],
    listen: Annotated[
        float, typer.Option("--listen", min=0, max=120, help="Also open its port and listen so many seconds.")
    ] = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Check a station file; with --listen also that the board on its port sends what the file expects."""
    known = load_station(station)
    findings: dict[str, Any] = {"station": str(station), "ok": True, "port": known.serial.port, "board": None}
    if listen > 0:
        from monitor.outside.ports import listen_to_board

        findings |= listen_to_board(known, listen)
    if as_json:
        print_json(findings)
    else:
        print_station(known, station, findings)
    raise typer.Exit(ExitCode.OK if findings["ok"] else ExitCode.ANSWER_NO)


@app.command(epilog=EXIT_CODES)
def alarms(as_json: JsonOption = False) -> None:
    """List every alarm: what it means, what to do about it, and how soon."""
    from monitor.alarms.catalogue import CATALOGUE, format_duration

    if as_json:
        print_json([asdict(entry) for entry in CATALOGUE])
        return
    console = Console(highlight=False)
    for entry in CATALOGUE:
        respond = format_duration(entry.respond_within_s)
        console.print(f"[bold]{entry.name}[/]  {entry.priority}, respond within {respond}")
        for label, text in (
            ("raised when", entry.cause),
            ("ignored", entry.consequence),
            ("do", entry.action),
        ):
            console.print(Padding(f"{label}: {text}", (0, 0, 0, 4)), markup=False)


@app.command(epilog=EXIT_CODES)
def ports(as_json: JsonOption = False) -> None:
    """List the serial ports of this machine, by names that stay the same when a cable is pulled."""
    from monitor.outside.ports import list_ports

    found = list_ports()
    if as_json:
        print_json(found)
    elif not found:
        print("No serial port found. Is the board's cable in? May you use the port (group dialout)?")
    else:
        for port in found:
            print(f"{port['port']}   {port['product'] or 'no description'}   (now {port['device']})")
    raise typer.Exit(ExitCode.OK if found else ExitCode.NO_DEVICE)


@app.command(epilog=EXIT_CODES)
def schema(
    as_json: Annotated[bool, typer.Option("--json", help="The JSON Schema, for editors.")] = False,
    mqtt: Annotated[
        bool, typer.Option("--mqtt", help="The JSON Schema of every MQTT payload instead.")
    ] = False,
    asyncapi: Annotated[
        bool,
        typer.Option("--asyncapi", help="All MQTT topics and requests as an AsyncAPI 3 document instead."),
    ] = False,
    sparkplug: Annotated[
        bool,
        typer.Option("--sparkplug", help="Every Sparkplug metric with its type, unit and meaning instead."),
    ] = False,
) -> None:
    """Print every key of the station file with its meaning, allowed values and default."""
    if sparkplug:
        from monitor.outside.sparkplug_metrics import describe_metrics

        print_json(describe_metrics())
    elif asyncapi:
        from monitor.outside.asyncapi import asyncapi as make_asyncapi

        print_json(make_asyncapi())
    elif mqtt:
        from monitor.outside.payloads import schemas

        print_json(schemas())
    elif as_json:
        print_json(Station.model_json_schema())
    else:
        print(station_toml_for_docs(), end="")


@app.command(epilog=EXIT_CODES)
def sparkplug() -> None:
    """Make Sparkplug readable: mosquitto_sub -t 'spBv1.0/#' -F '%t %x' | runin sparkplug"""
    from monitor.outside.sparkplug_reading import read_lines

    for line in read_lines(sys.stdin):
        print(line, flush=True)


@app.command(epilog=EXIT_CODES)
def deploy(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write them; made when absent.")],
) -> None:
    """Write the files for installing a bay: the page that says how, systemd unit, udev rule, broker, ACL."""
    from monitor.outside.deploying import write_deploy_files

    for path in write_deploy_files(folder):
        print(path)


def print_station(station: Station, path: Path, findings: dict[str, Any]) -> None:
    """What a good station file says, for a person to compare with the bay."""
    belt, limits = station.belt, station.limits
    length = f"{belt.length_mm:g} mm long" if belt.length_mm is not None else "length learnt from the marks"
    print(f"{path}: good.")
    print(f"  bay      {station.bay.site}/{station.bay.name}, board on {station.serial.port}")
    print(f"  belt     {belt.width_mm:g} mm wide, {length}, {belt.speed_mps:g} m/s")
    for sensor in station.sensor:
        print(
            f"  sensor   {sensor.name}: channel {sensor.channel}, {sensor.edge} edge, {sensor.pulley} pulley"
        )
    print(
        f"  limits   drift {limits.drift_mm_per_rev:g} mm/rev, section {limits.wobble_mm:g} mm, "
        f"edge {limits.edge_warn_mm:g} / {limits.edge_stop_mm:g} mm, centre {limits.centre_mm:g} mm"
    )
    broker = f"{station.mqtt.host}:{station.mqtt.port}" if station.mqtt else "none: logs and displays only"
    print(f"  broker   {broker}")
    for line in findings.get("said", []):
        print(f"  board    {line}")


def fail(error: RuninError) -> NoReturn:
    """The one place where a person's mistake becomes a sentence and an exit code."""
    text = "".join(c if c.isprintable() or c == "\n" else "?" for c in str(error))
    print("\n".join(f"runin: {line}" for line in text.splitlines()), file=sys.stderr)
    sys.exit(error.exit_code)


def main() -> None:
    """Entry point of `runin`."""
    try:
        app(prog_name="runin")
    except RuninError as error:
        fail(error)
    except KeyboardInterrupt:
        sys.exit(130)
    except OSError as error:  # a full disk, a folder that may not be written
        fail(UsageError(f"{error.filename or 'a file'}: {error.strerror or error}"))
