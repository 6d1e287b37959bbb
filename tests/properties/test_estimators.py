"""One contract for all estimators, and one checker that finds them: for each class and for the pipeline.

Chunking does not matter; a mirrored belt only flips signs; save and restore in mid-run changes nothing;
garbage never raises; memory is bounded; NaN never becomes an alarm. An estimator that is found without a way
to drive it here fails the test: add one to DRIVERS.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import math
import os
import pickle
import pkgutil
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import monitor.detection
import monitor.revolutions
from monitor.detection import sensors
from monitor.detection.edges import EdgePair
from monitor.detection.motion import MotionWatch
from monitor.detection.onsets import OnsetSums
from monitor.detection.pair import MatchWatch, error_variance
from monitor.detection.roughness import Roughness
from monitor.detection.runout import RunoutWatch
from monitor.detection.sections import EdgeWatch, SectionWatch
from monitor.detection.sensors import SensorGate
from monitor.detection.walk import WalkEstimator
from monitor.pipeline import Pipeline
from monitor.records import EdgeBlock, Event, Message, MoveMade, Revolution
from monitor.revolutions.period import PeriodSearch
from monitor.revolutions.profile import Profile
from monitor.revolutions.speed import SpeedWander
from monitor.revolutions.tracker import Tracker
from monitor.settings import Station, parse_station
from monitor.simulation import Params, Simulation
from monitor.simulation.families import make
from monitor.simulation.params import Bump, Drift, Fault, ScheduledMove, SpeedChange, Stop

Draw = np.random.Generator
STATION: Station = parse_station(Simulation(Params()).station())
CELLS, STEPS = 256, 64
CAMBER = np.sin(2 * np.pi * np.arange(CELLS) / CELLS) + 0.3 * np.cos(10 * np.pi * np.arange(CELLS) / CELLS)


def plain(found: Any) -> Any:
    """An output in a form that compares, NaN with NaN too."""
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        return (type(found).__name__, *(plain(getattr(found, f.name)) for f in dataclasses.fields(found)))
    if isinstance(found, np.ndarray):
        return plain(found.tolist())
    if isinstance(found, (list, tuple)):
        return tuple(plain(x) for x in found)
    if isinstance(found, float):
        return "nan" if math.isnan(found) else found + 0.0
    return found


@dataclasses.dataclass(frozen=True)
class Driver:
    """How to make an estimator, an ordinary input, a mirrored one, rubbish, and how to feed it."""

    new: Callable[[], Any]
    usual: Callable[[Draw, int], Any]
    feed: Callable[[Any, Any], Any]
    rubbish: Callable[[Draw, int], Any]
    mirror: Callable[[Any], Any] | None = None
    signed: Callable[[Any], list[float]] = lambda estimator: []
    silent: Callable[[int], Any] | None = None  # nothing seen
    size_after: int = 1500  # inputs after which nothing grows any more


def block(k: int, counts: np.ndarray, flags: int = 0) -> EdgeBlock:
    n = counts.shape[0]
    time = (np.arange(k * n, (k + 1) * n) * 10_000).astype(np.int64)
    return EdgeBlock(time, np.full(n, flags, np.uint8), counts.astype(np.uint16), np.zeros(n, np.int64))


def any_counts(rng: Draw, k: int) -> EdgeBlock:
    width = int(rng.integers(1, 5))
    counts = rng.choice([0, 1, 32768, 65535, int(rng.integers(0, 65536))], size=(40, width))
    return block(k, counts, int(rng.integers(0, 8)))


def samples(rng: Draw, k: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    b = block(k, 32768 + rng.integers(-900, 900, size=(50, 2)))
    return b.time_us, b.counts.astype(np.int64), rng.random((50, 2)) > 0.05, b.lost


def odd(rng: Draw) -> float:
    return float(rng.choice([math.nan, 0.0, -0.0, 1e-300, 1e6, -1e6, rng.normal()]))


def signed_sums() -> OnsetSums:
    sums = OnsetSums(24)
    sums.sign([math.sin(a) for a in range(24)])
    return sums


def walk_input(rng: Draw, k: int) -> tuple[float, float, float, float]:
    walk = 1.5 * max(k / STEPS - 6.0, 0.0) if k < 10 * STEPS else 6.0
    section = 8.0 if 200 < k % 900 < 206 else 0.0
    return k / STEPS, (k + 1) / STEPS, walk + section + 0.05 * rng.standard_normal(), 0.0025


def section_input(rng: Draw, k: int) -> tuple[float, float, float, float]:
    out = 7.0 if 30 <= k % 128 < 38 and (k // 128) % 9 > 3 else 0.0
    return k / 128, (k + 1) / 128, out + 0.1 * float(rng.standard_normal()), 0.01


def pair_input(rng: Draw, k: int) -> tuple[Any, ...]:
    """A left edge that is damaged for a while, then a sensor that is knocked aside."""
    left, right = (0.1 * rng.standard_normal(2)).tolist()
    if 300 < k < 700 and k % 128 < 8:
        left += 6.0
    if k > 400:
        right -= 3.0
    return k / 128, (k + 1) / 128, left, right, (0.01, 0.01), 0.0, 0.001


def match_input(rng: Draw, k: int) -> tuple[int, np.ndarray]:
    gain = 0.6 if 40 < k < 90 and k % 2 else 1.0
    row: np.ndarray = gain * CAMBER + 0.05 * rng.standard_normal(CELLS)
    return k % 2, row


def feed_match(watch: MatchWatch, given: tuple[int, np.ndarray]) -> Any:
    variance = error_variance(CELLS // 2 + 1, 0.05, CELLS, 0.001, 2.0, 1.0)
    watch.take(given[0], given[1], CAMBER, variance, variance / 9.0)
    return plain(watch.judge_own())


def motion_input(rng: Draw, k: int) -> tuple[Any, ...]:
    reading = tuple(float(v) for v in rng.normal(0.0, 0.1, 2) + (3.0 if 300 < k < 340 else 0.0))
    return (k * 100_000, (k + 1) * 100_000, k / 128, (k + 1) / 128, reading, reading, (0.01, 0.01))


def feed_motion(watch: MotionWatch, given: tuple[Any, ...]) -> Any:
    return watch.step(*given, lambda: (0.01, 2.0), 1.0, 12_800_000.0, lambda s, a, b: 0.0)


def feed_roughness(roughness: Roughness, given: tuple[int, tuple[float, float]]) -> Any:
    k, rest = given
    roughness.take(rest, (0.01, 0.02))
    if k % 128 == 127:
        roughness.learn(40)
    return plain(roughness.factor)


def feed_tracker(tracker: Tracker, given: Any) -> Any:
    time, counts, good, lost, mark_us = given
    found: list[Any] = list(tracker.take(time, counts, good, lost))
    if found:
        found.append(tracker.overdue(found[-1].end_us))
    if mark_us is not None:
        found.append(tracker.mark(mark_us))
    return [plain(f) for f in found]


def tracker_input(rng: Draw, k: int) -> Any:
    time, counts, good, lost = samples(rng, k)
    return time, counts, good, lost, (int(time[-1]) if k % 49 == 0 else None)


def runout_row(rng: Draw, k: int) -> np.ndarray:
    u = k + (np.arange(CELLS) + 0.5) / CELLS
    row: np.ndarray = 1.2 * np.sin(2 * np.pi * 20.1 * u) + 0.1 * rng.standard_normal(CELLS)
    return row


NONE = math.nan
DRIVERS: dict[type, Driver] = {
    SensorGate: Driver(
        lambda: SensorGate(STATION),
        lambda rng, k: block(k, 32768 + rng.integers(-60, 60, size=(37, 2))),
        lambda gate, b: plain(gate.take(b)),
        any_counts,
    ),
    Tracker: Driver(
        lambda: Tracker(STATION),
        tracker_input,
        feed_tracker,
        lambda rng, k: (*samples(rng, k), int(rng.integers(0, 2**40)) if rng.random() < 0.3 else None),
    ),
    WalkEstimator: Driver(
        lambda: WalkEstimator(0.5, 10_000.0, STEPS),
        walk_input,
        lambda walk, g: plain(walk.step(*g)),
        lambda rng, k: (k / STEPS, (k + 1) / STEPS, odd(rng), abs(float(rng.normal())) + 1e-9),
        lambda g: (g[0], g[1], -g[2], g[3]),
        lambda walk: [walk.walk.slope_mm_per_rev, walk.walk.level_mm],
        lambda k: (k / STEPS, (k + 1) / STEPS, NONE, NONE),
    ),
    OnsetSums: Driver(
        signed_sums,
        lambda rng, k: float(rng.standard_normal()),
        lambda sums, z: (sums.add(z), plain(sums.since(0)))[1],
        lambda rng, k: odd(rng),
        lambda z: -z,
        lambda sums: sums.since(3)[0].tolist(),
    ),
    Roughness: Driver(
        lambda: Roughness(2),
        lambda rng, k: (k, (0.2 * float(rng.standard_normal()), 0.1 * float(rng.standard_normal()))),
        feed_roughness,
        lambda rng, k: (k, (odd(rng), odd(rng))),
        silent=lambda k: (k, (NONE, NONE)),
    ),
    SectionWatch: Driver(
        lambda: SectionWatch(4.0, 10_000.0),
        section_input,
        lambda watch, g: plain(watch.step(*g)),
        lambda rng, k: (k / 128, (k + 1) / 128, odd(rng), abs(odd(rng))),
        lambda g: (g[0], g[1], -g[2], g[3]),
        lambda watch: [size for _, _, size in watch.active],
        lambda k: (k / 128, (k + 1) / 128, NONE, NONE),
    ),
    EdgePair: Driver(
        lambda: EdgePair(2.0, 10_000.0),
        pair_input,
        lambda pair, g: plain(pair.step(*g)),
        lambda rng, k: (
            k / 128,
            (k + 1) / 128,
            odd(rng),
            odd(rng),
            (1e-9, NONE if rng.random() < 0.1 else 1.0),
            odd(rng),
            abs(odd(rng)),
        ),
        silent=lambda k: (k / 128, (k + 1) / 128, NONE, NONE, (NONE, NONE), 0.0, 0.001),
        size_after=700,
    ),
    MatchWatch: Driver(
        lambda: MatchWatch(2),
        match_input,
        feed_match,
        lambda rng, k: (k % 2, np.array([odd(rng) for _ in range(CELLS)])),
        silent=lambda k: (k % 2, np.full(CELLS, NONE)),
        size_after=60,
    ),
    MotionWatch: Driver(
        lambda: MotionWatch(2),
        motion_input,
        feed_motion,
        lambda rng, k: (*motion_input(rng, k)[:4], (odd(rng), NONE), (odd(rng), NONE), (1e-9, NONE)),
        lambda g: (*g[:4], tuple(-v for v in g[4]), tuple(-v for v in g[5]), g[6]),
        silent=lambda k: (*motion_input(np.random.default_rng(0), k)[:4], *[(NONE, NONE)] * 3),
    ),
    EdgeWatch: Driver(
        lambda: EdgeWatch(25.0, 40.0, 32768, 600.0),
        lambda rng, k: samples(rng, k)[:3],
        lambda watch, g: plain(watch.take(g[0], g[1][:, 0], g[2][:, 0], 2e6)),
        lambda rng, k: (samples(rng, k)[0], rng.integers(0, 65536, (50, 2)), rng.random((50, 2)) > 0.9),
        silent=lambda k: (
            block(k, np.zeros((50, 2))).time_us,
            np.full((50, 2), 65535),
            np.zeros((50, 2), bool),
        ),
    ),
    Profile: Driver(
        lambda: Profile(CELLS),
        lambda rng, k: np.sin(np.arange(CELLS) / 9.0) + 0.1 * rng.standard_normal(CELLS),
        lambda profile, row: (profile.add(row), plain(profile.mm))[1],
        lambda rng, k: np.array([odd(rng) for _ in range(CELLS)]),
        lambda row: -row,
        lambda profile: profile.mm.tolist(),
        lambda k: np.full(CELLS, NONE),
        200,
    ),
    RunoutWatch: Driver(
        lambda: RunoutWatch(20.0),
        lambda rng, k: (k, runout_row(rng, k)),
        lambda watch, g: plain(watch.add(*g)),
        lambda rng, k: (k, np.array([odd(rng) for _ in range(CELLS)])),
        lambda g: (g[0], -g[1]),
        silent=lambda k: (k, np.full(CELLS, NONE)),
        size_after=60,
    ),
    SpeedWander: Driver(
        lambda: SpeedWander(CELLS),
        lambda rng, k: 0.001 * float(rng.standard_normal()),
        lambda speed, change: (speed.add(change), plain(speed.mean_mm2(CAMBER)))[1],
        lambda rng, k: odd(rng),
        silent=lambda k: NONE,
    ),
    PeriodSearch: Driver(
        lambda: PeriodSearch(4_000_000.0, 2),
        lambda rng, k: samples(rng, k)[:3],
        lambda search, g: search.add(*g) if search.room(g[0]) else None,
        lambda rng, k: (samples(rng, k)[0], rng.integers(0, 65536, (50, 2)), rng.random((50, 2)) > 0.9),
    ),
}
each = pytest.mark.parametrize("kind", DRIVERS, ids=lambda kind: kind.__name__)


def found_estimators() -> set[type]:
    """Every public class of the two blocks that takes input piece by piece."""
    found = set()
    for package in (monitor.detection, monitor.revolutions):
        for module in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
            for name, cls in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
                fed = any(hasattr(cls, method) for method in ("take", "step", "add"))
                if cls.__module__ == module.name and fed and not name.startswith("_"):
                    found.add(cls)
    return found


def test_every_estimator_is_driven() -> None:
    missing = {c.__name__ for c in found_estimators()} - {c.__name__ for c in DRIVERS}
    assert not missing, f"add a way to drive {missing} to DRIVERS"


@each
def test_save_and_restore_change_nothing(kind: type) -> None:
    driver, rng = DRIVERS[kind], np.random.default_rng(1)
    first, inputs = driver.new(), [driver.usual(rng, k) for k in range(600)]
    for given in inputs[:300]:
        driver.feed(first, given)
    second = pickle.loads(pickle.dumps(first))
    for given in inputs[300:]:
        assert driver.feed(first, given) == driver.feed(second, given)


@each
def test_garbage_never_raises(kind: type) -> None:
    driver, rng = DRIVERS[kind], np.random.default_rng(2)
    estimator = driver.new()
    with np.errstate(all="ignore"):
        for k in range(400):
            pick = driver.rubbish if rng.random() < 0.7 else driver.usual
            driver.feed(estimator, pick(rng, k))


@each
def test_memory_is_bounded(kind: type, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        sensors, "HISTORY", 100
    )  # the gate's long history is bounded too: shown with a short one
    driver, rng = DRIVERS[kind], np.random.default_rng(3)
    estimator, sizes = driver.new(), []
    for k in range(2 * driver.size_after):
        driver.feed(estimator, driver.usual(rng, k))
        if k + 1 in (driver.size_after, 2 * driver.size_after):
            sizes.append(len(pickle.dumps(estimator)))
    assert sizes[1] <= 1.35 * sizes[0] + 2000, f"{kind.__name__} grew from {sizes[0]} to {sizes[1]} bytes"


@each
def test_a_mirrored_belt_flips_signs(kind: type) -> None:
    driver, rng = DRIVERS[kind], np.random.default_rng(4)
    if driver.mirror is None:
        pytest.skip("its input has no sign of its own: the pipeline's test covers it")
    one, other = driver.new(), driver.new()
    for k in range(700 if kind is not RunoutWatch else 40):
        given = driver.usual(rng, k)
        a, b = driver.feed(one, given), driver.feed(other, driver.mirror(given))
        assert shape_of(a) == shape_of(b)
        assert [-v for v in driver.signed(one)] == pytest.approx(driver.signed(other), abs=1e-12, nan_ok=True)


def shape_of(found: Any) -> Any:
    """An output without the signs of its numbers."""
    if isinstance(found, tuple):
        return tuple(shape_of(x) for x in found)
    return round(abs(found), 9) if isinstance(found, float) else found


@each
def test_nothing_seen_is_nothing_found(kind: type) -> None:
    driver = DRIVERS[kind]
    if driver.silent is None:
        pytest.skip("has no way to see nothing")
    estimator, rng = driver.new(), np.random.default_rng(5)
    for k in range(150):
        driver.feed(estimator, driver.usual(rng, k))
    before = driver.feed(estimator, driver.silent(150))
    for k in range(151, 500):
        found = driver.feed(estimator, driver.silent(k))
        assert not raises_alarm(found), found
    if kind is Profile:
        assert found == pytest.approx(before, abs=1e-12)


def raises_alarm(found: Any) -> bool:
    if not isinstance(found, tuple):
        return False
    words = {w for f in found if isinstance(f, tuple) for w in f if isinstance(w, (str, bool))}
    return bool(words & {"walk-begins", "jump", "section-begins", True})


# ---------------------------------------------------------------- the pipeline as a whole


def small_belt(**changes: Any) -> Params:
    """Twelve quick revolutions in which a section goes bad and the belt then drifts and is moved."""
    turn_s = 5.0
    usual: dict[str, Any] = {
        "length_mm": 5000.0,
        "speed_mps": 1.0,
        "carry_length_mm": 2200.0,
        "rate_hz": 50,
        "seconds": 12 * turn_s,
        "bumps": (Bump(4 * turn_s, 3000.0, 700.0, 9.0, 0.3),),
        "drifts": (Drift(6.5 * turn_s, "infeed", 2.0, 3.0),),
        "moves": (ScheduledMove(10 * turn_s, "infeed", "left", 0.8),),
        "faults": (Fault("stuck", 1, 8.2 * turn_s, 1.0 * turn_s),),
    }
    return dataclasses.replace(Params(seed=7), **(usual | changes))


VARIANTS = {
    "usual": small_belt(),
    "no marks": small_belt(marks=False),
    "lossy": small_belt(record_loss=0.04, garble=0.02, spike_share=0.01, mark_missing=(5,), mark_double=(7,)),
    "ticks": small_belt(ticks_per_turn=12, tick_loss=0.01, speed_changes=(SpeedChange(31.0, 0.7, 2.0),)),
    "ticks only": small_belt(ticks_per_turn=12, marks=False, record_loss=0.02, stops=(Stop(32.0, 6.0),)),
    "stops": small_belt(stops=(Stop(20.0, 6.0),), restarts_s=(42.0,)),
}
each_variant = pytest.mark.parametrize("variant", VARIANTS)


def wire(params: Params) -> tuple[bytes, str]:
    simulation = Simulation(params)
    return simulation.advance(params.seconds), simulation.station()


def fresh(station: str, moves: tuple[ScheduledMove, ...] = ()) -> Pipeline:
    pipeline = Pipeline(parse_station(station))
    for m in moves:
        pipeline.enter(MoveMade(m.t_s, m.where, m.side, m.amount_mm), m.t_s)
    return pipeline


def cuts_of(data: bytes, rng: Draw | None, size: int = 1) -> list[bytes]:
    if rng is None:
        return [data[i : i + size] for i in range(0, len(data), size)]
    places = np.sort(rng.integers(0, len(data), 300))
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


def said(pipeline: Pipeline, chunks: list[bytes]) -> list[Any]:
    messages: list[Message] = []
    for chunk in chunks:
        messages += pipeline.feed(chunk)
    messages += pipeline.finish()
    return [plain(m) for m in messages]


@each_variant
def test_pipeline_chunking_does_not_matter(variant: str) -> None:
    params = VARIANTS[variant]
    data, station = wire(params)
    whole = fresh(station, params.moves)
    expected = said(whole, [data])
    rng = np.random.default_rng(6)
    for chunks in (cuts_of(data, rng), cuts_of(data, rng), cuts_of(data, None, 37)):
        pipeline = fresh(station, params.moves)
        assert said(pipeline, chunks) == expected
        assert plain(pipeline.profile_rows()) == plain(whole.profile_rows())
        assert pipeline.summary() == whole.summary()


def test_pipeline_one_byte_at_a_time() -> None:
    params = dataclasses.replace(VARIANTS["usual"], seconds=40.0)
    data, station = wire(params)
    assert said(fresh(station), cuts_of(data, None)) == said(fresh(station), [data])


@each_variant
@pytest.mark.parametrize(
    "copier",
    [
        pytest.param(lambda p: pickle.loads(pickle.dumps(p)), id="pickle"),
        pytest.param(lambda p: p.snapshot(), id="snapshot", marks=pytest.mark.slow),
    ],
)
def test_pipeline_save_and_restore_change_nothing(
    variant: str, copier: Callable[[Pipeline], Pipeline]
) -> None:
    params = VARIANTS[variant]
    data, station = wire(params)
    for share in (0.02, 0.5, 0.83):
        pipeline = fresh(station, params.moves)
        pipeline.feed(data[: int(share * len(data))])
        restored = copier(pipeline)
        rest = data[int(share * len(data)) :]
        assert said(restored, [rest]) == said(pipeline, [rest])


@each_variant
def test_pipeline_mirrored_belt_only_flips_signs(variant: str) -> None:
    """The same counts with every counts_per_mm turned round: the belt seen in a mirror."""
    params = VARIANTS[variant]
    data, station = wire(params)
    turned = parse_station(station)
    other = Pipeline(
        turned.model_copy(
            update={
                "sensor": [s.model_copy(update={"counts_per_mm": -s.counts_per_mm}) for s in turned.sensor]
            }
        )
    )
    mirrored, usual = other.feed(data), fresh(station).feed(data)
    rows = [(a, b) for a, b in zip(revolutions(usual), revolutions(mirrored), strict=True)]
    assert rows
    for a, b in rows:
        assert plain(-a.position_mm) == plain(b.position_mm)
        assert plain(-a.walk_mm_per_rev) == plain(b.walk_mm_per_rev)
        assert plain(a.walk_se_mm_per_rev) == plain(b.walk_se_mm_per_rev)
        assert (a.behaviour, a.quality, a.samples) == (b.behaviour, b.quality, b.samples)
        assert plain(-a.edge_max_mm) == plain(b.edge_min_mm)
    ours, theirs = alarms(usual), alarms(mirrored)
    assert [(e.t_s, e.kind, e.name, e.sensor) for e in ours] == [
        (e.t_s, e.kind, e.name, e.sensor) for e in theirs
    ]
    for a_event, b_event in zip(ours, theirs, strict=True):
        if a_event.value_mm is not None and not a_event.name.startswith("sensor"):
            assert b_event.value_mm == -a_event.value_mm


def revolutions(messages: list[Message]) -> list[Any]:
    return [row for m in messages if isinstance(m, Revolution) for row in m.rows]


def alarms(messages: list[Message]) -> list[Event]:
    return [m for m in messages if isinstance(m, Event) and m.kind.startswith("alarm")]


@pytest.mark.parametrize("seed", range(6))
def test_pipeline_garbage_never_raises(seed: int) -> None:
    rng = np.random.default_rng(seed)
    data, station = wire(dataclasses.replace(VARIANTS["lossy"], seconds=50.0))
    spoilt = bytearray(data)
    for _ in range(200):
        at = int(rng.integers(0, len(spoilt) - 400))
        piece = rng.integers(0, 256, int(rng.integers(1, 300)), dtype=np.uint8).tobytes()
        spoilt[at : at + int(rng.integers(0, 400))] = piece
    pipeline = fresh(station)
    for chunk in cuts_of(bytes(spoilt), rng):
        pipeline.feed(chunk)
        pipeline.now()
    pipeline.summary()
    pipeline.profile_rows()


def test_pipeline_of_nothing_but_faults_raises_no_belt_alarm() -> None:
    """All sensors on a rail or stuck from the start: unknown, and never drift, wobble or a stop."""
    faults = (Fault("stuck", 0, 0.0), Fault("clipped", 1, 0.0))
    data, station = wire(small_belt(faults=faults, bumps=(), drifts=()))
    messages = fresh(station).feed(data)
    names = {e.name for e in alarms(messages)}
    assert not names & {"drift", "section-wobble", "unlogged-move", "belt-stopped"}, names
    assert all(not math.isfinite(row.position_mm) for row in revolutions(messages)[2:])


def growth(revs: int) -> tuple[int, int]:
    """Pickled size of the pipeline after half the revolutions and after all, bytes; drifts come and go."""
    turn_s = 4.0
    drifts = tuple(
        Drift(k * turn_s, "infeed", 2.0 if (k // 40) % 2 else -2.0, 3.0) for k in range(20, revs, 40)
    )
    params = small_belt(length_mm=4000.0, carry_length_mm=1700.0, seconds=revs * turn_s, drifts=drifts,
                        bumps=(), moves=(), faults=())  # fmt: skip
    simulation = Simulation(params)
    pipeline, sizes = Pipeline(parse_station(simulation.station())), []
    for k in range(revs):
        pipeline.consume(simulation.records(turn_s))
        if k + 1 in (revs // 2, revs):
            sizes.append(len(pickle.dumps(pipeline)))
    return sizes[0], sizes[1]


@pytest.mark.slow
def test_pipeline_memory_is_bounded() -> None:
    half, full = growth(400)
    assert full <= 1.15 * half + 20_000, f"{half} bytes after 200 revolutions, {full} after 400"


@pytest.mark.slow
@pytest.mark.timeout(14_000)
def test_pipeline_memory_is_bounded_over_many_revolutions() -> None:
    """RUNIN_SOAK_REVS revolutions; 100,000 take about an hour."""
    revs = int(os.environ.get("RUNIN_SOAK_REVS", "3000"))
    half, full = growth(revs)
    assert full <= 1.05 * half + 20_000, f"{half} bytes after {revs // 2} revolutions, {full} after {revs}"


@pytest.mark.slow
@pytest.mark.parametrize(
    "family", ["both", "edges", "edges-apart", "pair-lies", "speed-stop", "ticks-none", "restart", "runout"]
)
def test_pipeline_chunking_on_whole_belts(family: str) -> None:
    params = make(family, 3)
    data, station = wire(params)
    rng = np.random.default_rng(9)
    assert said(fresh(station), cuts_of(data, rng)) == said(fresh(station), [data])
