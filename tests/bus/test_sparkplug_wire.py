"""The encoder against an independent one (the `protobuf` package), the decoder against anything at all."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.outside.sparkplug_wire import (
    BITS,
    LARGE,
    SMALL,
    TEXTS,
    DataType,
    Metric,
    Payload,
    Property,
    decode,
    encode,
)
from tests.bus.sparkplug_descriptor import IndependentPayload

FIELDS = {
    **dict.fromkeys(SMALL, "int_value"),
    **dict.fromkeys(LARGE, "long_value"),
    **dict.fromkeys(TEXTS, "string_value"),
    DataType.FLOAT: "float_value",
    DataType.DOUBLE: "double_value",
    DataType.BOOLEAN: "boolean_value",
    DataType.BYTES: "bytes_value",
}
WIDTHS = {
    DataType.UINT8: 8,
    DataType.UINT16: 16,
    DataType.UINT32: 32,
    DataType.UINT64: 64,
    DataType.DATETIME: 64,
}
UINT64 = st.integers(0, 2**64 - 1)
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


def contents(datatype: DataType) -> st.SearchStrategy[Any]:
    if datatype in BITS:
        half = 1 << (BITS[datatype] - 1)
        return st.integers(-half, half - 1)
    if datatype in WIDTHS:
        return st.integers(0, (1 << WIDTHS[datatype]) - 1)
    if datatype in TEXTS:
        return WORDS
    kinds = {
        DataType.FLOAT: st.floats(width=32, allow_nan=False),
        DataType.DOUBLE: st.floats(allow_nan=False),
        DataType.BOOLEAN: st.booleans(),
        DataType.BYTES: st.binary(max_size=40),
    }
    return kinds[datatype]


@st.composite
def properties(draw: Any) -> Property:
    datatype = draw(st.sampled_from(sorted(set(DataType) - {DataType.BYTES})))
    return Property(datatype, draw(st.none() | contents(datatype)))


@st.composite
def metrics(draw: Any) -> Metric:
    datatype = draw(st.sampled_from(DataType))
    return Metric(
        draw(st.none() | WORDS),
        datatype,
        draw(st.none() | contents(datatype)),
        draw(st.none() | UINT64),
        draw(st.none() | UINT64),
        draw(st.booleans()),
        draw(st.booleans()),
        properties=draw(st.dictionaries(WORDS, properties(), max_size=3)),
    )


PAYLOADS = st.builds(
    Payload, st.none() | UINT64, st.lists(metrics(), max_size=4).map(tuple), st.none() | st.integers(0, 255)
)


def check_content(seen: Any, datatype: DataType, content: Any) -> None:
    if content is None:
        assert seen.is_null
        assert seen.WhichOneof("value") is None
        return
    assert seen.WhichOneof("value") == FIELDS[datatype]
    found = getattr(seen, FIELDS[datatype])
    assert found == (content % (2**32 if datatype in SMALL else 2**64) if datatype in BITS else content)
    assert not seen.is_null


@given(PAYLOADS)
def test_another_decoder_reads_what_is_written(payload: Payload) -> None:
    seen = IndependentPayload.FromString(encode(payload))
    assert (seen.timestamp if seen.HasField("timestamp") else None) == payload.timestamp_ms
    assert (seen.seq if seen.HasField("seq") else None) == payload.seq
    assert len(seen.metrics) == len(payload.metrics)
    for metric, one in zip(payload.metrics, seen.metrics, strict=True):
        assert (one.name if one.HasField("name") else None) == metric.name
        assert (one.alias if one.HasField("alias") else None) == metric.alias
        assert (one.timestamp if one.HasField("timestamp") else None) == metric.timestamp_ms
        assert (one.is_historical, one.is_transient) == (metric.is_historical, metric.is_transient)
        assert one.datatype == metric.datatype
        check_content(one, metric.datatype, metric.content)
        assert list(one.properties.keys) == list(metric.properties)
        for property_, other in zip(metric.properties.values(), one.properties.values, strict=True):
            assert other.type == property_.datatype
            check_content(other, property_.datatype, property_.content)


@given(PAYLOADS)
def test_another_encoder_writes_the_same_bytes(payload: Payload) -> None:
    """Both write fields by rising number, so the bytes themselves can be compared."""
    written = encode(payload)
    assert IndependentPayload.FromString(written).SerializeToString() == written


@given(PAYLOADS)
def test_what_is_written_is_read_back(payload: Payload) -> None:
    assert decode(encode(payload)) == payload


def test_without_data_type_the_content_is_read_by_its_field() -> None:
    for datatype, content in ((DataType.DOUBLE, 1.25), (DataType.STRING, "x"), (DataType.BOOLEAN, True)):
        metric = Metric(None, datatype, content, 5, 7, tells_datatype=False)
        (read,) = decode(encode(Payload(1, (metric,), 3))).metrics
        assert read == metric


@given(st.binary(max_size=200))
def test_any_bytes_are_a_payload_or_refused(content: bytes) -> None:
    try:
        decode(content)
    except ValueError:
        return
    IndependentPayload.FromString(content)  # what we take, another decoder takes


@given(PAYLOADS, st.data())
def test_damaged_payloads_are_read_or_refused(payload: Payload, data: st.DataObject) -> None:
    content = bytearray(encode(payload))
    for _ in range(data.draw(st.integers(1, 4))):
        if content:
            at = data.draw(st.integers(0, len(content) - 1))
            content[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(content)))
    try:
        decode(bytes(content[:cut]))
    except ValueError:
        return


def test_fields_of_other_writers_are_passed_over() -> None:
    other = IndependentPayload(timestamp=7, seq=3, uuid="made-up", body=b"\0\1")
    other.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
    read = decode(other.SerializeToString() + b"\xfd\x7f\0\0\0\0")  # and a field of four bytes, number 2047
    assert read == Payload(7, (Metric("Node Control/Rebirth", DataType.BOOLEAN, True),), 3)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"\x08", "does not end"),
        (b"\x12\x05\x0a", "cut short"),
        (b"\x0b", "wire type 3"),
        (b"\x00\x00", "number 0"),
        (b"\x80\x80\x80\x80\x10\x00", "number 536870912"),
        (b"\x0a\x01\x01", "bytes where a number"),
        (b"\x10\x01", "a number where bytes"),
        (b"\x12\x02\x20\x63", "data type 99"),
        (b"\x12\x04\x20\x0b\x50\x01", "BOOLEAN in the field of UINT32"),
        (b"\x08" + b"\xff" * 11, "does not end"),
        (b"\x12\x03\x0a\x01\xff", "utf-8"),
        (b"\x12\x04\x4a\x02\x0a\x00", "1 keys and 0 values"),
        (bytes(2 << 20), "more than a payload"),
    ],
)
def test_what_is_no_payload_is_refused_with_the_reason(content: bytes, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        decode(content)


@pytest.mark.parametrize(
    ("datatype", "content"),
    [
        (DataType.INT8, 128), (DataType.UINT8, 256), (DataType.UINT64, -1), (DataType.INT64, 2**63),
        (DataType.STRING, 1), (DataType.BOOLEAN, 1), (DataType.INT32, True), (DataType.DOUBLE, "1"),
        (DataType.FLOAT, 1e300),
    ],
)  # fmt: skip
def test_what_does_not_fit_its_data_type_is_not_written(datatype: DataType, content: Any) -> None:
    with pytest.raises(ValueError, match=r"is no|too large|out of range"):
        encode(Payload(0, (Metric("x", datatype, content),)))


def test_the_number_forms_of_the_encoding_guide() -> None:
    """Protocol Buffers' own examples, from memory of its encoding guide: 150 in field 1 is 08 96 01, "testing" in
    field 2 is 12 07 and its letters."""
    assert encode(Payload(150)) == bytes.fromhex("089601")
    inner = encode(Payload(None, (Metric("testing", DataType.DOUBLE, 1.5),)))
    assert b"\x0a\x07testing" in inner
    assert struct.pack("<d", 1.5) in inner
    assert math.isclose(float(decode(inner).metrics[0].content or 0), 1.5)
