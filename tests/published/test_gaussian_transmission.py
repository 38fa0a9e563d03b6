"""Gaussian transmission at the wavelengths of reference values, section 2 (ISO 16610-21, from memory; computed)."""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.texture import Settings, Trace, evaluate
from crosslay.texture.filters.gaussian import mean_line

# λ/λc, mean line %
TABLE = [
    (0.25, 0.001526),
    (1 / 3, 0.195312),
    (0.4, 1.313901),
    (0.5, 6.250000),
    (0.6, 14.581613),
    (0.75, 29.163226),
    (0.8, 33.856389),
    (1.0, 50.0),
    (1.25, 64.171295),
    (1.5, 73.486725),
    (2.0, 84.089642),
    (2.5, 89.502507),
    (3.0, 92.587471),
    (4.0, 95.760328),
    (5.0, 97.265495),
    (8.0, 98.922801),
    (10.0, 99.309250),
]


def _amplitude(line, wavelength_um, spacing_um):
    """Amplitude of a sine of known wavelength, by least squares."""
    angle = 2 * np.pi * np.arange(line.size) * spacing_um / wavelength_um
    basis = np.stack((np.sin(angle), np.cos(angle)), axis=1)
    return float(np.hypot(*np.linalg.lstsq(basis, line, rcond=None)[0]))


@pytest.mark.parametrize(("ratio", "percent"), TABLE)
def test_mean_line_and_roughness_transmission(ratio, percent):
    """The closed form is 2^−(λc/λ)²; truncation at one cut-off costs at most 1.8e-7 (same section, L = 1)."""
    spacing_um, cutoff_mm = 0.25, 0.25
    wavelength_um = ratio * 250.0
    z = np.sin(2 * np.pi * np.arange(24_001) * spacing_um / wavelength_um + 0.3)
    line = mean_line(z, spacing_um, cutoff_mm)
    inner = slice(1000, -1000)
    assert 100 * _amplitude(line[inner], wavelength_um, spacing_um) == pytest.approx(percent, abs=2.5e-5)
    rough = (z - line)[inner]
    assert 100 * _amplitude(rough, wavelength_um, spacing_um) == pytest.approx(100 - percent, abs=2.5e-5)


@pytest.mark.parametrize(
    ("wavelength_um", "percent"),
    [
        (2.5, 50.0),
        (5, 84.0896),
        (10, 95.7603),
        (25, 99.3092),
        (50, 99.8269),
        (100, 99.9567),
        (250, 99.9104),
        (800, 49.9997),
    ],
)
def test_the_band_between_short_and_long_cutoff(wavelength_um, percent):
    """Band λs 2.5 µm, λc 0.8 mm: product of both transmissions (reference values, section 2, computed).

    Finely sampled (0.1 µm), so that the sum over samples is the integral, and so long (8 cut-offs) that the weights lie
    wholly on the trace at every point of the window.
    """
    spacing_um = 0.1
    z = np.sin(2 * np.pi * np.arange(64_001) * spacing_um / wavelength_um)
    done = evaluate(Trace(samples=z, spacing_um=spacing_um), Settings(cutoff_mm=0.8, short_cutoff_um=2.5, form="none"))
    window = done.profiles.roughness[done.profiles.start : done.profiles.stop]
    assert 100 * _amplitude(window, wavelength_um, spacing_um) == pytest.approx(percent, abs=1e-4)


@pytest.mark.parametrize(
    ("wavelength_mm", "cutoff_mm", "percent", "ra_um"),
    [(0.25, 0.8, 99.91731, 0.636093), (2.5, 0.8, 6.85179, None), (0.8, 2.5, 99.88512, None)],
)
def test_ra_of_a_filtered_sine(wavelength_mm, cutoff_mm, percent, ra_um):
    """Ra = (2A/π)(1 − 2^−(λc/λ)²); worked values of reference values, section 2."""
    spacing_um = 0.5
    points = round(8 * cutoff_mm * 1000 / spacing_um) + 1  # the weights lie wholly on the trace in the whole window
    z = np.sin(2 * np.pi * np.arange(points) * spacing_um / (1000 * wavelength_mm))
    done = evaluate(
        Trace(samples=z, spacing_um=spacing_um), Settings(cutoff_mm=cutoff_mm, short_cutoff_um=None, form="none")
    )
    window = done.profiles.roughness[done.profiles.start : done.profiles.stop]
    if ra_um is not None:  # the window holds a whole number of waves
        assert done.parameters["Ra"] == pytest.approx(2 / np.pi * percent / 100, rel=3e-5)
        assert done.parameters["Ra"] == pytest.approx(ra_um, rel=3e-5)
    assert 100 * _amplitude(window, 1000 * wavelength_mm, spacing_um) == pytest.approx(percent, abs=2.5e-5)
