"""Sparkplug made readable: names from births, hostile bytes harmless."""

from __future__ import annotations

from monitor.outside.sparkplug_reading import read_lines
from monitor.outside.sparkplug_wire import DataType, Metric, Payload, Property, encode

MS = 1_700_000_000_000
TOPIC = "spBv1.0/North Hall/{}/bay-9"


def line(verb: str, payload: Payload) -> str:
    return f"{TOPIC.format(verb)} {encode(payload).hex()}\n"


def test_a_birth_teaches_the_names_and_history_is_marked() -> None:
    unit = {"engUnit": Property(DataType.STRING, "mm")}
    birth = Payload(MS, (Metric("Belt/walk", DataType.DOUBLE, 0.5, MS, 7, properties=unit),), 0)
    report = Payload(MS, (Metric(None, DataType.DOUBLE, None, MS, 7, True, tells_datatype=False),), 1)
    state = b'{"online": true, "timestamp": 1}'.hex()
    assert list(
        read_lines([line("NBIRTH", birth), line("NDATA", report), f"spBv1.0/STATE/scada {state}"])
    ) == [
        "spBv1.0/North Hall/NBIRTH/bay-9 seq 0",
        "    22:13:20 Belt/walk = 0.5 mm",
        "spBv1.0/North Hall/NDATA/bay-9 seq 1",
        "    22:13:20 Belt/walk = null historical",
        'spBv1.0/STATE/scada {"online": true, "timestamp": 1}',
    ]


def test_what_is_none_is_said_to_be_none_and_no_terminal_obeys_it() -> None:
    nasty = Payload(None, (Metric("\x1b[2J", DataType.STRING, "\x1b]0;x\x07\n", 1 << 63),))
    said = list(read_lines(["spBv1.0/a/NDATA/b zz", "", "x", f"a {bytes(3).hex()}", line("NDATA", nasty)]))
    assert "no Sparkplug payload" in said[0]
    assert "no Sparkplug payload" in said[1]
    assert all(text.isprintable() for text in said)
