"""Sums for each onset, against their definition: A = sum(z s), B = sum(s^2), bin by bin from the onset on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.detection.onsets import WAIT, OnsetSums

AGES = 12
SIGNATURE = [math.exp(-0.2 * a) - 0.4 for a in range(AGES)]


def by_definition(z: list[float], age: int) -> tuple[float, float]:
    """A walk that began `age` bins before the last one."""
    after = [(v, s) for v, s in zip(z[-age - 1 :], SIGNATURE, strict=False) if v == v]
    return sum(v * s for v, s in after), sum(s * s for _, s in after)


def test_sums_are_what_they_are_defined_as_however_many_wait() -> None:
    rng, sums, z = np.random.default_rng(0), OnsetSums(AGES), []
    sums.sign(SIGNATURE)
    for k in range(5 * WAIT):
        z.append(float(rng.standard_normal()) if k % 7 else math.nan)
        sums.add(z[-1])
        if k > WAIT and k % 5:
            continue
        a, b = sums.since(2)
        assert a.size == max(0, min(k + 1, AGES) - 2)
        for i in range(a.size):
            assert (a[i], b[i]) == pytest.approx(by_definition(z, i + 2), abs=1e-12)


def test_what_the_last_bins_added_is_taken_back() -> None:
    rng, sums, z = np.random.default_rng(1), OnsetSums(AGES), []
    sums.sign(SIGNATURE)
    for _ in range(20):
        z.append(float(rng.standard_normal()))
        sums.add(z[-1])
    kept = sums.copy()
    for _ in range(3):
        sums.add(5.0)
    sums.go_back(kept, 3)
    z += [math.nan] * 3
    for age, a, b in zip(range(AGES), *sums.since(0), strict=True):
        assert (a, b) == pytest.approx(by_definition(z, age) if age >= 3 else (0.0, 0.0), abs=1e-12)


def test_a_new_line_knows_no_onset() -> None:
    sums = OnsetSums(AGES)
    sums.sign(SIGNATURE)
    sums.add(1.0)
    sums.clear()
    assert sums.known == 0
    assert sums.since(0)[0].size == 0


def test_how_many_wait_changes_no_bit() -> None:
    rng, often, seldom = np.random.default_rng(2), OnsetSums(AGES), OnsetSums(AGES)
    for k in range(200):
        if k % 37 == 0:
            signature = rng.standard_normal(AGES).tolist()
            often.sign(signature)
            seldom.sign(signature)
        z = float(rng.standard_normal()) if k % 7 else math.nan
        often.add(z)
        often.since(0)
        seldom.add(z)
        if k % 11 == 0:
            assert np.array_equal(often.since(0), seldom.since(0))
