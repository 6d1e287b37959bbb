"""The examination of a board: a right one passes, each usual slip is named."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.readings import wire
from monitor.readings.conformance import Examination, Finding, clock_drift_ppm
from monitor.readings.line_faults import explain_line

Change = Callable[[str, int, dict[str, int]], bytes | None]  # kind, running number, fields -> the line


def usual(kind: str, number: int, field: dict[str, int]) -> bytes:
    """A right line."""
    seq, time_us = field["seq"], field["time_us"]
    if kind == "H":
        return wire.encode_hello(seq, time_us, 7, 4, 100)
    if kind == "M":
        return wire.encode_mark(seq, time_us, field["count"])
    if kind == "T":
        return wire.encode_ticks(seq, time_us, field["ticks"])
    counts = [30_000 + (number * 37 + channel * 11) % 997 for channel in range(4)]
    return wire.encode_edge(seq, time_us, 0, counts)


def listen(
    change: Change = usual, seconds: float = 25.0, ppm: float = 0.0, unit_us: float = 1.0
) -> list[Finding]:
    """What an examination says of a board of 4 channels and 100 Hz whose lines `change` writes."""
    rng = random.Random(1)
    examination = Examination()
    seq, marks = 65_000, 0
    examination.feed(b"half a line\r\n", 0.0)
    for n in range(int(seconds * 100)):
        true_us = n * 10_000 + 4_294_000_000
        kinds = ["E"]
        if n % 1000 == 0:
            kinds.insert(0, "H")
        if n % 700 == 350:
            kinds.insert(0, "M")
        if n % 10 == 0:
            kinds.insert(0, "T")
        chunk = b""
        for kind in kinds:
            marks += kind == "M"
            at_us = true_us - {"E": 0, "H": 50, "M": 3217, "T": 1000}[kind]
            time_us = round(at_us * (1 + ppm * 1e-6) / unit_us)
            field = {"seq": seq, "time_us": time_us & 0xFFFFFFFF, "count": marks, "ticks": n * 2}
            line = change(kind, n, field)
            seq = (seq + 1) & 0xFFFF
            chunk += line if line is not None else b""
        examination.feed(chunk, n * 0.01 + 0.001 + rng.random() * 0.008)
    return examination.report()


def level(findings: list[Finding], topic: str) -> str:
    return next(finding.level for finding in findings if finding.topic == topic)


def says(findings: list[Finding], topic: str) -> str:
    return next(finding.says for finding in findings if finding.topic == topic)


def test_a_right_board_is_right_in_every_topic() -> None:
    findings = listen()
    assert {finding.level for finding in findings} == {"right"}, findings
    topics = {finding.topic for finding in findings}
    assert topics >= {
        "lines",
        "hello",
        "channels",
        "sequence",
        "cadence",
        "jitter",
        "clock",
        "marks",
        "ticks",
        "load",
    }


def changed(kind_wanted: str, **other: object) -> Change:
    """Lines of that kind with fields replaced; a callable gets the field's value."""

    def change(kind: str, number: int, field: dict[str, int]) -> bytes | None:
        if kind == kind_wanted:
            new = {key: v(field[key]) if callable(v) else v for key, v in other.items()}
            return usual(kind, number, {**field, **new})
        return usual(kind, number, field)

    return change


def rewritten(how: Callable[[bytes], bytes]) -> Change:
    return lambda kind, number, field: how(usual(kind, number, field))


SLIPS: list[tuple[str, Change, str, str, str]] = [
    ("checksum from 0000", rewritten(lambda l: l[:-6] + b"%04X\r\n" % wire.crc_hqx(l[:-7], 0)), "lines", "wrong", "FFFF"),
    ("LF alone", rewritten(lambda l: l[:-2] + b"\n"), "lines", "wrong", "CR LF"),
    ("lower case", rewritten(lambda l: wire.sealed(l[:1].decode() + l[1:-7].decode().lower())), "lines", "wrong", "lower"),
    ("no hello", lambda k, n, f: None if k == "H" else usual(k, n, f), "hello", "wrong", "no H record"),
    ("late hello", lambda k, n, f: None if k == "H" and n == 1000 else usual(k, n, f), "hello", "wrong", "20.0 s"),
    ("version 2", lambda k, n, f: wire.encode_hello(f["seq"], f["time_us"], 7, 4, 100, 2) if k == "H" else usual(k, n, f),
     "hello", "wrong", "version"),
    ("hello says 3 channels", lambda k, n, f: wire.encode_hello(f["seq"], f["time_us"], 7, 3, 100) if k == "H"
     else usual(k, n, f), "channels", "wrong", "3"),
    ("hello says 50 Hz", lambda k, n, f: wire.encode_hello(f["seq"], f["time_us"], 7, 4, 50) if k == "H"
     else usual(k, n, f), "cadence", "wrong", "50"),
    ("a seq for each letter", changed("M", seq=lambda seq: seq // 700), "sequence", "doubtful", "lost"),
    ("seq stands still", lambda k, n, f: usual(k, n, {**f, "seq": 5}), "sequence", "wrong", "rise by one"),
    ("records lost", lambda k, n, f: None if n % 500 == 3 else usual(k, n, f), "sequence", "doubtful", "5 records lost"),
    ("jitter", lambda k, n, f: usual(k, n, {**f, "time_us": f["time_us"] + 3000 * (n % 3)}) if k == "E"
     else usual(k, n, f), "jitter", "doubtful", "%"),
    ("mark count stands", changed("M", count=1), "marks", "wrong", "count"),
    ("mark stamped at the sample", changed("M", time_us=lambda t: t + 3217 & 0xFFFFFFFF), "marks", "doubtful", "edge"),
    ("mark far away", changed("M", time_us=lambda t: t + 9_000_000 & 0xFFFFFFFF), "marks", "wrong", "far"),
    ("ticks fall", changed("T", ticks=lambda ticks: 10_000 - ticks), "ticks", "wrong", "down"),
    ("reserved flag", lambda k, n, f: wire.encode_edge(f["seq"], f["time_us"], 8, [n, 2 * n, 3, 4]) if k == "E"
     else usual(k, n, f), "flags", "wrong", "does not know"),
    ("a test pattern", lambda k, n, f: wire.encode_edge(f["seq"], f["time_us"], 4, [n, 2, 3, 4]) if k == "E"
     else usual(k, n, f), "flags", "doubtful", "jumper"),
    ("a channel at a rail", lambda k, n, f: wire.encode_edge(f["seq"], f["time_us"], 0, [n, 0xFFFF, n, n]) if k == "E"
     else usual(k, n, f), "channel 1", "doubtful", "rail"),
    ("a channel that stands", lambda k, n, f: wire.encode_edge(f["seq"], f["time_us"], 0, [n, n, 77, n]) if k == "E"
     else usual(k, n, f), "channel 2", "doubtful", "never moved"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "topic", "grave", "word"), [s[1:] for s in SLIPS], ids=[s[0] for s in SLIPS]
)
def test_each_slip_is_named(change: Change, topic: str, grave: str, word: str) -> None:
    findings = listen(change)
    assert level(findings, topic) == grave, findings
    assert word in says(findings, topic)


def test_a_clock_in_milliseconds_is_wrong() -> None:
    findings = listen(unit_us=1000.0)
    assert level(findings, "clock") == "wrong"
    assert "microseconds" in says(findings, "clock")


def test_the_clock_drift_is_found_with_its_spread() -> None:
    rng = np.random.default_rng(3)
    for true_ppm in (-3000.0, -50.0, 0.0, 120.0, 800.0):
        board_us = np.arange(6000) * 10_000
        host_s = board_us / 1e6 / (1 + true_ppm * 1e-6) + rng.exponential(0.004, 6000)
        drift = clock_drift_ppm(list(zip(board_us.tolist(), host_s.tolist(), strict=True)))
        assert drift is not None
        assert abs(drift[0] - true_ppm) < max(4 * drift[1], 5.0)
        assert drift[1] < 20.0


def test_a_resonator_is_doubtful() -> None:
    assert level(listen(ppm=3000.0), "clock") == "doubtful"


def test_silence_and_noise_are_told_apart() -> None:
    silent, noisy = Examination(), Examination()
    assert "not one byte" in silent.report()[0].says
    noisy.feed(bytes(random.Random(2).randrange(256) for _ in range(5000)), 0.0)
    finding = noisy.report()[0]
    assert finding.level == "wrong"
    assert "baud" in finding.says


def test_a_disturbed_cable_is_doubtful_not_wrong() -> None:
    findings = listen(lambda k, n, f: usual(k, n, f)[5:] if n == 777 else usual(k, n, f), seconds=30)
    assert level(findings, "lines") == "doubtful"


def test_too_much_for_the_line() -> None:
    slow = Examination(baud=38_400)
    for n in range(1000):
        slow.feed(usual("E", n, {"seq": n, "time_us": n * 10_000}), n * 0.01)
    assert level(slow.report(), "load") == "wrong"  # 4500 bytes a second of 10 bits on 38,400 baud


def test_independent_recordings_have_nothing_wrong(captures: Path) -> None:
    """The shared captures come from a simulator that is not this project's; some lose and garble records."""
    for folder in sorted(captures.iterdir()):
        if not (folder / "board.wire").exists():
            continue
        data = (folder / "board.wire").read_bytes()[:400_000]
        examination = Examination(baud=None)
        for at in range(0, len(data), 4096):
            examination.feed(data[at : at + 4096], at / 1_760)
        wrong = [f for f in examination.report() if f.level == "wrong" and f.topic not in ("lines", "clock")]
        assert wrong == [], folder.name


@given(st.lists(st.binary(max_size=200), max_size=20))
def test_nothing_that_comes_raises(chunks: list[bytes]) -> None:
    examination = Examination()
    for n, chunk in enumerate(chunks):
        examination.feed(chunk, float(n))
    assert examination.report()


@given(st.sampled_from("EMTBH"), st.text(alphabet="0123456789abcABC,*+ ", max_size=60))
def test_every_line_gets_a_reason(kind: str, rest: str) -> None:
    line = f"{kind},{rest}\r\n".encode()
    if isinstance(wire.parse_line(line), str):
        assert explain_line(line)
