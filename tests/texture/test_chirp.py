"""Spectra of lengths with a large prime factor against numpy's transform and against the sums of the definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.texture.chirp import DoubledSpectrum, transforms_slowly


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300))
def test_it_is_the_transform_of_the_padded_profile(heights):
    z = np.array(heights)
    expected = np.fft.rfft(z, 2 * z.size)
    assert DoubledSpectrum(z.size).of(z) == pytest.approx(expected, rel=0, abs=1e-12 * (1e-300 + np.abs(z).sum()))


@pytest.mark.parametrize("points", [8335, 83_335, 833_335])  # five sections of 1,667, 16,667 and 166,667 samples
def test_long_profiles_keep_their_digits(points):
    z = np.random.default_rng(3).standard_normal(points)
    spectrum = DoubledSpectrum(points).of(z)
    places = np.arange(points, dtype=np.int64)
    for line in (0, 1, points // 3, points - 1, points):
        angles = (places * line % (2 * points)) * (np.pi / points)
        direct = complex((z * np.cos(angles)).sum(), -(z * np.sin(angles)).sum())
        assert abs(spectrum[line] - direct) <= 1e-13 * np.abs(z).sum()


def test_one_transform_serves_several_profiles():
    rng = np.random.default_rng(5)
    first, second = rng.standard_normal((2, 1009))
    transform = DoubledSpectrum(1009)
    alone = transform.of(first)
    transform.of(second)
    assert np.array_equal(transform.of(first), alone)


@pytest.mark.parametrize(
    ("points", "slow"),
    [(1, False), (199, False), (211, True), (8000, False), (8335, True), (211 * 211, True), (2 * 199 * 199, False)],
)
def test_which_lengths_are_slow(points, slow):
    assert transforms_slowly(points) is slow
