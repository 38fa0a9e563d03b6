"""Settings: what is refused, and which class a limit asks for (reference values, sections 1.1 to 1.4)."""

from __future__ import annotations

import pytest

from crosslay.errors import SettingsError
from crosslay.texture.settings import (
    Settings,
    Standard,
    class_for_limit,
    class_of_cutoff,
    default_short_cutoff_um,
    nearest_class,
    setting_table,
)

NEW, OLD = Standard.ISO_21920, Standard.ISO_4287


@pytest.mark.parametrize(
    ("standard", "parameter", "limit", "cutoff_mm"),
    [
        # ISO 21920-3 clause 4.4.3 (table seen without its labels): bounds belong to the class below.
        (NEW, "Ra", 0.02, 0.08),
        (NEW, "Ra", 0.0201, 0.25),
        (NEW, "Ra", 0.1, 0.25),
        (NEW, "Ra", 0.8, 0.8),
        (NEW, "Ra", 2.0, 0.8),
        (NEW, "Ra", 2.0001, 2.5),
        (NEW, "Ra", 10.0, 2.5),
        (NEW, "Ra", 12.5, 8.0),
        (NEW, "Rz", 0.16, 0.08),
        (NEW, "Rz", 0.8, 0.25),
        (NEW, "Rz", 16.0, 0.8),
        (NEW, "Rz", 80.0, 2.5),
        (NEW, "Rz", 80.1, 8.0),
        # ISO 4288:1996 tables 1 to 3.
        (OLD, "Ra", 0.02, 0.08),
        (OLD, "Ra", 0.1, 0.25),
        (OLD, "Ra", 2.0, 0.8),
        (OLD, "Ra", 10.0, 2.5),
        (OLD, "Ra", 80.0, 8.0),
        (OLD, "Rz", 0.1, 0.08),
        (OLD, "Rz", 0.5, 0.25),
        (OLD, "Rz", 10.0, 0.8),
        (OLD, "Rz", 50.0, 2.5),
        (OLD, "Rz1max", 50.0001, 8.0),
        (OLD, "RSm", 0.04, 0.08),
        (OLD, "RSm", 0.13, 0.25),
        (OLD, "RSm", 0.4, 0.8),
        (OLD, "RSm", 1.3, 2.5),
        (OLD, "RSm", 4.0, 8.0),
        # The editions part company: reference values, section 1.2, "trap".
        (NEW, "Rz", 12.0, 0.8),
        (OLD, "Rz", 12.0, 2.5),
        (Standard.ASME_B46_1, "Ra", 2.0, 0.8),
        (Standard.JIS_B_0601, "Rz", 10.0, 0.8),
    ],
)
def test_the_class_of_a_limit(standard, parameter, limit, cutoff_mm):
    row = class_for_limit(parameter, limit, standard)
    assert row is not None
    assert row.cutoff_mm == cutoff_mm


@pytest.mark.parametrize("parameter", ["Rsk", "Rmr(1)", "Rk", "Pt", "Wa", "Rdq"])
def test_a_parameter_without_a_column_has_no_class(parameter):
    assert class_for_limit(parameter, 1.0, NEW) is None


def test_the_rows_carry_lengths_short_cutoffs_tips_and_spacings():
    """ISO 3274:1996 table 1 and ISO 21920-3 setting classes (from memory): λs 2.5/2.5/2.5/8/25 µm."""
    rows = setting_table(NEW)
    assert [row.name for row in rows] == ["Sc1", "Sc2", "Sc3", "Sc4", "Sc5"]
    assert [row.cutoff_mm for row in rows] == [0.08, 0.25, 0.8, 2.5, 8.0]
    assert [row.evaluation_length_mm for row in rows] == pytest.approx([0.4, 1.25, 4.0, 12.5, 40.0])
    assert [row.travel_mm for row in rows] == pytest.approx([0.48, 1.5, 4.8, 15.0, 48.0])
    assert [row.short_cutoff_um for row in rows] == [2.5, 2.5, 2.5, 8.0, 25.0]
    assert [row.max_tip_radius_um for row in rows] == [2.0, 2.0, 2.0, 5.0, 10.0]
    assert [row.max_spacing_um for row in rows] == [0.5, 0.5, 0.5, 1.5, 5.0]
    # the ratios that ISO 3274 prints beside them: 30, 100, 300, 300, 300 (rounded)
    assert [row.cutoff_mm * 1000 / row.short_cutoff_um for row in rows] == pytest.approx([32, 100, 320, 312.5, 320])


def test_short_cutoff_of_a_cutoff():
    assert class_of_cutoff(0.8, NEW) is setting_table(NEW)[2]
    assert class_of_cutoff(0.81, NEW) is None
    assert nearest_class(1.0, NEW).cutoff_mm == 0.8
    assert nearest_class(1.65, NEW).cutoff_mm == 0.8  # of two equally near the shorter
    assert nearest_class(1.66, NEW).cutoff_mm == 2.5
    assert default_short_cutoff_um(1.0, NEW) == 2.5
    assert default_short_cutoff_um(2.0, OLD) == 8.0
    assert default_short_cutoff_um(0.8, Standard.JIS_B_0601) is None


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"cutoff_mm": 0.0}, "cut-off λc is 0.0 mm"),
        ({"cutoff_mm": float("nan")}, "cut-off λc is nan mm"),
        ({"cutoff_mm": -0.8}, "above 0"),
        ({"short_cutoff_um": -1.0}, "short cut-off λs is -1.0 µm"),
        ({"short_cutoff_um": "auto"}, 'a number of µm or "default"'),
        ({"waviness_cutoff_mm": 0.0}, "waviness cut-off λf is 0.0 mm"),
        ({"cutoff_mm": 0.08, "short_cutoff_um": 80.0}, "not below the cut-off λc 0.08 mm"),
        ({"cutoff_mm": 0.8, "waviness_cutoff_mm": 0.8}, "not above the cut-off λc 0.8 mm"),
        ({"sections": 0}, "1 to 10"),
        ({"sections": 11}, "1 to 10"),
        ({"form": "circle"}, "none, line, polynomial:K"),
        ({"skip_start_mm": -0.1}, "skip_start_mm is -0.1"),
        ({"skip_end_mm": float("inf")}, "skip_end_mm is inf"),
    ],
)
def test_values_that_cannot_be_are_refused(values, text):
    with pytest.raises(SettingsError, match=text):
        Settings(**values)


def test_equal_settings_are_equal_and_hash_alike():
    assert Settings(cutoff_mm=0.8) == Settings(cutoff_mm=0.8)
    assert len({Settings(cutoff_mm=0.8), Settings(cutoff_mm=0.8), Settings()}) == 2
