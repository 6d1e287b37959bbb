"""The papers that go with a simulated bay: its station file and the technician's list of moves."""

from __future__ import annotations

from monitor.records import MoveWhere, Side
from monitor.simulation.params import Params, ScheduledMove, SensorFit


def station_text(params: Params) -> str:
    """A station file for this bay; length and speed are as wrong as `length_error`, `speed_error` say."""
    p = params
    length_mm = round(p.length_mm * (1.0 + p.length_error))
    speed_mps = round(p.speed_mps * (1.0 + p.speed_error), 3)
    head = f"""[bay]
site = "{p.site}"
name = "{p.name}"

[serial]
port = "/dev/serial/by-id/simulated-edge-board"
baud = 115200

[belt]
width_mm = {round(p.width_mm):.1f}
length_mm = {length_mm:.1f}
speed_mps = {speed_mps}

[conveyor]
bearing_spacing_mm = {round(p.bearing_spacing_mm):.1f}
pulley_diameter_mm = {round(p.pulley_diameter_mm):.1f}
carry_length_mm = {round(p.carry_length_mm):.1f}
mark_offset_mm = {round(p.mark_offset_mm):.1f}
marks = {"true" if p.marks else "false"}
ticks_per_pulley_turn = {p.ticks_per_turn}
"""
    tail = f"""
[limits]
centre_mm = {p.centre_mm:.2f}
drift_mm_per_rev = {p.drift_limit_mm_per_rev:.3f}
wobble_mm = {p.wobble_limit_mm:.2f}
edge_warn_mm = {p.edge_warn_mm:.1f}
edge_stop_mm = {p.edge_stop_mm:.1f}

[procedure]
move_mm = {p.move_mm:.2f}
settle_revs = {p.settle_revs}
hold_minutes = {p.hold_minutes:.1f}
"""
    return head + "".join(_sensor_text(i, fit) for i, fit in enumerate(p.sensors)) + tail


def _sensor_text(channel: int, fit: SensorFit) -> str:
    return f"""
[[sensor]]
name = "{fit.name}"
channel = {channel}
pulley = "{fit.pulley}"
edge = "{fit.edge}"
zero_counts = {fit.zero_counts}
counts_per_mm = {fit.counts_per_mm:.1f}
"""


def moves_text(moves: list[ScheduledMove]) -> str:
    """moves.csv; moves that nobody logged are left out."""
    lines = ["time_s,where,side,amount_mm"]
    for move in moves:
        if move.logged:
            lines.append(_move_line(move.t_s, move.where, move.side, move.amount_mm))
    return "\n".join(lines) + "\n"


def _move_line(t_s: float, where: MoveWhere, side: Side, amount_mm: float) -> str:
    return f"{t_s:.1f},{where},{side},{round(amount_mm, 3)}"
