"""The hold: is it shown that the whole belt stays centred and does not walk?

Every completed revolution since the hold began is kept. The hold has succeeded when it lasted
`hold_minutes` and at least MIN_REVS revolutions, every row lay within centre_mm at every fitted pulley, the
fitted line lies within centre_mm from end to end, and the walk is shown to be nil within a margin by two
one-sided tests (its 90 % interval inside the margin) on a line whose spread allows for the belt's slow
wander. The margin is half of drift_mm_per_rev: half of the smallest walk worth an alarm, so that a belt
signed off as tracked is one that the drift alarm would never call, and the test still has power within one
hold. Anything that contradicts breaks the hold; it then starts again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.numerics.equivalence import Slope, fit_slope
from monitor.records import Pulley

MIN_REVS = 6  # fewer points cannot show a walk to be nil
MOST_ROWS = 4096  # the longest hold kept in full; a longer one looks at its last part
SCATTER_MM, SCATTER_DOF = (
    0.15,
    4.0,
)  # what a revolution's position scatters by the belt's own wander, and its worth
LEVEL = 0.05

Row = dict[Pulley, tuple[float, float]]


@dataclass(slots=True)
class Hold:
    """One attempt to prove that the belt is tracked. Positions in mm, belt travel in revolutions, time in
    seconds.
    """

    centre_mm: float
    margin_mm_per_rev: float
    seconds: float
    rows: deque[tuple[int, float, float, Row]] = field(default_factory=lambda: deque(maxlen=MOST_ROWS))
    _lines: dict[Pulley, Slope | None] = field(default_factory=dict)  # as reckoned from these rows
    _missing: dict[tuple[Pulley, ...], list[str]] = field(default_factory=dict)

    def clear(self) -> None:
        self.rows.clear()
        self._changed()

    def _changed(self) -> None:
        self._lines.clear()
        self._missing.clear()

    def add(self, rev: int, start_s: float, end_s: float, row: Row) -> str | None:
        """One revolution. Returns why the hold is broken, or None."""
        for pulley, (position, _) in row.items():
            if abs(position) > self.centre_mm:
                self.clear()
                return f"the belt was {abs(position):.1f} mm off centre at the {pulley} pulley"
        self.rows.append((rev, start_s, end_s, row))
        self._changed()
        return None

    @property
    def lasted_s(self) -> float:
        return self.rows[-1][2] - self.rows[0][1] if self.rows else 0.0

    @property
    def long_enough(self) -> bool:
        return len(self.rows) >= MIN_REVS and self.lasted_s >= self.seconds - 1e-6

    def line(self, pulley: Pulley) -> Slope | None:
        """The straight line through this hold's positions at one pulley."""
        if pulley not in self._lines:
            self._lines[pulley] = self._line(pulley)
        return self._lines[pulley]

    def _line(self, pulley: Pulley) -> Slope | None:
        seen = [(rev, *row[pulley]) for rev, _, _, row in self.rows if pulley in row]
        if len(seen) < 3:
            return None
        rev, y, se = (np.array(column, dtype=np.float64) for column in zip(*seen, strict=True))
        return fit_slope(rev, y, se, SCATTER_MM, SCATTER_DOF)

    def walks(self, pulley: Pulley) -> Slope | None:
        """The line, when it shows a walk beyond the margin."""
        line = self.line(pulley)
        return line if line is not None and line.p_within(self.margin_mm_per_rev) < LEVEL / 5 else None

    def proved(self, pulleys: tuple[Pulley, ...]) -> list[str] | None:
        """None when the belt is shown to be tracked; else what is still missing, in plain words."""
        if pulleys not in self._missing:
            self._missing[pulleys] = self._still_missing(pulleys)
        return self._missing[pulleys] or None

    def _still_missing(self, pulleys: tuple[Pulley, ...]) -> list[str]:
        missing: list[str] = []
        if not self.long_enough:
            left_s = max(self.seconds - self.lasted_s, 0.0)
            missing.append(f"the hold has {left_s / 60:.1f} of {self.seconds / 60:.1f} minutes to go")
        for pulley in pulleys:
            line = self.line(pulley)
            if line is None:
                missing.append(f"too few revolutions were seen at the {pulley} pulley")
                continue
            half_revs = 0.5 * (self.rows[-1][0] - self.rows[0][0])
            ends = [line.middle - half_revs * line.slope, line.middle + half_revs * line.slope]
            if max(abs(v) for v in ends) > self.centre_mm:
                missing.append(f"the belt's path leaves the centre at the {pulley} pulley")
            if line.p_not_nil(self.margin_mm_per_rev) > LEVEL:
                missing.append(f"it is not yet shown that the belt does not walk at the {pulley} pulley")
        return missing

    def evidence(self, pulleys: tuple[Pulley, ...]) -> str:
        """The figures behind the verdict, for those who ask."""
        parts = []
        for pulley in pulleys:
            line = self.line(pulley)
            if line is not None:
                low, high = line.interval()
                parts.append(
                    f"{pulley}: mean {line.middle:+.2f} mm, walk {line.slope:+.3f} mm/rev, 90 % "
                    f"interval {low:+.3f} to "
                    f"{high:+.3f}, margin {self.margin_mm_per_rev:g}, p "
                    f"{line.p_not_nil(self.margin_mm_per_rev):.4f}"
                )
        return f"{len(self.rows)} revolutions, {self.lasted_s / 60:.1f} minutes; " + "; ".join(parts)

    def figures(self, pulleys: tuple[Pulley, ...]) -> dict[str, Any]:
        """The same for programs: mm, mm per revolution, seconds; rounded when they are written."""
        found: dict[str, Any] = {}
        for pulley in pulleys:
            line = self.line(pulley)
            if line is not None:
                low, high = line.interval()
                found[pulley] = {
                    "mean_mm": line.middle, "walk_mm_per_rev": line.slope, "walk_low_mm_per_rev": low,
                    "walk_high_mm_per_rev": high, "p": line.p_not_nil(self.margin_mm_per_rev),
                }  # fmt: skip
        return {
            "first_rev": self.rows[0][0] if self.rows else None,
            "last_rev": self.rows[-1][0] if self.rows else None,
            "revolutions": len(self.rows),
            "seconds": self.lasted_s,
            "margin_mm_per_rev": self.margin_mm_per_rev,
            "pulleys": found,
        }
