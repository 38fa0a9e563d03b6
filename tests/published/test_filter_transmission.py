"""Transmission, phase and settling of the profile filters against the printed values of their standards.

Values: page *reference-values*, sections 3 and 4. 2RC: ISO 3274:1975 (75 % at the cut-off; from memory), table computed
from ``H(λ) = 1/(1 − jλ/(√3 λc))²``. Robust filter without weights: ISO 16610-31 order 2, computed from
``e^{−u(λc/λ)²}(1 + u(λc/λ)²)``. Spline: ISO 16610-22, β = 0, computed from ``1/(1 + (λc/λ)⁴)``.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from crosslay.texture.filters import robust, spline, two_rc, valley_suppressing
from crosslay.texture.filters.local_parabola import GAMMA, LocalParabola

# λ/λc, transmission of the roughness %, phase lead in degrees
TWO_RC = [
    (0.1, 99.6678, 6.61),
    (0.25, 97.9592, 16.43),
    (1 / 3, 96.4286, 21.79),
    (0.5, 92.3077, 32.20),
    (0.75, 84.2105, 46.83),
    (1.0, 75.0000, 60.00),
    (1.25, 65.7534, 71.64),
    (1.5, 57.1429, 81.79),
    (2.0, 42.8571, 98.21),
    (2.5, 32.4324, 110.57),
    (3.0, 25.0000, 120.00),
    (4.0, 15.7895, 133.17),
    (5.0, 10.7143, 141.79),
    (10.0, 2.9126, 160.35),
]
# λ/λc, transmission of the mean line %
ORDER_TWO = [(0.5, 0.93682), (0.75, 20.15919), (1.0, 50.0), (1.5, 82.80817), (2.0, 93.31205), (3.0, 98.46298)]
SPLINE = [
    (0.25, 0.38911),
    (0.5, 5.88235),
    (0.75, 24.03561),
    (1.0, 50.0),
    (1.5, 83.50515),
    (2.0, 94.11765),
    (4.0, 99.61089),
]

SPACING_UM = 0.5
CUTOFF_MM = 0.4


def _wave(ratio, waves, lead_in_um=0.0):
    """A sine of ratio·λc over whole waves after a lead-in, its x in µm, and where the whole waves begin.

    The wavelength is rounded to whole spacings, so sums over whole waves are exact; the ratio that came of it is given.
    """
    samples = round(ratio * CUTOFF_MM * 1000 / SPACING_UM)
    before = math.ceil(lead_in_um / SPACING_UM / samples) * samples
    n = np.arange(before + waves * samples + before)
    return np.sin(2 * np.pi * n / samples), samples, slice(before, before + waves * samples)


def _response(profile, period, window):
    """Complex amplitude of the wave in a window of whole waves, relative to sin."""
    n = np.arange(window.start, window.stop)
    carrier = np.exp(-2j * np.pi * n / period)
    return 2j * np.dot(profile[window], carrier) / n.size


@pytest.mark.parametrize(("ratio", "transmission_percent", "lead_deg"), TWO_RC)
def test_2rc_table(ratio, transmission_percent, lead_deg):
    z, period, window = _wave(ratio, 2, lead_in_um=12 * CUTOFF_MM * 1000)
    rough = z - two_rc.mean_line(z, SPACING_UM, CUTOFF_MM)
    response = _response(rough, period, window)
    # one third of a cut-off is not a whole number of spacings here; the closed form carries the rest
    exact = 1 / (1 - 1j * (period * SPACING_UM / (1000 * CUTOFF_MM)) / math.sqrt(3)) ** 2
    assert 100 * abs(response) == pytest.approx(100 * abs(exact), abs=0.002)
    assert 100 * abs(response) == pytest.approx(transmission_percent, abs=0.02)
    assert math.degrees(np.angle(response)) % 360 == pytest.approx(lead_deg, abs=0.05)


@pytest.mark.parametrize(("ratio", "transmission_percent", "_lead_deg"), TWO_RC)
def test_2rc_zero_phase_has_the_same_amplitude_and_no_phase(ratio, transmission_percent, _lead_deg):
    z, period, window = _wave(ratio, 2, lead_in_um=12 * CUTOFF_MM * 1000)
    response = _response(z - two_rc.mean_line_zero_phase(z, SPACING_UM, CUTOFF_MM), period, window)
    assert 100 * abs(response) == pytest.approx(transmission_percent, abs=0.02)
    assert math.degrees(np.angle(response)) == pytest.approx(0.0, abs=0.01)


def test_2rc_passes_exactly_three_quarters_at_the_cutoff():
    # The prewarping makes this hold for any spacing: 0.4 mm in 20 samples as well as in 800
    for spacing_um in (0.5, 5.0, 20.0):
        samples = round(CUTOFF_MM * 1000 / spacing_um)
        z = np.sin(2 * np.pi * np.arange(20 * samples) / samples)
        rough = z - two_rc.mean_line(z, spacing_um, CUTOFF_MM)
        response = _response(rough, samples, slice(18 * samples, 20 * samples))
        assert abs(response) == pytest.approx(0.75, abs=1e-12)
        assert math.degrees(np.angle(response)) == pytest.approx(60.0, abs=1e-10)


@pytest.mark.parametrize(("cutoffs", "rest_percent"), [(1.0, -6.98), (1.5, -1.92), (2.0, -0.44), (3.0, -0.019)])
def test_2rc_settles_after_a_step_as_computed(cutoffs, rest_percent):
    # e^{−AX}(1 − AX) with A = 2π/√3: why two cut-offs of run-up are usual
    spacing_um = 0.05
    after = round(cutoffs * CUTOFF_MM * 1000 / spacing_um)
    z = np.zeros(2 + after)
    z[1:] = 1.0
    rough = z - two_rc.mean_line(z, spacing_um, CUTOFF_MM)
    assert 100 * rough[-1] == pytest.approx(rest_percent, abs=0.006)


def _order_two_within(support, ratio):
    """Transmission of the local parabola whose weights end at ±support·λc: moments by quadrature."""

    def moment(power, wave=0.0):
        return (
            2
            * integrate.quad(
                lambda u: u**power * math.exp(-math.pi * (u / GAMMA) ** 2) * math.cos(wave * u),
                0,
                support,
                epsabs=1e-13,
            )[0]
        )

    m0, m2, m4 = moment(0), moment(2), moment(4)
    wave = 2 * math.pi / ratio
    return (m4 * moment(0, wave) - m2 * moment(2, wave)) / (m0 * m4 - m2 * m2)


@pytest.mark.parametrize(("ratio", "transmission_percent"), ORDER_TWO)
def test_second_order_regression_table(ratio, transmission_percent):
    z, period, window = _wave(ratio, 4, lead_in_um=2 * CUTOFF_MM * 1000)
    line = np.empty_like(z)
    LocalParabola(z.size, SPACING_UM, CUTOFF_MM).fit(z, None, line)
    response = _response(line, period, window)
    # The table is for weights without end, which four cut-offs are; that ours end at 1.5 λc (page *texture*) moves it
    # by less than 0.004 %.
    assert 100 * _order_two_within(4.0, ratio) == pytest.approx(transmission_percent, abs=6e-6)
    # The sum over samples is the midpoint rule over a support that is half a spacing longer.
    support = 1.5 + SPACING_UM / 2 / (1000 * CUTOFF_MM)
    assert response.real == pytest.approx(_order_two_within(support, ratio), abs=1e-8)
    assert 100 * response.real == pytest.approx(transmission_percent, abs=0.004)
    assert abs(response.imag) < 1e-9


def test_the_robust_filter_passes_half_at_the_cutoff_where_no_residual_stands_out():
    # A sine alone: |r|/cB is at most 1/(4.4478 sin 45°), so the weights vary a little and the value moves a little
    z, period, window = _wave(1.0, 4, lead_in_um=2 * CUTOFF_MM * 1000)
    response = _response(robust.mean_line(z, SPACING_UM, CUTOFF_MM), period, window)
    assert response.real == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize(("ratio", "transmission_percent"), SPLINE)
def test_spline_table(ratio, transmission_percent):
    z, period, window = _wave(ratio, 4, lead_in_um=8 * CUTOFF_MM * 1000)
    response = _response(spline.mean_line(z, SPACING_UM, CUTOFF_MM), period, window)
    # 1/(1 + 16 α⁴ sin⁴(π dx/λ)) for this spacing; the table is its limit for dx → 0
    alpha = spline.stiffness(SPACING_UM, CUTOFF_MM)
    exact = 1 / (1 + 16 * alpha**4 * math.sin(math.pi / period) ** 4)
    assert response.real == pytest.approx(exact, abs=1e-9)
    assert abs(response.imag) < 1e-9
    assert 100 * response.real == pytest.approx(transmission_percent, abs=0.001)


def test_the_spline_differs_from_the_gaussian_by_what_is_published():
    # reference-values, section 4 (computed): largest deviation 10.63 percentage points at β = 0
    ratios = np.linspace(0.3, 3, 2000)
    alpha = spline.stiffness(SPACING_UM, CUTOFF_MM)
    period = ratios * CUTOFF_MM * 1000 / SPACING_UM
    passes = 1 / (1 + 16 * alpha**4 * np.sin(np.pi / period) ** 4)
    assert 100 * np.abs(passes - 2.0 ** -(ratios**-2)).max() == pytest.approx(10.63, abs=0.01)


def test_the_valley_suppressing_line_of_a_fine_sine_is_its_half_waves_mean():
    # Far below the cut-off the first line is 0, the cut profile max(sin, 0), and its mean 1/π: the second line
    z, _, window = _wave(0.01, 400, lead_in_um=3 * CUTOFF_MM * 1000)
    line = valley_suppressing.mean_line(z, SPACING_UM, CUTOFF_MM)[window]
    # eight samples a wave: the mean of max(sin, 0) over them is (1 + √2)/8
    np.testing.assert_allclose(line, (1 + math.sqrt(2)) / 8, rtol=0, atol=1e-6)
    assert (1 + math.sqrt(2)) / 8 == pytest.approx(1 / math.pi, rel=0.06)
