"""Height parameters: by hand, against numpy and scipy.stats, and the sliding height against its definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, stats

from crosslay.texture.height import largest_sliding_height, moments_by_section, moments_over_all, section_heights
from crosslay.texture.undefined import Undefined
from synthetic_surfaces import SURFACES, surface


def test_by_hand():
    sections = section_heights(np.array([3.0, -1.0, -1.0, -1.0, 2.0, 2.0, -2.0, -2.0]), 4)
    assert sections.peak == pytest.approx([3.0, 2.0])
    assert sections.valley == pytest.approx([1.0, 2.0])
    assert sections.total == pytest.approx([4.0, 4.0])
    assert sections.mean_abs == pytest.approx([1.5, 2.0])
    whole = moments_over_all(sections)
    assert whole.ra == pytest.approx(1.75)
    assert whole.rq == pytest.approx(np.sqrt(28 / 8))
    assert whole.rsk == pytest.approx((24 / 8) / (28 / 8) ** 1.5)
    assert whole.rku == pytest.approx((148 / 8) / (28 / 8) ** 2)
    parts = moments_by_section(sections)
    assert parts.rq == pytest.approx((np.sqrt(3.0) + 2.0) / 2)
    assert parts.rsk == pytest.approx((6 / 3**1.5 + 0.0) / 2)
    assert parts.rku == pytest.approx((21 / 9 + 1.0) / 2)


def test_rq_of_five_unequal_sections_differs_between_the_editions():
    """Reference values, section 5.1: section Rq 1, 1, 1, 1, 3 gives 1.4 by ISO 4287 and 1.612452 by ISO 21920-2."""
    z = np.concatenate([np.tile([q, -q], 50) for q in (1.0, 1.0, 1.0, 1.0, 3.0)])
    sections = section_heights(z, 100)
    assert moments_by_section(sections).rq == pytest.approx(1.4)
    assert moments_over_all(sections).rq == pytest.approx(np.sqrt(13 / 5))
    assert moments_over_all(sections).rq == pytest.approx(1.612452, abs=5e-7)


@settings(max_examples=30, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    n=st.integers(1, 10),
    section=st.integers(2, 300),
    seed=st.integers(0, 2**32 - 1),
)
def test_shape_agrees_with_scipy_stats(name, n, section, seed):
    """scipy.stats.skew and kurtosis (fisher=False) on the profile with its mean taken off."""
    z = surface(name, n * section, 0.5, seed)
    z -= z.mean()
    moments = moments_over_all(section_heights(z, section))
    if np.abs(z).max() < 1e-9:
        return
    assert moments.ra == pytest.approx(np.abs(z).mean(), rel=1e-12)
    assert moments.rq == pytest.approx(np.std(z), rel=1e-12)
    assert moments.rsk == pytest.approx(stats.skew(z), rel=1e-9, abs=1e-11)
    assert moments.rku == pytest.approx(stats.kurtosis(z, fisher=False), rel=1e-11)


@settings(max_examples=60, deadline=None)
@given(n=st.integers(1, 10), section=st.integers(1, 40), seed=st.integers(0, 2**32 - 1))
def test_sliding_height_agrees_with_every_window(n, section, seed):
    z = np.random.default_rng(seed).standard_normal(n * section)
    expected = max(float(np.ptp(z[i : i + section])) for i in range(z.size - section + 1))
    assert largest_sliding_height(z, section) == expected


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(1024, 9000),
    share=st.floats(0.0, 1.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_sliding_height_of_long_windows_agrees_with_sliding_filters(name, points, share, seed):
    """scipy.ndimage: extremes over a window of the same length, where it lies wholly on the profile."""
    z = surface(name, points, 0.5, seed)
    length = 1024 + int(share * (points - 1024))
    high = ndimage.maximum_filter1d(z, length, origin=-(length // 2), mode="constant", cval=-np.inf)
    low = ndimage.minimum_filter1d(z, length, origin=-(length // 2), mode="constant", cval=np.inf)
    expected = float((high - low)[: points - length + 1].max())
    assert largest_sliding_height(z, length) == expected


def test_sliding_height_sees_what_no_section_holds():
    z = np.zeros(30)
    z[9], z[10] = 5.0, -5.0  # across the border of two sections of 10
    assert largest_sliding_height(z, 10) == 10.0
    assert float(section_heights(z, 10).total.max()) == 5.0


@settings(max_examples=20, deadline=None)
@given(factor=st.floats(1e-3, 1e3), seed=st.integers(0, 2**32 - 1))
def test_scaling_and_reversal(factor, seed):
    z = surface("turned", 1000, 0.5, seed)
    one, scaled = section_heights(z, 200), section_heights(factor * z, 200)
    assert moments_over_all(scaled).rq == pytest.approx(factor * moments_over_all(one).rq, rel=1e-12)
    assert moments_over_all(scaled).rsk == pytest.approx(moments_over_all(one).rsk, rel=1e-9, abs=1e-12)
    assert moments_over_all(section_heights(z[::-1].copy(), 200)).rku == pytest.approx(
        moments_over_all(one).rku, rel=1e-12
    )
    assert largest_sliding_height(z[::-1].copy(), 200) == largest_sliding_height(z, 200)


def test_a_flat_profile_has_heights_of_zero_and_no_shape():
    sections = section_heights(np.zeros(20), 4)
    for moments in (moments_over_all(sections), moments_by_section(sections)):
        assert moments.ra == moments.rq == 0.0
        assert isinstance(moments.rsk, Undefined)
        assert isinstance(moments.rku, Undefined)


def test_one_flat_section_leaves_the_mean_of_the_sections_undefined():
    sections = section_heights(np.array([0.0, 0.0, 1.0, -1.0]), 2)
    assert isinstance(moments_by_section(sections).rsk, Undefined)
    assert moments_over_all(sections).rku == pytest.approx(2.0)
