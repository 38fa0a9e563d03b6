"""Symbols, parameters on request, motifs, and the filters behind one door."""

from __future__ import annotations

import numpy as np
import pytest

from crosslay.errors import SettingsError
from crosslay.texture import FilterKind, Settings, Standard, Trace, evaluate
from crosslay.texture.filters import gaussian, robust, spline, two_rc, valley_suppressing
from crosslay.texture.motif import DEFAULT_LIMITS, STANDARD_LIMITS, motif_parameters
from crosslay.texture.settings import default_filter_for
from crosslay.texture.symbols import ON_REQUEST, always_given, symbol
from synthetic_surfaces import surface

TRACE = Trace(samples=surface("honed", 9601, 0.5, 7), spacing_um=0.5)


def _with(*parameters, standard=Standard.ISO_21920, **more):
    return evaluate(TRACE, Settings(cutoff_mm=0.8, parameters=parameters, standard=standard, **more))


# --- symbols (page texture, "Keys") ---

ISO_21920_R = (
    *("Ra", "Rq", "Rsk", "Rku", "Rp", "Rv", "Rz", "Rpt", "Rvt", "Rt", "Rzx", "Rsm", "Rc", "Rpc", "Pc(0.5)"),
    *("Rdq", "Rda", "Rdt", "Rdl", "Rdr", "Ral", "Rsw", "Rdc(20,80)", "Rk", "Rpk", "Rvk", "Rmrk1", "Rmrk2"),
    *("Rak1", "Rak2", "Rpq", "Rvq", "Rmq", "Rvmp", "Rvmc", "Rvvc", "Rvvv"),
)
ISO_4287_R = (
    *("Ra", "Rq", "Rsk", "Rku", "Rp", "Rv", "Rz", "Rz1max", "Rt", "RSm", "Rc", "RPc", "Rdq", "Rdc(20,80)"),
    *("Rk", "Rpk", "Rvk", "Mr1", "Mr2", "Rpq", "Rvq", "Rmq"),
)
ASME_R = ("Ra", "Rq", "Rz", "Rmax", "Rt", "Rp", "Rpm", "Rv", "Pc(0.5)", "RSm")


@pytest.mark.parametrize(
    ("standard", "symbols"),
    [
        (Standard.ISO_21920, ISO_21920_R),
        (Standard.ISO_4287, ISO_4287_R),
        (Standard.JIS_B_0601, [*ISO_4287_R, "RzJIS"]),
        (Standard.ASME_B46_1, ASME_R),
    ],
)
def test_what_a_standard_always_gives_is_there_with_a_unit(standard, symbols):
    done = _with(standard=standard)
    assert set(symbols) <= set(done.parameters)
    assert set(done.parameters) == set(always_given(standard)) == set(done.units)
    assert set(done.units.values()) <= {"um", "mm", "%", "/cm", "um.%", "1"}


@pytest.mark.parametrize("standard", list(Standard))
def test_p_and_w_have_twins_of_everything(standard):
    mine = always_given(standard)
    twins = set(mine) | ON_REQUEST
    for stem_symbol in mine:
        if stem_symbol.startswith("R") or stem_symbol in ("Mr1", "Mr2", "Pc(0.5)"):
            stem = stem_symbol.removeprefix("R")
            assert {f"P{stem}", f"W{stem}"} <= twins, stem_symbol


def test_units_by_symbol():
    units = _with().units
    expected = {
        "Rsm": "mm", "Ral": "mm", "Rsw": "mm", "Rdl": "mm", "Rdr": "%", "Rmrk1": "%", "Rpc": "/cm", "Pc(0.5)": "/cm",
        "Rak1": "um.%", "Rsk": "1", "Rdq": "1", "Rz": "um", "Rmq": "%", "Rvmp": "um", "Wsw": "mm", "Pdr": "%",
    }  # fmt: skip
    assert {name: units[name] for name in expected} == expected


def test_spelling():
    assert symbol("R", "sm", Standard.ISO_4287) == "RSm"
    assert symbol("W", "sm", Standard.ISO_21920) == "Wsm"
    assert symbol("R", "mrk1", Standard.ISO_4287) == "Mr1"
    assert symbol("P", "mrk1", Standard.JIS_B_0601) == "PMr1"
    assert symbol("R", "Pc(0.5)", Standard.ISO_21920) == "Pc(0.5)"
    assert symbol("P", "Pc(0.5)", Standard.ISO_21920) == "PPc(0.5)"


# --- on request ---


def test_requested_values_stand_under_the_words_of_the_request():
    done = _with(
        "Rmr(0.1)", "Rmr( 5, 0.4 )", "Rmc(50)", "Rdc(10,90)", "Pc(0.1)", "PPc(0.1)", "Pmr(0.1)", "Wmc(50)", "Ra"
    )
    window = np.sort(done.profiles.roughness[done.profiles.start : done.profiles.stop])[::-1]
    ratio = 100 * (np.arange(window.size) + 0.5) / window.size
    assert done.parameters["Rmc(50)"] == pytest.approx(np.interp(50, ratio, window), rel=1e-12)
    assert done.parameters["Rmr(0.1)"] == pytest.approx(np.interp(-0.1, -window, ratio), rel=1e-9)
    below = np.interp(5, ratio, window) - 0.4
    assert done.parameters["Rmr( 5, 0.4 )"] == pytest.approx(np.interp(-below, -window, ratio), rel=1e-9)
    assert done.parameters["Rdc(10,90)"] == pytest.approx(
        np.interp(10, ratio, window) - np.interp(90, ratio, window), rel=1e-12
    )
    assert done.units["Rmr(0.1)"] == "%"
    assert done.units["Pc(0.1)"] == done.units["PPc(0.1)"] == "/cm"
    assert {"Pmr(0.1)", "Wmc(50)"} <= set(done.parameters)


def test_volumes_take_other_ratios():
    done = _with("Rvmp(10)", "Rvmc(10,80)", "Rvvc(10,80)", "Rvvv(80)", "Rvmp(5)", "Pvvv(70)")
    for stem in ("vmp(10)", "vmc(10,80)", "vvc(10,80)", "vvv(80)"):
        assert done.parameters[f"R{stem}"] == done.parameters[f"R{stem.partition('(')[0]}"]
    assert done.parameters["Rvmp(5)"] < done.parameters["Rvmp"]


def test_the_sliding_length_may_be_given():
    done = _with("Rzx(0.8)", "Rzx(0.1)", "Rzx(4)")
    assert done.parameters["Rzx(0.8)"] == done.parameters["Rzx"]
    window = done.profiles.roughness[done.profiles.start : done.profiles.stop]
    expected = max(float(np.ptp(window[i : i + 200])) for i in range(window.size - 199))
    assert done.parameters["Rzx(0.1)"] == expected
    assert done.parameters["Rzx(4)"] == done.parameters["Rt"]


def test_probability_family_of_p_and_w_on_request():
    done = _with("Ppq", "Pvq", "Pmq", "Wpq")
    assert done.parameters["Ppq"] == pytest.approx(done.parameters["Rpq"], rel=0.2)
    assert done.units["Pmq"] == "%"
    assert ("Wpq" in done.undefined) == (done.parameters["Wpq"] is None)


def test_dominant_waviness_on_request():
    # symmetrical about the middle, so that levelling over the window leaves the wave alone
    z = 2.0 * np.cos(2 * np.pi * (np.arange(20_001) - 10_000) / 4000.0) + surface("ground", 20_001, 0.5, 1)
    done = evaluate(
        Trace(samples=z, spacing_um=0.5),
        Settings(cutoff_mm=0.8, sections=10, parameters=("Wsw-amplitude", "Wsw-share")),
    )
    assert done.parameters["Wsw"] == pytest.approx(2.0, rel=0.02)
    transmission = 2 ** -((0.8 / 2.0) ** 2)  # ISO 16610-21
    assert done.parameters["Wsw-amplitude"] == pytest.approx(2.0 * transmission, rel=0.02)
    assert 95 < done.parameters["Wsw-share"] <= 100
    assert done.units["Wsw-share"] == "%"


def test_hills_and_dales_on_request():
    done = _with("R-peak-density(0.5)", "R-pit-density(0.5)", "R-five-point-peak(0.01)", "R-ten-point(0.01)")
    assert done.parameters["R-pit-density(0.5)"] > 0
    assert done.units["R-peak-density(0.5)"] == "/cm"
    assert done.parameters["R-ten-point(0.01)"] > done.parameters["R-five-point-peak(0.01)"]


@pytest.mark.parametrize(
    ("wanted", "text"),
    [
        ("Rfoo", "there is no parameter Rfoo under iso-21920. Always given: Ra Rq"),
        ("RSm", "there is no parameter RSm"),
        ("Rmr", r"write Rmr\(c\) or Rmr\(p,dc\) with numbers"),
        ("Rmr()", "with numbers"),
        ("Rmr(1", "with numbers"),
        ("Rmr(a)", "with numbers"),
        ("Rmr(nan)", "with numbers"),
        ("Rmr(1,2,3)", "with numbers"),
        ("Rdc(20)", r"write Rdc\(p,q\)"),
        ("Ppq(1)", "write Ppq"),
        ("Rmc(101)", r"parameter Rmc\(101\): a material ratio lies between 0 and 100"),
        ("Pc(-1)", r"parameter Pc\(-1\)"),
        ("Rvmc(80,10)", r"parameter Rvmc\(80,10\)"),
        ("Rzx(5)", r"parameter Rzx\(5\): the sliding length is 5 mm"),
        ("Rzx(0)", "the sliding length is 0 mm"),
        ("-ten-point(1)", "there is no parameter"),
        ("", "there is no parameter"),
    ],
)
def test_what_cannot_be_given_is_refused_with_what_can(wanted, text):
    with pytest.raises(SettingsError, match=text):
        _with(wanted)


def test_the_refusal_lists_what_can_be_asked_for():
    with pytest.raises(SettingsError, match=r"Rmr\(c\) Rmr\(p,dc\) Rmc\(p\) Rdc\(p,q\) Pc\(c\)"):
        _with("Rx")


def test_a_flat_profile_has_no_ratios_but_heights_of_zero():
    flat = Trace(samples=np.full(9601, 3.0), spacing_um=0.5)
    asked = ("Rmr(1)", "Rdc(10,90)", "Rmc(5)", "Pc(1)", "Rzx(0.1)", "R-ten-point(1)", "Wsw-share")
    done = evaluate(flat, Settings(cutoff_mm=0.8, parameters=asked))
    zero = ("Rdc(10,90)", "Rmc(5)", "Pc(1)", "Rzx(0.1)", "Rdq", "Rda", "Rdt", "Rdr", "Rk", "Rpk", "Rvk", "Rvmp", "Rvvv")
    missing = (
        "Rmr(1)",
        "R-ten-point(1)",
        "Wsw-share",
        "Ral",
        "Rsw",
        "Rsm",
        "Rc",
        "Rpc",
        "Rmrk1",
        "Rmrk2",
        "Rsk",
        "Rku",
    )
    assert {name: done.parameters[name] for name in zero} == dict.fromkeys(zero, 0.0)
    assert {name: done.parameters[name] for name in missing} == dict.fromkeys(missing)
    assert done.parameters["Rdl"] == pytest.approx(3.9995)  # (M − 1)·dx


# --- motifs ---


def test_motifs_stand_beside_the_other_values_and_name_their_filter():
    z = surface("turned", 32_001, 0.5, 3)
    done = evaluate(Trace(samples=z, spacing_um=0.5), Settings(cutoff_mm=0.8, motif=DEFAULT_LIMITS))
    assert {"R", "AR", "Rx", "W", "AW", "Wx", "Wte", "Ra"} <= set(done.parameters)
    assert done.filters == dict.fromkeys(("R", "AR", "Rx", "W", "AW", "Wx", "Wte"), "none")
    assert done.findings == ()
    level = z - np.polyval(np.polyfit(np.arange(z.size), z, 1), np.arange(z.size))
    primary = gaussian.mean_line(level, 0.5, 0.008)[0:32_000]  # 16 mm of a trace one sample longer
    expected = motif_parameters(primary, 0.5)
    assert done.parameters["R"] == pytest.approx(expected.r, rel=1e-9)
    assert done.parameters["AR"] == pytest.approx(expected.ar, rel=1e-9)


def test_motifs_of_a_short_trace_use_all_of_it_and_say_so():
    done = _with(motif=STANDARD_LIMITS[2])
    (finding,) = done.findings
    assert finding.id == "motif-length-short"
    assert finding.evidence == {"needed_mm": 16.0, "given_mm": 4.8}


def test_no_motifs_unless_asked_for():
    done = _with()
    assert "AR" not in done.parameters
    assert done.filters == {}


# --- filters ---


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        (FilterKind.GAUSSIAN, gaussian.mean_line),
        (FilterKind.ROBUST, robust.mean_line),
        (FilterKind.SPLINE, spline.mean_line),
        (FilterKind.TWO_RC, two_rc.mean_line),
        (FilterKind.TWO_RC_ZERO_PHASE, two_rc.mean_line_zero_phase),
        (FilterKind.VALLEY_SUPPRESSING, valley_suppressing.mean_line),
    ],
)
def test_each_filter_takes_its_own_line_off(kind, line):
    z = surface("turned", 3001, 0.5, 5)
    done = evaluate(
        Trace(samples=z, spacing_um=0.5),
        Settings(cutoff_mm=0.25, filter=kind, form="none", short_cutoff_um=None, sections=3),
    )
    assert np.array_equal(done.profiles.waviness, line(z, 0.5, 0.25))
    assert np.array_equal(done.profiles.roughness, z - line(z, 0.5, 0.25))
    assert done.settings.filter is kind


@pytest.mark.parametrize("kind", list(FilterKind))
@pytest.mark.parametrize("standard", list(Standard))
def test_every_filter_under_every_standard_gives_finite_values(kind, standard):
    done = evaluate(TRACE, Settings(cutoff_mm=0.25, filter=kind, standard=standard, sections=5, parameters=("Rmr(1)",)))
    for name, value in done.parameters.items():
        assert (value is None) == (name in done.undefined)
        assert value is None or np.isfinite(value), name


@pytest.mark.parametrize("kind", list(FilterKind))
def test_a_cutoff_that_the_sampling_cannot_carry_is_refused(kind):
    with pytest.raises(SettingsError, match="cut-off"):
        evaluate(Trace(samples=np.zeros(500), spacing_um=50.0), Settings(cutoff_mm=0.08, filter=kind))


@pytest.mark.parametrize(
    ("parameter", "standard", "kind"),
    [
        ("Rk", Standard.ISO_21920, FilterKind.ROBUST),
        ("Rmrk1", Standard.ISO_21920, FilterKind.ROBUST),
        ("Rvq", Standard.ISO_21920, FilterKind.ROBUST),
        ("Rk", Standard.ISO_4287, FilterKind.VALLEY_SUPPRESSING),
        ("Mr2", Standard.ISO_4287, FilterKind.VALLEY_SUPPRESSING),
        ("Rpq", Standard.JIS_B_0601, FilterKind.VALLEY_SUPPRESSING),
        ("Ra", Standard.ISO_21920, FilterKind.GAUSSIAN),
        ("Rz", Standard.ISO_4287, FilterKind.GAUSSIAN),
        ("Pk", Standard.ISO_21920, FilterKind.GAUSSIAN),
    ],
)
def test_the_filter_of_a_callout_that_names_none(parameter, standard, kind):
    """Page texture, section 5: ISO 16610-31 under iso-21920, ISO 13565-1 under iso-4287, for Rk and Rpq alone."""
    assert default_filter_for(parameter, standard) is kind


# --- what spacing and tip carry (page texture, section 8; ISO 3274 table 1, from memory) ---


@pytest.mark.parametrize(
    ("facts", "spacing_um", "short_cutoff_um", "ids"),
    [
        ({}, 0.5, 2.5, []),
        ({}, 0.6, 2.5, ["spacing-too-wide"]),
        ({}, 1.5, 8.0, []),
        ({}, 1.0, None, []),
        ({"tip_radius_um": "2"}, 0.5, 2.5, []),
        ({"tip_radius_um": "5"}, 0.5, 2.5, ["tip-too-large"]),
        ({"tip_radius_um": "5"}, 0.6, 2.5, ["tip-too-large", "spacing-too-wide"]),
        ({"tip_radius_um": "5"}, 0.5, 8.0, []),
        ({"tip_radius_um": "blunt"}, 0.5, 2.5, []),
        ({"tip_radius_um": "nan"}, 0.5, 2.5, []),
        ({"tip_radius_um": "-1"}, 0.5, 2.5, []),
    ],
)
def test_a_trace_whose_spacing_or_tip_cannot_carry_the_class_is_evaluated_and_flagged(
    facts, spacing_um, short_cutoff_um, ids
):
    z = surface("ground", 3001, spacing_um, 3)
    trace = Trace(samples=z, spacing_um=spacing_um, facts=facts)
    done = evaluate(trace, Settings(cutoff_mm=0.25, short_cutoff_um=short_cutoff_um))
    assert [finding.id for finding in done.findings] == ids
    assert done.parameters["Ra"] > 0
