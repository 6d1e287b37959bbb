"""The board's clock and counter, unwrapped: when was a record, how many are missing, is it still that board.

`time` (us, 32 bits) is unwrapped by its signed difference from the last E record, so that an M or T record
that is older than it stays older; right for silences up to 35.79 min. `seq` (16 bits) gives the number of
missing records; past a whole turn of it the number of turns is found from the time that went by and the
records per second of this epoch. Where the two disagree a record is not placed: it is out of sequence.

A T record's time is that of the last tick, so a standing pulley makes it old without end; it is judged by
its counter alone and may lie any time back. Integers throughout: nothing here rounds.
"""

from __future__ import annotations

from dataclasses import dataclass

SEQ_TURN = 1 << 16
TIME_TURN_US = 1 << 32
SECOND_US = 1_000_000

STEP_RECORDS = 50  # an ordinary step: at most so many counts
STEP_US = SECOND_US  # ... and so much time after the last E record; needs no rate to be believed
OLDER_US = 2 * SECOND_US  # so much older than the last E record may an M, B or H record be
BLIND_US = 60 * SECOND_US  # a longer silence needs a known rate to be bridged
YOUNG_US = 10 * SECOND_US  # after such a silence, a board time this young means that the board started anew
LATE_RECORDS = 8  # a record so far behind the counter is a repeated or late one
MEASURED_US = SECOND_US // 2  # from here on the epoch's own records per second are used
MAX_TOLERANCE = SEQ_TURN // 4  # a looser agreement of time and counter proves nothing
DEFAULT_PERIOD_US = 20_000  # 50 records a second, until anything better is known

REPEATED = "repeated"
OUT_OF_SEQUENCE = "out of sequence"


def signed_us(difference: int) -> int:
    """A difference of two 32-bit times as a signed number: -2^31 .. 2^31 - 1 us."""
    return ((difference + TIME_TURN_US // 2) & (TIME_TURN_US - 1)) - TIME_TURN_US // 2


@dataclass(slots=True)
class Clock:
    """One epoch of one board. Times `..._us` count from the recording's first record.

    seq: the last record's counter. ref_wire, ref_us: the last E record's time as sent and unwrapped (the
    epoch's first record until there is one). since_ref: counts since it. vague: the reference is a T
    record; by_edge: it is an E record. start_us, advance: the epoch's beginning, counts since.
    latest_us: the latest time given. after_us: the epoch before ended here; no E record lies before it.
    """

    seq: int
    ref_wire: int
    ref_us: int
    start_us: int
    latest_us: int
    vague: bool
    by_edge: bool = False
    rate_hz: int = 0
    since_ref: int = 0
    advance: int = 0
    after_us: int = -OLDER_US

    @classmethod
    def start(cls, kind: str, seq: int, wire_us: int, at_us: int, rate_hz: int) -> Clock:
        """A new epoch whose first record is given the time `at_us`; rate_hz 0 = not known."""
        return cls(seq, wire_us, at_us, at_us, at_us, kind == "T", kind == "E", rate_hz)

    def successor(self, kind: str, seq: int, wire_us: int) -> Clock:
        """The clock of an epoch that follows: it begins one sample period on, the nominal one if known."""
        nominal = (self.rate_hz, SECOND_US) if self.rate_hz else None
        count, span_us = nominal or self._rate() or (1, DEFAULT_PERIOD_US)
        at_us = self.latest_us + max(1, span_us // count)
        clock = Clock.start(kind, seq, wire_us, at_us, self.rate_hz)
        clock.after_us = self.latest_us
        return clock

    def judge(self, kind: str, seq: int, wire_us: int, board_lost: bool) -> int | str:
        """How many counts the record is ahead of the last one (1 = nothing missing), or why it is none."""
        step = (seq - self.seq) % SEQ_TURN
        ahead_us = signed_us(wire_us - self.ref_wire)
        if 1 <= step <= STEP_RECORDS and self._is_ordinary(kind, ahead_us):
            return step
        if ahead_us > BLIND_US and wire_us < YOUNG_US and kind != "T":
            return OUT_OF_SEQUENCE  # agreement may be chance: if in doubt, a new epoch
        rate = self._rate()
        if self.vague or rate is None:
            return self._judge_blindly(kind, step, ahead_us)
        return self._judge_by_rate(kind, step, ahead_us, rate, board_lost)

    def accept(self, kind: str, seq: int, wire_us: int, step: int) -> int:
        """Moves on to a record that was judged; returns its time in us."""
        at_us = self.ref_us + signed_us(wire_us - self.ref_wire)
        if kind == "T" and self._is_ahead_of_counter(at_us - self.ref_us, step):
            at_us -= TIME_TURN_US
        self.seq = seq
        self.advance += step
        self.since_ref += step
        if kind == "E" or (self.vague and kind != "T"):
            self.ref_wire, self.ref_us, self.since_ref, self.vague = wire_us, at_us, 0, False
            self.by_edge = kind == "E"
        self.latest_us = max(self.latest_us, at_us)
        return at_us

    def accept_run(self, seq: int, wire_us: int, at_us: int, advance: int) -> None:
        """Moves on to the last of many E records in a row, each an ordinary step after the one before."""
        self.seq, self.ref_wire, self.ref_us = seq, wire_us, at_us
        self.since_ref, self.vague, self.by_edge = 0, False, True
        self.advance += advance
        self.latest_us = max(self.latest_us, at_us)

    def _is_ordinary(self, kind: str, ahead_us: int) -> bool:
        return kind == "T" or self._first_us(kind) <= ahead_us <= STEP_US

    def _first_us(self, kind: str) -> int:
        """Time runs forward from E record to E record; other records may be a little older."""
        if kind != "E":
            return -OLDER_US
        return 1 if self.by_edge else max(-OLDER_US, self.after_us + 1 - self.ref_us)

    def _rate(self) -> tuple[int, int] | None:
        """Records and the us they took: this epoch's own, else what the hello says, else not known."""
        span_us = self.ref_us - self.start_us
        if span_us >= MEASURED_US:
            return max(1, self.advance - self.since_ref), span_us
        return (self.rate_hz, SECOND_US) if self.rate_hz else None

    def _judge_blindly(self, kind: str, step: int, ahead_us: int) -> int | str:
        """Without a rate (or with an old T record as the only reference)."""
        forward = ahead_us >= self._first_us(kind)
        if 1 <= step < SEQ_TURN // 2 and forward and (self.vague or ahead_us <= BLIND_US):
            return step
        late = (-step) % SEQ_TURN <= LATE_RECORDS and abs(ahead_us) <= OLDER_US
        return REPEATED if late else OUT_OF_SEQUENCE

    def _judge_by_rate(
        self, kind: str, step: int, ahead_us: int, rate: tuple[int, int], board_lost: bool
    ) -> int | str:
        expected, tolerance = _expected(ahead_us, rate)
        counted = self.since_ref + step
        turns = max(0, (expected - counted + SEQ_TURN // 2) // SEQ_TURN)
        whole = step + turns * SEQ_TURN
        forward = kind != "E" or ahead_us >= self._first_us(kind)
        if whole >= 1 and forward and abs(self.since_ref + whole - expected) <= tolerance:
            return whole
        if kind == "E" and board_lost and forward and 1 <= step <= MAX_TOLERANCE and counted < expected:
            return step  # the board itself says that time went by without records
        behind = (-step) % SEQ_TURN
        late = behind <= LATE_RECORDS and abs(self.since_ref - behind - expected) <= tolerance
        return REPEATED if late else OUT_OF_SEQUENCE

    def _is_ahead_of_counter(self, ahead_us: int, step: int) -> bool:
        """A T record from the future is one from a pulley that has stood for over half a turn of `time`."""
        rate = self._rate()
        if rate is None:
            return ahead_us > BLIND_US
        expected, tolerance = _expected(ahead_us, rate)
        return ahead_us > STEP_US and expected - self.since_ref - step > tolerance


def _expected(ahead_us: int, rate: tuple[int, int]) -> tuple[int, int]:
    """Counts to expect in this time, and how far off they may be: 2 s, 0.5 %, the doubt of the rate."""
    count, span_us = rate
    expected = ahead_us * count // span_us
    some = max(0, expected)
    tolerance = 8 + 2 * SECOND_US * count // span_us + some // 200 + 4 * some // count
    return expected, min(MAX_TOLERANCE, tolerance)
