"""Ral and Rsw of long and of several profiles against numpy's own correlation and transform, spelled out."""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.texture.spectral import lengths_and_wavelengths_mm
from synthetic_surfaces import SURFACES, surface


def _length_mm(z, spacing_um):
    z = z - z.mean()
    before = float(z @ z)
    whole = before
    for lag in range(1, z.size // 2):
        here = float(z[:-lag] @ z[lag:])
        if here <= 0.2 * whole:
            return (lag - 1 + (before - 0.2 * whole) / (before - here)) * spacing_um / 1000
        before = here
    return None


def _wavelength_mm(z, spacing_um):
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(z.size) / z.size)
    power = np.abs(np.fft.rfft((z - z.mean()) * taper, 2 * z.size)) ** 2
    line = 1 + int(np.argmax(power[1 : z.size]))
    low, mid, high = np.log(power[line - 1 : line + 2])
    return 2 * z.size * spacing_um / 1000 / (line + 0.5 * (low - high) / (low - 2 * mid + high))


@pytest.mark.parametrize("points", [1_000, 16_384, 16_385, 30_001])
def test_three_profiles_at_once_are_what_each_is_alone(points):
    profiles = [surface(name, points, 0.5, 11) for name in ("turned", "honed", "milled")]
    together = lengths_and_wavelengths_mm(profiles, 0.5)
    for found, profile in zip(together, profiles, strict=True):
        assert found == pytest.approx(lengths_and_wavelengths_mm([profile], 0.5)[0], rel=1e-12)


@pytest.mark.parametrize("name", sorted(SURFACES))
@pytest.mark.parametrize("points", [4_000, 8_335, 20_001])  # 8,335 = 5·1,667 has a large prime factor
def test_the_definitions_spelled_out(name, points):
    z = surface(name, points, 0.5, 21)
    ((length, wavelength),) = lengths_and_wavelengths_mm((z,), 0.5)
    assert length == pytest.approx(_length_mm(z, 0.5), rel=1e-9)
    assert wavelength == pytest.approx(_wavelength_mm(z, 0.5), rel=1e-7)
