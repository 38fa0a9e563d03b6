"""Call-outs: the examples of ISO 1302:2002 (page reference-values, section 12) and what is not one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import CalloutError
from crosslay.inspection.callout import Callout, Rule, Side, parse_callouts


def one(text: str) -> Callout:
    (callout,) = parse_callouts(text)
    return callout


# Source: ISO 1302:2002, from memory, as listed on page reference-values section 12 (MEM-H; the Gaussian one SEEN-2).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Rz 0.4", {"parameter": "Rz", "limit": 0.4, "rule": None, "sections": None}),
        ("Rzmax 0.2", {"parameter": "Rz", "limit": 0.2, "rule": Rule.TMAX}),
        ("0.008-0.8/Ra 3.2", {"parameter": "Ra", "limit": 3.2, "short_cutoff_um": 8.0, "cutoff_mm": 0.8}),
        ("-0.8/Ra3 3.2", {"limit": 3.2, "cutoff_mm": 0.8, "short_cutoff_um": None, "sections": 3}),
        ('U "Gaussian" 0.0025-0.8/Rz5max 3.2', {
            "side": Side.UPPER, "filter": "gaussian", "short_cutoff_um": 2.5, "cutoff_mm": 0.8, "parameter": "Rz",
            "sections": 5, "rule": Rule.TMAX, "limit": 3.2}),
        ("0.8-25/Wz3 10", {"parameter": "Wz", "cutoff_mm": 0.8, "waviness_cutoff_mm": 25.0, "short_cutoff_um": None,
                           "sections": 3, "limit": 10.0}),
        ("0.008-/Ptmax 25", {"parameter": "Pt", "short_cutoff_um": 8.0, "cutoff_mm": None, "rule": Rule.TMAX}),
        ("Rk8 1.2", {"parameter": "Rk", "sections": 8}),
        ("Rz1 3.2", {"parameter": "Rz", "sections": 1}),
        ("Rz8max 3.3", {"parameter": "Rz", "sections": 8, "rule": Rule.TMAX}),
    ],
)
def test_examples_of_the_standard(text, expected):
    callout = one(text)
    assert {name: getattr(callout, name) for name in expected} == expected


def test_bilateral_example_of_the_standard():
    upper, lower = parse_callouts("U Ramax 3.2 ; L Ra 0.8")
    assert (upper.side, upper.parameter, upper.rule, upper.limit) == (Side.UPPER, "Ra", Rule.TMAX, 3.2)
    assert (lower.side, lower.parameter, lower.rule, lower.limit) == (Side.LOWER, "Ra", None, 0.8)
    assert (upper.text, lower.text) == ("U Ramax 3.2", "L Ra 0.8")


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
        ("ra 0.8", 1, '"Ra" would be right'), ("Rx 3", 1, "a parameter"), ("Ra0.8", 3, "a blank"),
        ("Ra 0", 4, "above 0"), ("Ra -1", 4, "a limit"), ("Ra 0.8 %", 8, "the unit um"), ("0.8/Ra 3.2", 4, '"-"'),
        ("-0.8 Ra 3.2", 6, '"/"'), ("-/Ra 3.2", 2, "a cut-off"), ("0.8-0.0025/Ra 3", 1, "below the long"),
        ("0-0.8/Ra 3", 1, "above 0"), ("-25/Pt 3", 1, "without long cut-off"), ("Rz11 3", 3, "1 to 10 sections"),
        ("Rz0 3", 3, "1 to 10 sections"), ("Rmr 60", 1, "numbers in brackets"), ("Rmr(1 60", 7, '")"'),
        ("Rdc(20) 3", 7, "2 number"), ("Rmr(x) 3", 5, "a number"), ('"Gauss" Ra 1', 2, "a filter"),
        ('"gaussian Ra 1', 15, 'a closing "'), ("Ramax 0.8 T16%", 15, "one rule"), ("Rmr(1) 101", 8, "at most 100"),
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
