"""One line at a time: the check sum's published check value, golden lines, the traps of a lax reader."""

from __future__ import annotations

from binascii import crc_hqx

import pytest

from monitor.readings.wire import (
    MAX_CHANNELS,
    TOO_LONG,
    WRONG_CHARACTER,
    WRONG_CRC,
    WRONG_LENGTH,
    WireLine,
    encode_button,
    encode_edge,
    encode_hello,
    encode_mark,
    encode_ticks,
    parse_line,
    sealed,
)


def crc_bit_by_bit(octets: bytes) -> int:
    """The definition itself: polynomial 1021, initial value FFFF, not reflected, no final xor."""
    crc = 0xFFFF
    for octet in octets:
        crc ^= octet << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def test_check_value() -> None:
    # Check value 29B1: wire format 1; the public catalogues of CRCs give the same (from memory).
    assert crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    assert crc_bit_by_bit(b"123456789") == 0x29B1
    assert sealed("123456789") == b"123456789*29B1\r\n"


# Lines that an independent writer made (the heads of two shared captures), and lines summed bit by bit here.
GOLDEN = [
    (b"H,EABC,7D992A78,01,3E2ED002,02,0032*0CF1\r\n", ("H", 0xEABC, 0x7D992A78, (1, 0x3E2ED002, 2, 50))),
    (b"E,EABD,7D992A7A,00,7B87,75CE*1089\r\n", ("E", 0xEABD, 0x7D992A7A, (0, 0x7B87, 0x75CE))),
    (b"E,EABE,7D997898,00,7BA3,75D0*7975\r\n", ("E", 0xEABE, 0x7D997898, (0, 0x7BA3, 0x75D0))),
    (b"H,8C44,058E179E,01,57580986,02,0064*4014\r\n", ("H", 0x8C44, 0x058E179E, (1, 0x57580986, 2, 100))),
]


@pytest.mark.parametrize(("line", "said"), GOLDEN)
def test_golden_lines(line: bytes, said: tuple[str, int, int, tuple[int, ...]]) -> None:
    assert parse_line(line) == WireLine(*said)
    assert crc_bit_by_bit(line[:-7]) == int(line[-6:-2], 16)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (encode_edge(5, 7, 3, [1, 0xFFFF]), WireLine("E", 5, 7, (3, 1, 0xFFFF))),
        (encode_edge(65536 + 5, 2**32 + 7, 0, [0] * 20), WireLine("E", 5, 7, (0,) * 21)),
        (encode_mark(0xFFFF, 2**32 - 1, 65537), WireLine("M", 0xFFFF, 2**32 - 1, (1,))),
        (encode_ticks(1, 2, 2**32 + 3), WireLine("T", 1, 2, (3,))),
        (encode_button(1, 2, 255), WireLine("B", 1, 2, (255,))),
        (encode_hello(1, 2, 0xDEADBEEF, 4, 1000), WireLine("H", 1, 2, (1, 0xDEADBEEF, 4, 1000))),
    ],
)
def test_encoders_are_read_back(line: bytes, said: WireLine) -> None:
    assert parse_line(line) == said


BODY = "E,EABD,7D992A7A,00,7B87,75CE"


@pytest.mark.parametrize("field", ["7_87", " 7B8", "+7B8", "-7B8", "0x7B", "7b87", "7B8\n", "7B8\r", "7B8 "])
def test_what_a_lax_number_reader_takes_is_refused_even_with_a_right_sum(field: str) -> None:
    assert parse_line(sealed(BODY.replace("7B87", field))) == WRONG_CHARACTER


@pytest.mark.parametrize("place", [k for k in range(2, len(BODY)) if BODY[k] != ","])
def test_every_digit_is_upper_case_hexadecimal(place: int) -> None:
    for octet in "/:@G`ag \x00\x7f":
        assert parse_line(sealed(BODY[:place] + octet + BODY[place + 1 :])) == WRONG_CHARACTER


def test_digits_of_other_scripts_and_lower_case_sums_are_refused() -> None:
    line = sealed("M,00FF,7D992A7A,0001")
    assert isinstance(parse_line(line), WireLine)
    head = b"E,EAC0,7D9A14D7,00,7ACA,75D7*"
    assert isinstance(parse_line(head + b"A6A5\r\n"), WireLine)  # from a shared capture
    assert parse_line(head + b"a6a5\r\n") == WRONG_CHARACTER
    assert parse_line(line.replace(b"00FF", "٠٠".encode())) == WRONG_CHARACTER  # two digits, four bytes


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"", WRONG_LENGTH),
        (b"\n", WRONG_LENGTH),
        (b"\r\n", WRONG_LENGTH),
        (sealed(BODY)[:-2] + b"\n", WRONG_LENGTH),
        (sealed(BODY) + b"\n", WRONG_LENGTH),
        (b" " + sealed(BODY), WRONG_CHARACTER),
        (sealed(BODY.replace("E,", "e,")), WRONG_CHARACTER),
        (sealed(BODY.replace(",00,", ",0,")), WRONG_LENGTH),
        (sealed(BODY + ","), WRONG_LENGTH),
        (sealed("E,EABD,7D992A7A,00"), WRONG_LENGTH),
        (sealed("X,EABD,7D992A7A,00"), WRONG_CHARACTER),
        (sealed(BODY).replace(b"*", b","), WRONG_CHARACTER),
        (sealed(BODY).replace(b"7B87", b"7B88"), WRONG_CRC),
        (b"E" * 127 + b"\n", TOO_LONG),
    ],
)
def test_why_a_line_is_not_believed(line: bytes, why: str) -> None:
    assert parse_line(line) == why


def test_nothing_before_the_star_exceeds_120_bytes() -> None:
    most = encode_edge(1, 2, 0, [7] * MAX_CHANNELS)
    assert len(most) - 7 <= 120
    assert isinstance(parse_line(most), WireLine)
    assert parse_line(encode_edge(1, 2, 0, [7] * (MAX_CHANNELS + 1))) == TOO_LONG
