"""The one door: windows, findings, families, flat traces, errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import SettingsError, TraceError, TraceTooShortError
from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from crosslay.texture.settings import class_for_limit, setting_table
from crosslay.texture.window import place_window
from synthetic_surfaces import SURFACES, surface

AT_08 = Settings(cutoff_mm=0.8)


def _trace(z, spacing_um=0.5):
    return Trace(samples=np.asarray(z, dtype=float), spacing_um=spacing_um)


def _sine(amplitude_um, wavelength_um, points=9601, spacing_um=0.5):
    return amplitude_um * np.sin(2 * np.pi * np.arange(points) * spacing_um / wavelength_um)


# --- window (page texture, section 1, step 6) ---


@pytest.mark.parametrize(
    ("points", "spacing_um", "cutoff_mm", "sections", "kind", "start"),
    [
        (9601, 0.5, 0.8, 5, FilterKind.GAUSSIAN, 800),  # slack 1
        (9600, 0.5, 0.8, 5, FilterKind.GAUSSIAN, 800),
        (9594, 0.5, 0.8, 5, FilterKind.GAUSSIAN, 797),  # slack −6 = −(n + 1): the last that is taken
        (9701, 0.5, 0.8, 5, FilterKind.GAUSSIAN, 850),
        (12973, 0.37, 0.8, 5, FilterKind.GAUSSIAN, 1081),  # nc 2162, slack 1
        (9601, 0.5, 0.8, 3, FilterKind.TWO_RC, 3200 + (9601 - 4800 - 3200) // 2),
        (11200, 0.5, 0.8, 5, FilterKind.TWO_RC, 3200),
        (11194, 0.5, 0.8, 5, FilterKind.TWO_RC, 3194),  # moved back onto the trace: min(ru + ⌊slack/2⌋, N − M)
        (11201, 0.5, 0.8, 5, FilterKind.TWO_RC_ZERO_PHASE, 1600),
        (8000, 0.5, 0.8, 5, FilterKind.NONE, 0),
        (8003, 0.5, 0.8, 5, FilterKind.NONE, 1),
    ],
)
def test_the_window_lies_in_the_middle_of_what_run_up_and_run_down_leave(
    points, spacing_um, cutoff_mm, sections, kind, start
):
    window = place_window(points, spacing_um, cutoff_mm, sections=sections, kind=kind)
    assert window.start == start
    assert window.points == sections * window.section_points
    assert window.stop <= points


@pytest.mark.parametrize(
    ("points", "kind", "needed"),
    [(9593, FilterKind.GAUSSIAN, "4.8"), (11193, FilterKind.TWO_RC, "5.6"), (7999, FilterKind.NONE, "4")],
)
def test_a_short_trace_is_refused_with_both_lengths(points, kind, needed):
    with pytest.raises(TraceTooShortError, match=rf"{(points - 1) * 0.0005:.4g} mm long; .* need {needed} mm"):
        place_window(points, 0.5, 0.8, sections=5, kind=kind)


@settings(max_examples=200, deadline=None)
@given(
    spacing_um=st.floats(0.05, 2.0),
    cutoff_mm=st.sampled_from([0.08, 0.25, 0.8, 2.5, 8.0]),
    sections=st.integers(1, 10),
)
def test_a_travel_of_n_plus_one_cutoffs_is_never_refused(spacing_um, cutoff_mm, sections):
    points = int((sections + 1) * cutoff_mm * 1000 / spacing_um) + 1
    window = place_window(points, spacing_um, cutoff_mm, sections=sections, kind=FilterKind.GAUSSIAN)
    assert window.start >= 0
    assert window.stop <= points


def test_a_cutoff_shorter_than_two_samples_is_refused():
    with pytest.raises(SettingsError, match=r"the cut-off must be above two spacings, 0\.12 mm"):
        place_window(1000, 60.0, 0.08, sections=5, kind=FilterKind.GAUSSIAN)


def test_what_was_used_is_said():
    used = evaluate(_trace(_sine(1.0, 100.0)), AT_08).settings
    assert (used.cutoff_mm, used.short_cutoff_um, used.sections) == (0.8, 2.5, 5)
    assert (used.section_points, used.window_start, used.window_points, used.points) == (1600, 800, 8000, 9601)
    assert used.setting_class == "Sc3"
    assert used.non_default == ()


def test_what_departs_from_the_default_is_said():
    chosen = Settings(cutoff_mm=0.5, short_cutoff_um=None, sections=3, form="arc", filter=FilterKind.NONE)
    used = evaluate(_trace(_sine(1.0, 100.0)), chosen).settings
    assert set(used.non_default) == {"filter", "form", "cutoff_mm", "short_cutoff_um", "sections"}
    assert used.setting_class == ""


def test_zones_left_out_shift_the_window():
    z = surface("turned", 12001, 0.5, 4)
    left_out = evaluate(_trace(z), Settings(cutoff_mm=0.8, skip_start_mm=0.7, skip_end_mm=0.5))
    cut = evaluate(_trace(z[1400:11001]), AT_08)
    assert left_out.parameters == cut.parameters
    assert left_out.settings.points == 9601


# --- the profiles ---


def test_the_profiles_add_up_and_roughness_is_what_the_values_are_of():
    done = evaluate(_trace(surface("ground", 9601, 0.5, 1) + 5.0), AT_08)
    profiles = done.profiles
    assert profiles.primary == pytest.approx(profiles.roughness + profiles.waviness, abs=1e-12)
    window = profiles.roughness[profiles.start : profiles.stop]
    assert done.parameters["Ra"] == pytest.approx(np.abs(window).mean(), rel=1e-12)
    assert done.parameters["Rz"] == pytest.approx(np.mean(done.sections["Rz"]), rel=1e-12)
    assert done.parameters["Rpt"] == max(done.sections["Rp"])
    assert all(len(values) == 5 for values in done.sections.values())


def test_without_a_filter_roughness_is_the_primary_profile():
    z = _sine(1.0, 100.0) + 0.001 * np.arange(9601)
    done = evaluate(_trace(z), Settings(cutoff_mm=0.8, filter=FilterKind.NONE, short_cutoff_um=None))
    assert np.array_equal(done.profiles.roughness, done.profiles.primary)
    assert not done.profiles.waviness.any()
    assert done.parameters["Wa"] == 0.0
    assert done.undefined["Wsk"] == "the profile is flat"


def test_primary_values_are_of_the_window_levelled_once_more():
    z = surface("milled", 9601, 0.5, 3)
    done = evaluate(_trace(z), Settings(cutoff_mm=0.8, short_cutoff_um=None))
    window = (z - np.polyval(np.polyfit(np.arange(9601), z, 1), np.arange(9601)))[800:8800]
    steps = np.arange(8000)
    levelled = window - np.polyval(np.polyfit(steps, window, 1), steps)
    assert done.parameters["Pq"] == pytest.approx(levelled.std(), rel=1e-9)
    assert done.parameters["Pt"] == pytest.approx(np.ptp(levelled), rel=1e-9)
    assert done.parameters["Pz"] == done.parameters["Pt"]  # one section: the evaluation length


def test_waviness_is_levelled_or_limited():
    z = _sine(1.0, 2000.0)
    levelled = evaluate(_trace(z), AT_08)
    # Gaussian transmission 2^−(0.8/2)² of the mean line (reference values, section 2)
    assert levelled.parameters["Wq"] == pytest.approx(2 ** -(0.4**2) / np.sqrt(2), rel=0.01)
    limited = evaluate(_trace(z), Settings(cutoff_mm=0.8, waviness_cutoff_mm=2.5))
    line = limited.profiles.waviness
    from crosslay.texture.filters.gaussian import mean_line

    band = (line - mean_line(line, 0.5, 2.5))[800:8800]
    assert limited.parameters["Wa"] == pytest.approx(np.abs(band).mean(), rel=1e-12)
    assert limited.parameters["Wt"] == pytest.approx(np.ptp(band), rel=1e-12)


# --- standards ---


def test_each_standard_has_its_symbols():
    trace = _trace(surface("turned", 9601, 0.5, 1))
    new = evaluate(trace, AT_08).parameters
    old = evaluate(trace, Settings(cutoff_mm=0.8, standard=Standard.ISO_4287)).parameters
    inch = evaluate(trace, Settings(cutoff_mm=0.8, standard=Standard.ASME_B46_1)).parameters
    assert {
        "Ra",
        "Rq",
        "Rsk",
        "Rku",
        "Rp",
        "Rv",
        "Rz",
        "Rpt",
        "Rvt",
        "Rt",
        "Rzx",
        "Rsm",
        "Rc",
        "Rpc",
        "Pc(0.5)",
    } <= set(new)
    assert {"Ra", "Rq", "Rsk", "Rku", "Rp", "Rv", "Rz", "Rz1max", "Rt", "RSm", "Rc", "RPc"} <= set(old)
    assert {"Ra", "Rq", "Rz", "Rmax", "Rt", "Rp", "Rpm", "Rv", "Pc(0.5)", "RSm"} <= set(inch)
    assert "Rzx" not in old
    assert "Rsm" not in old
    assert "Rmax" not in new
    assert old["Rz"] == new["Rz"]
    assert old["Rq"] < new["Rq"]  # mean of roots below root of mean, strictly where sections differ
    assert inch["Rp"] == new["Rpt"]
    assert inch["Rpm"] == new["Rp"]
    assert inch["Rmax"] == old["Rz1max"]
    assert old["RSm"] == new["Rsm"]


def test_jis_has_no_s_filter_by_default():
    used = evaluate(_trace(_sine(1.0, 100.0)), Settings(cutoff_mm=0.8, standard=Standard.JIS_B_0601)).settings
    assert used.short_cutoff_um is None
    assert used.non_default == ()


# --- the setting class from the trace itself ---


@pytest.mark.parametrize(
    ("amplitude_um", "wavelength_um", "cutoff_mm"),
    [(0.02, 10.0, 0.08), (0.1, 20.0, 0.25), (1.0, 50.0, 0.8), (8.0, 100.0, 2.5), (30.0, 200.0, 8.0)],
)
def test_the_class_is_found_from_the_trace(amplitude_um, wavelength_um, cutoff_mm):
    done = evaluate(_trace(_sine(amplitude_um, wavelength_um, 96_001), 0.5), Settings())
    assert done.settings.cutoff_mm == cutoff_mm
    assert done.findings == ()


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    standard=st.sampled_from(list(Standard)),
    points=st.integers(1100, 40_000),
    factor=st.sampled_from([0.02, 0.3, 1.0, 5.0, 40.0]),
    seed=st.integers(0, 2**32 - 1),
)
def test_the_class_found_is_the_one_that_its_own_roughness_asks_for(name, standard, points, factor, seed):
    """Page texture, section 8: repeated until the class that the estimate implies is the class that was used."""
    done = evaluate(_trace(factor * surface(name, points, 0.5, seed)), Settings(standard=standard))
    wanted = class_for_limit("Ra", done.parameters["Ra"], standard)
    ids = [finding.id for finding in done.findings]
    if wanted.cutoff_mm == done.settings.cutoff_mm:
        assert ids in ([], ["setting-class-undecided"])
    elif ids == ["trace-too-short-for-class"]:
        longer = next(row for row in setting_table(standard) if row.cutoff_mm > done.settings.cutoff_mm)
        with pytest.raises(TraceTooShortError):
            place_window(points, 0.5, longer.cutoff_mm, sections=5, kind=FilterKind.GAUSSIAN)
    else:
        assert ids == ["setting-class-undecided"]


def test_a_trace_too_short_for_its_class_takes_the_longest_that_fits():
    done = evaluate(_trace(_sine(8.0, 100.0)), Settings())
    assert done.settings.cutoff_mm == 0.8
    (finding,) = done.findings
    assert finding.id == "trace-too-short-for-class"
    assert finding.evidence == {"wanted_cutoff_mm": 2.5, "used_cutoff_mm": 0.8, "needed_travel_mm": 15.0}


def test_a_class_between_two_is_the_larger_one_with_a_finding():
    # A wave of 1.3 mm: at λc 0.8 mm little of it is left and Ra asks for less than at 2.5 mm.
    done = evaluate(_trace(_sine(3.3, 1300.0, 30_001) + _sine(1.5, 60.0, 30_001)), Settings())
    by_hand = {
        cutoff: evaluate(_trace(_sine(3.3, 1300.0, 30_001) + _sine(1.5, 60.0, 30_001)), Settings(cutoff_mm=cutoff))
        for cutoff in (0.8, 2.5)
    }
    assert by_hand[0.8].parameters["Ra"] <= 2.0 < by_hand[2.5].parameters["Ra"]  # both classes agree with themselves
    assert done.settings.cutoff_mm == 0.8  # the search begins at the middle class and is content there
    assert done.findings == ()


def test_classes_that_point_at_each_other_end_with_the_larger():
    """λs differs between the classes: fine texture of 6 µm wavelength passes at 0.8 mm and is gone at 2.5 mm."""
    done = evaluate(_trace(_sine(4.2, 6.0, 60_001)), Settings())
    assert done.settings.cutoff_mm == 2.5
    (finding,) = done.findings
    assert finding.id == "setting-class-undecided"
    assert finding.evidence == {"shorter_cutoff_mm": 0.8, "used_cutoff_mm": 2.5}


def test_a_trace_too_short_for_every_class_is_refused_with_the_length_of_the_shortest():
    with pytest.raises(TraceTooShortError, match=r"0\.4 mm long; .* need 0\.48 mm"):
        evaluate(_trace(_sine(1.0, 20.0, 801)), Settings())


# --- flat, and what else can befall a trace ---


@pytest.mark.parametrize("level", [0.0, 1.0, -1e4, 1e6])
@pytest.mark.parametrize("standard", list(Standard))
def test_a_constant_is_flat(level, standard):
    done = evaluate(_trace(np.full(9601, level)), Settings(cutoff_mm=0.8, standard=standard))
    for symbol in ("Ra", "Rq", "Rp", "Rv", "Rz", "Rt"):
        assert done.parameters[symbol] == 0.0
    rsm = "Rsm" if standard is Standard.ISO_21920 else "RSm"
    for symbol in ("Rsk", "Rku", rsm, "Rc"):
        assert done.parameters[symbol] is None
        assert done.undefined[symbol]


def test_a_tilted_straight_line_is_flat():
    done = evaluate(_trace(0.05 * np.arange(9601) + 1e4), AT_08)
    assert done.parameters["Ra"] == 0.0


def test_a_step_a_spike_and_two_samples_per_wave_give_numbers():
    step = np.where(np.arange(9601) < 4800, 0.0, 10.0)
    spike = np.zeros(9601)
    spike[5000] = 100.0
    nyquist = np.where(np.arange(9601) % 2, 1.0, -1.0)
    for z in (step, spike, nyquist):
        done = evaluate(_trace(z), AT_08)
        for symbol, value in done.parameters.items():
            assert value is None or np.isfinite(value), symbol
            assert (value is None) == (symbol in done.undefined), symbol


def test_two_samples_per_wave_survive_without_s_filter():
    z = np.where(np.arange(9601) % 2, 1.0, -1.0)
    done = evaluate(_trace(z), Settings(cutoff_mm=0.8, short_cutoff_um=None))
    assert done.parameters["Ra"] == pytest.approx(1.0, rel=1e-6)
    # an element is two samples wide, below 1 % of the section, so none is significant
    assert done.parameters["Rsm"] is None


def test_every_value_has_a_unit_and_every_missing_value_a_reason():
    done = evaluate(_trace(surface("honed", 9601, 0.5, 2)), AT_08)
    assert set(done.units) == set(done.parameters)
    assert set(done.units.values()) <= {"um", "mm", "%", "/cm", "um.%", "1"}
    assert {symbol for symbol, value in done.parameters.items() if value is None} == set(done.undefined)


def test_bad_traces_are_refused():
    with pytest.raises(TraceError, match="sample 3 is nan"):
        evaluate(_trace([0.0, 1.0, np.nan]), AT_08)
    with pytest.raises(TraceTooShortError, match=r"need 4\.8 mm"):
        evaluate(_trace(np.zeros(100)), AT_08)
    with pytest.raises(SettingsError, match="λs 100 µm is not below"):
        evaluate(_trace(_sine(0.01, 10.0)), Settings(short_cutoff_um=100.0))


@pytest.mark.parametrize("wanted", ["Rfoo", "Ra(", "Rmr(x)"])
def test_an_unknown_parameter_is_refused(wanted):
    with pytest.raises(SettingsError, match="parameter"):
        evaluate(_trace(_sine(1.0, 100.0)), Settings(cutoff_mm=0.8, parameters=(wanted,)))


# --- properties ---


@settings(max_examples=15, deadline=None)
@given(
    name=st.sampled_from(sorted(SURFACES)),
    tilt=st.floats(-0.01, 0.01),
    offset=st.floats(-1e4, 1e4),
    factor=st.floats(0.1, 10.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_offset_and_tilt_do_not_matter_and_heights_scale(name, tilt, offset, factor, seed):
    z = surface(name, 2001, 1.0, seed)
    chosen = Settings(cutoff_mm=0.25, sections=4)
    one = evaluate(_trace(z, 1.0), chosen).parameters
    two = evaluate(_trace(factor * z + offset + tilt * np.arange(2001), 1.0), chosen).parameters
    floor = 1e-9 * (abs(offset) + 20.0)
    for symbol in ("Ra", "Rq", "Rp", "Rv", "Rz", "Rt", "Rzx", "Pa", "Pt", "Wa", "Wt"):
        assert two[symbol] == pytest.approx(factor * one[symbol], rel=1e-6, abs=floor), symbol


@settings(max_examples=10, deadline=None)
@given(name=st.sampled_from(sorted(SURFACES)), seed=st.integers(0, 2**32 - 1))
def test_reversal_does_not_matter_where_the_window_is_in_the_middle(name, seed):
    z = surface(name, 1500, 1.0, seed)  # slack 0: symmetrical
    chosen = Settings(cutoff_mm=0.25)
    one = evaluate(_trace(z, 1.0), chosen).parameters
    two = evaluate(_trace(z[::-1].copy(), 1.0), chosen).parameters
    for symbol in ("Ra", "Rq", "Rsk", "Rku", "Rz", "Rt", "Rzx", "Pq", "Wq"):
        assert two[symbol] == pytest.approx(one[symbol], rel=1e-8, abs=1e-10), symbol


def test_the_trace_is_not_changed():
    z = surface("turned", 9601, 0.5, 9)
    before = z.copy()
    evaluate(_trace(z), Settings(cutoff_mm=0.8, form="none", short_cutoff_um=None))
    assert np.array_equal(z, before)


def test_the_same_trace_gives_the_same_bits():
    trace = _trace(surface("scratched", 9601, 0.5, 9))
    assert evaluate(trace, AT_08).parameters == evaluate(trace, AT_08).parameters
