"""Motifs: each condition by hand, closed forms, a slow second implementation, properties.

The four conditions, the operators and the table are ISO 12085:1996 *from memory* (page *reference-values*, 5.4).
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.texture.extrema import TurningPoints, pruned, turning_points
from crosslay.texture.motif import (
    DEFAULT_LIMITS,
    STANDARD_LIMITS,
    MotifParameters,
    OutlierDepths,
    motif_parameters,
    roughness_motifs,
)
from crosslay.texture.undefined import Undefined
from curve_cases import window, windows


def _zigzag(corners):
    """A profile of straight flanks through (place in µm, height in µm), 1 µm spacing."""
    places, heights = zip(*corners, strict=True)
    return np.interp(np.arange(places[-1] + 1), places, heights)


def _through(*heights, run=10):
    """Straight flanks between these heights, `run` µm each."""
    return _zigzag([(run * i, h) for i, h in enumerate(heights)])


# --- a slow second implementation ------------------------------------------------------------------------------


def _slow_peaks_and_valleys(z, least):
    """Turning points; then the smallest step goes, both its points, until all reach `least`."""
    # Without repeats every sample that is not between its neighbours is a turning point.
    points = [(i, v) for i, v in enumerate(z) if i == 0 or v != z[i - 1]]
    points = [
        p
        for i, p in enumerate(points)
        if i in (0, len(points) - 1) or (p[1] - points[i - 1][1]) * (points[i + 1][1] - p[1]) < 0
    ]
    while len(points) > 1:
        steps = [abs(points[i + 1][1] - points[i][1]) for i in range(len(points) - 1)]
        i = steps.index(min(steps))
        if steps[i] >= least:
            break
        if i == 0:
            del points[0]
        elif i == len(points) - 2:
            del points[-1]
        else:
            del points[i : i + 2]
    return points


def _slow_motifs(z, dx, limit):
    """Peaks (place, height) and valleys left over, all from scratch in every generation."""
    width = max(2, math.floor(limit / 2 / dx + 0.5))
    width = min(width, len(z))
    forth = [z[i : i + width] for i in range(0, len(z) - width + 1, width)]
    back = [z[i - width : i] for i in range(len(z), width - 1, -width)]
    stretches = forth + back
    least = 0.05 * sum(max(s) - min(s) for s in stretches) / len(stretches)
    points = _slow_peaks_and_valleys(z, least)
    inner = range(1, len(points) - 1)
    tops = [i for i in inner if points[i][1] > points[i - 1][1]]
    peaks = [(points[i][0] * dx, points[i][1]) for i in tops]
    valleys = [points[i + 1][1] for i in tops[:-1]]
    return _slow_combined(peaks, valleys, limit)


def _slow_combined(peaks, valleys, limit):
    while True:
        cost = [math.inf] * len(peaks)
        for i in range(1, len(peaks) - 1):
            (x1, p1), (_, p2), (x3, p3) = peaks[i - 1 : i + 2]
            v1, v2 = valleys[i - 1 : i + 1]
            t1, t2, t3 = min(p1 - v1, p2 - v1), min(p2 - v2, p3 - v2), min(p1, p3) - min(v1, v2)
            higher_than_both = p2 > p1 and p2 > p3
            if higher_than_both or x3 - x1 > limit or t3 < t1 or t3 < t2 or not min(p2 - v1, p2 - v2) < 0.6 * t3:
                continue
            cost[i] = min(p2 - v1, p2 - v2)
        leaving = [i for i in range(1, len(peaks) - 1) if cost[i] < cost[i - 1] and cost[i] <= cost[i + 1]]
        if not leaving:
            return peaks, valleys
        for i in reversed(leaving):
            valleys[i - 1 : i + 1] = [min(valleys[i - 1 : i + 1])]
            del peaks[i]


@settings(max_examples=120, deadline=None)
@given(windows(most=900), st.sampled_from([20.0, 100.0, 500.0]))
def test_roughness_motifs_equal_the_slow_second_implementation(case, limit):
    _, z, dx = case
    # Noise without ties: of exactly equal steps, the order of going is nobody's business.
    z = z + 1e-4 * np.ptp(z) * np.random.default_rng(z.size).random(z.size)
    peaks, valleys = _slow_motifs(z.tolist(), dx, limit)
    found = roughness_motifs(z, dx, limit)
    np.testing.assert_array_equal(found.places_um, [x for x, _ in peaks])
    np.testing.assert_array_equal(found.peaks_um, [h for _, h in peaks])
    np.testing.assert_array_equal(found.valleys_um, valleys if peaks else [])


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 200), st.floats(0.0, 5.0), st.booleans())
def test_one_pass_of_pruning_leaves_what_taking_out_the_smallest_step_leaves(seed, size, least, walk):
    z = np.random.default_rng(seed).standard_normal(size)
    z = np.cumsum(z) if walk else z
    found = pruned(turning_points(z), least)
    expected = _slow_peaks_and_valleys(z.tolist(), least)
    if len(expected) == 1:  # nothing is left; which point stands for it is nobody's business
        assert found.positions.shape == (1,)
    else:
        assert list(zip(found.positions.tolist(), found.heights_um.tolist(), strict=True)) == expected


@given(st.lists(st.integers(-3, 3), min_size=1, max_size=60))
def test_turning_points_alternate_and_cover_the_profile(values):
    z = np.array(values, dtype=float)
    points = turning_points(z)
    assert points.heights_um[0] == z[0]
    if np.ptp(z) == 0:
        assert points.positions.tolist() == [0.0]
        return
    assert points.heights_um[-1] == z[-1]
    assert points.positions[-1] == z.size - 1
    turns = np.diff(points.heights_um)
    assert np.all(turns != 0)
    assert np.all(turns[1:] * turns[:-1] < 0)
    np.testing.assert_array_equal(np.interp(points.positions, np.arange(z.size), z), points.heights_um)


def test_a_level_top_counts_once_in_its_middle():
    points = turning_points(np.array([0.0, 2.0, 2.0, 2.0, 2.0, 1.0]))
    assert points.positions.tolist() == [0.0, 2.5, 5.0]
    assert points.heights_um.tolist() == [0.0, 2.0, 1.0]


def test_nothing_is_left_of_a_profile_below_the_threshold():
    left = pruned(TurningPoints(np.arange(5.0), np.array([0.0, 1.0, 0.2, 0.9, 0.1])), 5.0)
    assert left.positions.shape == (1,)


# --- the four conditions, one by one ---------------------------------------------------------------------------


def _count(z, limit=500.0):
    return roughness_motifs(z, 1.0, limit).valleys_um.size


def test_two_motifs_with_a_low_peak_between_them_become_one():
    # Peaks 10, 3, 10, valleys 0: middle depth 3 < 0.6·10.
    found = roughness_motifs(_through(0, 10, 0, 3, 0, 10, 0), 1.0, 500.0)
    assert found.peaks_um.tolist() == [10.0, 10.0]
    assert found.valleys_um.tolist() == [0.0]
    assert found.widths_um.tolist() == [40.0]
    assert found.depths_um.tolist() == [[10.0, 10.0]]


def test_envelope_a_peak_above_both_outer_ones_stays():
    # All else holds: T1 = 4.5, T2 = 9.5, T3 = 9.5, depth 5 < 0.6·9.5; but 10 towers over both.
    assert _count(_through(0, 9.5, 5, 10, 0, 9.5, 0)) == 2
    assert _count(_through(0, 9.5, 5, 9.4, 0, 9.5, 0)) == 1


def test_width_nothing_wider_than_the_operator_is_made():
    z = _through(0, 10, 0, 3, 0, 10, 0)
    assert _count(z, 40.0) == 1  # the combined width is exactly 40 µm
    assert _count(z, 39.9) == 2


def test_magnification_the_combined_motif_is_at_least_as_deep_as_either():
    # Left motif between 10 and 9 down to 0 (T1 = 9); combined only min(10, 6) − 0 = 6 deep.
    assert _count(_through(0, 10, 0, 9, 6 - 0.5, 6, 0)) == 2
    # With the outer peak at 9 the combined motif is as deep as the left one, and the small one goes.
    assert _count(_through(0, 10, 0, 9, 8.5, 9, 0)) == 1


def test_relative_depth_one_depth_beside_the_middle_peak_is_below_six_tenths():
    assert _count(_through(0, 10, 0, 5.9, 0, 10, 0)) == 1
    assert _count(_through(0, 10, 0, 6.1, 0, 10, 0)) == 2
    # One of the two is enough: 6.1 deep to the left, 5.1 to the right.
    assert _count(_through(0, 10, 0, 6.1, 1, 10, 0)) == 1


def test_combining_goes_on_until_nothing_can_be_combined():
    # Ripples on both flanks of a deep valley: the whole valley is one motif.
    flank = [10, 8, 8.6, 6, 6.6, 4, 4.6, 2, 2.6]
    z = _through(-3, *flank, 0, *flank[::-1], -3)
    found = roughness_motifs(z, 1.0, 500.0)
    assert found.peaks_um.tolist() == [10.0, 10.0]
    assert found.valleys_um.tolist() == [0.0]


def test_ripples_below_a_twentieth_of_the_mean_height_are_no_peaks():
    # Too wide to be combined (400 µm), so a ripple that counts makes two motifs. The stretches of 125 µm are between 5
    # and 10 µm high in the mean: ripples below 0.25 µm do not count, above 0.5 µm they do.
    assert _count(_through(0, 10, 0, 10, 0, 0.2, 0, 10, 0, 10, 0, run=100), 250.0) == 3
    assert _count(_through(0, 10, 0, 10, 0, 0.6, 0, 10, 0, 10, 0, run=100), 250.0) == 4


# --- parameters ------------------------------------------------------------------------------------------------


def test_equal_teeth_have_their_height_and_pitch():
    # 40 teeth of 8 µm height and 100 µm pitch.
    z = _zigzag([(50 * i, 8.0 * (i % 2)) for i in range(81)])
    found = motif_parameters(z, 1.0)
    assert found.r == pytest.approx(8.0, rel=1e-14)
    assert found.rx == pytest.approx(8.0, rel=1e-14)
    assert found.ar == pytest.approx(0.1, rel=1e-14)
    # The upper envelope is level: no waviness.
    assert found.wte == 0.0
    assert found.w == found.aw == found.wx == Undefined("no motif of at most 2.5 mm")


def test_rounding_noise_on_a_level_envelope_is_no_waviness():
    z = _zigzag([(50 * i, 8.0 * (i % 2)) for i in range(81)])
    z *= 1.0 + 1e-15 * np.random.default_rng(2).standard_normal(z.size)
    assert isinstance(motif_parameters(z, 1.0).w, Undefined)


def test_teeth_on_a_long_wave_give_the_wave_as_waviness():
    # Teeth of 100 µm under a triangle wave of 1 mm pitch and 3 µm height; its tops meet tooth tops.
    teeth = _zigzag([(50 * i, 8.0 * (i % 2)) for i in range(161)])
    x = np.arange(teeth.size)
    wave = 3.0 * np.abs(((x - 50) / 1000.0) % 1.0 - 0.5) * 2.0
    found = motif_parameters(teeth + wave, 1.0)
    assert found.w == pytest.approx(3.0, rel=1e-12)
    assert found.wx == pytest.approx(3.0, rel=1e-12)
    assert found.wte == pytest.approx(3.0, rel=1e-12)
    assert found.aw == pytest.approx(1.0, rel=1e-12)
    assert found.ar == pytest.approx(0.1, rel=1e-12)
    # Each tooth leans by the wave's rise along half a tooth, 0.3 µm: valley to valley the mean stays 8.
    assert found.r == pytest.approx(8.0, abs=0.3)


def test_a_sampled_sine():
    # Sampled at 500 per period the tops are met to within (π/500)²/2 of the amplitude.
    z = 2.0 * np.sin(2 * np.pi * np.arange(16_000) / 500.0 + 0.3)
    found = motif_parameters(z, 1.0)
    near = 2.0 * (np.pi / 500.0) ** 2
    assert found.r == pytest.approx(4.0, abs=near)
    assert found.rx == pytest.approx(4.0, abs=near)
    assert found.ar == pytest.approx(0.5, rel=1e-12)


def test_motifs_wider_than_the_operator_do_not_count():
    z = _zigzag([(300 * i, 8.0 * (i % 2)) for i in range(41)])
    found = motif_parameters(z, 1.0)
    assert found.r == found.ar == found.rx == Undefined("no motif of at most 0.5 mm")
    wider = motif_parameters(z, 1.0, roughness_limit_mm=2.5, waviness_limit_mm=12.5)
    assert wider.r == pytest.approx(8.0)
    assert wider.ar == pytest.approx(0.6)


def test_single_depths_far_beyond_the_others_are_levelled_or_kept():
    tops = [0.0, 10.0] * 20 + [-30.0] + [10.0, 0.0] * 20
    z = _through(*tops, run=50)
    # Operator 0.15 mm: the deep motif of 0.1 mm may not swallow its neighbours.
    kept = motif_parameters(z, 1.0, roughness_limit_mm=0.15, outliers=OutlierDepths.KEEP)
    assert kept.rx == pytest.approx(40.0)
    depths = np.array([10.0] * 76 + [40.0] * 2)
    assert kept.r == pytest.approx(depths.mean())
    ceiling = depths.mean() + 1.65 * depths.std(ddof=1)
    levelled = motif_parameters(z, 1.0, roughness_limit_mm=0.15)
    assert levelled.rx == pytest.approx(ceiling)
    assert levelled.r == pytest.approx(np.minimum(depths, ceiling).mean())


def test_a_single_burr_does_not_rise_into_the_waviness():
    tops = [0.0, 10.0] * 20 + [0.0, 60.0] + [0.0, 10.0] * 20 + [0.0]
    z = _through(*tops, run=50)
    kept = motif_parameters(z, 1.0, outliers=OutlierDepths.KEEP)
    assert kept.wte == pytest.approx(50.0)
    depths = np.array([10.0] * 78 + [60.0] * 2)
    ceiling = depths.mean() + 1.65 * depths.std(ddof=1)
    assert motif_parameters(z, 1.0).wte == pytest.approx(ceiling - 10.0)


def test_the_table_s_rows_keep_the_ratio_of_five_between_the_operators():
    # ISO 12085:1996 table 1, from memory.
    assert [(row.roughness_mm, row.waviness_mm, row.evaluation_mm, row.short_cutoff_um) for row in STANDARD_LIMITS] == [
        (0.02, 0.1, 0.64, 2.5),
        (0.1, 0.5, 3.2, 2.5),
        (0.5, 2.5, 16.0, 8.0),
        (2.5, 12.5, 80.0, 25.0),
    ]
    assert DEFAULT_LIMITS.roughness_mm == 0.5


# --- properties and degenerate profiles ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(windows(most=900), st.sampled_from([0.25, 0.5, 2.0, 64.0]), st.floats(-5.0, 5.0))
def test_scaling_offset_and_reversal(case, factor, offset):
    _, z, dx = case
    z = z + 1e-4 * np.ptp(z) * np.random.default_rng(z.size).random(z.size)
    base = motif_parameters(z, dx, roughness_limit_mm=0.1, waviness_limit_mm=0.5)
    scaled = motif_parameters(factor * z, dx, roughness_limit_mm=0.1, waviness_limit_mm=0.5)
    back = motif_parameters(z[::-1], dx, roughness_limit_mm=0.1, waviness_limit_mm=0.5)
    moved = motif_parameters(z + 8.0 * round(offset), dx, roughness_limit_mm=0.1, waviness_limit_mm=0.5)
    for field in dataclasses.fields(MotifParameters):
        value = getattr(base, field.name)
        others = [getattr(p, field.name) for p in (scaled, back, moved)]
        if isinstance(value, Undefined):
            assert all(isinstance(other, Undefined) for other in others)
            continue
        in_height = 1.0 if field.name in ("ar", "aw") else factor
        assert others[0] == pytest.approx(in_height * value, rel=1e-9)
        assert others[1] == pytest.approx(value, rel=1e-9)


@given(windows(most=900))
def test_no_combined_motif_is_wider_than_the_operator_and_no_mean_exceeds_the_largest(case):
    _, z, dx = case
    found = motif_parameters(z, dx, roughness_limit_mm=0.1, waviness_limit_mm=0.5)
    if not isinstance(found.r, Undefined):
        assert 0.0 < found.r <= found.rx * (1 + 1e-12) <= np.ptp(z) * (1 + 2e-12)
        assert found.ar <= 0.1 * (1 + 1e-12)
    if not isinstance(found.w, Undefined):
        assert 0.0 < found.w <= found.wx * (1 + 1e-12) <= np.ptp(z) * (1 + 2e-12)
        assert found.aw <= 0.5 * (1 + 1e-12)


@pytest.mark.parametrize(
    "z",
    [np.zeros(100), np.full(1, 3.0), np.arange(100.0), np.where(np.arange(100) < 50, 0.0, 1.0), np.arange(2.0)],
    ids=["flat", "one sample", "ramp", "step", "two samples"],
)
def test_profiles_without_two_peaks_have_no_motif(z):
    found = motif_parameters(z, 1.0)
    assert all(isinstance(getattr(found, field.name), Undefined) for field in dataclasses.fields(found))


def test_one_peak_is_no_motif():
    spike = np.zeros(1000)
    spike[500] = 4.0
    assert isinstance(motif_parameters(spike, 1.0).r, Undefined)


@pytest.mark.parametrize(("a", "b"), [(0.0, 2.5), (-0.5, 2.5), (0.5, 0.4), (float("nan"), 2.5), (0.5, float("inf"))])
def test_operators_that_make_no_sense_are_refused(a, b):
    with pytest.raises(SettingsError, match=r"0 < A ≤ B is needed"):
        motif_parameters(np.zeros(10), 1.0, roughness_limit_mm=a, waviness_limit_mm=b)


def test_the_profile_is_left_alone():
    z = window("turned", 2000, 0.5, 3)
    kept = z.copy()
    z.flags.writeable = False
    for field in dataclasses.fields(MotifParameters):
        assert type(getattr(motif_parameters(z, 0.5), field.name)) in (float, Undefined)
    np.testing.assert_array_equal(z, kept)
