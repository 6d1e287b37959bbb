"""Wire format 1, one line at a time: what is a line, and what does it say.

A line is believed only when its length, every character and its check sum are right; nothing is guessed.
The alphabet is checked before any number is read, since `int(text, 16)` alone would take signs, blanks,
underscores and lower case. The check sum is CRC-16 with polynomial 1021, initial value FFFF, not
reflected, no final xor (check value 29B1 over 123456789), which is `binascii.crc_hqx(body, 0xFFFF)`.
The encoders are the mirror image, for the simulation and the tests.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Sequence
from typing import NamedTuple

VERSION = 1
MAX_BODY = 120  # bytes before the *
MAX_LINE = MAX_BODY + 7  # with *, four digits, CR and LF
MAX_CHANNELS = (MAX_BODY - 18) // 5

LOST_SAMPLES = 0x01  # flags of an E record
BAD_REFERENCE = 0x02
TEST_PATTERN = 0x04

# Why a line is not believed: the keys of Tally.reasons.
TOO_LONG = "too long"
WRONG_LENGTH = "wrong length"
WRONG_CHARACTER = "wrong character"
WRONG_CRC = "wrong crc"

_DIGITS = {"E": (4, 8, 2), "M": (4, 8, 4), "T": (4, 8, 8), "B": (4, 8, 2), "H": (4, 8, 2, 8, 2, 4)}


class WireLine(NamedTuple):
    """A believed line: its letter, its counter, its board time in us (32 bits), the fields after them."""

    kind: str
    seq: int
    time_us: int
    fields: tuple[int, ...]


def _pattern(kind: str) -> bytes:
    fields = "".join(f",([0-9A-F]{{{digits}}})" for digits in _DIGITS[kind])
    counts = f"((?:,[0-9A-F]{{4}}){{1,{MAX_CHANNELS}}})" if kind == "E" else ""
    return f"{kind}{fields}{counts}\\*([0-9A-F]{{4}})\r\n".encode("ascii")


_PATTERNS = {kind.encode("ascii"): (kind, re.compile(_pattern(kind))) for kind in _DIGITS}
_LENGTHS = {kind.encode("ascii"): 8 + sum(1 + digits for digits in _DIGITS[kind]) for kind in _DIGITS}


def edge_line_length(channels: int) -> int:
    """Bytes of an E line with this many channels, line end included."""
    return _LENGTHS[b"E"] + 5 * channels


def parse_line(line: bytes) -> WireLine | str:
    """What one line (with its LF) says, or the reason why it is not believed."""
    known = _PATTERNS.get(line[:1])
    match = known[1].fullmatch(line) if known is not None else None
    if known is None or match is None:
        return _why_not(line)
    *texts, crc = match.groups()
    if crc_hqx(line[:-7], 0xFFFF) != int(crc, 16):
        return WRONG_CRC
    seq, time_us, *rest = (int(text, 16) for text in texts[: len(_DIGITS[known[0]])])
    if known[0] == "E":
        rest += [int(text, 16) for text in texts[-1][1:].split(b",")]
    return WireLine(known[0], seq, time_us, tuple(rest))


def _why_not(line: bytes) -> str:
    if len(line) > MAX_LINE:
        return TOO_LONG
    length = _LENGTHS.get(line[:1])
    if length is None:
        return WRONG_CHARACTER if len(line) > 2 else WRONG_LENGTH
    spare = len(line) - length
    fits = spare == 0 if line[:1] != b"E" else spare > 0 and spare % 5 == 0
    return WRONG_CHARACTER if fits else WRONG_LENGTH


# ---------------------------------------------------------------- the other way round


def sealed(body: str) -> bytes:
    """A whole line from what stands before its *."""
    text = body.encode("ascii")
    return text + b"*%04X\r\n" % crc_hqx(text, 0xFFFF)


def encode_edge(seq: int, time_us: int, flags: int, counts: Sequence[int]) -> bytes:
    """An E line. Counters are taken modulo their width; counts must lie in 0..65535."""
    return sealed(f"{_head('E', seq, time_us)},{flags:02X}" + "".join(f",{count:04X}" for count in counts))


def encode_mark(seq: int, time_us: int, count: int) -> bytes:
    """An M line."""
    return sealed(f"{_head('M', seq, time_us)},{count & 0xFFFF:04X}")


def encode_ticks(seq: int, time_us: int, ticks: int) -> bytes:
    """A T line."""
    return sealed(f"{_head('T', seq, time_us)},{ticks & 0xFFFFFFFF:08X}")


def encode_button(seq: int, time_us: int, button: int) -> bytes:
    """A B line."""
    return sealed(f"{_head('B', seq, time_us)},{button:02X}")


def encode_hello(
    seq: int, time_us: int, board: int, channels: int, rate_hz: int, version: int = VERSION
) -> bytes:
    """An H line."""
    return sealed(f"{_head('H', seq, time_us)},{version:02X},{board:08X},{channels:02X},{rate_hz:04X}")


def _head(kind: str, seq: int, time_us: int) -> str:
    return f"{kind},{seq & 0xFFFF:04X},{time_us & 0xFFFFFFFF:08X}"
