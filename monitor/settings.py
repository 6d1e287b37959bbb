"""The typed station file: one run-in bay, its board, its sensors, its conveyor and the limits.

What it decides: whether a station file can be used at all. A wrong one is refused at the start, with one
line for each fault that names the file, the key, the value and what is allowed; nothing is guessed.
Attribute names equal the TOML keys. Every key of the published station file is here with its meaning
unchanged; the keys this program adds have defaults. The ranges are generous bounds of what a slider-bed
conveyor can be; their purpose is to catch slips (a metre typed for a millimetre), not to judge designs.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic.fields import FieldInfo

from monitor.errors import StationFileError
from monitor.records import Hello, Pulley, Side

T = TypeVar("T")

MAX_FILE_BYTES = 65_536  # a station file is about 1 kB; more than this is some other file
MAX_DOTS = 100  # in one line; each dot of a key is a level of nesting, and reading many of them is slow
MAX_CHANNELS = 20  # an E record of at most 120 bytes before its * has room for (120 - 18) // 5
NAME_PATTERN = r"[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?"  # goes into topics and folder names
BUTTON_PATTERN = (
    r"move (infeed|snub) (left|right) [+-]((?!0{1,2}(\.0{1,2})?$)[0-9]{1,2}(\.[0-9]{1,2})?)?"
    r"|move as advised|stage-done|acknowledge|note .{1,80}"
)


def _number(low: float, high: float, unit: str, meaning: str, default: Any = ...) -> Any:
    """A finite number from low to high, ends included, with its unit and meaning for the documents."""
    extra: dict[str, Any] = {"unit": unit}
    return Field(default, ge=low, le=high, allow_inf_nan=False, description=meaning, json_schema_extra=extra)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Bay(_Table):
    site: str = Field(pattern=f"^{NAME_PATTERN}$", description="used in topics and folder names")
    name: str = Field(pattern=f"^{NAME_PATTERN}$", description="the bay's name, likewise")


class Serial(_Table):
    port: str = Field(
        min_length=1, max_length=400, description="a device path, or an address serial_for_url takes"
    )
    baud: int = _number(300, 12_000_000, "Bd", "line speed", 115_200)


class Mqtt(_Table):
    host: str = Field("", pattern=r"^[A-Za-z0-9._:\[\]%-]{0,253}$", description="left out: no broker")
    port: int = _number(1, 65_535, "", "1883 is usual, 8883 with TLS", 1883)
    protocol: Literal["auto", "5", "3.1.1"] = Field("auto", description="MQTT version; auto tries 5 first")
    username: str | None = Field(None, max_length=200, description="user name at the broker")
    password_file: str | None = Field(None, description="file that holds the password and nothing else")
    ca_file: str | None = Field(None, description="certificate authority, PEM")
    cert_file: str | None = Field(None, description="own certificate, PEM")
    key_file: str | None = Field(None, description="own private key, PEM")
    tls: bool | None = Field(None, description="left out: TLS when ca_file or cert_file is given")

    @field_validator("protocol", mode="before")
    @classmethod
    def _number_five_is_fine(cls, value: object) -> object:
        return "5" if type(value) is int and value == 5 else value

    @model_validator(mode="after")
    def _check(self) -> Mqtt:
        faults = []
        if (self.cert_file is None) != (self.key_file is None):
            faults.append("cert_file and key_file: give both or neither")
        if self.password_file is not None and self.username is None:
            faults.append("username: is needed with password_file")
        if self.tls is False and (self.ca_file or self.cert_file):
            faults.append("tls = false: contradicts ca_file or cert_file")
        return _passed(self, faults)

    @property
    def encrypted(self) -> bool:
        """True when the connection uses TLS."""
        return bool(self.ca_file or self.cert_file) if self.tls is None else self.tls


SPARKPLUG_ID = r"^[^+/#\x00-\x1f\x7f]{0,100}$"  # as the specification has it, and no control characters


class Sparkplug(_Table):
    """The second encoding of what is said, for SCADA hosts. Where the broker's keys are left out, [mqtt]'s hold."""

    group_id: str = Field("", pattern=SPARKPLUG_ID, description="Sparkplug Group ID; left out: off")
    edge_node_id: str = Field("", pattern=SPARKPLUG_ID, description="Edge Node ID; left out: the bay's name")
    primary_host_id: str = Field(
        "",
        pattern=SPARKPLUG_ID,
        description="wait for this Host Application's STATE; left out: wait for none",
    )
    host: str = Field("", pattern=r"^[A-Za-z0-9._:\[\]%-]{0,253}$", description="left out: [mqtt]'s broker")
    port: int | None = _number(1, 65_535, "", "left out: as in [mqtt], or 1883", None)
    protocol: Literal["3.1.1", "5"] = Field("3.1.1", description="MQTT version")
    username: str | None = Field(None, max_length=200, description="user name at the broker")
    password_file: str | None = Field(None, description="file that holds the password and nothing else")
    ca_file: str | None = Field(None, description="certificate authority, PEM")
    cert_file: str | None = Field(None, description="own certificate, PEM")
    key_file: str | None = Field(None, description="own private key, PEM")
    tls: bool | None = Field(None, description="left out: TLS when ca_file or cert_file is given")


class Belt(_Table):
    width_mm: float = _number(50, 3000, "mm", "belt width")
    length_mm: float | None = _number(
        500, 1_000_000, "mm", "endless length, a few percent may be wrong; may be left out with marks", None
    )
    speed_mps: float = _number(0.005, 10, "m/s", "nominal speed, a few percent may be wrong")


class Conveyor(_Table):
    bearing_spacing_mm: float = _number(
        50, 5000, "mm", "between the two take-up bearings of the infeed pulley"
    )
    pulley_diameter_mm: float = _number(20, 2000, "mm", "infeed pulley")
    carry_length_mm: float = _number(
        100, 1_000_000, "mm", "belt path from the infeed to the drive sensor, in the direction of travel"
    )
    mark_offset_mm: float = _number(
        -1_000_000, 1_000_000, "mm", "belt path from the infeed to the mark sensor, direction of travel", 0.0
    )
    marks: bool = Field(True, description="false: no mark sensor is fitted")
    ticks_per_pulley_turn: int = _number(0, 100_000, "", "0: no tick sensor is fitted", 0)


class Sensor(_Table):
    name: str = Field(pattern=f"^{NAME_PATTERN}$", description="a-z 0-9 and -; used in topics")
    channel: int = _number(0, MAX_CHANNELS - 1, "", "channel of the E record, from 0")
    pulley: Pulley = Field(description="infeed or drive")
    edge: Side = Field(description="which belt edge it looks at: left or right")
    zero_counts: float = _number(0, 65_535, "counts", "when the edge is at its nominal place")
    counts_per_mm: float = _number(
        -65_535, 65_535, "counts/mm", "negative when counts fall as the edge moves right"
    )

    @field_validator("counts_per_mm")
    @classmethod
    def _not_flat(cls, value: float) -> float:
        if abs(value) < 0.1:
            raise ValueError("must not be within 0.1 of zero")
        return value


class Limits(_Table):
    centre_mm: float = _number(0.05, 500, "mm", "a tracked belt stays within this of its target")
    drift_mm_per_rev: float = _number(0.001, 100, "mm/rev", "smallest true walk worth an alarm")
    wobble_mm: float = _number(0.05, 500, "mm", "smallest departure of a section worth an alarm")
    width_mm: float = _number(
        0.05,
        500,
        "mm",
        "smallest damage of one edge, or change of width, worth a note (both edges seen)",
        2.0,
    )
    edge_warn_mm: float = _number(0.1, 1000, "mm", "actual edge this far from nominal: warn")
    edge_stop_mm: float = _number(0.2, 1000, "mm", "actual edge this far from nominal: stop and call")

    @model_validator(mode="after")
    def _check(self) -> Limits:
        faults = []
        if not self.centre_mm < self.edge_warn_mm:
            faults.append(
                f"centre_mm = {self.centre_mm:g}: must be below edge_warn_mm = {self.edge_warn_mm:g}"
            )
        if not self.edge_warn_mm < self.edge_stop_mm:
            faults.append(
                f"edge_warn_mm = {self.edge_warn_mm:g}: must be below edge_stop_mm = {self.edge_stop_mm:g}"
            )
        return _passed(self, faults)


class Procedure(_Table):
    move_mm: float = _number(0.1, 25, "mm", "the usual single move (common practice: about 1/16 in)", 1.6)
    settle_revs: int = _number(1, 100, "", "full revolutions to wait after a move (common practice)", 3)
    hold_minutes: float = _number(0.1, 1440, "min", "how long a tracked belt must hold", 15.0)
    wrench_step_mm: float = _number(0.01, 10, "mm", "smallest move a technician can make well", 0.5)
    screw_pitch_mm: float | None = _number(
        0.2, 20, "mm", "what a take-up screw moves in one turn; given, advice tells turns, too", None
    )
    takeup_range_mm: float = _number(1, 2000, "mm", "travel of a take-up screw, end to end", 50.0)
    level_tolerance_mm_per_m: float = _number(0.01, 50, "mm/m", "frame and shafts level within", 1.0)
    square_tolerance_mm: float = _number(0.1, 100, "mm", "difference of the two diagonals", 3.0)
    elongation_min_percent: float = _number(0, 10, "%", "least elongation after tensioning", 0.3)
    elongation_max_percent: float = _number(0.01, 20, "%", "most elongation after tensioning", 1.0)
    camber_tolerance_percent: float = _number(0.01, 5, "%", "belt camber that is still accepted", 0.25)
    k1_n_per_mm: float | None = _number(0.1, 500, "N/mm", "belt force per mm width at 1 % elongation", None)
    units: Literal["mm", "inch"] = Field("mm", description="what people read; files are always mm")

    @model_validator(mode="after")
    def _check(self) -> Procedure:
        low, high = self.elongation_min_percent, self.elongation_max_percent
        if low < high:
            return self
        raise ValueError(f"elongation_min_percent = {low:g}: must be below elongation_max_percent = {high:g}")


class Log(_Table):
    folder: str = Field("logs", min_length=1, max_length=400, description="where run logs are kept")


class Station(_Table):
    """The whole station file. Constructing one runs every check; `parse_station` words the faults."""

    bay: Bay
    serial: Serial
    mqtt: Mqtt | None = None
    sparkplug: Sparkplug | None = None
    belt: Belt
    conveyor: Conveyor
    sensor: tuple[Sensor, ...] = Field(min_length=1, max_length=MAX_CHANNELS, strict=False)
    limits: Limits
    procedure: Procedure = Field(default_factory=lambda: Procedure.model_validate({}))
    buttons: dict[str, str] = Field(default_factory=dict)
    log: Log = Field(default_factory=lambda: Log.model_validate({}))

    @field_validator("mqtt")
    @classmethod
    def _no_host_no_broker(cls, value: Mqtt | None) -> Mqtt | None:
        return value if value is not None and value.host else None

    @field_validator("sparkplug")
    @classmethod
    def _no_group_no_sparkplug(cls, value: Sparkplug | None) -> Sparkplug | None:
        return value if value is not None and value.group_id else None

    @model_validator(mode="after")
    def _check(self) -> Station:
        faults = [*_sensor_faults(self), *_geometry_faults(self), *_button_faults(self)]
        return _passed(self, faults + list(_sparkplug_faults(self)))

    def sparkplug_broker(self) -> Mqtt | None:
        """Where the Sparkplug connection goes: its own keys, else those of [mqtt]; None: it is off.

        A host of its own means a broker of its own: then nothing of [mqtt] is taken over.
        """
        own = self.sparkplug
        if own is None:
            return None
        keys = ("host", "port", "username", "password_file", "ca_file", "cert_file", "key_file", "tls")
        given = {key: getattr(own, key) for key in keys if getattr(own, key) not in ("", None)}
        inherited = {} if own.host or self.mqtt is None else self.mqtt.model_dump()
        return Mqtt.model_validate({**inherited, **given, "protocol": own.protocol})

    @property
    def channels_needed(self) -> int:
        """How many channels an E record must carry at least."""
        return 1 + max(sensor.channel for sensor in self.sensor)


def _passed(table: T, faults: list[str]) -> T:
    if faults:
        raise ValueError("\n".join(faults))
    return table


def _sensor_faults(station: Station) -> Iterator[str]:
    names = Counter(sensor.name for sensor in station.sensor)
    channels = Counter(sensor.channel for sensor in station.sensor)
    yield from (
        f'[[sensor]] name = "{n}": given {k} times, each sensor needs its own'
        for n, k in names.items()
        if k > 1
    )
    yield from (
        f"[[sensor]] channel = {c}: given {k} times, each sensor needs its own"
        for c, k in channels.items()
        if k > 1
    )
    yield from (
        f'[[sensor]] name = "{n}": is already the name of a place; choose another'
        for n in names
        if n in ("bay", "infeed", "drive")
    )


def _geometry_faults(station: Station) -> Iterator[str]:
    length_mm, conveyor = station.belt.length_mm, station.conveyor
    if length_mm is None:
        if not conveyor.marks and conveyor.ticks_per_pulley_turn == 0:
            yield "[belt] length_mm: is needed when there are neither marks nor ticks"
        return
    longest_mm = 1.1 * length_mm  # the length itself may be a few percent wrong
    for key in ("carry_length_mm", "mark_offset_mm"):
        path_mm = getattr(conveyor, key)
        if abs(path_mm) >= longest_mm:
            yield f"[conveyor] {key} = {path_mm:g}: must be shorter than the belt, length_mm = {length_mm:g}"


def _sparkplug_faults(station: Station) -> Iterator[str]:
    if station.sparkplug is None:
        return
    if not station.sparkplug.host and station.mqtt is None:
        yield "[sparkplug] host: is needed when [mqtt] names no broker"
        return
    try:
        station.sparkplug_broker()
    except ValidationError as error:
        for fault in error.errors(include_url=False):
            yield from (f"[sparkplug] {line}" for line in str(fault["ctx"]["error"]).split("\n"))


def _button_faults(station: Station) -> Iterator[str]:
    for key, action in station.buttons.items():
        if not re.fullmatch("[1-9][0-9]{0,2}|0", key) or int(key) > 255:
            yield f"[buttons] {_shown(key)}: the key must be the button's number, 0 to 255"
        if not re.fullmatch(BUTTON_PATTERN, action):
            yield (
                f"[buttons] {_shown(key)} = {_shown(action)}: must be 'move as advised', 'move infeed left +' (or "
                "snub, right, -, with an amount in mm if it is not the usual), 'stage-done', 'acknowledge' or "
                "'note ...'"
            )


# ---------------------------------------------------------------- from text to a Station


def parse_station(text: str, name: str = "station.toml") -> Station:
    """The Station that a station file's text describes. Raises StationFileError, one line a fault."""
    if len(text) > MAX_FILE_BYTES:
        raise StationFileError(name, [f"is longer than {MAX_FILE_BYTES} bytes, so it is no station file"])
    too_deep = StationFileError(name, ["is nested too deeply, so it is no station file"])
    if any(line.count(".") > MAX_DOTS for line in text.split("\n")):
        raise too_deep
    try:
        tables = tomllib.loads(text)
    except RecursionError:
        raise too_deep from None
    except ValueError as error:
        raise StationFileError(name, [f"is not valid TOML: {_one_line(str(error))}"]) from None
    try:
        return Station.model_validate(tables)
    except ValidationError as error:
        faults = [line for fault in error.errors(include_url=False) for line in _worded(dict(fault), tables)]
        raise StationFileError(name, faults) from None


def load_station(path: str | Path) -> Station:
    """Reads a station file. Raises StationFileError when it is missing, unreadable or wrong."""
    path = Path(path)
    name = _one_line(str(path))
    try:
        if not path.is_file():
            raise StationFileError(name, ["there is no such file" if not path.exists() else "is not a file"])
        with path.open("rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise StationFileError(name, ["is not UTF-8 text, so it is no station file"]) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise StationFileError(name, [f"cannot be read: {_one_line(why)}"]) from None
    return parse_station(text, name)


def check_against_hello(station: Station, hello: Hello) -> list[str]:
    """One sentence for each sensor whose channel the board that talks does not have."""
    return [
        f"sensor {sensor.name} is on channel {sensor.channel}, but board {hello.board:08X} has only "
        f"channels 0 to {hello.channels - 1}"
        for sensor in station.sensor
        if sensor.channel >= hello.channels
    ]


# ---------------------------------------------------------------- wording the faults


def _worded(fault: dict[str, Any], tables: dict[str, Any]) -> list[str]:
    loc, kind, given = tuple(fault["loc"]), str(fault["type"]), fault["input"]
    place = _place(loc, tables)
    if kind == "value_error":
        lines = str(fault["ctx"]["error"]).split("\n")
        own_value = "" if isinstance(given, (dict, BaseModel)) else f" = {_shown(given)}:"
        return [f"{place}{own_value} {line}".strip() for line in lines]
    if kind == "missing":
        return [f"{place}: is missing; expected {_allowed(_field_at(loc))}"]
    if kind == "extra_forbidden":
        return [f"{place}: is not a key of the station file{_near(loc)}"]
    field = _field_at(loc)
    hint = _unit_hint(str(loc[-1]), given, field)
    return [f"{place} = {_shown(given)}: expected {_allowed(field)}{hint}"]


def _place(loc: tuple[int | str, ...], tables: dict[str, Any]) -> str:
    """`[belt] width_mm`, `[[sensor]] 2 (drive-left) channel`: where in the file, as a person reads it."""
    if not loc:
        return ""
    if loc[0] == "sensor" and len(loc) > 1 and isinstance(loc[1], int):
        entry = tables["sensor"][loc[1]]
        label = entry.get("name") if isinstance(entry, dict) else None
        known = f" ({_one_line(label)})" if isinstance(label, str) else ""
        return " ".join([f"[[sensor]] {loc[1] + 1}{known}", *map(_one_key, loc[2:])])
    brackets = f"[[{loc[0]}]]" if loc[0] == "sensor" else f"[{_one_key(loc[0])}]"
    return " ".join([brackets, *map(_one_key, loc[1:])])


def _one_key(key: int | str) -> str:
    text = str(key)
    return text if re.fullmatch("[A-Za-z0-9_-]{1,60}", text) else _shown(text)


def _field_at(loc: tuple[int | str, ...]) -> FieldInfo | None:
    """The model field that a fault's location speaks of, or None."""
    table: Any = Station
    field: FieldInfo | None = None
    for key in (key for key in loc if isinstance(key, str)):
        fields: dict[str, FieldInfo] = getattr(table, "model_fields", {})
        field = fields.get(key)
        if field is None:
            return None
        table = _TABLES.get(key)
    return field


_TABLES: dict[str, type[_Table]] = {
    "bay": Bay,
    "serial": Serial,
    "mqtt": Mqtt,
    "sparkplug": Sparkplug,
    "belt": Belt,
    "conveyor": Conveyor,
    "sensor": Sensor,
    "limits": Limits,
    "procedure": Procedure,
    "log": Log,
}


def _bounds(field: FieldInfo | None) -> tuple[float, float] | None:
    found = {}
    for rule in field.metadata if field is not None else ():
        found.update({key: getattr(rule, key) for key in ("ge", "le") if hasattr(rule, key)})
    return (found["ge"], found["le"]) if len(found) == 2 else None


def _allowed(field: FieldInfo | None) -> str:
    """What a key may hold, in words: `a number from 50 to 3000 mm`."""
    if field is None:
        return "another kind of value"
    bounds = _bounds(field)
    if bounds is not None:
        kind = "a whole number" if field.annotation is int else "a number"
        extra = field.json_schema_extra
        unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
        return f"{kind} from {bounds[0]:.10g} to {bounds[1]:.10g} {unit}".rstrip()
    choices = getattr(field.annotation, "__args__", ())
    if choices and all(isinstance(choice, str) for choice in choices):
        return "one of " + ", ".join(f'"{choice}"' for choice in choices)
    if field.annotation is bool or field.annotation == (bool | None):
        return "true or false"
    if any(f"^{NAME_PATTERN}$" == getattr(rule, "pattern", None) for rule in field.metadata):
        return "a text of 1 to 40 characters a-z, 0-9 and - (not at an end)"
    if field.annotation == tuple[Sensor, ...]:
        return f"1 to {MAX_CHANNELS} tables [[sensor]]"
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
        return "a table with " + ", ".join(field.annotation.model_fields)
    return f"a text: {field.description}" if field.description else "a table"


def _unit_hint(key: str, given: object, field: FieldInfo | None) -> str:
    """A guess at the unit that was meant, when the number would be fine in another one."""
    bounds = _bounds(field)
    if bounds is None or not isinstance(given, (int, float)) or isinstance(given, bool):
        return ""
    guesses: tuple[tuple[float, str], ...] = ()
    if key.endswith("_mm") and abs(given) < bounds[0]:
        guesses = ((1000.0, "metres"), (25.4, "inches"))
    elif key == "speed_mps" and given > bounds[1]:
        guesses = ((1 / 1000, "mm/s"),) if given > 200 else ((1 / 60, "m/min"), (0.00508, "ft/min"))
    likely = [
        f"{float(f'{given * k:.5g}'):.10g} if {unit} were meant"
        for k, unit in guesses
        if bounds[0] <= given * k <= bounds[1]
    ]
    if key.endswith("_mm"):
        likely = likely[:1]
    return f"; a likely slip of unit: {' or '.join(likely)}" if likely else ""


def _near(loc: tuple[int | str, ...]) -> str:
    """What the unknown key may have been meant to be."""
    key = str(loc[-1])
    if key == "password":
        return "; the password belongs in a file of its own, named by password_file"
    tables = [part for part in loc[:-1] if isinstance(part, str)]
    known = list((_TABLES[tables[-1]] if tables and tables[-1] in _TABLES else Station).model_fields)
    close = difflib.get_close_matches(key[:60], known, n=1, cutoff=0.75)
    return f"; did you mean {close[0]}?" if close else "; known are " + ", ".join(known)


def _shown(given: object) -> str:
    """A value as a person wrote it, on one line and never long."""
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, (dict, BaseModel)):
        return "{table}"
    if isinstance(given, (list, tuple)):
        return "[list]"
    if isinstance(given, int) and abs(given) >= 10**18:
        return "(a very long number)"
    if isinstance(given, str):
        return f'"{_one_line(given)}"'
    return _one_line(repr(given) if isinstance(given, (int, float)) else str(given))


def _one_line(text: str) -> str:
    """Without control characters, at most 120 characters."""
    clean = "".join(c if c.isprintable() else "?" for c in text[:121])
    return clean if len(clean) <= 120 else clean[:117] + "..."


# ---------------------------------------------------------------- for the documents


def station_toml_for_docs() -> str:
    """Every key with its meaning, allowed values and default, as a commented station file."""
    lines: list[str] = []
    for table, model in _TABLES.items():
        lines += ["", f"[[{table}]]" if table == "sensor" else f"[{table}]"]
        for key, field in model.model_fields.items():
            default = (
                ""
                if field.is_required()
                else f"; default {_shown(field.default) if field.default is not None else 'none'}"
            )
            rule = "" if _allowed(field).startswith("a text:") else f"; {_allowed(field)}"
            lines.append(f"# {key}: {field.description}{rule}{default}")
    return "\n".join(lines[1:]) + "\n"
