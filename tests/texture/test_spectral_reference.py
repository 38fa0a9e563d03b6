"""Ral and Rsw against the slow reference: sums over lags and over bins, no transform."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings

from crosslay.texture.spectral import autocorrelation_length_and_wavelength_mm
from crosslay.texture.undefined import Undefined
from curve_cases import windows
from reference import brute_curve


@settings(max_examples=25, deadline=None)
@given(windows(200, 400))
def test_correlation_length_and_wavelength_equal_the_slow_reference(case):
    _, z, dx = case
    profile = z.tolist()
    length, wavelength = autocorrelation_length_and_wavelength_mm(z, dx)
    expected = brute_curve.correlation_length(profile, dx)
    if expected is None:
        assert isinstance(length, Undefined)
    else:
        assert length == pytest.approx(expected, rel=1e-6)
    power = np.array(brute_curve.spectrum(profile))
    lines = np.sort(power[1 : z.size])
    assume(lines[-1] > (1 + 1e-9) * lines[-2])  # of two equally strong lines, either holds
    # Where the powers still rise towards bin 0, the top of the parabola lies far outside its three points and carries
    # their rounding with it.
    assume(power[0] < power[1] or np.argmax(power[1:]) > 0)
    assert wavelength == pytest.approx(brute_curve.dominant_wavelength(profile, dx), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(windows(24, 60))
def test_very_short_windows_too(case):
    _, z, dx = case
    length, wavelength = autocorrelation_length_and_wavelength_mm(z, dx)
    expected = brute_curve.correlation_length(z.tolist(), dx)
    assert isinstance(length, Undefined) if expected is None else length == pytest.approx(expected, rel=1e-6)
    if not isinstance(wavelength, Undefined):
        assert wavelength > 0.0
