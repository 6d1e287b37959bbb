"""The present picture of a bay, as one JSON document: what the page, `runin watch` and /state.json show.

It answers, in this order: may I trust it; what do I do now; how does the belt ride; how far are we; what is
wrong. Every length that a person reads is worded here (mm or inch fractions, side by name, never a sign), so
that the page and the terminal cannot differ. Numbers go along for drawing. Nothing here touches the world.
"""

from __future__ import annotations

import math
from typing import Any

from monitor.alarms.catalogue import find_alarm
from monitor.alarms.lifecycle import AlarmStatus
from monitor.forecast import edge_forecast
from monitor.outside.display_feed import Glance, Profile, Run, Thing
from monitor.outside.display_history import History
from monitor.procedure import words
from monitor.records import STAGES, Advice, RevolutionRow, SensorNow, Stage, plain
from monitor.settings import Sensor, Station

OLD_REVS = 3  # an advice's own figures are this old before it is said when it was given
LATE_S = 3.0  # the daemon gives a glance twice a second; none for so long: it does not measure
LOSSY = 0.05  # share of lost records from which the readings are doubted
STAGE_WORDS: dict[Stage, tuple[str, str]] = {
    "set-up": ("Set up", "level, square, tension"),
    "watch": ("Watch", "learn this belt"),
    "steer": ("Steer", "centre at the infeed"),
    "trim": ("Trim", "centre at the drive"),
    "prove": ("Prove", "hands off, it must hold"),
    "lock": ("Lock", "tighten, look again"),
    "sign": ("Sign", "sign it off"),
}
PLACES = {"infeed": "infeed pulley", "snub": "snub", "drive": "drive pulley"}
PRIORITY = {"urgent": 1, "high": 2, "medium": 3, "low": 4}
MARKS = {1: "■", 2: "▲", 3: "◆", 4: "●"}  # the shapes that the page gives them
ANEW_S = 7_200.0  # how long it is worth saying that the program was started anew
FAR_REVS = 100.0  # an edge limit that is farther off is not worth a word
FAULTS = {
    "sensor-stuck": "is stuck",
    "sensor-clipped": "is at the end of its range",
    "sensor-silent": "is silent",
    "sensor-noisy": "is noisy",
}


class Picture:
    """Takes what the daemon hands over; `document` is the picture then."""

    def __init__(self, station: Station, version: str = "", earlier: str = "") -> None:
        """earlier: the log that was the last one when the program started, empty: none."""
        self._version, self._earlier = version, earlier
        self._begin(Run(0, station))

    def _begin(self, run: Run) -> None:
        self._run, self.station = run, run.station
        self.units = run.station.procedure.units
        self.history = History(run.station)
        self._glance: Glance | None = None

    def take(self, run: Run, thing: Thing) -> None:
        """One thing of the feed, in its order."""
        if run.number != self._run.number:
            self._begin(run)
        if isinstance(thing, bytes):
            self.history.hear(thing)
        elif isinstance(thing, tuple):
            self.history.take(thing)
        elif isinstance(thing, Profile):
            self.history.keep_profile(thing)
        else:
            self._glance = thing

    def document(self, late_s: float) -> dict[str, Any]:
        """late_s: host's seconds since the last glance. JSON-ready."""
        seen, station = self._glance, self.station
        trusted = self._trust(seen, late_s)
        head = {
            "run": self._run.number,
            "bay": f"{station.bay.site} / {station.bay.name}",
            "version": self._version,
            "units": self.units,
            "trust": trusted,
            "called": "" if seen is None else self._called(seen),
            "limits": self._limits(),
            "marks": station.conveyor.marks,
            "sides": sorted({sensor.edge for sensor in station.sensor}),
        }
        if seen is None:
            none = {"action": "none", "head": "Nothing is known yet", "big": "", "why": "", "caution": ""}
            return plain(head | {"do": none, "pulleys": [], "stages": [], "alarms": [], "revs": 0})  # type: ignore[no-any-return]
        believed = trusted["level"] != "no"
        rev_s = self._rev_seconds()
        document = head | {
            "belt": self._belt_words(seen),
            "serial": seen.serial,
            "log": seen.log,
            "anew": self._anew(seen)[0],
            "since": self._anew(seen)[1],
            "t_s": seen.now.t_s,
            "rev": seen.now.rev,
            "rev_s": rev_s,
            "revs": self.history.last.rev if self.history.last else 0,
            "running": seen.now.running and believed,
            "motion": self._motion(seen, believed),
            "do": self._do(seen, rev_s, believed),
            "pulleys": [self._ride(k, sensor, seen, believed) for k, sensor in enumerate(station.sensor)],
            "stage": seen.stage,
            "stages": self._stages(seen),
            "hold": self._hold(seen),
            "verdict": seen.verdict,
            "alarms": self._alarms(seen),
        }
        return plain(document)  # type: ignore[no-any-return]

    # ------------------------------------------------------------ may I trust it

    def _trust(self, seen: Glance | None, late_s: float) -> dict[str, Any]:
        level, why = self._judge(seen, late_s)
        word = {"yes": "Live", "part": "In part", "no": "Do not trust"}[level]
        silent_s = math.nan if seen is None else seen.silent_s + late_s
        return {
            "level": level, "word": word, "why": why, "silent_s": silent_s,
            "age": "" if seen is None else f"last reading {_age(silent_s)}",
            "sensors": [] if seen is None else [_sensor_words(s) for s in seen.now.sensors],
        }  # fmt: skip

    def _judge(self, seen: Glance | None, late_s: float) -> tuple[str, str]:
        if seen is None or late_s > LATE_S:
            return "no", "The program does not measure at this moment. Watch the belt by eye."
        if not seen.link:
            return "no", "The sensor board is not heard: every position is unknown. Watch the belt by eye."
        if all(s.edge_mm != s.edge_mm and s.quality == "unknown" for s in seen.now.sensors):
            return "no", "No reading has come yet: nothing is known of the belt. Watch it by eye."
        doubts = [
            f"Sensor {s.sensor} {FAULTS.get(s.quality, s.quality)}: {_left_of(s.position_mm, s.quality)}."
            for s in seen.now.sensors
            if s.quality not in ("good", "unknown")
        ]
        total = seen.tally.good + seen.tally.lost
        if total > 500 and seen.tally.lost > LOSSY * total:
            doubts.append(f"{100 * seen.tally.lost / total:.0f} % of the readings are lost on the line.")
        if seen.log_failed:
            doubts.append("The log cannot be written: nothing of this is on record.")
        if doubts:
            return "part", " ".join(doubts)
        if seen.broker is False:
            return (
                "yes",
                "All sensors are believed. The MQTT broker is not reached; messages wait on the disk.",
            )
        if any(s.quality == "unknown" for s in seen.now.sensors):
            return "yes", "The edge is read; where the whole belt rides is not known yet."
        return "yes", "All sensors are believed."

    # ------------------------------------------------------------ what do I do now

    def _do(self, seen: Glance, rev_s: float, believed: bool) -> dict[str, Any]:
        advice = seen.advice
        if advice is None:
            return {"action": "none", "head": "Nothing to do yet", "big": "", "why": "", "caution": ""}
        urgent = any(a.name == "edge-stop" and a.active for a in seen.alarms)
        head, big = self._order(advice, seen, urgent)
        unit = "in" if self.units == "inch" and big.endswith(" in") else "mm" if big.endswith(" mm") else ""
        number = big.removesuffix(unit).strip()
        left_rev = math.nan
        if advice.until_rev is not None:
            left_rev = max(advice.until_rev - seen.now.rev, 0.0)
        old = advice.action == "wait" or seen.now.rev - advice.rev >= OLD_REVS
        said = {"why": f"{advice.why} (Said at revolution {advice.rev}.)"} if old and advice.rev else {}
        return advice.as_dict() | said | {
            "head": head, "big": big, "number": number, "unit": unit, "urgent": urgent,
            "left_rev": left_rev, "left_s": left_rev * rev_s, "stale": not believed,
        }  # fmt: skip

    def _order(self, advice: Advice, seen: Glance, urgent: bool) -> tuple[str, str]:
        """What stands in large letters, and in the largest."""
        if urgent:
            return "The belt's edge is at its limit", "STOP"
        if advice.action == "move" and advice.where and advice.side and advice.amount_mm is not None:
            verb = "Tighten" if advice.amount_mm > 0 else "Ease"
            size = words.move_length(advice.amount_mm, self.units, 0.0)
            return f"{verb} the {advice.side} end, {PLACES[advice.where]}", size
        if advice.action == "wait":
            return "Hands off" if seen.stage == "prove" else "Wait", ""
        if advice.action == "check":
            return "Move nothing more. Look for the cause", "CHECK"
        if seen.verdict == "tracked":
            return ("Lock the bearings" if seen.stage == "lock" else "Sign it off"), "TRACKED"
        return "Nothing to do yet", ""

    # ------------------------------------------------------------ how does the belt ride

    def _ride(self, k: int, sensor: Sensor, seen: Glance, believed: bool) -> dict[str, Any]:
        now = seen.now.sensors[k] if k < len(seen.now.sensors) else None
        row = self._row(sensor.name)
        edge_mm = now.edge_mm if now is not None and believed else math.nan
        position_mm = now.position_mm if now is not None and believed else math.nan
        walk_mm = row.walk_mm_per_rev if row is not None and believed else math.nan
        return {
            "sensor": sensor.name,
            "pulley": sensor.pulley,
            "looks_at": sensor.edge,
            "quality": now.quality if now is not None and believed else "unknown",
            "edge_mm": edge_mm,
            "position_mm": position_mm,
            "se_mm": row.position_se_mm if row is not None else math.nan,
            "low_mm": row.edge_min_mm if row is not None and believed else math.nan,
            "high_mm": row.edge_max_mm if row is not None and believed else math.nan,
            "behaviour": row.behaviour if row is not None and believed else "unknown",
            "edge": self.lateral(edge_mm),
            "belt": self.lateral(position_mm),
            "walk": self._walk_words(walk_mm, row, sensor),
            "zone": self._zone(edge_mm, position_mm),
        }

    def _zone(self, edge_mm: float, position_mm: float) -> str:
        limits = self.station.limits
        if edge_mm != edge_mm:
            return "not seen"
        if abs(edge_mm) >= limits.edge_stop_mm:
            return "EDGE LIMIT"
        if abs(edge_mm) >= limits.edge_warn_mm:
            return "edge warn"
        if position_mm != position_mm:
            return "within limits"
        return "centred" if abs(position_mm) <= limits.centre_mm else "off centre"

    def _walk_words(self, walk_mm: float, row: RevolutionRow | None, sensor: Sensor) -> str:
        if row is None or walk_mm != walk_mm:
            return "walk not known yet"
        if row.behaviour == "steady" or abs(walk_mm) < 1.96 * row.walk_se_mm_per_rev:
            return "no walk shown"
        said = f"{words.length(walk_mm, self.units)} {words.side_of(walk_mm)} each revolution"
        return said + (self._ahead(row) if row.behaviour == "drifting" else "")

    def _ahead(self, row: RevolutionRow) -> str:
        """When the edge is at its limit if the belt walks on as now; nothing when that is far off."""
        ahead = edge_forecast(
            row.edge_min_mm, row.edge_max_mm, row.walk_mm_per_rev, row.walk_se_mm_per_rev,
            self.station.limits.edge_stop_mm, row.end_s - row.start_s,
        )  # fmt: skip
        if not ahead.revs < FAR_REVS:
            return ""
        return f"; edge limit in {ahead.revs:.0f} rev, {ahead.soonest_revs:.0f} at the soonest"

    def lateral(self, mm: float) -> str:
        """A position in words: `3.1 mm right`."""
        if mm != mm:
            return "not known"
        finest_mm = words.INCH_MM / 64.0 if self.units == "inch" else 0.1
        steps = round(abs(mm) / finest_mm)
        if steps == 0:
            return "in the middle"
        return f"{words.length(steps * finest_mm, self.units)} {words.side_of(mm)}"

    def _row(self, sensor: str) -> RevolutionRow | None:
        last = self.history.last
        return next((r for r in last.rows if r.sensor == sensor), None) if last is not None else None

    def _limits(self) -> dict[str, Any]:
        limits = self.station.limits
        named = {"centre": limits.centre_mm, "warn": limits.edge_warn_mm, "stop": limits.edge_stop_mm}
        texts = {f"{key}_text": words.length(mm, self.units) for key, mm in named.items()}
        return {f"{key}_mm": mm for key, mm in named.items()} | texts

    # ------------------------------------------------------------ how far are we, what is wrong

    def _stages(self, seen: Glance) -> list[dict[str, str]]:
        here = STAGES.index(seen.stage)
        state = ["done" if k < here else "now" if k == here else "ahead" for k in range(len(STAGES))]
        return [
            {"name": stage, "word": STAGE_WORDS[stage][0], "what": STAGE_WORDS[stage][1], "state": state[k]}
            for k, stage in enumerate(STAGES)
        ]

    def _hold(self, seen: Glance) -> dict[str, Any]:
        of_s = 60.0 * self.station.procedure.hold_minutes
        if seen.hold_s != seen.hold_s:
            return {"lasted_s": 0.0, "of_s": of_s, "runs": False, "text": f"hold {_clock(of_s)}"}
        lasted_s = min(seen.hold_s, of_s)
        if seen.verdict == "tracked":
            lasted_s = of_s
        runs = seen.stage == "prove" and lasted_s > 0.0
        text = (
            f"hold {_clock(lasted_s)} of {_clock(of_s)}"
            if lasted_s > 0
            else f"hold {_clock(of_s)}, not begun"
        )
        return {"lasted_s": lasted_s, "of_s": of_s, "runs": runs, "text": text}

    def _called(self, seen: Glance) -> str:
        """How much is wrong, for the top of the page."""
        calling = [a for a in seen.alarms if a.state != "shelved"]
        if not calling:
            return ""
        first = min(PRIORITY[find_alarm(a.name).priority] for a in calling)
        return f"{MARKS[first]} {len(calling)} alarm{'s' if len(calling) > 1 else ''}"

    def _alarms(self, seen: Glance) -> list[dict[str, Any]]:
        """The most urgent first, what is shelved last."""
        found = [self._alarm(status, seen.clock_s) for status in seen.alarms]
        return sorted(found, key=lambda a: (bool(a["shelved"]), a["rank"], a["where"], a["name"]))

    def _alarm(self, status: AlarmStatus, clock_s: float) -> dict[str, Any]:
        entry, rank = find_alarm(status.name), PRIORITY[find_alarm(status.name).priority]
        waiting = status.state in ("unacknowledged", "returned-unacknowledged")
        short = status.name.replace("-", " ")
        place = "" if status.where == "bay" else f", {PLACES.get(status.where, status.where)}"
        size = "" if status.value_mm is None else f", {words.length(status.value_mm, self.units)}"
        size += "/rev" if size and status.name == "drift" else ""
        state: str = "over, not yet seen" if not status.active and waiting else entry.priority
        state += ", seen" if status.state == "acknowledged" else ""
        cause = self._with_limits(entry.cause)
        marks = self.station.conveyor.marks
        section = words.stretch(status.start_mm, status.end_mm, self.units, marks)
        what = entry.action + (f" It lies {section}." if section else "")
        return {
            "where": status.where, "name": status.name, "state": status.state, "priority": entry.priority,
            "value_mm": status.value_mm, "start_mm": status.start_mm, "end_mm": status.end_mm,
            "rank": rank, "mark": MARKS[rank], "waiting": waiting, "gone": not status.active,
            "short": short, "title": f"{short}{place}{size}", "standing": state,
            "what": what if status.active else f"It is over. It was about this: {cause[0].lower()}{cause[1:]}",
            "action": entry.action,
            "more": f"{cause} {entry.consequence} Respond within {_span(entry.respond_within_s)}.",
            "since": _since(status.raised_s, clock_s),
            "shelvable": entry.shelvable,
            "shelved": _shelved(status, clock_s),
        }  # fmt: skip

    def _with_limits(self, text: str) -> str:
        """The station file's own lengths in place of the names of its keys."""
        for key, mm in self.station.limits.model_dump().items():
            size = words.length(mm, self.units)
            if key.endswith("_per_rev"):  # an odd fraction of an inch; nobody measures it with a rule
                size = f"{mm / words.INCH_MM:.2f} in" if self.units == "inch" else size
                size += " each revolution"
            text = text.replace(key, size)
        return text

    # ------------------------------------------------------------ small words

    def _anew(self, seen: Glance) -> tuple[str, str]:
        """In short and in full: that a belt which may have run before is being learnt anew since the start."""
        t_s = seen.now.t_s
        if not self._earlier or self._run.number > 1 or not t_s < ANEW_S:
            return "", ""
        ago = "just now" if t_s < 60.0 else f"{_span(60.0 * math.floor(t_s / 60.0))} ago"
        return f"learnt anew since the start {ago}", (
            f"The program was started {ago} and learns this belt anew: revolutions, moves and camber from before "
            f"are not shown here and not reckoned with. They stand in the log {self._earlier}."
        )

    def _belt_words(self, seen: Glance) -> str:
        return f"Belt {seen.serial}" if seen.serial else "Belt without a name"

    def _motion(self, seen: Glance, believed: bool) -> str:
        if not believed:
            return "motion not known"
        if not seen.now.running:
            return "belt stands, as far as is seen"
        speed = seen.now.speed_mps
        turn = "" if seen.now.rev != seen.now.rev else f", revolution {math.floor(seen.now.rev) + 1}"
        if speed != speed:
            return f"belt runs{turn}"
        pace = f"{speed:.2f} m/s" if self.units == "mm" else f"{speed / 0.00508:.0f} ft/min"
        return f"belt runs {pace}{turn}"

    def _rev_seconds(self) -> float:
        last = self.history.last
        return last.end_s - last.start_s if last is not None else math.nan


def _sensor_words(now: SensorNow) -> dict[str, str]:
    word = {"good": "good", "unknown": "learning"}.get(now.quality, FAULTS.get(now.quality, now.quality))
    return {"sensor": now.sensor, "word": word.removeprefix("is "), "quality": now.quality}


def _left_of(position_mm: float, quality: str) -> str:
    """What a faulty sensor leaves to go by."""
    if position_mm != position_mm:
        return "its pulley is not seen"
    return "its figures are uncertain" if quality == "sensor-noisy" else "the other edge there is followed"


def _span(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _since(raised_s: float | None, clock_s: float) -> str:
    if raised_s is None or not math.isfinite(clock_s):
        return ""
    ago_s = max(clock_s - raised_s, 0.0)
    return (
        f"It came {math.floor(ago_s / 60.0)} min ago." if ago_s >= 60.0 else "It came less than a minute ago."
    )


def _shelved(status: AlarmStatus, clock_s: float) -> str:
    """How long it is still silenced, by whom and why; nothing when it is not."""
    if status.state != "shelved" or status.shelved_until_s is None:
        return ""
    left = max(math.ceil((status.shelved_until_s - clock_s) / 60.0), 1) if math.isfinite(clock_s) else 0
    by = f" by {status.shelved_by}" if status.shelved_by else ""
    why = f": {status.shelved_why}" if status.shelved_why else ""
    return f"for {left} min more{by}{why}"


def _age(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "not known"
    if seconds < 1.5:
        return "just now"
    return f"{seconds:.0f} s ago" if seconds < 120 else f"{seconds / 60:.0f} min ago"


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
