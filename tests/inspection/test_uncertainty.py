"""Budgets: what enters for which parameter, what is left out, and that nothing known is no budget."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import SettingsError
from crosslay.inspection.gauge_quality import GaugeQuality, Observed, Scale, cutoff_sensitivity, quality_of
from crosslay.inspection.reference_check import reference_check
from crosslay.inspection.specimen import Specimen, SpecimenType
from crosslay.inspection.specimen_reading import Reading
from crosslay.inspection.uncertainty import Budget, NoBudget, budget, combine, table_lines
from crosslay.texture import Settings, Trace
from crosslay.texture.undefined import Undefined

STATED = GaugeQuality(heights=Scale.stated(3.0), lengths=Scale.stated(1.0))


def _found(parameter, value, quality=STATED, observed=None) -> Budget:
    found = budget(parameter, value, quality, observed=observed)
    assert isinstance(found, Budget), found
    return found


def _names(found):
    return {item.name.split(",")[0] for item in found.contributions}


def _check(*values, parameter="Ra", certified=3.0, unit="um", amplification=1.0, kind=SpecimenType.C):
    specimen = Specimen(
        name="plate", type=kind, parameter=parameter, certified=certified, expanded_uncertainty=0.02 * certified,
        tolerance_percent=10.0, warn_percent=5.0, narrow_widths_um=(3.0,) if kind is SpecimenType.B else (),
    )
    return reference_check([Reading(value=v, unit=unit, amplification=amplification) for v in values], specimen)


class TestNothingKnown:
    @pytest.mark.parametrize("parameter", ["Ra", "Rq", "Rz", "Rt", "Rk", "Rp", "Pz"])
    def test_no_scale_is_no_budget(self, parameter):
        found = budget(parameter, 1.0, GaugeQuality())
        assert isinstance(found, NoBudget)
        assert "nothing traces the heights" in found.reason

    def test_a_scale_of_heights_is_none_of_lengths(self):
        found = budget("Rsm", 0.1, GaugeQuality(heights=Scale.stated(1.0), noise_rq0_um=0.01))
        assert isinstance(found, NoBudget)
        assert "lengths along the surface" in found.reason

    @pytest.mark.parametrize("parameter", ["Rsk", "Rku", "Rdq", "Rmr(1)", "Rpk", "Wa", "Mr1", "Pc(0.5)", "", "x"])
    def test_no_rule_is_no_budget(self, parameter):
        found = budget(parameter, 1.0, STATED)
        assert isinstance(found, NoBudget)
        assert "no rule" in found.reason

    @pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
    def test_no_value_is_no_budget(self, value):
        assert isinstance(budget("Ra", value, STATED), NoBudget)

    @pytest.mark.parametrize("parameter", ["Ra", "Rz"])
    def test_what_is_not_above_the_noise_has_none(self, parameter):
        found = budget(parameter, 0.01, dataclasses.replace(STATED, noise_rq0_um=0.02))
        assert isinstance(found, NoBudget)
        assert "not above the noise" in found.reason

    def test_no_reference_is_exact(self):
        for percent in (0.0, -1.0, math.nan):
            with pytest.raises(SettingsError, match="above 0"):
                Scale.stated(percent)

    @pytest.mark.parametrize("name", ["noise_rq0_um", "linearity_percent", "resolution_um", "part_scatter_percent"])
    def test_a_number_below_zero_is_refused(self, name):
        with pytest.raises(SettingsError, match=name):
            GaugeQuality(**{name: -0.1})


class TestLines:
    def test_what_is_not_known_is_named(self):
        found = _found("Ra", 0.8)
        assert _names(found) == {"reference (station file)"}
        assert found.standard == pytest.approx(0.8 * 0.015)
        assert set(found.left_out) == {
            "noise of the gauge", "repeatability of one trace", "linearity", "resolution",
            "departure of the cut-off and of the speed", "size of the tip", "scatter from place to place on the part",
        }

    def test_several_traces_hold_the_repeatability(self):
        quality = quality_of([_check(2.99, 3.0, 3.01)])
        once = _found("Ra", 0.8, quality)
        often = _found("Ra", 0.8, quality, Observed(traces=(0.79, 0.80, 0.81), sections=(0.5, 1.0)))
        assert "repeatability of one trace" in _names(once)
        assert "repeatability of one trace" not in _names(often) | set(often.left_out)
        line = next(item for item in often.contributions if item.name == "scatter on the part (3 traces)")
        assert (line.in_value, line.dof) == (pytest.approx(0.01 / math.sqrt(3.0)), 2.0)

    def test_sections_say_nothing_of_a_total_height(self):
        observed = Observed(sections=(4.0, 5.0, 6.0, 5.0, 5.0))
        assert "scatter on the part (5 sections)" in _names(_found("Rz", 5.0, observed=observed))
        assert "scatter from place to place on the part" in _found("Rt", 6.0, observed=observed).left_out

    def test_a_stated_scatter_serves_where_the_measurement_shows_none(self):
        found = _found("Rt", 6.0, dataclasses.replace(STATED, part_scatter_percent=5.0))
        assert "scatter on the part (stated)" in _names(found)

    def test_noise_weighs_more_on_rz_than_on_ra(self):
        quality = dataclasses.replace(STATED, noise_rq0_um=0.02)
        assert _found("Ra", 0.8, quality).noise_bias == pytest.approx(0.02**2 * 2 / math.pi / 1.6, rel=1e-3)
        assert _found("Rz", 4.0, quality).noise_bias == pytest.approx(0.12)
        assert _found("Rp", 2.0, quality).noise_bias == pytest.approx(0.06)
        known = dataclasses.replace(quality, noise_rz0_um=0.09)
        assert _found("Rz", 4.0, known).noise_bias == pytest.approx(0.09)

    def test_spacing_takes_the_drive_and_no_height(self):
        found = _found("RSm", 0.1, dataclasses.replace(STATED, speed_percent=1.0, resolution_um=1.0, noise_rq0_um=9.0))
        assert _names(found) == {"reference (station file)", "traverse speed"}
        assert found.unit == "mm"
        assert found.noise_bias is None

    @given(st.floats(1e-3, 1e3), st.floats(0.1, 10.0), st.floats(0.0, 5.0))
    def test_relative_lines_scale_with_the_value(self, value, factor, bias):
        quality = GaugeQuality(heights=dataclasses.replace(Scale.stated(3.0), bias_percent=bias), linearity_percent=1.0)
        expected = factor * _found("Ra", value, quality).standard
        assert _found("Ra", factor * value, quality).standard == pytest.approx(expected)

    @given(st.lists(st.floats(0.01, 2.0), min_size=2, max_size=12))
    def test_more_knowledge_never_lowers_the_uncertainty_of_the_same_lines(self, sections):
        without = _found("Ra", 0.8)
        found = _found("Ra", 0.8, observed=Observed(sections=tuple(sections)))
        assert found.standard >= without.standard
        shares = [item.share for item in found.contributions]
        assert sum(shares) == pytest.approx(1.0)
        assert shares == sorted(shares, reverse=True)
        assert (found.standard, found.dof) == (pytest.approx(combine(found.contributions)[0]), found.dof)

    def test_the_table_is_for_people(self):
        lines = table_lines(_found("Ra", 0.8, dataclasses.replace(STATED, noise_rq0_um=0.05, resolution_um=0.001)))
        assert len({line.index("type") if "type" in line else line.index("B   ") for line in lines[:4]}) == 1
        assert "Ra = 0.8 µm" in lines[-3]
        assert "not corrected" in lines[-2]
        assert lines[-1].startswith("Not known")


class TestQuality:
    def test_from_a_check(self):
        scale = quality_of([_check(3.08, 3.09, 3.10)]).heights
        assert scale is not None
        assert scale.certificate_percent == pytest.approx(1.0)
        assert scale.bias_percent == pytest.approx(3.0)
        assert scale.repeatability_percent == pytest.approx(1.0 / 3.0)
        assert scale.check_percent == pytest.approx(1.0 / 3.0 / math.sqrt(3.0))
        assert scale.check_dof == 2.0
        assert "plate" in scale.source

    def test_a_correction_accepted_since_takes_the_bias(self):
        check = _check(3.08, 3.09, 3.10, amplification=1.02)
        scale = quality_of([check], amplification=1.02 / 1.03).heights
        assert scale is not None
        assert scale.bias_percent == pytest.approx(0.0, abs=1e-9)

    def test_checks_come_before_the_station_file_and_the_newest_counts(self):
        quality = quality_of([_check(3.0, 3.0, 3.01), _check(3.3, 3.3, 3.31)], STATED)
        assert quality.heights is not None
        assert quality.heights.bias_percent > 9.0
        assert quality.lengths == STATED.lengths

    def test_a_check_that_is_not_usable_or_of_the_tip_changes_nothing(self):
        tip = _check(2.0, 2.1, 2.0, parameter="rtip", certified=2.0, kind=SpecimenType.B)
        assert quality_of([_check(3.0), tip], STATED) == STATED
        assert quality_of([]) == GaugeQuality()

    def test_a_check_of_the_parameter_itself_goes_before_a_newer_one_of_another(self):
        of_ra, of_rz = _check(3.0, 3.0, 3.01), _check(11.0, 11.0, 11.1, parameter="Rz", certified=10.0)
        quality = quality_of([of_ra, of_rz], STATED, ids=["first", "second"])
        assert [_found(name, 3.0, quality).check_id for name in ("Ra", "Rz", "Rt")] == ["first", "second", "second"]
        assert _found("Ra", 3.0, quality).standard < 0.5 * _found("Rz", 3.0, quality).standard

    def test_what_no_specimen_is_certified_for_takes_the_relative_numbers_and_says_so(self):
        quality = quality_of([_check(3.0, 3.0, 3.03)])
        ra, rq = _found("Ra", 2.0, quality), _found("Rq", 2.0, quality)
        assert rq.standard == pytest.approx(ra.standard)
        assert "repeatability of Rq itself (Ra's stands in for it)" in rq.left_out
        assert not any("itself" in each for each in ra.left_out)

    def test_one_reading_at_each_place_gives_repeatability_and_places_together(self):
        specimen = Specimen(name="plate", type=SpecimenType.C, parameter="Ra", certified=3.0, expanded_uncertainty=0.06,
                            tolerance_percent=10.0, warn_percent=5.0)  # fmt: skip
        readings = [Reading(value=v, unit="um", place=str(v)) for v in (2.97, 3.0, 3.03)]
        scale = quality_of([reference_check(readings, specimen)]).heights
        assert (scale.repeatability_percent, scale.repeatability_dof) == (pytest.approx(1.0), 2.0)
        assert "places" in scale.repeatability_name

    def test_a_spacing_check_traces_lengths(self):
        quality = quality_of([_check(0.1, 0.1001, 0.1, parameter="Rsm", certified=0.1, unit="mm")])
        assert quality.heights is None
        assert isinstance(budget("Rsm", 0.2, quality), Budget)


class TestCutoff:
    def test_of_a_sine_against_the_transmission(self):
        """Gaussian filter, T = 1 − 2^(−(λc/λ)²), page *reference-values*, section 2; both windows hold whole waves."""
        x_um = np.arange(0, 4850.0, 0.5)
        trace = Trace(samples=np.sin(2 * np.pi * x_um / 400.0), spacing_um=0.5)
        found = cutoff_sensitivity(trace, Settings(cutoff_mm=0.8, short_cutoff_um=None, form="none"), "Ra")
        longer, shorter = (1.0 - 2.0 ** -((cutoff / 0.4) ** 2) for cutoff in (0.8, 0.76))
        assert found == pytest.approx(math.log(longer / shorter) / math.log(0.8 / 0.76), rel=1e-3)

    def test_without_a_cutoff_or_a_texture(self):
        trace = Trace(samples=np.zeros(9700), spacing_um=0.5)
        assert isinstance(cutoff_sensitivity(trace, Settings(), "Ra"), Undefined)
        assert isinstance(cutoff_sensitivity(trace, Settings(cutoff_mm=0.8), "Ra"), Undefined)
