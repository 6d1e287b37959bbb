"""The estimators against figures and libraries from outside; each source is named beside its check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import linalg, stats

from monitor.detection.position import fit_first_turns
from monitor.numerics.equivalence import Slope, fit_slope, t_above, t_quantile
from monitor.numerics.wander import LineFilter, fit_line
from monitor.numerics.wander_posterior import (
    FIRST_FREEDOM,
    KAPPA_GRID,
    KAPPA_SPREAD,
    LEAST_NOISE_SHARE,
    S_GRID_MM,
    S_PRIOR_MM,
    S_SPREAD,
    WINDOWS,
    WanderPosterior,
)
from monitor.revolutions.profile import Profile

Floats = NDArray[np.float64]

# ---------------------------------------------------------------- a line: NIST, Cramer-Rao, dense solver

# NIST Statistical Reference Datasets, linear regression, "Norris": 36 observations and certified values.
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 "
    "556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 "
    "557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"
)
NORRIS_SLOPE, NORRIS_SLOPE_SE = 1.00211681802045, 0.429796848199937e-03
NORRIS_INTERCEPT, NORRIS_SD = -0.262323073774029, 0.884796396144373


def test_norris_without_wander() -> None:
    """Slope, its standard error and the line's end, to 8 digits of what the end is made of.

    The filter has a wide normal prior of the level; the noise is told as a thousandth, so that it
    weighs nothing.
    """
    x, y = (np.array([float(w) for w in text.split()]) for text in (NORRIS_X, NORRIS_Y))
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    noise = 1e-3 * NORRIS_SD**2
    fit = fit_line([0.0, *np.diff(x)], y.tolist(), [noise] * 36, 0.0, 1.0)
    assert fit.points == 36
    assert fit.slope_mm_per_rev == pytest.approx(NORRIS_SLOPE, rel=1e-8)
    assert fit.slope_se_mm_per_rev * math.sqrt(1e3) == pytest.approx(NORRIS_SLOPE_SE, rel=1e-6)
    assert fit.level_mm == pytest.approx(NORRIS_INTERCEPT + NORRIS_SLOPE * x[-1], rel=1e-8)
    intercept = fit.level_mm - fit.slope_mm_per_rev * x[-1]
    assert intercept == pytest.approx(NORRIS_INTERCEPT, abs=1e-8 * abs(fit.level_mm))


SLOPE_SD = {3: 0.707107, 5: 0.316228, 10: 0.110096, 15: 0.0597614, 20: 0.0387783, 30: 0.0210936,
            43: 0.0122887, 50: 0.00979992, 100: 0.00346427}  # fmt: skip


@pytest.mark.parametrize("count", SLOPE_SD)
def test_the_slope_reaches_the_cramer_rao_bound(count: int) -> None:
    """var(slope) >= 12 s2 / (N (N2 - 1)) in white noise: Kay 1993, example 3.7 (from memory)."""
    sigma = 0.01
    fit = fit_line([1.0] * count, [0.0] * count, [sigma**2] * count, 0.0, 1.0)
    bound = sigma * math.sqrt(12.0 / (count * (count**2 - 1)))
    assert bound / sigma == pytest.approx(SLOPE_SD[count], rel=1e-5)
    assert fit.slope_se_mm_per_rev == pytest.approx(bound, rel=1e-5)


def test_the_slope_scatters_as_the_bound_says() -> None:
    rng = np.random.default_rng(3)
    found = [
        fit_line([1.0] * 20, (0.2 * rng.standard_normal(20)).tolist(), [0.04] * 20, 0.0, 1.0).slope_mm_per_rev
        for _ in range(2000)
    ]
    assert np.std(found) == pytest.approx(0.2 * SLOPE_SD[20], rel=0.05)


def dense_state(
    du: Floats, r: Floats, noise: Floats, s2: float, kappa: float, q: tuple[float, float], start: Floats
) -> tuple[Floats, Floats]:
    """(mean, covariance) of (level, slope, wander) at the end, by one dense Gaussian conditional."""
    n = len(du)
    size = 3 * (n + 1)
    cov, step = np.zeros((size, size)), []
    cov[:3, :3] = start
    for k, d in enumerate(du):
        phi = math.exp(-kappa * d)
        f = np.array([[1.0, d, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, phi]])
        add = np.diag([q[0] * d, q[1] * d, s2 * (1.0 - phi * phi)])
        a, b = slice(3 * k, 3 * k + 3), slice(3 * k + 3, 3 * k + 6)
        cov[b, : 3 * k + 3] = f @ cov[a, : 3 * k + 3]
        cov[: 3 * k + 3, b] = cov[b, : 3 * k + 3].T
        cov[b, b] = f @ cov[a, a] @ f.T + add
        step.append(f)
    seen = np.flatnonzero(np.isfinite(r))
    h = np.zeros((seen.size, size))
    for row, k in enumerate(seen):
        h[row, 3 * k + 3 : 3 * k + 6] = (1.0, 0.0, 1.0)
    gain = np.linalg.solve(h @ cov @ h.T + np.diag(noise[seen]), h @ cov).T
    mean, left = gain @ r[seen], cov - gain @ h @ cov
    return mean[-3:], left[-3:, -3:]


@pytest.mark.parametrize("seed", range(5))
def test_the_filter_as_a_dense_gaussian(seed: int) -> None:
    """Kalman filter = generalised least squares with the same priors (numpy's dense solver), to 1e-9."""
    rng = np.random.default_rng(seed)
    n = 60
    du, noise = rng.uniform(0.005, 0.06, n), rng.uniform(0.001, 0.02, n)
    r = rng.normal(0.0, 0.3, n) + 1.3 * np.cumsum(du)
    r[rng.random(n) < 0.2] = math.nan
    s2, kappa, q = 0.015, 1.7, (0.002, 0.01)
    f = LineFilter(0.0, 0.0, 0.0, 1.5, 0.0, 0.0, 4.0, 0.0, s2)
    for d, value, v in zip(du, r, noise, strict=True):
        f.predict(d, s2, kappa, *q)
        if math.isfinite(value):
            expected, variance = f.expect(v)
            f.update(value - expected, variance)
    mean, cov = dense_state(du, r, noise, s2, kappa, q, np.diag([1.5, 4.0, s2]))
    assert [f.m, f.w, f.o] == pytest.approx(mean.tolist(), abs=1e-9)
    ours = [[f.pmm, f.pmw, f.pmo], [f.pmw, f.pww, f.pwo], [f.pmo, f.pwo, f.poo]]
    assert np.array(ours) == pytest.approx(cov, abs=1e-9)


def test_the_filter_as_statsmodels() -> None:
    """Innovations' log likelihood of the same state-space model by statsmodels (equal steps)."""
    from statsmodels.tsa.statespace.mlemodel import MLEModel

    rng = np.random.default_rng(8)
    n, d, s2, kappa, noise, q = 80, 0.02, 0.02, 1.2, 0.004, (0.003, 0.02)
    r = rng.normal(0.0, 0.2, n) + 0.8 * d * np.arange(n)
    r[[7, 8, 30]] = math.nan
    phi = math.exp(-kappa * d)
    model = MLEModel(r, k_states=3, k_posdef=3)
    model["design"] = np.array([[1.0, 0.0, 1.0]])
    model["transition"] = np.array([[1.0, d, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, phi]])
    model["selection"] = np.eye(3)
    model["state_cov"] = np.diag([q[0] * d, q[1] * d, s2 * (1 - phi * phi)])
    model["obs_cov"] = np.array([[noise]])
    model.ssm.initialize_known(np.zeros(3), np.diag([1.0, 4.0, s2]))
    reference = model.ssm.filter()
    f, score = LineFilter(0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 4.0, 0.0, s2), 0.0
    for k, value in enumerate(r):
        if k:
            f.predict(d, s2, kappa, *q)
        if math.isfinite(value):
            expected, variance = f.expect(noise)
            score -= 0.5 * (math.log(2.0 * math.pi * variance) + (value - expected) ** 2 / variance)
            f.update(value - expected, variance)
    assert score == pytest.approx(float(reference.llf), abs=1e-9)
    assert [f.m, f.w, f.o] == pytest.approx(reference.filtered_state[:, -1].tolist(), abs=1e-9)


# ---------------------------------------------------------------- wander


def ornstein_uhlenbeck(rng: np.random.Generator, s2: float, kappa: float, du: float, count: int) -> Floats:
    """Exact on its grid (an AR(1) process)."""
    from scipy.signal import lfilter

    phi = math.exp(-kappa * du)
    kicks = math.sqrt(s2 * (1.0 - phi * phi)) * rng.standard_normal(count)
    first = math.sqrt(s2) * rng.standard_normal()
    path: Floats = lfilter([1.0], [1.0, -phi], kicks, zi=[phi * first])[0]
    return path


def learnt(
    s2: float, kappa: float, turns: int, noise_mm: float, kappa_prior: float, seed: int
) -> tuple[float, float]:
    """What is learnt of a simulated wander in white noise, 64 bins a revolution."""
    rng = np.random.default_rng(seed)
    path = ornstein_uhlenbeck(rng, s2, kappa, 1.0 / 64.0, 64 * turns)
    path += noise_mm * rng.standard_normal(path.size)
    posterior = WanderPosterior(kappa_prior, 64, 1e9)
    for turn in path.reshape(turns, 64):
        assert posterior.add(turn)
    return posterior.estimate()


@pytest.mark.parametrize(("s2", "kappa"), [(0.01, 1.0), (0.04, 2.0), (0.003, 3.0)])
def test_wander_is_found_in_forty_turns(s2: float, kappa: float) -> None:
    """From a prior that is wrong by a factor of 1.5, with white noise in it; the median of 20 belts."""
    found = [learnt(s2, kappa, 40, 0.03, 1.5 * kappa, seed) for seed in range(20)]
    assert float(np.median([f[0] for f in found])) == pytest.approx(s2, rel=0.2)
    assert float(np.median([f[1] for f in found])) == pytest.approx(kappa, rel=0.25)


def test_a_small_wander_is_found_under_noise_in_few_turns() -> None:
    """35 micrometres in 160 of white noise: the prior, 0.1 mm, must give way within ten turns."""
    found = [math.sqrt(learnt(0.035**2, 5.0, 10, 0.16, 2.5, seed)[0]) for seed in range(20)]
    assert 0.025 <= float(np.median(found)) <= 0.055


def test_the_posterior_weighs_the_exact_likelihood() -> None:
    """Against the Gaussian density of a turn's windows, level taken out, with noise as it is estimated (scipy)."""
    rng = np.random.default_rng(8)
    turn = ornstein_uhlenbeck(rng, 0.02, 2.0, 1.0 / 64.0, 64) + 0.05 * rng.standard_normal(64)
    posterior = WanderPosterior(2.0, 64, 40.0)
    posterior.add(turn)
    mean = np.kron(np.eye(WINDOWS), np.full((1, 4), 0.25))
    contrasts = linalg.null_space(np.ones((1, WINDOWS)))
    lag = np.abs(np.subtract.outer(np.arange(64), np.arange(64))) / 64.0
    first = float(np.mean(np.diff(turn) ** 2))
    log = np.empty((KAPPA_GRID.size, S_GRID_MM.size))
    for i, kappa in enumerate(2.0 * KAPPA_GRID):
        for j, s in enumerate(S_GRID_MM):
            step = 2.0 * s**2 * (1.0 - math.exp(-kappa / 64.0))
            noise = max(first - step, LEAST_NOISE_SHARE * first)
            covariance = mean @ (s**2 * np.exp(-kappa * lag)) @ mean.T + 0.125 * noise * np.eye(WINDOWS)
            density = stats.multivariate_normal(cov=contrasts.T @ covariance @ contrasts, allow_singular=True)
            steps = -0.5 * FIRST_FREEDOM * 64 * (math.log(step + noise) + first / (step + noise))
            prior = -0.5 * (math.log(s / S_PRIOR_MM) / S_SPREAD) ** 2
            prior -= 0.5 * (math.log(kappa / 2.0) / KAPPA_SPREAD) ** 2
            log[i, j] = density.logpdf(contrasts.T @ mean @ turn) + steps + prior
    share = np.exp(log - log.max())
    share /= share.sum()
    s2, kappa = posterior.estimate()
    assert s2 == pytest.approx(float(share.sum(axis=0) @ S_GRID_MM**2), rel=1e-6)
    assert math.log(kappa) == pytest.approx(float(share.sum(axis=1) @ np.log(2.0 * KAPPA_GRID)), abs=1e-6)


def test_wander_never_seen_keeps_to_its_prior() -> None:
    s2, kappa = WanderPosterior(2.0, 64, 40.0).estimate()
    assert s2 == pytest.approx(
        S_PRIOR_MM**2 * math.exp(2.0 * S_SPREAD**2), rel=0.05
    )  # the mean of a log-normal
    assert kappa == pytest.approx(2.0)


# ---------------------------------------------------------------- the synchronous average


def averaged(order: float, turns: int, cells: int = 256, error: float = 0.0) -> float:
    """What the profile keeps of a swing `order` times a revolution, as a share of its size."""
    u = (np.arange(turns)[:, None] + (np.arange(cells)[None, :] + 0.5) / cells) * (1.0 + error)
    parts = []
    for wave in (np.cos(2 * np.pi * order * u), np.sin(2 * np.pi * order * u)):
        profile = Profile(cells)
        for row in wave:
            profile.add(row)
        parts.append(profile.mm)
    shape = np.exp(2j * np.pi * order * u[0])
    shape -= shape.mean()
    found = parts[0] + 1j * parts[1]
    return float(abs(np.vdot(shape, found) / np.vdot(shape, shape)))


def dirichlet(order: float, turns: int) -> float:
    if abs(order - round(order)) < 1e-12:
        return 1.0
    return abs(math.sin(math.pi * turns * order) / (turns * math.sin(math.pi * order)))


COMB = [  # (turns, order, |H|): McFadden, MSSP 1(1), 1987 and Braun 1975 (formula: the Dirichlet kernel)
    (3, 0.5, 0.3333), (4, 0.5, 0.0), (5, 0.5, 0.2), (8, 0.5, 0.0), (10, 0.5, 0.0),
    (3, 0.5, 0.3333), (4, 0.375, 0.2706), (5, 0.3, 0.2472), (8, 0.1875, 0.2250), (10, 0.15, 0.2203),
    (10, 0.05, 0.6392), (20, 0.05, 0.0), (10, 0.01, 0.9838),
]  # fmt: skip
PULLEY_ORDER = 252.566 / (4.0 * math.pi)  # a 4 in pulley on a belt of 252.566 in: 20.0986 turns a revolution


@pytest.mark.parametrize(("turns", "order", "kept"), COMB)
def test_the_comb_of_the_average(turns: int, order: float, kept: float) -> None:
    assert dirichlet(order, turns) == pytest.approx(kept, abs=6e-5)
    assert averaged(order, turns) == pytest.approx(kept, abs=6e-5)


@pytest.mark.parametrize(("turns", "kept"), [(3, 0.876), (5, 0.656), (10, 0.0145), (20, 0.0145)])
def test_a_pulley_leaks_into_the_average_as_the_comb_says(turns: int, kept: float) -> None:
    assert averaged(PULLEY_ORDER, turns) == pytest.approx(dirichlet(PULLEY_ORDER, turns), abs=1e-9)
    assert averaged(PULLEY_ORDER, turns) == pytest.approx(kept, abs=6e-4)


@pytest.mark.parametrize(
    ("turns", "harmonic", "error", "kept"),
    [(10, 1, 0.005, 0.9959), (10, 5, 0.005, 0.9012), (10, 10, 0.005, 0.6392), (20, 10, 0.001, 0.9356)],
)
def test_a_wrong_period_smears_the_profile(turns: int, harmonic: int, error: float, kept: float) -> None:
    assert averaged(harmonic, turns, error=error) == pytest.approx(kept, abs=1e-3)


@pytest.mark.parametrize("turns", [3, 5, 10, 16, 32, 64])
def test_noise_falls_with_the_root_of_the_turns(turns: int) -> None:
    """Synchronous averaging gains 10 log10 N dB against white noise (Lyons, Understanding DSP, ch. 11)."""
    rng = np.random.default_rng(turns)
    profile = Profile(4096)
    for _ in range(turns):
        profile.add(rng.standard_normal(4096))
    assert -20.0 * math.log10(float(profile.mm.std())) == pytest.approx(10.0 * math.log10(turns), abs=0.25)


def test_a_walk_leaks_a_sawtooth_unless_it_is_taken_out() -> None:
    """Average of b t over whole turns: a ramp of b (1 - 1/M). Fitted with the walk, nothing is left."""
    cells, turns = 360, 5
    u = np.arange(turns)[:, None] + np.arange(cells)[None, :] / cells
    profile = Profile(cells)
    for row in u:
        profile.add(row)
    assert np.ptp(profile.mm) == pytest.approx(0.997222, abs=1e-6)
    joint = fit_first_turns(u, 1e-9, 1.0)
    assert joint.walk_mm_per_rev == pytest.approx(1.0, abs=1e-12)
    assert np.ptp(joint.profile_mm) < 1e-9


# ---------------------------------------------------------------- equivalence


@pytest.mark.parametrize("t", [-4.0, -0.3, 0.0, 0.7, 2.5, 12.0])
@pytest.mark.parametrize("dof", [1.0, 3.5, 41.0, 181.134])
def test_students_t_as_scipy(t: float, dof: float) -> None:
    assert t_above(t, dof) == pytest.approx(float(stats.t.sf(t, dof)), rel=1e-10)


def test_quantiles_of_t_as_scipy() -> None:
    for p in (0.05, 0.025, 0.001):
        for dof in (3.0, 41.0):
            assert t_quantile(p, dof) == pytest.approx(float(stats.t.isf(p, dof)), rel=1e-9)


def test_two_one_sided_tests_as_printed() -> None:
    """Lakens 2017 (Welch): two groups within +-0.383569; t_upper -2.69277, p .0038755, 90 % interval."""
    mean = 5.25 - 5.22
    se = math.sqrt(0.95**2 / 95 + 0.83**2 / 89)
    found = Slope(0.0, mean, se, 181.134, 0.0, 0.0)
    assert found.p_not_nil(0.383569) == pytest.approx(0.0038755, abs=1e-6)
    assert (mean - 0.383569) / se == pytest.approx(-2.69277, abs=1e-4)
    assert found.interval(0.90) == pytest.approx((-0.18708, 0.24708), abs=1e-5)


def test_a_slope_within_its_margin() -> None:
    """Slope .010, se .012, 41 degrees of freedom, margin .05: t 5.0 and -3.3333; same with slope .040."""
    found = Slope(0.0, 0.010, 0.012, 41.0, 0.0, 0.0)
    assert found.p_not_nil(0.05) == pytest.approx(0.00091371, abs=1e-8)
    assert found.interval(0.90) == pytest.approx((-0.01019, 0.03019), abs=1e-5)
    assert Slope(0.0, 0.040, 0.012, 41.0, 0.0, 0.0).p_not_nil(0.05) == pytest.approx(0.204743, abs=1e-6)


def test_a_slope_of_points_as_scipy() -> None:
    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(0, 20, 40))
    y = 0.03 * x + rng.normal(0, 0.1, 40)
    ours = fit_slope(x, y, np.full(40, 1e-9), correlated=False)
    reference = stats.linregress(x, y)
    assert ours.slope == pytest.approx(reference.slope, rel=1e-10)
    assert ours.se == pytest.approx(reference.stderr, rel=1e-8)


def test_pairs_of_levels_are_the_walk() -> None:
    """The joint fit of the first turns needs no more than the steps between turns: any camber cancels."""
    rng = np.random.default_rng(9)
    camber, levels = rng.normal(0, 5, 256), [0.0, 0.8, 1.6, 2.4]
    fit = fit_first_turns(np.array([camber + v for v in levels]), 1e-9, 1.0)
    assert [b - a for a, b in pairwise(fit.levels_mm)] == pytest.approx([0.8] * 3, abs=1e-9)
