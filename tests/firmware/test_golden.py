"""The golden table against the Python decoder, the C encoder and a checksum written out bit by bit."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.outside.simulated_board import SOURCES
from monitor.readings import Decoder
from monitor.readings.wire import WireLine, parse_line
from tests.firmware.conftest import golden_rows, run_tool

GOOD = golden_rows("good")
REFUSED = golden_rows("refused")
WIDTHS = {"E": (16, 32, 8), "M": (16, 32, 16), "T": (16, 32, 32), "B": (16, 32, 8), "H": (16, 32, 32, 8, 16)}


def crc_by_bits(body: bytes) -> int:
    """The definition itself: polynomial 1021, initial value FFFF, highest bit first, no final xor."""
    crc = 0xFFFF
    for byte in body:
        for place in range(7, -1, -1):
            carry = (crc >> 15) ^ ((byte >> place) & 1)
            crc = ((crc << 1) & 0xFFFF) ^ (0x1021 if carry else 0)
    return crc


def numbers(line: WireLine) -> list[int]:
    fields = line.fields[1:] if line.kind == "H" else line.fields
    return [line.seq, line.time_us, *fields]


def test_the_checksum_by_bits_has_the_published_check_value() -> None:
    # 29B1 over "123456789": catalogued check value of the CRC-16 with these parameters.
    assert crc_by_bits(b"123456789") == 0x29B1


@pytest.mark.parametrize("row", GOOD, ids=lambda row: row[-1][:20])
def test_good_record(row: list[str]) -> None:
    kind, *fields, text = row
    body, crc = text.split("*")
    assert crc_by_bits(body.encode()) == int(crc, 16)
    line = parse_line(text.encode() + b"\r\n")
    assert isinstance(line, WireLine)
    assert (line.kind, numbers(line)) == (kind, [int(field) for field in fields])


@pytest.mark.parametrize("row", REFUSED, ids=lambda row: row[0])
def test_refused_record(row: list[str]) -> None:
    line = row[1].encode().decode("unicode_escape").encode("latin-1")
    assert isinstance(parse_line(line), str)
    decoder = Decoder()
    assert decoder.feed(line) == []
    assert decoder.tally.good == 0


def test_every_kind_is_in_the_table() -> None:
    assert {row[0] for row in GOOD} == set("EMTBH")
    assert len(REFUSED) >= 20


def test_c_encoder_makes_the_golden_table(host_tools: Path) -> None:
    script = "".join(" ".join(row[:-1]) + "\n" for row in GOOD)
    assert run_tool(host_tools / "encode", script).decode() == "".join(row[-1] + "\r\n" for row in GOOD)


def random_rows(count: int, seed: int) -> list[tuple[str, list[int]]]:
    rng = random.Random(seed)
    rows = []
    for _ in range(count):
        kind = rng.choice("EEMTBH")
        values = [rng.getrandbits(bits) for bits in WIDTHS[kind]]
        values += [rng.getrandbits(16) for _ in range(rng.randrange(1, 21) if kind == "E" else 0)]
        rows.append((kind, values))
    return rows


def test_c_encoder_and_python_decoder_agree_on_random_records(host_tools: Path) -> None:
    rows = random_rows(100_000, seed=20)
    script = "".join(f"{kind} {' '.join(map(str, values))}\n" for kind, values in rows)
    lines = run_tool(host_tools / "encode", script).split(b"\n")
    assert lines.pop() == b""
    assert len(lines) == len(rows)
    for line, (kind, values) in zip(lines, rows, strict=True):
        found = parse_line(line + b"\n")
        assert isinstance(found, WireLine), line
        assert (found.kind, numbers(found)) == (kind, values)


def test_the_notes_quote_golden_records_exactly() -> None:
    """Every line in the notes that looks like a whole record is one that the decoder believes."""
    quoted = 0
    for page in sorted(SOURCES.glob("*.md")):
        for text in page.read_text(encoding="utf-8").split("\n"):
            line = text.strip().strip("`")
            if len(line) > 12 and line[1:2] == "," and line[-5:-4] == "*":
                quoted += 1
                assert isinstance(parse_line(line.encode() + b"\r\n"), WireLine), f"{page.name}: {line}"
    assert quoted >= 5
