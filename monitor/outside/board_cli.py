"""`runin board`: examine a sensor board, calibrate its sensors, watch its counts."""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from rich.console import Console
from rich.live import Live
from rich.table import Table

from monitor.errors import ExitCode, UsageError
from monitor.outside.board_listening import Listening
from monitor.outside.station_edit import with_sensor_numbers, write_station_text
from monitor.readings import Calibration
from monitor.readings.conformance import Examination, Finding
from monitor.readings.gauging import Gauged, Place, gauge
from monitor.records import EdgeBlock, plain
from monitor.settings import Sensor, Station, load_station

CAUTION = (
    "WARNING - hands come near the belt and its pulleys. Stop the conveyor with its own control, lock it out "
    "and tag it out, try to start it, then work. This program does not stop it, and its readings are no "
    "proof that it is stopped."
)
DEFAULT_BAUD = 115_200
REFRESH_S = 0.25
MARKS = {"right": "ok", "doubtful": "?", "wrong": "WRONG", "not seen": "-"}

app = typer.Typer(
    help="The sensor board: check it against wire format 1, calibrate its sensors, watch its counts.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
PortArgument = Annotated[
    str, typer.Argument(metavar="PORT", help="The board's port, or any address serial_for_url takes.")
]
BaudOption = Annotated[int, typer.Option(help="Line speed; does not matter over USB.")]
StationOption = Annotated[
    Path, typer.Option("--station", "-s", envvar="RUNIN_STATION", help="The bay's station file (TOML).")
]


@app.command()
def check(
    port: PortArgument,
    seconds: Annotated[float, typer.Option(min=1.0, max=3600.0, help="How long to listen.")] = 60.0,
    baud: BaudOption = DEFAULT_BAUD,
    usb: Annotated[
        bool, typer.Option("--usb", help="No serial line in between: leave out its load.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")] = False,
) -> None:
    """Listen to any board and say what is right and wrong by wire format 1. Exit code 1: something is."""
    examination = Examination(None if usb else baud)
    if not as_json:
        Console(stderr=True).print(f"Listening to {port} for {seconds:g} s ...", highlight=False)
    with Listening(port, baud) as board:
        for chunk in board.chunks(seconds):
            examination.feed(chunk.data, chunk.mono_ns * 1e-9)
    findings = examination.report()
    wrong = any(finding.level == "wrong" for finding in findings)
    if as_json:
        document = {
            "ok": not wrong,
            "findings": [{"topic": f.topic, "level": f.level, "says": f.says} for f in findings],
        }
        print(json.dumps(document, indent=2))
    else:
        Console().print(_findings_table(findings))
    raise typer.Exit(ExitCode.ANSWER_NO if wrong else ExitCode.OK)


@app.command()
def calibrate(
    station: StationOption,
    sensor: Annotated[list[str] | None, typer.Option(help="Only this sensor; may be repeated.")] = None,
    places: Annotated[str, typer.Option(help="Where the target is held, mm from nominal.")] = "-10,0,10",
    hold_s: Annotated[float, typer.Option(min=0.2, max=60.0, help="How long each place is read.")] = 2.0,
    placement_mm: Annotated[
        float, typer.Option(min=0.001, max=10.0, help="How well the target can be placed (standard error).")
    ] = 0.1,
    bend_mm: Annotated[
        float, typer.Option(min=0.01, max=50.0, help="How far off the straight line a place may lie.")
    ] = 0.5,
    port: Annotated[str | None, typer.Option(help="Instead of the station file's port.")] = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Write without asking.")] = False,
) -> None:
    """Hold a target at known places, get each sensor's zero and scale, write them into the station file."""
    loaded = load_station(station)
    wanted = _wanted_sensors(loaded, sensor or [])
    at_mm = _parse_places(places)
    console = Console(highlight=False, soft_wrap=True)
    console.print(CAUTION)
    console.print(
        "Positive is to the right of a person who looks the way the carrying side of the belt travels. "
        "0 is the edge's nominal place."
    )
    text = station.read_bytes().decode("utf-8")
    changed = 0
    with Listening(port or loaded.serial.port, loaded.serial.baud) as board:
        for one in wanted:
            held = [_hold(console, board, one, mm, hold_s) for mm in at_mm]
            result = gauge(
                held,
                one.channel,
                placement_mm=placement_mm,
                bend_limit_mm=bend_mm,
                before_counts_per_mm=one.counts_per_mm,
            )
            _print_gauged(console, one, result, loaded.limits.edge_stop_mm)
            if not result.faults:
                text = with_sensor_numbers(text, one.name, _numbers(result), str(station))
                changed += 1
    if changed and (yes or typer.confirm(f"Write {changed} of {len(wanted)} sensors into {station}?")):
        write_station_text(station, text)
        console.print(f"Written: {station}")
    raise typer.Exit(ExitCode.OK if changed == len(wanted) else ExitCode.ANSWER_NO)


@app.command()
def watch(
    port: Annotated[
        str | None, typer.Argument(metavar="[PORT]", help="Instead of the station file's.")
    ] = None,
    station: Annotated[
        Path | None,
        typer.Option("--station", "-s", envvar="RUNIN_STATION", help="For names and millimetres."),
    ] = None,
    baud: Annotated[int | None, typer.Option(help="Instead of the station file's.")] = None,
    seconds: Annotated[float, typer.Option(min=0.1, help="How long.")] = 86_400.0,
) -> None:
    """Show raw counts and millimetres live, until Ctrl-C."""
    loaded = load_station(station) if station is not None else None
    address = port or (loaded.serial.port if loaded is not None else None)
    if address is None:
        raise UsageError("runin board watch: expected a PORT, or --station with a station file")
    speed = baud or (loaded.serial.baud if loaded is not None else DEFAULT_BAUD)
    with Listening(address, speed) as board:
        if not sys.stdout.isatty():
            for block in _refreshes(board, seconds):
                print(_plain_line(block, loaded), flush=True)
            return
        with Live(auto_refresh=False) as live:
            try:
                for block in _refreshes(board, seconds):
                    live.update(_watch_table(block, loaded), refresh=True)
            except KeyboardInterrupt:
                return


# ---------------------------------------------------------------- pieces of check and watch


def _findings_table(findings: Sequence[Finding]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    table.add_column("topic", no_wrap=True)
    table.add_column("what is to be said of it", overflow="fold")
    for finding in findings:
        style = {"wrong": "bold red", "doubtful": "yellow"}.get(finding.level, "")
        table.add_row(MARKS[finding.level], finding.topic, finding.says, style=style)
    return table


def _refreshes(board: Listening, seconds: float) -> Iterator[EdgeBlock]:
    """What came since the last refresh, a few times a second."""
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0.0:
        blocks = [record for record in board.records(min(REFRESH_S, left_s)) if isinstance(record, EdgeBlock)]
        width = blocks[-1].counts.shape[1] if blocks else 0
        blocks = [block for block in blocks if block.counts.shape[1] == width]
        if blocks:
            yield EdgeBlock(
                np.concatenate([block.time_us for block in blocks]),
                np.concatenate([block.flags for block in blocks]),
                np.concatenate([block.counts for block in blocks]),
                np.concatenate([block.lost for block in blocks]),
            )


def _rows(block: EdgeBlock, station: Station | None) -> list[tuple[str, int, float, float]]:
    """Name, channel, mean counts and mean millimetres (NaN: not known) of everything on the board."""
    counts = block.counts.mean(axis=0)
    names = {one.channel: (at, one.name) for at, one in enumerate(station.sensor)} if station else {}
    edges_mm = Calibration(station).edges(block)[0] if station else np.empty((len(block.counts), 0))
    rows = []
    for channel, mean in enumerate(counts):
        at, name = names.get(channel, (-1, f"channel {channel}"))
        column = edges_mm[:, at] if at >= 0 else np.array([math.nan])
        seen = column[np.isfinite(column)]
        rows.append((name, channel, float(mean), float(seen.mean()) if len(seen) else math.nan))
    return rows


def _plain_line(block: EdgeBlock, station: Station | None) -> str:
    parts = [
        f"{name} {counts:.0f}" + ("" if math.isnan(mm) else f" {mm:+.2f} mm")
        for name, _, counts, mm in _rows(block, station)
    ]
    return f"{block.time_us[-1] / 1e6:.2f} s  " + "  ".join(parts)


def _watch_table(block: EdgeBlock, station: Station | None) -> Table:
    table = Table(title=f"{block.time_us[-1] / 1e6:.1f} s of the board's clock; Ctrl-C ends")
    for heading in ("sensor", "channel", "counts", "mm"):
        table.add_column(heading, justify="left" if heading == "sensor" else "right")
    for name, channel, counts, mm in _rows(block, station):
        table.add_row(name, str(channel), f"{counts:.0f}", "not known" if math.isnan(mm) else f"{mm:+.2f}")
    return table


# ---------------------------------------------------------------- pieces of calibrate


def _wanted_sensors(station: Station, names: Sequence[str]) -> list[Sensor]:
    known = {one.name: one for one in station.sensor}
    for name in names:
        if name not in known:
            raise UsageError(f"--sensor {name}: expected one of {', '.join(known)}")
    return [known[name] for name in names] if names else list(station.sensor)


def _parse_places(text: str) -> list[float]:
    try:
        at_mm = [float(part) for part in text.replace(";", ",").split(",")]
    except ValueError:
        at_mm = []
    if len(set(at_mm)) < 2 or not all(abs(mm) <= 1000.0 for mm in at_mm):
        raise UsageError(f"--places {text}: expected two or more different numbers of mm, such as -10,0,10")
    return at_mm


def _hold(console: Console, board: Listening, sensor: Sensor, at_mm: float, hold_s: float) -> Place:
    side = (
        "at the edge's nominal place" if at_mm == 0 else f"{abs(at_mm):g} mm to the {_side(at_mm)} of nominal"
    )
    typer.prompt(f"{sensor.name}: hold the target {side}, then press Enter", default="", show_default=False)
    counts = board.samples(hold_s)
    if sensor.channel >= counts.shape[1]:
        raise UsageError(
            f"{sensor.name} is on channel {sensor.channel}, "
            f"but the board has only channels 0 to {counts.shape[1] - 1}"
        )
    own = counts[:, sensor.channel]
    console.print(f"  {len(own)} samples, {own.mean():.1f} counts, standard deviation {own.std():.1f}")
    return Place(at_mm, counts)


def _side(at_mm: float) -> str:
    return "right" if at_mm > 0 else "left"


def _numbers(result: Gauged) -> dict[str, float | int]:
    return {"zero_counts": round(result.zero_counts, 1), "counts_per_mm": round(result.counts_per_mm, 3)}


def _print_gauged(console: Console, sensor: Sensor, result: Gauged, edge_stop_mm: float) -> None:
    known: dict[str, Any] = plain({"zero": result.zero_counts, "scale": result.counts_per_mm})
    if known["zero"] is not None and known["scale"] is not None:
        console.print(
            f"{sensor.name}: zero {result.zero_counts:.1f} +/- {result.zero_se_counts:.1f} counts, "
            f"{result.counts_per_mm:.3f} +/- {result.counts_per_mm_se:.3f} counts/mm, "
            f"farthest place {result.bend_mm:.3f} mm off the line, sample noise {result.noise_mm:.3f} mm, "
            f"reads from {result.low_mm:.1f} to {result.high_mm:.1f} mm"
        )
        if min(-result.low_mm, result.high_mm) < edge_stop_mm:
            console.print(f"  note: it cannot see edge_stop_mm = {edge_stop_mm:g} mm on both sides")
    for remark in result.remarks:
        console.print(f"  note: {remark}")
    for fault in result.faults:
        console.print(f"  NOT USED: {fault}")
