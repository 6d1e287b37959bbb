"""`runin record`: the record that travels with a machine, and `runin plot`: its figures from any recording.

The recording is replayed by the very code that replays (replay.py), so every figure of the record is the
replay's. The PDF is made from the same page by weasyprint, which is optional; it is never more than two
pages, since what does not fit is left to the screen. Nothing is fetched while it is made. The same recording
gives the same record to the byte: no clock is read.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from monitor.errors import RecordingError, UsageError
from monitor.outside import record_facts as facts
from monitor.outside.captures import BELT_FILE, ENTRIES_FILE, Recording, open_recording
from monitor.outside.record_figures import position_figure, profile_figure, raster_figure
from monitor.outside.record_page import Source, make_page
from monitor.outside.record_raster import Raster, read_raster
from monitor.outside.record_style import ROOMS, Room
from monitor.outside.replay import Replay, default_folder, replay_recording
from monitor.records import AlarmAcknowledged

Paper = Literal["A4", "Letter"]
Named = str | os.PathLike[str] | None
MOST_PAGES = 2


@dataclass(frozen=True)
class Record:
    """A replayed recording with what the record needs besides."""

    replay: Replay
    source: Source
    raster: Raster

    def figures(self, sensors: list[str] | None = None) -> dict[str, str]:
        """raster, position and profile as SVG; sensors: for the raster, left out: one at each pulley."""
        replay = self.replay
        moves, sections = facts.moves_done(replay), facts.bad_sections(replay)
        hold = facts.hold_proved(replay)
        span = _hold_span(replay, hold) if hold is not None else None
        names = sensors or _one_each(replay)
        marks = replay.station.conveyor.marks
        return {
            "raster": raster_figure(self.raster, names, sections, moves, marks),
            "position": position_figure(replay, moves, span),
            "profile": profile_figure(replay, sections, names),
        }

    def page(self, room: Room | None = None, paper: Paper = "A4") -> str:
        """The record as one HTML page."""
        return make_page(self.replay, self.source, self.figures(), room or Room(), paper)

    def pdf(self, paper: Paper = "A4") -> bytes:
        """The record as a PDF of at most two pages. Raises UsageError where weasyprint is not installed."""
        figures = self.figures()
        for room in ROOMS:
            page = make_page(self.replay, self.source, figures, room, paper)
            pages, pdf = _print(page)
            if pages <= MOST_PAGES:
                return pdf
        raise UsageError(f"{self.source.name}: the record does not fit on {MOST_PAGES} pages; use the HTML")


def make_record(path: str | os.PathLike[str], station: Named = None, moves: Named = None) -> Record:
    """Replay a recording and gather its record. Cost: a replay and one more reading of the bytes.

    station, moves: left out, they are looked for beside the recording. Raises RecordingError,
    MovesFileError or StationFileError.
    """
    recording = open_recording(Path(path))
    replay = replay_recording(path, station, moves)
    length_mm = float(replay.summary["length_mm"])
    raster = read_raster(recording, replay.station, replay.found_revolutions, length_mm)
    return Record(replay, _source(recording, raster.wire_sha256, station, moves), raster)


def write_record(record: Record, file: Path, pdf: bool, paper: Paper = "A4") -> list[Path]:
    """Writes the HTML and, if wanted, the PDF beside it; returns what was written.

    Raises RecordingError, and UsageError when the PDF would take the place of the HTML.
    """
    if file.suffix.lower() == ".pdf":
        raise UsageError(f"{file}: name the HTML file; with --pdf the PDF goes beside it")
    texts = {file: record.page(paper=paper).encode()}
    if pdf:
        texts[file.with_suffix(".pdf")] = record.pdf(paper)
    return _write(texts)


def write_plots(record: Record, folder: Path) -> list[Path]:
    """Writes the figures as SVG files into a folder; the raster shows every sensor. Raises RecordingError."""
    figures = record.figures([sensor.name for sensor in record.replay.station.sensor])
    return _write({folder / f"{name}.svg": figure.encode() for name, figure in figures.items()})


def paper_named(name: str) -> Paper:
    """A4 or Letter, in any case. Raises UsageError."""
    papers: dict[str, Paper] = {"a4": "A4", "letter": "Letter"}
    if name.lower() not in papers:
        raise UsageError(f"--paper {name}: expected A4 or Letter")
    return papers[name.lower()]


def default_record(path: Path) -> Path:
    """Where the record goes when nobody said: `record-NAME.html` in the present folder."""
    return Path(default_folder(path).name.replace("replay-", "record-", 1) + ".html")


def default_plots(path: Path) -> Path:
    """Where the figures go when nobody said: `plot-NAME` in the present folder."""
    return Path(default_folder(path).name.replace("replay-", "plot-", 1))


def _write(texts: dict[Path, bytes]) -> list[Path]:
    for file, text in texts.items():
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(text)
        except OSError as problem:
            raise RecordingError(f"{file}: cannot be written: {problem.strerror or problem}") from None
    return list(texts)


def _one_each(replay: Replay) -> list[str]:
    """The sensor that knows each pulley best at the end, else the first that is fitted there."""
    names = []
    for pulley in facts.pulleys(replay):
        row = facts.as_left(replay, pulley)
        fitted = next(s.name for s in replay.station.sensor if s.pulley == pulley)
        names.append(row.sensor if row is not None else fitted)
    return names


def _hold_span(replay: Replay, hold: facts.HoldProved) -> tuple[float, float]:
    starts = [r.start_s for r in replay.found_revolutions if r.rev == hold.first_rev]
    return (starts[0] if starts else hold.at_s), hold.at_s


# ---------------------------------------------------------------- where it comes from


def _source(recording: Recording, wire_sha256: str, station: Named, moves: Named) -> Source:
    folder = recording.wire.parent
    closed = _closed(folder) if recording.kind == "log" else {}
    files = {"station file": Path(station) if station is not None else folder / "station.toml"}
    if recording.kind == "log":
        files |= {ENTRIES_FILE: folder / ENTRIES_FILE, BELT_FILE: folder / BELT_FILE}
    named = Path(moves) if moves is not None else recording.moves_file
    if named is not None:
        files["moves.csv"] = named
    content = " (its content)" if recording.wire.suffix == ".gz" else ""
    digests = [(f"{recording.wire.name}{content}", wire_sha256)]
    digests += [
        (name if name == file.name else f"{file.name} ({name})", _digest(file))
        for name, file in files.items()
    ]
    seen = [said.entry for said in recording.entries if isinstance(said.entry, AlarmAcknowledged)]
    belt = recording.belt
    named_by = folder.resolve() if recording.wire.name.startswith("board.wire") else recording.wire
    return Source(
        name=named_by.name,
        kind=recording.kind,
        serial=_text(belt, "serial"),
        customer_ref=_text(belt, "customer_ref"),
        note=_text(belt, "note"),
        started=_text(belt, "started_utc"),
        closed=_text(closed, "closed_utc"),
        digests=tuple(digests),
        acknowledged={(entry.name, entry.where): entry.by or "somebody" for entry in seen},
    )


def _text(found: dict[str, Any], key: str) -> str:
    value = found.get(key)
    return value if isinstance(value, str) else "" if value is None else str(value)


def _closed(folder: Path) -> dict[str, Any]:
    """closed.json; empty where the log is still open or was left by a killed process."""
    try:
        found = json.loads((folder / "closed.json").read_bytes()[:65536])
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _digest(file: Path) -> str:
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return "there is no such file"


# ---------------------------------------------------------------- print


def _print(page: str) -> tuple[int, bytes]:
    """Pages and bytes of the PDF; nothing outside the page is fetched."""
    try:
        import weasyprint
    except (ImportError, OSError):
        raise UsageError(
            "a PDF needs weasyprint, which is not installed (pip install 'runin-monitor[pdf]'); "
            "the HTML record needs nothing and prints from any browser"
        ) from None

    def refuse(url: str, *_: Any, **__: Any) -> Any:
        raise ValueError(f"nothing is fetched: {url}")

    document = weasyprint.HTML(string=page, url_fetcher=refuse, base_url=None).render()
    return len(document.pages), bytes(document.write_pdf(pdf_identifier=b"runin") or b"")
