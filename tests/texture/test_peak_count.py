"""Band count and ten-point height: the rules one by one, the slow reference, properties."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.texture.peak_count import band_count, ten_point_height
from crosslay.texture.undefined import Undefined
from curve_cases import windows
from reference import brute_curve

samples = st.lists(st.integers(-6, 6), min_size=1, max_size=80)


# --- Pc(c) -------------------------------------------------------------------------------------------------------


@given(samples, st.integers(0, 5), st.sampled_from([1, 2, 5]))
def test_counts_equal_the_slow_reference_with_heights_on_the_band_itself(values, band, dx):
    exact = brute_curve.band_count([Fraction(v) for v in values], Fraction(dx), Fraction(band))
    assert band_count(np.array(values, dtype=float), float(dx), float(band)) == pytest.approx(float(exact), rel=1e-14)


@settings(max_examples=60, deadline=None)
@given(windows(), st.floats(0.0, 0.6))
def test_counts_of_surfaces_equal_the_slow_reference(case, share):
    _, z, dx = case
    band = share * float(np.ptp(z))
    assert band_count(z, dx, band) == pytest.approx(brute_curve.band_count(z.tolist(), dx, band), rel=1e-14)


@pytest.mark.parametrize(
    ("heights", "peaks"),
    [
        ([2, -2], 1),
        ([-2, 2], 0),  # never comes down
        ([2, 0, 2, -2], 1),  # between the limits nothing happens
        ([2, -2, 2, -2, 2], 2),
        ([1, -1, 1, -1], 0),  # touching the limits is not passing them
        ([2, -1, 2, -2], 1),
        ([0, 0, 0], 0),
        ([2, 2, 2], 0),
        ([-2, -2, -2], 0),
        ([2], 0),
    ],
)
def test_a_peak_goes_above_the_upper_and_later_below_the_lower_limit(heights, peaks):
    z = np.array(heights, dtype=float)
    assert band_count(z, 1.0, 1.0) == pytest.approx(peaks * 10_000.0 / z.size, rel=1e-15)


def test_a_sine_has_one_peak_per_period():
    # 100 whole periods of 100 µm in 10 mm: 100 per 10 mm, while the band is narrower than the sine.
    z = np.sin(2 * np.pi * np.arange(20_000) / 200.0)
    assert band_count(z, 0.5, 0.5) == pytest.approx(100.0)
    assert band_count(z, 0.5, 0.0) == pytest.approx(100.0)
    assert band_count(z, 0.5, 1.0) == 0.0
    # The same in half the length counts the same per 10 mm.
    assert band_count(z[:10_000], 0.5, 0.5) == pytest.approx(100.0)


@given(windows(), st.floats(0.0, 0.5), st.floats(0.0, 0.5), st.floats(0.1, 10.0))
def test_a_wider_band_never_counts_more_and_scaling_both_changes_nothing(case, one, other, factor):
    _, z, dx = case
    narrow, wide = sorted((one, other))
    top = float(np.ptp(z))
    assert band_count(z, dx, wide * top) <= band_count(z, dx, narrow * top)
    power = 2.0 ** round(factor)  # powers of two scale without rounding
    assert band_count(power * z, dx, power * narrow * top) == band_count(z, dx, narrow * top)


@given(windows(), st.floats(0.0, 0.5))
def test_reversed_and_negated_the_count_is_the_same(case, share):
    # Upside down and back to front, passing up → down is again passing up → down.
    _, z, dx = case
    band = share * float(np.ptp(z))
    assert band_count(-z[::-1], dx, band) == band_count(z, dx, band)


@pytest.mark.parametrize("band", [-0.1, float("nan")])
def test_a_band_below_0_is_refused(band):
    with pytest.raises(SettingsError, match=r"half the band's width must be 0 or more"):
        band_count(np.zeros(10), 0.5, band)


# --- RzJIS -------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(-4, 4), min_size=24, max_size=120), st.integers(12, 24))
def test_ten_points_equal_the_slow_reference_with_zeros_inside(values, section_points):
    exact = brute_curve.ten_point([Fraction(v) for v in values], section_points)
    found = ten_point_height(np.array(values, dtype=float), section_points)
    if exact is None:
        assert isinstance(found, Undefined)
    else:
        assert found == pytest.approx(float(exact), rel=1e-14)


@settings(max_examples=60, deadline=None)
@given(windows(), st.integers(1, 6))
def test_ten_points_of_surfaces_equal_the_slow_reference(case, sections):
    _, z, _ = case
    nc = z.size // sections
    expected, found = brute_curve.ten_point(z.tolist(), nc), ten_point_height(z, nc)
    if expected is None:
        assert isinstance(found, Undefined)
    else:
        assert found == pytest.approx(expected, rel=1e-12)


def test_one_peak_per_portion_and_the_five_highest_of_six():
    # Six peaks 1 … 6, the one of 6 with a second, lower top in its portion; six valleys of −2.
    z = np.array([1, -2, 2, -2, 3, -2, 4, -2, 5, -2, 5.5, 3, 6, -2], dtype=float)
    assert ten_point_height(z, z.size) == pytest.approx((2 + 3 + 4 + 5 + 6) / 5 + 2.0)


def test_sections_are_averaged_and_the_rest_is_left_out():
    one = np.tile([1.0, -1.0], 6)
    z = np.concatenate((one, 3.0 * one, [100.0, -100.0]))
    assert ten_point_height(z, 12) == pytest.approx((2.0 + 6.0) / 2.0)


def test_a_section_with_four_peaks_makes_it_undefined():
    good, poor = np.tile([1.0, -1.0], 6), np.tile([1.0, 1.0, 1.0, -1.0, -1.0, -1.0], 2)
    assert ten_point_height(np.concatenate((good, poor)), 12) == Undefined("section 2 has 2 peaks; RzJIS needs 5")
    valleys = np.array([1.0, -1.0] * 4 + [1.0] * 4)
    assert ten_point_height(valleys, 12) == Undefined("section 1 has 4 valleys; RzJIS needs 5")


@pytest.mark.parametrize("height", [0.0, 1.0, -1.0])
def test_flat_all_peaks_or_all_valleys_is_undefined(height):
    assert isinstance(ten_point_height(np.full(100, height), 20), Undefined)


@given(windows(), st.floats(0.01, 100.0))
def test_ten_points_scale_and_do_not_mind_reversal_or_negation(case, factor):
    _, z, _ = case
    nc = z.size // 2
    z = z[: 2 * nc]
    base = ten_point_height(z, nc)
    if isinstance(base, Undefined):
        assert isinstance(ten_point_height(factor * z, nc), Undefined)
        return
    assert ten_point_height(factor * z, nc) == pytest.approx(factor * base, rel=1e-12)
    assert ten_point_height(z[::-1], nc) == pytest.approx(base, rel=1e-12)
    assert ten_point_height(-z, nc) == pytest.approx(base, rel=1e-12)


@pytest.mark.parametrize("section_points", [0, -3, 11])
def test_a_section_that_does_not_fit_is_refused(section_points):
    with pytest.raises(SettingsError, match=r"10 samples hold no section of"):
        ten_point_height(np.arange(10.0), section_points)
