"""``crosslay check STATION.toml``: whether the station file is right, and what it amounts to."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from crosslay.bus.topics import LEAVES, REFERENCE_CHECK, REFERENCE_CHECK_RESPONSE, Topics
from crosslay.cli.output import emit, emit_json, number, quantity, shown_path, table
from crosslay.cli.settings import filter_name, surface
from crosslay.inspection.acceptance import DecisionRule
from crosslay.inspection.callout import Rule, Side
from crosslay.inspection.judge import Requirement, rule_for
from crosslay.inspection.lengths import Lengths, lengths_for
from crosslay.inspection.symbols import MOTIF_UNITS
from crosslay.plan.load import StationPlan, load_plan
from crosslay.plan.specimens import Registered

_ACKNOWLEDGE = {
    "confirmed": "a result counts as delivered once the MES has confirmed that it stored it; nothing can be lost",
    "broker": "a result counts as delivered once the broker has it; what the broker then loses is lost",
}
_NO_LIGHT = "no [[indicator]], so no reject light is driven: every level only goes to the log"
_NO_CHECK = ("no reference specimen is registered, so nothing proves that the gauge reads right; parts are judged all "
             "the same, and the state topic says so")

_CHECKED = ("a part passes only while every specimen below has a valid check; `crosslay specimen STATION.toml list` "
            "says how each stands")
_COMMANDS = (REFERENCE_CHECK, REFERENCE_CHECK_RESPONSE)
_FROM_TRACE = '  "trace": the limit implies no class, so each trace decides for itself; give cutoff_mm to fix it.'
_CAUTION = ("  The light is not a safety function. Keep hands off a driven stylus; the machine's risk assessment and "
            "local codes decide.")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def run(arguments: argparse.Namespace) -> int:
    """Validate and print; a wrong file ends with exit code 78 and everything that is wrong with it."""
    plan = load_plan(arguments.station, os.environ)
    if arguments.json:
        emit_json(_document(plan))
    else:
        emit("\n".join(_lines(plan)))
    return 0


def _topics(plan: StationPlan) -> dict[str, str]:
    topics = Topics(plan.topic)
    return {
        leaf.name: topics[leaf.path] + (f"/{{{leaf.parameter}}}" if leaf.parameter else "") for leaf in LEAVES
        if leaf.path not in _COMMANDS or plan.bus.commands
    }  # fmt: skip


def _document(plan: StationPlan) -> dict[str, Any]:
    indicators = [choice.name for choice in plan.indicators]
    return {
        "file": shown_path(plan.path), "name": plan.name, "source": plan.source, "stateDir": str(plan.state_dir),
        "planId": plan.plan_id, "planHash": plan.plan_hash, "gauge": plan.gauge_name,
        "simulated": bool(plan.gauge_class.simulated), "topics": _topics(plan), "acknowledge": plan.bus.acknowledge,
        "protocol": plan.bus.protocol, "indicator": indicators or "none",
        "referenceCheck": "registered" if plan.specimens else "none",
        "specimens": [_specimen(each) for each in plan.specimens],
        "characteristics": [_characteristic(each) for each in plan.requirements], "plan": plan.document(),
    }


def _characteristic(requirement: Requirement) -> dict[str, Any]:
    callout, settings, policy = requirement.callout, requirement.settings, requirement.policy
    lengths = lengths_for(callout, settings)
    side = "upperLimit" if callout.side is Side.UPPER else "lowerLimit"
    return {
        "name": requirement.characteristic, "callout": callout.text, "parameter": callout.parameter,
        side: callout.limit, "unit": callout.unit, "rule": rule_for(callout, settings.standard).value,
        "standard": settings.standard.value, "filter": filter_name(callout, settings), "form": settings.form,
        "settingClass": lengths.setting_class, "cutoff_mm": lengths.cutoff_mm,
        "short_cutoff_um": lengths.short_cutoff_um, "waviness_cutoff_mm": settings.waviness_cutoff_mm,
        "sections": lengths.sections, "section_length_mm": lengths.section_length_mm,
        "evaluation_length_mm": lengths.evaluation_length_mm, "travel_mm": lengths.travel_mm,
        "tip_radius_um": lengths.tip_radius_um, "max_spacing_um": lengths.max_spacing_um,
        "skip_start_mm": settings.skip_start_mm, "skip_end_mm": settings.skip_end_mm,
        "leave_out_mm": settings.leave_out_mm, "positions": policy.positions, "min_traces": policy.min_traces,
        "max_traces": policy.max_traces, "decisionRule": policy.decision_rule.value,
        "process": None if callout.process is None else callout.process.value,
        "lay": None if callout.lay is None else callout.lay.value,
    }


def _lines(plan: StationPlan) -> list[str]:
    names = [choice.name for choice in plan.indicators]
    facts = [
        ("station", plan.name),
        ("source", plan.source),
        ("plan", f"{plan.plan_id}, SHA-256 {plan.plan_hash}"),
        ("state", str(plan.state_dir)),
        ("gauge", plan.gauge_name + (" (simulated: nothing is measured)" if plan.gauge_class.simulated else "")),
        ("broker", _broker(plan)),
        ("acknowledge", f"{plan.bus.acknowledge}: {_ACKNOWLEDGE[plan.bus.acknowledge]}"),
        ("light", f"{', '.join(names)}; ACCEPT for {number(plan.light.dwell_s)} s, {plan.light.idle} in between"
         if names else f"none: {_NO_LIGHT}"),
        *_reference_checks(plan),
        *((f"topic, {name}", topic) for name, topic in _topics(plan).items()),
    ]
    count = len(plan.requirements)
    places = len(plan.characteristics)
    head = (f"{shown_path(plan.path)}: right; {count} call-out{'s' if count > 1 else ''} in {places} "
            f"characteristic{'s' if places > 1 else ''}")
    return [head, "", *table(facts), "", *_callout_table(plan), *_surfaces(plan), *_notes(plan), "", _CAUTION]


def _specimen(registered: Registered) -> dict[str, Any]:
    specimen, settings = registered.specimen, registered.specimen.settings
    return {
        "name": specimen.name, "type": specimen.type.value, "parameter": specimen.parameter, "unit": specimen.unit,
        "certified": specimen.certified, "expandedUncertainty": specimen.expanded_uncertainty,
        "coverageFactor": specimen.coverage_factor, "certificate": specimen.certificate,
        "certificateDue": registered.certificate_due.isoformat(), "tolerancePercent": specimen.tolerance_percent,
        "warnPercent": specimen.warn_percent, "everyHours": registered.every_hours, "traces": registered.traces,
        "standard": settings.standard.value, "filter": settings.filter.value, "cutoff_mm": settings.cutoff_mm,
    }


def _reference_checks(plan: StationPlan) -> list[tuple[str, str]]:
    if not plan.specimens:
        return [("reference check", f"none: {_NO_CHECK}")]
    lines = [("reference check", _CHECKED)]
    for each in plan.specimens:
        specimen = each.specimen
        lines.append((f"specimen, {specimen.name}", (
            f"type {specimen.type.value}, {specimen.parameter} {quantity(specimen.certified, specimen.unit)} ± "
            f"{number(specimen.expanded_uncertainty)} (k = {number(specimen.coverage_factor)}), "
            f"{specimen.certificate} until {each.certificate_due}; {each.traces} traces every "
            f"{number(each.every_hours)} h, tolerance {number(specimen.tolerance_percent)} %, warning at "
            f"{number(specimen.warn_percent)} %"
        )))  # fmt: skip
    return lines


def _broker(plan: StationPlan) -> str:
    bus = plan.bus
    secured = "plain" if bus.tls is None else f"TLS, verified by {bus.tls.ca_file}"
    user = "" if bus.username is None else f", user {bus.username}"
    return f"{bus.host}:{bus.port}, {secured}{user}, MQTT {bus.protocol}, at most {bus.window} unconfirmed"


def _callout_table(plan: StationPlan) -> list[str]:
    head = ("characteristic", "call-out", "limit", "rule", "class", "λc mm", "λs µm", "n", "evaluated mm", "travel mm",
            "filter", "tip µm", "spacing µm")
    return table([head, *(_row(each) for each in plan.requirements)])


def _row(requirement: Requirement) -> tuple[str, ...]:
    callout, settings = requirement.callout, requirement.settings
    lengths = lengths_for(callout, settings)
    sign = "≤" if callout.side is Side.UPPER else "≥"
    return (
        requirement.characteristic, callout.text, f"{sign} {quantity(callout.limit, callout.unit, 6)}",
        rule_for(callout, settings.standard).value, lengths.setting_class or "–",
        "none" if callout.parameter in MOTIF_UNITS else _known(lengths.cutoff_mm, lengths),
        "none" if settings.short_cutoff_um is None else _known(lengths.short_cutoff_um, lengths),
        str(lengths.sections), _known(lengths.evaluation_length_mm, lengths), _known(lengths.travel_mm, lengths),
        filter_name(callout, settings), f"≤ {_known(lengths.tip_radius_um, lengths)}",
        f"≤ {_known(lengths.max_spacing_um, lengths)}",
    )


def _known(value: float | None, lengths: Lengths) -> str:
    if value is not None:
        return number(value)
    return "trace" if lengths.cutoff_mm is None else "none"


def _surfaces(plan: StationPlan) -> list[str]:
    """Process and lay of every characteristic that names one."""
    rows = dict.fromkeys((each.characteristic, *row) for each in plan.requirements for row in surface(each.callout))
    return ["", *table(rows)] if rows else []


def _notes(plan: StationPlan) -> list[str]:
    notes = [note for each in plan.requirements if (note := _acceptance(each))]
    if any(lengths_for(each.callout, each.settings).travel_mm is None for each in plan.requirements):
        notes.append(_FROM_TRACE)
    return ["", *notes] if notes else []


def _acceptance(requirement: Requirement) -> str:
    """What is not a single value compared with its limit; "" where it is that."""
    policy, zones = requirement.policy, requirement.settings.leave_out_mm
    words = []
    if policy.positions:
        words.append(f"at each of {', '.join(policy.positions)}")
    if policy.max_traces > 1:
        words.append(f"{_traces(requirement)} of each place")
    if policy.decision_rule is not DecisionRule.SIMPLE:
        words.append(f"decided by {policy.decision_rule.value} with a guard band of {number(policy.guard_factor)} u")
    if zones:
        words.append("without " + ", ".join(f"{number(start)} to {number(end)} mm" for start, end in zones))
    return f"  {requirement.characteristic}, {requirement.callout.text}: {'; '.join(words)}." if words else ""


def _traces(requirement: Requirement) -> str:
    least, most = requirement.policy.min_traces, requirement.policy.max_traces
    match requirement.rule:
        case Rule.T16:
            return f"1 to {most} traces"
        case Rule.TMED:
            return f"the median of {most} traces"
        case Rule.TMAX:
            return f"{least} trace{'s' if least > 1 else ''} at least"
