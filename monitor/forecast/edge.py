"""How long until the belt's edge reaches its limit, at the present walk.

The room is what is left between the edge's extreme over the last revolution and the limit, on the side the
belt walks to; room over walk is revolutions, and the walk's spread makes an interval of it. A walk that is
not known to differ from nil has no upper end: the answer is then "not before ...", or nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NORMAL_95 = 1.959964  # two-sided 95 % point of the normal distribution


@dataclass(frozen=True, slots=True)
class EdgeForecast:
    """Revolutions and minutes to the limit: expected, soonest and latest (95 %). Infinite: never; NaN:
    unknown.
    """

    revs: float
    soonest_revs: float
    latest_revs: float
    minutes: float
    soonest_minutes: float

    @property
    def walks(self) -> bool:
        """Whether the walk is known to differ from nil, so that there is a latest time, too."""
        return math.isfinite(self.latest_revs)


def edge_forecast(
    edge_min_mm: float,
    edge_max_mm: float,
    walk_mm_per_rev: float,
    walk_se_mm_per_rev: float,
    limit_mm: float,
    rev_seconds: float,
) -> EdgeForecast:
    """edge_min_mm, edge_max_mm: the edge's extremes over the last revolution, camber included, mm from
    nominal.
    """
    figures = (edge_min_mm, edge_max_mm, walk_mm_per_rev, walk_se_mm_per_rev, rev_seconds)
    if not all(math.isfinite(v) for v in figures):
        return EdgeForecast(math.nan, math.nan, math.nan, math.nan, math.nan)
    half = NORMAL_95 * walk_se_mm_per_rev

    def revs(walk: float) -> float:
        if walk == 0.0:
            return 0.0 if max(edge_max_mm, -edge_min_mm) >= limit_mm else math.inf
        room_mm = limit_mm - edge_max_mm if walk > 0 else limit_mm + edge_min_mm
        return max(room_mm, 0.0) / abs(walk)

    low, high = walk_mm_per_rev - half, walk_mm_per_rev + half
    expected = revs(walk_mm_per_rev)
    soonest = min(revs(low), revs(high), expected)
    latest = math.inf if low <= 0.0 <= high else max(revs(low), revs(high), expected)
    minutes = rev_seconds / 60.0
    return EdgeForecast(expected, soonest, latest, expected * minutes, soonest * minutes)
