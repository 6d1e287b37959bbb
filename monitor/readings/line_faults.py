"""Why a line is not a record of wire format 1, in words for whoever writes the firmware.

`parse_line` only says that a line is not believed, which is all a running bay needs. Here the line is held
against the format piece by piece, and a wrong checksum against the usual ways of getting it wrong.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterator

from monitor.readings.wire import MAX_BODY, WireLine, parse_line

FIELDS: dict[str, tuple[tuple[str, int], ...]] = {
    "E": (("seq", 4), ("time", 8), ("flags", 2)),
    "M": (("seq", 4), ("time", 8), ("count", 4)),
    "T": (("seq", 4), ("time", 8), ("ticks", 8)),
    "B": (("seq", 4), ("time", 8), ("button", 2)),
    "H": (("seq", 4), ("time", 8), ("version", 2), ("board", 8), ("channels", 2), ("rate", 4)),
}
DIGITS = set("0123456789ABCDEF")


def explain_line(line: bytes) -> str:
    """What is wrong with a line (its line end included) that `parse_line` does not believe."""
    text = line.rstrip(b"\r\n")
    if isinstance(parse_line(text + b"\r\n"), WireLine):
        return "the line ends with LF alone, or with more: it must end with CR LF"
    if any(byte < 0x20 or byte > 0x7E for byte in text):
        return "bytes that are no printable text: another baud rate, noise, or a binary format"
    body, star, crc = text.decode("ascii").partition("*")
    if not star:
        return "there is no * before a checksum"
    if len(body) > MAX_BODY:
        return f"there are {len(body)} bytes before the *, at most {MAX_BODY} are allowed"
    return _field_fault(body) or _crc_fault(body.encode("ascii"), crc)


def _field_fault(body: str) -> str:
    kind, *fields = body.split(",")
    known = FIELDS.get(kind)
    if known is None:
        return f"the line begins with {kind[:8]!r}: a record begins with E, M, T, B or H and a comma"
    channels = max(1, len(fields) - len(known)) if kind == "E" else 0
    wanted = [*known, *((f"c{channel}", 4) for channel in range(channels))]
    if len(fields) != len(wanted):
        least = "at least " if kind == "E" else ""
        return f"{kind} record: {len(fields)} fields after the letter, expected {least}{len(wanted)}"
    for (name, digits), field in zip(wanted, fields, strict=True):
        name = "counts" if name.startswith("c") and name[1:].isdigit() else name
        if len(field) != digits:
            return f"{kind} record: {name} has {len(field)} characters, expected {digits}, with leading zeros"
        if not set(field) <= DIGITS:
            fault = "is in lower case" if set(field.upper()) <= DIGITS else "is not hexadecimal"
            return f"{kind} record: {name} {fault}, expected 0-9 A-F"
    return ""


def _crc_fault(body: bytes, crc: str) -> str:
    if len(crc) != 4 or not set(crc.upper()) <= DIGITS:
        return f"the checksum {crc[:12]!r} must be 4 digits 0-9 A-F"
    if not set(crc) <= DIGITS:
        return "the checksum is in lower case, expected 0-9 A-F"
    given = int(crc, 16)
    for value, slip in _slips(body):
        if value == given:
            return f"wrong checksum: {slip}"
    return "wrong checksum"


def _slips(body: bytes) -> Iterator[tuple[int, str]]:
    """The checksums of the usual mistakes."""
    right = crc_hqx(body, 0xFFFF)
    yield (right >> 8) | (right & 0xFF) << 8, "its two bytes are exchanged, high byte comes first"
    yield right ^ 0xFFFF, "it was inverted at the end, no final xor is wanted"
    yield crc_hqx(body, 0), "it was started with 0000, the initial value is FFFF"
    yield crc_hqx(body, 0x1D0F), "it was started with 1D0F, the initial value is FFFF"
    yield crc_hqx(body + b"*", 0xFFFF), "the * is counted in, it goes over the bytes before the *"
    yield crc_hqx(body[1:], 0xFFFF), "the letter is left out, it goes over every byte before the *"
    yield (
        crc_hqx(body[2:], 0xFFFF),
        "the letter and its comma are left out, it goes over every byte before the *",
    )
    for polynomial, name in ((0x8408, "1021 reflected"), (0xA001, "8005 reflected")):
        for start in (0xFFFF, 0):
            value = _crc_reflected(body, polynomial, start)
            for given in (value, value ^ 0xFFFF):
                yield given, f"it uses the polynomial {name}, expected 1021 not reflected"


def _crc_reflected(body: bytes, polynomial: int, start: int) -> int:
    crc = start
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (polynomial if crc & 1 else 0)
    return crc
