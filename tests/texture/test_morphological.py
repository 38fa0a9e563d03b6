"""Morphological disk filters: scipy's grey morphology, both ways of the code, geometry, lattice laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.filters import morphological
from crosslay.texture.filters.morphological import closing, dilation, erosion, opening, sag_um
from synthetic_surfaces import SURFACES, surface

FILTERS = {"dilation": dilation, "erosion": erosion, "closing": closing, "opening": opening}


def _scipy(name, z, spacing_um, radius_um):
    """scipy.ndimage with the disk as grey structure; beyond the ends stands what never wins."""
    steps = math.floor(radius_um / spacing_um + 1e-9)
    x = np.arange(-steps, steps + 1) * spacing_um
    disk = np.sqrt(np.maximum(radius_um**2 - x**2, 0)) - radius_um

    def grow(heights):
        walls = np.pad(heights, steps, constant_values=-1e12)
        return ndimage.grey_dilation(walls, structure=disk)[steps : steps + heights.size]

    return {
        "dilation": lambda: grow(z),
        "erosion": lambda: -grow(-z),
        "closing": lambda: -grow(-grow(z)),
        "opening": lambda: grow(-grow(-z)),
    }[name]()


@pytest.mark.parametrize("way", ["plain", "halving"])
@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from(sorted(FILTERS)),
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(1, 600),
    spacing_um=st.sampled_from([0.25, 0.5, 1.5]),
    radius_um=st.sampled_from([0.0, 0.3, 0.5, 2.0, 5.0, 25.0, 250.0]),
    scale=st.sampled_from([1e-3, 1.0, 50.0]),
    steps_of=st.sampled_from([0.0, 0.25]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_scipy(way, kind, name, points, spacing_um, radius_um, scale, steps_of, seed):
    z = scale * surface(name, points, spacing_um, seed)
    if steps_of:
        # A coarse converter: many heights are equal, so many contacts are.
        z = np.round(z / steps_of) * steps_of
    expected = _scipy(kind, z, spacing_um, radius_um)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(morphological, "_PLAIN_STEPS", 10**9 if way == "plain" else 0)
        found = FILTERS[kind](z, spacing_um, radius_um)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-11 + 1e-15 * radius_um)


@pytest.mark.parametrize("kind", sorted(FILTERS))
def test_both_ways_agree_on_a_long_trace(kind, monkeypatch):
    z = 4 * surface("eroded", 30_000, 0.5, 1) + 0.002 * np.arange(30_000)
    monkeypatch.setattr(morphological, "_PLAIN_STEPS", 10**9)
    plain = FILTERS[kind](z, 0.5, 400.0)
    monkeypatch.setattr(morphological, "_PLAIN_STEPS", 0)
    np.testing.assert_allclose(FILTERS[kind](z, 0.5, 400.0), plain, rtol=0, atol=1e-11)


def test_a_single_spike_draws_the_disk():
    # One raised point under dilation is the disk itself: a circle of radius r about (0, h − r)
    z = np.zeros(201)
    z[100] = 4.0
    x = (np.arange(201) - 100) * 0.5
    expected = np.maximum(0, np.where(np.abs(x) <= 5, np.sqrt(np.maximum(25 - x**2, 0)) - 1, 0))
    np.testing.assert_allclose(dilation(z, 0.5, 5.0), expected, rtol=0, atol=1e-12)


@pytest.mark.parametrize("angle_deg", [20, 45, 60])
def test_a_v_groove_is_bridged_as_geometry_says(angle_deg):
    # A ball of radius r rests on both flanks r/cos φ above the vertex, so closing lifts the vertex by r(1/cos φ − 1)
    slope, radius_um, spacing_um = math.tan(math.radians(angle_deg)), 5.0, 0.005
    z = np.abs(np.arange(-3000, 3001)) * spacing_um * slope
    lift = closing(z, spacing_um, radius_um)[3000]
    assert lift == pytest.approx(radius_um * (1 / math.cos(math.radians(angle_deg)) - 1), abs=1e-4)


@pytest.mark.parametrize(("radius_um", "kept"), [(8.0, True), (12.0, False)])
def test_a_sine_is_kept_up_to_the_radius_of_its_valley(radius_um, kept):
    # Radius of curvature at the trough λ²/(4π²a); here 10 µm. Close to it the disk's places, one per sample, miss more
    # of the contacts, by some dx²/8(R − r).
    wavelength_um, spacing_um = 40.0, 0.01
    amplitude_um = wavelength_um**2 / (4 * math.pi**2 * 10.0)
    z = amplitude_um * np.sin(2 * math.pi * np.arange(8001) * spacing_um / wavelength_um)
    # What the ends do reaches two radii inwards.
    filled = np.abs(closing(z, spacing_um, radius_um) - z)[2500:-2500].max()
    assert (filled < 1e-5) == kept


def test_the_sag_keeps_its_digits_for_a_large_disk():
    # r − sqrt(r² − x²) = x²/2r + x⁴/8r³ + …: at r = 1 m and x = 0.5 µm the plain difference has no digit left
    assert sag_um(1, 0.5, 1e6)[1] == pytest.approx(0.25 / 2e6, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(1, 500),
    radius_um=st.sampled_from([0.7, 2.0, 10.0, 100.0, 3000.0]),
    seed=st.integers(0, 10_000),
    offset_um=st.floats(-1e3, 1e3),
)
def test_obeys_the_laws_of_morphological_filters(name, points, radius_um, seed, offset_um):
    # ISO 16610-40/-41: closing and opening are idempotent, increasing, dual; closing raises, opening lowers
    z = surface(name, points, 0.5, seed)
    closed, opened = closing(z, 0.5, radius_um), opening(z, 0.5, radius_um)
    tiny = 1e-11
    assert (erosion(z, 0.5, radius_um) <= opened + tiny).all()
    assert (opened <= z + tiny).all()
    assert (z <= closed + tiny).all()
    assert (closed <= dilation(z, 0.5, radius_um) + tiny).all()
    np.testing.assert_allclose(closing(closed, 0.5, radius_um), closed, rtol=0, atol=tiny)
    np.testing.assert_allclose(opening(opened, 0.5, radius_um), opened, rtol=0, atol=tiny)
    np.testing.assert_allclose(-opening(-z, 0.5, radius_um), closed, rtol=0, atol=tiny)
    np.testing.assert_allclose(closing(z[::-1], 0.5, radius_um)[::-1], closed, rtol=0, atol=tiny)
    np.testing.assert_allclose(closing(z + offset_um, 0.5, radius_um), closed + offset_um, rtol=0, atol=1e-10)
    higher = z + np.random.default_rng(seed).exponential(1.0, points)
    assert (closed <= closing(higher, 0.5, radius_um) + tiny).all()


@pytest.mark.parametrize("kind", sorted(FILTERS))
def test_degenerate_profiles(kind):
    line = FILTERS[kind]
    assert (line(np.full(100, 3.0), 0.5, 50.0) == 3.0).all()
    assert line(np.array([2.5]), 0.5, 50.0).tolist() == [2.5]
    z = surface("ground", 200, 0.5, 1)
    same = line(z, 0.5, 0.0)
    assert (same == z).all()
    assert same is not z
    # A disk smaller than the spacing touches one sample only.
    assert (line(z, 0.5, 0.49) == z).all()


@pytest.mark.parametrize("kind", sorted(FILTERS))
@pytest.mark.parametrize(
    ("z", "radius_um", "error", "says"),
    [
        ([0.0, np.nan, 1.0], 5.0, TraceError, "height 1 of the profile is nan"),
        ([[0.0, 1.0]], 5.0, TraceError, r"shape \(1, 2\)"),
        ([0.0, 1.0], -5.0, SettingsError, "radius of the disk is -5.0"),
        ([0.0, 1.0], np.inf, SettingsError, "radius of the disk is inf"),
    ],
)
def test_what_cannot_be_filtered_is_refused(kind, z, radius_um, error, says):
    with pytest.raises(error, match=says):
        FILTERS[kind](np.array(z), 0.5, radius_um)
