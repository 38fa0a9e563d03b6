"""Call-outs there and back: what `written` writes reads as the same call-out, over the whole grammar."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from campaign_counts import campaign_count
from crosslay.errors import CalloutError
from crosslay.inspection.callout import Callout, Lay, Process, Rule, Side, parse_callouts, written
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.inspection.symbols import MOTIF_UNITS, SIGNED, UNITS, WITH_ARGUMENTS, family
from crosslay.texture.settings import FilterKind

EXAMPLES = campaign_count("CROSSLAY_CALLOUTS", short=50, full=2000)
README = Path(__file__).parents[2] / "README.md"

# --- texts of the whole grammar --------------------------------------------------------------------------------------

_BLANK = st.sampled_from([" ", "  ", "\t", "\u00a0"])
_GAP = st.sampled_from(["", " "])
_MINUS = st.sampled_from(["-", "\u2212", "\u2013"])
_RULES = st.sampled_from(["T16%", "Tmax", "Tmed"])
_CLASSES = st.sampled_from(["Sc1", "Sc2", "Sc3", "Sc4", "Sc5"])
_FILTERS = st.sampled_from([*(f'"{kind.value}"' for kind in FilterKind), '"Gaussian"', '"FPRG"', '"2RC zero phase"'])
_LAYS = st.sampled_from(["=", "⟂", "⊥", "_|_", "X", "M", "C", "R", "P"])
_PROCESSES = st.sampled_from(["", "APA", "MRR", "NMR"])


@st.composite
def decimals(draw, *, least: int = 1, most: int = 10**9) -> str:
    """A number above 0 with up to nine decimals, with point or comma."""
    digits, places = draw(st.integers(least, most)), draw(st.integers(0, 9))
    text = f"{digits:0{places + 1}d}"
    return f"{text[:-places]}{draw(st.sampled_from('.,'))}{text[-places:]}" if places else text


@st.composite
def bands(draw, symbol: str) -> str:
    """Band and evaluation length, or nothing."""
    short, long = (draw(decimals(most=1000)).replace(",", ".") for _ in range(2))
    if float(short) > float(long):
        short, long = long, short
    equal = float(short) == float(long)
    shapes = ["", f"{short}{draw(_MINUS)}/"]
    if family(symbol) != "P" or symbol in MOTIF_UNITS:
        shapes += [f"{draw(_MINUS)}{long}/"] + ([] if equal else [f"{short}{draw(_GAP)}-{draw(_GAP)}{long} /"])
    band = draw(st.sampled_from(shapes))
    length = draw(st.sampled_from(["", "/", f"{draw(decimals(most=10**5))}/"]))
    return (band or "/" if length else band) + length


@st.composite
def parameters(draw) -> tuple[str, str]:
    """Symbol, and the symbol as it is written: with arguments, sections and max."""
    symbol = draw(st.sampled_from(sorted({*UNITS, *WITH_ARGUMENTS})))
    text = symbol
    if symbol in WITH_ARGUMENTS and (symbol not in UNITS or draw(st.booleans())):
        count = draw(st.sampled_from(sorted(WITH_ARGUMENTS[symbol][1])))
        numbers = [draw(st.sampled_from(["", "-"])) + draw(decimals()).replace(",", ".") for _ in range(count)]
        text += f"({', '.join(numbers)})"
    sections = "" if symbol in MOTIF_UNITS else draw(st.sampled_from(["", *map(str, range(1, 11))]))
    return symbol, text + sections + draw(st.sampled_from(["", "", " max" if symbol in MOTIF_UNITS else "max"]))


@st.composite
def limits(draw, symbol: str, text: str) -> str:
    """Limit, with a unit at times."""
    unit = WITH_ARGUMENTS[symbol][0] if "(" in text else UNITS[symbol]
    sign = draw(st.sampled_from(["", "-"])) if symbol in SIGNED else ""
    if unit == "%":
        return draw(decimals(most=100)) + draw(st.sampled_from(["", " %", "%"]))
    units = {
        "um": ["", " µm", "um", " nm", " uin", " µin", " mm"],
        "mm": ["", " mm", " µm"],
        "/cm": ["", " /cm", " 1/cm"],
    }
    return sign + draw(decimals()) + draw(st.sampled_from(units.get(unit, [""])))


@st.composite
def callout_texts(draw, lay: str = "") -> str:
    symbol, text = draw(parameters())
    rule = draw(_RULES) if text[-3:] != "max" or (symbol == "Rmax" and text == symbol) else "Tmax"
    words = draw(st.permutations([rule, draw(_CLASSES), draw(_FILTERS)]))
    before = "".join(word + draw(_BLANK) for word in words[: draw(st.integers(0, 3))])
    after = draw(st.sampled_from(["", lay, rule, f"{rule} {lay}", f"{lay} {rule}"]))
    side = draw(st.sampled_from(["", "U ", "L\t"]))
    return f"{side}{before}{draw(bands(symbol))}{text}{draw(_BLANK)}{draw(limits(symbol, text))} {after}".rstrip()


@st.composite
def several(draw) -> str:
    """One to four call-outs with processes and one lay."""
    lay = draw(_LAYS)
    texts = [f"{draw(_PROCESSES)} {draw(callout_texts(lay))}" for _ in range(draw(st.integers(1, 4)))]
    return f"{draw(_GAP)};{draw(_GAP)}".join(texts)


def without_texts(callouts: tuple[Callout, ...]) -> list[Callout]:
    return [replace(callout, text="") for callout in callouts]


@settings(max_examples=EXAMPLES, deadline=None)
@given(several())
def test_every_text_of_the_grammar_is_read_and_written_and_read_again(text):
    callouts = parse_callouts(text)
    assert len(callouts) == text.count(";") + 1
    for callout in callouts:
        again = parse_callouts(written(callout))
        assert without_texts(again) == [replace(callout, text="")]
        assert again[0].text == written(again[0]) == written(callout)


@settings(max_examples=EXAMPLES, deadline=None)
@given(several())
def test_several_call_outs_in_one_text_come_back_as_they_were(text):
    callouts = parse_callouts(text)
    assert without_texts(parse_callouts("; ".join(map(written, callouts)))) == without_texts(callouts)


# --- models of the whole grammar -------------------------------------------------------------------------------------

_LENGTHS = st.one_of(st.none(), st.floats(1e-6, 1e6))


@st.composite
def models(draw) -> Callout:
    symbol = draw(st.sampled_from(sorted(UNITS)))
    short, middle, long = sorted(draw(st.lists(st.floats(1e-3, 1e3), min_size=3, max_size=3, unique=True)))
    given_short, given_long = draw(st.booleans()), draw(st.booleans())
    motif, kind = symbol in MOTIF_UNITS, family(symbol)
    lengths: dict[str, float] = {}
    if given_short:
        name = {(True, "W"): "roughness_operator_mm", (False, "W"): "cutoff_mm"}.get((motif, kind), "short_cutoff_um")
        lengths[name] = short
    if given_long and (motif or kind != "P"):
        name = {
            (True, "W"): "waviness_operator_mm",
            (True, "R"): "roughness_operator_mm",
            (False, "W"): "waviness_cutoff_mm",
        }.get((motif, kind), "cutoff_mm")
        lengths[name] = middle if kind == "W" else long
    return Callout(
        text="",
        parameter=symbol,
        unit=UNITS[symbol],
        side=draw(st.sampled_from(Side)),
        limit=draw(st.floats(1e-300, 100.0)),
        rule=draw(st.one_of(st.none(), st.sampled_from(Rule))),
        sections=None if motif else draw(st.one_of(st.none(), st.integers(1, 10))),
        filter=draw(st.one_of(st.none(), st.sampled_from([kind.value for kind in FilterKind]))),
        evaluation_length_mm=draw(_LENGTHS),
        setting_class=draw(st.one_of(st.none(), _CLASSES)),
        process=draw(st.one_of(st.none(), st.sampled_from(Process))),
        lay=draw(st.one_of(st.none(), st.sampled_from(Lay))),
        **lengths,
    )


@settings(deadline=None)
@given(models())
def test_every_call_out_that_can_be_is_written_so_that_it_reads_the_same(callout):
    assert without_texts(parse_callouts(written(callout))) == [callout]


def test_a_limit_in_micro_inches_stays_one():
    (callout,) = parse_callouts("Ra 63 µin")
    assert (callout.micro_inches, callout.limit, callout.unit) == (63.0, 63.0 * 0.0254, "um")
    assert written(callout) == "Ra 63 uin"
    assert parse_callouts("Ra 1.6")[0].micro_inches is None


def test_what_the_readme_lists_is_understood():
    section = README.read_text(encoding="utf-8").split("## Call-outs\n")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    texts = [text for row in rows for text in row.split("`")[1::2]]
    assert len(texts) > 20
    for text in texts:
        assert requirements_for("place", parse_callouts(text), Wanted())


# --- texts that are none ---------------------------------------------------------------------------------------------


def said_or_read(text: str) -> None:
    """Either call-outs or one error that names a character of the text and what was expected."""
    try:
        callouts = parse_callouts(text)
    except CalloutError as error:
        place, colon, rest = str(error).removeprefix("character ").partition(": expected ")
        assert colon
        assert 1 <= int(place) <= len(text) + 1
        assert rest
    else:
        assert callouts
        for callout in callouts:
            assert without_texts(parse_callouts(written(callout))) == [replace(callout, text="")]


@given(st.text(max_size=40))
def test_no_text_at_all_breaks_the_reader(text):
    said_or_read(text)


@given(st.text(alphabet='RazPWmxskAUL()=⟂_|XCScTMNedi0128.,-−/;"%² \t\u00a0µn', max_size=25))
def test_no_text_of_the_grammars_own_characters_breaks_the_reader(text):
    said_or_read(text)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    several(),
    st.integers(0, 60),
    st.sampled_from(["", "R", "0", "/", "-", ".", ";", '"', " ", "(", "max", "²", "\n"]),
    st.integers(0, 2),
)
def test_no_slip_of_the_pen_breaks_the_reader(text, place, put_in, left_out):
    said_or_read(text[:place] + put_in + text[place + left_out :])


@pytest.mark.parametrize(
    "text",
    [
        "Ra " + "9" * 400,
        "Ra 0." + "0" * 400 + "1",
        f"-{'9' * 400}/Ra 1",
        "Rmr(" + "9" * 400 + ") 1",
        f"0.{'0' * 330}1-0.8/Ra 1",
        f"/{'9' * 400}/R 1",
        "Rsm 9" + "9" * 307 + " um",
        "Rz" + "9" * 5000,
    ],
)
def test_numbers_beyond_any_number_are_refused(text):
    said_or_read(text)
    if "um" not in text:
        with pytest.raises(CalloutError):
            parse_callouts(text)
