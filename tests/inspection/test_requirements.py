"""From call-outs to settings: the class of the limit, what overrides it, and contradictions."""

from __future__ import annotations

import pytest

from crosslay.errors import CalloutError, SettingsError
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.lengths import lengths_of
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.settings import FilterKind, Settings, Standard


def settings_of(text: str, **wanted: object) -> list[Settings]:
    return [each.settings for each in requirements_for("place", parse_callouts(text), Wanted(**wanted))]


# Source: ISO 21920-3:2021 clause 4.4.3 (page reference-values 1.2, limits SEEN) and ISO 4288:1996 tables 1 and 2
# (page reference-values 1.1): upper bounds inclusive; the editions differ in Rz.
@pytest.mark.parametrize(
    ("text", "standard", "cutoff_mm"),
    [
        ("Ra 0.02", Standard.ISO_21920, 0.08), ("Ra 0.021", Standard.ISO_21920, 0.25),
        ("Ra 0.1", Standard.ISO_21920, 0.25), ("Ra 2", Standard.ISO_21920, 0.8), ("Ra 2.01", Standard.ISO_21920, 2.5),
        ("Ra 10", Standard.ISO_21920, 2.5), ("Ra 10.1", Standard.ISO_21920, 8.0),
        ("Rz 0.16", Standard.ISO_21920, 0.08), ("Rz 0.8", Standard.ISO_21920, 0.25),
        ("Rz 12", Standard.ISO_21920, 0.8), ("Rz 16", Standard.ISO_21920, 0.8), ("Rz 17", Standard.ISO_21920, 2.5),
        ("Rz 12", Standard.ISO_4287, 2.5), ("Rz 10", Standard.ISO_4287, 0.8), ("Rz 0.5", Standard.ISO_4287, 0.25),
        ("RSm 0.4", Standard.ISO_4287, 0.8), ("RSm 0.41", Standard.ISO_4287, 2.5),
    ],
)
def test_the_limit_chooses_the_class(text, standard, cutoff_mm):
    (settings,) = settings_of(text, standard=standard)
    assert settings.cutoff_mm == cutoff_mm
    assert settings.standard is standard


def test_call_outs_of_one_class_share_one_evaluation():
    first, second = settings_of("Ra 0.8; Rz 6.3")
    assert first == second


def test_a_bilateral_requirement_takes_the_class_of_its_upper_limit():
    # ISO 21920-3, 4.4.4 (bilateral): Ra 0.05 alone would be class Sc2.
    assert [each.cutoff_mm for each in settings_of("U Ra 0.8; L Ra 0.05")] == [0.8, 0.8]
    assert [each.cutoff_mm for each in settings_of("L Ra 0.05")] == [0.25]


def test_a_parameter_without_a_class_goes_with_its_neighbour_or_the_trace():
    assert [each.cutoff_mm for each in settings_of("Rk 2; Rz 20")] == [2.5, 2.5]
    assert [each.cutoff_mm for each in settings_of("Rk 2")] == [None]


def test_the_call_out_overrides_the_class_and_settings_beside_it_must_agree():
    (own,) = settings_of("0.008-2.5/Ra3 0.8")
    assert (own.cutoff_mm, own.short_cutoff_um, own.sections) == (2.5, 8.0, 3)
    (beside,) = settings_of("Ra 0.8", cutoff_mm=0.25, short_cutoff_um="none", sections=4, filter=FilterKind.SPLINE)
    assert (beside.cutoff_mm, beside.short_cutoff_um, beside.sections, beside.filter) == (
        0.25, None, 4, FilterKind.SPLINE)
    for contradiction in ({"cutoff_mm": 0.8}, {"sections": 5}, {"short_cutoff_um": 2.5}):
        with pytest.raises(CalloutError, match="leave one out"):
            settings_of("0.008-2.5/Ra3 0.8", **contradiction)
    with pytest.raises(CalloutError, match="leave one out"):
        settings_of('"robust" Ra 0.8', filter=FilterKind.GAUSSIAN)


def test_plateau_parameters_have_a_filter_of_their_own():
    # Page texture, section 5: ISO 16610-31 under iso-21920, ISO 13565-1 under iso-4287.
    assert [each.filter for each in settings_of("Ra 0.8; Rk 2; Rpq 1")] == [
        FilterKind.GAUSSIAN, FilterKind.ROBUST, FilterKind.ROBUST]
    assert [each.filter for each in settings_of("Rk 2", standard=Standard.ISO_4287)] == [FilterKind.VALLEY_SUPPRESSING]
    assert [each.filter for each in settings_of('"gaussian" Rk 2')] == [FilterKind.GAUSSIAN]
    assert [each.filter for each in settings_of("Rk 2", filter=FilterKind.GAUSSIAN)] == [FilterKind.GAUSSIAN]


def test_what_cannot_be_computed_is_refused_before_a_part_is_measured():
    with pytest.raises(CalloutError, match="Rzx"):
        settings_of("Rzx 5", standard=Standard.ISO_4287)
    with pytest.raises(CalloutError, match="RzJIS"):
        settings_of("RzJIS 5")
    with pytest.raises(CalloutError, match="Sc3 are of ISO 21920-3"):
        settings_of("Sc3 Ra 5", standard=Standard.ISO_4287)
    with pytest.raises(SettingsError, match="not below"):
        settings_of("Ra 0.8", short_cutoff_um=900.0)
    settings_of("Rz1max 5; RSm 0.1", standard=Standard.ISO_4287)


# Source: ISO 1302:2002, 6.3.4 (page reference-values section 12: the sentence on P SEEN, that on W from memory): P has
# one section, the evaluation length; the number of W counts lengths λf.
def test_sections_of_p_and_w():
    with pytest.raises(CalloutError, match="for P the section is the evaluation length"):
        settings_of("Pt3 5")
    with pytest.raises(CalloutError, match="here 3 × 25 mm"):
        settings_of("0.8-25/Wz3 10")
    with pytest.raises(CalloutError, match="counts lengths λf"):
        settings_of("Wz1 10")
    (one,) = settings_of("0.8-4/Wz1 10")
    assert (one.cutoff_mm, one.sections, one.waviness_cutoff_mm) == (0.8, 5, 4.0)
    with pytest.raises(CalloutError, match=r"1 to 10 whole cut-offs of 0.8 mm, found 25 mm"):
        settings_of("0.8-25/Wz1 10")


def test_an_evaluation_length_is_met_by_whole_sections():
    several = settings_of("-0.8/5.6/Ra 3; -0.8/Ra3 3")
    assert [(each.cutoff_mm, each.sections) for each in several] == [(0.8, 7), (0.8, 3)]
    assert [(each.cutoff_mm, each.sections) for each in settings_of("/4/Ra 0.8")] == [(0.8, 5)]
    # Nothing decides λc of P: five sections, as everywhere.
    assert [(each.cutoff_mm, each.sections) for each in settings_of("/12.5/Pt 5")] == [(2.5, None)]
    for wrong in ("-0.8/4.1/Ra 3", "-0.8/8.8/Ra 3", "-0.8/4/Ra3 3"):
        with pytest.raises(CalloutError, match=r"sections|whole cut-offs"):
            settings_of(wrong)


def test_a_setting_class_is_its_cut_off():
    (own,) = settings_of("Sc4 Ra 0.8")
    assert (own.cutoff_mm, own.short_cutoff_um) == (2.5, "default")
    assert settings_of("Sc3 -0.8/Ra 3") == settings_of("-0.8/Ra 3")
    for contradiction in ("Sc3 -2.5/Ra 3",):
        with pytest.raises(CalloutError, match="leave one out"):
            settings_of(contradiction)
    with pytest.raises(CalloutError, match="leave one out"):
        settings_of("Sc3 Ra 3", cutoff_mm=2.5)
    assert [each.cutoff_mm for each in settings_of("Sc4 Ra 0.8; Rk 1; L Ra 0.05")] == [2.5, 2.5, 0.25]


# Source: ISO 12085 table 1 (from memory) with the examples of page reference-values section 12: A 0.5 mm goes with λs
# 8 µm, B 2.5 mm and 16 mm; A 0.1 mm with 2.5 µm, 0.5 mm and 3.2 mm.
@pytest.mark.parametrize(
    ("text", "limits"),
    [
        ("0,008-0,5/12/R 10", (0.5, 2.5, 12.0, 8.0)), ("0.0025-0.1//Rx 0.2", (0.1, 0.5, 3.2, 2.5)),
        ("/10/R 10", (0.5, 2.5, 10.0, 8.0)), ("-0.3/6/AR 0.09", (0.3, 1.5, 6.0, 8.0)),
        ("R 10", (0.5, 2.5, 16.0, 8.0)), ("0.5-3/16/W 10", (0.5, 3.0, 16.0, 8.0)),
        ("-0.5/16/W 10", (0.1, 0.5, 16.0, 2.5)), ("-3/100/Rx 1", (3.0, 15.0, 100.0, 25.0)),
    ],
)
def test_operators_and_lengths_of_motif_call_outs(text, limits):
    motif = settings_of(text)[0].motif
    assert motif is not None
    assert (motif.roughness_mm, motif.waviness_mm, motif.evaluation_mm, motif.short_cutoff_um) == limits


@pytest.mark.parametrize(
    ("text", "reason"),
    [('"gaussian" R 10', "without a filter"), ("Sc3 R 10", "without a setting class"),
     ("0.008-0.005/6/R 1", "below the long"), ("-0.002/6/R 1", "below the operator A"),
     ("-0.5/0.3/R 1", "above the operator A")],
)
def test_motif_call_outs_that_cannot_be(text, reason):
    with pytest.raises(CalloutError, match=reason):
        settings_of(text)


def test_a_motif_call_out_is_evaluated_beside_others():
    first, second = settings_of("Ra 0.8; -0.1/3.2/R 10")
    assert (first.motif, first.cutoff_mm, second.cutoff_mm) == (None, 0.8, 0.8)
    assert second.motif is not None


def test_a_parameter_on_request_is_requested():
    first, second = settings_of("Rmr(1) 60; Ra 0.8")
    assert first == second
    assert "Rmr(1)" in first.parameters


# Source: ISO 21920-3:2021 and ISO 3274:1996 table 1 (page reference-values 1.2 and 1.3); travel with half a cut-off
# of run-up and run-down is common practice, no source.
@pytest.mark.parametrize(
    ("cutoff_mm", "expected"),
    [
        (0.08, ("Sc1", 2.5, 0.4, 0.48, 2.0, 0.5)), (0.25, ("Sc2", 2.5, 1.25, 1.5, 2.0, 0.5)),
        (0.8, ("Sc3", 2.5, 4.0, 4.8, 2.0, 0.5)), (2.5, ("Sc4", 8.0, 12.5, 15.0, 5.0, 1.5)),
        (8.0, ("Sc5", 25.0, 40.0, 48.0, 10.0, 5.0)),
    ],
)
def test_lengths_tip_and_spacing_of_every_class(cutoff_mm, expected):
    got = lengths_of(Settings(cutoff_mm=cutoff_mm))
    assert (got.setting_class, got.short_cutoff_um, got.evaluation_length_mm, got.travel_mm, got.tip_radius_um,
            got.max_spacing_um) == expected
    assert (got.sections, got.section_length_mm) == (5, cutoff_mm)


def test_travel_follows_filter_sections_and_zones_left_out():
    two_rc = lengths_of(Settings(cutoff_mm=0.8, filter=FilterKind.TWO_RC, sections=3, skip_start_mm=0.5))
    assert two_rc.travel_mm == pytest.approx(3 * 0.8 + 2 * 0.8 + 0.5)
    unfiltered = lengths_of(Settings(cutoff_mm=0.8, filter=FilterKind.NONE))
    assert unfiltered.travel_mm == pytest.approx(4.0)


def test_without_a_cut_off_the_lengths_are_open():
    got = lengths_of(Settings())
    assert got.cutoff_mm is got.travel_mm is got.setting_class is got.max_spacing_um is None
    assert got.sections == 5


def test_a_coarser_short_cut_off_allows_its_own_tip_and_spacing():
    got = lengths_of(Settings(cutoff_mm=0.8, short_cutoff_um=8.0))
    assert (got.tip_radius_um, got.max_spacing_um) == (5.0, 1.5)
