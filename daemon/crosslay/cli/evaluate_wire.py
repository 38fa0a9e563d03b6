"""The JSON object of one evaluated trace, to the letter of page *interface*."""

from __future__ import annotations

from typing import Any

from crosslay.cli.judged_text import judged_fields
from crosslay.cli.offline import Outcome
from crosslay.cli.output import finite
from crosslay.inspection.callout import Side
from crosslay.inspection.judge import Judged
from crosslay.inspection.lengths import lengths_of
from crosslay.texture.evaluation import Evaluation, UsedSettings
from crosslay.texture.settings import Settings
from crosslay.texture.tip_values import SmallerTipValues
from crosslay.texture.trace import Finding


def document(outcome: Outcome, settings: Settings) -> dict[str, Any]:
    """Everything about one trace as plain values; numbers are finite or null.

    Parameters
    ----------
    outcome
        The evaluated trace.
    settings
        What was asked for, shown where the trace could not be evaluated.
    """
    evaluation, verdict = outcome.evaluation, outcome.verdict
    parameters, undefined = ({}, {}) if evaluation is None else _parameters(evaluation)
    shown = {
        "file": outcome.file,
        "settings": _asked(settings) if evaluation is None else _used(evaluation.settings),
        "parameters": parameters,
        "units": {} if evaluation is None else evaluation.units,
        "undefined": undefined,
        "filters": {} if evaluation is None else evaluation.filters,
        "verdict": None if verdict is None else verdict.decision.value,
        "details": None if verdict is None else verdict.text,
        "characteristics": [] if verdict is None else [characteristic(each, evaluation) for each in verdict.judged],
        "findings": [finding_fields(each) for each in outcome.findings],
    }
    if outcome.smaller_tip is not None:
        shown["smallerTip"] = _smaller_tip(outcome.smaller_tip)
    return shown


def _parameters(evaluation: Evaluation) -> tuple[dict[str, float | None], dict[str, str]]:
    """Values, null where undefined, and why each of those is; one that overflowed is undefined too."""
    values = {name: finite(value) for name, value in evaluation.parameters.items()}
    reasons = {name: evaluation.undefined.get(name, "the value is not a finite number")
               for name, value in values.items() if value is None}
    return values, reasons


def _smaller_tip(values: SmallerTipValues) -> dict[str, Any]:
    """Values by symbol are in the unit that ``units`` names for the symbol."""
    return {
        "radius_um": values.smaller_radius_um, "tip_radius_um": values.tip_radius_um,
        "touched_percent": finite(values.touched_share_percent), "excess_um": finite(values.excess_um),
        "resolution_um": finite(values.resolution_um), "total_height_um": finite(values.total_height_um),
        "shallowest": values.shallowest_um, "atLeast": values.at_least_um, "atMost": values.at_most_um,
        "undefined": values.undefined,
    }


def _used(used: UsedSettings) -> dict[str, Any]:
    section_mm = used.section_points * used.spacing_um / 1000.0
    return {
        "standard": used.standard.value, "filter": used.filter.value, "cutoff_mm": used.cutoff_mm,
        "short_cutoff_um": used.short_cutoff_um, "waviness_cutoff_mm": used.waviness_cutoff_mm,
        "sections": used.sections, "form": used.form, "spacing_um": used.spacing_um,
        "section_length_mm": section_mm, "evaluation_length_mm": used.sections * section_mm,
        "settingClass": used.setting_class or None, "nonDefault": list(used.non_default),
    }


def _asked(settings: Settings) -> dict[str, Any]:
    lengths = lengths_of(settings)
    return {
        "standard": settings.standard.value, "filter": settings.filter.value, "cutoff_mm": lengths.cutoff_mm,
        "short_cutoff_um": lengths.short_cutoff_um, "waviness_cutoff_mm": settings.waviness_cutoff_mm,
        "sections": lengths.sections, "form": settings.form, "spacing_um": None,
        "section_length_mm": lengths.section_length_mm, "evaluation_length_mm": lengths.evaluation_length_mm,
        "settingClass": lengths.setting_class, "nonDefault": [],
    }


def characteristic(judged: Judged, shown: Evaluation | None) -> dict[str, Any]:
    """One judged call-out; `shown` is the evaluation whose settings stand elsewhere already."""
    callout = judged.callout
    side = "upperLimit" if callout.side is Side.UPPER else "lowerLimit"
    entry: dict[str, Any] = {
        "callout": callout.text, "parameter": callout.parameter, "value": finite(judged.value), "unit": judged.unit,
        side: callout.limit, "rule": judged.rule.value, "verdict": judged.decision.value,
    }
    entry |= judged_fields(judged)
    if judged.reason:
        entry["reason"] = judged.reason
    if judged.settings is not None and (shown is None or judged.settings != shown.settings):
        entry["settings"] = _used(judged.settings)
    return entry


def finding_fields(finding: Finding) -> dict[str, Any]:
    """One finding."""
    evidence = {name: finite(value) for name, value in finding.evidence.items()}
    return {"id": finding.id, "severity": finding.severity.value, "text": finding.text, "evidence": evidence}
