"""The run-in's rules, one by one: stages, waiting, alarms of its own, the hold, the verdict, what is said."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.procedure import RunIn
from monitor.procedure.runin import Out
from monitor.records import Advice, Event, MoveMade, NoteSaid, Pulley, Revolution, RevolutionRow, StageSaid
from monitor.response import BeltAnswer
from monitor.settings import Station, parse_station
from tests.known_truth.conveyors import STATION

REV_S = 40.0


def make_station(extra: str = "", hold: float = 6.0) -> Station:
    text = STATION.format(
        width=610, length=12_400, speed=0.31, spacing=760, diameter=150, span=6000, hold=hold
    )
    return parse_station(text + extra)


class Bench:
    """Feeds a run-in with positions of one's choice."""

    def __init__(self, station: Station | None = None, seed: int = 1) -> None:
        self.station = station or make_station()
        self.runin = RunIn(self.station, BeltAnswer(self.station))
        self.rng = np.random.default_rng(seed)
        self.rev = 0
        self.said: Out = []

    def turn(
        self, infeed: float, drive: float = 0.0, n: int = 1, half: float = 3.0, noise: float = 0.05
    ) -> Out:
        out: Out = []
        for _ in range(n):
            self.rev += 1
            rows = []
            for sensor in self.station.sensor:
                y = (infeed if sensor.pulley == "infeed" else drive) + noise * self.rng.normal()
                rows.append(self.row(sensor.name, sensor.pulley, y, half))
            out += self.runin.on_revolution(
                Revolution(self.rev, (self.rev - 1) * REV_S, self.rev * REV_S, tuple(rows))
            )
        self.said += out
        return out

    def row(self, name: str, pulley: Pulley, y: float, half: float) -> RevolutionRow:
        start, end = (self.rev - 1) * REV_S, self.rev * REV_S
        return RevolutionRow(
            self.rev, start, end, name, y, 0.05, 0.0, 0.3, 2 * half, "steady", 99, 0, pulley,
            y - half, y + half, "good",
        )  # fmt: skip

    def move(self, at: float, side: str = "left", amount: float = 1.6, where: str = "infeed") -> Out:
        out = self.runin.on_entry(MoveMade(at * REV_S, where, side, amount), at)  # type: ignore[arg-type]
        self.said += out
        return out

    def alarm(self, name: str, kind: str = "alarm-raised", sensor: str | None = None) -> Out:
        event = Event(self.rev * REV_S, self.rev, kind, name, sensor=sensor)  # type: ignore[arg-type]
        out = self.runin.on_alarm(event)
        self.said += out
        return out


def advices(out: Out) -> list[Advice]:
    return [m for m in out if isinstance(m, Advice)]


def named(out: Out, kind: str, name: str) -> list[Event]:
    return [m for m in out if isinstance(m, Event) and m.kind == kind and m.name == name]


def test_a_belt_that_just_starts_is_watched_judged_and_tracked() -> None:
    bench = Bench()
    bench.turn(0.2, -0.3, n=14)
    assert bench.runin.verdict == "tracked"
    assert bench.runin.tracked_at_s == pytest.approx(9 * REV_S)  # 6 min are 9 revolutions of 40 s
    assert bench.runin.stage == "lock"
    assert "not made" in str(named(bench.said, "note", "set-up")[0].text)
    assert not [a for a in advices(bench.said) if a.action == "move"]


def test_every_advice_has_its_event() -> None:
    bench = Bench()
    bench.turn(6.0, n=6)
    for k, message in enumerate(bench.said):
        if isinstance(message, Advice):
            event = bench.said[k + 1]
            assert isinstance(event, Event)
            assert (event.kind, event.name, event.amount_mm) == ("advice", message.action, message.amount_mm)


@pytest.mark.parametrize(("y", "side"), [(6.0, "right"), (-6.0, "left")])
def test_the_belt_is_sent_back_by_tightening_the_side_it_rides_on(y: float, side: str) -> None:
    """A belt runs away from the side that was tightened (four published rules agree, design facts 2.6)."""
    bench = Bench()
    bench.turn(y, n=3)
    advice = bench.runin.advice
    assert advice is not None
    assert (advice.action, advice.where, advice.side) == ("move", "infeed", side)
    assert advice.amount_mm is not None
    assert 0 < advice.amount_mm <= bench.station.procedure.move_mm
    assert "guards" in advice.caution
    assert f"tighten the {side} side" in advice.why


def test_nothing_is_advised_before_three_revolutions() -> None:
    bench = Bench()
    bench.turn(9.0, n=2)
    assert {a.action for a in advices(bench.said)} == {"wait"}


def test_advice_does_not_chatter() -> None:
    bench = Bench()
    bench.turn(6.0, n=30)
    assert len(advices(bench.said)) <= 4


def test_no_move_is_advised_before_the_last_had_its_revolutions() -> None:
    bench = Bench()
    bench.turn(6.0, n=4)
    out = bench.move(4.4, "right")
    assert advices(out)[0].action == "wait"
    assert advices(out)[0].until_rev == 8.0
    out = bench.turn(5.0, n=3)
    assert not [a for a in advices(out) if a.action == "move"]
    assert bench.runin.settling_until_rev == pytest.approx(7.4)


def test_an_early_move_is_called_and_cleared() -> None:
    bench = Bench()
    bench.turn(6.0, n=4)
    bench.move(4.4, "right")
    bench.turn(5.0, n=1)
    assert named(bench.move(5.9, "right"), "alarm-raised", "early-move")
    assert not named(bench.turn(3.0, n=2), "alarm-cleared", "early-move")
    assert named(bench.turn(3.0, n=2), "alarm-cleared", "early-move")


def test_a_move_in_time_is_not_early() -> None:
    bench = Bench()
    bench.turn(6.0, n=4)
    bench.move(4.4, "right")
    bench.turn(5.0, n=4)
    assert not named(bench.move(8.0, "right"), "alarm-raised", "early-move")


def test_no_response_is_called_once_and_cleared_by_the_next_move() -> None:
    bench = Bench()
    bench.turn(6.0, n=5)
    bench.move(5.2, "right", 1.6)
    out = bench.turn(6.0, n=5)
    assert len(named(out, "alarm-raised", "no-response")) == 1
    assert named(bench.move(10.4, "right", 1.6), "alarm-cleared", "no-response")
    bench.turn(6.0, n=6)
    assert bench.runin.advice is not None
    assert bench.runin.advice.action == "check"
    assert "logged" in bench.runin.advice.checks[0]


def test_a_contrary_machine_is_told_of_once_and_then_followed() -> None:
    """One answer the wrong way may be a slip of the hand; the second one is the machine."""
    bench = Bench()
    bench.turn(6.0, n=5)
    bench.move(5.2, "right", 1.0)
    bench.turn(9.0, n=6)
    assert len(named(bench.said, "note", "odd-answer")) == 1
    assert not named(bench.said, "note", "contrary")
    advice = bench.runin.advice
    assert advice is not None
    assert "going by its last answer, that sends it to the left" in advice.why
    assert advice.amount_mm is not None
    bench.move(11.2, "left", 1.0)
    bench.turn(6.0, n=8)
    assert len(named(bench.said, "note", "contrary")) == 1
    advice = bench.runin.advice
    assert advice is not None
    assert advice.action == "move"
    toward = 1 if (advice.side == "left") == ((advice.amount_mm or 0) > 0) else -1
    assert toward == 1  # to the right by the rule, which on this machine sends it left
    assert "on this machine" in advice.why


def test_a_first_move_on_the_wrong_side_does_not_turn_the_advice_round() -> None:
    """The technician tightens the left side and logs the right one; his next move is made as logged."""
    bench = Bench()
    bench.turn(6.0, n=5)
    bench.move(5.2, "right", 1.0)
    bench.turn(8.0, n=5)
    bench.move(10.2, "right", 1.0)
    bench.turn(6.0, n=6)
    assert bench.runin._belt.contrary < 0.2
    assert not named(bench.said, "note", "contrary")


def test_a_drift_alarm_and_leaving_alone_do_not_go_together() -> None:
    bench = Bench()
    bench.turn(0.2, n=6)
    assert "leave everything alone" in bench.runin.advice.why  # type: ignore[union-attr]
    event = Event(bench.rev * REV_S, bench.rev, "alarm-raised", "drift", pulley="drive", value_mm=1.4)
    bench.runin.on_alarm(event)
    before = len(bench.said)
    bench.turn(0.2, n=1)
    advice = bench.runin.advice
    assert advice is not None
    assert "walks at the drive pulley, 1.4 mm each revolution to the right" in advice.why
    bench.turn(0.2, n=8)
    assert bench.runin.verdict != "tracked"
    assert not [a for a in advices(bench.said[before:]) if "leave everything alone" in a.why]


def test_stop_is_said_once_while_it_stands() -> None:
    bench = Bench()
    bench.turn(6.0, n=3)
    bench.alarm("edge-stop", sensor="infeed-left")
    before = len(bench.said)
    bench.runin.expect_edge((0.0, 0.0))
    bench.turn(6.0, n=3)
    assert not advices(bench.said[before:])


def test_the_edge_limit_is_told_with_the_advice_when_it_is_near() -> None:
    bench = Bench()
    bench.turn(6.0, n=3)
    assert bench.runin.advice is not None
    assert "limit" not in bench.runin.advice.why
    bench.runin.expect_edge((6.4, 4.3))
    bench.turn(6.0, n=1)
    assert "limit in about 6 revolutions (4.3 minutes)" in bench.runin.advice.why
    said = len(advices(bench.said))
    bench.turn(6.0, n=2)
    assert len(advices(bench.said)) == said


def test_a_limit_that_comes_nearer_is_told_anew_and_taken_back_when_it_is_far() -> None:
    bench = Bench(make_station(hold=60.0))
    bench.turn(0.0, n=4)
    told = []
    for revs in (9.0, 8.0, 5.5, 4.5, 4.0, 2.0, None, None, None, None, 9.0):
        bench.runin.expect_edge(None if revs is None else (revs, revs * REV_S / 60.0))
        told.append([a.why for a in advices(bench.turn(0.0))])
    assert [len(said) for said in told] == [1, 0, 0, 1, 0, 1, 0, 0, 1, 0, 1], told
    assert "in about 4 revolutions" in told[3][0]
    assert "keep the stop control" in told[3][0]
    assert "stop the conveyor if it does not turn back" in told[5][0]
    assert "limit" not in told[8][0], "a warning that is over does not stand"


def test_a_move_that_is_advised_again_has_present_figures_and_one_warning() -> None:
    bench = Bench()
    first = next(a for a in advices(bench.turn(6.0, n=4)) if a.action == "move")
    bench.runin.expect_edge((9.0, 6.0))
    warned = advices(bench.turn(6.0))
    assert len(warned) == 1
    assert warned[0].why.count("reaches its limit") == 1
    bench.runin.expect_edge((8.0, 5.3))
    again = [a for k in range(17) for a in advices(bench.turn(6.0 + 0.03 * k))]
    assert [a.why.count("reaches its limit") for a in again] == [1] * len(again)
    assert again
    riding = first.why.split(" right of centre")[0]
    assert riding.startswith("The belt rides 6.")
    assert not again[-1].why.startswith(riding)
    assert "Still due" in again[-1].why
    assert again[-1].why.endswith("keep the stop control in reach.")
    assert (again[-1].side, again[-1].amount_mm) == (first.side, first.amount_mm)


def section_alarm(bench: Bench, start_mm: float, end_mm: float) -> None:
    event = Event(
        bench.rev * REV_S, bench.rev, "alarm-raised", "section-wobble", sensor="infeed-left",
        value_mm=8.0, start_mm=start_mm, end_mm=end_mm,
    )  # fmt: skip
    bench.runin.on_alarm(event)


def test_a_bad_section_does_not_hide_that_the_whole_belt_is_off_centre() -> None:
    bench = Bench(make_station(hold=60.0))
    bench.turn(0.0, n=4)
    section_alarm(bench, 3100.0, 3500.0)
    first = advices(bench.turn(0.0, n=3))
    assert [a.why for a in first] == [
        "One section of the belt swings out by 8.0 mm, 3.10 m to 3.50 m after the belt mark: no move at a take-up "
        "mends that. Look at that place."
    ]
    off = advices([m for y in (1.0, 3.0, 5.0, 7.0, 7.0, 7.0, 2.9, 3.1, 2.9) for m in bench.turn(y)])
    assert len(off) == 1, "said once; it does not flicker"
    assert off[0].why.endswith(
        "The whole belt is not centred, either, at the infeed pulley: that comes when the section is mended."
    )


def test_where_a_bad_section_lies_is_said_in_the_units_of_the_bay_and_only_where_a_mark_is() -> None:
    marked = make_station()
    unmarked = marked.model_copy(update={"conveyor": marked.conveyor.model_copy(update={"marks": False})})
    for station, place, look in (
        (
            make_station('units = "inch"\n'),
            ", 38 ft 1 in, across the mark, to 1 ft 8 in after",
            "that place.",
        ),
        (unmarked, "swings out by 8.0 mm: no move", "Watch for it as the belt goes round"),
    ):
        bench = Bench(station)
        bench.turn(0.0, n=4)
        section_alarm(bench, 11_600.0, 500.0)
        why = advices(bench.turn(0.0))[0].why
        assert place in why
        assert look in why


def test_an_excursion_starts_the_hold_again_and_says_so() -> None:
    bench = Bench()
    bench.turn(0.0, n=6)
    assert named(bench.turn(3.6, n=1), "note", "hold-broken")
    bench.turn(0.0, n=6)
    assert bench.runin.verdict != "tracked"


@pytest.mark.parametrize("name", ["edge-warn", "section-wobble", "sensor-stuck", "belt-stopped", "link-lost"])
def test_an_alarm_breaks_the_hold(name: str) -> None:
    bench = Bench()
    bench.turn(0.0, n=6)
    bench.alarm(name, sensor="infeed-left")
    bench.alarm(name, "alarm-cleared", sensor="infeed-left")
    bench.turn(0.0, n=6)
    assert bench.runin.verdict == "undecided"
    bench.turn(0.0, n=6)
    assert bench.runin.verdict == "tracked"


def test_off_centre_is_not_tracked_with_the_reason() -> None:
    bench = Bench()
    bench.turn(4.5, n=20)
    assert bench.runin.verdict == "not-tracked"
    assert "4.5 mm right of centre" in bench.runin.reasons[0]
    assert bench.runin.tracked_at_s is None


def test_a_place_just_outside_the_centre_is_not_called_more_than_itself() -> None:
    bench = Bench()
    bench.turn(3.03, n=8, noise=0.0)
    row = {"infeed": (3.03, 0.005)}
    bench.runin._explain_verdict(row)
    assert "The infeed position is a little more than 3.0 mm right of centre." in bench.runin.reasons


def test_a_slow_walk_inside_the_centre_is_not_called_tracked() -> None:
    """0.3 mm per revolution is beyond the margin of 0.25, yet stays within centre_mm for the whole hold."""
    bench = Bench()
    for k in range(10):
        bench.turn(-1.5 + 0.3 * k, noise=0.03)
    assert bench.runin.verdict != "tracked"


def test_tracked_is_lost_again() -> None:
    bench = Bench()
    bench.turn(0.0, n=10)
    first = bench.runin.tracked_at_s
    bench.turn(6.0, n=2)
    assert bench.runin.verdict == "not-tracked"
    assert bench.runin.tracked_at_s == first
    assert bench.runin.stage == "steer"


def test_an_unbelievable_sensor_gives_no_verdict_and_no_move() -> None:
    bench = Bench()
    bench.turn(6.0, n=2)
    bench.alarm("sensor-stuck", sensor="infeed-left")
    bench.turn(6.0, n=12)
    assert bench.runin.verdict == "undecided"
    assert bench.runin.advice is not None
    assert bench.runin.advice.action == "check"
    assert not [a for a in advices(bench.said) if a.action == "move"]


def test_an_edge_at_its_stop_is_called_at_once() -> None:
    bench = Bench()
    bench.turn(1.0, n=3)
    advice = advices(bench.alarm("edge-stop", sensor="infeed-left"))[0]
    assert advice.action == "check"
    assert "STOP" in advice.why
    assert "own stop control" in advice.caution


def test_an_edge_that_snakes_too_far_is_no_matter_of_moves() -> None:
    bench = Bench()
    bench.turn(0.5, n=4, half=28.0)
    assert bench.runin.advice is not None
    assert bench.runin.advice.action == "check"
    assert "splice" in bench.runin.advice.checks[0]


def test_drive_off_centre_is_trimmed_at_the_snub() -> None:
    bench = Bench()
    bench.turn(0.0, 4.5, n=10)
    advice = bench.runin.advice
    assert advice is not None
    assert (advice.action, advice.where, advice.side) == ("move", "snub", "right")
    assert bench.runin.stage == "trim"


def test_stages_to_the_signature() -> None:
    bench = Bench()
    bench.turn(0.0, n=10)
    out = bench.runin.on_entry(StageSaid(400.0, "lock", "done", by="K"), 10.0)
    assert bench.runin.stage == "sign"
    assert advices(out)[0].action == "none"
    out = bench.runin.on_entry(StageSaid(420.0, "sign", "done", by="K"), 10.5)
    assert named(out, "stage", "sign")[0].by == "K"


def test_signing_what_is_not_tracked_is_recorded_as_such() -> None:
    bench = Bench()
    bench.turn(5.0, n=4)
    out = bench.runin.on_entry(StageSaid(200.0, "sign", "done"), 4.5)
    assert named(out, "note", "not-tracked")


def test_entering_watch_again_takes_the_verdict_back() -> None:
    bench = Bench()
    bench.turn(0.0, n=10)
    bench.runin.on_entry(StageSaid(400.0, "watch", "enter"), 10.0)
    assert (bench.runin.stage, bench.runin.verdict) == ("watch", "undecided")


def test_watch_entered_again_watches_again() -> None:
    bench = Bench()
    bench.turn(6.0, n=6)
    bench.runin.on_entry(StageSaid(250.0, "watch", "enter"), 6.2)
    out = bench.turn(6.0, n=2)
    assert [a.action for a in advices(out)] == ["wait"]
    assert bench.runin.stage == "watch"
    assert [a.action for a in advices(bench.turn(6.0, n=2))] == ["move"]


def test_nothing_is_skipped_in_silence() -> None:
    bench = Bench()
    bench.turn(0.0, n=10)
    out = bench.runin.on_entry(StageSaid(420.0, "sign", "done", by="K"), 10.5)
    assert "never said to be done: set-up, lock" in str(named(out, "note", "not-made")[0].text)
    assert "Not needed: steer, trim" in str(named(bench.said, "stage", "prove")[0].text)
    bench.turn(5.0, n=4)
    out = bench.runin.on_entry(StageSaid(700.0, "lock", "enter"), 14.5)
    assert named(out, "note", "not-tracked")
    bench.turn(5.0, n=1)
    assert bench.runin.stage != "lock"


def test_set_up_measurements_are_judged_and_never_block() -> None:
    bench = Bench()
    measured: dict[str, float | str] = {
        "level_across_mm_per_m": 2.5,
        "square_left_mm": 1200.0,
        "square_right_mm": 1201.0,
    }
    out = bench.runin.on_entry(StageSaid(0.0, "set-up", "done", measured), 0.0)
    assert named(out, "note", "level-across")[0].details == {"good": False, "mm_per_m": 2.5}
    assert named(out, "note", "tension")[0].details == {"good": None}
    bench.turn(0.0, n=10)
    assert bench.runin.verdict == "tracked"


def test_notes_are_kept_and_camber_is_told_once() -> None:
    bench = Bench()
    assert named(bench.runin.on_entry(NoteSaid(1.0, "hello", "K"), 0.1), "note", "note")[0].text == "hello"
    assert len(bench.runin.on_camber(0.4, 0.9)) == 1
    assert bench.runin.on_camber(0.5, 0.9) == []
    assert Bench().runin.on_camber(float("nan")) == []


def test_saved_and_restored_in_mid_run() -> None:
    one, two = Bench(seed=4), Bench(seed=4)
    one.turn(6.0, n=4)
    one.move(4.4, "right")
    two.runin.restore(one.runin.snapshot())
    two.rev, two.rng = one.rev, np.random.default_rng(9)
    one.rng = np.random.default_rng(9)
    assert one.turn(2.0, n=20) == two.turn(2.0, n=20)
    assert one.runin.reasons == two.runin.reasons


def test_inches_are_read_as_fractions() -> None:
    bench = Bench(make_station('units = "inch"\n'))
    bench.turn(6.0, n=4)
    assert bench.runin.advice is not None
    assert " in" in bench.runin.advice.why
    assert "mm" not in bench.runin.advice.why


def test_repeated_moves_are_shared_between_both_screws() -> None:
    """Sending the belt the same way again and again must not only tighten."""
    bench = Bench()
    takeups = bench.runin.takeups
    for _ in range(8):
        side, amount = takeups.choose_side("infeed", 1.6)
        takeups.log("infeed", side, amount)
    assert takeups.difference_mm("infeed") == pytest.approx(8 * 1.6)
    assert abs(sum(takeups.moved_mm["infeed"].values())) / 2 <= 1.6


def follow(rest_mm: float, gain: float, reach_mm: float = 1e9, revs: int = 120) -> tuple[Bench, list[float]]:
    """A belt at rest at rest_mm that answers by gain mm per mm, no further than reach_mm; the advice is followed."""
    bench, moves, waiting = Bench(), [], None
    for _ in range(revs):
        if waiting is not None and waiting.side is not None and waiting.amount_mm is not None:
            bench.move(bench.rev + 0.4, waiting.side, waiting.amount_mm)
            moves.append(waiting.amount_mm if waiting.side == "left" else -waiting.amount_mm)
        y = rest_mm + float(np.clip(gain * sum(moves), -reach_mm, reach_mm))
        said = advices(bench.turn(y, 0.3 * y))
        waiting = said[-1] if said and said[-1].action == "move" and said[-1].where == "infeed" else None
        if bench.runin.verdict == "tracked" or (said and said[-1].action == "check"):
            break
    return bench, moves


@pytest.mark.parametrize(("rest_mm", "gain"), [(-7.0, 0.3), (8.0, 0.4), (6.0, -0.25)])
def test_a_weak_answer_is_followed_up_with_larger_moves(rest_mm: float, gain: float) -> None:
    bench, moves = follow(rest_mm, gain)
    assert bench.runin.verdict == "tracked"
    assert len(moves) <= (5 if gain > 0.0 else 6)
    assert max(abs(m) for m in moves) > 5.0


@pytest.mark.parametrize(
    ("rest_mm", "gain", "reach_mm"), [(-12.0, 0.2, 1e9), (10.0, 0.25, 1e9), (12.0, 1.0, 3.0)]
)
def test_a_belt_that_the_take_up_cannot_bring_in_is_named(
    rest_mm: float, gain: float, reach_mm: float
) -> None:
    """The take-up's range is too small for such an answer, or the belt gives way a little and comes no further."""
    bench, moves = follow(rest_mm, gain, reach_mm)
    assert bench.runin.verdict != "tracked"
    assert bench.runin.advice is not None
    assert bench.runin.advice.action == "check"
    assert len(moves) <= 4
