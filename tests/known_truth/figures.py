"""The figures of belts that were judged: counts and errors, which add up over belts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field


@dataclass
class Failing:
    """One thing that went wrong, so that it can be made again."""

    family: str
    seed: int
    what: str
    rev: float
    more: str = ""


@dataclass
class Figures:
    """Sums over belts; two of them add up."""

    revolutions: float = 0.0
    belts: int = 0
    false_drifts: int = 0
    drifts: int = 0
    missed: int = 0
    delays: list[float] = field(default_factory=list)
    calm_revolutions: float = 0.0  # of belts that wander as the shared captures do
    calm_false_drifts: int = 0
    calm_delays: list[float] = field(default_factory=list)
    clearings: list[float] = field(default_factory=list)
    flickers: int = 0
    slow_starts: int = 0
    position_quiet: list[float] = field(default_factory=list)
    position_bump: list[float] = field(default_factory=list)
    position_z: list[float] = field(default_factory=list)
    walk_z: list[float] = field(default_factory=list)
    walk_z_calm: list[float] = field(default_factory=list)
    unknown_rows: int = 0
    rows: int = 0
    profile: list[float] = field(default_factory=list)
    profile_points: list[float] = field(default_factory=list)
    profile_bump: list[float] = field(default_factory=list)
    bumps: int = 0
    bumps_missed: int = 0
    bumps_late: int = 0
    bump_delays: list[float] = field(default_factory=list)
    bump_places: list[float] = field(default_factory=list)
    false_bumps: int = 0
    miscounted: int = 0
    periods: list[float] = field(default_factory=list)
    faults: Counter[str] = field(default_factory=Counter)
    faults_named: Counter[str] = field(default_factory=Counter)
    false_sensor: int = 0
    runout_bias: list[float] = field(default_factory=list)
    runouts: int = 0
    runouts_named: int = 0
    unlogged: int = 0
    unlogged_named: int = 0
    false_unlogged: int = 0
    confusion: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    cpu_s: float = 0.0
    sensor_revs: float = 0.0
    samples: int = 0
    failing: list[Failing] = field(default_factory=list)

    def add(self, other: Figures) -> None:
        for name, theirs in vars(other).items():
            mine = getattr(self, name)
            setattr(self, name, mine + theirs)


def total(parts: Iterable[Figures]) -> Figures:
    """All of them together."""
    whole = Figures()
    for part in parts:
        whole.add(part)
    return whole
