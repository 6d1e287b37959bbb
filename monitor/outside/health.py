"""Is the service well? The counters it shows, and when the service manager's watchdog may be fed.

The watchdog is fed by progress, not by a timer: bytes that came must have become records or rejected lines, and the
MQTT thread must have turned. A loop that turns but gets nowhere is then restarted as one that hangs is.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import TYPE_CHECKING

from monitor.alarms.catalogue import PRIORITIES, find_alarm
from monitor.outside.counters import Sample
from monitor.outside.outbox import Outbox, OutboxBroken
from monitor.records import Tally

if TYPE_CHECKING:
    from monitor.outside.mqtt import Bus
    from monitor.outside.service import Service
    from monitor.outside.sparkplug import EdgeNode

STUCK_BYTES = 65_536  # no line is longer than 127 bytes, so this many must have given records
BUS_STUCK_S = 120.0  # finding a host's address may take the system a minute


class Progress:
    """Whether the pipeline gets on with what it is fed."""

    def __init__(self) -> None:
        self._counted = 0
        self._fed_bytes = 0

    def note(self, fed_bytes: int, tally: Tally) -> None:
        """So many bytes were fed; these are the counts now."""
        counted = tally.good + tally.rejected
        self._fed_bytes = 0 if counted != self._counted else self._fed_bytes + fed_bytes
        self._counted = counted

    def is_good(self, bus: Bus | None) -> bool:
        """True: the watchdog may be fed."""
        bus_turns = bus is None or time.monotonic() - bus.beat_s < BUS_STUCK_S
        return self._fed_bytes < STUCK_BYTES and bus_turns


def samples(
    service: Service, bus: Bus | None, outbox: Outbox | None, lag_s: float, node: EdgeNode | None = None
) -> dict[str, Sample]:
    """The counters' page of one moment; the families are those of counters.FAMILIES."""
    run, alarms = service.run, service.voice.alarms
    tally = run.pipeline.tally
    found: dict[str, Sample] = {
        "runin_records_good_total": tally.good,
        "runin_records_rejected_total": tally.rejected,
        "runin_records_lost_total": tally.lost,
        "runin_revolutions_total": run.pipeline.rev,
        "runin_board_seconds": run.t_s,
        "runin_link_up": not service.link_lost,
        "runin_running": run.pipeline.running and not service.link_lost,
        "runin_lag_seconds": lag_s,
        "runin_alarms_standing": _by_priority([s.name for s in alarms.standing()]),
        "runin_annunciations_total": sum(s.annunciations for s in alarms.snapshot()),
        "runin_requests_refused_total": service.desk.refused,
        "runin_log_failed": bool(run.log_failed),
    }
    if bus is not None:
        found |= {
            "runin_mqtt_connected": bus.connected,
            "runin_mqtt_connections_total": bus.counts["connections"],
            "runin_mqtt_sent_total": bus.counts["sent"],
            "runin_mqtt_refused_total": bus.counts["refused"],
            "runin_requests_total": bus.counts["requests"],
            "runin_answers_dropped_total": bus.counts["answers_dropped"],
        }
    if node is not None:
        counts = {f"runin_sparkplug_{name}_total": count for name, count in node.counts.items()}
        found |= {"runin_sparkplug_born": node.born, **counts}
    return found | _outbox_samples(outbox)


def _by_priority(names: list[str]) -> Mapping[str, float]:
    priorities = [find_alarm(name).priority for name in names]
    return {priority: priorities.count(priority) for priority in PRIORITIES}


def _outbox_samples(outbox: Outbox | None) -> dict[str, Sample]:
    if outbox is None:
        return {}
    try:
        return {"runin_outbox_depth": outbox.depth(), "runin_outbox_parked": len(outbox.parked())}
    except OutboxBroken:
        return {}
