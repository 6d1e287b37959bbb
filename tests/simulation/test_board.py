"""The board's bytes: wire format 1 to the letter, read back by plain code that shares nothing with it."""

from __future__ import annotations

import binascii
import re
from dataclasses import replace

import numpy as np
import pytest

from monitor.readings.decoder import Decoder
from monitor.records import BoardRecord, EdgeBlock, Hello, Mark, Restart, Ticks
from monitor.simulation import FAMILIES, Fault, Params, Simulation, Stop, make
from monitor.simulation.board import encode_lines

SHAPES = {
    "E": re.compile(rb"E,[0-9A-F]{4},[0-9A-F]{8},[0-9A-F]{2}(,[0-9A-F]{4})+\*[0-9A-F]{4}"),
    "M": re.compile(rb"M,[0-9A-F]{4},[0-9A-F]{8},[0-9A-F]{4}\*[0-9A-F]{4}"),
    "T": re.compile(rb"T,[0-9A-F]{4},[0-9A-F]{8},[0-9A-F]{8}\*[0-9A-F]{4}"),
    "H": re.compile(rb"H,[0-9A-F]{4},[0-9A-F]{8},01,[0-9A-F]{8},[0-9A-F]{2},[0-9A-F]{4}\*[0-9A-F]{4}"),
}
BELT = Params(seed=4, ticks_per_turn=12, rate_hz=50)


def plain_lines(data: bytes) -> list[bytes]:
    lines = data.split(b"\r\n")
    assert lines.pop() == b""
    return lines


def flat(records: list[BoardRecord]) -> list[tuple[object, ...]]:
    """One tuple per record, so that blocks cut differently compare equal."""
    rows: list[tuple[object, ...]] = []
    for record in records:
        if isinstance(record, EdgeBlock):
            columns = (
                record.time_us.tolist(),
                record.flags.tolist(),
                record.counts.tolist(),
                record.lost.tolist(),
            )
            rows += [("E", t, f, tuple(c), n) for t, f, c, n in zip(*columns, strict=True)]
        elif isinstance(record, Restart):
            rows.append(("R",))
        else:
            rows.append((type(record).__name__, record))
    return rows


def test_crc_of_the_format() -> None:
    """Check value of the CRC over the digits 123456789: 29B1; the standard library computes the same."""
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    lines = encode_lines("E", [(np.array([0x1234, 0xFFFF]), 4), (np.array([0, 0xABCDEF01]), 8)])
    for line in lines:
        body, crc = line.tobytes()[:-2].split(b"*")
        assert binascii.crc_hqx(body, 0xFFFF) == int(crc, 16)


def test_every_line_has_its_shape_its_check_and_its_number() -> None:
    lines = plain_lines(Simulation(BELT).advance(200.0))
    for number, line in enumerate(lines):
        assert SHAPES[chr(line[0])].fullmatch(line)
        body, crc = line.split(b"*")
        assert binascii.crc_hqx(body, 0xFFFF) == int(crc, 16)
        assert int(line[2:6], 16) == number % 65536
    kinds = {chr(line[0]) for line in lines}
    assert kinds == set("EMTH")
    assert lines[0][0] == ord("H")
    assert sum(line[0] == ord("H") for line in lines) == 20


def test_clock_and_numbers_wrap() -> None:
    params = replace(BELT, boot_us=2**32 - 5_000_000, first_seq=65_500)
    lines = plain_lines(Simulation(params).advance(10.0))
    times = [int(line[7:15], 16) for line in lines if line[0] == ord("E")]
    assert times[0] > 2**32 - 5_000_001
    assert times[-1] < 5_100_000
    assert {int(line[2:6], 16) for line in lines} >= {65_535, 0, 1}


def test_jitter_is_a_few_microseconds() -> None:
    block = [r for r in Simulation(replace(BELT, jitter_us=3.0)).records(400.0) if isinstance(r, EdgeBlock)]
    times = np.concatenate([b.time_us for b in block])
    off = times - np.arange(times.size) * 20_000
    assert 2.5 < off.std() < 3.5
    assert np.ptp(off) <= 16


def test_marks_carry_their_own_time_and_may_be_written_late() -> None:
    simulation = Simulation(replace(BELT, mark_delay_s=0.05))
    lines = plain_lines(simulation.advance(500.0))
    marks, late, edge_us = [], 0, 0
    for line in lines:
        stamp = (int(line[7:15], 16) - BELT.boot_us) % 2**32
        if line[0] == ord("E"):
            edge_us = stamp
        elif line[0] == ord("M"):
            marks.append(stamp)
            late += stamp < edge_us
    assert late > 0
    assert np.array(marks) / 1e6 == pytest.approx(np.array(simulation.truth["marks_s"]), abs=1.1e-6)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_bytes_decode_to_the_direct_records(family: str) -> None:
    """What this project's decoder reads from the bytes is what the simulation gives directly."""
    params = replace(make(family, 5), garble=0.0)  # damage to a line end takes the next line along
    seconds = min(params.seconds, 400.0)
    decoder = Decoder()
    decoded = flat(decoder.feed(Simulation(params).advance(seconds)))
    direct = flat(Simulation(params).records(seconds))
    if params.restarts_s and params.restarts_s[0] < seconds:  # after a restart a reader sets its own times
        direct = direct[: direct.index(("R",))]
        decoded = decoded[: decoded.index(("R",))]
    assert len(decoded) >= len(direct) - 1
    assert decoded[: len(direct)] == direct[: len(decoded)]


def test_loss_and_damage_are_counted() -> None:
    params = replace(BELT, record_loss=0.03, garble=0.02)
    simulation, decoder = Simulation(params), Decoder()
    data = simulation.advance(600.0)
    decoder.feed(data)
    total = 600 * 50 * (0.97 * 0.02)
    truth = simulation.truth
    assert truth["lost"] == pytest.approx(33_000 * 0.03, rel=0.15)
    assert truth["garbled"] == pytest.approx(total, rel=0.2)
    known = truth["lost"] + truth["garbled"]  # a damaged line end takes the next line along: one in twelve
    assert known - 3 <= decoder.tally.lost <= known + 0.2 * truth["garbled"]


def test_outage_silences_everything_but_the_numbering_goes_on() -> None:
    lines = plain_lines(Simulation(replace(BELT, outages=(Stop(20.0, 5.0),))).advance(40.0))
    seqs = np.array([int(line[2:6], 16) for line in lines])
    gaps = np.diff(seqs)
    assert gaps.max() >= 250
    assert (gaps > 1).sum() == 1


def edges(params: Params, seconds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    blocks = [r for r in Simulation(params).records(seconds) if isinstance(r, EdgeBlock)]
    return tuple(np.concatenate([getattr(b, n) for b in blocks]) for n in ("time_us", "flags", "counts"))  # type: ignore[return-value]


def test_sensor_faults() -> None:
    def during(kind: str, size: float = 5.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        fault = Fault(kind, 1, 20.0, 30.0, size)  # type: ignore[arg-type]
        time_us, flags, counts = edges(replace(BELT, faults=(fault,)), 60.0)
        inside = (time_us >= 20e6) & (time_us < 50e6)
        return counts[inside, 1].astype(int), flags[inside], time_us

    assert np.ptp(during("stuck")[0]) == 0
    assert set(during("clipped", 1.0)[0]) == {0xFFFF}
    assert set(during("clipped", -1.0)[0]) == {0}
    assert set(during("open")[0]) <= set(range(2, 60))
    assert set(during("reference")[1]) == {2}
    assert during("silent")[0].size == 0
    healthy, noisy = (
        edges(replace(BELT, faults=f), 60.0)[2][1000:2500, 1].astype(float)
        for f in ((), (Fault("noisy", 1, 20.0, 30.0, 6.0),))
    )
    assert np.diff(noisy).std() == pytest.approx(6 * np.diff(healthy).std(), rel=0.2)


def test_first_record_after_a_silence_says_that_samples_were_lost() -> None:
    time_us, flags, _ = edges(replace(BELT, faults=(Fault("silent", 0, 20.0, 30.0),)), 60.0)
    assert np.flatnonzero(flags & 1).tolist() == [int(np.searchsorted(time_us, 50_000_000))]


def test_noise_has_the_spread_asked_for() -> None:
    still = replace(BELT, noise_sd_mm=0.2, start_ramp_s=1e9, wander_sd_mm=0.0)  # the belt stands
    for df in (0.0, 3.5):
        counts = edges(replace(still, student_df=df), 1000.0)[2][:, 0].astype(float)
        assert counts.std() / 600.0 == pytest.approx(0.2, rel=0.03 if df == 0.0 else 0.12)
    heavy = edges(replace(still, student_df=2.5), 1000.0)[2][:, 0].astype(float)
    assert np.abs(heavy - np.median(heavy)).max() > 8 * 0.2 * 600.0


def test_restart_begins_a_new_epoch() -> None:
    records = Simulation(replace(BELT, restarts_s=(30.0,))).records(120.0)
    where = next(i for i, r in enumerate(records) if isinstance(r, Restart))
    assert isinstance(records[where + 1], Hello)
    counts = [r.count for r in records[where:] if isinstance(r, Mark)]
    assert counts == list(range(1, len(counts) + 1))
    lines = plain_lines(Simulation(replace(BELT, restarts_s=(30.0,))).advance(40.0))
    assert any(line.startswith(b"H,0000,0000015E") for line in lines)


def test_missed_and_doubled_marks() -> None:
    def marks(**changes: object) -> list[Mark]:
        return [r for r in Simulation(replace(BELT, **changes)).records(500.0) if isinstance(r, Mark)]  # type: ignore[arg-type]

    usual = marks()
    assert len(marks(mark_missing=(3, 5))) == len(usual) - 2
    assert len(marks(mark_double=(3,))) == len(usual) + 1
    assert marks(marks=False) == []


def test_ticks_count_the_pulley() -> None:
    simulation = Simulation(replace(BELT, speed_wander=0.0, stops=(Stop(40.0, 20.0),)))
    ticks = [r for r in simulation.records(100.0) if isinstance(r, Ticks)]
    turned = simulation.revolutions * BELT.length_mm / (np.pi * BELT.pulley_diameter_mm)
    assert ticks[-1].ticks == pytest.approx(12 * turned, abs=3)
    steps = np.array([(r.time_us, r.ticks) for r in ticks if r.time_us < 39e6], dtype=float)
    speed = np.diff(steps[:, 1]) / np.diff(steps[:, 0]) * 1e6 * np.pi * BELT.pulley_diameter_mm / 12
    assert speed == pytest.approx(np.full(speed.size, 450.0), rel=1e-3)
    standing = {r.time_us for r in ticks if 45e6 < r.time_us < 60e6}
    assert len(standing) == 0
