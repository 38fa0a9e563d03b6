"""``crosslay results … show --budget``: how the uncertainties of a stored result came about."""

from __future__ import annotations

import math
from typing import Any

from crosslay.inspection.uncertainty import Budget, Contribution, Distribution, Kind, table_lines


def budget_lines(item: dict[str, Any]) -> list[str]:
    """The budget that a result carries, as a table; a word where it carries none."""
    found = item.get("uncertaintyBudget")
    if found is None:
        known = item.get("expandedUncertainty") is not None
        why = "the station file states U" if known else "no uncertainty is known"
        return [f"    no budget: {why}"]
    budget = Budget(
        parameter=item["callout"], value=item["value"], unit=item["unit"],
        contributions=tuple(_contribution(each) for each in found["contributions"]),
        standard=found["standardUncertainty"], dof=_dof(found["degreesOfFreedom"]),
        coverage_factor=item["coverageFactor"], expanded=item["expandedUncertainty"], noise_bias=found["noiseBias"],
        left_out=tuple(found["leftOut"]),
    )  # fmt: skip
    check = found["referenceCheck"]
    traced = f"traced by reference check {check}" if check else "traced by the station file or the laboratory"
    return [*(f"    {line}" for line in table_lines(budget)), f"    {traced}"]


def _contribution(found: dict[str, Any]) -> Contribution:
    return Contribution(
        name=found["name"], standard=found["standardUncertainty"], distribution=Distribution(found["distribution"]),
        kind=Kind(found["type"]), dof=_dof(found["degreesOfFreedom"]), share=found["share"],
    )  # fmt: skip


def _dof(found: float | None) -> float:
    return math.inf if found is None else found
