"""The belt itself: what its edges look like, once round.

Each edge has a profile, zero-mean over the revolution: a smooth camber (a few harmonics, or the bow
e(s) = s*(Lb - s)/(2*rho) that plane geometry gives a strip of uniform camber spliced into a loop, or both),
a fine texture, and the jog of a splice that was not joined square. Belt width varies a little along the
belt, so left and right differ.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.records import Side
from monitor.simulation.params import Bump, Params

NODES = 4096  # table points round the belt: 2 to 8 mm apart, finer than any texture here

Floats = NDArray[np.float64]


def edge_profiles(params: Params, rng: np.random.Generator) -> dict[Side, Floats]:
    """Profile of both edges, (NODES,) float64 mm at equal stations from the mark, zero-mean."""
    middle = _camber(params, rng) + _jog(params, rng)
    half_width = _scaled(_harmonics(rng, 5, 1.0), params.width_variation_mm) / 2.0
    left = middle - half_width + _texture(params, rng)
    right = middle + half_width + _texture(params, rng)
    return {"left": left - left.mean(), "right": right - right.mean()}


def look_up(profile: Floats, station_mm: Floats, length_mm: float) -> Floats:
    """Profile at any stations (taken modulo the belt length), linear between table points."""
    place = np.mod(station_mm, length_mm) * (profile.size / length_mm)
    low = place.astype(np.int64)
    part = place - low
    low %= profile.size
    first = profile[low]
    result: Floats = first + (profile[(low + 1) % profile.size] - first) * part
    return result


def bump_shape(bump: Bump, station_mm: Floats, length_mm: float) -> Floats:
    """Raised cosine of height 1 at the bump's place, 0 beyond half its width."""
    away = np.mod(station_mm - bump.place_mm + length_mm / 2, length_mm) - length_mm / 2
    inside = np.abs(away) < bump.width_mm / 2
    shape: Floats = np.where(inside, 0.5 + 0.5 * np.cos(2 * np.pi * away / bump.width_mm), 0.0)
    return shape


def _camber(params: Params, rng: np.random.Generator) -> Floats:
    share = {"harmonics": 1.0, "sagitta": 0.0, "mixed": rng.uniform(0.2, 0.8)}[params.camber_shape]
    waves = _scaled(_harmonics(rng, int(rng.integers(2, 8)), 1.5), 1.0)
    place = np.mod(np.arange(NODES) / NODES + rng.uniform(), 1.0)
    bow = 4.0 * place * (1.0 - place) * rng.choice([-1.0, 1.0])
    return _scaled(share * waves + (1.0 - share) * bow, params.camber_pp_mm)


def _harmonics(rng: np.random.Generator, orders: int, decay: float) -> Floats:
    angle = 2.0 * np.pi * np.arange(NODES) / NODES
    wave: Floats = np.zeros(NODES)
    for order in range(1, orders + 1):
        wave += rng.normal() / order**decay * np.cos(order * angle + rng.uniform(0.0, 2.0 * np.pi))
    return wave


def _scaled(wave: Floats, peak_to_peak_mm: float) -> Floats:
    extent = float(np.ptp(wave))
    scaled: Floats = wave * (peak_to_peak_mm / extent) if extent > 0.0 else wave
    return scaled


def _texture(params: Params, rng: np.random.Generator) -> Floats:
    """Random, periodic, of the asked spread, with a Gaussian spectrum of the asked length."""
    order = np.arange(NODES // 2 + 1)
    shape = np.exp(-0.25 * (2.0 * np.pi * order * params.texture_length_mm / params.length_mm) ** 2)
    shape[0] = 0.0
    spectrum = shape * np.exp(2j * np.pi * rng.uniform(size=order.size)) * rng.rayleigh(size=order.size)
    wave = np.fft.irfft(spectrum, NODES)
    result: Floats = wave * (params.texture_sd_mm / float(wave.std()))
    return result


def _jog(params: Params, rng: np.random.Generator) -> Floats:
    """A jump within 60 mm of belt at the splice that dies away over the next metre."""
    after = np.mod(np.arange(NODES) / NODES - rng.uniform(), 1.0) * params.length_mm
    jog: Floats = params.splice_jog_mm * np.minimum(after / 60.0, 1.0) * np.exp(-after / 1000.0)
    return -jog if rng.random() < 0.5 else jog
