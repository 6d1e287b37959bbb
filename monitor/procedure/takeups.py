"""The account of both take-ups: what was moved so far, which side to move next, rounded to what a wrench
can do.

Tightening one side by an amount steers just as easing the other side by it does; what differs is the
tension. So the side is chosen that brings the mean of both take-ups back toward where tensioning left it:
moves that would all tighten would over-tension the belt by and by. Only the difference of the two sides
steers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.records import MoveWhere, Side
from monitor.settings import Station

NUDGE = 10  # a nudge is a tenth of a wrench step: some 10 degrees of a usual take-up screw
TURN_BACK_MM = 1.0  # turning a screw back is avoided unless it keeps the mean tension nearer by this much
HAIR = 2  # and a hair half of that, for a belt that answers a nudge too strongly
INCH_STEP_MM = 25.4 / 32.0
INCH_NUDGE = 8  # an eighth of 1/32 in


def signed(side: Side, amount_mm: float) -> float:
    """Positive where the move should send the belt to the right: away from the side that was tightened."""
    return amount_mm if side == "left" else -amount_mm


@dataclass(slots=True)
class TakeUps:
    """Sums of the logged moves, mm, by place and side, since the run-in began."""

    step_mm: float
    nudge_mm: float
    range_mm: float
    pitch_mm: float | None = None
    moved_mm: dict[str, dict[str, float]] = field(
        default_factory=lambda: {w: {"left": 0.0, "right": 0.0} for w in ("infeed", "snub")}
    )

    last_mm: dict[str, float] = field(default_factory=dict)

    def log(self, where: MoveWhere, side: Side, amount_mm: float) -> None:
        self.moved_mm[where][side] += amount_mm
        self.last_mm[f"{where} {side}"] = amount_mm

    def untouched(self, where: MoveWhere) -> bool:
        """Whether nothing was moved there yet."""
        return not any(key.startswith(where) for key in self.last_mm)

    def reverses(self, where: MoveWhere, side: Side, amount_mm: float) -> bool:
        """Whether this move turns that screw back: part of it may be lost in the thread.

        Tensioning tightened both sides, so a first move that eases turns back.
        """
        return self.last_mm.get(f"{where} {side}", 1.0) * amount_mm < 0.0

    def difference_mm(self, where: MoveWhere) -> float:
        """The steering difference so far, signed like `signed`."""
        return self.moved_mm[where]["left"] - self.moved_mm[where]["right"]

    @property
    def reach_mm(self) -> float:
        """The largest steering difference advised: half the screws' travel, so that neither side runs out."""
        return 0.5 * self.range_mm

    def unit_mm(self, finest_mm: float) -> float:
        """The coarsest of wrench step, nudge and hair that is no coarser than finest_mm; a hair if none is."""
        units = (self.step_mm, self.nudge_mm, self.nudge_mm / HAIR)
        return next((unit for unit in units if unit <= finest_mm), units[-1])

    def choose_side(self, where: MoveWhere, signed_mm: float) -> tuple[Side, float]:
        """Which side, and by how much (negative: ease), for a steering change of signed_mm."""
        tighten: Side = "left" if signed_mm > 0 else "right"
        ease: Side = "right" if signed_mm > 0 else "left"
        size = abs(signed_mm)
        mean_mm = 0.5 * sum(self.moved_mm[where].values())

        def cost(side: Side, amount: float) -> float:
            back = TURN_BACK_MM if self.reverses(where, side, amount) else 0.0
            return abs(mean_mm + 0.5 * amount) + back

        if cost(tighten, size) <= cost(ease, -size) + 1e-9:
            return tighten, size
        return ease, -size

    def rounded(self, signed_mm: float, fine: bool) -> float:
        """The nearest amount that can be made with a wrench."""
        unit = self.nudge_mm if fine else self.step_mm
        return round(round(signed_mm / unit) * unit, 4)


def account(station: Station) -> TakeUps:
    """An empty account with the station's steps: wrench steps in mm, or 1/32 in where people read inches."""
    p = station.procedure
    if p.units == "inch":
        return TakeUps(INCH_STEP_MM, INCH_STEP_MM / INCH_NUDGE, p.takeup_range_mm, p.screw_pitch_mm)
    return TakeUps(p.wrench_step_mm, p.wrench_step_mm / NUDGE, p.takeup_range_mm, p.screw_pitch_mm)
