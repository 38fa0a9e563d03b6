"""Profile elements: the rules of page *texture*, section 4, one by one, and a slow second implementation."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.texture.spacing import ProfileElements, profile_elements
from crosslay.texture.undefined import Undefined
from synthetic_surfaces import SURFACES, surface


def _slow(z, spacing_um, section_points, rz):
    """Walk along the profile sample by sample. Returns (widths µm, heights µm)."""
    sign, signs = 0, []
    for value in z:
        sign = 1 if value > 0 else -1 if value < 0 else sign
        signs.append(sign)
    first = next((s for s in signs if s), 0)
    signs = [s or first for s in signs]
    portions, begin, start = [], 0.0, 0
    for i in range(len(z)):
        last = i == len(z) - 1
        if last or signs[i + 1] != signs[i]:
            end = float(i) if last else i + z[i] / (z[i] - z[i + 1])
            portions.append((signs[i], begin, end, max(abs(v) for v in z[start : i + 1])))
            begin, start = end, i + 1
    kept = [p for p in portions if p[3] > 0.1 * rz and p[2] - p[1] >= 0.01 * section_points]
    merged = []
    for p in kept:
        if merged and merged[-1][0] == p[0]:
            merged[-1] = (p[0], merged[-1][1], p[2])
        else:
            merged.append((p[0], p[1], p[2]))
    bounds = [(a[2] + b[1]) / 2 for a, b in itertools.pairwise(merged)][::2]
    widths, heights = [], []
    for low, high in itertools.pairwise(bounds):
        inside = [v for i, v in enumerate(z) if low <= i <= high]
        widths.append((high - low) * spacing_um)
        heights.append(max(inside) - min(inside))
    return widths, heights


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    points=st.integers(50, 1500),
    section=st.integers(20, 1500),
    share=st.sampled_from([0.2, 1.0, 3.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_agrees_with_the_slow_walk(name, points, section, share, seed):
    z = surface(name, points, 0.37, seed)
    z -= z.mean()
    z[:: max(1, seed % 7)] = np.round(z[:: max(1, seed % 7)], 1)  # exact zeros here and there
    rz = share * float(np.ptp(z)) / 2
    widths, heights = _slow(z.tolist(), 0.37, section, rz)
    found = profile_elements(z, 0.37, section, rz_um=rz)
    if not widths:
        assert isinstance(found, Undefined)
        return
    assert isinstance(found, ProfileElements)
    assert found.widths_um == pytest.approx(widths, rel=1e-10)
    assert found.heights_um == pytest.approx(heights, rel=1e-12)


def _found(z, rz=1.0, section=100, spacing_um=1.0):
    found = profile_elements(np.asarray(z, dtype=float), spacing_um, section, rz_um=rz)
    assert isinstance(found, ProfileElements)
    return found


def test_a_triangle_by_hand():
    """Period 4 µm, crossings at half samples: elements run from the first crossing, downwards here, to the next."""
    found = _found([1, 1, -1, -1, 1, 1, -1, -1, 1, 1])
    assert found.widths_um.tolist() == [4.0]  # boundaries at 1.5, 3.5, 5.5, 7.5: of the first direction 1.5 and 5.5
    assert found.heights_um.tolist() == [2.0]
    assert found.mean_width_mm == 0.004
    assert found.peaks_per_cm == 2500.0


def test_an_exact_zero_belongs_to_the_portion_before_it():
    found = _found([1, 0, -1, 0, 1, 0, -1, 0, 1])
    assert found.widths_um.tolist() == [4.0]  # crossings at 1, 3, 5, 7


def test_a_profile_that_touches_its_mean_line_does_not_cross_it():
    found = _found([2, 0, 2, -2, 0, -2, 2, 2, -2, -2])
    assert found.widths_um.tolist() == [5.0]  # crossings 2.5, 5.5, 7.5


def test_zeros_at_the_start_belong_to_the_first_portion():
    assert _found([0, 0, 1, -1, 1, -1, 1]).widths_um.tolist() == _found([1, 1, 1, -1, 1, -1, 1]).widths_um.tolist()


def test_a_portion_of_just_ten_percent_does_not_count():
    low, high = [0.1] * 10, [0.1001] * 10
    big, deep = [1.0] * 10, [-1.0] * 10
    assert _found(big + deep + low + deep + big + deep).widths_um.size == 1
    assert _found(big + deep + high + deep + big + deep).widths_um.size == 2


def test_a_narrow_portion_does_not_count():
    spike = [1.0]  # about 1 µm wide at its crossings
    base = [1.0] * 30, [-1.0] * 30
    z = base[0] + base[1] + spike + base[1] + base[0] + base[1]
    assert _found(z, section=100).widths_um.size == 2  # 1 % of 100 µm: exactly 1 µm wide still counts
    assert _found(z, section=101).widths_um.size == 1


def test_the_boundary_lies_in_the_middle_of_a_gap_of_insignificant_portions():
    z = [1.0] * 10 + [-0.05] * 4 + [0.05] * 4 + [-1.0] * 10 + [1.0] * 10 + [-1.0] * 10
    down = [9 + 1.0 / 1.05, 17 + 0.05 / 1.05]  # ends of the gap
    found = _found(z)
    assert found.widths_um.tolist() == pytest.approx([37.5 - sum(down) / 2])


def test_reversal_may_change_which_elements_are_whole():
    z = np.array([1, 1, -1, -1, -1, 1, 1, 1, 1, -1, -1, 1, 1], dtype=float)
    assert _found(z).widths_um.tolist() != _found(z[::-1].copy()).widths_um.tolist()


@pytest.mark.parametrize(
    ("z", "reason"),
    [
        ([0.0, 0.0, 0.0], "does not cross"),
        ([1.0, 2.0, 1.0], "does not cross"),
        ([1.0, 2.0, -1.0], "fewer than one whole"),
        ([1.0, -1.0, 1.0], "fewer than one whole"),
    ],
)
def test_without_a_whole_element_the_values_are_undefined(z, reason):
    found = profile_elements(np.array(z), 1.0, 10, rz_um=1.0)
    assert isinstance(found, Undefined)
    assert reason in found.reason


@settings(max_examples=20, deadline=None)
@given(factor=st.floats(0.01, 100), seed=st.integers(0, 2**32 - 1))
def test_scaling_heights_scales_rc_only(factor, seed):
    z = surface("ground", 2000, 0.5, seed)
    z -= z.mean()
    rz = float(np.ptp(z))
    one = profile_elements(z, 0.5, 400, rz_um=rz)
    two = profile_elements(factor * z, 0.5, 400, rz_um=factor * rz)
    if isinstance(one, Undefined):
        assert isinstance(two, Undefined)
        return
    assert isinstance(two, ProfileElements)
    assert two.mean_width_mm == pytest.approx(one.mean_width_mm, rel=1e-9)
    assert two.mean_height_um == pytest.approx(factor * one.mean_height_um, rel=1e-9)
