"""What repeats in one sensor's readings: the belt's camber, and the run-out of its pulley, learnt side by side.

Composition of monitor.revolutions.profile with monitor.detection.runout; the theory stands there. Both want
turns with the whole belt's path taken out. Camber that was learnt before a swing was found, or while its figures
were not yet right, had what was missing in it: it is put right when the swing changes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .detection.runout import Runout, RunoutWatch, mean_swing
from .revolutions.profile import MEMORY_TURNS, Profile
from .revolutions.tracker import TURN_BINS

EARLY_TURNS = (
    9  # run-out is looked for after every turn before this one, then after every eighth (known: second)
)
WELL_KNOWN = 0.1  # relative standard error of a swing's amplitude at which it is told
SECTION_SHARE = 0.25  # more stations out of line than this are no section: a swing not yet known does that
PUT_RIGHT_MM = 0.2  # a swing whose amplitude changes by more had left itself in the wander learnt
RUNOUT_TURNS = 12  # turns that a profile freed of run-out is made of

Floats = NDArray[np.float64]


class Repeating:
    """Camber and run-out of one sensor. Turns are counted by the travel at their start, revolutions."""

    def __init__(self, expected_order: float) -> None:
        self.profile = Profile(TURN_BINS)
        self._watch = RunoutWatch(expected_order)
        self._learnt = deque[int](maxlen=MEMORY_TURNS)  # turns that the profile is made of
        self._told = False

    @property
    def swing(self) -> Runout | None:
        """The pulley's run-out as far as it is known."""
        return self._watch.found

    def over(self, u_start: float, u_end: float) -> tuple[float, float]:
        """Mean of what repeats over a stretch of travel, mm, and how steep it is, mm/rev (0 where the belt stands)."""
        swing = self._watch.found
        mean, slope = self.profile.over(u_start, u_end)
        if swing is not None:
            mean += swing.mean_over(u_start, u_end)
            slope += swing.slope_over(u_start, u_end) if u_end > u_start else 0.0
        return mean, slope

    def mean_over(self, u_start: float, u_end: float) -> float:
        """Mean of what repeats over a stretch of travel, mm."""
        swing, camber = self._watch.found, self.profile.mean_over(u_start, u_end)
        return camber if swing is None else camber + swing.mean_over(u_start, u_end)

    def freed(self, turn: int, reading_mm: Floats) -> Floats:
        """A turn's readings, (TURN_BINS,) mm, less the pulley's run-out; NaN stays NaN."""
        swing = self._watch.found
        return reading_mm if swing is None else reading_mm - swing.over_cells(turn, TURN_BINS)

    def rests(self) -> list[Floats]:
        """What the turns kept whole show beside camber and run-out, (TURN_BINS,) mm each; NaN = not seen."""
        return [self.freed(turn, row) - self.profile.mm for turn, row in self._watch.turns]

    def begin(self, turns: Sequence[int], freed_mm: Sequence[Floats], profile_mm: Floats) -> bool:
        """The first turns, path of the whole belt taken out, and the profile fitted to them.

        True: a swing was found in them, and the profile is freed of it.
        """
        self.profile.replace(profile_mm, len(turns))
        self._learnt.extend(turns)
        for turn, row in zip(turns, freed_mm, strict=True):
            self._watch.add(turn, row)
        if not (self._watch.look() and self._watch.found is not None):
            return False
        self._make_anew(len(turns))
        return True

    def look(self, turn: int, freed_mm: Floats, out: NDArray[np.bool_] | None, calm: bool) -> bool:
        """One more turn for the search for run-out, (TURN_BINS,) mm, path taken out; NaN = not seen.

        out: stations that left the line (None: nobody knows). calm: no section is out, and so none comes or goes.
        True: what was learnt from earlier turns beside this had the swing in it, or lacked it.
        """
        watch, had = self._watch, self._watch.found
        if out is not None and (had is not None or float(out.mean()) < SECTION_SHARE):
            watch.add(turn, np.where(out, np.nan, freed_mm))
        else:
            watch.add(turn, freed_mm)
        after = turn + 1
        if calm and (after % (2 if had is not None else 8) == 0 or after < EARLY_TURNS):
            watch.look()
        swing = watch.found
        if (had is None) != (swing is None):  # camber learnt so far had the swing in it, or lacked it
            self._make_anew(min(self.profile.turns, RUNOUT_TURNS))
            return True
        if swing is had:
            return False
        # its figures were put right: so is the camber that was learnt with the old ones
        self.profile.correct(
            mean_swing(had, self._learnt, TURN_BINS) - mean_swing(swing, self._learnt, TURN_BINS)
        )
        return bool(had and swing and abs(swing.amplitude_mm - had.amplitude_mm) > PUT_RIGHT_MM)

    def learn(self, turn: int, freed_mm: Floats, out: NDArray[np.bool_]) -> None:
        """The same turn for the profile, less the stations that are out; after `look`."""
        if self._learnt and self._learnt[-1] == turn:  # the profile was made anew, with this turn
            return
        self.profile.add(np.where(out, np.nan, self.freed(turn, freed_mm)))
        self._learnt.append(turn)

    def _make_anew(self, worth_turns: int) -> None:
        self.profile.replace(self._watch.profile(TURN_BINS), worth_turns)
        self._learnt.clear()
        self._learnt.extend(turn for turn, _ in self._watch.turns)

    def news(self) -> Runout | None:
        """A swing that is well known and was not told before."""
        swing = self._watch.found
        if swing is None:
            self._told = False
            return None
        if self._told or swing.amplitude_se_mm > WELL_KNOWN * swing.amplitude_mm:
            return None
        self._told = True
        return swing

    def lose(self) -> None:
        """Travel was lost: the swing's phase is not known any more. Camber stays."""
        self._watch.forget()

    def start_over(self) -> None:
        """Camber will be learnt anew, too."""
        self.lose()
        self._learnt.clear()

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
