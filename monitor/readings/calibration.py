"""Raw counts -> edge positions in millimetres, each with its quality. What cannot be believed is NaN.

A count at a rail (0000 or FFFF) is clipped: the edge may be anywhere beyond. A sample whose reference
voltage was out of range, or that shows a test pattern, says nothing about any edge.
"""

from __future__ import annotations

from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from monitor.readings.wire import BAD_REFERENCE, LOST_SAMPLES, TEST_PATTERN
from monitor.records import EdgeBlock
from monitor.settings import Station

RAILS = (0x0000, 0xFFFF)


class Quality(IntFlag):
    """What is to be said of one reading; every flag but GAP makes it NaN."""

    GOOD = 0
    CLIPPED = 1
    REFERENCE = 2
    PATTERN = 4
    NO_CHANNEL = 8
    GAP = 16  # the board lost samples just before this one; the reading itself is good


class Calibration:
    """The station's sensors as numbers: counts of a block -> edges in mm."""

    def __init__(self, station: Station) -> None:
        self._channel = np.array([sensor.channel for sensor in station.sensor], np.int64)
        self._zero_counts = np.array([sensor.zero_counts for sensor in station.sensor], np.float64)
        self._counts_per_mm = np.array([sensor.counts_per_mm for sensor in station.sensor], np.float64)

    def edges(self, block: EdgeBlock) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Positions and quality, both (n, sensors) in the station file's order.

        Positions in mm, positive to the right, NaN = not to be believed; quality holds Quality flags.
        """
        present = self._channel < block.counts.shape[1]
        counts = block.counts[:, np.where(present, self._channel, 0)]
        quality = np.zeros(counts.shape, np.uint8)
        quality[(counts == RAILS[0]) | (counts == RAILS[1])] = Quality.CLIPPED
        quality[:, ~present] = Quality.NO_CHANNEL
        for flag, meaning in ((BAD_REFERENCE, Quality.REFERENCE), (TEST_PATTERN, Quality.PATTERN)):
            quality[(block.flags & flag) != 0] |= np.uint8(meaning)
        edges_mm = (counts - self._zero_counts) / self._counts_per_mm
        edges_mm[quality != 0] = np.nan
        quality[(block.flags & LOST_SAMPLES) != 0] |= np.uint8(Quality.GAP)
        return edges_mm, quality
