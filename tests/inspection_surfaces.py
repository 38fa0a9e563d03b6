"""Invented surfaces and faults for tests of the inspection room, independent of the simulated gauge's models.

Every surface is scaled to an Rz (mean over five sections of 0.8 mm after a Gaussian high-pass by FFT, which is enough
to scale by), then tilted, waved and sampled in counts of the gauge's resolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.trace import Calibration, Trace

Heights = NDArray[np.float64]

SPACING_UM = 0.5
CUTOFF_MM = 0.8
POINTS = 9601
RESOLUTION_UM = 0.001
SURFACES = (
    "turned", "turned-coarse", "milled", "ground", "ground-coarse", "honed", "lapped", "eroded", "porous", "specimen",
)


@dataclass(frozen=True, slots=True)
class Clean:
    """A clean surface: roughness by itself (scaled to `rz_um`), and what lies under it."""

    roughness: Heights
    under: Heights
    rz_um: float

    @property
    def heights(self) -> Heights:
        return self.roughness + self.under


def clean(kind: str, rng: np.random.Generator, *, points: int = POINTS, rz_um: float | None = None) -> Clean:
    """A clean surface of a kind, with chance in its proportions, tilt, waviness and noise."""
    x_mm = np.arange(points) * SPACING_UM / 1000.0
    shape = _SHAPES[kind](x_mm, rng)
    rz = rz_um if rz_um is not None else float(np.exp(rng.uniform(np.log(0.6), np.log(12.0))))
    shape = shape * (rz / rz_of(shape))
    noise = rng.uniform(0.002, 0.02) * min(rz, 1.0) * rng.standard_normal(points)
    tilt = rng.uniform(-8.0, 8.0) * x_mm
    waviness = np.zeros(points)
    for _ in range(3):
        # Longer than two cut-offs: what lies nearer to λc is partly roughness by definition.
        length_mm = rng.uniform(2.0, 12.0)
        waviness += rng.uniform(0.0, 0.4) * rz * np.sin(2 * np.pi * (x_mm / length_mm + rng.uniform()))
    return Clean(shape + noise, tilt + waviness, rz)


def trace(heights: Heights, *, range_um: float | None = 400.0, **facts: str) -> Trace:
    """What the gauge delivers: int32 counts, saturating at the range where there is one."""
    counts = np.round(heights / RESOLUTION_UM)
    sample_range = None
    if range_um is not None:
        end = range_um / RESOLUTION_UM
        counts = np.clip(counts, -end, end)
        sample_range = (-end, end)
    return Trace(samples=counts.astype(np.int32), spacing_um=SPACING_UM, calibration=Calibration(gain_um=RESOLUTION_UM),
                 sample_range=sample_range, facts=facts)


def rz_of(heights: Heights, cutoff_mm: float = CUTOFF_MM) -> float:
    """Rz after a Gaussian high-pass by FFT on the mirrored profile."""
    rough = heights - low_pass(heights, cutoff_mm)
    nc = round(cutoff_mm * 1000 / SPACING_UM)
    inside = rough[nc // 2 : len(rough) - nc // 2]
    whole = inside[: len(inside) // nc * nc].reshape(-1, nc)
    return float((whole.max(axis=1) - whole.min(axis=1)).mean())


def low_pass(heights: Heights, cutoff_mm: float) -> Heights:
    """Gaussian mean line ``2^−(λc/λ)²`` (ISO 16610-21) by FFT on the mirrored profile."""
    spectrum = np.fft.rfft(np.concatenate([heights, heights[::-1]]))
    per_mm = np.fft.rfftfreq(2 * heights.size, SPACING_UM / 1000.0)
    return np.fft.irfft(spectrum * np.exp2(-((cutoff_mm * per_mm) ** 2)), 2 * heights.size)[: heights.size]


def _feed_marks(x_mm: Heights, rng: np.random.Generator, feed_mm: float) -> Heights:
    """Parabolic arcs with cusps up, scatter of feed and depth, and a smaller tear-off texture."""
    count = int(x_mm[-1] / feed_mm) + 4
    centres = (np.arange(count) - 1 - rng.uniform()) * feed_mm + 0.01 * feed_mm * rng.standard_normal(count)
    depth = 0.05 * rng.standard_normal(count)
    surface = np.full(x_mm.size, np.inf)
    for centre, off in zip(centres, depth, strict=True):
        surface = np.minimum(surface, (2 * (x_mm - centre) / feed_mm) ** 2 + off)
    return surface + 0.04 * _random(x_mm, rng, 0.006)


def _random(x_mm: Heights, rng: np.random.Generator, length_mm: float) -> Heights:
    """Gaussian heights with a Gaussian-shaped autocorrelation of about `length_mm`, σ = 1, plus a finer half."""
    out = np.zeros(x_mm.size)
    for share, length in ((0.9, length_mm), (0.44, length_mm / 3)):
        spectrum = np.fft.rfft(rng.standard_normal(x_mm.size))
        per_mm = np.fft.rfftfreq(x_mm.size, SPACING_UM / 1000.0)
        part = np.fft.irfft(spectrum / np.sqrt(1 + (2 * np.pi * per_mm * length) ** 2) ** 1.5, x_mm.size)
        out += share * part / part.std()
    return out


def _milled(x_mm: Heights, rng: np.random.Generator) -> Heights:
    """Rounded feed marks of a face mill, every second deeper, worn edges."""
    feed = rng.uniform(0.12, 0.3)
    phase = 2 * np.pi * (x_mm / feed + rng.uniform())
    return np.abs(np.sin(phase / 2)) + 0.25 * np.sin(phase / 2) + 0.12 * _random(x_mm, rng, 0.01)


def _ground(x_mm: Heights, rng: np.random.Generator) -> Heights:
    g = _random(x_mm, rng, rng.uniform(0.004, 0.015))
    return g - 0.1 * g**2


def _ground_coarse(x_mm: Heights, rng: np.random.Generator) -> Heights:
    return _random(x_mm, rng, rng.uniform(0.015, 0.04))


def _grooves(x_mm: Heights, rng: np.random.Generator, *, per_mm: float, width_mm: float) -> Heights:
    out = np.zeros(x_mm.size)
    for _ in range(rng.poisson(per_mm * x_mm[-1])):
        place, half = rng.uniform(0, x_mm[-1]), width_mm * rng.uniform(0.5, 1.5)
        out = np.minimum(out, -rng.uniform(0.4, 1.0) * np.clip(1 - np.abs(x_mm - place) / half, 0, None))
    return out


def _honed(x_mm: Heights, rng: np.random.Generator) -> Heights:
    plateau = 0.04 * _random(x_mm, rng, 0.008)
    return np.minimum(plateau, plateau + _grooves(x_mm, rng, per_mm=rng.uniform(4, 10), width_mm=0.02))


def _lapped(x_mm: Heights, rng: np.random.Generator) -> Heights:
    return _random(x_mm, rng, 0.003)


def _porous(x_mm: Heights, rng: np.random.Generator) -> Heights:
    """Ground cast iron: a few pores, deeper than everything else."""
    g = 0.12 * _random(x_mm, rng, 0.01)
    return g + 1.2 * _grooves(x_mm, rng, per_mm=1.0, width_mm=0.025)


def _eroded(x_mm: Heights, rng: np.random.Generator) -> Heights:
    """Craters of spark erosion, skewed by the ridges between them."""
    craters = _random(x_mm, rng, rng.uniform(0.01, 0.025))
    return craters + 0.3 * craters**2 + 0.1 * _random(x_mm, rng, 0.003)


def _specimen(x_mm: Heights, rng: np.random.Generator) -> Heights:
    """Sine, triangle, square or arcs of one pitch, exact (types C1, C2, C3 and C4 of ISO 5436-1)."""
    phase = (x_mm / rng.choice([0.05, 0.1, 0.135, 0.25]) + rng.uniform()) % 1.0
    shapes = (np.sin(2 * np.pi * phase), np.abs(4.0 * phase - 2.0) - 1.0, np.where(phase < 0.5, 1.0, -1.0),
              (2.0 * phase - 1.0) ** 2)
    return shapes[int(rng.integers(len(shapes)))]


_SHAPES = {
    "turned": lambda x, rng: _feed_marks(x, rng, rng.uniform(0.06, 0.15)),
    "turned-coarse": lambda x, rng: _feed_marks(x, rng, rng.uniform(0.15, 0.4)),
    "milled": _milled,
    "ground": _ground,
    "ground-coarse": _ground_coarse,
    "honed": _honed,
    "lapped": _lapped,
    "eroded": _eroded,
    "porous": _porous,
    "specimen": _specimen,
}
