"""Run-in monitor: watches where a conveyor belt rides, and says when it is tracked.

For notebooks: `monitor.replay("logs/belt-7")` gives pandas DataFrames; see monitor.outside.replay.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.outside.replay import Replay

__version__ = "0.1.0"


def replay(
    path: str | os.PathLike[str],
    station: str | os.PathLike[str] | None = None,
    moves: str | os.PathLike[str] | None = None,
) -> Replay:
    """Replay a recording and return its tables: `.revolutions`, `.events`, `.profile`, and `.summary`.

    path: a capture file (also gzip), a folder with one, or one of our own belt logs.
    station, moves: the station file and moves.csv; left out, they are looked for beside the recording.
    Raises errors.RecordingError or errors.StationFileError, each with one clear sentence.
    """
    from monitor.outside.replay import replay_recording

    return replay_recording(path, station, moves)
