"""Ral, Rsw, Wsw and the dominant waviness: direct sums, closed forms, degenerate profiles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from crosslay.texture.spectral import (
    autocorrelation_length_and_wavelength_mm,
    autocorrelation_length_mm,
    dominant_wavelength_mm,
    dominant_waviness,
)
from crosslay.texture.undefined import Undefined
from synthetic_surfaces import SURFACES, surface


def _slow_length_mm(z, spacing_um):
    """Biased autocorrelation lag by lag."""
    z = z - z.mean()
    before = 1.0
    for lag in range(1, z.size // 2):
        now = np.dot(z[:-lag], z[lag:]) / np.dot(z, z)
        if now <= 0.2:
            return (lag - 1 + (before - 0.2) / (before - now)) * spacing_um / 1000
        before = now
    return None


def _slow_wavelength_mm(z, spacing_um):
    """Tapered profile, one sum per bin."""
    points = z.size
    tapered = (z - z.mean()) * signal.get_window("hann", points, fftbins=True)
    n = np.arange(points)
    power = np.array([abs(np.dot(tapered, np.exp(-1j * np.pi * k * n / points))) ** 2 for k in range(points + 1)])
    line = max(range(1, points), key=lambda k: power[k])
    a, b, c = np.log(power[line - 1 : line + 2])
    return 2 * points * spacing_um / 1000 / (line + 0.5 * (a - c) / (a - 2 * b + c))


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(set(SURFACES) - {"specimen"})),
    points=st.integers(20, 500),
    spacing_um=st.sampled_from([0.37, 0.5, 2.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_direct_sums(name, points, spacing_um, seed):
    z = surface(name, points, spacing_um, seed) + 3.0
    length, wavelength = autocorrelation_length_and_wavelength_mm(z, spacing_um)
    expected = _slow_length_mm(z, spacing_um)
    if expected is None:
        assert isinstance(length, Undefined)
    else:
        assert length == pytest.approx(expected, rel=1e-9)
    slow = _slow_wavelength_mm(z, spacing_um)
    if 0 < slow < 4 * points * spacing_um / 1000:
        assert wavelength == pytest.approx(slow, rel=1e-9)
    assert autocorrelation_length_mm(z, spacing_um) == length
    assert dominant_wavelength_mm(z, spacing_um) == wavelength


def test_the_autocorrelation_length_of_a_sine_has_a_closed_form():
    # Biased estimate over M samples of many whole waves: (1 − τ/L) cos(2πτ/λ) = 0.2, near λ·arccos(0.2)/2π
    x = np.arange(80_000) * 0.5
    z = np.sin(2 * np.pi * x / 100.0)
    length_um, wavelength_um = 40_000.0, 100.0
    tau = wavelength_um * math.acos(0.2) / (2 * math.pi)
    for _ in range(20):
        tau = wavelength_um / (2 * math.pi) * math.acos(0.2 / (1 - tau / length_um))
    # linear interpolation between lags of half a micrometre costs some 1e-4 of the wavelength
    assert 1000 * autocorrelation_length_mm(z, 0.5) == pytest.approx(tau, abs=0.01)


def test_the_autocorrelation_length_of_an_exponential_process_is_its_length_times_ln_five():
    # ρ(τ) = exp(−τ/β) falls to 0.2 at β ln 5 (Whitehouse & Archard's profile model, 1970; closed form). Statistical:
    # 4,000 correlation lengths, so the estimate scatters by some 3 %.
    rng = np.random.default_rng(2)
    decay = math.exp(-1 / 50)
    z = signal.lfilter([1.0], [1.0, -decay], rng.standard_normal(200_000))
    assert 1000 * autocorrelation_length_mm(z, 0.5) == pytest.approx(25 * math.log(5), rel=0.08)


@pytest.mark.parametrize("wavelength_um", [50.0, 80.0, 135.0, 333.0, 500.0])
def test_the_wavelength_of_a_sine_is_found_between_the_bins(wavelength_um):
    x = np.arange(8000) * 0.5
    z = 2.0 * np.sin(2 * np.pi * x / wavelength_um + 0.7) + 0.3 * np.sin(2 * np.pi * x / 11.0)
    assert 1000 * dominant_wavelength_mm(z, 0.5) == pytest.approx(wavelength_um, rel=5e-4)


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(set(SURFACES) - {"specimen"})),
    points=st.integers(50, 3000),
    seed=st.integers(0, 10_000),
    scale=st.sampled_from([-3.0, 1e-6, 1e4]),
    offset_um=st.floats(-10, 10),
)
def test_scale_offset_and_direction_do_not_matter_and_spacing_scales(name, points, seed, scale, offset_um):
    z = surface(name, points, 0.5, seed)
    expected = autocorrelation_length_and_wavelength_mm(z, 0.5)
    # A periodic Hann taper is symmetrical about its first sample, so that one stays in its place.
    backward = np.roll(z[::-1], 1)
    for other, factor in ((scale * (z + offset_um), 1.0), (backward, 1.0), (z, 4.0)):
        found = autocorrelation_length_and_wavelength_mm(other, 0.5 * factor)
        if other is backward:
            found = autocorrelation_length_mm(z[::-1], 0.5), found[1]
        for now, then in zip(found, expected, strict=True):
            if isinstance(then, Undefined):
                assert now == then
            else:
                assert now == pytest.approx(factor * then, rel=1e-7)


@pytest.mark.parametrize("points", [4, 100, 4001])
@pytest.mark.parametrize("height_um", [0.0, 5.0, 0.1, -1e6])
def test_a_level_profile_has_neither(points, height_um):
    z = np.full(points, height_um)
    for value in (*autocorrelation_length_and_wavelength_mm(z, 0.5), dominant_waviness(z, 0.5)):
        assert isinstance(value, Undefined)
        assert "level" in value.reason


@pytest.mark.parametrize("points", [1, 2, 3])
def test_too_few_samples_have_neither(points):
    z = np.array([1.0, -1.0, 2.0])[:points]
    for value in (*autocorrelation_length_and_wavelength_mm(z, 0.5), dominant_waviness(z, 0.5)):
        assert isinstance(value, Undefined)
        assert "fewer than four" in value.reason


def test_an_autocorrelation_that_stays_high_leaves_the_length_undefined():
    # Half the window is six samples here; a ramp has not fallen to 0.2 within the lags 0 … 1
    z = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    length, wavelength = autocorrelation_length_and_wavelength_mm(z, 0.5)
    assert isinstance(length, Undefined)
    assert "does not fall to 0.2" in length.reason
    assert wavelength > 0


@pytest.mark.parametrize("z", [np.cos(np.pi * np.arange(400)), np.arange(400) ** 2.0, np.eye(1, 400, 200)[0]])
def test_two_samples_a_wave_a_bowl_and_a_spike_give_finite_wavelengths(z):
    wavelength = dominant_wavelength_mm(z, 0.5)
    assert math.isfinite(wavelength)
    assert wavelength > 0
    assert all(
        math.isfinite(v) for v in autocorrelation_length_and_wavelength_mm(z, 0.5) if not isinstance(v, Undefined)
    )


@pytest.mark.parametrize("wavelength_um", [800.0, 1333.0, 2000.0])
def test_a_sine_is_its_own_dominant_waviness(wavelength_um):
    x = np.arange(24_000) * 0.5
    found = dominant_waviness(1.7 * np.sin(2 * np.pi * x / wavelength_um + 1.0) + 3.0, 0.5)
    assert 1000 * found.wavelength_mm == pytest.approx(wavelength_um, rel=1e-3)
    assert found.amplitude_um == pytest.approx(1.7, rel=1e-3)
    assert found.energy_share_percent == pytest.approx(100.0, abs=0.05)


def test_the_share_of_energy_is_that_of_the_squares_of_the_amplitudes():
    # Two sines of whole waves: variances a²/2, so 2² and 1² share 80 : 20
    x = np.arange(8000) / 8000
    found = dominant_waviness(2 * np.sin(2 * np.pi * 10 * x) + np.cos(2 * np.pi * 35 * x), 0.5)
    assert found.energy_share_percent == pytest.approx(80.0, abs=0.1)
    assert found.amplitude_um == pytest.approx(2.0, rel=1e-3)
    assert 1000 * found.wavelength_mm == pytest.approx(400.0, rel=1e-4)


def test_less_than_one_wave_has_a_length_but_no_amplitude():
    x = np.linspace(0, 1, 4000)
    found = dominant_waviness(np.sin(2 * np.pi * 0.6 * x), 0.5)
    assert found.wavelength_mm > 2.0
    assert isinstance(found.amplitude_um, Undefined)
    assert isinstance(found.energy_share_percent, Undefined)
    assert "shorter than one wave" in found.amplitude_um.reason


def test_the_share_lies_between_0_and_100_whatever_the_profile():
    for name in SURFACES:
        found = dominant_waviness(surface(name, 4000, 0.5, 9), 0.5)
        if not isinstance(found.energy_share_percent, Undefined):
            assert 0 <= found.energy_share_percent <= 100
            assert found.amplitude_um >= 0
