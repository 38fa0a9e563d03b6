"""What is known of judged values besides their limits, for people and as JSON: several values, uncertainty, budget."""

from __future__ import annotations

import math
from typing import Any

from crosslay.cli.output import SHOWN_UNITS, finite, number, wrapped
from crosslay.inspection.acceptance import DecisionRule
from crosslay.inspection.judge import Judged
from crosslay.inspection.uncertainty import Budget, table_lines


def judged_lines(judged: tuple[Judged, ...]) -> list[str]:
    """Lines below the table of call-outs; none where nothing is known but the values."""
    lines: list[str] = []
    for each in judged:
        words = _words(each)
        if words:
            lines += wrapped(f"  {each.callout.text}: ", ", ".join(words), indent="    ")
        if each.decision.value in {"undecided", "invalid"} and each.reason and each.value is not None:
            lines += wrapped(f"  {each.callout.text}: ", each.reason, indent="    ")
        if each.budget is not None:
            lines += ["", *(f"    {line}" for line in table_lines(each.budget)), ""]
    return lines[:-1] if lines and not lines[-1] else lines


def _words(judged: Judged) -> list[str]:
    words = []
    unit = SHOWN_UNITS.get(judged.unit, judged.unit)
    if judged.uncertainty is not None and judged.value is not None:
        known = judged.uncertainty
        words.append(f"{number(judged.value)} ± {number(known.expanded, 2)} {unit} (k = {known.coverage_factor:.3g})")
    if judged.probability is not None:
        words.append(f"probability of conformance {percent(judged.probability)}")
    if judged.policy.decision_rule is not DecisionRule.SIMPLE:
        words.append(f"decided by {judged.policy.decision_rule.value}")
    if len(judged.values) > 1:
        shown = ", ".join("–" if value is None else number(value) for value in judged.values)
        words.append(f"of {len(judged.values)} values: {shown}")
    return words


def percent(probability: float) -> str:
    """A probability in %; beyond 99.99 % nobody knows the tails of a distribution, so it is never called certain."""
    if probability > 0.9999:
        return "> 99.99 %"
    if probability < 0.0001:
        return "< 0.01 %"
    return f"{100.0 * probability:.2f} %"


def judged_fields(judged: Judged) -> dict[str, Any]:
    """Fields of the JSON object of a characteristic; only what is known."""
    fields: dict[str, Any] = {"decisionRule": judged.policy.decision_rule.value}
    if judged.uncertainty is not None:
        fields["expandedUncertainty"] = finite(judged.uncertainty.expanded)
        fields["coverageFactor"] = finite(judged.uncertainty.coverage_factor)
    if judged.probability is not None:
        fields["conformanceProbability"] = judged.probability
    if len(judged.values) > 1:
        fields["values"] = [finite(value) for value in judged.values]
    if judged.budget is not None:
        fields["budget"] = _budget(judged.budget)
    return fields


def _budget(found: Budget) -> dict[str, Any]:
    """The budget in the unit of the parameter; degrees of freedom are null where they are infinite."""
    return {
        "unit": found.unit, "standardUncertainty": found.standard, "degreesOfFreedom": finite(found.dof),
        "contributions": [
            {"name": each.name, "type": each.kind.value, "distribution": each.distribution.value,
             "standardUncertainty": each.in_value, "degreesOfFreedom": None if math.isinf(each.dof) else each.dof,
             "share": each.share}
            for each in found.contributions
        ],
        "noiseBias": found.noise_bias, "leftOut": list(found.left_out),
    }
