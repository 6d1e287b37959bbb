"""What the display shows to those who look closer: positions and moves, the raster of revolutions, the camber profile.

Positions are those of the revolution rows. The raster is made from the readings themselves, decoded once
more from the bytes that were logged: a reading is put on the belt by its time within its revolution, which
holds as long as the belt runs evenly (as in the record's raster). Everything is bounded: the last MOST_REVS
revolutions, the last MOST_MOVES moves.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.outside.display_feed import Profile
from monitor.readings import Calibration, Decoder
from monitor.records import EdgeBlock, Event, Message, Revolution, plain
from monitor.settings import Station

CELLS = 72  # places round the belt
MOST_REVS = 160  # rows of the raster that a screen can still tell apart
MOST_MOVES = 40
MOST_BLOCKS = 6_000  # edge blocks that wait for their revolution's end: some minutes
PROFILE_POINTS = 144

Array = NDArray[np.float64]


class History:
    """One run's past, as far as it is shown."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._decoder, self._calibration = Decoder(), Calibration(station)
        self._edges: deque[tuple[Array, Array]] = deque(maxlen=MOST_BLOCKS)
        self._length_mm = station.belt.length_mm or 0.0
        self.rows: deque[dict[str, Any]] = deque(maxlen=MOST_REVS)
        self.moves: deque[dict[str, Any]] = deque(maxlen=MOST_MOVES)
        self.sections: deque[dict[str, Any]] = deque(maxlen=MOST_MOVES)
        self.profile: dict[str, list[float | None]] = {}
        self.last: Revolution | None = None

    def hear(self, data: bytes) -> None:
        """The board's bytes, whole lines."""
        for block in self._decoder.feed(data):
            if isinstance(block, EdgeBlock):
                edges_mm, _ = self._calibration.edges(block)
                self._edges.append((block.time_us / 1e6, edges_mm))

    def take(self, messages: tuple[Message, ...]) -> None:
        """What the pipeline said, in order."""
        for message in messages:
            if isinstance(message, Revolution):
                self._add(message)
            elif isinstance(message, Event) and message.kind == "move":
                self.moves.append(
                    {k: message.as_dict().get(k) for k in ("rev", "where", "side", "amount_mm")}
                )
            elif isinstance(message, Event) and message.name == "section-wobble":
                known = ("rev", "kind", "pulley", "sensor", "value_mm", "start_mm", "end_mm")
                self.sections.append({k: message.as_dict().get(k) for k in known})

    def keep_profile(self, profile: Profile) -> None:
        """Thinned to what a screen can show; PROFILE_POINTS equal steps from the mark."""
        by_sensor: dict[str, list[tuple[float, float]]] = {}
        for sensor, station_mm, mm in profile.rows:
            by_sensor.setdefault(sensor, []).append((station_mm, mm))
        for sensor, points in by_sensor.items():
            x, y = np.array(points).T
            step = x[1] - x[0] if x.size > 1 else 1.0
            self._length_mm = float(x[-1] + step)
            at = np.linspace(0.0, self._length_mm, PROFILE_POINTS, endpoint=False)
            thin = np.interp(at, x, y, period=self._length_mm)
            self.profile[sensor] = [plain(round(float(v), 2)) for v in thin]

    def document(self, after: int = 0) -> dict[str, Any]:
        """The rows of revolutions later than `after`, and everything else."""
        return {
            "cells": CELLS,
            "length_mm": plain(self._length_mm),
            "rows": [row for row in self.rows if row["rev"] > after],
            "moves": list(self.moves),
            "sections": list(self.sections),
            "profile": self.profile,
        }

    # ------------------------------------------------------------ inside

    def _add(self, revolution: Revolution) -> None:
        self.last = revolution
        raster = self._raster(revolution.start_s, revolution.end_s)
        kept = ("position_mm", "position_se_mm", "walk_mm_per_rev", "walk_se_mm_per_rev", "behaviour")
        sensors = {
            row.sensor: {key: plain(getattr(row, key)) for key in kept} | {"edges": raster.get(row.sensor)}
            for row in revolution.rows
        }
        self.rows.append({"rev": revolution.rev, "end_s": plain(revolution.end_s), "sensors": sensors})

    def _raster(self, start_s: float, end_s: float) -> dict[str, list[float | None]]:
        """sensor -> CELLS edge readings, mm, None = not seen; forgets what ended before `end_s`."""
        if not self._edges:
            return {}
        time_s = np.concatenate([t for t, _ in self._edges])
        edges_mm = np.concatenate([e for _, e in self._edges])
        while self._edges and self._edges[0][0][-1] < end_s:
            self._edges.popleft()
        inside = (time_s >= start_s) & (time_s < end_s)
        fraction = (time_s[inside] - start_s) / max(end_s - start_s, 1e-9)
        found = {}
        for s, sensor in enumerate(self._station.sensor):
            cell = ((fraction + self._first(s)) % 1.0 * CELLS).astype(np.int64) % CELLS
            found[sensor.name] = _means(cell, edges_mm[inside, s])
        return found

    def _first(self, s: int) -> float:
        """Where on the belt, in shares of its length, sensor s looks when a revolution begins (records.py)."""
        conveyor, length_mm = self._station.conveyor, self._length_mm
        if length_mm <= 0.0:
            return 0.0
        carried_mm = conveyor.carry_length_mm if self._station.sensor[s].pulley == "drive" else 0.0
        return (conveyor.mark_offset_mm - carried_mm) % length_mm / length_mm


def _means(cell: NDArray[np.int64], edge_mm: Array) -> list[float | None]:
    seen = np.isfinite(edge_mm)
    count = np.bincount(cell[seen], minlength=CELLS)
    total = np.bincount(cell[seen], edge_mm[seen], minlength=CELLS)
    return [
        round(float(t / n), 1) if n and math.isfinite(t) else None for t, n in zip(total, count, strict=True)
    ]
