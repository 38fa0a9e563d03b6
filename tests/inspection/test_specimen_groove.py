"""Depth of wide grooves: tilt, place, noise, bad traces; a second implementation from the definition alone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from crosslay.inspection.groove import Groove, groove_depth
from crosslay.inspection.specimen import GrooveBottom, Specimen, SpecimenType
from crosslay.inspection.specimen_reading import Reading, Unread, read_specimen
from crosslay.texture import Calibration, Settings, Trace
from crosslay.texture.undefined import Undefined

WIDTH_UM = 500.0
SPACING_UM = 2.0
POINTS = 1500  # 3 mm, six widths


def _along(centre_um):
    return np.arange(POINTS) * SPACING_UM - centre_um


def _flat(depth_um, centre_um=1500.0):
    return np.where(np.abs(_along(centre_um)) < WIDTH_UM / 2.0, -depth_um, 0.0)


def _circle(depth_um, centre_um=1500.0):
    """Arc through both edges, `depth_um` below them in the middle."""
    half = WIDTH_UM / 2.0
    radius = (half * half + depth_um * depth_um) / (2.0 * depth_um)
    x = np.clip(_along(centre_um), -half, half)
    return radius - depth_um - np.sqrt(radius * radius - x * x)


def _depth(z_um, bottom=GrooveBottom.FLAT, width_um=WIDTH_UM):
    found = groove_depth(z_um, SPACING_UM, width_um, bottom)
    assert isinstance(found, Groove), found
    return found


def _reason(z_um, bottom=GrooveBottom.FLAT, width_um=WIDTH_UM):
    found = groove_depth(z_um, SPACING_UM, width_um, bottom)
    assert isinstance(found, Undefined), found
    return found.reason


@settings(max_examples=60, deadline=None)
@given(
    depth_um=st.floats(0.05, 50.0), centre_um=st.floats(760.0, 2240.0), tilt=st.floats(-0.02, 0.02),
    offset_um=st.floats(-1e3, 1e3), sign=st.sampled_from([1.0, -1.0]),
)
def test_tilt_offset_place_and_sign_do_not_matter(depth_um, centre_um, tilt, offset_um, sign):
    z_um = sign * _flat(depth_um, centre_um) + tilt * np.arange(POINTS) * SPACING_UM + offset_um
    assert _depth(z_um).depth_um == pytest.approx(depth_um, rel=1e-9, abs=1e-11)


@settings(max_examples=30, deadline=None)
@given(depth_um=st.floats(0.5, 40.0), centre_um=st.floats(760.0, 2240.0), tilt=st.floats(-0.01, 0.01))
def test_an_arc_has_its_lowest_point(depth_um, centre_um, tilt):
    found = _depth(_circle(depth_um, centre_um) + tilt * np.arange(POINTS) * SPACING_UM, GrooveBottom.ROUNDED)
    # The distance is taken square to the line, which shortens it by tilt²/2.
    assert found.depth_um == pytest.approx(depth_um / math.hypot(1.0, tilt), rel=1e-6)


def test_the_arc_agrees_with_a_circle_fitted_by_scipy():
    rng = np.random.default_rng(5)
    z_um = _circle(8.0) + rng.normal(0.0, 0.02, POINTS)
    found = _depth(z_um, GrooveBottom.ROUNDED)
    x = _along(found.centre_um)
    beside = (np.abs(x) >= WIDTH_UM * 5 / 6) & (np.abs(x) <= WIDTH_UM * 1.5)
    slope, level = np.polyfit(x[beside], z_um[beside], 1)
    inside = np.abs(x) <= WIDTH_UM / 6
    above = (z_um - slope * x - level)[inside]

    def residual(circle):
        middle, bottom, curvature = circle
        u = x[inside] - middle
        return bottom + curvature * u * u / (1.0 + np.sqrt(1.0 - (curvature * u) ** 2)) - above

    bottom = optimize.least_squares(residual, [0.0, -8.0, 2.0 * 8.0 / 250.0**2], x_scale=[1.0, 1.0, 1e-5]).x[1]
    assert found.depth_um == pytest.approx(-bottom, rel=1e-6)


def test_the_depth_is_that_of_the_definition_evaluated_plainly():
    """Z = aX + b + hδ over the thirds, sample by sample, by the normal equations in plain Python."""
    rng = np.random.default_rng(11)
    z_um = _flat(2.0) + 0.003 * _along(1500.0) + rng.normal(0.0, 0.05, POINTS)
    found = _depth(z_um)
    rows = []
    for index in range(POINTS):
        x = (index * SPACING_UM - found.centre_um) / WIDTH_UM
        if 5 / 6 <= abs(x) <= 1.5:
            rows.append((x, 1.0, 1.0, z_um[index]))
        elif abs(x) <= 1 / 6:
            rows.append((x, 1.0, -1.0, z_um[index]))
    normal = [[math.fsum(row[i] * row[j] for row in rows) for j in range(3)] for i in range(3)]
    right = [math.fsum(row[i] * row[3] for row in rows) for i in range(3)]
    half = np.linalg.solve(np.array(normal), np.array(right))[2]
    assert found.depth_um == pytest.approx(2.0 * abs(half), rel=1e-12)


def test_noise_averages_out():
    rng = np.random.default_rng(2)
    depths = [_depth(_flat(1.0) + rng.normal(0.0, 0.05, POINTS)).depth_um for _ in range(60)]
    # Variance of the difference of two means: σ²/332 beside and σ²/83 inside.
    assert np.mean(depths) == pytest.approx(1.0, abs=4 * 0.05 * math.sqrt(1 / 332 + 1 / 83) / math.sqrt(60))
    assert np.std(depths) == pytest.approx(0.05 * math.sqrt(1 / 332 + 1 / 83), rel=0.35)


def test_a_reversed_trace_has_the_same_depth():
    z_um = _flat(3.0, 1300.0) + np.random.default_rng(1).normal(0.0, 0.01, POINTS)
    assert _depth(z_um[::-1].copy()).depth_um == pytest.approx(_depth(z_um).depth_um, rel=1e-3)


class TestNoGroove:
    """Every bad trace says what is wrong."""

    @pytest.mark.parametrize("bottom", GrooveBottom)
    @pytest.mark.parametrize(
        "shape",
        [
            pytest.param(np.zeros(POINTS), id="flat"),
            pytest.param(np.full(POINTS, 1e4), id="high and flat"),
            pytest.param(np.random.default_rng(7).normal(0.0, 1.0, POINTS), id="noise"),
            pytest.param(np.sin(np.arange(POINTS) * SPACING_UM * 2 * np.pi / 1000.0), id="wave of two widths"),
            pytest.param(np.sin(np.arange(POINTS) * SPACING_UM * 2 * np.pi / 3000.0), id="long wave"),
            pytest.param(np.where(np.arange(POINTS) > 700, 5.0, 0.0), id="one step"),
            pytest.param((np.arange(POINTS) / 300.0) ** 2, id="curved"),
        ],
    )
    def test_is_no_groove(self, shape, bottom):
        assert isinstance(groove_depth(shape, SPACING_UM, WIDTH_UM, bottom), Undefined)

    def test_another_width_is_another_groove(self):
        assert "another groove" in _reason(_flat(5.0), width_um=350.0)

    def test_too_short_says_how_long(self):
        assert "1.5 mm" in _reason(_flat(5.0)[400:1100])

    def test_too_coarse(self):
        found = groove_depth(np.zeros(400), 50.0, WIDTH_UM, GrooveBottom.FLAT)
        assert isinstance(found, Undefined)
        assert "sample more finely" in found.reason

    def test_a_groove_too_near_the_end_is_not_taken(self):
        assert isinstance(groove_depth(_flat(5.0, 300.0), SPACING_UM, WIDTH_UM, GrooveBottom.FLAT), Undefined)

    def test_a_flat_groove_is_no_rounded_one(self):
        assert "rounded" in _reason(_flat(5.0), GrooveBottom.ROUNDED) or "wide" in _reason(
            _flat(5.0), GrooveBottom.ROUNDED
        )


SPECIMEN = Specimen(
    name="depth", type=SpecimenType.A, parameter="d", certified=2.0, expanded_uncertainty=0.01, tolerance_percent=2.0,
    warn_percent=1.0, groove_width_mm=0.5,
)


class TestReading:
    def test_counts_are_calibrated_and_the_place_is_kept(self):
        counts = np.round(_flat(2.0) / 1e-3).astype(np.int32)
        trace = Trace(
            samples=counts, spacing_um=SPACING_UM, calibration=Calibration(gain_um=1e-3, amplification=1.25),
            facts={"place": "left"},
        )
        assert read_specimen(trace, SPECIMEN) == Reading(
            value=pytest.approx(2.5, rel=1e-9), unit="um", place="left", amplification=1.25,
            values={"d": pytest.approx(2.5, rel=1e-9)},
        )

    @pytest.mark.parametrize("bad", [math.nan, math.inf, 1e9])
    def test_a_height_that_is_none_is_a_reason(self, bad):
        z_um = _flat(2.0)
        z_um[100] = bad
        found = read_specimen(Trace(samples=z_um, spacing_um=SPACING_UM, facts={"place": "b"}), SPECIMEN)
        assert isinstance(found, Unread)
        assert found.reason
        assert found.place == "b"

    @pytest.mark.parametrize("points", [0, 1, 2, 7])
    def test_a_trace_of_next_to_nothing_is_a_reason(self, points):
        assert isinstance(read_specimen(Trace(samples=np.zeros(points), spacing_um=2.0), SPECIMEN), Unread)

    @pytest.mark.parametrize("zones", [{"skip_start_mm": 0.4}, {"leave_out_mm": ((0.1, 0.4),)}])
    def test_the_ends_are_left_out_and_lambda_s_is_applied_where_it_is_stated(self, zones):
        z_um = _flat(2.0)
        z_um[:200] += 40.0  # a burr within the first 0.4 mm
        z_um[:] += np.where(np.arange(POINTS) % 2, 0.15, -0.15)
        conditions = Settings(**zones, short_cutoff_um=25.0)
        specimen = Specimen(
            name="depth", type=SpecimenType.A, parameter="d", certified=2.0, expanded_uncertainty=0.01,
            tolerance_percent=2.0, warn_percent=1.0, groove_width_mm=0.5, settings=conditions,
        )
        found = read_specimen(Trace(samples=z_um, spacing_um=SPACING_UM), specimen)
        assert isinstance(found, Reading)
        assert found.value == pytest.approx(2.0, abs=2e-4)
