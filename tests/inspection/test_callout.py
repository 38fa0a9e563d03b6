"""Call-outs: the examples of ISO 1302:2002 (page reference-values, section 12) and what is not one."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import CalloutError
from crosslay.inspection.callout import Callout, Lay, Process, Rule, Side, parse_callouts


def one(text: str) -> Callout:
    (callout,) = parse_callouts(text)
    return callout


#: What a call-out says where it says nothing.
SILENT = {field.name: field.default for field in dataclasses.fields(Callout)
          if field.default is not dataclasses.MISSING}

# Source: ISO 1302:2002 as listed on page reference-values section 12, every row: from memory (MEM-H) but for the first
# motif row and the eight sampling lengths (SEEN, 6.3.3 and 6.3.4) and the Gaussian one (SEEN-2). λs is in µm here.
TABLE = [
    ("Rz 0.4", [{"parameter": "Rz", "limit": 0.4}]),
    ("Rzmax 0.2", [{"parameter": "Rz", "limit": 0.2, "rule": Rule.TMAX}]),
    ("0.008-0.8/Ra 3.2", [{"parameter": "Ra", "limit": 3.2, "short_cutoff_um": 8.0, "cutoff_mm": 0.8}]),
    ("-0.8/Ra3 3.2", [{"parameter": "Ra", "limit": 3.2, "cutoff_mm": 0.8, "sections": 3}]),
    ("U Ramax 3.2 ; L Ra 0.8", [{"parameter": "Ra", "limit": 3.2, "rule": Rule.TMAX},
                                {"parameter": "Ra", "limit": 0.8, "side": Side.LOWER}]),
    ('U "Gaussian" 0.0025-0.8/Rz5max 3.2', [{"parameter": "Rz", "limit": 3.2, "filter": "gaussian", "sections": 5,
                                             "short_cutoff_um": 2.5, "cutoff_mm": 0.8, "rule": Rule.TMAX}]),
    ("0.8-25/Wz3 10", [{"parameter": "Wz", "limit": 10.0, "cutoff_mm": 0.8, "waviness_cutoff_mm": 25.0,
                        "sections": 3}]),
    ("0.008-/Ptmax 25", [{"parameter": "Pt", "limit": 25.0, "short_cutoff_um": 8.0, "rule": Rule.TMAX}]),
    ("0,008-0,5/12/R 10", [{"parameter": "R", "limit": 10.0, "short_cutoff_um": 8.0, "roughness_operator_mm": 0.5,
                            "evaluation_length_mm": 12.0}]),
    ("0.0025-0.1//Rx 0.2", [{"parameter": "Rx", "limit": 0.2, "short_cutoff_um": 2.5, "roughness_operator_mm": 0.1}]),
    ("/10/R 10", [{"parameter": "R", "limit": 10.0, "evaluation_length_mm": 10.0}]),
    ("-0.3/6/AR 0.09", [{"parameter": "AR", "limit": 0.09, "unit": "mm", "roughness_operator_mm": 0.3,
                         "evaluation_length_mm": 6.0}]),
    *((f"{symbol}8 1.5", [{"parameter": symbol, "limit": 1.5, "sections": 8, "unit": unit}]) for symbol, unit in
      (("Rk", "um"), ("Rpk", "um"), ("Rvk", "um"), ("Rpq", "um"), ("Rvq", "um"), ("Rmq", "%"))),
    ("MRR Ra 0.8; Rz1 3.2", [
        {"parameter": "Ra", "limit": 0.8, "process": Process.REMOVAL_REQUIRED},
        {"parameter": "Rz", "limit": 3.2, "sections": 1, "process": Process.REMOVAL_REQUIRED}]),
    # The grammar's own example, with a filter's name for its X; a digit counts sections and max is the rule.
    ('U "robust" 0.08-0.8 / Rz8max 3.3', [{"parameter": "Rz", "limit": 3.3, "filter": "robust", "sections": 8,
                                           "short_cutoff_um": 80.0, "cutoff_mm": 0.8, "rule": Rule.TMAX}]),
]


@pytest.mark.parametrize(("text", "expected"), TABLE, ids=[text for text, _expected in TABLE])
def test_every_row_of_the_table(text, expected):
    callouts = parse_callouts(text)
    assert [dataclasses.asdict(each) for each in callouts] == [
        SILENT | {"text": part.strip()} | facts
        for part, facts in zip(text.split(";"), expected, strict=True)]


def test_a_process_holds_for_what_follows_and_a_lay_for_the_whole_surface():
    first, second, third = parse_callouts("Rz 3.2; MRR Ra 0.8; L Ra 0.1 ⟂")
    assert [each.process for each in (first, second, third)] == [None, *[Process.REMOVAL_REQUIRED] * 2]
    assert {each.lay for each in (first, second, third)} == {Lay.PERPENDICULAR}
    assert [each.text for each in (first, second, third)] == ["Rz 3.2", "MRR Ra 0.8", "L Ra 0.1 ⟂"]
    changed = parse_callouts("MRR Ra 0.8; NMR Rz 6.3; APA Rq 1; Rp 2")
    assert [each.process for each in changed] == [
        Process.REMOVAL_REQUIRED, Process.REMOVAL_PROHIBITED, Process.ANY, Process.ANY]


# Source: ISO 1302:2002 lay symbols (textbook table, page reference-values section 12, SEEN); "_|_" is our own.
@pytest.mark.parametrize(
    ("sign", "lay"),
    [("=", Lay.PARALLEL), ("⟂", Lay.PERPENDICULAR), ("\u22a5", Lay.PERPENDICULAR), ("_|_", Lay.PERPENDICULAR),
     ("X", Lay.CROSSED), ("M", Lay.MULTIDIRECTIONAL), ("C", Lay.CIRCULAR), ("R", Lay.RADIAL), ("P", Lay.PARTICULATE)],
)
def test_lay_symbols(sign, lay):
    assert one(f"Ra 0.8 {sign}").lay is lay
    assert one(f"Ra 0.8 µm T16% {sign}") == dataclasses.replace(
        one(f"T16% Ra 0.8 {sign}"), text=f"Ra 0.8 µm T16% {sign}")


@pytest.mark.parametrize("text", ["Sc3 Ra 0.8", "Ra 0.8 Sc3", "T16% Sc3 Ra 0.8", "Ra 0.8 Sc3 T16% M"])
def test_a_setting_class_may_stand_before_or_after(text):
    assert (one(text).setting_class, one(text).parameter) == ("Sc3", "Ra")


# Source: ISO 12085 and ISO 1302:2002, from memory: waviness motifs take the operators A and B.
def test_bands_of_waviness_motifs_and_evaluation_lengths_of_other_parameters():
    wave = one("0.5-2.5/16/W 10")
    assert (wave.roughness_operator_mm, wave.waviness_operator_mm, wave.evaluation_length_mm) == (0.5, 2.5, 16.0)
    assert (wave.short_cutoff_um, wave.cutoff_mm, wave.waviness_cutoff_mm) == (None, None, None)
    assert one("AW 2").unit == "mm"
    assert one("-0.8/5.6/Ra 3.2").evaluation_length_mm == 5.6
    assert one("/ 12,5 / Pt 25").evaluation_length_mm == 12.5
    assert one("Rmax 6.3").parameter == "Rmax"
    assert (one("R max 6.3").parameter, one("R max 6.3").rule) == ("R", Rule.TMAX)


# Source: ISO 16610-1, symbols of filters, from memory.
@pytest.mark.parametrize(("written", "name"), [("FPLG", "gaussian"), ("FPRG", "robust"), ("FPLS", "spline"),
                                               ("2RC", "2rc"), ("Valley suppressing", "valley-suppressing")])
def test_filters_by_name_and_by_symbol(written, name):
    assert one(f'"{written}" Ra 0.8').filter == name


def test_numbers_in_brackets_keep_their_digits():
    assert one("Rmr(0.1234567) 60").parameter == "Rmr(0.1234567)"
    assert one("Rmr(0.0000001) 60").parameter == "Rmr(0.0000001)"


@pytest.mark.parametrize(
    ("text", "parameter", "sections"),
    [
        ("Rmrk1 10", "Rmrk1", None), ("Rmrk15 10", "Rmrk1", 5), ("Mr1 10", "Mr1", None), ("Rzx 6.3", "Rzx", None),
        ("Rak2 10", "Rak2", None), ("RzJIS 3.2", "RzJIS", None), ("RSm 0.1", "RSm", None), ("Rvmax 2", "Rv", None),
        ("Rmax 6.3", "Rmax", None), ("Rsm 0.1", "Rsm", None), ("Rdc( 20 , 80 ) 3", "Rdc(20,80)", None),
        ("Rmr(-0.5) 60", "Rmr(-0.5)", None), ("Rmr(5,1.0) 60", "Rmr(5,1)", None), ("Pc(0.5) 40", "Pc(0.5)", None),
        ("Pc 3", "Pc", None), ("Wsw 0.5", "Wsw", None),
    ],
)
def test_digits_of_a_symbol_and_digits_that_count_sections(text, parameter, sections):
    callout = one(text)
    assert (callout.parameter, callout.sections) == (parameter, sections)


@pytest.mark.parametrize(
    ("text", "limit", "unit"),
    [
        ("Ra 0,8", 0.8, "um"), ("Ra 0.8 µm", 0.8, "um"), ("Ra 0.8 μm", 0.8, "um"), ("Ra 800 nm", 0.8, "um"),
        # 1 µin is 0.0254 µm exactly (international inch), so 32 µin are 0.8128 µm, not the nominal 0.8.
        ("Ra 32 µin", 0.8128, "um"), ("Rsm 0.1", 0.1, "mm"), ("Rsm 80 µm", 0.08, "mm"), ("Rmr(1) 60 %", 60.0, "%"),
        ("Rpc 100 /cm", 100.0, "/cm"), ("L Rsk -0,5", -0.5, "1"), ("Rku 3", 3.0, "1"),
    ],
)
def test_limits_and_units(text, limit, unit):
    callout = one(text)
    assert callout.limit == pytest.approx(limit, rel=1e-15)
    assert callout.unit == unit


@pytest.mark.parametrize("text", ["T16% Ra 0.8", "Ra 0.8 T16%", "U T16% Ra 0.8", "-0.8/T16% Ra 0.8"])
def test_the_name_of_a_rule_may_stand_before_or_after(text):
    assert one(text).rule is Rule.T16


@pytest.mark.parametrize(
    ("text", "place", "expected"),
    [
        ("", 1, "a call-out"), ("   ", 4, "a call-out"), ("Ra", 3, "a limit"), ("Ra 0.8;", 8, "a call-out"),
        (";Ra 0.8", 1, "a call-out"), ("Ra 0.x", 6, "a digit"), ("Ra 0.8x", 7, '";" or the end'),
        ("ra 0.8", 1, '"Ra" would be right'), ("Rs 3", 1, "a parameter"), ("Ra0.8", 3, "a blank"),
        ("Ra 0", 4, "above 0"), ("Ra -1", 4, "a limit"), ("Ra 0.8 %", 8, "the unit um"), ("0.8/Ra 3.2", 4, '"-"'),
        ("-0.8 Ra 3.2", 6, '"/"'), ("-/Ra 3.2", 2, "a cut-off"), ("0.8-0.0025/Ra 3", 1, "below the long"),
        ("0-0.8/Ra 3", 1, "above 0"), ("-25/Pt 3", 1, "without long cut-off"), ("Rz11 3", 3, "1 to 10 sections"),
        ("Rz0 3", 3, "1 to 10 sections"), ("Rmr 60", 1, "numbers in brackets"), ("Rmr(1 60", 7, '")"'),
        ("Rdc(20) 3", 7, "2 number"), ("Rmr(x) 3", 5, "a number"), ('"Gauss" Ra 1', 2, "a filter"),
        ('"gaussian Ra 1', 15, 'a closing "'), ("Ramax 0.8 T16%", 11, "one rule"), ("Rmr(1) 101", 8, "at most 100"),
        ("MRR", 4, "a call-out"), ("mrr Ra 0.8", 1, '"MRR" in front'), ("Ra 0.8; MRR", 12, "a call-out"),
        ("Sc6 Ra 0.8", 1, "a setting class, Sc1 to Sc5"), ("Sc3/Ra 0.8", 1, "and a blank"),
        ("Sc3 Ra 0.8 Sc4", 12, "one setting class"), ('"gaussian" "robust" Ra 1', 12, "one filter"),
        ("Ra 0.8 =; Rz 3 ⟂", 16, "one lay"), ("Ra 0.8 Q", 8, '";" or the end'), ("Ra 0.8 Rz", 8, "a lay symbol"),
        ("/x/R 10", 2, "an evaluation length"), ("/10 R 10", 5, '"/" after the evaluation'),
        ("/0/R 10", 2, "above 0"), ("R3 10", 2, "a blank"), ("0.5-0.3/6/AR 1", 1, "below the long"),
        ("-0.3/6AR 1", 7, '"/" after the evaluation'), ("R 10 T16% Tmax", 11, "one rule"),
        ("U", 1, "a parameter"), ("Ra 0.8 Rz 3", 8, '";" or the end'), ("Ra 0.8/2", 7, '";" or the end'),
    ],
)
def test_an_error_says_where_and_what_was_expected(text, place, expected):
    with pytest.raises(CalloutError) as caught:
        parse_callouts(text)
    assert str(caught.value).startswith(f"character {place}: expected ")
    assert expected in str(caught.value)


@given(st.text(alphabet='RazPWmxsk0128.,-/;"T% UL()µ', max_size=25))
def test_no_text_breaks_the_reader(text):
    said, callouts = "", ()
    try:
        callouts = parse_callouts(text)
    except CalloutError as error:
        said = str(error)
    assert bool(callouts) != bool("expected" in said)
    assert all(callout.text == callout.text.strip() for callout in callouts)


@given(
    st.sampled_from(["", "U ", "L "]), st.sampled_from(["", "-0.8/", "0.0025-2.5/", "0.008-/"]),
    st.sampled_from(["Ra", "Rz", "Rq", "Rsm"]), st.one_of(st.none(), st.integers(1, 10)), st.booleans(),
    st.integers(1, 99_999),
)
def test_what_is_written_is_what_is_read(side, band, symbol, sections, is_max, thousandths):
    limit = thousandths / 1000
    text = f"{side}{band}{symbol}{sections or ''}{'max' if is_max else ''} {limit}"
    callout = one(text)
    assert callout.text == text
    assert callout.parameter == symbol
    assert callout.sections == sections
    assert callout.limit == limit
    assert callout.side is (Side.LOWER if side == "L " else Side.UPPER)
    assert callout.rule is (Rule.TMAX if is_max else None)
    assert callout.cutoff_mm == {"": None, "-0.8/": 0.8, "0.0025-2.5/": 2.5, "0.008-/": None}[band]
    assert callout.short_cutoff_um == {"": None, "-0.8/": None, "0.0025-2.5/": 2.5, "0.008-/": 8.0}[band]


@given(st.sampled_from(["Ra 0.8", "-0.8/Rz5max 3.2", "L Ra 1.25; U Ra 3.2"]))
def test_a_decimal_comma_reads_like_a_point(text):
    def facts(each: Callout) -> tuple[object, ...]:
        return (each.parameter, each.limit, each.cutoff_mm, each.sections, each.side, each.rule)

    with_comma = parse_callouts(text.replace(".", ","))
    assert [facts(each) for each in with_comma] == [facts(each) for each in parse_callouts(text)]
