"""What the daemon hands to the bay display: a bounded trough that is filled without waiting and may overflow.

The daemon's own thread only appends here. The display's thread empties it at its leisure; when it is late the
oldest things are lost to the display, never to the log. Every thing carries the run it belongs to, so that a
lost beginning cannot mix two belts. Requests go the other way, as `Posted`, through the daemon's own queue.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from monitor.alarms.lifecycle import AlarmStatus
from monitor.outside.belt_log import Finished
from monitor.outside.log_lines import fault
from monitor.outside.mqtt import Asked, Bus
from monitor.records import Advice, Message, Now, Revolution, Stage, Tally, Verdict
from monitor.settings import Station

if TYPE_CHECKING:
    from monitor.outside.service import Service

MOST_WAITING = 4_000  # some minutes of a usual bay


@dataclass(frozen=True, slots=True)
class Posted:
    """A request made at the display; `reply` may be called from any thread."""

    asked: Asked
    reply: Callable[[dict[str, Any]], None]


@dataclass(frozen=True, slots=True)
class Glance:
    """The bay at one instant. silent_s: host's seconds since the last valid record. broker None: none is used.

    hold_s: how long the hold has lasted by the belt's clock, NaN = not known. alarms: all that are not
    normal, the shelved ones too. clock_s: the clock of the alarms, which the host carries on in silence.
    """

    serial: str | None
    log: str | None
    log_failed: str | None
    link: bool
    silent_s: float
    stage: Stage
    verdict: Verdict
    hold_s: float
    now: Now
    advice: Advice | None
    alarms: tuple[AlarmStatus, ...]
    tally: Tally
    broker: bool | None
    clock_s: float = math.nan


@dataclass(frozen=True, slots=True)
class Run:
    """One belt in the bay."""

    number: int
    station: Station


@dataclass(frozen=True, slots=True)
class Profile:
    """The camber profile at one moment: (sensor, station_mm, profile_mm) rows."""

    rows: tuple[tuple[str, float, float], ...]


Thing = bytes | tuple[Message, ...] | Glance | Profile


class Feed:
    """Filled by the daemon's thread, emptied by the display's. `deque` makes both safe."""

    def __init__(self) -> None:
        self._things: deque[tuple[Run, Thing]] = deque(maxlen=MOST_WAITING)
        self._run: Run | None = None
        self._failed = False

    def begin(self, station: Station) -> None:
        """Another run begins; `station` with the belt's own length."""
        self._run = Run(1 if self._run is None else self._run.number + 1, station)

    def put(self, thing: Thing) -> None:
        """Never waits, never fails."""
        if self._run is not None and thing:
            self._things.append((self._run, thing))

    def say(self, messages: Sequence[Message], pipeline: Finished) -> None:
        """What the pipeline said; with a revolution also the camber profile as it is known then."""
        self.put(tuple(messages))
        if any(isinstance(message, Revolution) for message in messages):
            self._guard(lambda: Profile(tuple(pipeline.profile_rows())))

    def show(self, service: Service, silent_s: float, bus: Bus | None) -> None:
        """The bay now; called only by the service's own thread."""
        self._guard(lambda: _glance(service, silent_s, bus))

    def _guard(self, make: Callable[[], Thing]) -> None:
        try:
            self.put(make())
        except Exception:  # a mistake in what is shown must not touch what is recorded
            if not self._failed:
                fault("display-failed", trace=True)
            self._failed = True

    def take(self) -> list[tuple[Run, Thing]]:
        """All that waits, oldest first."""
        found: list[tuple[Run, Thing]] = []
        while self._things:
            found.append(self._things.popleft())
        return found


def _glance(service: Service, silent_s: float, bus: Bus | None) -> Glance:
    run, pipeline = service.run, service.run.pipeline
    return Glance(
        serial=None if run.tag is None else run.tag.serial,
        log=run.log.name if run.log is not None else None,
        log_failed=run.log_failed,
        link=not service.link_lost,
        silent_s=silent_s,
        stage=pipeline.stage,
        verdict=pipeline.verdict,
        hold_s=getattr(pipeline, "hold_s", math.nan),
        now=pipeline.now(),
        advice=pipeline.advice,
        alarms=tuple(s for s in service.voice.alarms.snapshot() if s.state != "normal"),
        tally=pipeline.tally,
        broker=None if bus is None else bus.connected,
        clock_s=service.now_s(),
    )
