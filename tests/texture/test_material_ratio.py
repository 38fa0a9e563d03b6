"""Material ratio curve: exact rational arithmetic, the slow reference, properties, and degenerate profiles."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.texture.material_ratio import (
    core_parameters,
    height_at_ratio,
    height_difference,
    material_curve,
    material_ratio,
    material_ratio_below,
    volume_parameters,
)
from crosslay.texture.undefined import Undefined
from curve_cases import assert_close, window, windows
from reference import brute_curve

CORE = ("k", "pk", "vk", "mrk1", "mrk2", "ak1", "ak2")
VOLUMES = ("vmp", "vmc", "vvc", "vvv")

#: Whole numbers of hundredths of a µm: exact as fractions, with ties, in any order.
counts = st.lists(st.integers(-500, 500), min_size=4, max_size=60)
ratios = st.floats(0.0, 100.0)


def _core(z):
    return dataclasses.asdict(core_parameters(material_curve(z)))


# --- against exact and slow arithmetic ---------------------------------------------------------------------------


@given(counts, st.integers(0, 100), st.integers(0, 100))
def test_heights_areas_and_volumes_equal_exact_rational_arithmetic(values, one, other):
    exact = [Fraction(v, 100) for v in values]
    curve = material_curve(np.array(values) / 100.0)
    low, high = sorted((one, other))
    assert height_at_ratio(curve, one) == pytest.approx(float(brute_curve.height_at(exact, Fraction(one))), abs=1e-12)
    expected = brute_curve.volumes(exact, Fraction(low), Fraction(high))
    found = volume_parameters(curve, low, high)
    for name in VOLUMES:
        assert getattr(found, name) == pytest.approx(float(expected[name]), rel=1e-11, abs=1e-12)


@given(counts, st.integers(-600, 600))
def test_material_ratio_equals_exact_rational_arithmetic_ties_included(values, level):
    exact = brute_curve.ratio_at([Fraction(v) for v in values], Fraction(level))
    found = material_ratio(material_curve(np.array(values, dtype=float)), float(level))
    if exact is None:
        assert isinstance(found, Undefined)
    else:
        assert found == pytest.approx(float(exact), rel=1e-12, abs=1e-12)


@given(counts)
def test_core_equals_exact_rational_arithmetic(values):
    exact = [Fraction(v, 100) for v in values]
    assume(max(exact) > min(exact))
    assume(brute_curve.core_window(exact)[2] > 0)  # a level core: see below
    expected = brute_curve.core(exact)
    # Where the line ends exactly on a level stretch of the curve, rounding chooses the stretch's end: a tie of its own.
    # The curve is level at repeated heights and, being constant outside them, at the highest and lowest.
    for end in brute_curve.core_line(exact):
        assume(exact.count(end) < 2 and end not in (max(exact), min(exact)))
    total = float(max(exact) - min(exact))
    found = _core(np.array(values) / 100.0)
    for name in CORE:
        assert_close(found[name], expected[name], total, 1e-9)


@settings(max_examples=150, deadline=None)
@given(windows(), ratios, ratios, st.floats(-1.0, 1.0))
def test_everything_agrees_with_the_slow_reference(case, one, other, share):
    _, z, _ = case
    profile = z.tolist()
    total = float(np.ptp(z))
    curve = material_curve(z)
    low, high = sorted((one, other))
    assert_close(height_at_ratio(curve, one), brute_curve.height_at(profile, one), total)
    assert_close(
        height_difference(curve, 20.0, 80.0),
        brute_curve.height_at(profile, 20.0) - brute_curve.height_at(profile, 80.0),
        total,
    )
    expected_volumes = brute_curve.volumes(profile, low, high)
    found_volumes = volume_parameters(curve, low, high)
    for name in VOLUMES:
        assert_close(getattr(found_volumes, name), expected_volumes[name], total)
    if brute_curve.core_window(profile)[2] <= 1e-9 * total:
        return  # two-valued profiles have ties by the hundred: their rules are tested one by one below
    assert_close(material_ratio(curve, share * total), brute_curve.ratio_at(profile, share * total), total)
    assert_close(
        material_ratio_below(curve, one, share * total), brute_curve.ratio_below(profile, one, share * total), total
    )
    expected, found = brute_curve.core(profile), _core(z)
    for name in CORE:
        assert_close(found[name], expected[name], total)


# --- properties ---------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(windows(), st.floats(0.01, 100.0), st.floats(-20.0, 20.0))
def test_scaling_scales_heights_and_keeps_ratios_and_an_offset_changes_nothing_but_heights(case, factor, offset):
    _, z, _ = case
    assume(brute_curve.core_window(z.tolist())[2] > 1e-6 * np.ptp(z))
    total = float(np.ptp(z))
    before, after = _core(z), _core(factor * z + offset)
    for name in ("mrk1", "mrk2"):
        assert after[name] == pytest.approx(before[name], rel=1e-6, abs=1e-6)
    for name in ("k", "pk", "vk", "ak1", "ak2"):
        assert after[name] == pytest.approx(factor * before[name], rel=1e-6, abs=1e-6 * factor * total)
    moved = volume_parameters(material_curve(factor * z + offset))
    for name in VOLUMES:
        plain = getattr(volume_parameters(material_curve(z)), name)
        assert getattr(moved, name) == pytest.approx(factor * plain, rel=1e-6, abs=1e-6 * factor * total)


@given(windows(), st.randoms(use_true_random=False))
def test_order_of_the_samples_does_not_matter(case, random):
    _, z, _ = case
    shuffled = z.tolist()
    random.shuffle(shuffled)
    assert _core(np.array(shuffled)) == _core(z) == _core(z[::-1])


@settings(deadline=None)
@given(windows())
def test_turning_the_surface_upside_down_exchanges_peaks_and_valleys(case):
    _, z, _ = case
    heights = np.sort(z)[::-1]
    width = int(0.4 * z.size + 0.5)
    secants = heights[: z.size - width + 1] - heights[width - 1 :]
    # With one narrowest window only; of several, the first holds, and that is another one upside down.
    assume(np.count_nonzero(secants <= secants.min() + 1e-8 * np.ptp(z)) == 1)
    up, down = _core(z), _core(-z)
    total = float(np.ptp(z))
    assert_close(down["k"], up["k"], total)
    for ours, theirs in (("pk", "vk"), ("ak1", "ak2")):
        assert_close(down[ours], up[theirs], total)
        assert_close(down[theirs], up[ours], total)
    assert down["mrk1"] == pytest.approx(100.0 - up["mrk2"], abs=1e-6)
    assert down["mrk2"] == pytest.approx(100.0 - up["mrk1"], abs=1e-6)


@given(windows(), ratios)
def test_ratio_and_height_are_inverse_functions(case, ratio):
    _, z, _ = case
    curve = material_curve(z)
    height = height_at_ratio(curve, ratio)
    rounding = 1e-12 * curve.total_height_um
    inside = min(max(ratio, 50.0 / z.size), 100.0 - 50.0 / z.size)
    # On a level stretch of the curve the far end answers: a hair lower the way back leads further down, a hair higher
    # further up, never past the point.
    assert material_ratio(curve, height - rounding) >= inside - 1e-9
    assert material_ratio(curve, height + 2 * rounding) <= inside + 1e-9
    back = material_ratio(curve, height)
    assert height_at_ratio(curve, back) == pytest.approx(height, abs=rounding)


@given(windows(), ratios, ratios, ratios)
def test_volumes_add_up(case, one, other, third):
    _, z, _ = case
    p, middle, q = sorted((one, other, third))
    curve = material_curve(z)
    whole, left, right = (
        volume_parameters(curve, p, q),
        volume_parameters(curve, p, middle),
        volume_parameters(curve, middle, q),
    )
    total = float(np.ptp(z))
    assert whole.vmc == pytest.approx(left.vmc + right.vmc, abs=1e-11 * total)
    assert whole.vvc == pytest.approx(left.vvc + right.vvc, abs=1e-11 * total)
    # Material above minus void below a height is the mean seen from it: Vm − Vv = mean − C(p).
    assert whole.vmp - (whole.vvc + whole.vvv) == pytest.approx(
        float(z.mean()) - height_at_ratio(curve, p), abs=1e-11 * total
    )


@given(windows())
def test_areas_are_triangles_of_height_and_base(case):
    _, z, _ = case
    found = _core(z)
    assert found["ak1"] == pytest.approx(found["pk"] * found["mrk1"] / 2.0, rel=1e-12, abs=1e-15)
    assert found["ak2"] == pytest.approx(found["vk"] * (100.0 - found["mrk2"]) / 2.0, rel=1e-12, abs=1e-15)
    assert 0.0 <= found["mrk1"] <= found["mrk2"] <= 100.0
    assert min(found.values()) >= 0.0


@pytest.mark.parametrize("extra", [0.0, 1e-3, 1e-9], ids=["smooth", "rough", "rounding"])
@pytest.mark.parametrize("burr", [0.0, 1e6, -1e6], ids=["plain", "burr", "pit"])
@pytest.mark.parametrize("scale", [1.0, 1e-199, 1e-250, 5e-324], ids=str)
def test_profiles_of_every_kind_are_sorted_alike(extra, burr, scale):
    z = np.sin(np.linspace(0.0, 9.0, 3001)) + extra * np.random.default_rng(8).standard_normal(3001)
    z[1500] += burr
    z *= scale
    np.testing.assert_array_equal(material_curve(z).heights_um, np.array(sorted(z, reverse=True)))


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300))
def test_any_heights_are_sorted(values):
    np.testing.assert_array_equal(material_curve(np.array(values)).heights_um, np.array(sorted(values, reverse=True)))


def test_the_profile_itself_is_left_alone_and_may_be_read_only_or_strided():
    z = window("honed", 1000, 0.5, 7)
    kept = z.copy()
    z.flags.writeable = False
    wide = np.repeat(kept, 2)[::2]
    for name, value in _core(z).items():
        assert type(value) is float
        assert _core(wide)[name] == value
    np.testing.assert_array_equal(z, kept)


# --- degenerate profiles -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [0.0, 3.25, -1e-3])
def test_a_flat_profile_has_heights_areas_and_volumes_of_0_and_no_ratios(height):
    curve = material_curve(np.full(500, height))
    core = core_parameters(curve)
    assert (core.k, core.pk, core.vk, core.ak1, core.ak2) == (0.0, 0.0, 0.0, 0.0, 0.0)
    assert isinstance(core.mrk1, Undefined)
    assert isinstance(core.mrk2, Undefined)
    assert isinstance(material_ratio(curve, height), Undefined)
    assert isinstance(material_ratio_below(curve, 5.0, 0.1), Undefined)
    assert height_difference(curve, 20.0, 80.0) == 0.0
    assert height_at_ratio(curve, 20.0) == height
    assert dataclasses.astuple(volume_parameters(curve)) == pytest.approx((0.0,) * 4, abs=1e-12)


@pytest.mark.parametrize("points", [1, 2, 3])
def test_too_few_samples_for_the_line(points):
    core = core_parameters(material_curve(np.arange(float(points))))
    for value in (getattr(core, name) for name in CORE):
        assert value == Undefined(f"{points} samples; the 40 % line needs 4")
    assert height_at_ratio(material_curve(np.arange(float(points))), 50.0) == (points - 1) / 2.0


def test_four_samples_are_enough():
    # Heights 3, 1, 0, −4 at 12.5, 37.5, 62.5, 87.5 %; two points make the window, 1 and 0 are nearest: the line falls
    # 1 in 25 %, from 2.5 at 0 % to −1.5 at 100 %; it is reached at 12.5 + 25/4 % and 62.5 + 25·1.5/4 %.
    core = core_parameters(material_curve(np.array([1.0, -4.0, 3.0, 0.0])))
    assert core.k == pytest.approx(4.0, rel=1e-14)
    assert core.mrk1 == pytest.approx(18.75, rel=1e-14)
    assert core.mrk2 == pytest.approx(71.875, rel=1e-14)
    assert core.ak1 == pytest.approx(0.5 * 12.5 + 0.5 * 0.5 * 6.25, rel=1e-14)
    assert core.ak2 == pytest.approx(2.5 * 12.5 + 0.5 * 2.5 * 15.625, rel=1e-14)


@pytest.mark.parametrize("scale", [1.0, 1e-6, 1e4])
def test_two_heights_make_a_level_core(scale):
    # 60 % at the upper height: the first 40 % are level, the core ends where the curve leaves it (by 1e-9 of the total
    # height, below which heights count as equal).
    z = scale * np.where(np.arange(1000) % 10 < 6, 1.0, 0.0)
    core = core_parameters(material_curve(z))
    assert core.k == 0.0
    assert core.pk == 0.0
    assert core.mrk1 == 0.0
    assert core.mrk2 == pytest.approx(59.95, rel=1e-9)  # the 600th point stands at 59.95 %
    # From there the curve falls within 0.1 % and stays: area 0.05 + 39.95 in % times the step.
    assert core.ak2 == pytest.approx(scale * 40.0, rel=1e-9)
    assert core.vk == pytest.approx(2.0 * scale * 40.0 / 40.05, rel=1e-9)


def test_rounding_noise_on_a_level_core_decides_nothing():
    rng = np.random.default_rng(3)
    clean = np.where(np.arange(2000) % 5 < 3, 1.0, -1.5)
    noisy = clean + rng.uniform(-1e-12, 1e-12, clean.size)
    expected, found = _core(clean), _core(noisy)
    for name in CORE:
        assert found[name] == pytest.approx(expected[name], rel=1e-8, abs=1e-8)


def test_a_profile_that_is_level_but_for_a_spike():
    for spike in (5.0, -5.0):
        z = np.zeros(1000)
        z[400] = spike
        core = core_parameters(material_curve(z))
        peak, valley = (core.ak1, core.ak2) if spike > 0 else (core.ak2, core.ak1)
        assert core.k == 0.0
        assert valley == 0.0
        # Half a sample at full height and a slope of one sample's width down from it.
        assert peak == pytest.approx(5.0 * (0.05 + 0.05), rel=1e-9)


def test_only_peaks_or_only_valleys_leave_the_other_side_empty():
    rng = np.random.default_rng(5)
    z = rng.random(2001) ** 4  # many low samples, few high: no valleys
    assert _core(z)["vk"] == 0.0
    assert _core(z)["mrk2"] == 100.0
    assert _core(-z)["pk"] == 0.0
    assert _core(-z)["mrk1"] == 0.0
    assert _core(z)["pk"] > 0.0


def test_heights_outside_the_profile_meet_no_material_or_nothing_but():
    curve = material_curve(window("ground", 800, 0.5, 1))
    top, bottom = float(curve.heights_um[0]), float(curve.heights_um[-1])
    assert material_ratio(curve, np.nextafter(top, np.inf)) == 0.0
    assert material_ratio(curve, top) == pytest.approx(50.0 / 800)
    assert material_ratio(curve, bottom) == 100.0
    assert material_ratio(curve, bottom - 1.0) == 100.0


@pytest.mark.parametrize("ratio", [-0.001, 100.001, float("nan"), float("inf")])
def test_ratios_out_of_range_are_refused(ratio):
    curve = material_curve(np.arange(10.0))
    for ask in (
        lambda: height_at_ratio(curve, ratio),
        lambda: height_difference(curve, 20.0, ratio),
        lambda: material_ratio_below(curve, ratio, 0.5),
        lambda: volume_parameters(curve, 10.0, ratio),
    ):
        with pytest.raises(SettingsError, match=r"between 0 and 100|exceed"):
            ask()


def test_volume_ratios_in_the_wrong_order_are_refused():
    with pytest.raises(SettingsError, match=r"p = 80 % lies above q = 10 %"):
        volume_parameters(material_curve(np.arange(10.0)), 80.0, 10.0)


def test_an_empty_profile_is_refused():
    with pytest.raises(SettingsError, match="needs a line of heights"):
        material_curve(np.empty(0))
