"""The decoder: bytes in any pieces -> the board's records on one clock, and what became of every line.

Framing, belief and timing are in framing.py, wire.py, bulk.py and clock.py; here they meet. Bad bytes are
never an error: a line that is not believed is counted with its reason. Three rules decide what a believed
line is:

1. A line that repeats the last few counts, or that fits neither counter nor time, is rejected.
2. Unless the following line fits it: then the board started anew (a single wrong line cannot do that).
   A hello of another board, of other channels, or from near time zero, and a mark or tick count that starts
   over, say so at once. A Restart begins a new epoch; its time goes on one sample period after the last.
3. The first hello or E record fixes how many channels an E record has, until a hello says otherwise.

Long chunks take the columns of bulk.py; E records in a row whose counter and time step ordinarily are then
placed all at once. `Decoder(bulk=False)` never does, and gives the same records to the bit.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.readings.bulk import EdgeLines, parse_edges
from monitor.readings.clock import (
    OUT_OF_SEQUENCE,
    REPEATED,
    SEQ_TURN,
    STEP_RECORDS,
    STEP_US,
    TIME_TURN_US,
    Clock,
    signed_us,
)
from monitor.readings.framing import Framing
from monitor.readings.wire import (
    LOST_SAMPLES,
    MAX_CHANNELS,
    MAX_LINE,
    TOO_LONG,
    VERSION,
    WireLine,
    parse_line,
)
from monitor.records import BoardRecord, Button, EdgeBlock, Hello, Mark, Restart, Tally, Ticks

BULK_BYTES = 4096  # from here on columns are faster than lines
NEAR_ZERO_US = 2_000_000  # a hello this young comes from a board that has just started
SHORT_US = 60_000_000  # ... unless time simply wrapped within a silence shorter than this
COUNT_WRAP = 0xFF00  # a mark count from here on may come back to 0 or 1 by wrapping

WRONG_CHANNELS = "wrong channels"
WRONG_HELLO = "unknown hello"

_Rows = tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint16], NDArray[np.int64]]


class Decoder:
    """Wire format 1 -> records. One for each stream; memory is bounded whatever comes in."""

    def __init__(self, *, bulk: bool = True) -> None:
        self._bulk = bulk
        self._framing = Framing()
        self._good = 0
        self._lost = 0
        self._reasons: Counter[str] = Counter()
        self._clock: Clock | None = None
        self._channels: int | None = None
        self._board: int | None = None
        self._last_hello: tuple[int, int] | None = None
        self._last_mark: int | None = None
        self._last_ticks: tuple[int, int, int, int] | None = None  # time and ticks as sent, then unwrapped
        self._lost_before_edge = 0
        self._suspect: tuple[WireLine, Clock] | None = None
        self._out: list[BoardRecord] = []
        self._rows: list[tuple[int, int, tuple[int, ...], int]] = []
        self._blocks: list[_Rows] = []

    @property
    def tally(self) -> Tally:
        """Good, rejected and lost records so far. A line still held back is in none of them yet."""
        return Tally(self._good, sum(self._reasons.values()), self._lost, dict(self._reasons))

    @property
    def unfinished_bytes(self) -> int:
        """Bytes of a line whose end has not come yet."""
        return len(self._framing.tail)

    def feed(self, data: bytes) -> list[BoardRecord]:
        """The records that these bytes complete, in the order in which the board sent them."""
        pieces, too_long = self._framing.cut(bytes(data))
        if too_long:
            self._reject(TOO_LONG)
        for piece in pieces:
            if self._bulk and len(piece) >= BULK_BYTES:
                self._take_many(piece)
            else:
                self._take_each(piece)
        self._end_block()
        out, self._out = self._out, []
        return out

    # ------------------------------------------------------------ pieces of whole lines

    def _take_each(self, piece: bytes) -> None:
        start = 0
        while start < len(piece):
            end = piece.index(b"\n", start) + 1
            self._take(piece[start:end] if end - start <= MAX_LINE else piece[start : start + MAX_LINE + 1])
            start = end

    def _take_many(self, piece: bytes) -> None:
        ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == ord("\n")) + 1
        starts = np.concatenate(([0], ends[:-1]))
        width = self._channels
        if width is None:
            first = int(ends[min(64, len(ends) - 1)])
            self._take_each(piece[:first])
            rest = piece[first:]
            if rest:
                (self._take_many if self._channels is not None else self._take_each)(rest)
            return
        edges = parse_edges(piece, starts, ends, width)
        others = np.ones(len(ends), np.bool_)
        others[edges.line] = False
        other = np.flatnonzero(others)
        believed: list[tuple[int, WireLine]] = []
        for index, start, end in zip(
            other.tolist(), starts[other].tolist(), ends[other].tolist(), strict=True
        ):
            line = parse_line(piece[start : min(end, start + MAX_LINE + 1)])
            if isinstance(line, str):
                self._reject(line)
            else:
                believed.append((index, line))
        self._take_columns(edges, believed)

    # ------------------------------------------------------------ many records at once

    def _take_columns(self, edges: EdgeLines, others: list[tuple[int, WireLine]]) -> None:
        """Places E lines in columns and the lines between them, in the order of the stream."""
        step = np.diff(edges.seq) % SEQ_TURN
        ahead_us = np.diff(edges.time_us) % TIME_TURN_US  # an ordinary step is positive: no sign needed
        ordinary = (step >= 1) & (step <= STEP_RECORDS) & (ahead_us >= 1) & (ahead_us <= STEP_US)
        starts_at = np.searchsorted(edges.line, [index for index, _ in others]).tolist()
        breaks = {0, len(edges.line), *starts_at, *(np.flatnonzero(~ordinary) + 1).tolist()}
        bounds = sorted(breaks)
        since_first_us = np.concatenate(([0], np.cumsum(ahead_us)))
        waiting = 0
        for start, stop in zip(bounds, [*bounds[1:], len(edges.line)], strict=True):
            while waiting < len(others) and starts_at[waiting] == start:
                self._place(others[waiting][1])
                waiting += 1
            self._take_run(edges, start, stop, step, since_first_us)

    def _take_run(
        self,
        edges: EdgeLines,
        start: int,
        stop: int,
        step: NDArray[np.int64],
        since_first_us: NDArray[np.int64],
    ) -> None:
        """E lines start..stop-1: one by one until the clock goes with them, then the rest at once."""
        while start < stop:
            seq, wire_us = int(edges.seq[start]), int(edges.time_us[start])
            counts = tuple(edges.counts[start].tolist())
            self._place(WireLine("E", seq, wire_us, (int(edges.flags[start]), *counts)))
            start += 1
            clock = self._clock
            if clock is not None and self._goes_with(clock, edges, seq, wire_us) and start < stop:
                break
        else:
            return
        assert clock is not None
        time_us = clock.ref_us + since_first_us[start:stop] - since_first_us[start - 1]
        lost = step[start - 1 : stop - 1] - 1
        self._end_rows()
        self._blocks.append((time_us, edges.flags[start:stop], edges.counts[start:stop], lost))
        self._good += stop - start
        missing = int(lost.sum())
        self._lost += missing
        last = stop - 1
        clock.accept_run(
            int(edges.seq[last]), int(edges.time_us[last]), int(time_us[-1]), missing + stop - start
        )

    def _goes_with(self, clock: Clock, edges: EdgeLines, seq: int, wire_us: int) -> bool:
        """True when the clock's last record is this E line, so that those after it need no judging."""
        at_it = clock.seq == seq and clock.ref_wire == wire_us and clock.since_ref == 0 and clock.by_edge
        return at_it and self._suspect is None and self._channels == edges.counts.shape[1]

    # ------------------------------------------------------------ one record

    def _take(self, raw: bytes) -> None:
        line = parse_line(raw)
        if isinstance(line, str):
            self._reject(line)
        else:
            self._place(line)

    def _place(self, line: WireLine) -> None:
        """Decides what a believed line is: the next record, a repeated one, a new start, or nonsense."""
        wrong = self._wrong_content(line)
        if wrong is not None:
            self._reject(wrong)
            return
        clock = self._clock
        if clock is None:
            self._clock = Clock.start(line.kind, line.seq, line.time_us, 0, _hello_rate(line))
            self._keep(line, 0)
            return
        judged = clock.judge(line.kind, line.seq, line.time_us, _board_lost(line))
        why = self._new_start(line, judged)
        if why is not None:
            self._drop_suspect()
            self._restart(line, clock.successor(line.kind, line.seq, line.time_us), why)
        elif isinstance(judged, int):
            self._drop_suspect()
            self._lost += judged - 1
            self._lost_before_edge += judged - 1
            self._keep(line, clock.accept(line.kind, line.seq, line.time_us, judged))
        elif judged == REPEATED:
            self._reject(REPEATED)
        else:
            self._suspect_or_confirm(line, clock)

    def _suspect_or_confirm(self, line: WireLine, clock: Clock) -> None:
        """A line that does not fit is held back; a second one that fits the first proves a restart."""
        if self._suspect is not None:
            first, anew = self._suspect
            if isinstance(anew.judge(line.kind, line.seq, line.time_us, _board_lost(line)), int):
                self._suspect = None
                self._restart(first, anew, "time and counter of the board started anew")
                self._place(line)
                return
        self._drop_suspect()
        self._suspect = (line, clock.successor(line.kind, line.seq, line.time_us))

    def _drop_suspect(self) -> None:
        if self._suspect is not None:
            self._suspect = None
            self._reject(OUT_OF_SEQUENCE)

    def _restart(self, line: WireLine, anew: Clock, why: str) -> None:
        self._end_block()
        self._clock = anew
        self._last_mark = self._last_ticks = None
        self._out.append(Restart(anew.start_us, why))
        self._keep(line, anew.start_us)

    def _wrong_content(self, line: WireLine) -> str | None:
        if line.kind == "E" and self._channels is not None and len(line.fields) - 1 != self._channels:
            return WRONG_CHANNELS
        if line.kind == "H":
            version, _, channels, rate_hz = line.fields
            if version != VERSION or not 1 <= channels <= MAX_CHANNELS or rate_hz == 0:
                return WRONG_HELLO
        return None

    def _new_start(self, line: WireLine, judged: int | str) -> str | None:
        """Why this very line says that the board started anew; None when it does not say so."""
        if line.kind == "H":
            return self._new_start_by_hello(line, judged)
        if not isinstance(judged, int):
            return None
        if line.kind == "M" and self._last_mark is not None and _starts_over(line.fields[0], self._last_mark):
            return "the mark count started over"
        if line.kind == "T" and self._last_ticks is not None:
            backward = signed_us(line.fields[0] - self._last_ticks[1]) < 0
            return "the tick count started over" if backward else None
        return None

    def _new_start_by_hello(self, line: WireLine, judged: int | str) -> str | None:
        assert self._clock is not None
        _, board, channels, _ = line.fields
        if self._board is not None and board != self._board:
            return f"board {board:08X} talks, before it was {self._board:08X}"
        if self._channels is not None and channels != self._channels:
            return f"the board says it has {channels} channels, before it had {self._channels}"
        if line.time_us >= NEAR_ZERO_US or (line.seq, line.time_us) == self._last_hello:
            return None
        short = abs(signed_us(line.time_us - self._clock.ref_wire)) < SHORT_US
        return None if isinstance(judged, int) and short else "the board said hello from its start"

    def _keep(self, line: WireLine, at_us: int) -> None:
        """A record at last: its effect on what is known, and its place in the output."""
        self._good += 1
        if line.kind == "E":
            self._channels = len(line.fields) - 1
            self._rows.append((at_us, line.fields[0], line.fields[1:], self._lost_before_edge))
            self._lost_before_edge = 0
            return
        self._end_block()
        if line.kind == "M":
            self._last_mark = line.fields[0]
            self._out.append(Mark(at_us, line.fields[0]))
        elif line.kind == "T":
            self._out.append(self._unwrapped_ticks(line, at_us))
        elif line.kind == "B":
            self._out.append(Button(at_us, line.fields[0]))
        else:
            self._keep_hello(line, at_us)

    def _keep_hello(self, line: WireLine, at_us: int) -> None:
        assert self._clock is not None
        version, self._board, self._channels, self._clock.rate_hz = line.fields
        self._last_hello = (line.seq, line.time_us)
        self._out.append(Hello(at_us, version, self._board, self._channels, self._clock.rate_hz))

    def _unwrapped_ticks(self, line: WireLine, at_us: int) -> Ticks:
        """The same last tick as before keeps its time, however long the pulley has stood."""
        ticks = line.fields[0]
        total = ticks
        if self._last_ticks is not None:
            last_wire_us, last_ticks, last_at_us, last_total = self._last_ticks
            total = last_total + signed_us(ticks - last_ticks)
            if (line.time_us, ticks) == (last_wire_us, last_ticks):
                at_us = last_at_us
        self._last_ticks = (line.time_us, ticks, at_us, total)
        return Ticks(at_us, total)

    def _reject(self, reason: str) -> None:
        self._reasons[reason] += 1

    # ------------------------------------------------------------ blocks

    def _end_rows(self) -> None:
        if not self._rows:
            return
        time_us, flags, counts, lost = zip(*self._rows, strict=True)
        self._rows = []
        self._blocks.append(
            (
                np.array(time_us, np.int64),
                np.array(flags, np.uint8),
                np.array(counts, np.uint16),
                np.array(lost, np.int64),
            )
        )

    def _end_block(self) -> None:
        self._end_rows()
        if not self._blocks:
            return
        blocks, self._blocks = self._blocks, []
        time_us, flags, counts, lost = (np.concatenate(column) for column in zip(*blocks, strict=True))
        self._out.append(EdgeBlock(time_us, flags, counts, lost))

    # ------------------------------------------------------------ save and restore

    def snapshot(self) -> dict[str, Any]:
        """All that is remembered between two feeds, ready for JSON."""
        held = None if self._suspect is None else [list(self._suspect[0]), asdict(self._suspect[1])]
        return {
            "tail": self._framing.tail.hex(),
            "skipping": self._framing.skipping,
            "good": self._good,
            "lost": self._lost,
            "reasons": dict(self._reasons),
            "clock": None if self._clock is None else asdict(self._clock),
            "channels": self._channels,
            "board": self._board,
            "last_hello": self._last_hello,
            "last_mark": self._last_mark,
            "last_ticks": self._last_ticks,
            "lost_before_edge": self._lost_before_edge,
            "suspect": held,
        }

    @classmethod
    def restore(cls, saved: dict[str, Any], *, bulk: bool = True) -> Decoder:
        """A decoder that goes on where the saved one stood."""
        decoder = cls(bulk=bulk)
        decoder._framing = Framing(bytes.fromhex(saved["tail"]), saved["skipping"])
        decoder._good, decoder._lost = saved["good"], saved["lost"]
        decoder._reasons = Counter(saved["reasons"])
        decoder._clock = None if saved["clock"] is None else Clock(**saved["clock"])
        decoder._channels, decoder._board = saved["channels"], saved["board"]
        decoder._last_hello = None if saved["last_hello"] is None else tuple(saved["last_hello"])
        decoder._last_mark = saved["last_mark"]
        decoder._last_ticks = None if saved["last_ticks"] is None else tuple(saved["last_ticks"])
        decoder._lost_before_edge = saved["lost_before_edge"]
        if saved["suspect"] is not None:
            (kind, seq, time_us, fields), clock = saved["suspect"]
            decoder._suspect = (WireLine(kind, seq, time_us, tuple(fields)), Clock(**clock))
        return decoder


def _board_lost(line: WireLine) -> bool:
    return line.kind == "E" and bool(line.fields[0] & LOST_SAMPLES)


def _hello_rate(line: WireLine) -> int:
    return line.fields[3] if line.kind == "H" else 0


def _starts_over(count: int, last: int) -> bool:
    """True when a mark count went back, other than by its wrap at 65536."""
    backward = (count - last) % SEQ_TURN >= SEQ_TURN // 2
    return backward or (count <= 1 and 2 <= last < COUNT_WRAP)
