"""The quick median is numpy's, to the bit."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.numerics.median import median


@pytest.mark.parametrize("n", [1, 2, 3, 10, 511, 512])
def test_median_is_that_of_numpy(n: int) -> None:
    values = np.random.default_rng(n).normal(size=n)
    kept = values.copy()
    assert median(values) == float(np.median(values))
    assert np.array_equal(values, kept)
