"""Gaussian filter: a direct sum, 50 digits, scipy in the interior, properties."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from crosslay.texture.filters.gaussian import ALPHA, half_support, mean_line
from synthetic_surfaces import SURFACES, surface


def _direct(z, spacing_um, cutoff_mm):
    """Weighted straight line at each point, by numpy.polyfit: the definition, with no formula of the fast one."""
    cutoff_um = cutoff_mm * 1000
    x = np.arange(z.size) * spacing_um
    line = np.empty(z.size)
    for i in range(z.size):
        near = np.abs(x - x[i]) <= cutoff_um * (1 + 1e-12)
        weight = np.exp(-math.pi * ((x[near] - x[i]) / (ALPHA * cutoff_um)) ** 2)
        if near.sum() == 1:
            line[i] = z[i]
            continue
        # polyfit multiplies residuals by w, so w is the root of the weight
        line[i] = np.polyfit((x[near] - x[i]) / cutoff_um, z[near], 1, w=np.sqrt(weight))[1]
    return line


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(2, 400),
    spacing_um=st.sampled_from([0.37, 0.5, 1.0, 1.5]),
    cutoff_mm=st.sampled_from([0.0025, 0.008, 0.025, 0.08, 0.25]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_the_direct_fit_at_every_point(name, points, spacing_um, cutoff_mm, seed):
    z = surface(name, points, spacing_um, seed) + 3.0
    assert mean_line(z, spacing_um, cutoff_mm) == pytest.approx(_direct(z, spacing_um, cutoff_mm), rel=1e-9, abs=1e-9)


def test_agrees_with_fifty_digits():
    rng = np.random.default_rng(50)
    z = rng.standard_normal(31) + 5.0
    spacing_um, cutoff_mm = 1.0, 0.008
    with mpmath.workdps(50):
        alpha = mpmath.sqrt(mpmath.log(2) / mpmath.pi)
        expected = []
        for i in range(31):
            s0 = s1 = s2 = t0 = t1 = mpmath.mpf(0)
            for k in range(max(0, i - 8), min(31, i + 9)):
                u = mpmath.mpf(k - i)
                weight = mpmath.exp(-mpmath.pi * (u / (alpha * 8)) ** 2)
                height = mpmath.mpf(float(z[k]))
                s0, s1, s2 = s0 + weight, s1 + weight * u, s2 + weight * u * u
                t0, t1 = t0 + weight * height, t1 + weight * u * height
            expected.append(float((s2 * t0 - s1 * t1) / (s0 * s2 - s1 * s1)))
    assert mean_line(z, spacing_um, cutoff_mm) == pytest.approx(expected, rel=1e-13)


def test_agrees_with_scipy_in_the_interior():
    """scipy.ndimage.gaussian_filter1d with σ = α λc/√(2π), truncated at one cut-off."""
    z = surface("eroded", 9601, 0.5, 1)
    half = 1600
    expected = ndimage.gaussian_filter1d(z, ALPHA * half / math.sqrt(2 * math.pi), mode="constant", radius=half)
    assert mean_line(z, 0.5, 0.8)[half:-half] == pytest.approx(expected[half:-half], rel=1e-10, abs=1e-12)


def test_alpha_is_the_printed_constant():
    """ISO 16610-21: α = √(ln 2/π) = 0.4697 (reference values, section 2)."""
    assert pytest.approx(0.4697186393498257, rel=1e-15) == ALPHA


@pytest.mark.parametrize(("points", "cutoff_mm"), [(9601, 0.8), (601, 0.8), (2000, 0.8), (5, 0.8), (101, 0.0025)])
def test_straight_lines_are_kept_up_to_both_ends(points, cutoff_mm):
    line = 0.3 * np.arange(points) - 12.0
    assert np.abs(mean_line(line, 0.5, cutoff_mm) - line).max() < 1e-9


def test_a_large_offset_costs_no_digits_that_matter():
    z = surface("ground", 4001, 0.5, 2)
    assert np.abs(mean_line(z + 1e4, 0.5, 0.25) - 1e4 - mean_line(z, 0.5, 0.25)).max() < 1e-10


@settings(max_examples=20, deadline=None)
@given(
    points=st.integers(2, 3000),
    cutoff_mm=st.sampled_from([0.0025, 0.08, 0.8]),
    factor=st.floats(-50, 50),
    seed=st.integers(0, 2**31),
)
def test_linear_and_symmetrical(points, cutoff_mm, factor, seed):
    z = surface("honed", points, 0.5, seed)
    line = mean_line(z, 0.5, cutoff_mm)
    assert mean_line(factor * z, 0.5, cutoff_mm) == pytest.approx(factor * line, rel=1e-9, abs=1e-9)
    assert mean_line(z[::-1].copy(), 0.5, cutoff_mm)[::-1] == pytest.approx(line, rel=1e-9, abs=1e-10)


@pytest.mark.parametrize("points", [3200, 3201, 3202])
def test_the_change_from_short_to_long_traces_is_seamless(points):
    """Up to 2·half points every point may lack weights at both ends; beyond, at one at most."""
    z = surface("milled", points, 0.5, 5)
    check = [0, 1, points // 2 - 1, points // 2, points - 2, points - 1, 1599, 1600, 1601]
    x = np.arange(points) * 0.5
    line = mean_line(z, 0.5, 0.8)
    for i in check:
        weight = np.where(np.abs(x - x[i]) <= 800, np.exp(-math.pi * ((x - x[i]) / (ALPHA * 800)) ** 2), 0)
        fitted = np.polyfit((x - x[i]) / 800, z, 1, w=np.sqrt(weight))[1]
        assert line[i] == pytest.approx(fitted, rel=1e-9, abs=1e-10)


@pytest.mark.parametrize("half_um", [10.0, 10.5])
def test_the_change_from_plain_sums_to_transforms_is_seamless(half_um):
    z = surface("ground", 500, 0.5, 5)
    assert mean_line(z, 0.5, half_um / 1000) == pytest.approx(_direct(z, 0.5, half_um / 1000), rel=1e-11, abs=1e-12)


def test_support_counts_a_sample_exactly_one_cutoff_away():
    assert half_support(0.1, 0.0003) == 3
    assert half_support(0.5, 0.8) == 1600
    assert half_support(0.37, 0.8) == 2162


def test_a_cutoff_below_the_spacing_changes_nothing_and_returns_a_copy():
    z = np.array([1.0, 7.0, -3.0])
    line = mean_line(z, 10.0, 0.0025)
    assert np.array_equal(line, z)
    assert line is not z


@pytest.mark.parametrize(
    ("points", "half"), [(3_000, 13), (20_000, 50), (20_000, 1_250), (20_001, 1_251), (9_999, 333)]
)
def test_long_traces_go_through_in_blocks_without_a_seam(points, half):
    """scipy.ndimage between the ends; a weighted straight line at samples near them."""
    z = surface("milled", points, 0.5, 6)
    line = mean_line(z, 0.5, half * 0.0005)
    expected = ndimage.gaussian_filter1d(z, ALPHA * half / math.sqrt(2 * math.pi), mode="constant", radius=half)
    assert np.abs(line[half:-half] - expected[half:-half]).max() < 1e-12
    x = np.arange(points)
    for i in (0, 1, half // 2, half - 1, points - half, points - 1):
        near = np.abs(x - x[i]) <= half
        weight = np.exp(-math.pi * ((x[near] - x[i]) / (ALPHA * half)) ** 2)
        fitted = np.polyfit((x[near] - x[i]) / half, z[near], 1, w=np.sqrt(weight))[1]
        assert line[i] == pytest.approx(fitted, rel=1e-9, abs=1e-11)
