"""The raster of revolutions: what each edge sensor read at each place of the belt, turn after turn.

The pipeline keeps no readings, so the recording's bytes are read a second time, only decoded and calibrated.
A reading is put on the belt by its time within its revolution, from the replay's own start and end; that
holds as long as the belt runs evenly. A revolution that took much longer or shorter than both its
neighbours (the belt stood still, or changed speed within it) is therefore left blank: NaN, not guessed.
The same pass takes the SHA-256 of the bytes, so that what is drawn and what is named are one recording.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.outside.captures import Recording
from monitor.readings import Calibration, Decoder
from monitor.records import EdgeBlock, Revolution
from monitor.settings import Station

CELLS = 100  # places round the belt: some 5 to 10 cm of a usual belt, finer than print shows
UNEVEN = 1.15  # a revolution this much longer (or shorter) than both neighbours is not drawn

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Raster:
    """edges_mm: sensor -> (revolutions, CELLS) float64, mm from the nominal place, right positive, NaN = not
    seen; column 0 begins at the mark. length_mm: of the belt. revs: (revolutions,) their numbers.
    """

    edges_mm: dict[str, Array]
    revs: NDArray[np.int64]
    length_mm: float
    wire_sha256: str


def read_raster(
    recording: Recording, station: Station, revolutions: Sequence[Revolution], length_mm: float
) -> Raster:
    """Bins a recording's edge readings by revolution and station. Cost: decoding it once more."""
    n, names = len(revolutions), [sensor.name for sensor in station.sensor]
    starts = np.array([r.start_s for r in revolutions]) * 1e6
    ends = np.array([r.end_s for r in revolutions]) * 1e6
    sums, counts = (np.zeros((len(names), n * CELLS)) for _ in range(2))
    firsts = [_first_station(station, s, length_mm) / length_mm for s in range(len(names))]
    decoder, calibration, digest = Decoder(), Calibration(station), hashlib.sha256()
    for chunk in recording.chunks():
        digest.update(chunk)
        for block in decoder.feed(chunk):
            if n and isinstance(block, EdgeBlock):
                edges_mm, _ = calibration.edges(block)
                _add(sums, counts, edges_mm, block.time_us.astype(np.float64), starts, ends, firsts)
    with np.errstate(invalid="ignore"):
        means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan).reshape(len(names), n, CELLS)
    means[:, _uneven(ends - starts)] = np.nan
    revs = np.array([r.rev for r in revolutions], np.int64)
    return Raster(dict(zip(names, means, strict=True)), revs, length_mm, digest.hexdigest())


def _first_station(station: Station, s: int, length_mm: float) -> float:
    """The station that sensor s sees when a revolution begins, mm (records.py, Station)."""
    conveyor = station.conveyor
    carried_mm = conveyor.carry_length_mm if station.sensor[s].pulley == "drive" else 0.0
    return (conveyor.mark_offset_mm - carried_mm) % length_mm


def _add(
    sums: Array, counts: Array, edges_mm: Array, time: Array, starts: Array, ends: Array, firsts: list[float]
) -> None:
    row = np.searchsorted(starts, time, side="right") - 1
    inside = (row >= 0) & (time < ends[np.maximum(row, 0)])
    fraction = (time - starts[row]) / np.maximum(ends[row] - starts[row], 1.0)
    for s, first in enumerate(firsts):
        use = inside & np.isfinite(edges_mm[:, s])
        cell = np.minimum(((fraction[use] + first) % 1.0 * CELLS).astype(np.int64), CELLS - 1)
        flat = row[use] * CELLS + cell
        sums[s] += np.bincount(flat, edges_mm[use, s], sums.shape[1])
        counts[s] += np.bincount(flat, minlength=sums.shape[1])


def _uneven(took: Array) -> NDArray[np.bool_]:
    """(n,) True where a revolution took much longer or shorter than both its neighbours."""
    if took.size < 2:
        return np.zeros(took.size, bool)
    before = np.concatenate((took[1:2], took[:-1]))
    after = np.concatenate((took[1:], took[-2:-1]))
    longer = took > UNEVEN * np.maximum(before, after)
    return longer | (took * UNEVEN < np.minimum(before, after))


def thinned(edges_mm: Array, most: int) -> tuple[Array, int]:
    """At most `most` rows: means of k successive revolutions each, and k. (rows, CELLS) mm, NaN = not seen."""
    n = len(edges_mm)
    k = max(math.ceil(n / most), 1)
    if k == 1:
        return edges_mm, 1
    padded = np.full((math.ceil(n / k) * k, edges_mm.shape[1]), np.nan)
    padded[:n] = edges_mm
    groups = padded.reshape(-1, k, edges_mm.shape[1])
    seen = np.isfinite(groups).sum(axis=1)
    total = np.where(np.isfinite(groups), groups, 0.0).sum(axis=1)
    return np.where(seen > 0, total / np.maximum(seen, 1), np.nan), k
