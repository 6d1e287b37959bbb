"""Sums over innovations for every onset of a walk that is looked at, the youngest first.

A walk of 1 mm/rev that began `a` bins ago leaves a known signature s(a) in the innovations z of the line's
filter, so that a generalised likelihood ratio (Willsky and Jones 1976) needs A = sum(z s) and B = sum(s^2)
for each onset. With each bin every onset becomes one bin older. The sums lie in a longer strip and move one
place along it instead of being copied; only at the end of the strip they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

STRIP = 8  # times the number of onsets: the strip's length


class OnsetSums:
    """A and B for up to `ages` onsets."""

    def __init__(self, ages: int) -> None:
        self.ages = ages
        self.known = 0  # onsets looked at so far
        self._signature = np.zeros((2, ages))  # s and its square
        self._strip = np.zeros((2, STRIP * ages))
        self._at = (STRIP - 1) * ages

    def clear(self) -> None:
        """The line begins anew: no onset is known."""
        self._strip[:, self._at : self._at + self.ages] = 0.0
        self.known = 0

    def sign(self, signature: Sequence[float]) -> None:
        """The signature from now on, (ages,): standard deviations per mm/rev."""
        s = np.array(signature)
        self._signature = np.array([s, s * s])

    def add(self, z: float) -> None:
        """One bin's innovation in standard deviations; NaN adds nothing, and the onsets grow older."""
        if self._at == 0:
            at = (STRIP - 1) * self.ages
            self._strip[:, at:] = self._strip[:, : self.ages]
            self._at = at
        self._at = at = self._at - 1
        self._strip[:, at] = 0.0
        self.known = n = min(self.known + 1, self.ages)
        if z == z:
            signature = self._signature
            self._strip[0, at : at + n] += z * signature[0, :n]
            self._strip[1, at : at + n] += signature[1, :n]

    def since(self, age: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """A and B of all onsets known that are at least `age` bins old. Views: not to be kept."""
        start, stop = self._at + age, self._at + self.known
        return self._strip[0, start:stop], self._strip[1, start:stop]

    def copy(self) -> NDArray[np.float64]:
        """A and B of all onsets, (2, ages), to go back to."""
        return self._strip[:, self._at : self._at + self.ages].copy()

    def apart(self) -> OnsetSums:
        """The same sums, to go on with apart."""
        other = OnsetSums(self.ages)
        other.known, other._signature = self.known, self._signature
        other._strip[:, other._at :] = self._strip[:, self._at : self._at + self.ages]
        return other

    def go_back(self, sums: NDArray[np.float64], bins: int) -> None:
        """What the last bins added since that copy is taken back; the onsets stay as old as they are."""
        now = self._strip[:, self._at : self._at + self.ages]
        now[:, bins:] = sums[:, : self.ages - bins]
        now[:, :bins] = 0.0

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
