"""Readings as the laboratory would read them: value and uncertainty against the law of propagation and a simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student

from crosslay.inspection.acceptance import Uncertainty
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.correlation import AcceptedLine, Correlation, Line, Pair, correlate
from crosslay.inspection.judge import Measured, Reading, Requirement
from crosslay.inspection.laboratory import as_laboratory
from crosslay.inspection.uncertainty import Budget, Contribution
from crosslay.texture.settings import Settings

REQUIREMENT = Requirement(characteristic="journal", callout=parse_callouts("Ra 0.8")[0], settings=Settings())
OTHER = Requirement(characteristic="journal", callout=parse_callouts("Rz 6.3")[0], settings=Settings())
SLOPE, INTERCEPT = 1.25, 0.02


def study(rng: np.random.Generator, u: float = 0.004, parts: int = 8, *, ratio: float | None = None) -> Line:
    """A line fitted to simulated parts; with a ratio the uncertainties are not told."""
    truth = np.linspace(0.3, 0.9, parts)
    inline = INTERCEPT + SLOPE * truth + rng.normal(0.0, u, parts)
    laboratory = truth + rng.normal(0.0, u, parts)
    known = None if ratio else u
    found = correlate(
        [Pair(part=str(number), inline=float(x), laboratory=float(y), u_inline=known, u_laboratory=known)
         for number, (x, y) in enumerate(zip(inline, laboratory, strict=True))], variance_ratio=ratio)  # fmt: skip
    assert isinstance(found, Correlation)
    assert found.line is not None
    return found.line


def accepted(line: Line) -> AcceptedLine:
    return AcceptedLine(correlation_id="c", line=line, lowest=0.3, highest=0.9)


def converted(reading: Reading, line: Line) -> Reading:
    measured = Measured(readings={REQUIREMENT: reading, OTHER: reading})
    found = as_laboratory(measured, {REQUIREMENT: accepted(line)})
    assert found.readings[OTHER] is reading, "no other parameter is touched"
    return found.readings[REQUIREMENT]


@pytest.mark.parametrize("raw", [0.4, 0.77, 1.3])
def test_the_value_and_its_uncertainty_by_the_law_of_propagation(raw):
    """GUM 5.2.2, equation (13): J·C·Jᵀ for y = (x − a)/b, plus one laboratory value."""
    line = study(np.random.default_rng(1))
    found = converted(Reading(value=raw, reason=""), line)
    value = (raw - line.intercept) / line.slope
    gradient = np.array([1.0, -1.0, -value]) / line.slope
    covariances = np.array([[line.u_inline**2, 0.0, 0.0], [0.0, line.u_intercept**2, line.covariance],
                            [0.0, line.covariance, line.u_slope**2]])  # fmt: skip
    expected = math.sqrt(gradient @ covariances @ gradient + line.u_laboratory**2)
    assert (found.value, found.raw_value) == (pytest.approx(value, rel=1e-12), raw)
    assert found.uncertainty.standard == pytest.approx(expected, rel=1e-12)
    assert found.uncertainty.coverage_factor == pytest.approx(student.ppf(0.975, found.budget.dof), rel=1e-9)
    assert math.fsum(each.share for each in found.budget.contributions) == pytest.approx(1.0)


def test_it_is_the_prediction_interval_of_the_study_seen_from_the_other_side():
    line = study(np.random.default_rng(2))
    found = converted(Reading(value=line.inline_at(0.6), reason=""), line)
    low, high = line.prediction_interval(0.6)
    assert found.uncertainty.standard == pytest.approx(
        (high - low) / 2 / student.ppf(0.975, line.dof) / line.slope, rel=1e-9
    )


def test_the_true_laboratory_reading_lies_within_u_as_often_as_it_says():
    """Simulation: 95 % of new readings, each with a study of its own (400 give ±2.2 % at two standard deviations)."""
    rng = np.random.default_rng(3)
    within = 0
    for _ in range(400):
        line, truth = study(rng, ratio=1.0), rng.uniform(0.4, 0.8)
        found = converted(Reading(value=INTERCEPT + SLOPE * truth + rng.normal(0.0, 0.004), reason=""), line)
        within += abs(found.value - truth - rng.normal(0.0, 0.004)) <= found.uncertainty.expanded
    assert 0.92 <= within / 400 <= 0.99


class TestWhatIsKnownOfTheInlineValue:
    line = study(np.random.default_rng(4))

    def of(self, standard: float, budget: Budget | None = None) -> Reading:
        known = Uncertainty(standard=standard, expanded=2 * standard, coverage_factor=2.0)
        return converted(Reading(value=0.7, reason="", uncertainty=known, budget=budget), self.line)

    def test_a_larger_uncertainty_goes_before_that_of_the_study(self):
        assert self.of(0.05).uncertainty.standard > 0.05 / self.line.slope
        assert "in-line value (stated)" in {each.name for each in self.of(0.05).budget.contributions}

    def test_a_smaller_one_never_makes_it_less_than_the_study_showed(self):
        nothing = converted(Reading(value=0.7, reason=""), self.line)
        assert self.of(1e-6).uncertainty == nothing.uncertainty

    def test_a_budget_keeps_its_lines_and_its_check(self):
        before = Budget(parameter="Ra", value=0.7, unit="um", contributions=(Contribution(name="x", standard=0.05),),
                        standard=0.05, dof=math.inf, coverage_factor=2.0, expanded=0.1, noise_bias=0.001,
                        left_out=("y",), check_id="k")  # fmt: skip
        found = self.of(0.05, before).budget
        assert (found.left_out, found.check_id) == (("y",), "k")
        [line] = [each for each in found.contributions if each.name == "x"]
        assert line.in_value == pytest.approx(0.05 / self.line.slope)
        assert found.noise_bias == pytest.approx(0.001 / self.line.slope)


class TestNoValue:
    line = study(np.random.default_rng(5))

    def test_below_the_lines_foot_there_is_none(self):
        found = converted(Reading(value=0.5 * self.line.intercept, reason=""), self.line)
        assert (found.value, found.uncertainty) == (None, None)
        assert "0.3 to 0.9" in found.reason

    def test_a_line_that_does_not_hold_any_more_leaves_none_and_says_why(self):
        measured = Measured(readings={REQUIREMENT: Reading(value=0.5, reason="")})
        found = as_laboratory(measured, {REQUIREMENT: "made otherwise"}).readings[REQUIREMENT]
        assert (found.value, found.raw_value, found.reason) == (None, 0.5, "made otherwise")

    def test_an_undefined_value_stays_as_it_is(self):
        reading = Reading(reason="too short")
        assert converted(reading, self.line) is reading
