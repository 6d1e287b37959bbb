"""Sparkplug B payloads as bytes: the part of Protocol Buffers that they need, both ways, and nothing more.

The field numbers are those that the Sparkplug 3.0.0 specification (ISO/IEC 20237) publishes in its chapter "Payloads".
Protocol Buffers: each field is a varint of `number << 3 | wire type`, then its content: 0 a varint, 1 eight bytes, 2 a
length and so many bytes, 5 four bytes (little endian). Integers of the Sparkplug types Int8 to Int64 travel as unsigned
numbers of 32 or 64 bits in two's complement. DataSets, Templates and the array types are not used here; a field that is
not known is passed over when read, as Protocol Buffers want it.

What is read may come from anybody, so every length is checked against what is there: `decode` returns a payload or
raises ValueError, and does nothing else.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum

Scalar = bool | int | float | str | bytes | None  # None: explicitly null
MAX_BYTES = 1 << 20  # longer is no command for us
VARINT, EIGHT, CHUNK, FOUR = 0, 1, 2, 5
TAG_BYTES = 5  # a tag is a number of 32 bits
WORD32, WORD64 = 1 << 32, 1 << 64


class DataType(IntEnum):
    """The specification's indexes of the data types that are used here."""

    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATETIME = 13
    TEXT = 14
    UUID = 15
    BYTES = 17


SMALL = {DataType.INT8, DataType.INT16, DataType.INT32, DataType.UINT8, DataType.UINT16, DataType.UINT32}
LARGE = {DataType.INT64, DataType.UINT64, DataType.DATETIME}
TEXTS = {DataType.STRING, DataType.TEXT, DataType.UUID}
BITS = {DataType.INT8: 8, DataType.INT16: 16, DataType.INT32: 32, DataType.INT64: 64}  # the signed ones


@dataclass(frozen=True, slots=True)
class Property:
    """A metric's property, such as its engineering unit."""

    datatype: DataType
    content: Scalar


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric. `content` None is null. `tells_datatype`: false in data messages, where the birth has told it.

    When read without a data type, `datatype` is the plainest one of the field that carried the content.
    """

    name: str | None
    datatype: DataType
    content: Scalar
    timestamp_ms: int | None = None
    alias: int | None = None
    is_historical: bool = False
    is_transient: bool = False
    tells_datatype: bool = True
    properties: Mapping[str, Property] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Payload:
    """One message. `seq` None: a death certificate or a command has none."""

    timestamp_ms: int | None
    metrics: tuple[Metric, ...] = ()
    seq: int | None = None


# ---------------------------------------------------------------- to bytes


def encode(payload: Payload) -> bytes:
    """The bytes of a payload. Raises ValueError where a content does not fit its data type."""
    out = bytearray()
    if payload.timestamp_ms is not None:
        _put_number(out, 1, payload.timestamp_ms, WORD64)
    for metric in payload.metrics:
        _put_chunk(out, 2, _encode_metric(metric))
    if payload.seq is not None:
        _put_number(out, 3, payload.seq, WORD64)
    return bytes(out)


def _encode_metric(metric: Metric) -> bytes:
    out = bytearray()
    if metric.name is not None:
        _put_chunk(out, 1, metric.name.encode())
    if metric.alias is not None:
        _put_number(out, 2, metric.alias, WORD64)
    if metric.timestamp_ms is not None:
        _put_number(out, 3, metric.timestamp_ms, WORD64)
    if metric.tells_datatype:
        _put_number(out, 4, metric.datatype, WORD32)
    flags = (metric.is_historical, metric.is_transient, metric.content is None)
    for number, flag in enumerate(flags, 5):
        if flag:
            _put_number(out, number, 1, 2)
    if metric.properties:
        _put_chunk(out, 9, _encode_properties(metric.properties))
    _put_content(out, 10, metric.datatype, metric.content)
    return bytes(out)


def _encode_properties(properties: Mapping[str, Property]) -> bytes:
    out = bytearray()
    for key in properties:
        _put_chunk(out, 1, key.encode())
    for one in properties.values():
        inner = bytearray()
        _put_number(inner, 1, one.datatype, WORD32)
        if one.content is None:
            _put_number(inner, 2, 1, 2)
        _put_content(inner, 3, one.datatype, one.content)
        _put_chunk(out, 2, bytes(inner))
    return bytes(out)


def _put_content(out: bytearray, first: int, datatype: DataType, content: Scalar) -> None:
    """The oneof: int, long, float, double, boolean, string, bytes from field `first` on."""
    if content is None:
        return
    if datatype in SMALL or datatype in LARGE:
        if isinstance(content, bool) or not isinstance(content, int):
            raise ValueError(f"{content!r} is no {datatype.name}")
        bits = BITS.get(datatype)
        if bits is not None:
            if not -(1 << (bits - 1)) <= content < 1 << (bits - 1):
                raise ValueError(f"{content} is too large for {datatype.name}")
            content %= WORD32 if datatype in SMALL else WORD64
        limit = {DataType.UINT8: 1 << 8, DataType.UINT16: 1 << 16}.get(datatype)
        _put_number(
            out, first + (datatype in LARGE), content, limit or (WORD32 if datatype in SMALL else WORD64)
        )
    elif datatype is DataType.BOOLEAN and isinstance(content, bool):
        _put_number(out, first + 4, int(content), 2)
    elif datatype is DataType.FLOAT and isinstance(content, (int, float)):
        try:
            out += _tag(first + 2, FOUR) + struct.pack("<f", content)
        except OverflowError:
            raise ValueError(f"{content} is too large for FLOAT") from None
    elif datatype is DataType.DOUBLE and isinstance(content, (int, float)):
        out += _tag(first + 3, EIGHT) + struct.pack("<d", content)
    elif datatype in TEXTS and isinstance(content, str):
        _put_chunk(out, first + 5, content.encode())
    elif datatype is DataType.BYTES and isinstance(content, bytes):
        _put_chunk(out, first + 6, content)
    else:
        raise ValueError(f"{type(content).__name__} is no {datatype.name}")


def _tag(number: int, wire_type: int) -> bytes:
    return _varint(number << 3 | wire_type)


def _varint(number: int) -> bytes:
    """Seven bits a byte, the lowest first; the eighth says that more follow."""
    out = bytearray()
    while number >= 0x80:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def _put_number(out: bytearray, number: int, content: int, limit: int) -> None:
    if not 0 <= content < limit:
        raise ValueError(f"{content} is out of range in field {number}")
    out += _tag(number, VARINT) + _varint(content)


def _put_chunk(out: bytearray, number: int, content: bytes) -> None:
    out += _tag(number, CHUNK) + _varint(len(content)) + content


# ---------------------------------------------------------------- from bytes


def decode(content: bytes) -> Payload:
    """The payload that these bytes are. Raises ValueError, saying why, for any that are none."""
    if len(content) > MAX_BYTES:
        raise ValueError(f"{len(content)} bytes are more than a payload may have")
    timestamp_ms, seq, metrics = None, None, []
    for number, found in _fields(content):
        if number == 1:
            timestamp_ms = _number(found)
        elif number == 2:
            metrics.append(_decode_metric(_chunk(found)))
        elif number == 3:
            seq = _number(found)
    return Payload(timestamp_ms, tuple(metrics), seq)


def _decode_metric(content: bytes) -> Metric:
    known: dict[int, int | bytes] = {}
    carried: tuple[int, int | bytes] | None = None
    for number, found in _fields(content):
        if 10 <= number <= 16:
            carried = (number - 10, found)
        elif number <= 9:
            known[number] = found
    datatype = _datatype(_number(known[4])) if 4 in known else None
    what, scalar = _content(carried, datatype)
    numbers = {k: _number(known[k]) if k in known else None for k in (2, 3, 5, 6, 7)}
    return Metric(
        _text(_chunk(known[1])) if 1 in known else None,
        what,
        None if numbers[7] else scalar,
        numbers[3],
        numbers[2],
        bool(numbers[5]),
        bool(numbers[6]),
        datatype is not None,
        _decode_properties(_chunk(known[9])) if 9 in known else {},
    )


def _decode_properties(content: bytes) -> dict[str, Property]:
    keys, contents = [], []
    for number, found in _fields(content):
        if number == 1:
            keys.append(_text(_chunk(found)))
        elif number == 2:
            contents.append(_decode_property(_chunk(found)))
    if len(keys) != len(contents):
        raise ValueError(f"a property set of {len(keys)} keys and {len(contents)} values")
    return dict(zip(keys, contents, strict=True))


def _decode_property(content: bytes) -> Property:
    datatype, is_null, carried = None, False, None
    for number, found in _fields(content):
        if number == 1:
            datatype = _datatype(_number(found))
        elif number == 2:
            is_null = bool(_number(found))
        elif 3 <= number <= 8:
            carried = (number - 3, found)
    what, scalar = _content(carried, datatype)
    return Property(what, None if is_null else scalar)


def _datatype(number: int) -> DataType:
    try:
        return DataType(number)
    except ValueError:
        raise ValueError(f"data type {number} is not known here") from None


PLAINEST = (
    DataType.UINT32,
    DataType.UINT64,
    DataType.FLOAT,
    DataType.DOUBLE,
    DataType.BOOLEAN,
    DataType.STRING,
    DataType.BYTES,
)


def _content(carried: tuple[int, int | bytes] | None, datatype: DataType | None) -> tuple[DataType, Scalar]:
    """What the oneof carried, by its place in it; signed where the data type is."""
    if carried is None:
        return datatype or DataType.STRING, None
    place, found = carried
    datatype = datatype or PLAINEST[place]
    fits = SMALL if place == 0 else LARGE if place == 1 else TEXTS if place == 5 else {PLAINEST[place]}
    if datatype not in fits:
        raise ValueError(f"{datatype.name} in the field of {PLAINEST[place].name}")
    if place <= 1:
        return datatype, _signed(_number(found) % (WORD64 if place else WORD32), datatype)
    if place == 4:
        return datatype, bool(_number(found))
    if place in (2, 3):
        content = _chunk(found)
        if len(content) != (4 if place == 2 else 8):
            raise ValueError("a floating-point number of the wrong length")
        return datatype, float(struct.unpack("<f" if place == 2 else "<d", content)[0])
    return datatype, _text(_chunk(found)) if place == 5 else _chunk(found)


def _signed(number: int, datatype: DataType) -> int:
    bits = BITS.get(datatype)
    if bits is None:
        return number
    number %= 1 << bits
    return number - (1 << bits) if number >> (bits - 1) else number


def _fields(content: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Each field's number, with a varint as a number and everything else as bytes."""
    at = 0
    while at < len(content):
        tag, at = _read_varint(content, at, TAG_BYTES)
        number, wire_type = tag >> 3, tag & 7
        if not 0 < tag < WORD32 or number == 0:
            raise ValueError(f"a field with number {number}")
        if wire_type == VARINT:
            found, at = _read_varint(content, at)
            yield number, found
            continue
        if wire_type == CHUNK:
            size, at = _read_varint(content, at)
        elif wire_type in (FOUR, EIGHT):
            size = 4 if wire_type == FOUR else 8
        else:
            raise ValueError(f"wire type {wire_type}")
        if size > len(content) - at:
            raise ValueError("cut short")
        yield number, content[at : at + size]
        at += size


def _read_varint(content: bytes, at: int, longest: int = 10) -> tuple[int, int]:
    number = shift = 0
    for byte in content[at : at + longest]:
        at += 1
        number |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return number % WORD64, at
    raise ValueError("a number that does not end")


def _number(found: int | bytes) -> int:
    if isinstance(found, bytes):
        raise ValueError("bytes where a number was expected")
    return found


def _chunk(found: int | bytes) -> bytes:
    if isinstance(found, int):
        raise ValueError("a number where bytes were expected")
    return found


def _text(content: bytes) -> str:
    return content.decode()  # UnicodeDecodeError is a ValueError
