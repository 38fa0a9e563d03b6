"""Verdicts: precedence, limits, rules, texts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import TraceError
from crosslay.inspection import judge
from crosslay.inspection.callout import Rule, parse_callouts
from crosslay.inspection.judge import Decision, conforms, inspect
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.settings import Standard
from crosslay.texture.trace import Trace
from inspection_surfaces import clean, trace


def requirements(text: str, name: str = "journal", **wanted: object):
    return requirements_for(name, parse_callouts(text), Wanted(**wanted))


def sine(amplitude_um: float = 1.0, wavelength_um: float = 100.0, points: int = 9601) -> Trace:
    x_um = 0.5 * np.arange(points)
    return Trace(samples=amplitude_um * np.sin(2 * math.pi * x_um / wavelength_um), spacing_um=0.5)


# Closed form (ISO 5436-1 type C1): Ra = 2A/π = 0.6366 A, Rz = 2A; the filters of class Sc3 pass 100 µm to 99.96 %.
@pytest.mark.parametrize(
    ("text", "decision", "details"),
    [
        ("Ra 0.64", Decision.PASS, "the characteristic is within tolerance"),
        ("Ra 0.64; Rz 2.01", Decision.PASS, "all 2 characteristics within tolerance"),
        ("Ra 0.63; Rz 2.01", Decision.FAIL, "1 of 2 characteristics out of tolerance"),
        ("Ra 0.63", Decision.FAIL, "1 of 1 characteristic out of tolerance"),
        ("L Ra 0.63; U Ra 0.64", Decision.PASS, "all 2 characteristics within tolerance"),
        ("L Ra 0.64", Decision.FAIL, "1 of 1 characteristic out of tolerance"),
        ("Rsm 0.101", Decision.PASS, "the characteristic is within tolerance"),
    ],
)
def test_values_against_limits(text, decision, details):
    verdict = inspect(sine(), requirements(text))
    assert (verdict.decision, verdict.text) == (decision, details)
    assert not verdict.findings
    assert [each.callout.text for each in verdict.judged] == text.split("; ")


def test_a_value_equal_to_its_limit_conforms_and_the_unrounded_value_is_compared():
    value = inspect(sine(), requirements("Ra 1")).judged[0].value
    assert value is not None
    callout = parse_callouts("Ra 1")[0]
    for side, limit, good in (("U", value, True), ("L", value, True), ("U", math.nextafter(value, 0), False),
                              ("L", math.nextafter(value, 9), False)):
        text = f"{side} Ra {limit!r}"
        assert conforms(value, parse_callouts(text)[0]) is good
        assert inspect(sine(), requirements(text)).decision is (Decision.PASS if good else Decision.FAIL)
    assert conforms(1.0, callout)


@given(st.floats(0.001, 1000), st.floats(0.001, 1000))
def test_upper_and_lower_limits_are_mirror_images(value, limit):
    upper, lower = parse_callouts(f"Ra {limit:.9f}")[0], parse_callouts(f"L Ra {limit:.9f}")[0]
    assert conforms(value, upper) == (value <= upper.limit)
    assert conforms(value, lower) == (value >= lower.limit)
    assert conforms(value, upper) or conforms(value, lower)


# Page texture, section 9: the default rule is the edition's.
@pytest.mark.parametrize(
    ("text", "standard", "rule"),
    [
        ("Ra 1", Standard.ISO_21920, Rule.TMAX), ("Ra 1", Standard.ISO_4287, Rule.T16),
        ("Ramax 1", Standard.ISO_4287, Rule.TMAX), ("T16% Ra 1", Standard.ISO_21920, Rule.T16),
        ("Tmed Ra 1", Standard.ISO_21920, Rule.TMED), ("Ra 1", Standard.JIS_B_0601, Rule.T16),
        ("Ra 1", Standard.ASME_B46_1, Rule.TMAX),
    ],
)
def test_every_result_names_its_rule(text, standard, rule):
    assert inspect(sine(), requirements(text, standard=standard)).judged[0].rule is rule


@pytest.mark.parametrize("slope", [0.0, 0.25])
def test_a_straight_line_is_no_surface(slope):
    line = Trace(samples=slope * np.arange(9601.0), spacing_um=0.5)
    verdict = inspect(line, requirements("Ra 1"))
    assert verdict.decision is Decision.INVALID
    assert [finding.id for finding in verdict.findings] == ["stuck"]


def test_an_undefined_value_without_a_finding(monkeypatch):
    monkeypatch.setattr(judge, "implausible", lambda *_, **__: [])
    level = Trace(samples=np.full(9601, 2.0), spacing_um=0.5)
    verdict = inspect(level, requirements("Rsm 0.1"))
    assert verdict.decision is Decision.INVALID
    assert verdict.judged[0].value is None
    assert verdict.judged[0].reason
    assert verdict.judged[0].reason in verdict.text
    assert inspect(level, requirements("Rsm 0.1; L Ra 1")).decision is Decision.FAIL
    assert inspect(level, requirements("Rsm 0.1; Ra 1")).decision is Decision.INVALID
    assert inspect(level, requirements("Ra 1")).decision is Decision.PASS


def test_an_invalid_finding_stands_above_every_value():
    rng = np.random.default_rng(5)
    surface = clean("turned", rng, rz_um=4.0)
    jumped = trace(surface.heights + np.where(np.arange(9601) < 4000, 0.0, 20.0))
    for text in ("Ra 2; Rz 16", "Ra 0.2", "Ra 2"):
        verdict = inspect(jumped, requirements(text))
        assert verdict.decision is Decision.INVALID
        assert verdict.findings[0].id == "rocking"
        assert verdict.text == verdict.findings[0].text
        for each in verdict.judged:
            assert each.decision is Decision.INVALID
            assert each.reason == verdict.text
            assert each.value is not None


def test_a_trace_that_is_too_short_is_judged_invalid_with_what_it_needed():
    verdict = inspect(sine(points=6000), requirements("Ra 0.8; Rz 6.3; Ra 0.05"))
    assert verdict.decision is Decision.INVALID
    finding = next(each for each in verdict.findings if each.id == "too-short")
    assert finding.evidence["needed_mm"] == pytest.approx(4.8)
    assert finding.evidence["given_mm"] == pytest.approx(2.9995)
    assert "4.8 mm" in finding.text
    # What could be computed is still shown: Ra 0.05 needs 1.5 mm only.
    assert [each.value is None for each in verdict.judged] == [True, True, False]


def test_equal_settings_are_evaluated_once(monkeypatch):
    calls = []
    original = judge.evaluate
    monkeypatch.setattr(judge, "evaluate", lambda *each: calls.append(each) or original(*each))
    several = [("Ra 0.8; Rz 6.3", "journal"), ("Rz 12", "shoulder"), ("Ra 0.05", "seat")]
    verdict = inspect(sine(), tuple(each for text, name in several for each in requirements(text, name)))
    assert len(calls) == len(verdict.evaluations) == 2
    assert [each.characteristic for each in verdict.judged] == ["journal", "journal", "shoulder", "seat"]


def test_settings_that_do_not_fit_the_trace_are_a_finding_not_a_crash():
    coarse = Trace(samples=np.sin(np.arange(400.0)), spacing_um=60.0)
    verdict = inspect(coarse, requirements("Ra 0.015"))
    assert verdict.decision is Decision.INVALID
    assert verdict.findings[0].id == "settings-do-not-fit"


def test_what_is_no_trace_is_refused():
    with pytest.raises(TraceError, match="finite"):
        inspect(Trace(samples=np.array([0.0, math.nan] * 5000), spacing_um=0.5), requirements("Ra 1"))
    with pytest.raises(ValueError, match="requirement"):
        inspect(sine(), ())


def test_symbols_of_the_other_edition_are_understood():
    verdict = inspect(sine(), requirements("RSm 0.101") + requirements("Rsm 0.101", standard=Standard.ISO_4287))
    assert [each.value for each in verdict.judged] == pytest.approx([0.1, 0.1], rel=1e-3)


def test_zones_left_out_are_left_out_of_the_findings_too():
    heights = clean("ground", np.random.default_rng(6), rz_um=4.0).heights
    heights[9000:] = 1000.0
    over_the_edge = trace(heights)
    assert inspect(over_the_edge, requirements("Ra 2", sections=4)).findings[0].id == "clipped"
    assert inspect(over_the_edge, requirements("Ra 2", sections=4, skip_end_mm=0.31)).decision is Decision.PASS
