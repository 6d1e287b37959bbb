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
    assert topics >= {"lines", "hello", "channels", "sequence", "cadence", "jitter", "clock", "marks", "load"}


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


def without(kind_wanted: str, when: Callable[[int], bool] = lambda number: True) -> Change:
    """Lines of that kind left out."""
    return lambda k, n, f: None if k == kind_wanted and when(n) else usual(k, n, f)


def hello(channels: int = 4, rate_hz: int = 100, version: int = 1) -> Change:
    """Another hello."""

    def change(kind: str, number: int, field: dict[str, int]) -> bytes | None:
        if kind == "H":
            return wire.encode_hello(field["seq"], field["time_us"], 7, channels, rate_hz, version)
        return usual(kind, number, field)

    return change


def edges(flags: int = 0, counts: Callable[[int], list[int]] = lambda n: [n, n, n, n]) -> Change:
    """Other E records."""

    def change(kind: str, number: int, field: dict[str, int]) -> bytes | None:
        if kind == "E":
            return wire.encode_edge(field["seq"], field["time_us"], flags, counts(number + 1))
        return usual(kind, number, field)

    return change


def wrapped(add_us: int) -> Callable[[int], int]:
    return lambda time_us: (time_us + add_us) & 0xFFFFFFFF


def jittered(kind: str, number: int, field: dict[str, int]) -> bytes:
    late_us = 800 * (number % 3) if kind == "E" else 0
    return usual(kind, number, {**field, "time_us": wrapped(late_us)(field["time_us"])})


def with_crc_from_zero(line: bytes) -> bytes:
    return line[:-6] + b"%04X\r\n" % wire.crc_hqx(line[:-7], 0)


def in_lower_case(line: bytes) -> bytes:
    return wire.sealed(line[:1].decode() + line[1:-7].decode().lower())


SLIPS: list[tuple[str, Change, str, str, str]] = [
    ("checksum from 0000", rewritten(with_crc_from_zero), "lines", "wrong", "FFFF"),
    ("LF alone", rewritten(lambda line: line[:-2] + b"\n"), "lines", "wrong", "CR LF"),
    ("lower case", rewritten(in_lower_case), "lines", "wrong", "lower"),
    ("no hello", without("H"), "hello", "wrong", "no H record"),
    ("late hello", without("H", lambda n: n == 1000), "hello", "wrong", "20.0 s"),
    ("version 2", hello(version=2), "hello", "wrong", "version"),
    ("hello says 3 channels", hello(channels=3), "channels", "wrong", "3"),
    ("hello says 50 Hz", hello(rate_hz=50), "cadence", "wrong", "50"),
    ("marks numbered apart", changed("M", seq=lambda seq: seq // 700), "sequence", "doubtful", "lost"),
    ("seq stands still", lambda k, n, f: usual(k, n, {**f, "seq": 5}), "sequence", "wrong", "rise by one"),
    ("records lost", without("E", lambda n: n % 500 == 3), "sequence", "doubtful", "5 records lost"),
    ("jitter", jittered, "jitter", "doubtful", "%"),
    ("mark count stands", changed("M", count=1), "marks", "wrong", "count"),
    ("mark stamped at the sample", changed("M", time_us=wrapped(3217)), "marks", "doubtful", "edge"),
    ("mark far away", changed("M", time_us=wrapped(9_000_000)), "marks", "wrong", "far"),
    ("ticks fall", changed("T", ticks=lambda ticks: 10_000 - ticks), "ticks", "wrong", "down"),
    ("reserved flag", edges(flags=8), "flags", "wrong", "does not know"),
    ("a test pattern", edges(flags=4), "flags", "doubtful", "jumper"),
    ("reference out of range", edges(flags=2), "flags", "doubtful", "reference"),
    ("board lost samples", edges(flags=1), "flags", "doubtful", "lost samples"),
    ("a channel at a rail", edges(counts=lambda n: [n, 0xFFFF, n]), "channel 1", "doubtful", "rail"),
    ("a channel that stands", edges(counts=lambda n: [n, n, 77]), "channel 2", "doubtful", "never moved"),
]


@pytest.mark.parametrize(
    ("change", "topic", "grave", "word"), [slip[1:] for slip in SLIPS], ids=[slip[0] for slip in SLIPS]
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
    noisy.feed(random.Random(2).randbytes(5000), 0.0)
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
