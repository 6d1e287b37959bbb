"""The conveyor's answers against closed forms, its wander against the statistics that were asked for."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.records import MoveWhere, Side
from monitor.simulation import Drift, Params, Simulation, SpeedChange, Stop
from monitor.simulation.conveyor import Screw, Wander
from monitor.simulation.mechanics import curvature_factor, skew_rad

CALM = Params(
    wander_sd_mm=0.0, noise_sd_mm=0.0, camber_pp_mm=0.0, texture_sd_mm=0.0, splice_jog_mm=0.0,
    width_variation_mm=0.0, speed_wander=0.0, speed_mps=0.5, length_mm=10_000.0, carry_length_mm=4500.0,
    rate_hz=50, standing_infeed_mm=0.0, standing_drive_mm=0.0,
)  # fmt: skip
REV_S = 20.0


def answer(
    params: Params, where: MoveWhere, side: Side, amount_mm: float, revs: float
) -> tuple[float, float]:
    """How far the belt has gone at both pulleys, that many revolutions after a move."""
    simulation = Simulation(params)
    simulation.records(2 * REV_S)
    before = simulation.position_mm()
    simulation.move(where, side, amount_mm)
    simulation.records(revs * REV_S)
    after = simulation.position_mm()
    return after["infeed"] - before["infeed"], after["drive"] - before["drive"]


@pytest.mark.parametrize("revs", [0.2, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("restoring_revs", [0.3, 0.8, 3.0])
def test_crowned_infeed_answers_by_the_first_order_law(revs: float, restoring_revs: float) -> None:
    params = replace(CALM, infeed_restoring_revs=restoring_revs, carry_back=0.0)
    infeed, _ = answer(params, "infeed", "left", 1.0, revs)
    closed_form = 2.2 * (1.0 - math.exp(-revs / restoring_revs))
    assert infeed == pytest.approx(closed_form, abs=0.02 * closed_form + 0.01)


def test_a_usual_crowned_answer_is_over_within_three_revolutions() -> None:
    at_three, later = answer(CALM, "infeed", "left", 1.0, 3.0), answer(CALM, "infeed", "left", 1.0, 12.0)
    assert at_three == pytest.approx(later, rel=0.02)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("crowned", [True, False])
@pytest.mark.parametrize(
    ("side", "amount_mm", "sign"), [("left", 1.0, 1), ("right", 1.0, -1), ("left", -1.0, -1)]
)
def test_belt_runs_away_from_the_tightened_side(
    side: Side, amount_mm: float, sign: int, crowned: bool, direction: int
) -> None:
    for where in ("infeed", "snub"):
        moved = answer(replace(CALM, direction=direction, crowned=crowned), where, side, amount_mm, 5.0)
        assert sign * direction * moved[0 if where == "infeed" else 1] > 0.1


def test_infeed_move_changes_both_pulleys_and_a_snub_move_hardly_the_infeed() -> None:
    infeed, drive = answer(CALM, "infeed", "left", 1.0, 8.0)
    assert drive == pytest.approx(CALM.carry_over * infeed, rel=1e-3)
    infeed, drive = answer(CALM, "snub", "left", 1.0, 8.0)
    assert drive == pytest.approx(1.5, rel=0.02)
    assert abs(infeed) < 0.03 * drive


def test_gain_scales_the_answer() -> None:
    single = answer(CALM, "infeed", "left", 1.0, 4.0)
    double = answer(replace(CALM, gain=2.0), "infeed", "left", 1.0, 4.0)
    assert double == pytest.approx((2 * single[0], 2 * single[1]))


def test_plain_pulleys_walk_as_the_beam_says() -> None:
    params = replace(CALM, crowned=False, stiffness_kl=1.5)
    theta = skew_rad(1.0, params.bearing_spacing_mm)
    steady = (2 * curvature_factor(1.5) - 1) * params.carry_length_mm * theta
    ten, eleven = (answer(params, "infeed", "left", 1.0, revs) for revs in (10.0, 11.0))
    assert eleven[0] - ten[0] == pytest.approx(steady, rel=2e-3)
    assert eleven[1] - ten[1] == pytest.approx(steady, rel=2e-3)


def test_plain_pulleys_start_in_the_steady_walk_of_their_standing_skew() -> None:
    params = replace(CALM, crowned=False, standing_infeed_mm=-0.5, start_infeed_mm=-3.0)
    simulation = Simulation(params)
    places = []
    for _ in range(4):
        places.append(simulation.position_mm()["infeed"])
        simulation.records(REV_S)
    assert places[0] == pytest.approx(-3.0, abs=0.02)
    walks = np.diff(places)
    assert walks == pytest.approx(np.full(3, walks[0]), rel=1e-3)
    assert walks[0] > 0.1


def test_backlash_swallows_the_first_part_of_a_reversal() -> None:
    screw = Screw(0.4)
    screw.turn(1.0)
    assert screw.bearing_mm == pytest.approx(1.0)
    screw.turn(-0.3)
    assert screw.bearing_mm == pytest.approx(1.0)
    screw.turn(-0.3)
    assert screw.bearing_mm == pytest.approx(0.8)


@pytest.mark.parametrize(("sd", "length", "seed"), [(0.05, 3000.0, 1), (0.25, 12_000.0, 2), (0.1, 6000.0, 3)])
def test_wander_has_the_spread_and_the_memory_asked_for(sd: float, length: float, seed: int) -> None:
    """Limits are 4 standard errors of variance and autocorrelation of an Ornstein-Uhlenbeck process."""
    step = length / 100
    wander = Wander(sd, length, step, np.random.default_rng(seed))
    travel = 4000 * length
    wander.reach(travel)
    values = wander.series.at(np.arange(0.0, travel, step))
    independent = travel / length  # effective number of samples of the variance of such a process
    assert np.mean(values**2) == pytest.approx(sd**2, rel=4 * math.sqrt(2 / independent))
    assert abs(np.mean(values)) < 4 * sd * math.sqrt(2 / independent)
    for share in (0.5, 1.0, 2.0):
        lag = round(share * length / step)
        kept = np.mean(values[lag:] * values[:-lag]) / np.mean(values**2)
        assert kept == pytest.approx(math.exp(-lag * step / length), abs=4 * math.sqrt(2 / independent))


def test_the_two_pulleys_wander_independently() -> None:
    simulation = Simulation(replace(CALM, wander_sd_mm=0.1, wander_length_mm=3000.0))
    simulation.records(400 * REV_S)
    truth = simulation.truth
    infeed, drive = (np.array(truth["pos_wander"][name]) for name in truth["sensors"])
    assert abs(np.corrcoef(infeed, drive)[0, 1]) < 4 / math.sqrt(400 * 10 / 6)


def test_an_imposed_drift_walks_one_pulley_and_ends() -> None:
    drift = Drift(5 * REV_S, "drive", -1.5, 4.0)
    simulation = Simulation(replace(CALM, drifts=(drift,)))
    simulation.records(14 * REV_S)
    truth = simulation.truth
    rev, drive = np.array(truth["rev"]), np.array(truth["pos"]["drive-left"])
    assert drive == pytest.approx(-1.5 * np.clip(rev - 5.0, 0.0, 4.0), abs=0.01)
    assert truth["pos"]["infeed-left"] == pytest.approx(np.zeros(rev.size), abs=1e-9)


def test_speed_programme() -> None:
    stops, changes = (
        (Stop(30.0, 20.0),),
        (SpeedChange(80.0, 1.5, 2.0), SpeedChange(100.0, -0.5), SpeedChange(110.0, 1.0)),
    )
    simulation = Simulation(replace(CALM, stops=stops, speed_changes=changes, start_ramp_s=10.0))
    simulation.records(130.0)
    speed = np.array(simulation.truth["speed"])
    seen = speed[[5, 20, 40, 60, 90, 105, 120]]
    assert seen == pytest.approx([0.25, 0.5, 0.0, 0.5, 0.75, -0.25, 0.5])
    simulation.stop_belt()
    simulation.records(5.0)
    rested = simulation.revolutions
    simulation.records(5.0)
    assert simulation.revolutions == rested
    simulation.start_belt()
    simulation.records(5.0)
    assert simulation.revolutions - rested == pytest.approx(4.5 / REV_S)


def test_speed_wander_is_as_asked() -> None:
    simulation = Simulation(replace(CALM, speed_wander=0.002, speed_wander_s=20.0, rate_hz=10))
    simulation.records(60_000.0)
    relative = np.array(simulation.truth["speed"]) / 0.5 - 1.0
    assert np.std(relative) == pytest.approx(0.002, rel=4 * math.sqrt(2 / 3000) / 2)
