"""The record of a run-in: complete, equal to the replay, harmless whatever was written into a log, two pages.

Figures are compared with the files that `runin replay` writes, by way of the text of the page. The raster is held
against the replay's positions and profile, which come from the same bytes by another way.
"""

from __future__ import annotations

import contextlib
import csv
import functools
import gzip
import hashlib
import importlib
import json
import re
import shutil
import subprocess
import sys
import unicodedata
import zlib
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import monitor
from monitor.errors import RecordingError, UsageError
from monitor.outside import record_facts as facts
from monitor.outside.captures import open_recording
from monitor.outside.entries import Said, said_line
from monitor.outside.record import (
    Record,
    default_plots,
    default_record,
    make_record,
    paper_named,
    write_plots,
    write_record,
)
from monitor.outside.record_figures import LEVELS, raster_figure, shade, ticks
from monitor.outside.record_page import shown
from monitor.outside.record_raster import CELLS, Raster, thinned
from monitor.outside.record_style import ROOMS, Room
from monitor.outside.replay import replay_recording
from monitor.records import AlarmAcknowledged, Entry, MoveMade, NoteSaid, StageSaid
from tests.conftest import SAMPLE_LOGS, capture_names, captures_folder, give_up

SAMPLES = sorted(p.name for p in SAMPLE_LOGS.iterdir() if p.is_dir())
CAPTURES = [
    n for n in ("both-0", "fault-loss-1", "marks-none-0", "runout-0", "speed-stop-0") if n in capture_names()
]
each_recording = pytest.mark.parametrize("name", SAMPLES + CAPTURES)
HTML_WORDS = (
    "html head meta title style body main header div section h1 h2 p span ul li b bdi "
    "table thead tbody tr th td code"
)
HTML_TAGS = set(HTML_WORDS.split())
SVG_TAGS = {"svg", "title", "rect", "line", "path", "text", "circle"}
ATTRIBUTE_WORDS = (
    "lang charset content http-equiv name class colspan xmlns viewbox role aria-label font-family font-size "
    "font-weight width height fill fill-opacity stroke stroke-width stroke-dasharray x y x1 y1 x2 y2 cx cy r d "
    "text-anchor transform"
)
ATTRIBUTES = set(ATTRIBUTE_WORDS.split())
VOID = {"meta"}


@functools.cache
def recorded(name: str) -> Record:
    folder = captures_folder()
    here = SAMPLE_LOGS / name
    return make_record(here if here.is_dir() else Path(str(folder)) / name)


@functools.cache
def page_of(name: str) -> Page:
    return Page(recorded(name).page())


class Page(HTMLParser):
    """A page read by the standard parser: its elements, the text of each table row and each section."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.html = html
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.rows: list[list[str]] = []
        self.sections: dict[str, str] = {}
        self._open: list[str] = []
        self._title = ""
        self.text = ""
        self.feed(html)
        self.close()
        assert self._open == [], "elements left open"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, key, value or "") for key, value in attrs]
        if tag not in VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, key, value or "") for key, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            return
        self.text += data
        if "td" in self._open:
            self.rows[-1][-1] += data
        if self._open and self._open[-1] == "h2":
            self._title = data
        elif self._title:
            self.sections[self._title] = self.sections.get(self._title, "") + data

    def row(self, *starts: str) -> list[str]:
        found = [cells for cells in self.rows if tuple(cells[: len(starts)]) == starts]
        assert len(found) == 1, f"{starts}: {len(found)} rows"
        return found[0]


def assert_harmless(page: Page) -> None:
    """Nothing but the elements and attributes this page is made of; nothing that loads, links or runs."""
    assert set(page.tags) <= HTML_TAGS | SVG_TAGS
    assert {key for _, key, _ in page.attributes} <= ATTRIBUTES
    assert page.html.count("<style>") == 1
    assert not re.search(r"url\(|@import|javascript:", page.html, re.I)
    xmlns = {value for _, key, value in page.attributes if key == "xmlns"}
    assert xmlns == {"http://www.w3.org/2000/svg"}, "an SVG's name is no request"
    assert "http" not in page.html.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")
    odd = {c for c in page.html if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co") and c != "\n"}
    assert odd == set()
    for row in page.rows:
        for cell in row:
            assert not cell.lstrip().startswith(("=", "@", "\t")), cell


def two_decimals(text: str) -> str:
    number = float(text)
    return f"{number if abs(number) >= 0.005 else 0.0:+.2f}"


def with_spread(number: str, spread: str, unit: str) -> str:
    return f"{two_decimals(number)} ± {1.96 * float(spread):.2f} {unit}" if number else "not known"


# ---------------------------------------------------------------- every recording renders


@each_recording
def test_a_record_is_whole_and_harmless(name: str) -> None:
    page = page_of(name)
    assert_harmless(page)
    for title in ("As found and as left", "The hold", "Moves", "Set-up", "The belt", "Alarms", "Remarks", "Signed",
                  "Position over time", "Raster of revolutions", "Camber profile", "To replay and check"):  # fmt: skip
        assert page.sections[title].strip(), title
    assert page.tags.count("svg") == 3
    assert "stop and lock out before reaching in" in page.text
    assert "no safety device and never starts or stops a machine" in page.text
    assert f"runin {monitor.__version__}" in page.text
    assert "nan" not in re.findall(r"[a-z]+", page.html.lower())


@each_recording
def test_found_left_and_verdict_are_the_replays(name: str, tmp_path: Path) -> None:
    """Independent of record_facts: read from revolutions.csv and summary.json as a replay writes them."""
    replay, page = recorded(name).replay, page_of(name)
    replay.write(tmp_path)
    summary = json.loads((tmp_path / "summary.json").read_text())
    rows = list(csv.DictReader((tmp_path / "revolutions.csv").open()))
    for pulley, final in summary["final"].items():
        seen = [r for r in rows if r["pulley"] == pulley and r["position_mm"]]
        found = min((r for r in seen if r["rev"] == seen[0]["rev"]), key=lambda r: float(r["position_se_mm"]))
        cells = page.row(f"{pulley} pulley", "as found")
        assert cells[2] == found["rev"]
        assert cells[3] == with_spread(found["position_mm"], found["position_se_mm"], "mm")
        assert cells[4] == with_spread(found["walk_mm_per_rev"], found["walk_se_mm_per_rev"], "mm/rev")
        left = page.row(f"{pulley} pulley", "as left")
        texts = {key: "" if value is None else str(value) for key, value in final.items()}
        assert left[3] == with_spread(texts["position_mm"], texts["position_se_mm"], "mm")
        assert left[4] == with_spread(texts["walk_mm_per_rev"], texts["walk_se_mm_per_rev"], "mm/rev")
        of_rev = [r for r in rows if r["rev"] == left[2] and r["pulley"] == pulley]
        edges = {f"{two_decimals(r['edge_min_mm'])}, {two_decimals(r['edge_max_mm'])} mm" for r in of_rev}
        assert left[5] in edges
    assert f"verdict{summary['verdict'].replace('-', ' ').capitalize()}" in page.text
    for reason in summary["reasons"]:
        assert reason in page.text
    for sensor, percent in summary["camber_percent"].items():
        assert f"{sensor}: {percent:.3f} %" in page.sections["The belt"]
    raised = {
        (e.name, e.sensor or e.pulley or "bay") for e in replay.found_events if e.kind == "alarm-raised"
    }
    told = {(row[0], row[1]) for row in page.rows if len(row) == 6 and row[2].endswith("×")}
    assert told == raised


def test_moves_tell_what_they_did(tmp_path: Path) -> None:
    """run-in: two moves at 92 and 143 s; positions before and after come from revolutions.csv."""
    page = page_of("run-in")
    recorded("run-in").replay.write(tmp_path)
    rows = list(csv.DictReader((tmp_path / "revolutions.csv").open()))
    at = {(int(r["rev"]), r["pulley"]): r["position_mm"] for r in rows}
    settle = recorded("run-in").replay.station.procedure.settle_revs
    for number, t_s in (("1", 92.0), ("2", 143.0)):
        before = max(int(r["rev"]) for r in rows if float(r["end_s"]) <= t_s)
        after = before + settle + 1
        cells = page.row(number)
        assert cells[2] == "infeed left tightened 1.6 mm"
        for cell, pulley in zip(cells[3:5], ("infeed", "drive"), strict=True):
            assert cell == f"{two_decimals(at[before, pulley])} → {two_decimals(at[after, pulley])}"
        change = float(at[after, "infeed"]) - float(at[before, "infeed"])
        assert cells[5].startswith(f"infeed {change:+.2f} ± ")
        assert "not settled" not in cells[5]


def test_the_hold_is_told_with_every_figure_of_its_evidence() -> None:
    record = recorded("run-in")
    evidence = next((e.details or {})["evidence"] for e in record.replay.found_events if e.name == "lock")
    told = page_of("run-in").sections["The hold"]
    figures = re.findall(r"\d+\.\d+|\d+(?= revolutions)", evidence.replace("p 0.0000", ""))
    first, last = (int(n) for n in re.findall(r"Revolutions (\d+) to (\d+)", told)[0])
    assert last - first + 1 == int(figures[0])
    for figure in figures[1:]:
        assert figure in told, figure
    hold = facts.hold_proved(record.replay)
    assert hold is not None
    assert len(hold.pulleys) == 2
    for proved in hold.pulleys:
        rows = record.replay.revolutions
        inside = rows[(rows.pulley == proved.pulley) & (rows.rev >= first) & (rows.rev <= last)]
        assert f"more than {inside.position_mm.abs().max():.2f} mm away" in told


def test_bad_sections_are_told_by_place_and_a_lost_verdict_is_said() -> None:
    page = page_of("section-wobble")
    events = [
        json.loads(line) for line in (SAMPLE_LOGS / "section-wobble/events.jsonl").read_text().splitlines()
    ]
    raised = [e for e in events if e["kind"] == "alarm-raised" and e["name"] == "section-wobble"]
    assert raised
    for e in raised:
        place = f"{e['start_mm'] / 1000:.2f} to {e['end_mm'] / 1000:.2f} m after the mark"
        assert page.row(place)[1:3] == [e["sensor"], f"{e['value_mm']:.1f} mm"]
        assert f"{e['start_mm'] / 1000:.2f} to {e['end_mm'] / 1000:.2f} m" in page.sections["Camber profile"]
    assert "It counts no longer" in page.sections["The hold"]


def test_the_digests_are_those_of_the_files() -> None:
    folder = SAMPLE_LOGS / "run-in"
    page = page_of("run-in")
    wire = hashlib.sha256(gzip.decompress((folder / "board.wire.gz").read_bytes())).hexdigest()
    assert page.row("board.wire.gz (its content)")[1] == wire
    for label, file in (("station.toml (station file)", "station.toml"), ("moves.csv", "moves.csv")):
        assert page.row(label)[1] == hashlib.sha256((folder / file).read_bytes()).hexdigest()


def test_the_same_recording_gives_the_same_record() -> None:
    assert make_record(SAMPLE_LOGS / "drift").page() == make_record(SAMPLE_LOGS / "drift").page()


# ---------------------------------------------------------------- logs, and hostile ones

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</bdi></td></tr></table><h2>Signed</h2>",
    "=cmd('calc')",
    "\u202egnp.exe\u2066\u200f",
    "\x00\x07\x1b[31mred\x7f",
    "]]><!-- <style>*{display:none}</style>",
    "&lt;b&gt;&#x3c;script&#x3e;",
    "\ud800",
    "מסוע 7",
)


def make_log(folder: Path, entries: list[Entry], **belt: Any) -> Path:
    """A belt's log with the bytes of the sample run-in and these entries."""
    folder.mkdir()
    (folder / "board.wire").write_bytes(gzip.decompress((SAMPLE_LOGS / "run-in/board.wire.gz").read_bytes()))
    (folder / "station.toml").write_bytes((SAMPLE_LOGS / "run-in/station.toml").read_bytes())
    (folder / "belt.json").write_text(json.dumps({"format": 1, "length_mm": None, **belt}))
    said = [Said(entry.t_s, 10**9, entry) for entry in entries]
    # an offset within the bytes, in proportion to time, so that entries come while the belt runs
    size, seconds = (folder / "board.wire").stat().st_size, 335.0
    lines = [said_line(Said(s.known_s, int(size * min(s.known_s / seconds, 1.0)), s.entry), "") for s in said]
    (folder / "entries.jsonl").write_bytes(b"".join(lines))
    return folder


@pytest.mark.parametrize(
    "text",
    [pytest.param(t, marks=[pytest.mark.slow] if k else [], id=str(k)) for k, t in enumerate(HOSTILE)],
)
def test_hostile_texts_are_harmless(text: str, tmp_path: Path) -> None:
    entries: list[Entry] = [
        StageSaid(1.0, "set-up", "done", {"level_along_mm_per_m": text, text: 1.0}, text),
        MoveMade(92.0, "infeed", "left", 1.6, text),
        NoteSaid(100.0, text, text),
        AlarmAcknowledged(120.0, "infeed", text, text),
        StageSaid(320.0, "sign", "done", {text: text}, text),
    ]
    log = make_log(tmp_path / "log", entries, serial=text, customer_ref=text, note=text, started_utc=text)
    record = make_record(log)
    page = Page(record.page())
    assert_harmless(page)
    assert page.tags.count("h2") == Page(make_record(SAMPLE_LOGS / "run-in").page()).tags.count("h2")
    plain = page_of("run-in")
    assert page.tags.count("tr") >= plain.tags.count("tr")
    visible = re.sub(r"<.*?>", "", shown(text))
    assert visible
    assert page.html.count(shown(text, 64)) >= 3  # move, note, signature: shown, not swallowed


def test_a_log_tells_belt_times_set_up_and_signature(tmp_path: Path) -> None:
    measured: dict[str, float | str] = {
        "level_along_mm_per_m": 0.4, "square_left_mm": 803.0, "square_right_mm": 795.0,
        "marks_before_mm": 1000.0, "marks_after_mm": 1005.0,
    }  # fmt: skip
    entries: list[Entry] = [
        StageSaid(1.0, "set-up", "done", measured, "first hand"),
        MoveMade(92.0, "infeed", "left", 1.6, "first hand"),
        MoveMade(143.0, "infeed", "left", 1.6),
        StageSaid(320.0, "sign", "done", {}, "second hand"),
    ]
    log = make_log(tmp_path / "log", entries, serial="INV-7", started_utc="2031-02-03T04:05:06.000Z")
    (log / "closed.json").write_text(json.dumps({"closed_utc": "2031-02-03T04:11:00.000Z"}))
    page = Page(make_record(log).page())
    replay = replay_recording(log)
    assert page.row("Belt")[1].startswith("INV-7; 610 mm wide")
    assert page.row("When")[1].startswith("2031-02-03T04:05:06.000Z to 2031-02-03T04:11:00.000Z")
    judged = {e.name: e.text for e in replay.found_events if e.details and "good" in e.details}
    assert page.row("Level along the frame")[1:] == ["good", judged["level-along"]]
    assert page.row("Shafts square")[1:] == ["out of tolerance", judged["square"]]
    assert page.row("Tension")[1:] == ["good", judged["tension"]]
    assert "Not made: level across the frame." in page.sections["Set-up"]
    assert "by first hand" in page.row("1")[2]
    assert "by second hand" in page.sections["Signed"]
    assert "Signature" not in page.sections["Signed"]
    for file in ("entries.jsonl", "belt.json"):
        assert page.row(file)[1] == hashlib.sha256((log / file).read_bytes()).hexdigest()
    assert page.row("board.wire")[1] == hashlib.sha256((log / "board.wire").read_bytes()).hexdigest()


def test_nobody_signed_leaves_a_line_and_no_set_up_is_said() -> None:
    page = page_of("quiet")
    assert "Nobody has signed" in page.sections["Signed"]
    assert "Signature" in page.sections["Signed"]
    assert "Not made: level along the frame, level across the frame, shafts square, tension." in page.text


def test_a_move_after_the_signature_is_said(tmp_path: Path) -> None:
    entries: list[Entry] = [
        StageSaid(300.0, "sign", "done", {}, "hand"),
        MoveMade(310.0, "snub", "left", 0.5),
    ]
    told = Page(make_record(make_log(tmp_path / "log", entries)).page()).sections["Signed"]
    assert "Moves logged after that: 1." in told
    assert "not shown to be tracked" in told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("=1+1", "&#x27;=1+1"),
        (" -x", "&#x27; -x"),
        ("a<b", "a&lt;b"),
        ("a\u202eb", "a[U+202E]b"),
        ("a\tb", "a b"),
        ("x" * 400, "x" * 297 + "..."),
        ("", ""),
        ("  ", ""),
    ],
)
def test_shown(text: str, told: str) -> None:
    assert shown(text) == (f"<bdi>{told}</bdi>" if told else "")


# ---------------------------------------------------------------- figures


def outside_bad_sections(record: Record, sensor: str) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """(CELLS,) False within half a section's width of a bad section."""
    length_mm = record.raster.length_mm
    usual = np.ones(CELLS, bool)
    place_mm = (np.arange(CELLS) + 0.5) / CELLS * length_mm
    for section in (s for s in facts.bad_sections(record.replay) if s.sensor == sensor):
        wide_mm = (section.end_mm - section.start_mm) % length_mm
        usual &= (place_mm - section.start_mm + wide_mm / 2) % length_mm > 2 * wide_mm
    return usual


@pytest.mark.parametrize("name", [*SAMPLES, *(n for n in CAPTURES if n != "runout-0")])
def test_the_raster_agrees_with_positions_and_profile(name: str) -> None:
    """A line less the camber is the whole belt's position, its shape is the camber: a raster put down in the
    wrong place, mirrored, or of the wrong turn would not agree. By medians, since spikes are in it; bad sections
    are left out, since they depart from the camber by what they are."""
    record = recorded(name)
    for sensor, edges_mm in record.raster.edges_mm.items():
        rows = [next(r for r in turn.rows if r.sensor == sensor) for turn in record.replay.found_revolutions]
        position = np.array([r.position_mm for r in rows])
        whole = np.isfinite(edges_mm).mean(axis=1) > 0.95
        assert whole.mean() > 0.5
        profile = [(x, y) for s, x, y in record.replay.found_profile if s == sensor]
        place = np.array([x for x, _ in profile]) / record.raster.length_mm * CELLS
        learnt = np.interp(np.arange(CELLS) + 0.5, place, [y for _, y in profile], period=CELLS)
        off = np.abs(np.nanmedian(edges_mm[whole] - learnt, axis=1) - position[whole])
        assert np.nanmedian(off) < 0.1
        shape = np.nanmedian(edges_mm[whole] - position[whole][:, None], axis=0)
        usual = outside_bad_sections(record, sensor)
        assert usual.mean() > 0.7
        assert np.corrcoef(shape[usual], learnt[usual])[0, 1] > 0.97
        assert np.median(np.abs(shape - learnt)) < 0.1 * np.ptp(learnt)


def test_a_bad_section_shows_in_the_raster_where_the_alarm_says() -> None:
    record = recorded("section-wobble")
    section = facts.bad_sections(record.replay)[0]
    edges_mm = record.raster.edges_mm[section.sensor]
    change = np.nanmean(edges_mm[-5:], axis=0) - np.nanmean(edges_mm[:8], axis=0)
    place_mm = (int(np.nanargmax(np.abs(change))) + 0.5) / CELLS * record.raster.length_mm
    assert section.start_mm < place_mm < section.end_mm


def test_a_revolution_with_a_stop_is_left_blank() -> None:
    record = recorded("stop-restart")
    took = np.array([turn.end_s - turn.start_s for turn in record.replay.found_revolutions])
    edges_mm = next(iter(record.raster.edges_mm.values()))
    assert took.max() > 2 * np.median(took)
    assert np.isnan(edges_mm[took.argmax()]).all()
    assert np.isfinite(edges_mm[took < 1.1 * np.median(took)]).mean() > 0.95


def luminance(colour: str) -> float:
    """Relative luminance by ITU-R BT.709 and the sRGB transfer curve (IEC 61966-2-1), as WCAG 2 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_shades_keep_their_order_in_black_and_white() -> None:
    greys = [luminance(shade(k)) for k in range(LEVELS)]
    assert all(b > a * 1.05 for a, b in pairwise(greys))
    assert greys[-1] / greys[0] > 20
    assert shade(LEVELS // 2) == "#7a8e96"


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 5.2), (-11.3, 11.3), (1.0, 33.0), (-0.02, 0.02), (0.0, 1440.0)]
)
def test_ticks_are_round_few_and_inside(low: float, high: float) -> None:
    found = ticks(low, high, 7)
    assert 2 <= len(found) <= 8
    assert all(low - 1e-9 <= t <= high + 1e-9 for t in found)
    assert np.allclose(np.diff(found), np.diff(found)[0])


def test_a_long_raster_is_thinned_and_keeps_its_mean() -> None:
    rows = np.arange(1000.0)[:, None] * np.ones(CELLS)
    rows[5] = np.nan
    thin, k = thinned(rows, 150)
    assert k == 7
    assert len(thin) <= 150
    assert thin[0, 0] == np.mean([0, 1, 2, 3, 4, 6])
    assert thin[-1, 0] == np.mean(np.arange(142 * 7, 1000))


@each_recording
def test_plots_are_whole_svg_files_with_nothing_cut_off(name: str, tmp_path: Path) -> None:
    import xml.etree.ElementTree as ElementTree

    files = write_plots(recorded(name), tmp_path)
    assert sorted(f.name for f in files) == ["position.svg", "profile.svg", "raster.svg"]
    for file in files:
        root = ElementTree.parse(file).getroot()  # well-formed XML on its own
        _, _, width, height = map(float, root.attrib["viewBox"].split())
        for element in root:
            for key, most in (
                ("x", width),
                ("x1", width),
                ("x2", width),
                ("y", height),
                ("y1", height),
                ("y2", height),
            ):
                if key in element.attrib and "transform" not in element.attrib:
                    assert -0.01 <= float(element.attrib[key]) <= most + 0.01, (file.name, element.attrib)
    raster = (tmp_path / "raster.svg").read_text()
    assert all(sensor.name in raster for sensor in recorded(name).replay.station.sensor)


def test_a_recording_without_a_whole_revolution_still_has_a_record(tmp_path: Path) -> None:
    wire = gzip.decompress((SAMPLE_LOGS / "quiet/board.wire.gz").read_bytes())[:20_000]
    (tmp_path / "board.wire").write_bytes(wire)
    (tmp_path / "station.toml").write_bytes((SAMPLE_LOGS / "quiet/station.toml").read_bytes())
    page = Page(make_record(tmp_path).page())
    assert_harmless(page)
    assert page.row("infeed pulley", "as found")[3] == "not known"
    assert "No completed revolution." in page.sections["Raster of revolutions"]
    assert "No hold was completed" in page.sections["The hold"]


# ---------------------------------------------------------------- files and print


def test_names_of_what_is_written() -> None:
    assert default_record(SAMPLE_LOGS / "drift") == Path("record-drift.html")
    assert default_plots(SAMPLE_LOGS / "drift" / "board.wire.gz") == Path("plot-drift")
    assert paper_named("letter") == "Letter"
    with pytest.raises(UsageError, match="expected A4 or Letter"):
        paper_named("a3")


def test_refusals_are_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="name the HTML file"):
        write_record(recorded("quiet"), tmp_path / "r.pdf", pdf=True)
    (tmp_path / "taken").write_text("")
    with pytest.raises(RecordingError, match="cannot be written"):
        write_record(recorded("quiet"), tmp_path / "taken" / "r.html", pdf=False)


def test_the_raster_of_a_long_run_says_what_a_line_is_where_no_other_title_stands() -> None:
    seen = recorded("quiet").raster
    edges = {name: np.tile(mm, (20, 1)) for name, mm in seen.edges_mm.items()}
    revs = np.arange(1, 20 * len(seen.revs) + 1)
    drawn = raster_figure(Raster(edges, revs, seen.length_mm, ""), list(edges))
    assert drawn.count("revolution (means of ") == len(edges)
    titles = re.findall(r">([^<]*nominal place[^<]*)<", drawn)
    assert titles == [f"{name}: edge, mm from its nominal place" for name in edges]


def test_rows_beyond_the_print_stay_on_the_screen() -> None:
    page = recorded("run-in").page(Room(moves=1))
    assert page.count('<tr class="screen">') == 1
    assert "1 more in the HTML record and in the log." in page


def need_weasyprint() -> None:
    """Gives up where the extra `pdf`, or the Pango library that it loads, is not installed."""
    try:
        importlib.import_module("weasyprint")
    except (ImportError, OSError) as why:
        give_up(f"weasyprint cannot be used (extra: pdf): {why}")


def test_without_weasyprint_a_pdf_is_refused_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UsageError, match="needs weasyprint, which is not installed"):
        write_record(recorded("quiet"), tmp_path / "r.html", pdf=True)


def pages_of(pdf: bytes) -> int:
    """Page objects of a PDF, also those inside its compressed object streams (ISO 32000, 7.5.7)."""
    text = pdf
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S):
        with contextlib.suppress(zlib.error):
            text += zlib.decompress(stream)
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", text))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_pdf_has_two_pages(paper: Any, tmp_path: Path) -> None:
    need_weasyprint()
    files = write_record(recorded("section-wobble"), tmp_path / "r.html", pdf=True, paper=paper)
    pdf = files[1].read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert pages_of(pdf) == 2
    assert pdf == recorded("section-wobble").pdf(paper), "the same bytes again"


def test_a_print_has_smaller_letters_before_rows_are_left_out() -> None:
    smallest = min(room.percent for room in ROOMS)
    first = next(room for room in ROOMS if room.percent == smallest)
    assert smallest < Room().percent
    assert (first.moves, first.sections, first.alarms) == (Room().moves, Room().sections, Room().alarms)
    assert [room.percent for room in ROOMS] == sorted((room.percent for room in ROOMS), reverse=True)


def pictures_of(pdf: Path, folder: Path) -> list[Any]:
    """Every page as grey levels 0 to 1, rows by columns, 50 pixels to the inch."""
    program = shutil.which("pdftoppm")
    if program is None:
        give_up("no pdftoppm on this machine (apt-get install poppler-utils)")
    folder.mkdir()
    subprocess.run([program, "-r", "50", "-gray", str(pdf), str(folder / "page")], check=True, timeout=60)
    pages = []
    for file in sorted(folder.iterdir()):
        _, size, _, levels = file.read_bytes().split(b"\n", 3)  # P5, as netpbm's pgm(5) has it
        wide, high = (int(n) for n in size.split())
        pages.append(np.frombuffer(levels, np.uint8).reshape(high, wide) / 255.0)
    return pages


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", sorted(p.name for p in SAMPLE_LOGS.iterdir() if p.is_dir()))
def test_every_sample_prints_on_two_pages_with_nothing_at_the_edge(
    name: str, paper: Any, tmp_path: Path
) -> None:
    need_weasyprint()
    files = write_record(recorded(name), tmp_path / "r.html", pdf=True, paper=paper)
    pages = pictures_of(files[1], tmp_path / "pages")
    assert 1 <= len(pages) <= 2
    for page in pages:
        high, wide = page.shape
        inches = (8.27, 11.69) if paper == "A4" else (8.5, 11.0)  # ISO 216, ANSI/ASME Y14.1
        assert (wide / 50, high / 50) == pytest.approx(inches, abs=0.03)
        ink = page < 0.5
        assert 0.005 < ink.mean() < 0.4, "neither blank nor black"
        frame = ink.copy()
        frame[20:-20, 20:-20] = False  # 10 mm of paper stay free all round
        assert not frame.any()
        assert ink[: high // 3].any()


@pytest.mark.slow
def test_the_pdf_of_an_endless_log_has_two_pages(tmp_path: Path) -> None:
    need_weasyprint()
    moves: list[Entry] = [
        MoveMade(20.0 + 5 * k, "infeed", "left", 0.5 * (-1) ** k, "w" * 64) for k in range(50)
    ]
    notes: list[Entry] = [NoteSaid(30.0 + 6 * k, f"{k} " + "long words " * 150, "w" * 64) for k in range(40)]
    entries = sorted([*moves, *notes], key=lambda e: e.t_s)
    record = make_record(make_log(tmp_path / "log", entries, serial="S" * 200, note="n" * 2000))
    assert len(facts.moves_done(record.replay)) == 50
    assert 1 <= pages_of(record.pdf()) <= 2


def test_the_raster_of_nothing_is_no_fault() -> None:
    empty = Raster({"a": np.zeros((0, CELLS))}, np.zeros(0, np.int64), 5000.0, "")
    assert "No completed revolution." in raster_figure(empty, ["a"])


def test_the_second_pass_sees_the_bytes_that_were_replayed() -> None:
    recording = open_recording(SAMPLE_LOGS / "drift")
    whole = hashlib.sha256(b"".join(recording.chunks())).hexdigest()
    assert recorded("drift").raster.wire_sha256 == whole


def test_the_commands_write_and_refuse(tmp_path: Path) -> None:
    """`runin record` and `runin plot` as typed: what is written, said, and given back."""

    def runin(*words: str | Path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "monitor", *map(str, words)]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=tmp_path)

    quiet = SAMPLE_LOGS / "quiet"
    done = runin("record", quiet, "--json")
    assert json.loads(done.stdout) == {"verdict": "tracked", "written": ["record-quiet.html"]}
    assert (tmp_path / "record-quiet.html").read_text() == recorded("quiet").page()
    done = runin("plot", quiet)
    assert done.stdout.splitlines() == [
        f"Written: plot-quiet/{n}.svg" for n in ("raster", "position", "profile")
    ]
    for words, code in ((("record", quiet, "--paper", "a3"), 2), (("record", tmp_path / "none"), 3)):
        done = runin(*words)
        assert done.returncode == code
        assert re.fullmatch(r"runin: [^\n]+\n", done.stderr)
