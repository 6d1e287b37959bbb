"""Every alarm, rationalised in one table: why it comes, what follows, what a person does, and how soon.

The README's table, the MQTT messages and the life cycle are all made from this table, so they cannot
disagree. The method is that of ISA-18.2 / IEC 62682 (rationalisation: an alarm that asks for no action is no
alarm; each has a cause, a consequence, an action, a time to respond, and a priority that follows from how bad
and how soon). The standards themselves were not read; the times to respond are common practice, no source.

`suppressed_by` names the alarms that make this one pointless while they stand, so that one cause raises one
alarm. An alarm of the bay suppresses at every place, an alarm of a pulley at that pulley and the sensors it
names, an alarm of a sensor at that sensor only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.errors import EntryError

Priority = Literal["urgent", "high", "medium", "low"]
Place = Literal["bay", "pulley", "sensor"]  # the kind of place that an alarm is raised at
PRIORITIES: tuple[Priority, ...] = ("urgent", "high", "medium", "low")
STOP_FIRST = "Stop and lock out before you reach in; this program does not stop the conveyor."


@dataclass(frozen=True, slots=True)
class AlarmEntry:
    """One row of the table. Texts are single sentences for the person at the conveyor."""

    name: str
    place: Place
    priority: Priority
    cause: str
    consequence: str
    action: str
    respond_within_s: int
    suppressed_by: tuple[str, ...] = ()
    suppressed_when: str = "never"
    latching: bool = False  # a return must be acknowledged too, even when the alarm itself was
    shelvable: bool = True


CATALOGUE: tuple[AlarmEntry, ...] = (
    AlarmEntry(
        name="edge-stop",
        place="sensor",
        priority="urgent",
        cause="The belt edge is beyond edge_stop_mm at this sensor.",
        consequence="The belt is about to rub on the frame, fold over or be torn.",
        action="STOP the conveyor with its own stop control, then find out why before it runs again.",
        respond_within_s=10,
        suppressed_by=("link-lost",),
        suppressed_when="the link to the board is lost",
        latching=True,
        shelvable=False,
    ),
    AlarmEntry(
        name="edge-warn",
        place="sensor",
        priority="high",
        cause="The belt edge is beyond edge_warn_mm at this sensor.",
        consequence="If it goes on the same way, the belt reaches the frame.",
        action="Go to the conveyor, keep its stop control in reach, and follow the advice.",
        respond_within_s=60,
        suppressed_by=("edge-stop", "link-lost"),
        suppressed_when="edge-stop stands at the same sensor, or the link is lost",
    ),
    AlarmEntry(
        name="drift",
        place="pulley",
        priority="high",
        cause="The whole belt walks sideways at this pulley by drift_mm_per_rev or more.",
        consequence="The belt leaves its place on the pulley and in the end touches the frame.",
        action="Follow the advice. A move is made from outside the guards, then has its time to settle.",
        respond_within_s=300,
        suppressed_by=("belt-stopped", "link-lost"),
        suppressed_when="the belt stands, or the link is lost",
    ),
    AlarmEntry(
        name="section-wobble",
        place="sensor",
        priority="medium",
        cause="One section of the belt departs from its learnt profile by wobble_mm or more.",
        consequence="That section has a bad splice or a damaged edge, which no move at a pulley can cure.",
        action=f"Look at that section of the belt for a bad splice, a tear or a curled edge. {STOP_FIRST}",
        respond_within_s=1800,
        suppressed_by=("belt-stopped", "link-lost"),
        suppressed_when="the belt stands, or the link is lost",
    ),
    AlarmEntry(
        name="no-response",
        place="pulley",
        priority="medium",
        cause="A logged move had its time to settle and the belt did not answer as a belt must.",
        consequence="Further moves pile up without effect and may then all act at once.",
        action="Check that the move was made where and as it was logged, and that the bearing is free.",
        respond_within_s=600,
        suppressed_by=("link-lost",),
        suppressed_when="the link is lost",
    ),
    AlarmEntry(
        name="unlogged-move",
        place="pulley",
        priority="medium",
        cause="The belt's walk broke off sharply, as after a move that nobody logged.",
        consequence="The advice reckons without that move and may be wrong.",
        action="Log the move that was made, or find out what touched the belt or the take-ups.",
        respond_within_s=600,
        suppressed_by=("link-lost",),
        suppressed_when="the link is lost",
    ),
    AlarmEntry(
        name="early-move",
        place="pulley",
        priority="low",
        cause="A move was logged before the last one had its settle_revs revolutions.",
        consequence="The effects of both moves mix, so neither can be judged.",
        action="Make no further move until the advice says that the belt has settled.",
        respond_within_s=600,
    ),
    AlarmEntry(
        name="link-lost",
        place="bay",
        priority="high",
        cause="No valid record came from the sensor board for 2 s.",
        consequence="Nobody watches the belt: every position is unknown.",
        action="Watch the belt by eye, and check the cable, the plug and the supply of the sensor board.",
        respond_within_s=60,
    ),
    AlarmEntry(
        name="sensor-silent",
        place="sensor",
        priority="medium",
        cause="This sensor gives no usable reading.",
        consequence="The belt's place at this sensor is unknown.",
        action=f"Check the sensor's cable and supply. {STOP_FIRST}",
        respond_within_s=600,
        suppressed_by=("link-lost",),
        suppressed_when="the link is lost",
    ),
    AlarmEntry(
        name="sensor-stuck",
        place="sensor",
        priority="medium",
        cause="This sensor repeats one value although the belt runs.",
        consequence="The belt's place at this sensor is unknown.",
        action=f"Check that the sensor is clean, fixed and looks at the belt edge. {STOP_FIRST}",
        respond_within_s=600,
        suppressed_by=("sensor-silent", "sensor-clipped", "link-lost", "belt-stopped"),
        suppressed_when="the sensor is silent or clipped, the belt stands, or the link is lost",
    ),
    AlarmEntry(
        name="sensor-clipped",
        place="sensor",
        priority="medium",
        cause="This sensor is at the end of its range.",
        consequence="The edge is out of its sight, so its true place is unknown.",
        action=f"Look where the belt edge is, and set the sensor so that it sees the edge. {STOP_FIRST}",
        respond_within_s=300,
        suppressed_by=("sensor-silent", "link-lost"),
        suppressed_when="the sensor is silent, or the link is lost",
    ),
    AlarmEntry(
        name="sensor-noisy",
        place="sensor",
        priority="low",
        cause="This sensor's readings scatter far more than they did.",
        consequence="Its positions are uncertain, and the verdict takes longer or does not come.",
        action=f"Clean the sensor and check that its bracket is tight. {STOP_FIRST}",
        respond_within_s=1800,
        suppressed_by=("sensor-silent", "sensor-stuck", "sensor-clipped", "link-lost"),
        suppressed_when="another fault of the sensor stands, or the link is lost",
    ),
    AlarmEntry(
        name="mark-missing",
        place="bay",
        priority="low",
        cause="The belt mark did not come when it was due.",
        consequence="Places on the belt are reckoned from the speed and become less sure.",
        action=f"Check the belt mark and its sensor. {STOP_FIRST}",
        respond_within_s=1800,
        suppressed_by=("link-lost", "belt-stopped"),
        suppressed_when="the belt stands, or the link is lost",
    ),
    AlarmEntry(
        name="mark-extra",
        place="bay",
        priority="low",
        cause="The belt mark came twice in one revolution.",
        consequence="The second one is left out; if it goes on, places on the belt become unsure.",
        action=f"Check the belt for a second mark, a reflection or dirt at the mark sensor. {STOP_FIRST}",
        respond_within_s=1800,
        suppressed_by=("link-lost",),
        suppressed_when="the link is lost",
    ),
    AlarmEntry(
        name="belt-stopped",
        place="bay",
        priority="low",
        cause="The belt stands still.",
        consequence="Nothing can be learnt about its tracking until it runs.",
        action="If it should run, find out why it stopped; all persons clear before it starts.",
        respond_within_s=1800,
        suppressed_by=("link-lost",),
        suppressed_when="the link is lost",
    ),
)

_BY_NAME = {entry.name: entry for entry in CATALOGUE}


def find_alarm(name: str) -> AlarmEntry:
    """The table's row of an alarm. Raises EntryError naming the alarms that exist."""
    entry = _BY_NAME.get(name)
    if entry is None:
        known = ", ".join(sorted(_BY_NAME))
        shown = "".join(c if c.isprintable() else "?" for c in name[:60])
        raise EntryError(f"there is no alarm '{shown}'; the alarms are {known}")
    return entry


def markdown_table() -> str:
    """The README's table of alarms, most urgent first."""
    lines = [
        "| alarm | priority | cause | consequence | what to do | respond within | suppressed when |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for entry in sorted(CATALOGUE, key=lambda entry: PRIORITIES.index(entry.priority)):
        texts = (entry.name, entry.priority, entry.cause, entry.consequence, entry.action)
        cells = (*texts, format_duration(entry.respond_within_s), entry.suppressed_when)
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def format_duration(seconds: int) -> str:
    """`10 s`, `5 min`: as a person says it."""
    return f"{seconds} s" if seconds < 120 or seconds % 60 else f"{seconds // 60} min"
