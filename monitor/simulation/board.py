"""The sensor board: edge places in, records of wire format 1 out.

It numbers the records, stamps them with its own clock, which starts anywhere and wraps, and writes a mark
once it can, which may be after an E record of later time. Fixed-width lines are built for a whole stretch
at once: digits by table, the check (CRC-16, polynomial 1021, start FFFF) column by column.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.records import BoardRecord, Button, EdgeBlock, Hello, Mark, Restart, Ticks

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
_DIGITS = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


def _crc_table() -> NDArray[np.uint16]:
    table = np.zeros(256, dtype=np.uint16)
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1) ^ 0x1021 if value & 0x8000 else value << 1
        table[byte] = value & 0xFFFF
    return table


_CRC_TABLE = _crc_table()


def encode_lines(kind: str, columns: list[tuple[Ints, int]]) -> Bytes:
    """Lines of one kind, (n, width) uint8; `columns` are the fields after the kind: values and digits."""
    rows = columns[0][0].size
    width = 1 + sum(1 + digits for _, digits in columns)
    lines: Bytes = np.empty((rows, width + 7), dtype=np.uint8)
    lines[:, 0] = ord(kind)
    at = 1
    for values, digits in columns:
        lines[:, at] = ord(",")
        for place in range(digits):
            lines[:, at + 1 + place] = _DIGITS[(values >> (4 * (digits - 1 - place))) & 15]
        at += 1 + digits
    crc = _checks(lines[:, :width]).astype(np.int64)
    lines[:, width] = ord("*")
    for place in range(4):
        lines[:, width + 1 + place] = _DIGITS[(crc >> (12 - 4 * place)) & 15]
    lines[:, width + 5 :] = np.frombuffer(b"\r\n", dtype=np.uint8)
    return lines


def _checks(lines: Bytes) -> NDArray[np.uint16]:
    crc = np.full(lines.shape[0], 0xFFFF, dtype=np.uint16)
    for column in np.ascontiguousarray(lines.T):
        crc = (crc << 8) ^ _CRC_TABLE[(crc >> 8) ^ column]
    return crc


@dataclass
class Single:
    """A record that is no E record, at the time it is written; `stamp_us` is the time it carries."""

    write_us: int
    kind: Literal["H", "M", "T", "B"]
    stamp_us: int
    value: int = 0


@dataclass
class Stretch:
    """What one epoch of the board has to say in a stretch of time; E times ascending."""

    epoch_us: int
    time_us: Ints
    flags: Ints
    counts: Ints
    unsent: NDArray[np.bool_]  # numbered, but never sent
    singles: list[Single] = field(default_factory=list)


@dataclass
class Written:
    """The same with seq given and the fate of each record decided: order, loss, damage."""

    stretch: Stretch
    order_e: Ints  # place of each E record in the order of writing
    order_s: Ints
    lost: NDArray[np.bool_]
    garbled: NDArray[np.bool_]
    first_seq: int
    first: int


class Board:
    """Numbers the records, loses and damages some, and writes them out."""

    def __init__(
        self,
        *,
        board: int,
        channels: int,
        rate_hz: int,
        boot_us: int,
        first_seq: int,
        loss: float,
        garble: float,
        rng: np.random.Generator,
        damage_seed: int,
    ) -> None:
        self._board, self._channels, self._rate_hz = board, channels, rate_hz
        self._boot_us, self._seq = boot_us, first_seq
        self._loss, self._garble = loss, garble
        self._rng_fate, self._damage_seed = rng, damage_seed
        self._total = 0  # records so far, lost ones included: damage depends on it, not on the cutting
        self._epoch_us = 0
        self._unseen = 0
        self.lost = 0
        self.garbled = 0

    def start_anew(self, at_us: int, boot_us: int) -> None:
        """A restart: clock near zero, seq from zero."""
        self._epoch_us, self._boot_us, self._seq = at_us, boot_us, 0
        self._unseen = 0

    def write(self, stretch: Stretch, outages_us: list[tuple[int, int]]) -> Written:
        """Put the records in order of writing and decide which are lost or damaged."""
        when = np.concatenate([stretch.time_us, np.array([s.write_us for s in stretch.singles], np.int64)])
        place = np.empty(when.size, dtype=np.int64)
        place[np.argsort(when, kind="stable")] = np.arange(when.size)
        fate = self._rng_fate.random((when.size, 2)) if self._loss or self._garble else None
        lost = np.zeros(when.size, dtype=bool) if fate is None else fate[place, 0] < self._loss
        garbled = np.zeros(when.size, dtype=bool) if fate is None else fate[place, 1] < self._garble
        for start, end in outages_us:
            lost |= (when >= start) & (when < end)
        lost[: stretch.time_us.size] |= stretch.unsent
        garbled &= ~lost
        self.lost += int(lost.sum())
        self.garbled += int(garbled.sum())
        first, total = self._seq, self._total
        self._total += when.size
        self._seq = (self._seq + when.size) & 0xFFFF
        n = stretch.time_us.size
        return Written(stretch, place[:n], place[n:], lost, garbled, first, total)

    # ------------------------------------------------------------ as bytes

    def as_bytes(self, written: Written) -> bytes:
        """The bytes of the wire."""
        n = written.order_e.size
        lines = self._edge_lines(written)
        keep = np.ones(lines.shape, dtype=bool)
        keep[written.lost[:n]] = False
        for row in np.flatnonzero(written.garbled[:n]):
            self._damage(lines[row], keep[row], written.first + int(written.order_e[row]))
        flat = lines[keep].tobytes()
        ends = np.concatenate([[0], np.cumsum(keep.sum(axis=1))])
        singles = self._single_lines(written)
        pieces, done = [], 0
        for i in sorted(range(len(singles)), key=lambda i: int(written.order_s[i])):
            upto = int(ends[np.searchsorted(written.order_e, written.order_s[i])])
            pieces += [flat[done:upto], singles[i]]
            done = upto
        pieces.append(flat[done:])
        return b"".join(pieces)

    def _single_lines(self, written: Written) -> list[bytes]:
        """Bytes of each single record, none for a lost one."""
        texts = [b""] * len(written.stretch.singles)
        for kind in ("H", "M", "T", "B"):
            which = [i for i, single in enumerate(written.stretch.singles) if single.kind == kind]
            if which:
                for i, line in zip(which, self._lines_of_kind(kind, which, written), strict=True):
                    texts[i] = self._after_fate(line, i, written)
        return texts

    def _after_fate(self, line: Bytes, i: int, written: Written) -> bytes:
        place = written.order_e.size + i
        if written.lost[place]:
            return b""
        mask = np.ones(line.shape, dtype=bool)
        if written.garbled[place]:
            self._damage(line, mask, written.first + int(written.order_s[i]))
        return line[mask].tobytes()

    def _lines_of_kind(self, kind: str, which: list[int], written: Written) -> Bytes:
        singles = [written.stretch.singles[i] for i in which]
        seq = (written.first_seq + written.order_s[which]) & 0xFFFF
        columns = [(seq, 4), (self._clock(np.array([s.stamp_us for s in singles])), 8)]
        if kind == "H":
            values = [(1, 2), (self._board, 8), (self._channels, 2), (self._rate_hz, 4)]
            columns += [(np.full(len(singles), value), digits) for value, digits in values]
        else:
            digits = {"M": 4, "T": 8, "B": 2}[kind]
            columns.append((np.array([s.value for s in singles]) & (16**digits - 1), digits))
        return encode_lines(kind, columns)

    def _clock(self, time_us: Ints) -> Ints:
        clock: Ints = (time_us - self._epoch_us + self._boot_us) & 0xFFFFFFFF
        return clock

    def _edge_lines(self, written: Written) -> Bytes:
        stretch = written.stretch
        seq = (written.first_seq + written.order_e) & 0xFFFF
        columns = [(seq, 4), (self._clock(stretch.time_us), 8), (stretch.flags, 2)]
        columns += [(stretch.counts[:, channel], 4) for channel in range(self._channels)]
        return encode_lines("E", columns)

    def _damage(self, line: Bytes, keep: NDArray[np.bool_], index: int) -> None:
        """One to three bytes altered, or dropped; at times the line end goes, too."""
        rng = np.random.default_rng([self._damage_seed, index])
        size, spot = int(rng.integers(1, 4)), int(rng.integers(line.size))
        if rng.random() < 0.6:
            spots = (spot + np.arange(size)) % line.size
            line[spots] ^= rng.integers(1, 256, size=size).astype(np.uint8)
        else:
            keep[spot : spot + size] = False

    # ------------------------------------------------------------ as records, without encoding

    def as_records(self, written: Written) -> list[BoardRecord]:
        """What a perfect decoder makes of the bytes; damaged records count as lost."""
        stretch, n = written.stretch, written.order_e.size
        gone = written.lost | written.garbled
        in_order = np.zeros(gone.size, dtype=bool)
        in_order[np.concatenate([written.order_e, written.order_s])] = gone
        missing = np.concatenate([[0], np.cumsum(in_order)]) + self._unseen
        records: list[BoardRecord] = []
        keep_e = np.flatnonzero(~gone[:n])
        seen = missing[written.order_e[keep_e]]
        singles = sorted((int(written.order_s[i]), i) for i in range(len(stretch.singles)) if not gone[n + i])
        cuts = np.searchsorted(written.order_e[keep_e], [order for order, _ in singles])
        start, before = 0, 0
        for (_, i), cut in zip(singles, cuts, strict=True):
            before = self._block(records, stretch, keep_e[start:cut], seen[start:cut], before)
            start = int(cut)
            records.append(self._single(stretch.singles[i]))
        before = self._block(records, stretch, keep_e[start:], seen[start:], before)
        self._unseen = int(missing[-1]) - before
        return records

    def _block(
        self, records: list[BoardRecord], stretch: Stretch, rows: Ints, seen: Ints, before: int
    ) -> int:
        if rows.size == 0:
            return before
        lost = np.diff(seen, prepend=before).astype(np.int64)
        counts = stretch.counts[rows].astype(np.uint16)
        flags = stretch.flags[rows].astype(np.uint8)
        records.append(EdgeBlock(stretch.time_us[rows], flags, counts, lost))
        return int(seen[-1])

    def _single(self, single: Single) -> BoardRecord:
        if single.kind == "M":
            return Mark(single.stamp_us, single.value & 0xFFFF)
        if single.kind == "T":
            return Ticks(single.stamp_us, single.value)
        if single.kind == "B":
            return Button(single.stamp_us, single.value)
        return Hello(single.stamp_us, 1, self._board, self._channels, self._rate_hz)

    def restart_record(self, at_us: int) -> Restart:
        """What a reader makes of a restart."""
        return Restart(at_us, "hello")
