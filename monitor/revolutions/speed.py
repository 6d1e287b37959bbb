"""How does the speed of a belt vary within a turn? Told from how long its turns take, and what it does to positions.

Model: the speed departs from its mean by the share e, an Ornstein-Uhlenbeck process in travel (variance s2, rate
kappa a revolution). A turn's time gives the mean of e over it, so that the times of turns in a row tell s2 and, by
how they hang together, kappa: a speed that varies slowly changes from turn to turn as much as a quick one, but far
less within a turn. For each kappa of a grid a Kalman filter of (e at the end of the turn, mean of e over the first
turn) gives the exact likelihood of the changes since the first turn; s2 has an inverse gamma prior, which it
integrates. Both are of any textbook.

What it does: stations are laid between two marks as if the speed were even, which displaces them by the integral
of e less its mean. Camber c read at displaced stations then adds to the turn's mean the integral of c e (by
parts; c is zero-mean), of variance s2 times the sum over pairs of stations of c c' exp(-kappa |u - u'|).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

FIRST_SPREAD = 0.001  # relative change from turn to turn before it is learnt
FIRST_SHAPE = 2.0  # of the inverse gamma prior of s2: worth four changes
KAPPAS = np.exp(
    np.linspace(np.log(0.05), np.log(12.0), 8)
)  # rates a revolution: 20 turns to a twelfth of one
MOST_CHANGE = 0.5  # no wander, but another speed
FADE = 1.0 - 1.0 / 40.0  # of what was learnt, from turn to turn

Floats = NDArray[np.float64]

_STAYS = np.exp(-KAPPAS)  # correlation across a turn
_PULL = (1.0 - _STAYS) / KAPPAS  # covariance of a turn's mean with e at either end
_MEAN = 2.0 * (KAPPAS - 1.0 + _STAYS) / KAPPAS**2  # variance of a turn's mean
_CHANGE = 2.0 * (_MEAN - _PULL**2)  # variance of the change between the means of two turns in a row


class SpeedWander:
    """What is known of a belt's speed within a turn. stations: of a camber that is asked about.

    All variances of e are kept for s2 = 1; s2 itself comes in when they are asked for.
    """

    def __init__(self, stations: int) -> None:
        self._decay = np.exp(np.outer(-KAPPAS, np.arange(stations) / stations))
        self._scale = np.full(KAPPAS.size, FIRST_SPREAD**2) / _CHANGE  # of the prior
        self._squares = np.zeros(KAPPAS.size)  # of innovations, by their variance
        self._logs = np.zeros(KAPPAS.size)  # of those variances
        self._number = 0.0
        self.gap()

    def gap(self) -> None:
        """The next turn is not the one after the last: their speeds cannot be compared."""
        self._since = 0.0  # change since the first turn
        self._now, self._first = np.zeros(KAPPAS.size), np.zeros(KAPPAS.size)
        self._p_now, self._p_both, self._p_first = np.ones(KAPPAS.size), _PULL.copy(), _MEAN.copy()

    def add(self, change: float) -> None:
        """One more turn in a row. change: its time against that of the turn before, less one; absurd ones are a gap."""
        if not abs(change) < MOST_CHANGE:
            self.gap()
            return
        self._since -= change  # longer is slower
        surprise = self._since - (_PULL * self._now - self._first)
        from_now = _PULL * self._p_now - self._p_both
        from_first = _PULL * self._p_both - self._p_first
        total = _PULL * from_now - from_first + _MEAN - _PULL**2
        gain_now = (_STAYS * from_now + _PULL * (1.0 - _STAYS)) / total
        gain_first = from_first / total
        self._now = _STAYS * self._now + gain_now * surprise
        self._first = self._first + gain_first * surprise
        self._p_now = _STAYS**2 * self._p_now + 1.0 - _STAYS**2 - gain_now**2 * total
        self._p_both = _STAYS * self._p_both - gain_now * gain_first * total
        self._p_first = self._p_first - gain_first**2 * total
        self._squares = FADE * self._squares + surprise**2 / total
        self._logs = FADE * self._logs + np.log(total)
        self._number = FADE * self._number + 1.0

    def _posterior(self) -> tuple[Floats, Floats]:
        """Probability of each kappa, and the mean of s2 with it."""
        shape, scale = FIRST_SHAPE + 0.5 * self._number, self._scale + 0.5 * self._squares
        log = FIRST_SHAPE * np.log(self._scale) - 0.5 * self._logs - shape * np.log(scale)
        share = np.exp(log - log.max())
        return share / share.sum(), scale / (shape - 1.0)

    @property
    def kappa_per_rev(self) -> float:
        """The rate as known now, geometric mean of its posterior."""
        return float(np.exp(self._posterior()[0] @ np.log(KAPPAS)))

    def mean_mm2(self, camber_mm: Floats, change: float = 0.0) -> float:
        """Variance of a turn's mean reading by displaced stations, mm2. camber_mm: (stations,), no NaN.

        change: how much longer that turn was than the one before where that was no ordinary wander; then its speed
        varied as such a change lets expect.
        """
        n = camber_mm.size
        waves = np.fft.rfft(camber_mm - camber_mm.mean(), 2 * n)
        alike = np.fft.irfft(waves * np.conj(waves), 2 * n)[:n] / n**2
        alike[1:] *= 2.0
        within = self._decay @ alike
        share, s2 = self._posterior()
        s2 = np.maximum(s2, min(abs(change), MOST_CHANGE) ** 2 / _CHANGE)
        return max(float(share @ (s2 * within)), 0.0)

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
