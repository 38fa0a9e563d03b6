"""Valley-suppressing filter: the two steps done slowly, what valleys may and may not do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.filters import gaussian
from crosslay.texture.filters.valley_suppressing import mean_line
from synthetic_surfaces import SURFACES, surface


def _slow_gaussian(z, spacing_um, cutoff_mm):
    """Weighted straight line at each point, ISO 16610-21 weights, ISO 16610-28 ends, by numpy.linalg.lstsq."""
    cutoff_um = 1000 * cutoff_mm
    x = np.arange(z.size) * spacing_um
    line = np.empty(z.size)
    for i in range(z.size):
        near = np.abs(x - x[i]) <= cutoff_um * (1 + 1e-12)
        u = (x[near] - x[i]) / cutoff_um
        root = np.sqrt(np.exp(-math.pi * (u / math.sqrt(math.log(2) / math.pi)) ** 2))
        line[i] = np.linalg.lstsq(np.stack((root, root * u), axis=1), root * z[near], rcond=None)[0][0]
    return line


def _slow(z, spacing_um, cutoff_mm):
    first = _slow_gaussian(z, spacing_um, cutoff_mm)
    cut = np.array([max(line, height) for height, line in zip(z, first, strict=True)])
    return _slow_gaussian(cut, spacing_um, cutoff_mm)


@settings(max_examples=20, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(10, 350),
    cutoff_mm=st.sampled_from([0.008, 0.025, 0.08]),
    spacing_um=st.sampled_from([0.37, 0.5, 1.5]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_the_two_steps_done_slowly(name, points, cutoff_mm, spacing_um, seed):
    z = surface(name, points, spacing_um, seed)
    expected = _slow(z, spacing_um, cutoff_mm)
    np.testing.assert_allclose(mean_line(z, spacing_um, cutoff_mm), expected, rtol=0, atol=1e-9 * np.abs(z).max())


def test_valleys_draw_the_line_down_less_than_with_the_plain_filter():
    # ISO 13565-1, purpose: the reference runs through the plateau although the valleys are deep
    rng = np.random.default_rng(5)
    z = 0.05 * rng.standard_normal(9601)
    for at in range(500, 9601, 700):
        z[at : at + 40] -= 6.0
    inner = slice(1600, -1600)
    plain = np.abs(gaussian.mean_line(z, 0.5, 0.8)[inner]).max()
    suppressed = np.abs(mean_line(z, 0.5, 0.8)[inner]).max()
    assert plain > 0.3
    assert suppressed < 0.06


@settings(max_examples=30, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(3, 1500),
    seed=st.integers(0, 10_000),
    scale=st.floats(1e-3, 1e3),
    offset_um=st.floats(-1e3, 1e3),
    tilt_um=st.floats(-1e3, 1e3),
)
def test_keeps_scale_offset_tilt_and_direction(name, points, seed, scale, offset_um, tilt_um):
    z = surface(name, points, 0.5, seed)
    added = offset_um + tilt_um * np.linspace(-1, 1, points)
    line = mean_line(z, 0.5, 0.08)
    size = np.abs(scale * z).max() + np.abs(added).max()
    moved = mean_line(scale * z + added, 0.5, 0.08)
    np.testing.assert_allclose(moved, scale * line + added, rtol=0, atol=1e-11 * size + 1e-300)
    np.testing.assert_allclose(mean_line(z[::-1], 0.5, 0.08)[::-1], line, rtol=0, atol=1e-11 * np.abs(z).max() + 1e-300)


@settings(max_examples=30, deadline=None)
@given(name=st.sampled_from(sorted(SURFACES)), points=st.integers(400, 1500), seed=st.integers(0, 10_000))
def test_never_runs_below_the_plain_line_in_the_interior(name, points, seed):
    # There the second filter is a mean with positive weights of what was only ever raised, twice filtered
    z = surface(name, points, 0.5, seed)
    cut = np.maximum(z, gaussian.mean_line(z, 0.5, 0.05))
    plain, suppressed = gaussian.mean_line(z, 0.5, 0.05), mean_line(z, 0.5, 0.05)
    inner = slice(100, -100)
    assert (cut >= z).all()
    assert (suppressed[inner] >= plain[inner] - 1e-12 * np.abs(z).max()).all()


def test_turned_over_it_is_another_filter():
    z = surface("honed", 3000, 0.5, 1)
    assert np.abs(mean_line(-z, 0.5, 0.25) + mean_line(z, 0.5, 0.25)).max() > 0.05


@pytest.mark.parametrize(
    ("z", "cutoff_mm", "error", "says"),
    [
        ([0.0, np.nan, 1.0], 0.8, TraceError, "height 1 of the profile is nan"),
        ([[0.0, 1.0]], 0.8, TraceError, r"shape \(1, 2\)"),
        ([0.0, 1.0], 0.001, SettingsError, "must be above two spacings"),
    ],
)
def test_what_cannot_be_filtered_is_refused(z, cutoff_mm, error, says):
    with pytest.raises(error, match=says):
        mean_line(np.array(z), 0.5, cutoff_mm)
