"""What is simulated: one frozen value, with the truth in it. Lengths in mm, times in seconds of the board.

Signs are those of monitor.records: y positive to the right of a person looking along the carrying side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from monitor.records import MoveWhere, Pulley, Side

FaultKind = Literal[
    "stuck", "clipped", "silent", "open", "reference", "noisy", "shifted", "scaled", "sluggish"
]


@dataclass(frozen=True, slots=True)
class SensorFit:
    """One edge sensor as it is fitted; its channel is its place in the list."""

    pulley: Pulley
    edge: Side
    zero_counts: int = 32768
    counts_per_mm: float = 600.0

    @property
    def name(self) -> str:
        return f"{self.pulley}-{self.edge}"


@dataclass(frozen=True, slots=True)
class Drift:
    """An imposed walk of the whole belt at one pulley; the belt stays where it then is."""

    start_s: float
    pulley: Pulley
    mm_per_rev: float
    revs: float


@dataclass(frozen=True, slots=True)
class Bump:
    """One belt section departs from the camber profile: a raised cosine, growing over `grow_revs`.

    `edge` None: the section is bent, both edges go the same way. "apart": the belt is wider there by
    `size_mm`, each edge has half of it. Else: damage of that edge only.
    """

    start_s: float
    place_mm: float
    width_mm: float
    size_mm: float
    grow_revs: float
    edge: Side | Literal["apart"] | None = None


@dataclass(frozen=True, slots=True)
class Widening:
    """The whole belt becomes wider by `mm` (narrower: negative) over `revs` revolutions, and stays so."""

    start_s: float
    mm: float
    revs: float


@dataclass(frozen=True, slots=True)
class ScheduledMove:
    """A take-up move at a known time; `logged` False: nobody writes it down."""

    t_s: float
    where: MoveWhere
    side: Side
    amount_mm: float
    logged: bool = True


@dataclass(frozen=True, slots=True)
class Stop:
    """The belt runs down, stands, and starts again."""

    start_s: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class SpeedChange:
    """From `start_s` the speed goes to `factor` times the usual one within `ramp_s`; negative: reversed."""

    start_s: float
    factor: float
    ramp_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong with a sensor.

    stuck: the channel repeats one count. clipped: it reads a rail (0000 or FFFF). open: a broken wire, the
    channel floats a few counts above 0000. reference: flags bit 1 is up and the channel wanders.
    noisy: `size` times the noise. shifted: its bracket was knocked, it reads `size` mm more. scaled: it reads
    `size` times the departure of the edge from its nominal place. sluggish: it answers with a time constant
    of `size` seconds. silent: no E record arrives (all channels share it) though their
    numbers go on; marks, ticks and hellos still arrive.
    """

    kind: FaultKind
    sensor: int
    start_s: float
    duration_s: float = 1e12
    size: float = 5.0


DEFAULT_SENSORS = (
    SensorFit("infeed", "left", 32768, 600.0),
    SensorFit("drive", "left", 32551, -550.0),
)


@dataclass(frozen=True, slots=True)
class Params:
    """Everything that decides a simulated run."""

    seed: int = 1
    name: str = "belt"
    site: str = "simulated"
    expect: dict[str, object] = field(default_factory=dict)
    seconds: float = 600.0
    # the belt
    length_mm: float = 11000.0
    width_mm: float = 610.0
    camber_pp_mm: float = 8.0
    camber_shape: Literal["harmonics", "sagitta", "mixed"] = "mixed"
    texture_sd_mm: float = 0.1
    texture_length_mm: float = 40.0
    splice_jog_mm: float = 0.5
    width_variation_mm: float = 0.6
    # the conveyor
    crowned: bool = True
    bearing_spacing_mm: float = 760.0
    pulley_diameter_mm: float = 152.0
    carry_length_mm: float = 5000.0
    mark_offset_mm: float = 900.0
    start_station_mm: float = 2000.0  # what the infeed sensor sees at the start
    stiffness_kl: float = 1.2  # plain pulleys: K*L of the belt
    infeed_mm_per_mm: float = 2.2  # crowned: shift of the resting place per mm of take-up
    snub_mm_per_mm: float = 1.5
    infeed_restoring_revs: float = 0.4  # crowned: e-folding of the answer
    drive_restoring_revs: float = 0.4
    carry_over: float = 0.3  # share of the infeed position that the drive pulley takes on
    carry_back: float = 0.02  # ... and back
    snub_share: float = 0.3  # plain: skew by a snub move, against the same move of a pulley
    direction: int = 1  # +1: the belt runs away from the tightened side; -1: contrary
    gain: float = 1.0
    backlash_mm: float = 0.0
    standing_infeed_mm: float = 0.0  # take-up difference (right minus left) at the start
    standing_drive_mm: float = 0.0
    start_infeed_mm: float | None = None  # None: at rest (crowned) or 0 (plain)
    start_drive_mm: float | None = None
    wander_sd_mm: float = 0.1
    wander_length_mm: float = 6000.0
    runout_mm: float = 0.0
    runout_pulley: Pulley = "infeed"
    # speed
    speed_mps: float = 0.45
    speed_wander: float = 0.0015
    speed_wander_s: float = 40.0
    start_ramp_s: float = 0.0
    stops: tuple[Stop, ...] = ()
    speed_changes: tuple[SpeedChange, ...] = ()
    # what happens
    moves: tuple[ScheduledMove, ...] = ()
    drifts: tuple[Drift, ...] = ()
    bumps: tuple[Bump, ...] = ()
    widenings: tuple[Widening, ...] = ()
    # the board
    sensors: tuple[SensorFit, ...] = DEFAULT_SENSORS
    rate_hz: int = 100
    jitter_us: float = 3.0
    boot_us: int = 1_000_000
    first_seq: int = 0
    board: int = 0x0B0A2D01
    noise_sd_mm: float = 0.15
    student_df: float = 0.0  # 0: normal noise
    spike_share: float = 0.0
    spike_mm: float = 15.0
    faults: tuple[Fault, ...] = ()
    record_loss: float = 0.0
    garble: float = 0.0
    outages: tuple[Stop, ...] = ()  # nothing arrives at all
    marks: bool = True
    mark_delay_s: float = 0.012  # longest time between a mark and its record
    mark_missing: tuple[int, ...] = ()  # which passes (0, 1, ...) the mark sensor does not see
    mark_double: tuple[int, ...] = ()  # which it sees twice
    restarts_s: tuple[float, ...] = ()
    ticks_per_turn: int = 0
    tick_hz: float = 5.0
    tick_loss: float = 0.0  # share of ticks not seen
    tick_double: float = 0.0  # share counted twice
    tick_outages: tuple[Stop, ...] = ()  # none is seen
    tick_slips: tuple[
        SpeedChange, ...
    ] = ()  # from then on the pulley turns so much faster than the belt runs
    # what the station file says
    length_error: float = 0.0
    speed_error: float = 0.0
    centre_mm: float = 3.0
    drift_limit_mm_per_rev: float = 0.5
    wobble_limit_mm: float = 4.0
    edge_warn_mm: float = 25.0
    edge_stop_mm: float = 40.0
    move_mm: float = 1.6
    settle_revs: int = 3
    hold_minutes: float = 15.0
