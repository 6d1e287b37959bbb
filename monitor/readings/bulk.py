"""Many E lines at once: the strict parse of wire.py for a whole chunk, in columns.

All E lines of one width are gathered into a matrix, one row a line. Alphabet, separators and numbers are
then plain arithmetic on its columns. The check sum is linear over XOR, so that of a line is the XOR of one
table entry for each byte, with a table for each place in the line (the slicing of a table-driven CRC to
its end; see Sarwate, Comm. ACM 31 (1988) 1008, for the table-driven form). Every line that is not a
believed E line of this width is left to `wire.parse_line`, so both paths believe the very same lines.
"""

from __future__ import annotations

from binascii import crc_hqx
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.readings.wire import edge_line_length

_SEPARATORS = {0: b"E", 1: b",", 6: b",", 15: b","}  # place in an E line -> the byte that must be there
_SEQ, _TIME, _FLAGS, _COUNTS = 2, 7, 16, 19  # where the numbers begin


class EdgeLines(NamedTuple):
    """Believed E lines in columns. line: (n,) which line of the chunk each was."""

    line: NDArray[np.int64]
    seq: NDArray[np.int64]
    time_us: NDArray[np.int64]
    flags: NDArray[np.uint8]
    counts: NDArray[np.uint16]


def parse_edges(chunk: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], channels: int) -> EdgeLines:
    """The believed E lines with this many channels among the chunk's lines.

    starts, ends: (lines,) where each line begins and ends, LF included. Cost: about 0.2 us a line.
    """
    length = edge_line_length(channels)
    octets = np.frombuffer(chunk, dtype=np.uint8)
    line = np.flatnonzero(ends - starts == length)
    line = line[octets[starts[line]] == ord("E")]
    if line.size == 0:
        return _columns(line, np.zeros((length, 0), np.uint8), channels)
    rows = np.lib.stride_tricks.sliding_window_view(octets, length)[starts[line]]
    columns = np.ascontiguousarray(rows.T)
    digits = columns - np.uint8(48)  # wraps below "0", which the comparisons then refuse
    letters = columns - np.uint8(65)
    good = _well_formed(columns, digits, letters, channels)
    nibbles = np.where(digits < 10, digits, letters + np.uint8(10))
    sums = _check_sums(columns[: length - 7])
    good &= sums == _number(nibbles, length - 6, 4)
    if not good.all():
        line, nibbles = line[good], nibbles[:, good]
    return _columns(line, nibbles, channels)


def _well_formed(
    columns: NDArray[np.uint8], digits: NDArray[np.uint8], letters: NDArray[np.uint8], channels: int
) -> NDArray[np.bool_]:
    fixed = _fixed_bytes(channels)
    is_digit = (digits < 10) | (letters < 6)
    is_digit[list(fixed)] = True
    good = np.logical_and.reduce(is_digit, axis=0)
    for place, octet in fixed.items():
        good &= columns[place] == octet
    return np.asarray(good, np.bool_)


@lru_cache(maxsize=32)
def _fixed_bytes(channels: int) -> dict[int, int]:
    length = edge_line_length(channels)
    texts = {**_SEPARATORS, **{_COUNTS - 1 + 5 * k: b"," for k in range(channels)}}
    texts |= {length - 7: b"*", length - 2: b"\r", length - 1: b"\n"}
    return {place: text[0] for place, text in texts.items()}


def _columns(line: NDArray[np.int64], nibbles: NDArray[np.uint8], channels: int) -> EdgeLines:
    counts = np.empty((line.size, channels), np.uint16)
    for channel in range(channels):
        counts[:, channel] = _number(nibbles, _COUNTS + 5 * channel, 4)
    return EdgeLines(
        line,
        _number(nibbles, _SEQ, 4).astype(np.int64),
        (_number(nibbles, _TIME, 4).astype(np.int64) << 16) | _number(nibbles, _TIME + 4, 4),
        _number(nibbles, _FLAGS, 2).astype(np.uint8),
        counts,
    )


def _number(nibbles: NDArray[np.uint8], place: int, digits: int) -> NDArray[np.uint16]:
    found = nibbles[place].astype(np.uint16)
    for row in nibbles[place + 1 : place + digits]:
        found = (found << np.uint16(4)) | row
    return np.asarray(found, np.uint16)


def _check_sums(body: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """(n,) check sums of the columns of body (length, n)."""
    start, tables = _tables(len(body))
    sums = np.full(body.shape[1], start, np.uint16)
    for octets, table in zip(body, tables, strict=True):
        sums ^= table[octets]
    return sums


@lru_cache(maxsize=32)
def _tables(length: int) -> tuple[int, NDArray[np.uint16]]:
    """The check sum of `length` zero bytes, and for each place what each byte there adds to it."""
    step = [crc_hqx(bytes([octet]), 0) for octet in range(256)]
    tables = np.empty((length, 256), np.uint16)
    tables[-1] = step
    for place in range(length - 2, -1, -1):
        later = tables[place + 1]
        tables[place] = (later << np.uint16(8)) ^ np.asarray(step, np.uint16)[later >> np.uint16(8)]
    return crc_hqx(bytes(length), 0xFFFF), tables
