"""From a judged part to the bytes on the wire: the one mapping from the program's words to those of the contract."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crosslay import __version__
from crosslay.bus.correlation_messages import BudgetMessage, ContributionMessage, CorrelationMessage
from crosslay.bus.messages import (
    VERDICT_CODES,
    CharacteristicMessage,
    FindingMessage,
    ProcessingTimes,
    Quantity,
    ReferenceCheckMessage,
    ResultData,
    ResultEvent,
    SettingsMessage,
    TraceMessage,
    WireVerdict,
    rfc3339,
)
from crosslay.inspection.callout import Side
from crosslay.inspection.judge import Decision, Judged, Verdict
from crosslay.inspection.uncertainty import Budget
from crosslay.plan.load import StationPlan
from crosslay.record.store import Place
from crosslay.record.traces import PackedTrace
from crosslay.texture.evaluation import UsedSettings
from crosslay.texture.trace import Trace

WIRE_VERDICTS = {
    Decision.PASS: WireVerdict.OK,
    Decision.FAIL: WireVerdict.NOT_OK,
    Decision.UNDECIDED: WireVerdict.NOT_DECIDABLE,
    Decision.INVALID: WireVerdict.UNDEFINED,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JudgedPart:
    """A part with its verdict, before it has a place in the store.

    Attributes
    ----------
    traces, packed
        The same traces, in the same order, as measured and as they will be stored.
    partial
        Whether traces of some characteristics are missing.
    created_at
        Seconds since the epoch.
    processing_s
        Time from the last trace's arrival to the verdict, s.
    reference_check
        The check in force for the gauge.
    """

    result_id: str
    part_id: str
    verdict: Verdict
    traces: tuple[Trace, ...]
    packed: tuple[PackedTrace, ...]
    partial: bool
    created_at: float
    clock_synchronized: bool
    processing_s: float
    reference_check: ReferenceCheckMessage | None = None


def result_bytes(part: JudgedPart, plan: StationPlan, place: Place) -> bytes:
    """Payload of a result: a CloudEvent with the fields of OPC 40001-101 (DC-05: stored and sent as these bytes)."""
    created = rfc3339(part.created_at)
    evaluation = WIRE_VERDICTS[part.verdict.decision]
    settings = next((item.settings for item in part.verdict.judged if item.settings is not None), None)
    traces = [_trace(trace, packed) for trace, packed in zip(part.traces, part.packed, strict=True)]
    first = part.traces[0].facts
    data = ResultData(
        result_id=part.result_id,
        instance_id=place.instance_id,
        sequence=place.sequence,
        part_id=part.part_id,
        job_id=first.get("job"),
        product_id=first.get("product"),
        supersedes=place.supersedes,
        is_simulated=any(trace.simulated for trace in part.traces),
        is_partial=part.partial,
        creation_time=created,
        clock_synchronized=part.clock_synchronized,
        processing_times=_times(part),
        result_evaluation=evaluation,
        result_evaluation_code=VERDICT_CODES[evaluation],
        result_evaluation_details=part.verdict.text,
        characteristics=[_characteristic(item, settings) for item in part.verdict.judged],
        settings=None if settings is None else _settings(settings),
        findings=[
            FindingMessage(id=item.id, severity=item.severity.value, text=item.text, evidence=item.evidence)
            for item in part.verdict.findings
        ],
        trace=traces[0] if len(traces) == 1 else None,
        traces=traces if len(traces) > 1 else None,
        reference_check=part.reference_check,
        plan_id=plan.plan_id,
        plan_hash=plan.plan_hash,
        software=f"crosslay {__version__}",
    )
    return ResultEvent(
        source=plan.source,
        id=part.result_id,
        subject=f"part/{part.part_id}",
        time=created,
        sequence=f"{place.sequence:019d}",
        data=data,
    ).to_bytes()


def _times(part: JudgedPart) -> ProcessingTimes:
    ends = [trace.captured_at for trace in part.traces if trace.captured_at is not None]
    starts = [
        trace.captured_at - trace.acquisition_s
        for trace in part.traces
        if trace.captured_at is not None and trace.acquisition_s is not None
    ]
    durations = [trace.acquisition_s for trace in part.traces if trace.acquisition_s is not None]
    return ProcessingTimes(
        start_time=rfc3339(min(starts)) if starts else None,
        end_time=rfc3339(max(ends)) if ends else None,
        acquisition_duration=round(sum(durations) * 1000, 3) if durations else None,
        processing_duration=round(part.processing_s * 1000, 3),
    )


def _characteristic(item: Judged, shared: UsedSettings | None) -> CharacteristicMessage:
    upper = item.callout.side is Side.UPPER
    own = item.settings if item.settings is not None and item.settings != shared else None
    return CharacteristicMessage(
        name=item.characteristic,
        callout=item.callout.text,
        position=item.position or None,
        value=item.value,
        values=list(item.values) if _several(item) else None,
        unit=item.unit,
        upper_limit=item.callout.limit if upper else None,
        lower_limit=None if upper else item.callout.limit,
        rule=item.rule.value,
        decision_rule=item.policy.decision_rule.value,
        expanded_uncertainty=None if item.uncertainty is None else item.uncertainty.expanded,
        coverage_factor=None if item.uncertainty is None else item.uncertainty.coverage_factor,
        conformance_probability=item.probability,
        uncertainty_budget=None if item.budget is None else _budget(item.budget),
        raw_value=item.raw_value,
        raw_values=list(item.raw_values) if item.raw_value is not None and _several(item) else None,
        raw_standard_uncertainty=item.raw_uncertainty,
        correlation=_correlation(item),
        evaluation=WIRE_VERDICTS[item.decision],
        reason=item.reason or None,
        settings=None if own is None else _settings(own),
    )


def _several(item: Judged) -> bool:
    """Whether the rule may take several values."""
    return max(item.policy.max_traces, len(item.values)) > 1


def _correlation(item: Judged) -> CorrelationMessage | None:
    accepted, value = item.correlation, item.value
    if accepted is None:
        return None
    return CorrelationMessage(
        id=accepted.correlation_id,
        slope=accepted.line.slope,
        intercept=accepted.line.intercept,
        extrapolated=value is None or not accepted.lowest <= value <= accepted.highest,
    )


def _budget(found: Budget) -> BudgetMessage:
    return BudgetMessage(
        reference_check=found.check_id or None,
        standard_uncertainty=found.standard,
        degrees_of_freedom=_finite(found.dof),
        contributions=[
            ContributionMessage(
                name=each.name,
                type=each.kind.value,
                distribution=each.distribution.value,
                standard_uncertainty=each.in_value,
                degrees_of_freedom=_finite(each.dof),
                share=each.share,
            )
            for each in found.contributions
        ],
        noise_bias=found.noise_bias,
        left_out=list(found.left_out),
    )


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) else None


def _settings(used: UsedSettings) -> SettingsMessage:
    return SettingsMessage(
        standard=used.standard.value,
        filter=used.filter.value,
        form=used.form,
        cutoff=None if used.cutoff_mm is None else Quantity(value=used.cutoff_mm, unit="mm"),
        short_cutoff=None if used.short_cutoff_um is None else Quantity(value=used.short_cutoff_um, unit="um"),
        sections=used.sections,
        setting_class=used.setting_class or None,
    )


def _trace(trace: Trace, packed: PackedTrace) -> TraceMessage:
    return TraceMessage(
        points=trace.points,
        spacing=Quantity(value=trace.spacing_um, unit="um"),
        sha256=packed.sha256.hex(),
        stored=True,
        characteristic=trace.facts.get("characteristic") or None,
        position=trace.facts.get("position") or None,
    )
