"""The decoder: times, losses, restarts, rejections; and both of its paths on everything."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from monitor.readings.decoder import WRONG_CHANNELS, WRONG_HELLO, Decoder
from monitor.readings.wire import (
    TOO_LONG,
    encode_button,
    encode_edge,
    encode_hello,
    encode_mark,
    encode_ticks,
)
from monitor.records import BoardRecord, Button, EdgeBlock, Hello, Mark, Restart, Ticks

PERIOD_US = 20_000


class Board:
    """A board that numbers and times its lines as wire format 1 says; `true_us` counts from its start."""

    def __init__(self, seq: int = 0, start_us: int = 0, board: int = 0xB0A4D, channels: int = 2) -> None:
        self.seq, self.start_us, self.true_us = seq - 1, start_us, 0
        self.board, self.channels = board, channels
        self.marks = 0

    def _next(self) -> int:
        self.seq = (self.seq + 1) % 65536
        return self.seq

    def wire_us(self, at_us: int) -> int:
        return (self.start_us + at_us) % 2**32

    def hello(self) -> bytes:
        return encode_hello(self._next(), self.wire_us(self.true_us), self.board, self.channels, 50)

    def edge(self, flags: int = 0) -> bytes:
        self.true_us += PERIOD_US
        counts = [(self.true_us // 20 + 7919 * k) % 65536 for k in range(self.channels)]
        return encode_edge(self._next(), self.wire_us(self.true_us), flags, counts)

    def edges(self, n: int) -> list[bytes]:
        return [self.edge() for _ in range(n)]

    def mark(self, older_us: int = 7_000) -> bytes:
        self.marks += 1
        return encode_mark(self._next(), self.wire_us(self.true_us - older_us), self.marks)


def plain(records: Sequence[BoardRecord]) -> list[Any]:
    """Records without the borders of their blocks, comparable with ==, types included."""
    out: list[Any] = []
    for record in records:
        if isinstance(record, EdgeBlock):
            columns = (record.time_us, record.flags, record.counts, record.lost)
            assert [c.dtype for c in columns] == [np.int64, np.uint8, np.uint16, np.int64]
            out += zip(*(column.tolist() for column in columns), strict=True)
        else:
            out.append(record)
    return out


def decoded(stream: bytes) -> tuple[list[Any], Decoder]:
    """What the decoder makes of the stream; the path line by line and single bytes must agree."""
    decoder, twin, slow = Decoder(), Decoder(bulk=False), Decoder()
    records = plain(decoder.feed(stream))
    assert plain(twin.feed(stream)) == records
    assert twin.tally == decoder.tally
    if len(stream) < 60_000:
        one_by_one = [record for k in range(len(stream)) for record in slow.feed(stream[k : k + 1])]
        assert plain(one_by_one) == records
        assert slow.tally == decoder.tally
        assert slow.snapshot() == decoder.snapshot()
    return records, decoder


def only(records: list[Any], kind: type) -> list[Any]:
    return [record for record in records if isinstance(record, kind)]


def edge_rows(records: list[Any]) -> list[tuple[int, int, list[int], int]]:
    return [record for record in records if isinstance(record, tuple)]


def test_every_kind_of_record() -> None:
    board = Board(seq=65534, start_us=2**32 - 30_000)
    stream = [board.hello(), *board.edges(2), board.mark(), board.edge()]
    stream += [
        encode_ticks(board._next(), board.wire_us(55_000), 17),
        encode_button(board._next(), 40_000, 3),
    ]
    records, decoder = decoded(b"".join(stream))
    assert records[0] == Hello(0, 1, 0xB0A4D, 2, 50)
    assert [row[0] for row in edge_rows(records)] == [20_000, 40_000, 60_000]
    assert only(records, Mark) == [Mark(33_000, 1)]
    assert only(records, Ticks) == [Ticks(55_000, 17)]
    assert only(records, Button) == [Button(70_000, 3)]
    assert (decoder.tally.good, decoder.tally.rejected, decoder.tally.lost) == (7, 0, 0)


def test_wraps_of_counter_and_time_leave_no_trace() -> None:
    board = Board(seq=65000, start_us=2**32 - 100_000_000)
    lines = [board.hello()]
    for k in range(70_000):  # the counter wraps twice, the time once
        lines.append(board.edge())
        if k % 997 == 0:
            lines.append(board.mark(older_us=13_000))
    records, decoder = decoded(b"".join(lines))
    assert [row[0] for row in edge_rows(records)] == [(k + 1) * PERIOD_US for k in range(70_000)]
    marks = [(k * 997 + 1) * PERIOD_US - 13_000 for k in range(71)]
    assert [mark.time_us for mark in only(records, Mark)] == marks
    assert only(records, Restart) == []
    assert decoder.tally.lost == 0


def spoilt(line: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(line) - 1)
    return line[:place] + bytes([line[place] ^ (1 << chance.randrange(6))]) + line[place + 1 :]


def test_losses_are_counted_exactly_in_1000_random_streams() -> None:
    for seed in range(1000):
        chance = random.Random(seed)
        board = Board(chance.randrange(65536), chance.randrange(2**32))
        drop, garble, double = chance.random() * 0.5, chance.random() * 0.1, chance.random() * 0.1
        sent, good, rejected, last_good, lines = 0, 0, 0, 0, [board.hello()]
        for _ in range(120):
            line = board.mark() if chance.random() < 0.02 else board.edge()
            sent += 1
            luck = chance.random()
            if luck < drop:
                continue
            if luck < drop + (1 - drop) * garble:
                line = spoilt(line, chance)
                if line.count(b"\n") == 1:
                    lines.append(line)
                    rejected += 1
                continue
            lines.append(line)
            good, last_good = good + 1, sent
            if chance.random() < double:
                lines.append(line)
                rejected += 1
        decoder = Decoder(bulk=seed % 2 == 0)
        records = plain(decoder.feed(b"".join(lines)))
        assert only(records, Restart) == [], seed
        tally = decoder.tally
        assert (tally.good, tally.rejected, tally.lost) == (1 + good, rejected, last_good - good), seed
        after_last_edge = tally.lost - sum(row[3] for row in edge_rows(records))
        assert after_last_edge >= 0
        if isinstance(records[-1], tuple):
            assert after_last_edge == 0, seed


@pytest.mark.parametrize("gap_s", [1, 61, 1311, 2100])
def test_silence_up_to_35_minutes_is_bridged_exactly(gap_s: int) -> None:
    board = Board(seq=7, start_us=2**32 - 5_000_000)
    lines = [board.hello(), *board.edges(1500)]
    board.edges(gap_s * 50)
    records, decoder = decoded(b"".join([*lines, *board.edges(300)]))
    assert decoder.tally.lost == gap_s * 50
    assert [row[3] for row in edge_rows(records)][1500] == gap_s * 50
    assert edge_rows(records)[-1][0] == board.true_us
    assert only(records, Restart) == []


@pytest.mark.slow
def test_a_restart_without_its_hello_is_seen_by_counter_and_time() -> None:
    missed, false = 0, 0
    for seed in range(300):
        chance = random.Random(seed)
        first = Board(chance.randrange(65536), chance.randrange(2**32))
        age_us = chance.randrange(3_000_000)
        second = Board(age_us // PERIOD_US, age_us)
        first.marks = 300
        lines = [first.hello(), *first.edges(99), first.mark(), *first.edges(100)]
        lines += [*second.edges(100), second.mark(), *second.edges(99)]
        records, decoder = decoded(b"".join(lines))
        restarts = only(records, Restart)
        missed += len(restarts) == 0
        false += len(restarts) > 1
        if restarts:
            assert restarts[0].time_us == 200 * PERIOD_US  # one sample period after the last
            assert edge_rows(records)[-1][0] == 398 * PERIOD_US
            assert decoder.tally.rejected == 0
    assert (missed, false) == (0, 0)


def test_a_hello_from_near_time_zero_is_a_restart_at_once() -> None:
    first = Board(seq=300, start_us=400_000_000)
    lines = [first.hello(), *first.edges(100)]
    records, _ = decoded(b"".join([*lines, Board(0, 1000).hello()]))
    assert records[-2] == Restart(101 * PERIOD_US, "the board said hello from its start")
    assert isinstance(records[-1], Hello)
    assert records[-1].time_us == 101 * PERIOD_US


def test_a_hello_just_after_time_wrapped_is_no_restart() -> None:
    board = Board(seq=9, start_us=2**32 - 3_000_000)
    lines = [board.hello(), *board.edges(200), board.hello(), *board.edges(20)]
    records, decoder = decoded(b"".join(lines))
    assert only(records, Restart) == []
    assert decoder.tally.rejected == 0


def test_a_mark_count_that_starts_over_is_a_restart_and_its_wrap_is_none() -> None:
    board = Board()
    board.marks = 65533
    lines = [board.hello()]
    for _ in range(4):
        lines += [*board.edges(30), board.mark()]
    records, _ = decoded(b"".join(lines))
    assert [mark.count for mark in only(records, Mark)] == [65534, 65535, 0, 1]
    assert only(records, Restart) == []
    board.marks = 500
    lines += [*board.edges(30), board.mark()]
    board.marks = 0
    records, _ = decoded(b"".join([*lines, *board.edges(30), board.mark(), *board.edges(30)]))
    assert [restart.why for restart in only(records, Restart)] == ["the mark count started over"]


def test_ticks_unwrap_stand_still_and_start_over() -> None:
    board = Board()
    lines = [board.hello(), *board.edges(100)]
    for ticks in (2**32 - 2, 2**32 + 5):
        lines += [board.edge(), encode_ticks(board._next(), board.wire_us(board.true_us), ticks)]
    moved_us = board.true_us
    for _ in range(10):  # the pulley stands for 250 minutes, most of them lost
        board.edges(74_000)
        lines += board.edges(1000)
        lines.append(encode_ticks(board._next(), board.wire_us(moved_us), 2**32 + 5))
    records, _ = decoded(b"".join(lines))
    ticks = only(records, Ticks)
    assert [t.ticks for t in ticks] == [2**32 - 2] + 11 * [2**32 + 5]
    assert {t.time_us for t in ticks[1:]} == {moved_us}
    assert only(records, Restart) == []
    lines += [board.edge(), encode_ticks(board._next(), board.wire_us(board.true_us), 3)]
    assert len(only(decoded(b"".join(lines))[0], Restart)) == 1


def test_no_edge_record_of_a_new_epoch_lies_before_the_end_of_the_last() -> None:
    lines = [encode_edge(12, 40_000, 0, [12]), encode_edge(2, 40_000, 0, [2]), encode_mark(3, 51_000, 1)]
    lines += [encode_mark(4, 71_000, 0), encode_edge(12, 40_000, 0, [12])]  # older than the new epoch's start
    records, _ = decoded(b"".join(lines))
    assert len(only(records, Restart)) == 2
    time_us = [row[0] for row in edge_rows(records)]
    assert time_us == sorted(set(time_us))


@pytest.mark.parametrize("older_us", [0, 1, PERIOD_US - 1])
def test_an_edge_record_may_bear_the_time_of_the_hello_before_it(older_us: int) -> None:
    """Wire format 1 does not forbid it, nor one a little older: at first, amid a run, after every restart."""
    start, again, other = Board(seq=65530, start_us=2**32 - 50_000), Board(), Board(board=0xB0A4E)
    cut = Board(start_us=90_000_000)  # starts anew where only counter and time can tell
    lines, n_edges = [], 0
    for board, n in ((start, 120), (again, 40), (cut, 200), (other, 30)):
        board.true_us = PERIOD_US
        for part in (n // 2, n - n // 2):
            board.true_us += older_us
            lines.append(board.hello())
            board.true_us -= PERIOD_US + older_us  # edge() adds the period: at the hello's time less older_us
            lines += board.edges(part)
            n_edges += part
            board.true_us += PERIOD_US
    records, decoder = decoded(b"".join(lines))
    time_us = [row[0] for row in edge_rows(records)]
    assert (decoder.tally.good, decoder.tally.rejected, decoder.tally.lost) == (len(lines), 0, 0)
    assert len(time_us) == n_edges
    assert time_us == sorted(set(time_us))
    assert len(only(records, Restart)) == 3
    assert len(only(records, Hello)) == 8


def test_a_mark_count_from_far_up_back_to_one_is_a_restart() -> None:
    board = Board()
    board.marks = 40_000
    lines = [board.hello(), *board.edges(30), board.mark()]
    board.marks = 0
    records, _ = decoded(b"".join([*lines, *board.edges(30), board.mark()]))
    assert len(only(records, Restart)) == 1


def test_lines_that_come_twice_are_repeated_and_no_restart() -> None:
    board = Board()
    lines = [board.hello(), *board.edges(5), board.mark(), *board.edges(200)]
    records, decoder = decoded(b"".join(line for line in lines for _ in range(2)))
    assert decoder.tally.reasons == {"repeated": len(lines)}
    assert records == decoded(b"".join(lines))[0]


def test_time_that_jumps_without_counts_is_a_restart_on_both_paths() -> None:
    for jump_us in (5_000_000, 25_000_000):
        board = Board()
        lines = [board.hello(), *board.edges(300)]
        board.true_us += jump_us
        records, decoder = decoded(b"".join([*lines, *board.edges(300)]))
        assert len(only(records, Restart)) == 1
        assert decoder.tally.rejected == 0
        assert edge_rows(records)[-1][0] == 600 * PERIOD_US


def test_counts_that_jump_without_time_are_a_restart_on_a_slow_board() -> None:
    lines = [encode_edge(k, k * 500_000, 0, [k]) for k in range(300)]
    lines += [encode_edge(k + 55, k * 500_000 + 400_000, 0, [k]) for k in range(299, 600)]
    records, decoder = decoded(b"".join(lines))
    assert len(only(records, Restart)) == 1
    assert decoder.tally.lost == 0


def test_a_repeated_line_does_not_hide_a_held_back_one() -> None:
    board = Board()
    lines = [board.hello(), *board.edges(300)]
    lines += [encode_edge(30_000, 5, 0, [1, 2]), lines[-1], *board.edges(300)]
    _, decoder = decoded(b"".join(lines))
    assert decoder.tally.reasons == {"repeated": 1, "out of sequence": 1}


def test_another_board_is_a_restart_and_two_at_once_never_crash() -> None:
    one, two = Board(100, 5_000_000), Board(60_000, 3_000_000_000, board=0x2, channels=3)
    lines = [one.hello(), *one.edges(50), two.hello(), *two.edges(50)]
    records, decoder = decoded(b"".join(lines))
    assert [r.why for r in only(records, Restart)] == ["board 00000002 talks, before it was 000B0A4D"]
    assert decoder.tally.rejected == 0
    for _ in range(100):
        lines += [one.hello(), one.edge(), two.edge(), two.hello(), one.edge(), two.edge()]
    records, decoder = decoded(b"".join(lines))
    assert len(only(records, Restart)) >= 200
    assert decoder.tally.reasons[WRONG_CHANNELS] > 0
    assert decoder.tally.good + decoder.tally.rejected >= len(lines) - 1


def test_one_wrong_line_with_a_right_sum_changes_no_time() -> None:
    board = Board(seq=50)
    lines = [board.hello(), *board.edges(500)]
    clean = b"".join([*lines, *board.edges(500)])
    wild = [encode_edge(12345, 99, 0, [1, 2]), encode_mark(40_000, 3_000_000_000, 9)]
    for stranger in wild:
        board = Board(seq=50)
        lines = [board.hello(), *board.edges(500), stranger, *board.edges(500)]
        records, decoder = decoded(b"".join(lines))
        assert records == decoded(clean)[0]
        assert decoder.tally.reasons == {"out of sequence": 1}


def test_a_width_is_fixed_by_the_first_edge_record_or_hello() -> None:
    board = Board()
    wide = encode_edge(3, 60_000, 0, [1, 2, 3])
    stream = b"".join([*board.edges(2), wide])
    board._next()
    records, decoder = decoded(stream + board.edge())
    assert decoder.tally.reasons == {WRONG_CHANNELS: 1}
    assert decoder.tally.lost == 1
    assert len(edge_rows(records)) == 3
    for hello in (encode_hello(9, 9, 1, 0, 50), encode_hello(9, 9, 1, 2, 50, version=2)):
        assert decoded(hello)[1].tally.reasons == {WRONG_HELLO: 1}


def test_lines_of_a_former_width_are_refused_even_where_counter_and_time_fit() -> None:
    board = Board()
    lines = [board.hello(), *board.edges(300), encode_hello(301, board.true_us + 10, 0xB0A4D, 3, 50)]
    wide = encode_edge(302, board.true_us + PERIOD_US, 0, [1, 2, 3])
    board._next()
    records, decoder = decoded(b"".join([*lines, wide, *board.edges(300)]))
    assert decoder.tally.reasons == {WRONG_CHANNELS: 300}
    assert len(edge_rows(records)) == 301


def test_flags_are_passed_on_and_board_losses_are_no_restart() -> None:
    board = Board()
    lines = [board.hello(), *board.edges(100)]
    board.true_us += 30_000_000
    lines += [board.edge(flags=1), *board.edges(5)]
    records, decoder = decoded(b"".join(lines))
    assert [row[1] for row in edge_rows(records)][100] == 1
    assert only(records, Restart) == []
    assert decoder.tally.lost == 0


@pytest.mark.parametrize("size", [127, 128, 5_000, 3_000_000])
def test_a_long_line_is_one_rejection_and_is_not_kept(size: int) -> None:
    board = Board()
    start = b"".join([board.hello(), *board.edges(3)])
    decoder = Decoder()
    decoder.feed(start)
    for _ in range(0, size, 1000):
        decoder.feed(b"E" * min(size, 1000))
        assert decoder.unfinished_bytes < 128
    decoder.feed(b"\r\n")
    assert len(plain(decoder.feed(board.edge()))) == 1
    assert decoder.tally.reasons == {TOO_LONG: 1}
    _, at_once = decoded(start + b"E" * size + b"\r\n" + Board(5).edge())
    assert at_once.tally.reasons[TOO_LONG] == 1


def test_lines_about_the_limit_are_judged_alike_in_pieces() -> None:
    for size in range(120, 132):
        reasons = decoded(b"E" * size + b"\n" + Board().edge())[1].tally.reasons
        assert sum(reasons.values()) == 1
        decoder = decoded(b"E" * size)[1]
        assert decoder.tally.rejected == (size >= 127)
        assert decoder.unfinished_bytes == (size if size < 127 else 0)


def test_lines_end_at_line_feed_only() -> None:
    board = Board()
    for octets in (b"\x0b", b"\x0c", b"\x1c", b"\x85", b"\r", "\u2028".encode()):
        _, decoder = decoded(board.edge()[:-2] + octets + board.edge())
        assert decoder.tally.good == 0
        assert decoder.tally.rejected == 1


def test_save_and_restore_in_mid_run_change_nothing() -> None:
    chance = random.Random(3)
    first, second = Board(65_500, 2**32 - 2_000_000), Board(0, 5)
    lines = [first.hello()]
    for board in (first, second):
        for _ in range(60):
            line = board.mark() if chance.random() < 0.1 else board.edge()
            lines.append(line if chance.random() > 0.2 else spoilt(line, chance))
    stream = b"".join(lines)
    records, whole = decoded(stream)
    for cut in range(0, len(stream), 7):
        before = Decoder()
        head = before.feed(stream[:cut])
        after = Decoder.restore(json.loads(json.dumps(before.snapshot())))
        assert plain([*head, *after.feed(stream[cut:])]) == records
        assert after.tally == whole.tally
