"""The board's clock: signed differences, and losses counted past a whole turn of the counter."""

from __future__ import annotations

import random

import pytest

from monitor.readings.clock import OUT_OF_SEQUENCE, REPEATED, Clock, signed_us


def test_signed_differences() -> None:
    assert [signed_us(d) for d in (0, 1, -1, 2**31 - 1, 2**31, 2**32 - 1)] == [
        0, 1, -1, 2**31 - 1, -(2**31), -1,
    ]  # fmt: skip


def running(rate_hz: int = 50, seconds: int = 60, start_seq: int = 0, start_us: int = 0) -> Clock:
    """A clock after so many seconds of E records without a loss."""
    period_us = 1_000_000 // rate_hz
    clock = Clock.start("E", start_seq, start_us, 0, rate_hz)
    for k in range(1, seconds * rate_hz + 1):
        seq, wire_us = (start_seq + k) % 65536, (start_us + k * period_us) % 2**32
        assert clock.judge("E", seq, wire_us, False) == 1
        assert clock.accept("E", seq, wire_us, 1) == k * period_us
    return clock


@pytest.mark.parametrize("gap_s", [1, 60, 1300, 1310.72, 1311, 2000, 2100])
@pytest.mark.parametrize("rate_hz", [10, 50, 100])
def test_a_long_loss_is_counted_with_the_help_of_time(rate_hz: int, gap_s: float) -> None:
    clock = running(rate_hz, start_seq=65000, start_us=2**32 - 500_000_000)
    missing = round(gap_s * rate_hz)
    seq = (clock.seq + missing + 1) % 65536
    wire_us = (clock.ref_wire + (missing + 1) * (1_000_000 // rate_hz)) % 2**32
    before_us = clock.latest_us
    assert clock.judge("E", seq, wire_us, False) == missing + 1
    assert clock.accept("E", seq, wire_us, missing + 1) == before_us + (missing + 1) * (1_000_000 // rate_hz)


def test_a_rate_measured_in_one_second_still_bridges_half_an_hour() -> None:
    clock = Clock.start("H", 0, 0, 0, 50)
    for k in range(1, 51):  # the first E record comes with the hello: 51 counts in a second, not 50
        clock.accept("E", k, (k - 1) * 20_000, 1)
    for missing in (2 * 60 * 50, 30 * 60 * 50):
        seq, wire_us = (50 + missing) % 65536, 49 * 20_000 + missing * 20_000
        assert clock.judge("E", seq, wire_us, False) == missing


def test_an_edge_record_may_be_a_little_older_than_a_hello_but_not_than_another() -> None:
    clock = Clock.start("H", 0, 100, 0, 50)
    assert clock.judge("E", 1, 98, False) == 1
    assert clock.accept("E", 1, 98, 1) == -2
    assert clock.judge("E", 2, 96, False) == OUT_OF_SEQUENCE


def test_naive_unwrapping_would_fail_and_the_signed_one_does_not() -> None:
    """M records are written after E records later than they: 'smaller means wrapped' is wrong then."""
    chance = random.Random(8)
    true_us, seq = 0, 0
    start = 2**32 - 30_000_000
    clock = Clock.start("E", 0, start, 0, 50)
    naive_us, naive_wrong, wrong = start, 0, 0
    for _ in range(6000):
        true_us += 20_000
        seq += 1
        for kind, at_us in (("E", true_us), ("M", true_us - chance.randrange(20_000))):
            if kind == "M":
                if chance.random() > 0.02:
                    continue
                seq += 1
            wire_us = (start + at_us) % 2**32
            step = clock.judge(kind, seq % 65536, wire_us, False)
            assert step == 1
            wrong += clock.accept(kind, seq % 65536, wire_us, 1) != at_us
            if wire_us < naive_us % 2**32:
                naive_us += 2**32
            naive_us = naive_us // 2**32 * 2**32 + wire_us
            naive_wrong += naive_us - start != at_us
    assert wrong == 0
    assert naive_wrong > 1000


def test_the_last_counts_again_are_repeated_and_nonsense_is_out_of_sequence() -> None:
    clock = running()
    for back in range(9):
        assert clock.judge("E", clock.seq - back, clock.ref_wire - back * 20_000, False) == REPEATED
    assert clock.judge("E", clock.seq + 30_000, clock.ref_wire + 20_000, False) == OUT_OF_SEQUENCE
    assert clock.judge("E", clock.seq + 1, clock.ref_wire + 900_000_000, False) == OUT_OF_SEQUENCE
    assert clock.judge("E", clock.seq + 1, clock.ref_wire, False) == OUT_OF_SEQUENCE
    # ... unless the board itself says that it lost samples: then time goes on without counts.
    assert clock.judge("E", clock.seq + 1, clock.ref_wire + 900_000_000, True) == 1


def test_ticks_of_a_pulley_that_stands_keep_the_past() -> None:
    clock = running(seconds=3000)
    old_us = clock.ref_wire - 2_900_000_000  # more than half a turn ago: the signed difference says "later"
    step = clock.judge("T", clock.seq + 1, old_us % 2**32, False)
    assert step == 1
    before_us = clock.latest_us
    assert clock.accept("T", clock.seq + 1, old_us % 2**32, 1) == before_us - 2_900_000_000
    assert clock.latest_us == before_us
