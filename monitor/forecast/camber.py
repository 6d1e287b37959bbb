"""The camber of a belt in the trade's measure, and whether its profile has the shape of a crooked splice.

The trade stretches a string between two points of the edge and divides the offset at mid-length by the
distance (rubber manufacturers' measure, quoted in bulk-handling handbooks; usual limit 0.25 %). A belt of
uniform curvature 1/rho has offset c^2 / (8 rho) over a chord c, so the percentage grows with the chord: it
is always given with the chord it was taken over. On the endless belt the string is laid at every station of
the measured profile, over half the loop unless said otherwise, and the largest offset counts.

A splice that is out of square by an angle phi, taken up evenly by the rest of the loop of length Lb, gives
e(s) = phi s (Lb - s) / (2 Lb) from the splice on, peak to peak phi Lb / 8 (plane geometry).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_MISSING = 0.2  # share of unseen stations beyond which no statement is made


def _filled(profile_mm: Array) -> Array | None:
    """The profile with short gaps bridged in a straight line round the loop; None when too much is
    missing.
    """
    seen = np.isfinite(profile_mm)
    n = len(profile_mm)
    if n < 8 or seen.sum() < (1.0 - MOST_MISSING) * n:
        return None
    if seen.all():
        return profile_mm
    at = np.flatnonzero(seen)
    return np.interp(np.arange(n), at, profile_mm[at], period=n)


def camber_percent(profile_mm: Array, length_mm: float, chord_mm: float | None = None) -> float:
    """Offset at mid-length over length, in percent, the largest round the loop. NaN: too little was seen.

    profile_mm: (n,) the edge at n equal stations round the belt, mm, NaN = not seen. chord_mm: half the
    loop if None.
    """
    filled = _filled(np.asarray(profile_mm, dtype=np.float64))
    if filled is None or not length_mm > 0.0:
        return float("nan")
    n = len(filled)
    chord_mm = 0.5 * length_mm if chord_mm is None else min(chord_mm, length_mm)
    half = max(round(0.5 * chord_mm / length_mm * n), 1)
    offset = filled - 0.5 * (np.roll(filled, half) + np.roll(filled, -half))
    return float(100.0 * np.abs(offset).max() / (2.0 * half * length_mm / n))


@dataclass(frozen=True, slots=True)
class Splice:
    """The crooked splice that fits a profile best: its station, its angle, and the share of the profile
    it explains.
    """

    station_mm: float
    angle_mrad: float
    share: float


def crooked_splice(profile_mm: Array, length_mm: float) -> Splice | None:
    """The best-fitting crooked splice, tried at every station. None: too little was seen, or the edge is
    straight.
    """
    filled = _filled(np.asarray(profile_mm, dtype=np.float64))
    if filled is None or not length_mm > 0.0:
        return None
    n = len(filled)
    s = np.arange(n) / n * length_mm
    shape = s * (length_mm - s) / (2.0 * length_mm)
    shape = shape - shape.mean()
    edge = filled - filled.mean()
    power = float(edge @ edge)
    if power <= 0.0:
        return None
    match = np.fft.irfft(np.fft.rfft(edge) * np.conj(np.fft.rfft(shape)), n)
    place = int(np.abs(match).argmax())
    angle = float(match[place]) / float(shape @ shape)
    return Splice(float(s[place]), 1000.0 * angle, float(match[place]) ** 2 / (power * float(shape @ shape)))
