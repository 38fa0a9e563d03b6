"""From ``[uncertainty]`` to what is known of the gauge, and whether every decision rule has what it decides by."""

from __future__ import annotations

from collections.abc import Sequence

from crosslay.inspection.acceptance import DecisionRule
from crosslay.inspection.gauge_quality import GaugeQuality, Scale
from crosslay.inspection.judge import Requirement
from crosslay.inspection.uncertainty import NoBudget, budget
from crosslay.inspection.value_budgets import KnownGauge
from crosslay.plan.models import UncertaintySection
from crosslay.plan.problems import Problem, dotted

#: A value far above any noise, to ask whether a parameter has a budget at all.
_LARGE = 1e5


def known_gauge(section: UncertaintySection | None) -> KnownGauge | None:
    """What the station file says of its gauge; None where it says nothing."""
    if section is None:
        return None
    return KnownGauge(
        quality=GaugeQuality(
            heights=_scale(section.height_percent, section), lengths=_scale(section.length_percent, section),
            noise_rq0_um=section.noise_rq0_um, noise_rz0_um=section.noise_rz0_um,
            linearity_percent=section.linearity_percent, resolution_um=section.resolution_um,
            cutoff_percent=section.cutoff_percent, speed_percent=section.speed_percent,
            part_scatter_percent=section.part_scatter_percent,
        ),
        tip_radius_um=section.tip_radius_um, tip_tolerance_um=section.tip_tolerance_um,
    )


def _scale(percent: float | None, section: UncertaintySection) -> Scale | None:
    return None if percent is None else Scale.stated(percent, section.coverage_factor)


def uncertainty_problems(
    requirements: Sequence[Requirement], known: KnownGauge | None, names: Sequence[str], *, checked: bool
) -> list[Problem]:
    """What keeps a guard band from being known: never a silent simple rule.

    Parameters
    ----------
    requirements
        Of all characteristics.
    known
        What ``[uncertainty]`` says; None where there is none.
    names
        Characteristics in the order of the file.
    checked
        Whether a specimen is registered, whose check may trace the scales.
    """
    problems: dict[str, Problem] = {}
    for each in requirements:
        policy = each.policy
        if policy.decision_rule is DecisionRule.SIMPLE or policy.expanded_uncertainty is not None:
            continue
        reason = _missing(each.callout.parameter, known, checked=checked)
        if reason:
            path = dotted(("characteristic", names.index(each.characteristic), "decision_rule"))
            text = (f'"{policy.decision_rule.value}" needs the uncertainty of {each.callout.parameter}, and {reason}; '
                    "give expanded_uncertainty here, or complete [uncertainty]")
            problems.setdefault(path, Problem(path, text))
    return list(problems.values())


def _missing(parameter: str, known: KnownGauge | None, *, checked: bool) -> str:
    quality = GaugeQuality() if known is None else known.quality
    if checked:  # a check may bring what is not stated; that it does not is said of each part
        assumed = Scale.stated(1.0)
        quality = GaugeQuality(heights=quality.heights or assumed, lengths=quality.lengths or assumed)
    found = budget(parameter, _LARGE, quality)
    return found.reason if isinstance(found, NoBudget) else ""
