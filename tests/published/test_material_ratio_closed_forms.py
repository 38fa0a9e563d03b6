"""Material ratio parameters and slopes of curves and shapes whose values are known in closed form.

Sources: the algorithm of ISO 13565-2:1996 (*from memory*) applied by hand to the curves below; the values stand in the
table "Closed-form Abbott checks" of the page *reference-values*, section 5.2, COMPUTED there, and are derived again
here. Sine, triangle and arcs: shapes of ISO 5436-1:2000, type C; formulae elementary.

A curve of M heights is taken at the ratios (i + ½)/M, h = 1/M. It differs from the ideal curve z(m), m = 0 … 1, by
three things only, from which each tolerance is derived:

- beyond the first and last point it is level: the area there is short by ∫₀^{h/2} (z(m) − z(h/2)) dm,
- between points it is a chord: heights differ by at most h²/8·max|z''|, areas over a length L by h²/12·L·max|z''|,
- sums stand for integrals over the window (midpoint rule): relative error h²/24·(z''/z) and the like.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtri

from crosslay.texture.hybrid import slope_parameters
from crosslay.texture.material_ratio import (
    core_parameters,
    height_at_ratio,
    height_difference,
    material_curve,
    material_ratio,
    material_ratio_below,
    volume_parameters,
)

POINTS = 100_000
H = 1.0 / POINTS
RATIOS = (np.arange(POINTS) + 0.5) * H
#: Rounding of a few sums over 1e5 numbers.
EPS = 1e-10


def _curve(heights):
    """In an order that no longer shows the ratio."""
    return material_curve(np.random.default_rng(1).permutation(heights))


def _three_segments(points):
    m = (np.arange(points) + 0.5) / points
    return np.interp(m, [0.0, 0.1, 0.8, 1.0], [3.0, 1.0, -1.0, -5.0])


# --- the core family ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("points", [10, 100, 1000, 12_340])
def test_a_straight_curve_is_all_core(points):
    # Triangle or saw of total height 2A: Rk = 2A. The first and last height lie half a step inside.
    m = (np.arange(points) + 0.5) / points
    core = core_parameters(_curve(1.5 * (1.0 - 2.0 * m)))
    assert core.k == pytest.approx(3.0, rel=1e-12)
    assert (core.pk, core.vk) == (0.0, 0.0)
    assert (core.mrk1, core.mrk2) == (0.0, 100.0)
    assert (core.ak1, core.ak2) == (0.0, 0.0)


@pytest.mark.parametrize("points", [100, 1000, 8000])
def test_three_segments_give_exact_rationals(points):
    # (0, 3)-(10 %, 1)-(80 %, −1)-(100 %, −5): the window lies in the middle segment, which the points follow exactly.
    core = core_parameters(_curve(_three_segments(points)))
    assert core.k == pytest.approx(20 / 7, rel=1e-12)
    assert core.mrk1 == pytest.approx(60 / 7, rel=1e-12)
    assert core.mrk2 == pytest.approx(580 / 7, rel=1e-12)
    # Both outer segments fall 0.2 µm per %; level over the half step of 50/M % they miss a triangle, exactly.
    missing = 0.5 * 0.2 * (50.0 / points) ** 2
    area_1, area_2 = (12 / 7) * (60 / 7) / 2, (24 / 7) * (120 / 7) / 2
    assert core.ak1 == pytest.approx(area_1 - missing, rel=1e-12)
    assert core.ak2 == pytest.approx(area_2 - missing, rel=1e-12)
    assert core.pk == pytest.approx(12 / 7 * (1 - missing / area_1), rel=1e-12)
    assert core.vk == pytest.approx(24 / 7 * (1 - missing / area_2), rel=1e-12)


def test_three_segments_on_a_dense_curve_reach_the_published_digits():
    core = core_parameters(_curve(_three_segments(POINTS)))
    missing = 0.1 * (50.0 * H) ** 2
    assert core.k == pytest.approx(2.857143, abs=5e-7)
    assert core.pk == pytest.approx(1.714286, abs=5e-7 + 2 * missing / (60 / 7))
    assert core.vk == pytest.approx(3.428571, abs=5e-7 + 2 * missing / (120 / 7))


def test_gaussian_heights():
    # z = −Φ⁻¹(m), σ = 1; window 30 … 70 %.
    core = core_parameters(_curve(-ndtri(RATIOS)))
    # Window: |z''| = |z|/φ² ≤ 4.4 there, so the sums are good to h²; the crossings likewise.
    assert core.k == pytest.approx(2.57396, abs=5e-6 + 10 * H**2)
    assert core.mrk1 == pytest.approx(9.9051, abs=5e-5 + 1e3 * H**2)
    assert core.mrk2 == pytest.approx(90.0949, abs=5e-5 + 1e3 * H**2)
    # Tails: the level half step misses φ(z₀) − h/2·z₀ < h/(2 z₀) (Mills' ratio); the chords above add
    # Σ h³/12·z'' with z'' = z/φ² < 1/(z·m²), that is less than h/12·Σ 1/(i + ½)²/z = h·π²/24/z, z > 1.28 throughout.
    missing = H / (2 * -ndtri(H / 2)) + H * math.pi**2 / 24 / 1.28
    for value in (core.pk, core.vk):
        assert value == pytest.approx(0.94504, abs=5e-6 + 2 * missing / 0.099051)


@pytest.mark.parametrize("height", [1.0, 12.5])
def test_parabola_peaks_up(height):
    # A turned surface: z = h(1 − m)², window 60 … 100 %; the least-squares line of a parabola over midpoints has the
    # ideal slope exactly, and its level is short by the midpoint rule's h²/12.
    core = core_parameters(_curve(height * (1.0 - RATIOS) ** 2))
    assert core.k == pytest.approx(0.4 * height, rel=EPS)
    # The line ends at 0.37333 h; slope of the curve there −2·0.611, chord height h²/4.
    assert core.mrk1 == pytest.approx(100 * (1 - math.sqrt(0.4 - 0.04 + 0.04 / 3)), abs=100 * H**2 + 100 * EPS)
    assert core.mrk1 == pytest.approx(38.8990, abs=5e-5 + 100 * H**2)
    assert core.pk == pytest.approx(0.576229 * height, abs=(5e-7 + 10 * H**2) * height)
    assert (core.vk, core.mrk2) == (0.0, 100.0)


def test_inverted_parabola_is_the_mirror_image():
    core = core_parameters(_curve(1.0 - RATIOS**2))
    assert core.k == pytest.approx(0.4, rel=EPS)
    assert core.mrk2 == pytest.approx(61.1010, abs=5e-5 + 100 * H**2)
    assert core.vk == pytest.approx(0.576229, abs=5e-7 + 10 * H**2)
    assert (core.pk, core.mrk1) == (0.0, 0.0)


def test_sine_of_two_equal_windows_the_first_holds():
    # z = A cos(πm): 0 … 40 % and 60 … 100 % are equally narrow. Derivatives ≤ π² A: errors of the order of 10 h².
    core = core_parameters(_curve(2.0 * np.cos(np.pi * RATIOS)))
    assert core.k == pytest.approx(2.0 * 1.774702, abs=2.0 * (5e-7 + 20 * H**2))
    assert core.vk == pytest.approx(2.0 * 0.443918, abs=2.0 * (5e-7 + 20 * H**2))
    assert core.mrk2 == pytest.approx(73.0689, abs=5e-5 + 1e3 * H**2)
    assert (core.pk, core.mrk1) == (0.0, 0.0)


def test_the_core_line_of_a_sine_by_quadrature():
    # The same line by its integrals: mean of cos over 0 … 0.4 and slope 12/0.4³·∫(m − 0.2) cos(πm) dm.
    w = 0.4
    mean = math.sin(math.pi * w) / (math.pi * w)
    moment = w / 2 * math.sin(math.pi * w) / math.pi + (math.cos(math.pi * w) - 1) / math.pi**2
    slope = 12 * moment / w**3
    assert -slope == pytest.approx(1.774702, abs=5e-7)
    lower = mean + slope * (1 - w / 2)
    assert 100 * math.acos(lower) / math.pi == pytest.approx(73.0689, abs=5e-5)


# --- ratios ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "ratio"), [(0.0, 50.0), (0.25, 41.9569), (0.5, 33.3333), (0.75, 23.0053), (0.9, 14.3566)]
)
def test_material_ratio_of_a_sine(share, ratio):
    # Rmr = arccos(c/A)/π. Chord height h²π²/8·A over a slope of at least π·√(1 − 0.81)·A.
    curve = _curve(2.5 * np.cos(np.pi * RATIOS))
    found = material_ratio(curve, 2.5 * share)
    assert found == pytest.approx(100 * math.acos(share) / math.pi, abs=100 * H**2 + 100 * EPS)
    assert found == pytest.approx(ratio, abs=5e-5 + 100 * H**2)


def test_material_ratio_of_a_sampled_sine_profile():
    # 50 whole periods of 160 samples: every phase (k + ½)/160 fifty times, so the curve has steps of 1/80 of the ratio
    # and between them stands within one step of arccos.
    z = np.sin(2 * np.pi * (np.arange(8000) + 0.5) / 160)
    curve = material_curve(z)
    for share in (-0.9, -0.5, 0.0, 0.25, 0.75):
        assert material_ratio(curve, share) == pytest.approx(100 * math.acos(share) / math.pi, abs=100 / 80)


@pytest.mark.parametrize(("p", "depth", "ratio"), [(0.0, 1.0, 50.0), (10.0, 0.6, 40.0), (5.0, 1.9, 100.0)])
def test_relative_material_ratio_of_a_straight_curve(p, depth, ratio):
    # Falls 2 µm in 100 %: dc below C(p) the ratio is p + 50·dc.
    curve = _curve(1.0 - 2.0 * RATIOS)
    assert material_ratio_below(curve, p, depth) == pytest.approx(ratio, abs=50 * H + 100 * EPS)


@pytest.mark.parametrize(("p", "q"), [(20, 80), (2, 98), (10, 90), (50, 50), (80, 20)])
def test_height_differences_of_known_curves(p, q):
    assert height_difference(_curve(3.0 - 6.0 * RATIOS), p, q) == pytest.approx(0.06 * (q - p), rel=EPS, abs=EPS)
    # Gaussian: |z''| ≤ 2.06/φ(2.06)² = 900 at 2 %.
    difference = ndtri(q / 100) - ndtri(p / 100)
    assert height_difference(_curve(-ndtri(RATIOS)), p, q) == pytest.approx(difference, abs=250 * H**2 + EPS)


def test_heights_at_the_ends_are_the_highest_and_lowest():
    curve = _curve(_three_segments(1000))
    assert height_at_ratio(curve, 0.0) == height_at_ratio(curve, 0.05) == curve.heights_um[0]
    assert height_at_ratio(curve, 100.0) == height_at_ratio(curve, 99.95) == curve.heights_um[-1]


# --- volumes -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("p", "q"), [(10.0, 80.0), (5.0, 95.0), (25.0, 50.0)])
def test_volumes_of_a_straight_curve(p, q):
    # Triangles: Vm(p) = A(p/100)², Vv(p) = A(1 − p/100)²; each end misses A·h²/4 exactly.
    amplitude, a, b = 1.3, p / 100, q / 100
    found = volume_parameters(_curve(amplitude * (1 - 2 * RATIOS)), p, q)
    missing = amplitude * H**2 / 4
    assert found.vmp == pytest.approx(amplitude * a**2 - missing, rel=EPS)
    assert found.vmc == pytest.approx(amplitude * (b**2 - a**2), rel=EPS)
    assert found.vvc == pytest.approx(amplitude * ((1 - a) ** 2 - (1 - b) ** 2), rel=EPS)
    assert found.vvv == pytest.approx(amplitude * (1 - b) ** 2 - missing, rel=EPS)


def test_volumes_of_three_segments_are_rationals():
    # Default 10 % and 80 %, the corners: Vm(10) = ½·0.1·2, Vm(80) = 0.8·(mean above −1), and so on, in µm.
    found = volume_parameters(_curve(_three_segments(POINTS)))
    # At a corner, half way between two points, the chord leaves the curve by h/4·(difference of the slopes 20 and
    # 20/7), which shifts C(p); a volume changes by that times its base, which is at most 1.
    corner = H / 4 * (20 - 20 / 7)
    assert found.vmp == pytest.approx(0.1, abs=corner)
    assert found.vmc == pytest.approx(0.1 * 3 + 0.7 * 1 - 0.1, abs=2 * corner)
    assert found.vvc == pytest.approx(0.7 * 1 + 0.2 * 4 - 0.4, abs=2 * corner)
    assert found.vvv == pytest.approx(0.4, abs=corner)


def test_volumes_of_gaussian_heights():
    # ∫₀ᵖ z dm = φ(z_p): Vm(p) = φ(z_p) − p·z_p, and Vv(q) the same of 1 − q. Tails as above.
    def beyond(ratio):
        z = -ndtri(ratio)
        return math.exp(-0.5 * z * z) / math.sqrt(2 * math.pi) - ratio * z

    found = volume_parameters(_curve(-ndtri(RATIOS)))
    missing = H / (2 * -ndtri(H / 2)) + H * math.pi**2 / 24 / 0.84
    assert found.vmp == pytest.approx(beyond(0.1), abs=missing)
    assert found.vvv == pytest.approx(beyond(0.2), abs=missing)
    assert found.vmc == pytest.approx(beyond(0.8) - beyond(0.1), abs=2 * missing)
    assert found.vvc == pytest.approx(beyond(0.9) - beyond(0.2), abs=2 * missing)


# --- shapes of specimens -----------------------------------------------------------------------------------------


def test_slopes_of_a_sine_specimen():
    # Rdq = √2·πA/λ, Rda = 4A/λ (page reference-values, section 6). 400 samples per period: the seven-point formula is
    # short by θ⁶/140 of the slope, the mean of |cos| by θ²/12. (The page's worked number for Ra 3 µm and λ 100 µm,
    # 0.209372, is not what its formula gives: 2π·3.332162/100 = 0.209366.)
    amplitude, wavelength, dx = 4.712389, 100.0, 0.25
    k = np.arange(40 * 400 + 6)
    found = slope_parameters(amplitude * np.sin(2 * np.pi * k * dx / wavelength), dx)
    theta = 2 * np.pi / 400
    assert found.dq == pytest.approx(0.209366, abs=5e-7)
    assert found.dq == pytest.approx(math.sqrt(2) * math.pi * amplitude / wavelength, rel=theta**6)
    assert found.da == pytest.approx(4 * amplitude / wavelength, rel=theta**2 / 6)
    assert found.dt == pytest.approx(2 * math.pi * amplitude / wavelength, rel=theta**2 / 2)


def test_slopes_of_triangle_and_arcs():
    wavelength, dx, height = 200.0, 0.25, 6.0
    x = np.arange(20 * 800 + 6) * dx
    phase = (x / wavelength) % 1.0
    # Triangle of amplitude A = height/2: |slope| 4A/λ but for the six samples about each corner, of 400 between them.
    triangle = height * np.abs(2 * phase - 1)
    found = slope_parameters(triangle, dx)
    assert found.da == pytest.approx(2 * height / wavelength, rel=6 / 400)
    assert found.dq == pytest.approx(2 * height / wavelength, rel=6 / 400)
    # Arcs with cusps up: slope ramps from −4h/λ to 4h/λ: rms 2.309401 h/λ, mean 2 h/λ; six of 800 samples at the cusp.
    arcs = height * 4 * (phase - 0.5) ** 2
    found = slope_parameters(arcs, dx)
    assert found.dq == pytest.approx(2.309401 * height / wavelength, rel=3 * 6 / 800)
    assert found.da == pytest.approx(2 * height / wavelength, rel=2 * 6 / 800)
