"""Belt path by pulley ticks: a clock that runs as the belt does.

The board counts the pulses of a pulley's sensor and sends, at a fixed cadence, the count and the instant of the
last pulse. Told in nominal time (what the count would take at the station file's speed), the belt's path is a
polyline through those instants, gone on from the last one at the pace of late. At a constant pace it differs from
time by a factor only, so that a tracker may count in either; where the speed changes, this one stays right.
Counts have no direction, and a pulley may slip: marks judge them (`Tracker`).

What a count may be wrong by is whole pulses. A record that departs from the pace by half a pulse and by more
than UNEVEN is first taken for a miscount and put right by whole pulses; when those after it depart the same way,
by CHANGE_TICKS or MORE_TICKS and by a record's worth together, it was the speed that changed, and the pulses are
given back. When no pulse came for as long as STILL_TICKS of them take, and STILL_US, the pulley is silent: the
belt stands, or the sensor fails; the readings tell which.

All that happens at a moment rests on records heard before it (`known_us`), so that nothing depends on how bytes
were cut.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

UNEVEN = 0.03  # relative change of pace, from record to record, that a belt's own unsteadiness stays below
CHANGE_TICKS = 4.0  # pulses that records in a row must depart by, all the same way, for a change of speed
MUCH = 0.25  # relative departure from which those are enough; below, it takes MORE_TICKS
MORE_TICKS = 8.0
STILL_TICKS = 3.0  # pulses that must have failed to come
STILL_US = 350_000.0  # ... and the least time for it, microseconds: two records at the usual cadence
PACE_WEIGHT = 0.4  # of the latest record in the pace
TREND_WEIGHT = 0.15  # ... and in how the pace changes from record to record
KEPT = 16_384  # knots kept, and records waiting: of a turn that takes no end, or while no sample comes


class TickClock:
    """Belt path in nominal microseconds. Before the first two records it runs as time does."""

    def __init__(self, tick_us: float) -> None:
        self._tick_us = tick_us
        self._queue: deque[tuple[float, int, int]] = deque(maxlen=KEPT)  # known, instant, count
        self._last: tuple[int, int] | None = None
        self._heard_us = 0.0  # when the last record was sent, about
        self._at_us, self._at = 0.0, 0.0  # the last knot
        self._pace = 1.0  # nominal over true time, of late: with which path is gone on from the last knot
        self._even = math.nan  # pace against which a record is judged; NaN: not known
        self.usual = 1.0  # the pace when it last ran
        self._trend = 0.0
        self._odd = 0  # pulses that the records just before were put right by, all the same way
        self._reached_us, self._reached = -math.inf, -math.inf  # path told so far: it never goes back
        self._times: list[float] = [0.0]
        self._path: list[float] = [0.0]
        self._failed = False
        self.silent_since_us = math.nan  # instant of the last pulse, while none comes

    # ------------------------------------------------------------ in

    def hear(self, known_us: int, time_us: int, ticks: int) -> None:
        """A record of the board: `ticks` by time_us. known_us: latest time of any record before it."""
        self._queue.append((float(known_us), time_us, ticks))

    def advance(self, time_us: float) -> None:
        """Time went on to time_us: what was known before it counts from now on."""
        while self._queue and self._queue[0][0] < time_us:
            self._take(*self._queue.popleft())
        if time_us > self._reached_us:
            self._reached_us, self._reached = time_us, self.at(time_us)

    def follow(self, times_us: NDArray[np.int64], end: float) -> NDArray[np.float64]:
        """Path at these times as known then, up to the first that is not below `end`; time goes on to there."""
        parts = [np.empty(0)]
        start = 0
        while start < times_us.size and not (parts[-1].size and parts[-1][-1] >= end):
            self.advance(float(times_us[start]))
            stop = times_us.size
            if self._queue:
                stop = max(start + 1, int(np.searchsorted(times_us, self._queue[0][0], side="right")))
            path = np.maximum(self.over(times_us[start:stop]), self._reached)
            path = path[: int(np.searchsorted(path, end)) + 1]
            self._reached_us, self._reached = float(times_us[start + path.size - 1]), float(path[-1])
            parts.append(path)
            start = stop
        return np.concatenate(parts)

    def fail(self) -> None:
        """The silence is the sensor's: the path goes on at the pace of late until ticks come again."""
        self._failed = True

    def restart(self) -> None:
        """The board started anew: its count, too. The path goes on at the pace of late."""
        self._queue.clear()
        self._last, self._odd, self._even, self._trend = None, 0, math.nan, 0.0
        self.silent_since_us = math.nan

    def forget(self, before_us: float) -> None:
        """Knots before this time are no longer asked for."""
        k = bisect_right(self._times, before_us) - 1
        if k > 0:
            del self._times[:k], self._path[:k]

    # ------------------------------------------------------------ out

    def at(self, time_us: float) -> float:
        """Path at a time."""
        if time_us >= self._at_us:
            path = self._at + (time_us - self._at_us) * self._pace
            return max(path, self._reached) if time_us >= self._reached_us else path
        k = bisect_right(self._times, time_us)
        if k == 0 or k == len(self._times):
            return self._path[min(k, len(self._times) - 1)]
        part = (time_us - self._times[k - 1]) / (self._times[k] - self._times[k - 1])
        return self._path[k - 1] + part * (self._path[k] - self._path[k - 1])

    def over(self, times_us: NDArray[np.int64]) -> NDArray[np.float64]:
        """Path at many times, by all that is known now."""
        path = np.interp(times_us, self._times, self._path)
        later = times_us > self._at_us
        if later.any():
            path[later] = self._at + (times_us[later] - self._at_us) * self._pace
        return path

    def when(self, path: float) -> float:
        """The time at which the path was, or will be, this long."""
        if path >= self._at:
            return self._at_us + (path - self._at) / max(self._pace, 1e-9)
        return float(np.interp(path, self._path, self._times))

    @property
    def pace(self) -> float:
        """Nominal over true time now: 1 at the station file's speed."""
        return self._pace

    # ------------------------------------------------------------ a record

    def _take(self, known_us: float, time_us: int, ticks: int) -> None:
        last, self._last = self._last, (time_us, ticks)
        before_us, self._heard_us = self._heard_us, known_us
        if last is None or time_us < last[0] or (self._failed and time_us > last[0]):
            self._failed, self._even, self._trend, self.silent_since_us = False, math.nan, 0.0, math.nan
            self._knot(float(time_us), self.at(time_us))
            return
        count, took_us = ticks - last[1], float(time_us - last[0])
        if count <= 0 or took_us <= 0.0:
            self._nothing(known_us, last[0])
            return
        silent, self.silent_since_us = self.silent_since_us == self.silent_since_us, math.nan
        if silent:  # it runs again: all these pulses came since the last record without one
            took_us = max(time_us - before_us, 1.0)
            self._odd, self._even, self._trend, self._reached = 0, math.nan, 0.0, -math.inf
            self._pace = min(count * self._tick_us / took_us, self.usual)
        elif self._even != self._even:
            self._even = self._pace = count * self._tick_us / took_us
            self.usual = self._even
        else:
            count = self._counted(count, took_us)
        self._knot(float(time_us), self._at + count * self._tick_us)

    def _counted(self, count: int, took_us: float) -> int:
        """Pulses to go on by; sets the pace."""
        self._even = max(self._even + self._trend, 0.0)
        due = took_us * self._even / self._tick_us
        off = count - due
        odd, self._odd = self._odd, 0
        if abs(off) < 0.5 or abs(off) < UNEVEN * due:
            miss = count * self._tick_us / took_us - self._even
            self._even += PACE_WEIGHT * miss
            self._trend += TREND_WEIGHT * miss
            self._pace = self.usual = self._even
            return count
        enough = max(CHANGE_TICKS if abs(off) > MUCH * due else MORE_TICKS, due)
        if odd * off > 0.0 and abs(odd + off) >= enough:  # the speed changed, those before were right
            self._even = self._pace = self.usual = count * self._tick_us / took_us
            self._trend = 0.0
            return count + odd
        wrong = count - round(due)
        self._trend = 0.0  # or the pace would come to meet it, and pulses of a ramp be taken for miscounts
        self._odd = odd + wrong if odd * off > 0.0 else wrong
        return count - wrong

    def _nothing(self, known_us: float, last_us: int) -> None:
        """A record, and no pulse since the one before."""
        waited = known_us - last_us
        if self.silent_since_us != self.silent_since_us and waited > max(
            STILL_TICKS * self._tick_us / max(self.usual, 1e-9), STILL_US
        ):
            self.silent_since_us = float(last_us)

    def _knot(self, time_us: float, path: float) -> None:
        while len(self._path) > 1 and self._path[-1] > path:  # pulses given back: those knots went too far
            self._times.pop()
            self._path.pop()
        path = max(path, self._path[-1])
        if time_us > self._times[-1]:
            self._times.append(time_us)
            self._path.append(path)
        if len(self._times) > KEPT:
            del self._times[: KEPT // 2], self._path[: KEPT // 2]
        self._at_us, self._at = max(time_us, self._at_us), path

    def snapshot(self) -> dict[str, Any]:
        """Everything needed to go on from here."""
        return dict(self.__dict__)
