"""The run as a whole: the same bytes however it is cut, truth that agrees with what the sensors read."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import numpy as np
import pytest

from monitor.records import EdgeBlock
from monitor.settings import parse_station
from monitor.simulation import FAMILIES, Bump, Params, ScheduledMove, SensorFit, Simulation, make
from monitor.simulation.belt import bump_shape, edge_profiles

BELT = Params(seed=9, noise_sd_mm=0.0, speed_wander=0.001)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_any_cutting_gives_the_same_bytes(family: str) -> None:
    params = make(family, 2)
    whole = Simulation(params).advance(300.0)
    rng = np.random.default_rng(1)
    simulation, pieces, at = Simulation(params), [], 0.0
    while at < 300.0:
        step = min(float(rng.choice([0.003, 0.02, 0.7, 11.0, 60.0])), 300.0 - at)
        pieces.append(simulation.advance(step))
        simulation.position_mm()  # looking changes nothing
        at += step
    assert b"".join(pieces) == whole


def test_moves_at_the_same_time_give_the_same_bytes() -> None:
    scheduled = replace(BELT, moves=(ScheduledMove(40.0, "infeed", "left", 1.0),))
    by_hand = Simulation(BELT)
    data = by_hand.advance(13.0) + by_hand.advance(27.0)
    by_hand.move("infeed", "left", 1.0)
    data += by_hand.advance(60.0)
    assert data == Simulation(scheduled).advance(100.0)
    assert by_hand.moves_csv() == "time_s,where,side,amount_mm\n40.0,infeed,left,1.0\n"


def test_other_seeds_give_other_belts() -> None:
    first, second = Simulation(BELT), Simulation(replace(BELT, seed=10))
    assert first.advance(5.0) != second.advance(5.0)


@pytest.mark.parametrize("edge_list", [("left", "left"), ("left", "right", "left", "right")])
def test_readings_are_position_plus_wander_plus_profile(edge_list: tuple[str, ...]) -> None:
    """Taken apart by the conventions of monitor.records: stations from the marks, counts from the file."""
    pulleys = ["infeed"] * (len(edge_list) // 2) + ["drive"] * (len(edge_list) // 2)
    ends = zip(pulleys, edge_list, strict=True)
    fits = tuple(SensorFit(p, e, 32000, -500.0) for p, e in ends)  # type: ignore[arg-type]
    params = replace(BELT, sensors=fits, texture_sd_mm=0.0, speed_wander=0.0)
    simulation = Simulation(params)
    blocks = [r for r in simulation.records(200.0) if isinstance(r, EdgeBlock)]
    counts = np.concatenate([b.counts for b in blocks]).astype(float)[:: params.rate_hz]
    truth = simulation.truth
    time_s = np.array(truth["pos_t"])
    since_mark = (time_s - truth["marks_s"][0]) * 1000.0 * params.speed_mps
    for channel, fit in enumerate(fits):
        station = (
            since_mark + params.mark_offset_mm - (params.carry_length_mm if fit.pulley == "drive" else 0.0)
        )
        profile = np.array(truth["profile"][fit.name])
        place = np.mod(station, params.length_mm) / params.length_mm * profile.size
        seen = np.interp(place, np.arange(profile.size + 1), np.append(profile, profile[0]))
        edge_mm = (counts[:, channel] - fit.zero_counts) / fit.counts_per_mm
        expected = np.array(truth["pos_wander"][fit.name]) + seen
        smooth = np.abs(np.gradient(profile))[place.astype(int)] < 0.1  # away from the splice
        assert edge_mm[smooth] == pytest.approx(expected[smooth], abs=0.05)


def test_profiles_are_zero_mean_and_of_the_asked_size() -> None:
    for shape in ("harmonics", "sagitta", "mixed"):
        params = replace(BELT, camber_pp_mm=7.0, texture_sd_mm=0.0, splice_jog_mm=0.0, width_variation_mm=0.0)
        params = replace(params, camber_shape=shape)  # type: ignore[arg-type]
        profiles = edge_profiles(params, np.random.default_rng(3))
        for profile in profiles.values():
            assert profile.mean() == pytest.approx(0.0, abs=1e-12)
            assert np.ptp(profile) == pytest.approx(7.0)
        assert profiles["left"] == pytest.approx(profiles["right"])


def test_sagitta_profile_is_the_bow_of_plane_geometry() -> None:
    """e(s) = s(Lb - s)/(2 rho), peak Lb^2/(8 rho): rho 500 m over 10 m gives 25 mm (0.25 % in the trade)."""
    length, rho = 10_000.0, 500_000.0
    params = replace(BELT, length_mm=length, camber_shape="sagitta", camber_pp_mm=length**2 / (8 * rho))
    params = replace(params, texture_sd_mm=0.0, splice_jog_mm=0.0, width_variation_mm=0.0)
    profile = edge_profiles(params, np.random.default_rng(3))["left"]
    assert np.ptp(profile) == pytest.approx(25.0, abs=0.01)
    curve = np.diff(profile, 2) / (length / profile.size) ** 2
    inner = np.abs(curve) < 10 / rho
    assert inner.sum() >= curve.size - 3
    assert np.abs(curve[inner]) == pytest.approx(1 / rho, rel=2e-3)


def test_width_variation_parts_the_edges() -> None:
    params = replace(BELT, width_variation_mm=1.5, texture_sd_mm=0.0)
    profiles = edge_profiles(params, np.random.default_rng(3))
    assert np.ptp(profiles["right"] - profiles["left"]) == pytest.approx(1.5)


def test_texture_has_the_spread_asked_for() -> None:
    bare = replace(BELT, camber_pp_mm=0.0, splice_jog_mm=0.0, width_variation_mm=0.0, texture_sd_mm=0.2)
    assert edge_profiles(bare, np.random.default_rng(3))["left"].std() == pytest.approx(0.2)


def test_bump_is_a_raised_cosine_that_wraps() -> None:
    bump = Bump(0.0, 100.0, 800.0, 5.0, 1.0)
    stations = np.array([100.0, 300.0, 501.0, 9900.0, 10_100.0])
    assert bump_shape(bump, stations, 10_000.0) == pytest.approx([1.0, 0.5, 0.0, 0.5, 1.0])


@pytest.mark.parametrize("edge", [None, "left", "right"])
def test_a_section_departs_by_its_size_on_the_edges_it_concerns(edge: str | None) -> None:
    fits = (SensorFit("infeed", "left"), SensorFit("infeed", "right"))
    bump = Bump(100.0, 4000.0, 1500.0, 8.0, 1.0, edge)  # type: ignore[arg-type]
    plain = replace(BELT, sensors=fits, wander_sd_mm=0.0, speed_wander=0.0)
    difference = []
    for params in (plain, replace(plain, bumps=(bump,))):
        blocks = [r for r in Simulation(params).records(200.0) if isinstance(r, EdgeBlock)]
        difference.append(np.concatenate([b.counts for b in blocks]).astype(float) / 600.0)
    extra = difference[1] - difference[0]
    assert np.abs(extra[:10_000]).max() == 0.0
    for channel, fit in enumerate(fits):
        wanted = 8.0 if edge in (None, fit.edge) else 0.0
        assert extra[15_000:, channel].max() == pytest.approx(wanted, abs=0.01)


def test_runout_swings_once_per_pulley_turn() -> None:
    plain = replace(BELT, wander_sd_mm=0.0, speed_wander=0.0)
    both = []
    for params in (plain, replace(plain, runout_mm=1.2)):
        blocks = [r for r in Simulation(params).records(100.0) if isinstance(r, EdgeBlock)]
        both.append(np.concatenate([b.counts for b in blocks]).astype(float))
    extra = (both[1] - both[0]) / np.array([600.0, -550.0])
    assert np.abs(extra[:, 0]).max() == pytest.approx(1.2, abs=0.01)
    assert np.abs(extra[:, 1]).max() == 0.0
    power = np.abs(np.fft.rfft(extra[:, 0]))
    turn_hz = 450.0 / (np.pi * plain.pulley_diameter_mm)
    assert np.fft.rfftfreq(extra.shape[0], 0.01)[power.argmax()] == pytest.approx(turn_hz, abs=0.01)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_station_file_is_read_by_the_program_and_truth_is_json(family: str) -> None:
    for seed in range(3):
        params = make(family, seed)
        simulation = Simulation(params)
        simulation.records(20.0)
        station = parse_station(simulation.station())
        assert station.belt.length_mm == pytest.approx(params.length_mm, rel=0.031)
        assert station.belt.speed_mps == pytest.approx(params.speed_mps, rel=0.035)
        assert [s.name for s in station.sensor] == simulation.truth["sensors"]
        truth = json.loads(json.dumps(simulation.truth))
        assert truth["expect"]["family"] == family
        assert len(truth["pos_t"]) == 20
        for name in truth["sensors"]:
            assert len(truth["profile"][name]) == 200


def test_families_are_repeatable_and_differ_by_seed() -> None:
    assert make("drift", 3) == make("drift", 3)
    assert make("drift", 3) != make("drift", 4)
    lengths = [make("quiet", seed).length_mm for seed in range(60)]
    assert min(lengths) < 7000.0
    assert max(lengths) > 20_000.0


def test_memory_stays_bounded_over_a_long_run() -> None:
    simulation = Simulation(replace(BELT, rate_hz=10))
    for _ in range(20):
        simulation.records(2000.0)
    assert simulation._conveyor._tracks[0]._values.size < 100_000


def test_a_run_of_a_hundred_thousand_records_is_quick(record_property: pytest.FixtureRequest) -> None:
    """No limit here: the figure is written down with the result."""
    start = time.perf_counter()
    size = len(Simulation(Params(rate_hz=100, length_mm=20_000.0, carry_length_mm=9000.0)).advance(1000.0))
    record_property("records_per_s", round(size / 35 / (time.perf_counter() - start)))  # type: ignore[operator]
    assert size > 3_400_000
