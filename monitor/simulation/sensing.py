"""From edge places to raw counts: noise, calibration, rails, and what may go wrong with a sensor."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.simulation.params import Fault, Params

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_LATE_US = 9  # the board samples this long after the even instant, give or take the jitter
_RAIL = 0xFFFF
_FLAG_LOST, _FLAG_REFERENCE = 1, 2


class Sensing:
    """Samples all channels of the board."""

    def __init__(self, params: Params, rng: np.random.Generator) -> None:
        self._params = params
        self._noise, self._spikes, self._jitter, self._floating = rng.spawn(4)
        self._stuck: dict[int, int] = {}
        self._slow: dict[int, float] = {}
        self._was_silent = False

    def sample(
        self, sample: Ints, time_s: Floats, edges_mm: Floats
    ) -> tuple[Ints, Ints, Ints, NDArray[np.bool_]]:
        """Time of each sample in us, flags, counts (n, channels), and which samples are sent at all."""
        p = self._params
        n, channels = edges_mm.shape
        edges_mm = self._misread(time_s, edges_mm)
        noisy_mm = edges_mm + self._noise_mm(n, channels) * self._loudness(time_s, channels)
        if p.spike_share > 0.0:
            draw = self._spikes.random((n, channels, 2))
            size = (
                p.spike_mm * np.where(draw[:, :, 1] < 0.5, -1.0, 1.0) * (0.5 + np.mod(2 * draw[:, :, 1], 1.0))
            )
            noisy_mm += np.where(draw[:, :, 0] < p.spike_share, size, 0.0)
        zero = np.array([fit.zero_counts for fit in p.sensors])
        scale = np.array([fit.counts_per_mm for fit in p.sensors])
        counts = np.clip(np.rint(zero + scale * noisy_mm), 0, _RAIL).astype(np.int64)
        flags = np.zeros(n, dtype=np.int64)
        sent = np.ones(n, dtype=bool)
        for index, fault in enumerate(p.faults):
            self._apply(index, fault, time_s, counts, flags, sent)
        self._flag_lost(flags, sent)
        jitter = np.clip(np.rint(p.jitter_us * self._jitter.standard_normal(n)), -8, 8).astype(np.int64)
        even = np.rint(sample * (1e6 / p.rate_hz)).astype(np.int64)
        return even + _LATE_US + jitter, flags, counts, sent

    def _misread(self, time_s: Floats, edges_mm: Floats) -> Floats:
        """What a sensor that is knocked, wrongly scaled or slow takes the edge's place for."""
        for index, fault in enumerate(self._params.faults):
            rows = np.flatnonzero(_during(fault, time_s))
            if rows.size == 0 or fault.kind not in ("shifted", "scaled", "sluggish"):
                continue
            edges_mm = edges_mm.copy()
            seen = edges_mm[rows, fault.sensor]
            if fault.kind == "shifted":
                seen = seen + fault.size
            elif fault.kind == "scaled":
                seen = seen * fault.size
            else:
                seen = self._slowed(index, fault, seen)
            edges_mm[rows, fault.sensor] = seen
        return edges_mm

    def _slowed(self, index: int, fault: Fault, seen: Floats) -> Floats:
        """First-order lag; its state is kept from piece to piece."""
        keep = math.exp(-1.0 / (self._params.rate_hz * max(fault.size, 1e-9)))
        state = self._slow.get(index, float(seen[0]))
        slow = np.empty_like(seen)
        for i, value in enumerate(seen.tolist()):
            state = keep * state + (1.0 - keep) * value
            slow[i] = state
        self._slow[index] = state
        return slow

    def _noise_mm(self, n: int, channels: int) -> Floats:
        p = self._params
        if p.student_df > 0.0:
            shape = math.sqrt((p.student_df - 2.0) / p.student_df) if p.student_df > 2.0 else 1.0
            heavy: Floats = p.noise_sd_mm * shape * self._noise.standard_t(p.student_df, (n, channels))
            return heavy
        normal: Floats = p.noise_sd_mm * self._noise.standard_normal((n, channels))
        return normal

    def _loudness(self, time_s: Floats, channels: int) -> Floats:
        loud: Floats = np.ones((time_s.size, channels))
        for fault in self._params.faults:
            if fault.kind == "noisy":
                loud[_during(fault, time_s), fault.sensor] *= fault.size
        return loud

    def _apply(
        self,
        index: int,
        fault: Fault,
        time_s: Floats,
        counts: Ints,
        flags: Ints,
        sent: NDArray[np.bool_],
    ) -> None:
        rows = np.flatnonzero(_during(fault, time_s))
        if rows.size == 0:
            return
        channel = fault.sensor
        if fault.kind == "stuck":
            counts[rows, channel] = self._stuck.setdefault(index, int(counts[rows[0], channel]))
        elif fault.kind == "clipped":
            counts[rows, channel] = _RAIL if fault.size > 0 else 0
        elif fault.kind == "open":
            counts[rows, channel] = self._floating.integers(2, 60, size=rows.size)
        elif fault.kind == "reference":
            flags[rows] |= _FLAG_REFERENCE
            swing = np.rint(9000 * np.sin(time_s[rows] / 3.0)).astype(np.int64)
            counts[rows, channel] = np.clip(counts[rows, channel] + swing, 0, _RAIL)
        elif fault.kind == "silent":
            sent[rows] = False

    def _flag_lost(self, flags: Ints, sent: NDArray[np.bool_]) -> None:
        """The first record after a silence says that samples were lost."""
        if flags.size == 0:
            return
        before = np.concatenate([[not self._was_silent], sent[:-1]])
        flags[sent & ~before] |= _FLAG_LOST
        self._was_silent = not bool(sent[-1])


def _during(fault: Fault, time_s: Floats) -> NDArray[np.bool_]:
    inside: NDArray[np.bool_] = (time_s >= fault.start_s) & (time_s < fault.start_s + fault.duration_s)
    return inside
