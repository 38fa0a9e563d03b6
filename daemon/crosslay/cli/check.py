"""``crosslay check STATION.toml``: whether the station file is right, and what it amounts to."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from crosslay.bus.topics import LEAVES, Topics
from crosslay.cli.output import emit, emit_json, number, quantity, shown_path, table
from crosslay.inspection.callout import Side
from crosslay.inspection.judge import Requirement, rule_for
from crosslay.inspection.lengths import Lengths, lengths_of
from crosslay.plan.load import StationPlan, load_plan

_ACKNOWLEDGE = {
    "confirmed": "a result counts as delivered once the MES has confirmed that it stored it; nothing can be lost",
    "broker": "a result counts as delivered once the broker has it; what the broker then loses is lost",
}
_NO_LIGHT = "no [[indicator]], so no reject light is driven: every level only goes to the log"
_NO_CHECK = ("no reference specimen is registered, so nothing proves that the gauge reads right; parts are judged all "
             "the same, and the state topic says so")

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
    return {leaf.name: topics[leaf.path] + (f"/{{{leaf.parameter}}}" if leaf.parameter else "") for leaf in LEAVES}


def _document(plan: StationPlan) -> dict[str, Any]:
    indicators = [choice.name for choice in plan.indicators]
    return {
        "file": shown_path(plan.path), "name": plan.name, "source": plan.source, "stateDir": str(plan.state_dir),
        "planId": plan.plan_id, "planHash": plan.plan_hash, "gauge": plan.gauge_name,
        "simulated": bool(plan.gauge_class.simulated), "topics": _topics(plan), "acknowledge": plan.bus.acknowledge,
        "protocol": plan.bus.protocol, "indicator": indicators or "none", "referenceCheck": "none",
        "characteristics": [_characteristic(each) for each in plan.requirements], "plan": plan.document(),
    }


def _characteristic(requirement: Requirement) -> dict[str, Any]:
    callout, settings = requirement.callout, requirement.settings
    lengths = lengths_of(settings)
    side = "upperLimit" if callout.side is Side.UPPER else "lowerLimit"
    return {
        "name": requirement.characteristic, "callout": callout.text, "parameter": callout.parameter,
        side: callout.limit, "unit": callout.unit, "rule": rule_for(callout, settings.standard).value,
        "standard": settings.standard.value, "filter": settings.filter.value, "form": settings.form,
        "settingClass": lengths.setting_class, "cutoff_mm": lengths.cutoff_mm,
        "short_cutoff_um": lengths.short_cutoff_um, "waviness_cutoff_mm": settings.waviness_cutoff_mm,
        "sections": lengths.sections, "section_length_mm": lengths.section_length_mm,
        "evaluation_length_mm": lengths.evaluation_length_mm, "travel_mm": lengths.travel_mm,
        "tip_radius_um": lengths.tip_radius_um, "max_spacing_um": lengths.max_spacing_um,
        "skip_start_mm": settings.skip_start_mm, "skip_end_mm": settings.skip_end_mm,
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
        ("reference check", f"none: {_NO_CHECK}"),
        *((f"topic, {name}", topic) for name, topic in _topics(plan).items()),
    ]
    count = len(plan.requirements)
    places = len(plan.characteristics)
    head = (f"{shown_path(plan.path)}: right; {count} call-out{'s' if count > 1 else ''} in {places} "
            f"characteristic{'s' if places > 1 else ''}")
    return [head, "", *table(facts), "", *_callout_table(plan), *_notes(plan), "", _CAUTION]


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
    lengths = lengths_of(settings)
    sign = "≤" if callout.side is Side.UPPER else "≥"
    return (
        requirement.characteristic, callout.text, f"{sign} {quantity(callout.limit, callout.unit, 6)}",
        rule_for(callout, settings.standard).value, lengths.setting_class or "–", _known(lengths.cutoff_mm, lengths),
        "none" if settings.short_cutoff_um is None else _known(lengths.short_cutoff_um, lengths),
        str(lengths.sections), _known(lengths.evaluation_length_mm, lengths), _known(lengths.travel_mm, lengths),
        settings.filter.value, f"≤ {_known(lengths.tip_radius_um, lengths)}",
        f"≤ {_known(lengths.max_spacing_um, lengths)}",
    )


def _known(value: float | None, lengths: Lengths) -> str:
    if value is not None:
        return number(value)
    return "trace" if lengths.cutoff_mm is None else "none"


def _notes(plan: StationPlan) -> list[str]:
    if all(each.settings.cutoff_mm is not None for each in plan.requirements):
        return []
    return ["", '  "trace": the limit implies no class, so each trace decides for itself; give cutoff_mm to fix it.']
