"""``crosslay evaluate --same-part``: several traces of one part, judged together by the rule in force."""

from __future__ import annotations

import argparse
import os
from dataclasses import replace
from pathlib import Path

from crosslay.cli.evaluate_text import finding_lines, headline, judged_table
from crosslay.cli.evaluate_wire import characteristic, finding_fields
from crosslay.cli.judged_text import judged_lines
from crosslay.cli.offline import EXIT_CODES, Task
from crosslay.cli.output import emit, emit_json, shown_path, wrapped
from crosslay.cli.traces import read_trace
from crosslay.cli.units import HeightUnit, verdict_in_unit
from crosslay.errors import SettingsError, TraceError, UsageError
from crosslay.inspection.acceptance import MOST_VALUES, T16_STAGES
from crosslay.inspection.callout import Rule
from crosslay.inspection.judge import Measured, Requirement, decide, measure
from crosslay.inspection.value_budgets import KnownGauge


def gauge_of(station: Path) -> KnownGauge:
    """What a station file says of its gauge.

    Raises
    ------
    UsageError
        It says nothing.
    """
    from crosslay.plan.load import load_plan  # a trace alone needs no station file

    known = load_plan(station, os.environ).known_gauge
    if known is None:
        raise UsageError(f"{shown_path(station)}: has no [uncertainty], so there is nothing to make a budget of")
    return known


def judge_same_part(arguments: argparse.Namespace, task: Task) -> int:
    """Read and judge; one object or one table for all traces. The exit code is that of the verdict.

    Raises
    ------
    UsageError
        There is no call-out, or something that belongs to a single trace was asked for.
    """
    if not task.requirements:
        raise UsageError("--same-part judges several traces together, so it needs --callout")
    if arguments.profile_out is not None or task.smaller_tip_um is not None:
        raise UsageError("--profile-out and --smaller-tip belong to a single trace; leave them out with --same-part")
    requirements = _for_all(task.requirements, len(arguments.traces))
    task = replace(task, requirements=requirements)
    taken = [_measured(path, task) for path in arguments.traces]
    verdict = decide(requirements, taken)
    files = [shown_path(path) for path in arguments.traces]
    judged = verdict_in_unit(verdict, HeightUnit(arguments.unit)).judged
    if arguments.json:
        emit_json({
            "files": files, "verdict": verdict.decision.value, "details": verdict.text,
            "characteristics": [characteristic(each, None) for each in judged],
            "findings": [finding_fields(each) for each in verdict.findings],
        })  # fmt: skip
    else:
        head = wrapped(f"{len(files)} traces of one part: ", headline(verdict, verdict.findings), indent="  ")
        lines = [*judged_table(judged, None), *judged_lines(judged), *finding_lines(verdict.findings)]
        emit("\n".join([*head, "", *lines]))
    return EXIT_CODES[verdict.decision]


def _for_all(requirements: tuple[Requirement, ...], count: int) -> tuple[Requirement, ...]:
    """Requirements that take as many values as there are: T16% up to its last stage, Tmed the median of all.

    Raises
    ------
    UsageError
        The rule cannot work with so many.
    """
    if count > MOST_VALUES:
        raise UsageError(f"{count} traces were named; --same-part takes {MOST_VALUES} at most")
    if count % 2 == 0 and any(each.rule is Rule.TMED for each in requirements):
        raise UsageError(f"{count} traces were named; the median rule needs an odd number, whose median is one of them")
    most = {Rule.T16: T16_STAGES[-1][0], Rule.TMED: count, Rule.TMAX: count}
    return tuple(replace(each, policy=replace(each.policy, max_traces=most[each.rule])) for each in requirements)


def _measured(path: Path, task: Task) -> Measured:
    trace = read_trace(path, spacing_um=task.spacing_um)
    try:
        found = measure(trace, task.requirements, budgets=task.budgets)
    except (TraceError, SettingsError) as error:
        raise type(error)(f"{shown_path(path)}: {error}") from error
    misfit = next((each for each in found.findings if each.id == "settings-do-not-fit"), None)
    if misfit is not None:
        raise SettingsError(f"{shown_path(path)}: {misfit.text}")
    return found
