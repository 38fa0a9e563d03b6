"""Profiles of machined surfaces for tests, invented and seeded: not measurements of anything.

Every maker returns heights in µm, shape (points,), about 0, for a spacing in µm.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]


def _smoothed_noise(rng: np.random.Generator, points: int, reach: int) -> Heights:
    """Noise of unit deviation, correlated over about `reach` samples."""
    reach = max(1, min(reach, points))
    kernel = np.hanning(2 * reach + 1)
    noise = np.convolve(rng.standard_normal(points + 2 * reach), kernel, mode="valid")
    result: Heights = noise[:points] / np.sqrt(np.sum(kernel**2))
    return result


def turned(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Arcs of a round tool nose, feed marks not quite alike, with fine noise."""
    feed_um = rng.uniform(60.0, 220.0)
    x = np.arange(points) * spacing_um + rng.uniform(0, feed_um)
    mark = np.floor(x / feed_um).astype(int)
    arc = ((x / feed_um) % 1.0 - 0.5) ** 2 * rng.uniform(4.0, 12.0)
    uneven = rng.normal(0.0, 0.1, mark[-1] + 1)[mark]
    return arc - arc.mean() + uneven + 0.05 * _smoothed_noise(rng, points, 3)


def milled(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Feed marks of two teeth, one of which runs out, on a slow waviness."""
    pitch_um = rng.uniform(120.0, 400.0)
    x = np.arange(points) * spacing_um
    teeth = np.abs(np.sin(np.pi * x / pitch_um)) * 2.0 + 0.5 * np.sin(np.pi * x / (2 * pitch_um))
    return teeth - teeth.mean() + 0.8 * np.sin(2 * np.pi * x / 3100.0) + 0.1 * _smoothed_noise(rng, points, 4)


def ground(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Random, near to Gaussian in height, correlated over some 10 µm."""
    return 0.5 * _smoothed_noise(rng, points, round(12.0 / spacing_um))


def honed(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """A fine plateau with deep, narrow grooves: the lower of two processes."""
    plateau = 0.15 * _smoothed_noise(rng, points, round(4.0 / spacing_um))
    grooves = 1.2 * _smoothed_noise(rng, points, round(8.0 / spacing_um)) + 1.0
    return np.minimum(plateau, grooves)


def lapped(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Very fine and short-waved."""
    return 0.02 * _smoothed_noise(rng, points, round(2.0 / spacing_um))


def eroded(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """Craters of spark erosion: rough in every direction, skewed by its ridges."""
    base = _smoothed_noise(rng, points, round(60.0 / spacing_um))
    return 2.0 * (base + 0.3 * base * base - 0.3) + 0.3 * _smoothed_noise(rng, points, round(6.0 / spacing_um))


def scratched(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """A ground surface with a few deep scratches and one burr."""
    z = ground(points, spacing_um, rng)
    width = max(2, round(15.0 / spacing_um))
    for depth in (-4.0, -2.5, -6.0, 3.0):
        at = int(rng.integers(0, max(1, points - width)))
        z[at : at + width] += depth * np.hanning(width + 2)[1:-1][: z[at : at + width].size]
    return z


def specimen(points: int, spacing_um: float, rng: np.random.Generator) -> Heights:
    """A periodic specimen: sine, triangle, square or arcs of one pitch, exact to the last digit."""
    pitch_um = float(rng.choice([50.0, 99.0, 135.0, 250.0]))
    phase = (np.arange(points) * spacing_um / pitch_um + rng.uniform()) % 1.0
    shape = int(rng.integers(4))
    if shape == 0:
        return 1.5 * np.sin(2 * np.pi * phase)
    if shape == 1:
        return 4.0 * np.abs(phase - 0.5) - 1.0
    if shape == 2:
        return np.where(phase < 0.5, 1.0, -1.0)
    arcs: Heights = (phase - 0.5) ** 2 * 8.0
    return arcs - 2.0 / 3.0


SURFACES: dict[str, Callable[[int, float, np.random.Generator], Heights]] = {
    maker.__name__: maker for maker in (turned, milled, ground, honed, lapped, eroded, scratched, specimen)
}


def surface(name: str, points: int, spacing_um: float, seed: int) -> Heights:
    """Make the surface of that name from a seed, µm, shape (points,)."""
    return SURFACES[name](points, spacing_um, np.random.default_rng(seed))
