"""A pipeline that says a lot: an alarm raised or cleared with each second of the board's time, all numbered.

Each event's text is `<birth>:<n>` with n = 1, 2, ... in the order of saying, so that a gap can be seen by who only
listens; the birth is the check sum of the first record, so a replay of the same bytes says the same. Sixty alarms at
made-up places take turns.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from monitor.records import Event, Message
from monitor.settings import Station
from tests.edge.simple_pipeline import SimplePipeline

EVERY = 50  # records: one second of the board's time
PLACES = 60


class LoadPipeline(SimplePipeline):
    """See the module's opening lines."""

    def __init__(self, station: Station) -> None:
        super().__init__(station)
        self._birth = ""
        self._said = self._records = 0
        self._raised: set[int] = set()
        self._turn = 0

    def _look(self, fields: bytes) -> Iterable[Message]:
        yield from super()._look(fields)
        if not self._birth:
            self._birth = hashlib.sha256(b"%d" % (self._first_us or 0)).hexdigest()[:12]
            self._turn = int(self._birth, 16) % PLACES
        self._records += 1
        if self._records % EVERY:
            return
        self._turn = (self._turn + 1) % PLACES
        raised = self._turn not in self._raised
        (self._raised.add if raised else self._raised.discard)(self._turn)
        self._said += 1
        yield Event(
            self.t_s, self.rev, "alarm-raised" if raised else "alarm-cleared", "sensor-noisy",
            sensor=f"made-up-{self._turn}", text=f"{self._birth}:{self._said}",
        )  # fmt: skip
