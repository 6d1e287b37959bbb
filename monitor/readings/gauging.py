"""From a target held at known places to a sensor's zero and scale, and whether to believe them.

Counts at each place are averaged; a straight line through the averages gives zero_counts (at 0 mm, the
edge's nominal place) and counts_per_mm with their standard errors. The errors are the residuals of the line
or, where those are fewer or smaller, how well the target can be placed (`placement_mm`) together with the
noise. A place at a rail is left out. What a person can get wrong is told: another channel answered, the sign
turned round, the target was not still, the sensor bends. Limits are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.numerics.straight_line import fit_straight_line

FULL_COUNTS = 65_535
RAIL_COUNTS = 131  # 0.2 % of the range: so near a rail the reading may be held there
RAIL_SHARE = 0.01  # of the samples at one place
LEAST_ANSWER_COUNTS = 100.0  # a sensor that moves less over all places does not see the target
OTHER_ANSWER = 0.3  # another channel that moves by this share of ours sees the target as well
SWAPPED_ANSWER = 3.0
STILL_SHARE = 0.02  # of the whole answer: the target may move so much between the halves of one holding


@dataclass(frozen=True, slots=True)
class Place:
    """The target held: mm from nominal, positive to the right; counts (n, channels) meanwhile."""

    at_mm: float
    counts: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Gauged:
    """What came out for one sensor. `faults`: reasons not to use it; `remarks`: what else to know."""

    channel: int
    zero_counts: float
    zero_se_counts: float
    counts_per_mm: float
    counts_per_mm_se: float
    bend_mm: float  # largest distance of a place from the line
    low_mm: float  # what the rails mean
    high_mm: float
    noise_mm: float  # standard deviation of one sample
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def gauge(
    places: Sequence[Place],
    channel: int,
    *,
    placement_mm: float = 0.1,
    bend_limit_mm: float = 0.5,
    before_counts_per_mm: float | None = None,
) -> Gauged:
    """Zero and scale of the sensor on `channel`.

    placement_mm: standard error of the target's place. before_counts_per_mm: what the station file has now.
    Figures are NaN where fewer than two different places could be used.
    """
    clear = [place for place in places if not _at_rail(place.counts[:, channel])]
    remarks = [
        f"at {place.at_mm:g} mm the reading is at a rail (clipped); this place is left out"
        for place in places
        if _at_rail(place.counts[:, channel])
    ]
    if len({place.at_mm for place in clear}) < 2:
        fault = "fewer than two different places with a reading off the rails: move the sensor or the places"
        return Gauged(channel, *(math.nan,) * 8, (fault,), tuple(remarks))
    at_mm = np.array([place.at_mm for place in clear], np.float64)
    means = np.array([place.counts.mean(axis=0) for place in clear], np.float64)
    noise_counts = math.sqrt(float(np.mean([place.counts[:, channel].var() for place in clear])))
    rough = fit_straight_line(at_mm, means[:, channel])
    least = max(len(place.counts) for place in clear)
    error_counts = math.hypot(placement_mm * rough.slope, noise_counts / math.sqrt(least))
    line = fit_straight_line(at_mm, means[:, channel], error_counts)
    faults = _channel_faults(at_mm, means, channel, noise_counts)
    scale = line.slope if line.slope != 0.0 else math.nan
    bend_mm = float(np.abs(line.residuals).max()) / abs(scale)
    if not faults:
        faults += _shape_faults(
            clear, channel, line.slope * (at_mm.max() - at_mm.min()), bend_mm, bend_limit_mm
        )
        remarks += _sign_remarks(line.slope, before_counts_per_mm)
        remarks += [] if len(set(at_mm)) > 2 else ["only two places: a bend in the sensor cannot be seen"]
    ends_mm = sorted((-line.intercept / scale, (FULL_COUNTS - line.intercept) / scale))
    if not faults and not 0.0 <= line.intercept <= FULL_COUNTS:
        faults.append(
            "at 0 mm, the edge's nominal place, the sensor would be beyond its rail: move the sensor"
        )
    return Gauged(
        channel,
        line.intercept,
        line.intercept_se,
        line.slope,
        line.slope_se,
        bend_mm,
        ends_mm[0],
        ends_mm[1],
        noise_counts / abs(scale),
        tuple(faults),
        tuple(remarks),
    )


def _at_rail(counts: NDArray[np.uint16]) -> bool:
    near = (counts <= RAIL_COUNTS) | (counts >= FULL_COUNTS - RAIL_COUNTS)
    return bool(near.mean() > RAIL_SHARE)


def _channel_faults(
    at_mm: NDArray[np.float64], means: NDArray[np.float64], channel: int, noise_counts: float
) -> list[str]:
    """Did this channel answer, and was it the one that answered?"""
    span_mm = float(at_mm.max() - at_mm.min())
    answers = np.array(
        [fit_straight_line(at_mm, means[:, other]).slope * span_mm for other in range(means.shape[1])]
    )
    own = abs(float(answers[channel]))
    others = np.abs(answers)
    others[channel] = 0.0
    loudest = int(others.argmax())
    told = f"channel {loudest} moved by {others[loudest]:.0f} counts, channel {channel} by {own:.0f}"
    if others[loudest] > max(SWAPPED_ANSWER * own, LEAST_ANSWER_COUNTS):
        return [f"{told}: two sensors are exchanged, or the target is in another sensor"]
    if own < max(LEAST_ANSWER_COUNTS, 3.0 * noise_counts):
        return [f"channel {channel} moved by {own:.0f} counts only: the sensor does not see the target"]
    if others[loudest] > OTHER_ANSWER * own:
        return [f"{told}: both see the target, or they are joined somewhere"]
    return []


def _shape_faults(
    places: Sequence[Place], channel: int, answer_counts: float, bend_mm: float, bend_limit_mm: float
) -> list[str]:
    faults = []
    for place in places:
        counts = place.counts[:, channel].astype(np.float64)
        half = len(counts) // 2
        moved = abs(float(counts[:half].mean() - counts[half:].mean())) if half else 0.0
        noise = 4.0 * float(counts.std()) / math.sqrt(max(1, half))
        if moved > STILL_SHARE * abs(answer_counts) and moved > noise:
            faults.append(
                f"at {place.at_mm:g} mm the target was not still: the reading moved by {moved:.0f} counts"
            )
    if bend_mm > bend_limit_mm:
        faults.append(
            f"a place lies {bend_mm:.2f} mm off the straight line, more than {bend_limit_mm:g} mm: "
            "a slip in a place, or the sensor bends there"
        )
    return faults


def _sign_remarks(counts_per_mm: float, before: float | None) -> list[str]:
    if before is None or before * counts_per_mm > 0.0:
        return []
    return [
        "the sign is the other way round than in the station file: right only if 'positive' was to the right "
        "of a person who looks the way the carrying side travels"
    ]
