"""Spline filter: 50 digits, an elimination with refinement, what it must keep."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.filters.spline import mean_line, stiffness
from synthetic_surfaces import SURFACES, surface


def _fifty_digits(z, spacing_um, cutoff_mm):
    """``(I + α⁴ DᵀD) w = z`` written out and solved with mpmath."""
    points = len(z)
    with mpmath.workdps(50):
        alpha = 1 / (2 * mpmath.sin(mpmath.pi * mpmath.mpf(spacing_um) / (1000 * mpmath.mpf(cutoff_mm))))
        difference = mpmath.zeros(points - 2, points)
        for row in range(points - 2):
            difference[row, row], difference[row, row + 1], difference[row, row + 2] = 1, -2, 1
        matrix = mpmath.eye(points) + alpha**4 * (difference.T * difference)
        solution = mpmath.lu_solve(matrix, mpmath.matrix([mpmath.mpf(float(value)) for value in z]))
        return np.array([float(value) for value in solution])


def _elimination(z, spacing_um, cutoff_mm, steps=1):
    """Banded Cholesky of the matrix as printed, refined with the residual by differences (page *texture*)."""
    quartic = stiffness(spacing_um, cutoff_mm) ** 4
    points = z.size
    bands = np.zeros((3, points))
    bands[0] = 6.0
    bands[0, [0, -1]], bands[0, [1, -2]] = 1.0, 5.0
    bands[1, :-1] = -4.0
    bands[1, [0, -2]] = -2.0
    bands[2, :-2] = 1.0
    bands *= quartic
    bands[0] += 1.0
    factor = (linalg.cholesky_banded(bands, lower=True), True)
    w = linalg.cho_solve_banded(factor, z)
    for _ in range(steps):
        curvature = np.diff(w, 2)
        bent = np.zeros(points)
        bent[:-2] += curvature
        bent[1:-1] -= 2 * curvature
        bent[2:] += curvature
        w = w + linalg.cho_solve_banded(factor, z - w - quartic * bent)
    return w


@pytest.mark.parametrize("points", [3, 4, 5, 8, 33, 40])
@pytest.mark.parametrize("cutoff_mm", [0.0011, 0.0025, 0.08, 0.8, 80.0, 8000.0])
def test_agrees_with_fifty_digits_however_stiff(points, cutoff_mm):
    # λc/dx up to 1.6e7: α⁴ passes 1e25 and an elimination in double precision has long lost the identity
    rng = np.random.default_rng(points)
    z = rng.normal(0, 1, points) + 7 + 3 * np.arange(points)
    np.testing.assert_allclose(mean_line(z, 0.5, cutoff_mm), _fifty_digits(z, 0.5, cutoff_mm), rtol=0, atol=1e-12)


@settings(max_examples=30, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(5, 3000),
    cutoff_mm=st.sampled_from([0.0025, 0.008, 0.08]),
    spacing_um=st.sampled_from([0.37, 0.5, 1.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_an_elimination_where_that_is_well_conditioned(name, points, cutoff_mm, spacing_um, seed):
    z = surface(name, points, spacing_um, seed)
    expected = _elimination(z, spacing_um, cutoff_mm)
    np.testing.assert_allclose(mean_line(z, spacing_um, cutoff_mm), expected, rtol=0, atol=1e-9 * np.abs(z).max())


@pytest.mark.parametrize("points", [9600, 9601])
def test_agrees_with_a_refined_elimination_on_a_whole_trace(points):
    z = surface("turned", points, 0.5, 1)
    np.testing.assert_allclose(
        mean_line(z, 0.5, 0.8), _elimination(z, 0.5, 0.8, steps=3), rtol=0, atol=1e-9 * np.ptp(z)
    )


def test_the_stiffness_is_that_of_the_standard():
    # reference-values, section 4 (computed): λc 0.08 mm, dx 0.5 µm, dx/λc = 1/160
    assert stiffness(0.5, 0.08) == pytest.approx(25.466427214, abs=5e-10)


def test_ends_are_natural():
    # The equations of the natural spline: (z − w) has no sum and no moment, w no curvature beyond the ends
    z = surface("eroded", 2000, 0.5, 3)
    rest = z - mean_line(z, 0.5, 0.08)
    x = np.linspace(-1, 1, z.size)
    assert abs(rest.sum()) < 1e-9
    assert abs(rest @ x) < 1e-9


@pytest.mark.parametrize("points", [3, 10, 501, 1024])
def test_a_straight_line_passes_unchanged(points):
    z = 4.0 - 0.25 * np.arange(points)
    np.testing.assert_allclose(mean_line(z, 0.5, 0.8), z, rtol=0, atol=1e-12 * np.abs(z).max())


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(3, 500),
    seed=st.integers(0, 10_000),
    scale=st.floats(-1e3, 1e3),
    offset_um=st.floats(-1e3, 1e3),
    tilt_um=st.floats(-1e3, 1e3),
)
def test_is_linear_and_keeps_offset_tilt_and_direction(name, points, seed, scale, offset_um, tilt_um):
    z = surface(name, points, 0.5, seed)
    added = offset_um + tilt_um * np.linspace(-1, 1, points)
    line = mean_line(z, 0.5, 0.08)
    size = np.abs(scale * z).max() + np.abs(added).max()
    np.testing.assert_allclose(
        mean_line(scale * z + added, 0.5, 0.08), scale * line + added, rtol=0, atol=1e-12 * size + 1e-300
    )
    np.testing.assert_allclose(mean_line(z[::-1], 0.5, 0.08)[::-1], line, rtol=0, atol=1e-12 * np.abs(z).max() + 1e-300)


@pytest.mark.parametrize("points", [1, 2])
def test_without_a_second_difference_there_is_nothing_to_smooth(points):
    z = np.array([2.0, -5.0])[:points]
    line = mean_line(z, 0.5, 0.8)
    assert (line == z).all()
    assert line is not z


def test_a_cutoff_of_hardly_two_samples_takes_only_the_shortest_wave():
    z = np.cos(np.pi * np.arange(400))
    line = mean_line(z, 0.5, 0.00101)
    # α = 1/(2 sin(π 0.5/1.01)) : a wave of two samples passes 1/(1 + 16 α⁴)
    assert np.abs(line[100:300]).max() == pytest.approx(1 / (1 + 16 * stiffness(0.5, 0.00101) ** 4), rel=1e-6)
    assert math.isclose(stiffness(0.5, 0.00101), 0.5, rel_tol=1e-3)


def test_input_is_neither_changed_nor_bound_to_one_type():
    z = (100 * surface("ground", 500, 0.5, 1)).round()
    kept = z.copy()
    line = mean_line(z, 0.5, 0.08)
    assert line.dtype == np.float64
    assert (z == kept).all()
    assert (mean_line(z.astype(np.int32), 0.5, 0.08) == line).all()


@pytest.mark.parametrize(
    ("z", "cutoff_mm", "error", "says"),
    [
        ([0.0, np.nan, 1.0], 0.8, TraceError, "height 1 of the profile is nan"),
        ([[0.0, 1.0]], 0.8, TraceError, r"shape \(1, 2\)"),
        ([0.0, 1.0], 0.001, SettingsError, "must be above two spacings"),
        ([0.0, 1.0], -0.8, SettingsError, "must be above two spacings"),
    ],
)
def test_what_cannot_be_filtered_is_refused(z, cutoff_mm, error, says):
    with pytest.raises(error, match=says):
        mean_line(np.array(z), 0.5, cutoff_mm)
