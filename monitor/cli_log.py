"""`runin log ...`: what a technician says to a running service, sent as MQTT requests.

Each command prints the service's answer in one line; nothing is changed unless the service accepted it.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from monitor.errors import EntryError, UsageError
from monitor.procedure import setup
from monitor.procedure.words import INCH_MM
from monitor.records import STAGES
from monitor.response.geometry import expected_gain
from monitor.settings import load_station

app = typer.Typer(
    help="Tell a running service what was done: a move, a stage, another belt; or that an alarm was seen.",
    no_args_is_help=True,
)
StationOption = Annotated[
    Path,
    typer.Option(
        "--station",
        "-s",
        envvar="RUNIN_STATION",
        help="Station file of the bay to speak to (or RUNIN_STATION).",
    ),
]
ByOption = Annotated[str, typer.Option("--by", envvar="RUNIN_BY", help="Who says so.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


def send(station: Path, what: str, request: dict[str, Any], as_json: bool, done: str) -> None:
    """Ask the bay's service; print what it answered. Raises EntryError when it refused."""
    from monitor.outside.asking import ask

    known = load_station(station)
    if known.mqtt is None:
        raise UsageError(f"{station}: has no [mqtt] host, so there is no broker to reach the service by")
    answer = ask(known, what, {key: value for key, value in request.items() if value not in (None, "")})
    if as_json:
        print(json.dumps(answer))
    if not answer.get("ok"):
        raise EntryError(f"the service did not accept this: {answer.get('why', 'no reason given')}")
    if not as_json:
        print(done)
    if answer.get("warning"):
        print(f"runin: {answer['warning']}", file=sys.stderr)


@app.command(context_settings={"ignore_unknown_options": True})  # so that -0.8 is an amount
def move(
    where: Annotated[str, typer.Argument(help="infeed or snub")],
    side: Annotated[str, typer.Argument(help="left or right: whose bearing was moved")],
    amount: Annotated[
        str,
        typer.Argument(help="mm, or inches as 1/16in; positive: away from the other pulley, tighter"),
    ],
    station: StationOption,
    t_s: Annotated[
        float | None, typer.Option("--at", help="When it was made, s on the board's clock.")
    ] = None,
    by: ByOption = "",
    as_json: JsonOption = False,
) -> None:
    """A take-up move was made. Examples: runin log move infeed left 1.6; runin log move snub right -1/32in"""
    amount_mm = length_mm(amount)
    request = {"where": where, "side": side, "amount_mm": amount_mm, "t_s": t_s, "by": by}
    send(station, "move", request, as_json, f"Logged: {where} {side} {amount_mm:+.4g} mm.")


@app.command()
def stage(
    what: Annotated[str, typer.Argument(help="done or enter")],
    name: Annotated[str, typer.Argument(help="one of " + ", ".join(STAGES))],
    station: StationOption,
    measured: Annotated[
        list[str] | None,
        typer.Option("--measured", "-m", help="A measurement, NAME=VALUE; may be repeated."),
    ] = None,
    by: ByOption = "",
    as_json: JsonOption = False,
) -> None:
    """A stage of the run-in is done, or entered again. Set-up takes measurements and judges them.

    Example: runin log stage done set-up -m level_along_mm_per_m=0.4 -m square_left_mm=1203 -m square_right_mm=1201.
    Others: level_across_mm_per_m; diagonal_1_mm and diagonal_2_mm; marks_before_mm and marks_after_mm; slides=yes.
    """
    if what not in ("done", "enter"):
        raise UsageError(f"{what}: expected done or enter")
    found = dict(map(measurement, measured or []))
    if name == "set-up" and (faults := setup.unusable(found)):
        raise UsageError(f"-m {faults[0]}")
    request: dict[str, Any] = {what: name, "measurements": found, "by": by}
    if not found:
        del request["measurements"]
    done = f"Logged: stage {name} {'done' if what == 'done' else 'entered'}."
    if (what, name) == ("done", "set-up"):
        known = load_station(station)
        marks = {True: "good", False: "NOT GOOD", None: "not made"}
        judged = setup.judge(found, known, expected_gain(known))
        done += "".join(f"\n  {marks[f.good]}: {f.text}" for f in judged)
    send(station, "stage", request, as_json, done)


@app.command()
def note(
    text: Annotated[str, typer.Argument(help="What to write down.")],
    station: StationOption,
    by: ByOption = "",
    as_json: JsonOption = False,
) -> None:
    """Write a remark into the belt's log."""
    send(station, "note", {"text": text, "by": by}, as_json, "Logged.")


@app.command()
def belt(
    serial: Annotated[str, typer.Argument(help="The belt's serial number.")],
    station: StationOption,
    length_mm: Annotated[float | None, typer.Option(help="Its endless length, if it differs.")] = None,
    customer_ref: Annotated[str, typer.Option(help="The customer's order or machine number.")] = "",
    note: Annotated[str, typer.Option(help="A remark for its log.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Another belt is on: end the last one's log and start one for this."""
    request = {"serial": serial, "length_mm": length_mm, "customer_ref": customer_ref, "note": note}
    send(station, "belt", request, as_json, f"A new log was started for belt {serial}.")


@app.command()
def acknowledge(
    where: Annotated[str, typer.Argument(help="A pulley, a sensor's name, or bay.")],
    name: Annotated[str, typer.Argument(help="The alarm; see runin alarms.")],
    station: StationOption,
    by: ByOption = "",
    as_json: JsonOption = False,
) -> None:
    """Say that you have seen an alarm."""
    send(
        station,
        "acknowledge",
        {"where": where, "name": name, "by": by},
        as_json,
        f"Acknowledged: {where} {name}.",
    )


@app.command()
def shelve(
    where: Annotated[str, typer.Argument(help="A pulley, a sensor's name, or bay.")],
    name: Annotated[str, typer.Argument(help="The alarm; see runin alarms.")],
    minutes: Annotated[float, typer.Argument(min=0, help="For how long, at most 30; 0: no longer.")],
    why: Annotated[str, typer.Argument(help="Why it is a nuisance.")],
    station: StationOption,
    by: ByOption = "",
    as_json: JsonOption = False,
) -> None:
    """Silence a nuisance alarm for a bounded time."""
    request = {"where": where, "name": name, "minutes": minutes, "why": why, "by": by}
    done = f"Shelved for {minutes:g} minutes" if minutes else "Shelved no longer"
    send(station, "shelve", request, as_json, f"{done}: {where} {name}.")


def length_mm(text: str) -> float:
    """`1.6`, `-0.8`, `1/16in`, `-1 1/32in`: a length in mm. Raises UsageError."""
    number = re.fullmatch(r"([+-]?)(?:(\d+)\s+)?(\d+(?:\.\d*)?|\.\d+)(?:/(\d+))?\s*(in|mm)?", text.strip())
    if number is None or (number[4] and (number[5] != "in" or int(number[4]) == 0)):
        raise UsageError(f"{text}: expected an amount such as 1.6, -0.8, 1/16in")
    size = float(number[2] or 0) + float(number[3]) / float(number[4] or 1)
    return (-1.0 if number[1] == "-" else 1.0) * size * (INCH_MM if number[5] == "in" else 1.0)


def measurement(text: str) -> tuple[str, float | str]:
    """`level_mm=0.4` as a pair; a number where it is one."""
    name, separator, value = text.partition("=")
    if not separator or not name:
        raise UsageError(f"{text}: expected NAME=VALUE, for example level_mm_per_m=0.4")
    try:
        return name, float(value)
    except ValueError:
        return name, value
