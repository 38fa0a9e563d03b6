"""2RC filters: scipy's bilinear transform and filter, 50 digits, settling, what they must keep."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.filters.two_rc import mean_line, mean_line_zero_phase, stage_coefficients
from synthetic_surfaces import SURFACES, surface

FILTERS = {"2rc": mean_line, "2rc-zero-phase": mean_line_zero_phase}


def _scipy_stage(spacing_um, cutoff_mm):
    """The stage τs/(1 + τs) by scipy.signal.bilinear, its rate chosen so that the warping is 0 at the cut-off."""
    omega = 2 * math.pi / (1000 * cutoff_mm)
    tau = math.sqrt(3) / omega
    rate = omega / (2 * math.tan(omega * spacing_um / 2))
    return signal.bilinear([tau, 0], [tau, 1], fs=rate)


def _scipy_high_pass(z, spacing_um, cutoff_mm):
    b, a = _scipy_stage(spacing_um, cutoff_mm)
    # The state of a filter that has seen the first height for ever: it answers 0.
    return signal.lfilter(b, a, z, zi=signal.lfilter_zi(b, a) * z[0])[0]


def _scipy_mean_line(z, spacing_um, cutoff_mm, name):
    stage = _scipy_high_pass(z, spacing_um, cutoff_mm)
    if name == "2rc":
        return z - _scipy_high_pass(stage, spacing_um, cutoff_mm)
    return z - _scipy_high_pass(stage[::-1], spacing_um, cutoff_mm)[::-1]


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from(sorted(FILTERS)),
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(1, 4000),
    cutoff_mm=st.sampled_from([0.0025, 0.08, 0.25, 0.8, 8.0]),
    spacing_um=st.sampled_from([0.05, 0.37, 0.5, 1.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_scipy(kind, name, points, cutoff_mm, spacing_um, seed):
    z = surface(name, points, spacing_um, seed) + 12.0
    expected = _scipy_mean_line(z, spacing_um, cutoff_mm, kind)
    np.testing.assert_allclose(FILTERS[kind](z, spacing_um, cutoff_mm), expected, rtol=0, atol=1e-10)


def test_coefficients_agree_with_scipy():
    for spacing_um, cutoff_mm in ((0.5, 0.8), (0.05, 0.8), (0.5, 0.0011), (1.5, 2.5)):
        gain, pole = stage_coefficients(spacing_um, cutoff_mm)
        b, a = _scipy_stage(spacing_um, cutoff_mm)
        np.testing.assert_allclose([gain, -gain], b, rtol=1e-12)
        np.testing.assert_allclose([1, -pole], a, rtol=1e-12)


@pytest.mark.parametrize("kind", sorted(FILTERS))
def test_agrees_with_fifty_digits(kind):
    z = surface("turned", 300, 0.5, 2)
    with mpmath.workdps(50):
        root = mpmath.sqrt(3) / mpmath.tan(mpmath.pi * mpmath.mpf("0.5") / 80)
        gain, pole = root / (root + 1), (root - 1) / (root + 1)

        def high_pass(x):
            y = [mpmath.mpf(0)]
            for now, before in zip(x[1:], x[:-1], strict=True):
                y.append(pole * y[-1] + gain * (now - before))
            return y

        first = high_pass([mpmath.mpf(float(value)) for value in z])
        second = high_pass(first) if kind == "2rc" else high_pass(first[::-1])[::-1]
        expected = np.array([float(mpmath.mpf(float(a)) - b) for a, b in zip(z, second, strict=True)])
    np.testing.assert_allclose(FILTERS[kind](z, 0.5, 0.08), expected, rtol=0, atol=1e-13)


def test_each_stage_starts_at_rest():
    # design: texture, section 2: the state starts at rest on the first sample
    z = 40.0 + surface("ground", 500, 0.5, 1)
    assert mean_line(z, 0.5, 0.08)[0] == z[0]
    assert mean_line_zero_phase(z, 0.5, 0.08)[-1] == z[-1]
    for line in FILTERS.values():
        assert (line(np.full(50, 7.25), 0.5, 0.08) == 7.25).all()


def test_the_answer_to_an_impulse_is_the_textbooks():
    # m(x) = (A/λc)(2 − A x/λc) e^{−A x/λc}, A = 2π/√3 (weighting function of the mean line; from memory)
    cutoff_um, spacing_um, at = 80.0, 0.005, 100
    z = np.zeros(30_000)
    z[at] = 1 / spacing_um
    line = mean_line(z, spacing_um, cutoff_um / 1000)
    x = (np.arange(z.size) - at) * spacing_um
    a = 2 * math.pi / math.sqrt(3) / cutoff_um
    expected = a * (2 - a * x) * np.exp(-a * x)
    np.testing.assert_allclose(line[at + 1 :], expected[at + 1 :], rtol=0, atol=1e-3 * a)
    assert (line[:at] == 0).all()


@settings(max_examples=40, deadline=None)
@given(
    kind=st.sampled_from(sorted(FILTERS)),
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(1, 400),
    seed=st.integers(0, 10_000),
    scale=st.floats(-1e3, 1e3),
    offset_um=st.floats(-1e3, 1e3),
)
def test_is_linear_and_keeps_offset(kind, name, points, seed, scale, offset_um):
    z = surface(name, points, 0.5, seed)
    line = FILTERS[kind]
    size = np.abs(scale * z).max() + abs(offset_um)
    np.testing.assert_allclose(
        line(scale * z + offset_um, 0.5, 0.08),
        scale * line(z, 0.5, 0.08) + offset_um,
        rtol=0,
        atol=1e-12 * size + 1e-300,
    )


def test_the_zero_phase_filter_does_not_know_the_direction_once_settled():
    z = surface("turned", 9601, 0.5, 4)
    forward = mean_line_zero_phase(z, 0.5, 0.08)
    backward = mean_line_zero_phase(z[::-1], 0.5, 0.08)[::-1]
    settled = slice(1600, -1600)
    np.testing.assert_allclose(backward[settled], forward[settled], rtol=0, atol=1e-12 * np.ptp(z))


def test_a_tilt_is_not_kept_but_becomes_a_constant_lag():
    # H has a double zero at infinite wavelength: a ramp's roughness dies out, its mean line follows without offset
    z = 0.01 * np.arange(9601)
    rough = z - mean_line(z, 0.5, 0.08)
    assert abs(rough[-1]) < 1e-9
    assert np.abs(rough).max() > 0.1


@pytest.mark.parametrize("kind", sorted(FILTERS))
def test_input_is_neither_changed_nor_bound_to_one_type(kind):
    z = (100 * surface("ground", 500, 0.5, 1)).round()
    kept = z.copy()
    line = FILTERS[kind](z, 0.5, 0.08)
    assert line.dtype == np.float64
    assert (z == kept).all()
    assert (FILTERS[kind](z.astype(np.int32), 0.5, 0.08) == line).all()
    assert (FILTERS[kind](np.repeat(z, 2)[::2], 0.5, 0.08) == line).all()


@pytest.mark.parametrize("kind", sorted(FILTERS))
@pytest.mark.parametrize(
    ("z", "cutoff_mm", "error", "says"),
    [
        ([0.0, np.nan, 1.0], 0.8, TraceError, "height 1 of the profile is nan"),
        ([[0.0, 1.0]], 0.8, TraceError, r"shape \(1, 2\)"),
        ([0.0, 1.0], 0.001, SettingsError, "must be above two spacings"),
    ],
)
def test_what_cannot_be_filtered_is_refused(kind, z, cutoff_mm, error, says):
    with pytest.raises(error, match=says):
        FILTERS[kind](np.array(z), 0.5, cutoff_mm)
