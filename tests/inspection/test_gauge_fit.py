"""Whether the gauge carries what is asked: spacing, tip, range, speed, skid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.gauge_fit import gauge_fit, needed_sample_rate_hz, skid_of, speed_limit_mm_s, without_skidded
from crosslay.inspection.judge import Decision, inspect
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.evaluation import evaluate
from crosslay.texture.motif import DEFAULT_LIMITS
from crosslay.texture.settings import Settings, Standard
from crosslay.texture.trace import Calibration, Severity, Trace
from finding_campaign import SETTINGS
from inspection_surfaces import SURFACES, clean, trace

LONG_WAVES = ("Pa", "Pq", "Pt", "Wa", "Wt", "Wsk", "Pmrk1")


def wavy(spacing_um: float = 0.5, *, sample_range: tuple[float, float] | None = None, **facts: str) -> Trace:
    """Sine of ±1 µm and 100 µm on ±3 µm and 12 mm, 4.8 mm long."""
    x_mm = np.arange(round(4800 / spacing_um) + 1) * spacing_um / 1000.0
    heights = np.sin(2 * math.pi * x_mm / 0.1) + 3.0 * np.sin(2 * math.pi * x_mm / 12.0)
    return Trace(samples=heights, spacing_um=spacing_um, sample_range=sample_range, facts=facts)


def at(text: str = "Ra 0.8", **wanted: object) -> Settings:
    return requirements_for("journal", parse_callouts(text), Wanted(**wanted))[0].settings


def found(given: Trace, settings: Settings = SETTINGS) -> dict[str, object]:
    return {each.id: each for each in gauge_fit(given, {settings: evaluate(given, settings)})}


# --- what fits -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("surface", SURFACES)
def test_nothing_is_said_of_a_gauge_that_fits(surface):
    rng = np.random.default_rng(61)
    for _ in range(3):
        given = trace(clean(surface, rng).heights, speed_mm_s="0.5", tip_radius_um="2", skid="none")
        assert found(given) == {}


def test_nothing_is_said_at_the_very_limits():
    edge = wavy(0.5, speed_mm_s="1", tip_radius_um="2", skid="40 mm")
    assert found(edge, at(short_cutoff_um="none")) == {}
    assert gauge_fit(edge, {}) == []


# --- spacing and tip -------------------------------------------------------------------------------------------------


# Source: ISO 3274:1996 table 1 (page reference-values 1.3): λc 0.8 mm goes with 0.5 µm and 2 µm.
def test_without_an_s_filter_spacing_and_tip_are_held_against_the_class():
    coarse = wavy(1.0, tip_radius_um="5")
    said = found(coarse, at(short_cutoff_um="none"))
    assert set(said) == {"spacing-too-wide", "tip-too-large"}
    for finding, needed in zip(said.values(), ("0.5 µm or less", "2 µm or less"), strict=True):
        assert finding.severity is Severity.WARNING
        assert needed in finding.text
    assert said["spacing-too-wide"].evidence == {"spacing_um": 1.0, "max_spacing_um": 0.5, "cutoff_mm": 0.8}
    assert found(wavy(1.0, tip_radius_um="5"), at("RzJIS 5", standard=Standard.JIS_B_0601)) == {}


def test_with_an_s_filter_the_evaluation_says_it_once():
    verdict = inspect(wavy(1.0, tip_radius_um="5"), requirements_for("a", parse_callouts("Ra 0.8"), Wanted()))
    assert sorted(each.id for each in verdict.findings) == ["spacing-too-wide", "tip-too-large"]
    assert verdict.decision is Decision.PASS


# --- range -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "remedy"),
    [
        (-100.0, 8.8, "nearer to the middle"), (-8.8, 100.0, "nearer to the middle"), (-4.1, 4.1, "choose a range"),
        (-10.0, 10.0, ""), (-100.0, 100.0, ""),
    ],
)
def test_the_range_is_to_be_kept_a_tenth_away(low, high, remedy):
    samples = np.linspace(-4.0, 4.0, 9601)
    samples[0] = samples[-1] = 0.0
    given = Trace(samples=samples, spacing_um=0.5, sample_range=(low, high))
    said = gauge_fit(given, {})
    assert [each.id for each in said] == (["range-nearly-used"] if remedy else [])
    assert all(remedy in each.text and each.severity is Severity.WARNING for each in said)


def test_a_zone_that_is_left_out_may_leave_the_range():
    samples = np.tile([-1.0, 1.0], 5200)
    samples[:400] = 9.5  # an edge over the first 0.2 mm
    given = Trace(samples=samples, spacing_um=0.5, sample_range=(-10.0, 10.0))
    for settings, said in ((at(), ["range-nearly-used"]), (at(skip_start_mm=0.2), [])):
        findings = gauge_fit(given, {settings: evaluate(given, settings)})
        assert [each.id for each in findings if each.id == "range-nearly-used"] == said


def test_the_range_needed_is_in_micrometres_of_the_calibrated_gauge():
    counts = np.array([-3800, 0, 3900], dtype=np.int32)
    given = Trace(samples=counts, spacing_um=0.5, sample_range=(-4000, 4000), calibration=Calibration(gain_um=0.01))
    (said,) = gauge_fit(given, {})
    # 7,700 of 8,000 counts are 77 µm of 80 µm; with a tenth free at either end 77/0.8 = 96.25 µm.
    assert said.evidence == pytest.approx({"reserve_percent": 1.25, "range_um": 80.0, "used_um": 77.0})
    assert "at least 96.2 µm" in said.text
    assert gauge_fit(Trace(samples=counts, spacing_um=0.5, sample_range=(-3800, 4000)), {}) == [], "clipped: another's"


# --- speed -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "said"), [("0.1", 0), ("0.5", 0), ("1", 0), ("1.01", 1), ("2,5", 1), ("fast", 0),
                                             ("", 0), ("-3", 0), ("inf", 0), ("nan", 0)])
def test_speed(speed, said):
    findings = gauge_fit(wavy(speed_mm_s=speed), {})
    assert [each.id for each in findings] == ["speed-too-high"] * said
    assert all("0.5 mm/s" in each.text for each in findings)


@given(st.floats(0.05, 10), st.floats(0.05, 1.0))
def test_the_sample_rate_needed_and_the_speed_allowed_are_each_others_inverse(spacing_um, speed_mm_s):
    rate_hz = needed_sample_rate_hz(spacing_um, speed_mm_s)
    assert speed_limit_mm_s(spacing_um, rate_hz) == pytest.approx(speed_mm_s, rel=1e-6)
    assert speed_limit_mm_s(spacing_um, None) == speed_limit_mm_s(spacing_um, 1e9) == 1.0


# --- skid ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["", "none", "No", "FALSE", "off", "0", " skidless ", "without"])
def test_words_for_no_skid(word):
    assert skid_of(wavy(skid=word)) is None
    assert skid_of(wavy()) is None


@pytest.mark.parametrize(
    ("facts", "radius_mm"),
    [
        ({"skid": "true"}, None), ({"skid": "Yes"}, None), ({"skid": "1"}, None), ({"skid": "on"}, None),
        ({"skid": "beside the tip"}, None), ({"skid": "40"}, 40.0), ({"skid": "40 mm"}, 40.0),
        ({"skid": "R 2,5mm"}, 2.5),
        ({"skid": "yes", "skid_radius_mm": "25"}, 25.0), ({"skid": "1", "skid_radius_mm": "1"}, 1.0),
        ({"skid": "yes", "skid_radius_mm": "?"}, None),
    ],
)
def test_words_for_a_skid_and_its_radius(facts, radius_mm):
    skid = skid_of(wavy(**facts))
    assert skid is not None
    assert skid.radius_mm == radius_mm


def test_a_skidded_trace_has_no_values_of_p_and_w():
    given = wavy(skid="yes")
    whole = evaluate(given, Settings(cutoff_mm=0.8, motif=DEFAULT_LIMITS, parameters=("Wsw-share", "Pc(1)", "Rmr(1)")))
    left = without_skidded(given, whole)
    for name, value in whole.parameters.items():
        if (name[0] in "PW" and not name.startswith("Pc(")) or name == "AW":
            assert left.parameters[name] is None
            assert "skid" in left.undefined[name]
        else:
            assert left.parameters[name] == value, name
    assert {*LONG_WAVES, "W", "AW", "Wx", "Wte", "Wsw-share"} <= left.undefined.keys()
    assert set(left.parameters) == set(whole.parameters)
    assert without_skidded(wavy(skid="none"), whole) is whole


@pytest.mark.parametrize("symbol", ["Pt", "Wa", "Wte", "AW"])
def test_a_call_out_on_long_waves_from_a_skidded_trace_is_invalid_and_its_neighbours_are_judged(symbol):
    requirements = requirements_for("a", parse_callouts(f"Ra 0.8; {symbol} 90"), Wanted())
    verdict = inspect(wavy(skid="true"), requirements)
    assert [each.decision for each in verdict.judged] == [Decision.PASS, Decision.INVALID]
    assert (verdict.decision, verdict.judged[1].value) == (Decision.INVALID, None)
    assert "without skid" in verdict.judged[1].reason
    assert "skid" in verdict.text
    failing = requirements_for("a", parse_callouts(f"Ra 0.1; {symbol} 90"), Wanted())
    assert inspect(wavy(skid="true"), failing).decision is Decision.FAIL


# Source: ISO 3274:1975, radius of the skid at least 50 cut-offs (from memory): 40 mm for λc 0.8 mm.
@pytest.mark.parametrize(("radius", "said"), [("40", []), ("39.9", ["skid-too-small"]), ("yes", [])])
def test_a_skid_is_large_beside_the_cut_off(radius, said):
    given = wavy(skid=radius)
    assert list(found(given)) == said
    for finding in gauge_fit(given, {SETTINGS: evaluate(given, SETTINGS)}):
        assert finding.severity is Severity.WARNING
        assert "40 mm" in finding.text
        assert finding.evidence["needed_radius_mm"] == 40.0


def test_findings_come_once_each_and_the_evaluation_is_not_touched():
    given = wavy(1.0, speed_mm_s="3", skid="10", tip_radius_um="10", sample_range=(-4.0, 4.5))
    settings = [at(text, short_cutoff_um="none") for text in ("Ra 0.8", "Ra 0.05")]
    evaluations = {each: evaluate(given, each) for each in settings}
    ids = [each.id for each in gauge_fit(given, evaluations)]
    assert sorted(ids) == ["range-nearly-used", "skid-too-small", "spacing-too-wide", "speed-too-high", "tip-too-large"]
