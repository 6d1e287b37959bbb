"""Every stage, every alarm and every state of trust as the display shows them: invented, for looking at and for tests.

    python -m tests.edge.display_gallery FOLDER

writes a picture of each at three sizes, light and dark, into FOLDER (needs chromium).
"""

from __future__ import annotations

import gzip
import math
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.lifecycle import AlarmLifecycle, AlarmStatus
from monitor.outside.captures import open_recording
from monitor.outside.display import Display
from monitor.outside.display_door import Place
from monitor.outside.display_feed import Feed, Glance, Posted, Profile
from monitor.pipeline import Pipeline
from monitor.procedure import phrases, words
from monitor.readings import parse_moves
from monitor.records import STAGES, Advice, Event, Now, Revolution, RevolutionRow, SensorNow, Tally
from monitor.settings import Station, parse_station
from tests.conftest import SAMPLE_LOGS
from tests.edge.browser import open_browser
from tests.edge.conftest import STATION

SIZES = ((390, 844), (1280, 800), (1920, 1080))
NAN = float("nan")
LEARN = phrases.wait("w", "Learning the belt's camber: watch 3 more revolutions.", 63.0, 60.4, 31.0)
MOVE = Advice(
    1870.0, 60, "move",
    "The belt rides 7.4 mm right of centre at the infeed pulley: tighten the right side of the infeed pulley by "
    "1.5 mm; that sends it to the left.",
    words.CAUTION_MOVE, where="infeed", side="right", amount_mm=1.5,
)  # fmt: skip
LONGEST = replace(
    MOVE, rev=50,
    why="The belt walks 1.2 mm to the right each revolution at the infeed pulley, now 15.4 mm right of centre: tighten "
    "the right side of the infeed pulley by 0.25 mm; going by its last answer, that sends it to the left. Small, as it "
    "is not yet known how strongly this belt answers. That is less than a step of the wrench: turn the screw slowly, "
    "and no further. Its answers so far do not agree: make sure of the side, and log what is really moved. Still due; "
    "if it was made, log it. At this walk the edge reaches its limit in about 9 revolutions (6.4 minutes): keep the "
    "stop control in reach.",
    amount_mm=0.25,
)  # fmt: skip
TRIM = replace(
    MOVE, where="snub", side="right", amount_mm=-0.5, caution=words.CAUTION_SNUB,
    why="The belt rides 0.6 mm left of centre at the drive pulley: ease the right side of the snub by 0.5 mm; that "
    "sends it to the right.",
)  # fmt: skip
HOLD = phrases.wait(
    "h", "The belt is centred: leave everything alone, to prove that it holds.", 89.0, 60.4, 31.0
)
ADVICE: dict[str, Advice] = {
    "set-up": Advice(0.0, 0, "none", "A new run begins: nothing is known of this belt yet.", words.CAUTION_WATCH),
    "watch": LEARN.dated(1860.0, 60), "steer": MOVE, "trim": TRIM, "prove": HOLD.dated(1860.0, 60),
    "lock": phrases.done("lock").dated(1860.0, 60), "sign": phrases.done("sign").dated(1860.0, 60),
}  # fmt: skip


def glance(stage: str, station: Station, **changes: Any) -> Glance:
    """A bay in that stage, all well."""
    far_mm = 7.4 if stage in ("set-up", "watch", "steer") else 1.1
    sensors = tuple(
        SensorNow(s.name, far_mm * (1.4 if k == 0 else -0.4), 1.0, far_mm * (1.0 if k == 0 else -0.5), "good")
        for k, s in enumerate(station.sensor)
    )
    plain: dict[str, Any] = {
        "serial": "INVENTED-12", "log": "log", "log_failed": None, "link": True, "silent_s": 0.02, "stage": stage,
        "verdict": "tracked" if stage in ("lock", "sign") else "undecided",
        "hold_s": 372.0 if stage == "prove" else 0.0, "now": Now(1872.0, 60.4, 0.45, True, sensors),
        "advice": ADVICE[stage], "alarms": (), "tally": Tally(good=90_000), "broker": True,
        "clock_s": 1872.0,
    }  # fmt: skip
    return Glance(**(plain | changes))


def alarm(name: str, state: str = "unacknowledged") -> AlarmStatus:
    """That alarm as it would stand."""
    where = "drive-left" if name.startswith(("sensor", "edge")) else "infeed"
    where = "bay" if name in ("link-lost", "belt-stopped", "mark-missing", "mark-extra") else where
    mm = (
        {"edge-stop": 41.0, "edge-warn": 26.3}.get(name)
        if name.startswith("edge")
        else 4.4
        if name in ("drift", "section-wobble")
        else None
    )
    section = (9100.0, 9800.0) if name == "section-wobble" else (None, None)
    return AlarmStatus(where, name, state, state != "returned-unacknowledged", 1800.0, None, mm, *section)  # type: ignore[arg-type]


def now_with(name: str, now: Now) -> Now:
    """The readings that go with an alarm."""
    infeed, drive, *_ = now.sensors
    if name == "belt-stopped":
        return replace(now, running=False, speed_mps=0.0)
    if name.startswith("edge"):
        mm = {"edge-stop": -41.0, "edge-warn": -26.3}[name]
        return replace(now, sensors=(infeed, replace(drive, edge_mm=mm, position_mm=mm + 3.0)))
    if name.startswith("sensor"):
        if name == "sensor-noisy":
            return replace(now, sensors=(infeed, replace(drive, quality=name)))
        return replace(now, sensors=(infeed, replace(drive, quality=name, edge_mm=NAN, position_mm=NAN)))
    return now


def past(station: Station, revs: int = 60) -> list[Any]:
    """Messages and a profile of an invented run: off centre, three moves, centred."""
    found: list[Any] = []
    for rev in range(1, revs + 1):
        rows = []
        for k, sensor in enumerate(station.sensor):
            mm = (9.0 - 5.0 * k) * math.exp(-rev / 18.0) + 0.3 * math.sin(rev)
            rows.append(
                RevolutionRow(
                    rev, 31.0 * (rev - 1), 31.0 * rev, sensor.name, mm, 0.12, -0.1, 0.05, 7.0,
                    "drifting" if rev < 30 else "steady", 1500, 0, sensor.pulley, mm - 3.6, mm + 3.4, "good",
                )
            )  # fmt: skip
        messages: list[Any] = [Revolution(rev, 31.0 * (rev - 1), 31.0 * rev, tuple(rows))]
        if rev in (9, 16, 25):
            side = "left" if rev == 16 else "right"
            messages.append(Event(31.0 * rev, rev, "move", "move", where="infeed", side=side, amount_mm=1.5))
        found.append(tuple(messages))
    shape = [
        (s.name, 50.0 * i, 3.4 * math.sin(i / 45.0) + (2.0 if 182 < i < 196 else 0.0))
        for s in station.sensor
        for i in range(285)
    ]
    return [*found, Profile(tuple(shape))]


def station_of(units: str = "mm") -> Station:
    return parse_station(STATION + f'\n[procedure]\nunits = "{units}"\n')


def both_edges() -> Station:
    """Sensors at both edges of both pulleys."""
    more = "".join(
        f'\n[[sensor]]\nname = "{pulley}-right"\nchannel = {channel}\npulley = "{pulley}"\nedge = "right"\n'
        "zero_counts = 32768\ncounts_per_mm = 600.0\n"
        for pulley, channel in (("infeed", 2), ("drive", 3))
    )
    return parse_station(STATION + more)


def scenes() -> Iterator[tuple[str, Station, Glance]]:
    """(name, station, glance) of everything worth looking at."""
    mm, inch = station_of(), station_of("inch")
    for stage in STAGES:
        yield f"stage-{stage}", mm, glance(stage, mm)
    four = both_edges()
    yield "both-edges", four, glance("steer", four, alarms=(alarm("drift"),))
    yield "inch-steer", inch, glance("steer", inch, advice=replace(MOVE, amount_mm=1.5875))
    for size in (170, 270):  # just below where the page takes smaller letters; "(Said at ...)" comes on top
        some = replace(LONGEST, why=LONGEST.why[:size])
        yield f"long-move-{size}", mm, glance("steer", mm, advice=some, alarms=(alarm("drift"),))
    yield "longest-move", mm, glance("steer", mm, advice=LONGEST, alarms=(alarm("drift"),))
    for entry in CATALOGUE:
        changes: dict[str, Any] = {"alarms": (alarm(entry.name),)}
        if entry.name == "link-lost":
            changes |= {"link": False, "silent_s": 14.0}
        if entry.name == "edge-stop":
            changes["advice"] = phrases.stop(41.0, "mm").dated(1870.0, 60)
        seen = glance("steer", mm, **changes)
        yield f"alarm-{entry.name}", mm, replace(seen, now=now_with(entry.name, seen.now))
    several = (
        *map(alarm, ("drift", "section-wobble", "sensor-noisy")),
        alarm("early-move", "acknowledged"),
        alarm("no-response", "returned-unacknowledged"),
    )
    check = phrases.check("frame", "4 moves did not centre the belt.", words.CAUSES_FRAME).dated(1870.0, 60)
    yield "several-alarms", mm, glance("steer", mm, alarms=several, advice=check)
    stuck = (
        SensorNow("infeed-left", NAN, NAN, NAN, "sensor-stuck"),
        SensorNow("drive-left", 2.0, 1.0, 1.0, "good"),
    )
    yield "sensor-fault", mm, glance("steer", mm, now=Now(1872.0, 60.4, 0.45, True, stuck))
    none = (
        SensorNow("infeed-left", NAN, NAN, NAN, "unknown"),
        SensorNow("drive-left", NAN, NAN, NAN, "unknown"),
    )
    yield (
        "nothing-known",
        mm,
        glance("set-up", mm, now=Now(NAN, NAN, NAN, False, none), serial=None, broker=None),
    )


def lived(sample: str, revs: int) -> tuple[Station, Glance, list[Any]]:
    """A bay that lived through the beginning of a sample recording: the real pipeline said all of it."""
    recording = open_recording(SAMPLE_LOGS / sample)
    assert recording.station is not None
    station, things, alarms = recording.station, list[Any](), AlarmLifecycle()
    pipeline = Pipeline(station)
    for move in parse_moves((SAMPLE_LOGS / sample / "moves.csv").read_text(), sample):
        pipeline.enter(move, move.t_s)
    with gzip.open(recording.wire) as wire:
        while pipeline.rev < revs and (data := b"".join(islice(wire, 25))):
            messages = pipeline.feed(data)
            for message in messages:
                if isinstance(message, Event):
                    alarms.take(message)
            things += [data, tuple(messages)]
            if any(isinstance(message, Revolution) for message in messages):
                things.append(Profile(tuple(pipeline.profile_rows())))
    seen = Glance(
        serial="INVENTED-12", log="log", log_failed=None, link=True, silent_s=0.02, stage=pipeline.stage,
        verdict=pipeline.verdict, hold_s=pipeline.hold_s, now=pipeline.now(), advice=pipeline.advice,
        alarms=tuple(s for s in alarms.snapshot() if s.state != "normal"), tally=pipeline.tally, broker=True,
        clock_s=pipeline.t_s,
    )  # fmt: skip
    return station, seen, things


# Every run that the gallery shows as it was lived: (sample recording, revolutions).
LIVED = (("section-wobble", 40), ("drift", 22), ("run-in", 28), ("run-in", 60), ("stop-restart", 18))


@contextmanager
def shown(
    station: Station, seen: Glance, answers: list[Posted] | None = None, things: list[Any] | None = None
) -> Iterator[tuple[Display, Feed]]:
    """A display that shows this, fed again and again as a daemon would."""
    posted = answers if answers is not None else []
    feed, stop = Feed(), threading.Event()
    feed.begin(station)
    for thing in past(station) if things is None else things:
        feed.put(thing)
    feed.put(seen)
    display = Display(station, Place("127.0.0.1", 0), None, feed, posted.append)

    def keep_feeding() -> None:
        while not stop.wait(0.5):
            feed.put(seen)

    thread = threading.Thread(target=keep_feeding, daemon=True)
    thread.start()
    try:
        yield display, feed
    finally:
        stop.set()
        thread.join()
        display.close()


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    lives = ((f"lived-{sample}-{revs}", *lived(sample, revs)) for sample, revs in LIVED)
    with (
        tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile,
        open_browser(Path(profile)) as browser,
    ):
        for name, station, seen, things in chain(((*scene, None) for scene in scenes()), lives):
            with shown(station, seen, things=things) as (display, _):
                for width, height in SIZES:
                    for dark in (False, True):
                        browser.open(display.place.url, width, height, dark=dark)
                        browser.wait("picture.pulleys.length > 0 && pastRun === picture.run")
                        file = folder / f"{name}-{width}{'-dark' if dark else ''}.png"
                        browser.picture(file, whole=things is not None or name == "several-alarms")
                browser.do("Page.navigate", url="about:blank")
        print(f"{folder}: errors in the console: {browser.errors or 'none'}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
