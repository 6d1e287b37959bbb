"""Sections of the belt told from chance: a sensor that became noisy raises none, and hides no real one."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.detection.sections import SectionFinding, SectionWatch

BINS = 128


def watched(revs: int, noise_mm: float, bump_mm: float, seed: int) -> list[SectionFinding]:
    """Findings about a section half a metre long, on a belt of 10 m; noise_mm: of a live bin."""
    rng, watch = np.random.default_rng(seed), SectionWatch(4.0, 10_000.0)
    u = (np.arange(BINS) + 0.5) / BINS
    bump = bump_mm * np.maximum(np.cos(np.pi * np.clip((u - 0.4) / 0.05, -0.5, 0.5)), 0.0)
    found = []
    for rev in range(revs):
        departure = bump + noise_mm * rng.standard_normal(BINS)
        for k, mm in enumerate(departure.tolist()):
            found += watch.step(rev + k / BINS, rev + (k + 1) / BINS, mm, noise_mm**2)
    return found


def test_mere_noise_is_no_section() -> None:
    assert not [f for seed in range(5) for f in watched(100, 1.6, 0.0, seed)]


@pytest.mark.parametrize("noise_mm", [0.05, 0.5])
def test_a_section_is_told_in_its_second_revolution(noise_mm: float) -> None:
    for seed in range(20):
        begins = watched(3, noise_mm, 6.4, seed)[0]
        assert begins.name == "section-begins"
        assert 1.3 < begins.u_start < begins.u_end < 1.5
        assert abs(begins.peak_mm - 6.4) < 0.2 + 3.0 * noise_mm
