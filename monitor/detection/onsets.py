"""Sums over innovations for every onset of a walk that is looked at, the youngest first.

A walk of 1 mm/rev that began `a` bins ago leaves a known signature s(a) in the innovations z of the line's
filter, so that a generalised likelihood ratio (Willsky and Jones 1976) needs A = sum(z s) and B = sum(s^2)
for each onset. With each bin every onset becomes one bin older. Innovations wait until somebody asks for
the sums; then they are added one after the other, in one go: how many waited changes no bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

WAIT = 24  # innovations that wait at most

Floats = NDArray[np.float64]
Kept = tuple[Floats, Floats, tuple[float, ...]]


class OnsetSums:
    """A and B for up to `ages` onsets."""

    def __init__(self, ages: int) -> None:
        self.ages = ages
        self._sums = np.zeros((2, 0))  # A and B without those that wait; never changed in place
        self._waiting: list[float] = []
        self._signatures = np.zeros((2, WAIT, ages))  # s and its square; of the latest bin last

    @property
    def known(self) -> int:
        """Onsets looked at so far."""
        return min(self._sums.shape[1] + len(self._waiting), self.ages)

    def clear(self) -> None:
        """The line begins anew: no onset is known."""
        self._sums, self._waiting = np.zeros((2, 0)), []

    def sign(self, signature: Sequence[float]) -> None:
        """The signature from now on, (ages,): standard deviations per mm/rev."""
        self._add_up()
        strip = np.zeros((2, WAIT - 1 + self.ages))
        strip[0, WAIT - 1 :] = signature
        strip[1] = strip[0] * strip[0]
        row, step = strip.strides
        self._signatures = as_strided(strip, (2, WAIT, self.ages), (row, step, step))

    def add(self, z: float) -> None:
        """One bin's innovation in standard deviations; NaN adds nothing, and the onsets grow older."""
        self._waiting.append(z)
        if len(self._waiting) == WAIT:
            self._add_up()

    def _add_up(self) -> None:
        """Nothing waits any more."""
        if self._waiting:
            self._sums, self._waiting = _after(self.copy()), []

    def since(self, age: int) -> tuple[Floats, Floats]:
        """A and B of all onsets known that are at least `age` bins old. Views: not to be changed."""
        self._add_up()
        return self._sums[0, age:], self._sums[1, age:]

    def copy(self) -> Kept:
        """All that is known now, to go back to."""
        return self._sums, self._signatures, tuple(self._waiting)

    def apart(self) -> OnsetSums:
        """The same sums, to go on with apart."""
        other = OnsetSums(self.ages)
        other._sums, other._signatures, waiting = self.copy()
        other._waiting = list(waiting)
        return other

    def go_back(self, kept: Kept, bins: int) -> None:
        """What the last bins (fewer than WAIT) added since then is taken back; the onsets stay as old as they are."""
        self._sums = _after(kept)
        self._waiting = [float("nan")] * bins

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)


def _after(kept: Kept) -> Floats:
    """Sums, (2, onsets), once those that wait are added."""
    sums, signatures, waiting = kept
    k = len(waiting)
    onsets = min(sums.shape[1] + k, signatures.shape[2])
    z = np.array(waiting)
    heard = z == z
    terms = np.zeros((2, k + 1, onsets))
    terms[:, 0, k:] = sums[:, : max(onsets - k, 0)]
    terms[:, 1:] = np.array((np.where(heard, z, 0.0), heard))[:, :, None] * signatures[:, WAIT - k :, :onsets]
    total: Floats = terms.sum(axis=1)  # term after term: the sum runs across the rows
    return total
