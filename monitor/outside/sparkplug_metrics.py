"""What a bay says in Sparkplug: its metrics by name, type, unit and meaning, and their present contents.

The bay is the edge node, each sensor a device. Alarms are metrics of the node, whatever place they are of, since a
device that is silent is declared dead and all its metrics stale just when its alarm matters. Reported is what changed,
with the time of the change; a revolution's row is reported whole. What is measured and not known is null with quality
`bad`. The live metrics (edge, expected edge, speed) are transient: of use now or never, so they are not kept.

Pure: no connection and no clock; times are handed in, milliseconds of UTC.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.alarms.catalogue import CATALOGUE, AlarmEntry
from monitor.alarms.lifecycle import AlarmStatus
from monitor.outside.sparkplug_wire import DataType, Metric, Property, Scalar
from monitor.records import Advice, Event, Now, Revolution, RevolutionRow, plain
from monitor.settings import Station

REBIRTH = "Node Control/Rebirth"
UNIT = "engUnit"  # the usual name of this property; common practice, no source
QUALITY, BAD = "Quality", 0  # the specification's name and code


@dataclass(frozen=True, slots=True)
class Definition:
    """One metric. `unit` empty: not measured. `live`: transient, never kept."""

    name: str
    datatype: DataType
    unit: str = ""
    meaning: str = ""
    live: bool = False
    properties: Mapping[str, str] = field(default_factory=dict)


NODE = (
    Definition("Properties/Program", DataType.STRING, meaning="what speaks"),
    Definition("Properties/Version", DataType.STRING, meaning="of the program"),
    Definition("Properties/Caution", DataType.STRING, meaning="what this is not"),
    Definition("State/belt", DataType.STRING, meaning="serial of the belt that is on"),
    Definition("State/log", DataType.STRING, meaning="folder of the belt's log"),
    Definition("State/stage", DataType.STRING, meaning="stage of the run-in"),
    Definition("State/verdict", DataType.STRING, meaning="tracked, not-tracked or undecided"),
    Definition("State/running", DataType.BOOLEAN, meaning="the belt runs; null while the link is lost"),
    Definition("State/link", DataType.BOOLEAN, meaning="the sensor board is heard"),
    Definition("State/alarms standing", DataType.INT32, meaning="alarms that a person should know of now"),
    Definition("State/dropped", DataType.INT64, meaning="reports lost since the start, no room to keep them"),
    Definition("Belt/revolution", DataType.INT64, "rev", "completed revolutions of this run"),
    Definition("Belt/speed", DataType.DOUBLE, "m/s", "belt speed", live=True),
    Definition("Advice/action", DataType.STRING, meaning="move, wait, check or none"),
    Definition("Advice/where", DataType.STRING, meaning="of a move: infeed or snub"),
    Definition("Advice/side", DataType.STRING, meaning="of a move: left or right"),
    Definition("Advice/amount", DataType.DOUBLE, meaning="of a move, mm", properties={UNIT: "mm"}),
    Definition("Advice/until revolution", DataType.DOUBLE, meaning="of a wait", properties={UNIT: "rev"}),
    Definition("Advice/minutes", DataType.DOUBLE, meaning="of a wait", properties={UNIT: "min"}),
    Definition("Advice/why", DataType.STRING, meaning="one plain sentence"),
    Definition("Advice/caution", DataType.STRING, meaning="to be read before anything is done"),
    Definition("Event/line", DataType.TEXT, meaning="one line of events.jsonl, as it happens"),
)
DEVICE = (
    Definition("Edge/position", DataType.DOUBLE, "mm", "where the edge is; right is positive", live=True),
    Definition("Edge/expected", DataType.DOUBLE, "mm", "where camber alone would put it", live=True),
    Definition("Edge/least", DataType.DOUBLE, "mm", "in the last revolution"),
    Definition("Edge/most", DataType.DOUBLE, "mm", "in the last revolution"),
    Definition("Belt/position", DataType.DOUBLE, "mm", "of the whole belt at this sensor"),
    Definition("Belt/position error", DataType.DOUBLE, "mm", "its standard error"),
    Definition("Belt/walk", DataType.DOUBLE, "mm/rev", "of the whole belt at this sensor"),
    Definition("Belt/walk error", DataType.DOUBLE, "mm/rev", "its standard error"),
    Definition("Belt/camber", DataType.DOUBLE, "mm", "learnt profile, peak to peak"),
    Definition(
        "Belt/behaviour", DataType.STRING, meaning="learning, steady, drifting, settling, stopped, unknown"
    ),
    Definition("Sensor/quality", DataType.STRING, meaning="good, or what is wrong"),
    Definition("Sensor/samples", DataType.INT64, meaning="in the last revolution"),
    Definition("Sensor/lost", DataType.INT64, meaning="records lost in the last revolution"),
)
CAUTION = "Advice only: not a safety device, not an emergency stop, not a guard. It never starts or stops a machine."
ROW = {
    "Edge/least": "edge_min_mm",
    "Edge/most": "edge_max_mm",
    "Belt/position": "position_mm",
    "Belt/position error": "position_se_mm",
    "Belt/walk": "walk_mm_per_rev",
    "Belt/walk error": "walk_se_mm_per_rev",
    "Belt/camber": "profile_pp_mm",
    "Belt/behaviour": "behaviour",
    "Sensor/quality": "quality",
    "Sensor/samples": "samples",
    "Sensor/lost": "lost",
}
STATE = ("belt", "log", "stage", "verdict", "running", "link")


def alarm_definitions(entry: AlarmEntry, where: str) -> tuple[Definition, Definition]:
    """An alarm at one place: its state, and whether it is active, with what a person does about it."""
    words = {"priority": entry.priority, "action": entry.action, "cause": entry.cause}
    path = f"Alarms/{where}/{entry.name}"
    return (
        Definition(f"{path}/state", DataType.STRING, meaning=entry.cause, properties=words),
        Definition(f"{path}/active", DataType.BOOLEAN, meaning=entry.cause, properties=words),
    )


@dataclass(frozen=True, slots=True)
class Report:
    """Contents that changed at one moment, of one device (None: the node itself)."""

    device: str | None
    ms: int
    contents: dict[str, Scalar]

    def to_json(self) -> bytes:
        """For keeping on the disk."""
        return json.dumps([self.device, self.ms, self.contents], separators=(",", ":")).encode()

    @classmethod
    def from_json(cls, text: bytes) -> Report:
        """What `to_json` wrote."""
        return cls(*json.loads(text))


Said = (
    Revolution | Event | Advice | AlarmStatus | Now | Mapping[str, Any]
)  # a mapping: the content of `state`


class Picture:
    """All metrics of one bay, and what they hold now."""

    def __init__(self, station: Station, version: str) -> None:
        self.devices = tuple(sensor.name for sensor in station.sensor)
        places = {"bay": ("bay",), "pulley": ("infeed", "drive"), "sensor": self.devices}
        alarms = [d for e in CATALOGUE for where in places[e.place] for d in alarm_definitions(e, where)]
        self._known: dict[str | None, dict[str, Definition]] = {None: {d.name: d for d in (*NODE, *alarms)}}
        self._known |= {device: {d.name: d for d in DEVICE} for device in self.devices}
        self._aliases: dict[tuple[str | None, str], int] = {}  # one number each over the whole node
        for device, known in self._known.items():
            for name in known:
                self._aliases[device, name] = len(self._aliases) + 1
        self._now: dict[tuple[str | None, str], tuple[Scalar, int]] = {}
        self._lost: set[str] = set()
        self._link = True
        self._start: dict[str, Scalar] = {
            "Properties/Program": "runin-monitor",
            "Properties/Version": version,
        }
        self._start |= {"Properties/Caution": CAUTION, "State/dropped": 0}

    def is_alive(self, device: str) -> bool:
        """The sensor is heard."""
        return self._link and device not in self._lost

    def take(self, said: Said, ms: int) -> list[Report]:
        """What was said, as reports of what it changed; the live ones are told by `is_live`."""
        if isinstance(said, Revolution):
            return [r for row in said.rows for r in self._row(row, ms)] + self._change(
                None, ms, {"Belt/revolution": said.rev}
            )
        if isinstance(said, Event):
            line = json.dumps(said.as_dict(), ensure_ascii=False, separators=(",", ":"))
            return self._change(None, ms, {"Event/line": line}, always=True)
        if isinstance(said, Advice):
            return self._change(None, ms, _advice(said))
        if isinstance(said, AlarmStatus):
            return self._alarm(said, ms)
        if isinstance(said, Now):
            return list(self._live(said, ms))
        return self._state(said, ms)

    def note_dropped(self, count: int, ms: int) -> list[Report]:
        """So many reports were lost since the start."""
        return self._change(None, ms, {"State/dropped": count})

    def is_live(self, report: Report) -> bool:
        """Of use now or never."""
        known = self._known[report.device]
        return all(name in known and known[name].live for name in report.contents)

    def birth(self, device: str | None, ms: int) -> list[Metric]:
        """Every metric of the node or a device with name, alias, type, unit and present content."""
        found = []
        for name, one in self._known[device].items():
            content, since_ms = self._now.get((device, name), (self._start.get(name), ms))
            words = {UNIT: one.unit, **one.properties} if one.unit else one.properties
            properties = {key: Property(DataType.STRING, text) for key, text in words.items()}
            properties |= _quality(one, content)
            alias = self._aliases[device, name]
            metric = Metric(
                name, one.datatype, content, since_ms, alias, is_transient=one.live, properties=properties
            )
            found.append(metric)
        return found

    def metrics(self, report: Report, *, historical: bool) -> list[Metric]:
        """A report's metrics by their aliases; a name that this version does not know is left out."""
        known = self._known.get(report.device, {})
        return [
            Metric(
                name=None,
                datatype=known[name].datatype,
                content=content,
                timestamp_ms=report.ms,
                alias=self._aliases[report.device, name],
                is_historical=historical,
                is_transient=known[name].live,
                tells_datatype=False,
                properties=_quality(known[name], content),
            )
            for name, content in report.contents.items()
            if name in known
        ]

    # ------------------------------------------------------------ inside

    def _change(
        self, device: str | None, ms: int, contents: Mapping[str, Any], *, always: bool = False
    ) -> list[Report]:
        new = {
            name: content
            for name, content in contents.items()
            if name in self._known[device]
            and (always or self._now.get((device, name), (self._start.get(name), 0))[0] != content)
        }
        self._now |= {(device, name): (content, ms) for name, content in new.items()}
        return [Report(device, ms, new)] if new else []

    def _row(self, row: RevolutionRow, ms: int) -> list[Report]:
        if row.sensor not in self.devices:
            return []
        contents = {name: plain(getattr(row, key)) for name, key in ROW.items()}
        return self._change(row.sensor, ms, contents, always=True)

    def _alarm(self, status: AlarmStatus, ms: int) -> list[Report]:
        if status.name == "sensor-silent":
            (self._lost.add if status.active else self._lost.discard)(status.where)
        path = f"Alarms/{status.where}/{status.name}"
        return self._change(None, ms, {f"{path}/state": status.state, f"{path}/active": status.active})

    def _state(self, state: Mapping[str, Any], ms: int) -> list[Report]:
        contents = {f"State/{key}": state.get(key) for key in STATE}
        contents["State/alarms standing"] = len(state.get("alarms") or ())
        self._link = bool(state.get("link", True))
        return self._change(None, ms, contents)

    def _live(self, now: Now, ms: int) -> Iterator[Report]:
        yield from self._change(None, ms, {"Belt/speed": _rounded(now.speed_mps, 3)})
        for one in now.sensors:
            if one.sensor in self.devices:
                edges = {"Edge/position": one.edge_mm, "Edge/expected": one.expected_mm}
                rounded = {
                    name: _rounded(mm, 2) if self.is_alive(one.sensor) else None for name, mm in edges.items()
                }
                yield from self._change(one.sensor, ms, rounded)


def _advice(advice: Advice) -> dict[str, Any]:
    keys = {"amount": "amount_mm", "until revolution": "until_rev"}
    names = ("action", "where", "side", "amount", "until revolution", "minutes", "why", "caution")
    return {f"Advice/{name}": plain(getattr(advice, keys.get(name, name))) for name in names}


def _rounded(number: float, digits: int) -> float | None:
    """So that noise alone is no change: a hundredth of a millimetre, a millimetre a second."""
    known: float | None = plain(number)
    return None if known is None else round(known, digits) + 0.0


def _quality(one: Definition, content: Scalar) -> dict[str, Property]:
    return {QUALITY: Property(DataType.INT32, BAD)} if one.unit and content is None else {}


def describe_metrics() -> list[dict[str, Any]]:
    """Every metric for the documents: of the node and of a device; an alarm's place as `<where>`."""
    alarms = [d for entry in CATALOGUE for d in alarm_definitions(entry, f"<{entry.place}>")]
    control = (
        Definition(
            "bdSeq", DataType.INT64, meaning="number of the birth and of the death that belongs to it"
        ),
        Definition(
            REBIRTH,
            DataType.BOOLEAN,
            meaning="write true: all is born again; the only command",
        ),
    )
    rows = [("node", d) for d in (*control, *NODE, *alarms)] + [("device: each sensor", d) for d in DEVICE]
    return [
        {
            "of": of,
            "name": d.name,
            "type": d.datatype.name,
            "unit": d.unit or d.properties.get(UNIT) or None,
            "kept": not d.live,
            "meaning": d.meaning,
        }
        for of, d in rows
    ]
