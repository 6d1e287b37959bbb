"""The values that pass between the blocks: frozen, typed, with units in their names.

Two conventions hold everywhere and are written only here.

Sign. A lateral position is positive toward the right-hand side of a person who looks the way
the carrying side of the belt travels. A walk (mm per belt revolution) has the same sign. A take-up
move is positive when that bearing was moved away from the other pulley (belt tightened there).

Station. A place on the belt is the length of belt, in mm, that passes a fixed point between the
belt mark and that place; the mark is station 0 and stations grow toward the belt that comes after
the mark. When the mark passes its sensor, the infeed edge sensors see station `mark_offset_mm`
and the drive edge sensors `mark_offset_mm - carry_length_mm`, both modulo the belt length.

Times `t_s` are seconds of the board's clock since the first record of the recording, unwrapped.
Intervals are [start, end). NaN means "not seen" or "not known"; in JSON it is written null.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Pulley = Literal["infeed", "drive"]
Side = Literal["left", "right"]
MoveWhere = Literal["infeed", "snub"]
Behaviour = Literal["learning", "steady", "drifting", "settling", "stopped", "unknown"]
EventKind = Literal["alarm-raised", "alarm-cleared", "advice", "move", "stage", "note"]
Verdict = Literal["tracked", "not-tracked", "undecided"]
AdviceAction = Literal["move", "wait", "check", "none"]
Stage = Literal["set-up", "watch", "steer", "trim", "prove", "lock", "sign"]
STAGES: tuple[Stage, ...] = ("set-up", "watch", "steer", "trim", "prove", "lock", "sign")

# ---------------------------------------------------------------- what the board said


@dataclass(frozen=True, slots=True, eq=False)
class EdgeBlock:
    """Consecutive E records: one sample of every channel each.

    time_us: (n,) int64, microseconds since the recording's first record, unwrapped.
    flags: (n,) uint8, as on the wire. counts: (n, channels) uint16, raw.
    lost: (n,) int64, records known to be lost just before each one.
    """

    time_us: NDArray[np.int64]
    flags: NDArray[np.uint8]
    counts: NDArray[np.uint16]
    lost: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Mark:
    """The belt mark passed its sensor. `count` is the board's own mark counter (wraps at 65536)."""

    time_us: int
    count: int


@dataclass(frozen=True, slots=True)
class Ticks:
    """Pulley ticks since start-up, unwrapped, at the instant of the last tick."""

    time_us: int
    ticks: int


@dataclass(frozen=True, slots=True)
class Button:
    """A push-button on the board was pressed."""

    time_us: int
    button: int


@dataclass(frozen=True, slots=True)
class Hello:
    """Who is talking."""

    time_us: int
    version: int
    board: int
    channels: int
    rate_hz: int


@dataclass(frozen=True, slots=True)
class Restart:
    """The board started anew (or another one talks): nothing may be bridged over this instant."""

    time_us: int
    why: str


BoardRecord = EdgeBlock | Mark | Ticks | Button | Hello | Restart


@dataclass(frozen=True, slots=True)
class Tally:
    """What became of the bytes so far. Rejected lines are among the lost records where seq shows it."""

    good: int = 0
    rejected: int = 0
    lost: int = 0
    reasons: dict[str, int] = field(default_factory=dict)


# ---------------------------------------------------------------- what a person says


@dataclass(frozen=True, slots=True)
class MoveMade:
    """A take-up move, as the technician logs it. `t_s` is when it was made."""

    t_s: float
    where: MoveWhere
    side: Side
    amount_mm: float
    by: str = ""


@dataclass(frozen=True, slots=True)
class StageSaid:
    """A stage of the run-in is done or entered, with its measurements by name (numbers or texts)."""

    t_s: float
    stage: Stage
    what: Literal["done", "enter"]
    measurements: dict[str, float | str] = field(default_factory=dict)
    by: str = ""


@dataclass(frozen=True, slots=True)
class NoteSaid:
    """A remark for the record."""

    t_s: float
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class AlarmAcknowledged:
    """A person has seen an alarm."""

    t_s: float
    where: str
    name: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class AlarmShelved:
    """A person silences a nuisance for a bounded time."""

    t_s: float
    where: str
    name: str
    minutes: float
    by: str = ""
    why: str = ""


Entry = MoveMade | StageSaid | NoteSaid | AlarmAcknowledged | AlarmShelved

# ---------------------------------------------------------------- what the program says


def plain(value: Any) -> Any:
    """A JSON-ready copy: NaN and infinities become None, floats are rounded to 6 decimals."""
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        rounded = round(value, 6)
        return rounded if rounded != 0.0 else 0.0
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    return value


@dataclass(frozen=True, slots=True)
class RevolutionRow:
    """One sensor over one completed belt revolution: the columns of revolutions.csv."""

    rev: int
    start_s: float
    end_s: float
    sensor: str
    position_mm: float
    position_se_mm: float
    walk_mm_per_rev: float
    walk_se_mm_per_rev: float
    profile_pp_mm: float
    behaviour: Behaviour
    samples: int
    lost: int
    pulley: Pulley
    edge_min_mm: float
    edge_max_mm: float
    quality: str

    def as_dict(self) -> dict[str, Any]:
        return {f.name: plain(getattr(self, f.name)) for f in fields(self)}


@dataclass(frozen=True, slots=True)
class Revolution:
    """A completed belt revolution: one row for each sensor, in the station file's order."""

    rev: int
    start_s: float
    end_s: float
    rows: tuple[RevolutionRow, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """One line of events.jsonl. Fields that do not apply are None and are left out of the JSON."""

    t_s: float
    rev: int
    kind: EventKind
    name: str
    pulley: Pulley | None = None
    sensor: str | None = None
    value_mm: float | None = None
    start_mm: float | None = None
    end_mm: float | None = None
    where: str | None = None
    side: Side | None = None
    amount_mm: float | None = None
    until_rev: float | None = None
    minutes: float | None = None
    by: str | None = None
    text: str | None = None
    details: dict[str, Any] | None = None

    def as_dict(self) -> dict[str, Any]:
        always = ("t_s", "rev", "kind", "name")
        return {
            f.name: plain(getattr(self, f.name))
            for f in fields(self)
            if f.name in always or getattr(self, f.name) is not None
        }


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next. For a move: where, side, amount_mm as in moves.csv; for a wait: until_rev, minutes."""

    t_s: float
    rev: int
    action: AdviceAction
    why: str
    caution: str
    where: MoveWhere | None = None
    side: Side | None = None
    amount_mm: float | None = None
    until_rev: float | None = None
    minutes: float | None = None
    explain: str = ""
    checks: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        return {
            f.name: plain(getattr(self, f.name))
            for f in fields(self)
            if getattr(self, f.name) is not None and getattr(self, f.name) != ()
        }


Message = Revolution | Event | Advice


@dataclass(frozen=True, slots=True)
class SensorNow:
    """One sensor at this instant. NaN = not known.

    to_limit_...: until the edge reaches edge_stop_mm at the present walk, expected and soonest (95 %), as
    of the last revolution; NaN also where the belt is not known to walk.
    """

    sensor: str
    edge_mm: float
    expected_mm: float
    position_mm: float
    quality: str
    to_limit_revs: float = math.nan
    to_limit_minutes: float = math.nan
    to_limit_soonest_minutes: float = math.nan


@dataclass(frozen=True, slots=True)
class Now:
    """The live picture: never stored, never queued."""

    t_s: float
    rev: float
    speed_mps: float
    running: bool
    sensors: tuple[SensorNow, ...]
