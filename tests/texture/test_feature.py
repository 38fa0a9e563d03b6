"""Hills and dales: a watershed by flooding as second implementation, hand-made profiles, properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.texture.feature import feature_parameters, segmentation
from crosslay.texture.undefined import Undefined
from curve_cases import windows


def _flooded_peaks(z, least):
    """Peaks whose hills are at least `least` high, found by letting the water fall from the top.

    Samples rise from the water in order of height; a sample without dry neighbours is a new island, a sample between
    two islands is the pass where the lower one ends: its height above the pass is that hill's height. This is the
    merge tree of the profile (persistence), with nothing in common with turning points.
    """
    island, top, height = {}, {}, {}

    def root(i):
        while island[i] != i:
            i = island[i]
        return i

    for i in sorted(range(len(z)), key=lambda i: -z[i]):
        beside = [root(j) for j in (i - 1, i + 1) if j in island]
        island[i] = i
        if not beside:
            top[i] = i
        elif len(beside) == 1:
            island[i] = beside[0]
        else:
            high, low = sorted(beside, key=lambda r: -z[top[r]])
            height[top[low]] = z[top[low]] - z[i]
            island[low] = island[i] = high
    height[max(range(len(z)), key=lambda i: z[i])] = float("inf")
    return sorted(i for i, h in height.items() if h >= least)


@settings(max_examples=150, deadline=None)
@given(windows(most=600), st.floats(0.0, 0.5))
def test_peaks_and_pits_equal_those_of_a_flooding(case, share):
    _, z, dx = case
    z = z + 1e-4 * np.ptp(z) * np.random.default_rng(z.size).random(z.size)
    least = share * float(np.ptp(z))
    found = segmentation(z, dx, least)
    peaks, pits = (found.peak_places_um / dx).round().astype(int), (found.pit_places_um / dx).round().astype(int)
    np.testing.assert_array_equal(z[peaks], found.peak_heights_um)
    np.testing.assert_array_equal(z[pits], found.pit_heights_um)
    # Flooding also finds hills and dales that the window's ends cut: the first and last of all, on neither list here.
    every = sorted([*_flooded_peaks(z.tolist(), least), *_flooded_peaks((-z).tolist(), least)])
    assert every[1:-1] == sorted([*peaks.tolist(), *pits.tolist()])


def test_a_sine_has_one_hill_and_one_dale_per_period():
    # 20 periods of 100 samples: every top and bottom is a sample.
    z = 3.0 * np.sin(2 * np.pi * np.arange(2000) / 100.0)
    found = feature_parameters(z, 0.5, 0.3)
    assert found.peak_density_per_mm == pytest.approx(20.0, rel=1e-12)
    # The first rise and the last fall to the ends are no dales; between 20 tops lie 19, and the last bottom (sample
    # 1975) is seen from both sides.
    assert found.pit_density_per_mm == pytest.approx(20.0, rel=1e-12)
    assert found.five_point_peak_um == pytest.approx(3.0, rel=1e-12)
    assert found.five_point_pit_um == pytest.approx(3.0, rel=1e-12)
    assert found.ten_point_um == pytest.approx(6.0, rel=1e-12)


def test_hills_below_the_threshold_go_with_the_pit_beside_them():
    #            0  1  2  3    4  5  6  7
    z = np.array([0, 5, 1, 1.4, 0, 4, 2, 3.0, -1])
    all_of_them = segmentation(z, 1.0, 0.0)
    assert all_of_them.peak_heights_um.tolist() == [5.0, 1.4, 4.0, 3.0]
    assert all_of_them.pit_heights_um.tolist() == [1.0, 0.0, 2.0]
    above = segmentation(z, 1.0, 0.5)
    assert above.peak_heights_um.tolist() == [5.0, 4.0, 3.0]
    assert above.pit_heights_um.tolist() == [0.0, 2.0]
    assert above.peak_places_um.tolist() == [1.0, 5.0, 7.0]
    high = segmentation(z, 1.0, 3.9)
    assert high.peak_heights_um.tolist() == [5.0, 4.0]
    assert segmentation(z, 1.0, 4.5).peak_heights_um.tolist() == [5.0]


def test_the_five_highest_of_seven():
    z = np.array([0, 1, 0, 7, -3, 2, -1, 6, -2, 3, -5, 5, -4, 4, 0], dtype=float)
    found = feature_parameters(z, 1.0, 0.5)
    assert found.five_point_peak_um == pytest.approx((7 + 6 + 5 + 4 + 3) / 5)
    assert found.five_point_pit_um == pytest.approx((5 + 4 + 3 + 2 + 1) / 5)
    assert found.ten_point_um == pytest.approx(8.0)


@given(windows(most=900), st.floats(0.0, 0.5), st.floats(0.0, 0.5), st.sampled_from([0.25, 4.0]))
def test_pruning_more_never_finds_more_and_scaling_and_reversal_change_nothing(case, one, other, factor):
    _, z, dx = case
    z = z + 1e-4 * np.ptp(z) * np.random.default_rng(z.size).random(z.size)
    low, high = (share * float(np.ptp(z)) for share in sorted((one, other)))
    fine, coarse = segmentation(z, dx, low), segmentation(z, dx, high)
    assert set(coarse.peak_places_um) <= set(fine.peak_places_um)
    assert set(coarse.pit_places_um) <= set(fine.pit_places_um)
    assert abs(fine.peak_places_um.size - fine.pit_places_um.size) <= 1
    scaled, back, upside_down = (
        segmentation(factor * z, dx, factor * low),
        segmentation(z[::-1], dx, low),
        segmentation(-z, dx, low),
    )
    np.testing.assert_array_equal(scaled.peak_places_um, fine.peak_places_um)
    np.testing.assert_array_equal(back.peak_heights_um, fine.peak_heights_um[::-1])
    np.testing.assert_array_equal(upside_down.peak_places_um, fine.pit_places_um)


@pytest.mark.parametrize(
    "z",
    [np.zeros(100), np.array([2.0]), np.arange(50.0), np.where(np.arange(50) < 25, 0.0, 1.0)],
    ids=["flat", "one sample", "ramp", "step"],
)
def test_without_a_turn_there_are_no_hills(z):
    found = feature_parameters(z, 1.0, 0.1)
    assert found.peak_density_per_mm == found.pit_density_per_mm == 0.0
    assert found.five_point_peak_um == found.ten_point_um == Undefined("0 peaks; 5 are needed")
    assert found.five_point_pit_um == Undefined("0 pits; 5 are needed")


def test_five_peaks_over_four_pits_leave_the_sum_undefined():
    z = np.array([0.0, 2.0] * 5 + [0.0])
    found = feature_parameters(z, 1.0, 0.1)
    assert found.five_point_peak_um == 2.0
    assert found.five_point_pit_um == found.ten_point_um == Undefined("4 pits; 5 are needed")


@pytest.mark.parametrize("least", [-1.0, float("nan")])
def test_a_threshold_below_0_is_refused(least):
    with pytest.raises(SettingsError, match=r"pruning height is .* it must be 0 or more"):
        feature_parameters(np.zeros(10), 1.0, least)
