"""From ``[[characteristic]]`` sections to requirements with their settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from crosslay.errors import CalloutError, SettingsError
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.judge import Requirement
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
            requirements += requirements_for(section.name, callouts, _wanted(section))
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


def _wanted(section: CharacteristicSection) -> Wanted:
    return Wanted(
        standard=section.standard, filter=section.filter, cutoff_mm=section.cutoff_mm,
        short_cutoff_um=section.short_cutoff_um, sections=section.sections, form=section.form,
        skip_start_mm=section.skip_start_mm, skip_end_mm=section.skip_end_mm,
    )
