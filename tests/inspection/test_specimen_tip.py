"""The tip's effective radius: grooves and grids traced by a disk (ISO 16610-41 dilation), worn and broken tips."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.inspection.specimen import Specimen, SpecimenType
from crosslay.inspection.specimen_reading import Reading, Unread, read_specimen
from crosslay.inspection.tip_condition import bridging_radius_um, grid_radius
from crosslay.texture import Trace
from crosslay.texture.filters.morphological import dilation
from crosslay.texture.undefined import Undefined

SPACING_UM = 0.02
WIDTHS_UM = (3.0, 2.0, 1.5)
SPECIMEN = Specimen(
    name="tip", type=SpecimenType.B, parameter="rtip", certified=2.0, expanded_uncertainty=0.1, tolerance_percent=50.0,
    warn_percent=25.0, narrow_widths_um=WIDTHS_UM, cone_angle_deg=60.0, narrow_depth_um=20.0,
)


def _surface(widths_um=WIDTHS_UM, depth_um=20.0):
    x_um = np.arange(0, 60.0 * (len(widths_um) + 1), SPACING_UM)
    z_um = np.zeros(x_um.size)
    for index, width in enumerate(widths_um):
        z_um[np.abs(x_um - 60.0 * (index + 1)) < width / 2.0 - 1e-9] = -depth_um
    return z_um


def _traced(radius_um, widths_um=WIDTHS_UM, depth_um=20.0):
    return dilation(_surface(widths_um, depth_um), SPACING_UM, radius_um)


def _read(z_um, specimen=SPECIMEN):
    return read_specimen(Trace(samples=z_um, spacing_um=SPACING_UM), specimen)


@pytest.mark.parametrize("radius_um", [2.0, 2.5, 5.0, 10.0])
def test_a_ball_that_rolls_over_the_grooves_has_its_radius(radius_um):
    found = _read(_traced(radius_um))
    assert isinstance(found, Reading)
    # The edges lie on samples: the width that the disk sees is known to one spacing, 2·dx/w of R.
    assert found.value == pytest.approx(radius_um, rel=2.0 * SPACING_UM / min(WIDTHS_UM))
    assert found.unit == "um"


def test_either_direction_of_traverse():
    forward, backward = _read(_traced(2.5)), _read(_traced(2.5)[::-1].copy())
    assert isinstance(forward, Reading)
    assert isinstance(backward, Reading)
    assert backward.value == pytest.approx(forward.value, rel=1e-3)


def test_tilt_and_noise():
    rng = np.random.default_rng(4)
    z_um = _traced(2.5)
    z_um = z_um + 0.003 * SPACING_UM * np.arange(z_um.size) + rng.normal(0.0, 0.002, z_um.size)
    found = _read(z_um)
    assert isinstance(found, Reading)
    assert found.value == pytest.approx(2.5, rel=0.05)


def test_a_flattened_tip_reads_as_a_larger_radius():
    """A 2 µm ball worn to a flat of 1.6 µm: a disk with a level bottom, traced sample by sample."""
    surface = _surface()
    steps = np.arange(-100, 101) * SPACING_UM
    tip = np.where(np.abs(steps) <= 0.8, 0.0, 2.0 - np.sqrt(4.0 - np.minimum(np.abs(steps), 2.0) ** 2))
    tip = np.maximum(tip, 2.0 - math.sqrt(4.0 - 0.64)) - (2.0 - math.sqrt(4.0 - 0.64))
    padded = np.pad(surface, 100, mode="edge")
    traced = np.max(np.lib.stride_tricks.sliding_window_view(padded, 201) - tip, axis=1)
    found = read_specimen(
        Trace(samples=traced, spacing_um=SPACING_UM),
        Specimen(
            name="tip", type=SpecimenType.B, parameter="rtip", certified=2.0, expanded_uncertainty=0.1,
            tolerance_percent=50.0, warn_percent=25.0, narrow_widths_um=WIDTHS_UM, cone_angle_deg=60.0,
        ),
    )
    assert isinstance(found, Unread) or found.value > 2.4


class TestNothingToRead:
    def test_a_broken_tip_bridges_the_narrow_grooves(self):
        found = _read(_traced(5000.0) + np.random.default_rng(1).normal(0.0, 0.002, _surface().size))
        assert isinstance(found, Unread)
        assert "3" in found.reason
        assert "blunt" in found.reason

    def test_too_few_grooves_in_the_trace(self):
        found = _read(_traced(2.0, (3.0, 2.0)))
        assert isinstance(found, Unread)
        assert "shows 2 grooves" in found.reason

    def test_grooves_that_the_cone_touches_say_nothing_of_the_ball(self):
        specimen = Specimen(
            name="tip", type=SpecimenType.B, parameter="rtip", certified=2.0, expanded_uncertainty=0.1,
            tolerance_percent=50.0, warn_percent=25.0, narrow_widths_um=(3.9, 3.8), cone_angle_deg=60.0,
        )
        found = _read(_traced(2.0, (3.9, 3.8)), specimen)
        assert isinstance(found, Unread)
        assert "narrower" in found.reason

    def test_a_tip_on_the_bottom_says_nothing(self):
        specimen = Specimen(
            name="tip", type=SpecimenType.B, parameter="rtip", certified=2.0, expanded_uncertainty=0.1,
            tolerance_percent=50.0, warn_percent=25.0, narrow_widths_um=(3.0, 2.9), narrow_depth_um=0.2,
        )
        assert isinstance(_read(_traced(2.0, (3.0, 2.9), 0.2), specimen), Unread)

    @pytest.mark.parametrize("points", [1, 2, 5])
    def test_next_to_nothing(self, points):
        assert isinstance(_read(np.zeros(points)), Unread)


@given(radius_um=st.floats(0.5, 20.0), share=st.floats(0.01, 0.99))
def test_the_ball_between_two_edges(radius_um, share):
    """p = R − √(R² − w²/4) for a chord w (circle geometry)."""
    half = share * radius_um
    depth_um = half * half / (radius_um + math.sqrt(radius_um**2 - half**2))
    assert bridging_radius_um(2.0 * half, depth_um) == pytest.approx(radius_um, rel=1e-9)


class TestGrids:
    @settings(max_examples=20, deadline=None)
    @given(radius_um=st.floats(1.0, 8.0), slope_deg=st.floats(10.0, 30.0), gain=st.floats(0.8, 1.2))
    def test_two_grids_traced_by_a_disk(self, radius_um, slope_deg, gain):
        """Triangles of 20 and 100 µm pitch: heights by dilation, against the closed form turned round."""
        slope = math.tan(math.radians(slope_deg))
        x_um = np.arange(0, 400.0, 0.05)
        heights = []
        for pitch_um in (20.0, 100.0):
            phase = (x_um / pitch_um) % 1.0
            traced = dilation(slope * pitch_um * np.minimum(phase, 1.0 - phase), 0.05, radius_um)[800:-800]
            heights.append(gain * float(np.ptp(traced)))
        found = grid_radius(heights[0], heights[1], pitch_ratio=5.0, slope_deg=slope_deg)
        assert isinstance(found, float)
        # The gain scales R; a height is known to a slope times half a spacing.
        least_um = 6.0 / 4.0 * slope * 0.025 / (1.0 / math.cos(math.radians(slope_deg)) - 1.0)
        assert found == pytest.approx(gain * radius_um, abs=0.01 + least_um)

    def test_no_loss_is_no_radius(self):
        assert isinstance(grid_radius(1.0, 5.0, pitch_ratio=5.0, slope_deg=20.0), Undefined)

    def test_a_tip_that_leaves_no_flank(self):
        found = grid_radius(0.1, 9.0, pitch_ratio=5.0, slope_deg=20.0)
        assert isinstance(found, Undefined)
        assert "larger" in found.reason

    @pytest.mark.parametrize(("ratio", "slope"), [(1.0, 20.0), (5.0, 0.0), (5.0, 90.0), (0.2, 10.0)])
    def test_nonsense(self, ratio, slope):
        assert isinstance(grid_radius(1.0, 4.0, pitch_ratio=ratio, slope_deg=slope), Undefined)
