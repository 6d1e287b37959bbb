"""Replay: the pipeline that runs live, fed from a recording instead of a port.

Nothing here decides anything about belts. A recording is a capture (wire bytes, also gzip, with station.toml
and moves.csv beside it) or one of our own belt logs; either way the pipeline gets the same calls as it got
live, so it says the same. pandas is imported only when a table is asked for.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from monitor.errors import RecordingError, UsageError
from monitor.outside.captures import Recording, open_recording
from monitor.outside.outputs import PROFILE_COLUMNS, REVOLUTION_COLUMNS, write_outputs
from monitor.pipeline import Pipeline
from monitor.readings import parse_moves
from monitor.records import Advice, Event, Message, MoveMade, Revolution
from monitor.settings import Station, load_station

if TYPE_CHECKING:
    import pandas as pd

CHUNK_BYTES = 1 << 18  # about a minute of belt; any size gives the same result
LONG_BYTES = 1 << 21  # from here on a progress bar is worth its lines


@dataclass(frozen=True)
class Replay:
    """What a recording says. The tables are made on first use; lengths in mm, NaN = not known."""

    station: Station
    found_revolutions: tuple[Revolution, ...]
    found_events: tuple[Event, ...]
    found_advice: tuple[Advice, ...]
    found_profile: tuple[tuple[str, float, float], ...]
    summary: dict[str, Any]

    @cached_property
    def revolutions(self) -> pd.DataFrame:
        """revolutions.csv as a table: one row for each completed revolution and sensor."""
        import pandas as pd

        rows = [
            [getattr(row, name) for name in REVOLUTION_COLUMNS]
            for r in self.found_revolutions
            for row in r.rows
        ]
        return pd.DataFrame(rows, columns=list(REVOLUTION_COLUMNS))

    @cached_property
    def events(self) -> pd.DataFrame:
        """events.jsonl as a table: one row for each event, a column for each field that occurs."""
        import pandas as pd

        return pd.DataFrame([event.as_dict() for event in self.found_events])

    @cached_property
    def profile(self) -> pd.DataFrame:
        """profile.csv as a table: the camber profile of every sensor at the end."""
        import pandas as pd

        return pd.DataFrame(list(self.found_profile), columns=list(PROFILE_COLUMNS))

    def write(self, folder: str | os.PathLike[str]) -> None:
        """Write revolutions.csv, events.jsonl, profile.csv and summary.json into a folder."""
        write_outputs(
            Path(folder), self.found_revolutions, self.found_events, self.found_profile, self.summary
        )


def replay_recording(
    path: str | os.PathLike[str],
    station: str | os.PathLike[str] | None = None,
    moves: str | os.PathLike[str] | None = None,
    *,
    progress: bool = False,
    chunk_bytes: int = CHUNK_BYTES,
) -> Replay:
    """Run the pipeline over a recording. Cost: about a second for half an hour of belt.

    station, moves: left out, they are looked for beside the recording. progress: a bar on standard error when
    the recording is long. Raises RecordingError, MovesFileError or StationFileError.
    """
    recording = open_recording(Path(path))
    known = _station_for(recording, station)
    pipeline = Pipeline(known)
    for move in _moves_for(recording, moves):
        pipeline.enter(move, move.t_s)
    messages: list[Message] = []
    with _progress_bar(progress and recording.size_bytes >= LONG_BYTES) as bar:
        task = bar.add_task("replaying", total=recording.size_bytes)
        for said in recording.play(pipeline, lambda size: bar.advance(task, size), size=chunk_bytes):
            messages += said
    return Replay(
        station=known,
        found_revolutions=tuple(m for m in messages if isinstance(m, Revolution)),
        found_events=tuple(m for m in messages if isinstance(m, Event)),
        found_advice=tuple(m for m in messages if isinstance(m, Advice)),
        found_profile=tuple(pipeline.profile_rows()),
        summary=pipeline.summary(),
    )


def _station_for(recording: Recording, named: str | os.PathLike[str] | None) -> Station:
    if named is not None:
        return load_station(Path(named))
    if recording.station is None:
        raise UsageError(f"{recording.path}: no station.toml lies beside it; name one with --station FILE")
    return recording.station


def _moves_for(recording: Recording, named: str | os.PathLike[str] | None) -> tuple[MoveMade, ...]:
    """The moves of a moves.csv, named or beside a capture; a log brings its own entries."""
    file = recording.moves_file if named is None else Path(named)
    if file is None:
        return ()
    try:
        return tuple(parse_moves(file.read_text("utf-8-sig"), str(file)))
    except UnicodeDecodeError:
        raise RecordingError(f"{file}: is not UTF-8 text, so it is no moves.csv") from None
    except OSError as problem:
        raise RecordingError(f"{file}: cannot be read: {problem.strerror or problem}") from None


def _progress_bar(wanted: bool) -> Progress:
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=Console(file=sys.stderr),
        transient=True,
        disable=not wanted,
    )


def default_folder(path: Path) -> Path:
    """Where the outputs go when nobody said: `replay-NAME` in the present folder."""
    path = path.resolve()
    place = path.parent if path.name.startswith("board.wire") else path
    return Path(f"replay-{place.name.split('.wire')[0] or 'recording'}")


def print_summary(result: Replay, folder: Path, console: Console, *, explain: bool = False) -> None:
    """What the recording came to, for a person: verdict, positions, alarms, where the files are; explain: also
    every advice with the figures behind it.
    """
    summary = result.summary
    console.print(f"[bold]{summary['verdict'].replace('-', ' ').capitalize()}[/]", soft_wrap=True)
    for reason in summary["reasons"]:
        console.print(f"  {reason}", markup=False)
    minutes = summary["seconds"] / 60
    console.print(
        f"{summary['revolutions']} revolutions in {minutes:.1f} min; records: {summary['records_good']} good,"
        f" {summary['records_rejected']} rejected, {summary['records_lost']} lost"
    )
    for pulley, final in summary["final"].items():
        position = measured(final["position_mm"], final["position_se_mm"], "mm")
        walk = measured(final["walk_mm_per_rev"], final["walk_se_mm_per_rev"], "mm/rev")
        console.print(f"  at the {pulley} pulley: {position}, walking {walk}")
    raised = Counter(
        f"{event.name} ({event.sensor or event.pulley or 'bay'})"
        for event in result.found_events
        if event.kind == "alarm-raised"
    )
    alarms = ", ".join(name if times == 1 else f"{name} x{times}" for name, times in raised.items())
    console.print(f"Alarms: {alarms or 'none'}", markup=False)
    if explain:
        for given in result.found_advice:
            console.print(f"{clock(given.t_s)} rev {given.rev}, {given.action}: {given.why}", markup=False)
            console.print(
                f"    In figures: {given.explain or 'none for this advice'}", markup=False, style="dim"
            )
    if result.found_advice:
        advice = result.found_advice[-1]
        console.print(f"Last advice, of {clock(advice.t_s)} (rev {advice.rev}): {advice.why}", markup=False)
        console.print(f"Caution: {advice.caution}", markup=False)
    console.print(
        f"Written to {folder}: revolutions.csv, events.jsonl, profile.csv, summary.json", markup=False
    )


def clock(t_s: float) -> str:
    """Minutes and seconds since the recording began."""
    return f"{int(t_s // 60)}:{int(t_s % 60):02d}"


def measured(estimate: float | None, spread: float | None, unit: str) -> str:
    """`+1.24 ± 0.08 mm`, the spread being 1.96 standard errors; or that it is not known."""
    if estimate is None:
        return "not known"
    if spread is None:
        return f"{signed(estimate)} {unit}"
    return f"{signed(estimate)} ± {1.96 * spread:.2f} {unit}"


def signed(number: float) -> str:
    """Two decimals with a sign; nothing is +0.00."""
    return f"{number if abs(number) >= 0.005 else 0.0:+.2f}"
