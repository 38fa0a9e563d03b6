"""Budgets of the values of a trace: what is computed for them, how often, and what an unknown number does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from crosslay.inspection import value_budgets
from crosslay.inspection.acceptance import DecisionRule, Policy
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.gauge_quality import GaugeQuality, Scale, cutoff_sensitivity
from crosslay.inspection.judge import Decision, Requirement, inspect, measure, with_opposites
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.inspection.value_budgets import KnownGauge, budgets_of
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Trace

SCALE = Scale.stated(2.0)


def wave(wavelength_mm: float = 0.4, **facts: str) -> Trace:
    """A sine of 1 µm; a wave near λc = 0.8 mm depends on λc."""
    x_mm = 0.0005 * np.arange(9601)
    return Trace(samples=np.sin(2 * np.pi * x_mm / wavelength_mm), spacing_um=0.5, facts=facts)


def requirements(text: str, **policy: object) -> tuple[Requirement, ...]:
    found = with_opposites(requirements_for("journal", parse_callouts(text), Wanted(cutoff_mm=0.8)))
    return tuple(replace(each, policy=Policy(**policy)) for each in found)


def known(**more: float) -> KnownGauge:
    tip = {name: more.pop(name) for name in ("tip_radius_um", "tip_tolerance_um") if name in more}
    return KnownGauge(quality=GaugeQuality(heights=SCALE, **more), **tip)


def contributions(trace: Trace, gauge: KnownGauge, text: str = "Ra 1") -> dict[str, float]:
    [reading] = measure(trace, requirements(text), budgets=budgets_of(gauge)).readings.values()
    assert reading.budget is not None
    return {each.name: each.in_value for each in reading.budget.contributions}


def test_the_cut_offs_share_is_that_of_the_gaussian_filter():
    """Closed form (ISO 16610-21): a = 1 − 2^−(λc/λ)², so dln(a)/dln(λc) = 2 ln2 (λc/λ)² / (2^(λc/λ)² − 1)."""
    found = contributions(wave(), known(cutoff_percent=3.0))
    value = inspect(wave(), requirements("Ra 1")).judged[0].value
    ratio = (0.8 / 0.4) ** 2
    slope = 2 * math.log(2) * ratio / (2**ratio - 1)
    # λc' is 5 % shorter, so the secant is a little steeper than the tangent.
    assert found["departure of the cut-off"] == pytest.approx(value * 0.03 * slope / math.sqrt(3), rel=0.15)
    by_itself = cutoff_sensitivity(wave(), Settings(cutoff_mm=0.8), "Ra")
    assert found["departure of the cut-off"] == pytest.approx(value * 0.03 * by_itself / math.sqrt(3))


def test_a_trace_is_evaluated_again_once_for_all_its_values_and_only_where_it_matters(monkeypatch):
    calls = []
    real = value_budgets.evaluate
    monkeypatch.setattr(value_budgets, "evaluate", lambda *given: calls.append(1) or real(*given))
    asked = requirements("Ra 1; Rz 5; Rq 2")
    measure(wave(), asked, budgets=budgets_of(known(cutoff_percent=1.0)))
    assert len(calls) == 1
    measure(wave(), asked, budgets=budgets_of(known(resolution_um=0.01)))
    assert len(calls) == 1


def test_the_tips_tolerance_counts_where_its_radius_is_known():
    x = np.arange(9601)
    grooves = np.abs((x % 20) - 10.0) * 0.05  # sharp grooves that a tip does not reach into
    trace = Trace(samples=grooves, spacing_um=0.5)
    assert "size of the tip" not in contributions(trace, known(tip_tolerance_um=1.0))
    stated = contributions(trace, known(tip_tolerance_um=1.0, tip_radius_um=5.0))
    told = contributions(replace(trace, facts={"tip_radius_um": "5"}), known(tip_tolerance_um=1.0))
    assert stated["size of the tip"] == told["size of the tip"] > 0


def test_an_unknown_scale_is_no_budget_and_no_silent_simple_rule():
    nothing = budgets_of(KnownGauge(quality=GaugeQuality()))
    simple = inspect(wave(), requirements("Ra 1"), budgets=nothing)
    assert (simple.decision, simple.judged[0].uncertainty) == (Decision.PASS, None)
    for budgets in (nothing, None):
        verdict = inspect(wave(), requirements("Ra 1", decision_rule=DecisionRule.ISO_14253_1), budgets=budgets)
        assert verdict.decision is Decision.INVALID
        assert "no uncertainty is known for Ra" in verdict.text
    assert "nothing traces the heights" in inspect(
        wave(), requirements("Ra 1", decision_rule=DecisionRule.ISO_14253_1), budgets=nothing).text  # fmt: skip


def test_what_is_known_is_asked_anew_for_each_trace():
    now = [known(), known(resolution_um=0.5)]
    source = budgets_of(lambda: now.pop(0))
    first, second = (inspect(wave(), requirements("Ra 1"), budgets=source).judged[0].uncertainty for _ in range(2))
    assert second.standard > first.standard


def test_a_given_uncertainty_comes_before_a_budget():
    [judged] = inspect(wave(), requirements("Ra 1", expanded_uncertainty=0.5, coverage_factor=2.5),
                       budgets=budgets_of(known())).judged  # fmt: skip
    assert (judged.uncertainty.expanded, judged.uncertainty.standard, judged.budget) == (0.5, 0.2, None)


def test_two_limits_share_one_probability_and_a_narrow_tolerance_is_not_proven():
    """Ra = 2/π·(1 − 2^−4) = 0.5968; limits 3.5 u apart about it: P = 2Φ(1.75) − 1 = 0.92 (normal table) < 95 %."""
    value = inspect(wave(), requirements("Ra 1")).judged[0].value
    text = f"U Ra {value + 0.0175:.9f}; L Ra {value - 0.0175:.9f}"
    policy = {"expanded_uncertainty": 0.02, "decision_rule": DecisionRule.ISO_14253_1}
    verdict = inspect(wave(), requirements(text, **policy))
    assert [each.probability for each in verdict.judged] == [pytest.approx(0.9199, abs=1e-3)] * 2
    assert verdict.decision is Decision.UNDECIDED
    assert "2 of 2 characteristics cannot be decided" in verdict.text
    wide = f"U Ra {value + 0.0175:.9f}; L Ra {value - 0.1:.9f}"
    assert inspect(wave(), requirements(wide, **policy)).decision is Decision.PASS
    upper, lower = inspect(wave(), requirements(f"U Ra {value - 0.1:.9f}; L Ra {value - 0.2:.9f}", **policy)).judged
    assert (upper.decision, lower.decision) == (Decision.FAIL, Decision.PASS), "each limit by itself"
