"""The bay display without a browser: the picture's words, the door, the bounds, and that recording never suffers."""

from __future__ import annotations

import gc
import http.client
import json
import socket
import struct
import threading
import time
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.alarms.lifecycle import AlarmStatus
from monitor.errors import UsageError
from monitor.outside import display as served
from monitor.outside.belt_log import newest_log
from monitor.outside.broker import free_port
from monitor.outside.captures import open_recording
from monitor.outside.display import Display
from monitor.outside.display_door import Door, Place, parse_place, read_pin
from monitor.outside.display_feed import MOST_WAITING, Feed, Glance, Posted, Profile, Run
from monitor.outside.display_history import CELLS, History
from monitor.outside.display_html import fill_page
from monitor.outside.display_picture import Picture
from monitor.outside.record_raster import read_raster
from monitor.outside.service import run_service
from monitor.pipeline import Pipeline
from monitor.records import Advice, Event, Now, Revolution, RevolutionRow, SensorNow, Tally
from monitor.settings import Station, load_station
from tests.conftest import SAMPLE_LOGS
from tests.edge.conftest import STATION
from tests.edge.simple_pipeline import SimplePipeline, some_wire

NAN = float("nan")
MOVE = Advice(40.0, 5, "move", "Because.", "Guards on.", where="infeed", side="left", amount_mm=1.5875)
WAIT = Advice(40.0, 5, "wait", "Let it settle.", "Keep clear.", until_rev=9.0, minutes=1.0)


def glance(**changes: Any) -> Glance:
    sensors = (
        SensorNow("infeed-left", 3.1, 2.0, -1.2, "good"),
        SensorNow("drive-left", -26.0, 0, NAN, "good"),
    )
    plain = {
        "serial": "B-7", "log": "x", "log_failed": None, "link": True, "silent_s": 0.0, "stage": "steer",
        "verdict": "undecided", "hold_s": 0.0, "now": Now(50.0, 6.5, 0.45, True, sensors), "advice": None,
        "alarms": (), "tally": Tally(good=1000), "broker": None,
    }  # fmt: skip
    return Glance(**(plain | changes))


def turn(rev: int = 6, **changes: Any) -> Revolution:
    plain: dict[str, Any] = {
        "rev": rev, "start_s": 20.0, "end_s": 50.0, "position_mm": -1.2, "position_se_mm": 0.1,
        "walk_mm_per_rev": 0.8, "walk_se_mm_per_rev": 0.1, "profile_pp_mm": 2.0, "behaviour": "drifting",
        "samples": 900, "lost": 0, "edge_min_mm": -2.0, "edge_max_mm": 4.0, "quality": "good",
    }  # fmt: skip
    rows = [
        RevolutionRow(**(plain | {"sensor": f"{p}-left", "pulley": p} | changes)) for p in ("infeed", "drive")
    ]
    return Revolution(rev, 20.0, 50.0, tuple(rows))


@pytest.fixture
def station(station_file: Path) -> Station:
    return load_station(station_file)


def shown(station: Station, *things: Any, late_s: float = 0.0) -> dict[str, Any]:
    picture, run = Picture(station, "test"), Run(1, station)
    for thing in things:
        picture.take(run, thing)
    found: dict[str, Any] = json.loads(json.dumps(picture.document(late_s), allow_nan=False))
    return found


# ---------------------------------------------------------------- what is shown


@pytest.mark.parametrize(
    ("changes", "late_s", "level", "word"),
    [
        ({}, 0.0, "yes", "believed"),
        ({"link": False}, 0.0, "no", "not heard"),
        ({}, 4.0, "no", "does not measure"),
        ({"log_failed": "disk full"}, 0.0, "part", "not be written|cannot be written"),
        ({"tally": Tally(good=900, lost=100)}, 0.0, "part", "10 % of the readings"),
        ({"broker": False}, 0.0, "yes", "broker is not reached"),
    ],
)
def test_may_i_trust_it(station: Station, changes: Any, late_s: float, level: str, word: str) -> None:
    trust = shown(station, glance(**changes), late_s=late_s)["trust"]
    assert trust["level"] == level
    assert any(part in trust["why"] for part in word.split("|"))


def test_a_faulty_sensor_is_named_and_what_is_not_believed_is_not_shown(station: Station) -> None:
    sensors = (SensorNow("infeed-left", 3.1, 2.0, 1.0, "sensor-stuck"),)
    document = shown(station, glance(now=Now(1.0, 1.0, 0.4, True, sensors)))
    assert document["trust"]["level"] == "part"
    assert "infeed-left is stuck" in document["trust"]["why"]
    lost = shown(station, turn_said(), glance(link=False, advice=MOVE))
    assert all(ride["edge_mm"] is None and ride["edge"] == "not known" for ride in lost["pulleys"])
    assert lost["do"]["stale"] is True
    assert lost["motion"] == "motion not known"


def turn_said() -> tuple[Revolution]:
    return (turn(),)


def test_what_to_do_is_said_in_the_bays_units(station: Station, station_file: Path) -> None:
    """1.5875 mm is 1/16 in exactly (1 in = 25.4 mm by definition, international yard and pound, 1959)."""
    mm = shown(station, glance(advice=MOVE))["do"]
    assert (mm["head"], mm["big"]) == ("Tighten the left end, infeed pulley", "1.59 mm")
    station_file.write_text(STATION + '\n[procedure]\nunits = "inch"\n')
    inch = shown(load_station(station_file), glance(advice=MOVE))
    assert inch["do"]["big"] == "1/16 in"
    assert (inch["do"]["number"], inch["do"]["unit"]) == ("1/16", "in")
    assert inch["motion"].startswith("belt runs 89 ft/min")  # 0.45 m/s / 0.00508
    eased = Advice(1.0, 1, "move", "w", "c", where="snub", side="right", amount_mm=-0.5)
    assert shown(station, glance(advice=eased))["do"]["head"] == "Ease the right end, snub"


def test_a_wait_counts_down_by_the_belts_travel(station: Station) -> None:
    now = shown(station, turn_said(), glance(advice=WAIT))["do"]
    assert now["left_rev"] == pytest.approx(2.5)
    assert now["left_s"] == pytest.approx(75.0)  # 30 s a revolution
    over = shown(station, turn_said(), glance(advice=Advice(1.0, 1, "wait", "w", "c", until_rev=5.0)))["do"]
    assert over["left_rev"] == 0.0


def test_the_edge_limit_outranks_every_advice(station: Station) -> None:
    alarm = AlarmStatus("infeed-left", "edge-stop", "unacknowledged", True, value_mm=41.0)
    low = AlarmStatus("bay", "mark-missing", "acknowledged", True)
    document = shown(station, glance(advice=MOVE, alarms=(low, alarm)))
    assert document["do"]["big"] == "STOP"
    assert [a["rank"] for a in document["alarms"]] == sorted(a["rank"] for a in document["alarms"])
    assert document["alarms"][0]["what"].startswith("STOP the conveyor")


def test_how_the_belt_rides(station: Station) -> None:
    infeed, drive = shown(station, turn_said(), glance())["pulleys"]
    assert (infeed["edge"], infeed["belt"], infeed["zone"]) == ("3.1 mm right", "1.2 mm left", "centred")
    assert infeed["walk"] == "0.8 mm right each revolution; edge limit in 45 rev, 36 at the soonest"
    assert drive["zone"] == "edge warn"
    assert drive["belt"] == "not known"


def test_how_far_we_are(station: Station) -> None:
    document = shown(station, glance(stage="prove", hold_s=125.0))
    assert [s["state"] for s in document["stages"]] == ["done"] * 4 + ["now"] + ["ahead"] * 2
    assert document["hold"]["text"] == "hold 2:05 of 15:00"
    assert shown(station, glance())["hold"]["text"] == "hold 15:00, not begun"


def test_another_run_forgets_the_last_belt(station: Station) -> None:
    picture = Picture(station)
    picture.take(Run(1, station), (turn(rev=9),))
    picture.take(Run(2, station), glance(serial=None))
    document = picture.document(0.0)
    assert (document["run"], document["revs"], document["belt"]) == (2, 0, "Belt without a name")


def test_the_raster_puts_a_reading_where_it_was_taken() -> None:
    """Against the raster of the record, which bins a whole recording by another way of reading it."""
    recording = open_recording(SAMPLE_LOGS / "quiet")
    station = load_station(SAMPLE_LOGS / "quiet" / "station.toml")
    history, pipeline = History(station), Pipeline(station)
    revolutions: list[Revolution] = []
    for data in recording.chunks(4000):
        history.hear(data)
        messages = tuple(pipeline.feed(data))
        history.take(messages)
        revolutions += [m for m in messages if isinstance(m, Revolution)]
    assert len(revolutions) > 8
    whole = read_raster(recording, station, revolutions, station.belt.length_mm or 0.0)
    for sensor in station.sensor:
        theirs = whole.edges_mm[sensor.name][-1]
        ours = np.array(history.rows[-1]["sensors"][sensor.name]["edges"], dtype=np.float64)
        assert ours.shape == (CELLS,)
        places = (np.arange(len(theirs)) + 0.5) / len(theirs)
        expected = np.interp((np.arange(CELLS) + 0.5) / CELLS, places, theirs, period=1.0)
        assert np.nanmax(np.abs(ours - expected)) < 0.15 * np.ptp(theirs) + 0.1
        assert np.nanmax(np.abs(np.roll(ours, CELLS // 4) - expected)) > 0.3 * np.ptp(theirs)  # it can fail


def test_history_is_bounded_and_thinned(station: Station) -> None:
    history = History(station)
    for rev in range(1, 1000):
        history.take((turn(rev), Event(1.0, rev, "move", "move", where="infeed", side="left", amount_mm=1.0)))
    history.keep_profile(Profile(tuple(("infeed-left", 10.0 * k, 0.1 * (k % 7)) for k in range(1400))))
    document = history.document()
    assert len(json.dumps(document)) < 200_000
    assert document["rows"][-1]["rev"] == 999
    assert [row["rev"] for row in history.document(after=997)["rows"]] == [998, 999]
    assert document["length_mm"] == pytest.approx(14_000.0)


def test_a_belt_learnt_anew_after_a_start_is_said(station: Station) -> None:
    picture = Picture(station, earlier="20260102T081500Z_A-1042")
    picture.take(Run(1, station), glance(now=replace(glance().now, t_s=250.0)))
    document = picture.document(0.1)
    assert document["anew"] == "learnt anew since the start 4 min ago"
    assert "20260102T081500Z_A-1042" in document["since"]
    picture.take(Run(2, station), glance())
    assert picture.document(0.1)["anew"] == ""  # another belt is learnt anew anyhow
    assert shown(station, glance())["anew"] == ""


def test_the_newest_log_is_found_among_other_things(tmp_path: Path) -> None:
    assert newest_log(tmp_path / "missing") == ""
    for name in ("20260102T081500Z_A", "20260103T081500Z_B.part", "zzz", "display.pin"):
        (tmp_path / name).mkdir()
    assert newest_log(tmp_path) == "20260103T081500Z_B"


def test_a_shelved_alarm_is_shown_with_its_end_and_calls_nobody(station: Station) -> None:
    quiet = AlarmStatus(
        "infeed-left", "sensor-noisy", "shelved", True, 1700.0, shelved_until_s=2500.0, shelved_by="night shift",
        shelved_why="grinder",
    )  # fmt: skip
    loud = AlarmStatus("infeed", "early-move", "unacknowledged", True, 1700.0)
    document = shown(station, glance(alarms=(quiet, loud), clock_s=1872.0))
    assert document["called"] == "● 1 alarm"
    assert [a["name"] for a in document["alarms"]] == ["early-move", "sensor-noisy"]
    assert document["alarms"][1]["shelved"] == "for 11 min more by night shift: grinder"
    assert document["alarms"][0]["since"] == "It came 2 min ago."
    stop = AlarmStatus("drive-left", "edge-stop", "unacknowledged", True, 1800.0)
    assert shown(station, glance(alarms=(stop,)))["alarms"][0]["shelvable"] is False


def test_a_drift_says_when_the_edge_is_at_its_limit(station: Station) -> None:
    """Room over walk, by hand: edge extreme 20 mm, limit 40 mm, 0.5 mm a revolution: 40 revolutions."""
    row = RevolutionRow(
        60, 1829.0, 1860.0, "infeed-left", 16.0, 0.1, 0.5, 0.05, 7.0, "drifting", 1500, 0, "infeed", 12.0, 20.0, "good"
    )  # fmt: skip
    picture = Picture(station)
    picture.take(Run(1, station), (Revolution(60, 1829.0, 1860.0, (row,)),))
    picture.take(Run(1, station), glance())
    (ride, *_) = picture.document(0.1)["pulleys"]
    assert ride["walk"] == "0.5 mm right each revolution; edge limit in 40 rev, 33 at the soonest"


def test_hostile_text_stays_text(station: Station) -> None:
    bad = '<script>alert(1)</script>"&\u202e'
    document = shown(station, glance(serial=bad, advice=Advice(1.0, 1, "check", bad, bad, checks=(bad,))))
    page = fill_page(document).decode()
    assert "<script>alert" not in page
    first = page.split('id="first">')[1].split("</script>")[0]
    assert json.loads(first)["serial"] == bad
    assert "&lt;script&gt;alert(1)" in page


def test_stop_stays_stop_when_the_readings_end(station: Station) -> None:
    alarm = AlarmStatus("infeed-left", "edge-stop", "unacknowledged", True, value_mm=41.0)
    document = shown(station, glance(link=False, advice=MOVE, alarms=(alarm,)))
    assert (document["do"]["big"], document["do"]["urgent"]) == ("STOP", True)
    assert document["trust"]["level"] == "no"


# ---------------------------------------------------------------- the door


@pytest.mark.parametrize(
    ("text", "host", "port", "beyond"),
    [
        ("8080", "127.0.0.1", 8080, False),
        (":8080", "127.0.0.1", 8080, False),
        ("0.0.0.0:80", "0.0.0.0", 80, True),
        ("[::1]:9", "::1", 9, False),
        ("[::]:9", "::", 9, True),
        ("bay-pc:9", "bay-pc", 9, True),
        ("localhost:0", "localhost", 0, False),
    ],
)
def test_where_it_listens(text: str, host: str, port: int, beyond: bool) -> None:
    place = parse_place(text)
    assert (place.host, place.port, place.beyond_loopback) == (host, port, beyond)


@pytest.mark.parametrize(
    "text", ["", "x", "1:2:3", "::1:80", "127.0.0.1:", "127.0.0.1:70000", "a:-1", "a:+1"]
)
def test_a_wrong_address_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(UsageError, match="expected a port"):
        parse_place(text)


def test_the_pin_is_kept_for_the_owner_only(tmp_path: Path) -> None:
    pin = read_pin(tmp_path)
    assert pin.isdigit()
    assert len(pin) == 6
    assert read_pin(tmp_path) == pin
    assert (tmp_path / "display.pin").stat().st_mode & 0o077 == 0
    (tmp_path / "display.pin").write_text("secret")
    with pytest.raises(UsageError, match="4 to 12 digits"):
        read_pin(tmp_path)


def test_wrong_pins_close_the_door_for_a_minute() -> None:
    time_s = [100.0]
    door = Door(Place("0.0.0.0", 80), "123456", lambda: time_s[0])
    assert door.refuse_pin("") == "the bay's PIN is needed"
    for _ in range(5):
        assert door.refuse_pin("000000") == "the PIN is wrong"
    assert "too many" in str(door.refuse_pin("123456"))
    time_s[0] += 61.0
    assert door.refuse_pin("123456") is None
    assert Door(Place("127.0.0.1", 80), None).refuse_pin("") is None


# ---------------------------------------------------------------- served


@contextmanager
def open_display(
    station: Station, answer: Any = None, pin: str | None = None
) -> Iterator[tuple[Display, Feed, list[Posted]]]:
    posted: list[Posted] = []

    def post(request: Posted) -> None:
        posted.append(request)
        if answer is not None:
            request.reply(answer)

    feed = Feed()
    feed.begin(station)
    display = Display(station, Place("127.0.0.1", 0), pin, feed, post)
    try:
        yield display, feed, posted
    finally:
        display.close()


def call(
    display: Display, method: str, path: str, body: bytes = b"", **headers: str
) -> tuple[int, bytes, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", display.port, timeout=20)
    names = {key.replace("_", "-"): value for key, value in headers.items()}
    connection.request(method, path, body or None, names)
    response = connection.getresponse()
    content = response.read()
    connection.close()
    return response.status, content, response.headers


def test_the_first_page_holds_the_present_state_and_asks_no_other_host(station: Station) -> None:
    with open_display(station) as (display, feed, _):
        feed.put(glance(advice=MOVE))
        wait_for(lambda: b"infeed pulley" in call(display, "GET", "/state.json")[1])
        status, page, headers = call(display, "GET", "/")
        assert status == 200
        assert b"Tighten the left end, infeed pulley</h1>" in page
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        for name in ("/display.css", "/display.js", "/figures.js"):
            code, text, _ = call(display, "GET", name)
            assert code == 200
            page += text
        addresses = page.replace(b"http://www.w3.org/2000/svg", b"").replace(b'"http://www.w3.org"', b"")
        assert b"http" not in addresses.replace(b"http-equiv", b"")
        assert call(display, "GET", "/healthz")[0] == 200
        assert call(display, "GET", "/history.json")[0] == 200
        assert call(display, "GET", "/history.json?after=-1")[0] == 400
        assert call(display, "GET", "/../../etc/passwd")[0] == 404


def wait_for(true: Any, seconds: float = 20.0) -> None:
    end_s = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.02)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "", "127.0.0.1.evil.example"])
def test_a_foreign_name_is_refused(station: Station, host: str) -> None:
    with open_display(station) as (display, _, posted):
        assert call(display, "GET", "/state.json", Host=host)[0] == 421
        assert call(display, "POST", "/ask/note", b"{}", Host=host, Content_Type="application/json")[0] == 421
        assert call(display, "GET", "/state.json", Host=f"localhost:{display.port}")[0] == 200
        assert posted == []


def test_requests_are_bounded_and_only_from_this_page(station: Station) -> None:
    json_type = {"Content_Type": "application/json"}
    with open_display(station, {"ok": True}) as (display, _, posted):
        assert call(display, "POST", "/ask/note", b"{}")[0] == 415
        assert call(display, "POST", "/ask/note", b"{}", Content_Type="text/plain")[0] == 415
        assert call(display, "POST", "/ask/nothing", b"{}", **json_type)[0] == 404
        assert call(display, "GET", "/ask/note")[0] == 405
        assert call(display, "POST", "/ask/note", b"{}", Origin="http://evil.example", **json_type)[0] == 403
        assert call(display, "POST", "/ask/note", b"x" * 5000, **json_type)[0] == 413
        assert posted == []
        own = f"http://127.0.0.1:{display.port}"
        assert call(display, "POST", "/ask/note", b"{}", Origin=own, **json_type)[0] == 200
        assert posted[0].asked.what == "note"
    with open_display(station, {"ok": False, "why": "no"}) as (display, _, _):
        status, content, _ = call(display, "POST", "/ask/note", b"{}", **json_type)
        assert (status, json.loads(content)["why"]) == (422, "no")
    with open_display(station, {"ok": True}, pin="4711") as (display, _, posted):
        assert call(display, "POST", "/ask/note", b"{}", **json_type)[0] == 401
        assert call(display, "POST", "/ask/note", b"{}", X_Bay_Pin="0000", **json_type)[0] == 401
        assert posted == []
        assert call(display, "POST", "/ask/note", b"{}", X_Bay_Pin="4711", **json_type)[0] == 200


def test_a_service_that_does_not_answer_is_said(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(served, "ANSWER_S", 0.2)
    with open_display(station) as (display, _, _):
        status, content, _ = call(display, "POST", "/ask/note", b"{}", Content_Type="application/json")
        assert status == 504
        assert "did not answer" in json.loads(content)["why"]


def test_the_stream_sends_the_newest_picture(station: Station) -> None:
    with open_display(station) as (display, feed, _):
        connection = http.client.HTTPConnection("127.0.0.1", display.port, timeout=20)
        connection.request("GET", "/events")
        response = connection.getresponse()
        assert response.headers["Content-Type"].startswith("text/event-stream")
        feed.put(glance(serial="NEW-BELT"))
        for _ in range(40):
            if b"NEW-BELT" in response.readline():
                break
        else:
            pytest.fail("the picture did not come")
        connection.close()


def test_connections_that_ask_or_read_nothing_do_no_harm(station: Station) -> None:
    """200 idle connections, malformed requests and pages that read nothing: a good page is served meanwhile."""
    with open_display(station) as (display, feed, _):
        idle = [socket.create_connection(("127.0.0.1", display.port), 20) for _ in range(200)]
        for k, sock in enumerate(idle[:60]):
            sock.sendall([b"\x00\xff\r\n\r\n", b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"][k % 2])
        for k in range(3 * MOST_WAITING):
            feed.put(glance(serial=f"B-{k}"))
        assert len(feed.take()) <= MOST_WAITING
        feed.put(glance(serial="LAST"))
        wait_for(lambda: b"LAST" in call(display, "GET", "/state.json")[1])
        for sock in idle:
            sock.close()
        wait_for(lambda: display._pages == 0)


def test_a_connection_that_was_broken_off_leaves_nothing_behind(station: Station) -> None:
    """No timer may keep it: thousands of dead ones made a full clean-up halt the reader of the line for 0.3 s."""
    kept: list[weakref.ref[Any]] = []
    with open_display(station) as (display, _, _):
        for _ in range(20):
            sock = socket.create_connection(("127.0.0.1", display.port), 20)
            sock.setsockopt(
                socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
            )  # it breaks off rudely
            sock.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert sock.recv(20)
            kept += [weakref.ref(one) for one in list(display._server.server_state.connections)]
            sock.close()
        assert len(kept) >= 20

        def forgotten() -> bool:
            gc.collect()
            return all(one() is None for one in kept)

        wait_for(forgotten, 3.0)  # uvicorn's own timer ends after five


def test_too_many_pages_are_told_so(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(served, "MOST_PAGES", 1)
    with open_display(station) as (display, _, _):
        first = socket.create_connection(("127.0.0.1", display.port), 20)
        first.sendall(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_for(lambda: display._pages == 1)
        assert call(display, "GET", "/events")[0] == 503
        first.close()


def test_a_taken_port_is_said_in_a_sentence(station: Station) -> None:
    with (
        open_display(station) as (display, feed, _),
        pytest.raises(UsageError, match="cannot be listened on"),
    ):
        Display(station, Place("127.0.0.1", display.port), None, feed, lambda _: None)


def test_a_mistake_in_what_is_shown_is_not_the_recordings(station: Station) -> None:
    class Broken:
        def profile_rows(self) -> Any:
            raise ZeroDivisionError

    feed = Feed()
    feed.begin(station)
    feed.say((turn(),), Broken())  # type: ignore[arg-type]
    assert len(feed.take()) == 1


# ---------------------------------------------------------------- with the service


def serve(
    folder: Path, station_file: Path, wire: bytes, stop: threading.Event, **more: Any
) -> threading.Thread:
    """A service on a pipe-like file port that ends only by `stop`."""
    (folder / "wire").write_bytes(wire)
    text = station_file.read_text().replace("/dev/serial/by-id/made-up", str(folder / "wire"))
    station_file.write_text(text)
    keywords = {"stop": stop, "make": SimplePipeline, **more}
    thread = threading.Thread(
        target=run_service, args=(load_station(station_file), station_file), kwargs=keywords
    )
    thread.start()
    return thread


def get(port: int, path: str) -> Any:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", path)
        return json.loads(connection.getresponse().read())
    except OSError:
        return {}
    finally:
        connection.close()


def test_the_service_shows_its_bay_and_takes_requests(tmp_path: Path, station_file: Path) -> None:
    stop, port = threading.Event(), free_port()
    thread = serve(tmp_path, station_file, some_wire(30.0), stop, belt="X-9", display=str(port))
    try:
        wait_for(lambda: get(port, "/state.json").get("serial") == "X-9")
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        note = json.dumps({"text": "levelled", "by": "display"})
        connection.request("POST", "/ask/note", note, {"Content-Type": "application/json"})
        assert json.loads(connection.getresponse().read())["ok"] is True
        connection.request("POST", "/ask/move", b'{"where": "roof"}', {"Content-Type": "application/json"})
        refused = connection.getresponse()
        assert refused.status == 422
        assert "infeed" in json.loads(refused.read())["why"]
        connection.close()
    finally:
        stop.set()
        thread.join(30)
    assert not thread.is_alive()
    (entries,) = (tmp_path / "logs").rglob("entries.jsonl")
    assert "levelled" in entries.read_text()


def test_without_the_extra_it_says_what_to_install(
    tmp_path: Path, station_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "uvicorn", None)
    monkeypatch.delitem(sys.modules, "monitor.outside.display")
    with pytest.raises(UsageError, match=r"extra \[display\]"):
        run_service(load_station(station_file), station_file, display="0")
