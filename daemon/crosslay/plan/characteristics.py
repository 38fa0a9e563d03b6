"""From ``[[characteristic]]`` sections to requirements with their settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from crosslay.errors import CalloutError, SettingsError
from crosslay.inspection.acceptance import Policy, require_countable
from crosslay.inspection.callout import Callout, parse_callouts
from crosslay.inspection.judge import Requirement, with_opposites
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.plan.models import CharacteristicSection
from crosslay.plan.problems import Problem, dotted, shown


def requirements_of(sections: Sequence[CharacteristicSection], problems: list[Problem]) -> list[Requirement]:
    """Requirements of all characteristics whose call-outs were read before; appends to `problems`."""
    requirements: list[Requirement] = []
    first_place: dict[str, int] = {}
    for place, section in enumerate(sections):
        path: tuple[str | int, ...] = ("characteristic", place)
        if section.name in first_place:
            problems.append(Problem(dotted((*path, "name")), f"{shown(section.name)} is not allowed; names are unique, "
                                    f"and characteristic[{first_place[section.name]}] has it"))
        first_place.setdefault(section.name, place)
        try:
            callouts = [callout for text in section.callout for callout in parse_callouts(text)]
        except CalloutError:
            continue  # said by `callout_problems`
        try:
            found = with_opposites(requirements_for(section.name, callouts, _wanted(section)))
            requirements += (
                replace(each, policy=_policy(each, section, callouts), feed_mm=section.feed_mm) for each in found
            )
        except (CalloutError, SettingsError) as error:
            problems.append(Problem(dotted(path), str(error)))
    return requirements


def callout_problems(given: Mapping[str, Any]) -> list[Problem]:
    """What is wrong with the call-outs of a file as it was read, whatever else is wrong with it."""
    problems: list[Problem] = []
    tables = given.get("characteristic")
    for place, table in enumerate(tables if isinstance(tables, list) else []):
        written = table.get("callout") if isinstance(table, Mapping) else None
        path = ("characteristic", place, "callout")
        texts = {(): written} if isinstance(written, str) else dict(_numbered(written))
        for at, text in texts.items():
            problem = _callout_problem(text)
            if problem:
                problems.append(Problem(dotted((*path, *at)), problem))
    return problems


def _numbered(written: Any) -> list[tuple[tuple[int, ...], str]]:
    items = written if isinstance(written, list) else []
    return [((at,), text) for at, text in enumerate(items) if isinstance(text, str)]


def _callout_problem(text: str) -> str:
    try:
        parse_callouts(text)
    except CalloutError as error:
        return f"{shown(text)} is not a call-out: {error}"
    return ""


def _policy(requirement: Requirement, section: CharacteristicSection, callouts: Sequence[Callout]) -> Policy:
    """How the values of a call-out are accepted.

    Raises
    ------
    SettingsError
        Numbers of traces that its rule cannot work with, or an uncertainty that belongs to no call-out or to several.
    """
    given, parameters = section.expanded_uncertainty, {each.parameter for each in callouts}
    if isinstance(given, dict):
        strangers = sorted(given.keys() - parameters)
        if strangers:
            raise SettingsError(f"expanded_uncertainty names {strangers[0]}, and no call-out here has it; they have "
                                f"{', '.join(sorted(parameters))}")
    elif given is not None and len(parameters) > 1:
        raise SettingsError(f"expanded_uncertainty is one number for {', '.join(sorted(parameters))}; give a table, "
                            "such as { Ra = 0.02, Rz = 0.15 }")
    policy = Policy(
        min_traces=section.min_traces, max_traces=section.max_traces, positions=section.positions,
        decision_rule=section.decision_rule, guard_factor=section.guard_factor, coverage_factor=section.coverage_factor,
        expanded_uncertainty=given.get(requirement.callout.parameter) if isinstance(given, dict) else given,
    )
    try:
        require_countable(requirement.rule, policy)
    except SettingsError as error:
        raise SettingsError(f'call-out "{requirement.callout.text}" under {requirement.rule.value}: {error}') from error
    return policy


def _wanted(section: CharacteristicSection) -> Wanted:
    return Wanted(
        standard=section.standard, filter=section.filter, cutoff_mm=section.cutoff_mm,
        short_cutoff_um=section.short_cutoff_um, sections=section.sections, form=section.form,
        skip_start_mm=section.skip_start_mm, skip_end_mm=section.skip_end_mm, leave_out_mm=section.leave_out_mm,
    )
