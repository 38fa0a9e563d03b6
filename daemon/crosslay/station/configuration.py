"""From the plan to ``v1/configuration``: what the station judges by, without anything that is secret."""

from __future__ import annotations

from crosslay.bus.correlation_messages import CorrelationInForce
from crosslay.bus.messages import (
    ConfigurationMessage,
    Quantity,
    RequestedSettings,
    RequirementMessage,
    SpecimenMessage,
    ZoneMessage,
    rfc3339,
)
from crosslay.inspection.acceptance import DecisionRule
from crosslay.inspection.callout import Side
from crosslay.inspection.judge import Requirement
from crosslay.plan.load import StationPlan
from crosslay.plan.specimens import Registered
from crosslay.record.correlations import CorrelationRow
from crosslay.station.correlations import why_not
from crosslay.station.reference import Reference
from crosslay.texture.settings import Settings


def configuration_of(plan: StationPlan, reference: Reference) -> ConfigurationMessage:
    """The limits in force, in the order of the station file, how results count as delivered, and what is verified."""
    due_s = reference.standing().due_s
    return ConfigurationMessage(
        station=plan.name,
        plan_id=plan.plan_id,
        plan_hash=plan.plan_hash,
        acknowledge=plan.bus.acknowledge,
        window=plan.bus.window,
        requirements=[_requirement(each) for each in plan.requirements],
        reference_check="registered" if plan.specimens else "none",
        reference_check_due=None if due_s is None else rfc3339(due_s),
        specimens=[_specimen(each, reference.due_s(each)) for each in plan.specimens],
        correlations=[_correlation(each, plan, reference) for each in reference.correlations()],
        commands=list(plan.bus.commands),
    )


def _correlation(row: CorrelationRow, plan: StationPlan, reference: Reference) -> CorrelationInForce:
    document = row.document
    return CorrelationInForce(
        id=row.correlation_id,
        name=row.characteristic,
        parameter=row.parameter,
        unit=document["unit"],
        slope=document["line"]["slope"],
        intercept=document["line"]["intercept"],
        lowest=document["lowest"],
        highest=document["highest"],
        accepted=rfc3339(row.accepted_at),
        reason=why_not(row, plan, reference.amplification) or None,
    )


def _specimen(registered: Registered, due_s: float | None) -> SpecimenMessage:
    specimen = registered.specimen
    return SpecimenMessage(
        name=specimen.name,
        type=specimen.type.value,
        parameter=specimen.parameter,
        certified=Quantity(value=specimen.certified, unit=specimen.unit),
        expanded_uncertainty=specimen.expanded_uncertainty,
        coverage_factor=specimen.coverage_factor,
        certificate=specimen.certificate,
        certificate_due=registered.certificate_due.isoformat(),
        every_hours=registered.every_hours,
        traces=registered.traces,
        due=None if due_s is None else rfc3339(due_s),
    )


def _requirement(requirement: Requirement) -> RequirementMessage:
    callout, policy = requirement.callout, requirement.policy
    upper = callout.side is Side.UPPER
    return RequirementMessage(
        name=requirement.characteristic,
        callout=callout.text,
        parameter=callout.parameter,
        unit=callout.unit,
        lower_limit=None if upper else callout.limit,
        upper_limit=callout.limit if upper else None,
        rule=requirement.rule.value,
        decision_rule=policy.decision_rule.value,
        guard_factor=None if policy.decision_rule is DecisionRule.SIMPLE else policy.guard_factor,
        min_traces=policy.min_traces,
        max_traces=policy.max_traces,
        positions=list(policy.positions),
        settings=_settings(requirement.settings),
    )


def _settings(settings: Settings) -> RequestedSettings:
    short_um = settings.short_cutoff_um
    return RequestedSettings(
        standard=settings.standard.value,
        filter=settings.filter.value,
        form=settings.form,
        cutoff=_millimetres(settings.cutoff_mm),
        short_cutoff=None if short_um is None or isinstance(short_um, str) else Quantity(value=short_um, unit="um"),
        short_cutoff_source="none" if short_um is None else "standard" if isinstance(short_um, str) else "fixed",
        waviness_cutoff=_millimetres(settings.waviness_cutoff_mm),
        sections=settings.sections,
        skip_start=Quantity(value=settings.skip_start_mm, unit="mm"),
        skip_end=Quantity(value=settings.skip_end_mm, unit="mm"),
        leave_out=[
            ZoneMessage(start=Quantity(value=start_mm, unit="mm"), end=Quantity(value=end_mm, unit="mm"))
            for start_mm, end_mm in settings.leave_out_mm
        ],
    )


def _millimetres(value_mm: float | None) -> Quantity | None:
    return None if value_mm is None else Quantity(value=value_mm, unit="mm")
