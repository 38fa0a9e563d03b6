"""Evaluation of trace files without a station: one file in, its evaluation and verdict out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from crosslay.cli.output import shown_path
from crosslay.cli.traces import read_trace
from crosslay.errors import CalloutError, SettingsError, TraceError
from crosslay.inspection.callout import Callout, parse_callouts
from crosslay.inspection.gauge_fit import gauge_fit, without_skidded
from crosslay.inspection.judge import BudgetSource, Decision, Requirement, Verdict, inspect
from crosslay.inspection.plausibility import implausible
from crosslay.inspection.value_budgets import KnownGauge, budgets_of
from crosslay.texture.evaluation import Evaluation, evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.tip_values import SmallerTipValues, smaller_tip_values
from crosslay.texture.trace import Finding, Trace

#: Exit code by verdict.
EXIT_CODES = {Decision.PASS: 0, Decision.FAIL: 1, Decision.INVALID: 3, Decision.UNDECIDED: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one trace: its evaluation, and the verdict where a call-out asked for one."""

    file: str
    trace: Trace
    evaluation: Evaluation | None
    verdict: Verdict | None
    findings: tuple[Finding, ...]
    smaller_tip: SmallerTipValues | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is asked of every trace."""

    settings: Settings
    requirements: tuple[Requirement, ...]
    spacing_um: float | None
    smaller_tip_um: float | None = None
    known_gauge: KnownGauge | None = None

    @property
    def budgets(self) -> BudgetSource | None:
        """Uncertainty budgets, where something is known of the gauge."""
        return None if self.known_gauge is None else budgets_of(self.known_gauge)


def evaluate_file(path: Path, task: Task) -> Outcome:
    """Evaluate one file.

    Raises
    ------
    TraceError
        The file cannot be read or is no trace that can be evaluated.
    SettingsError
        The settings do not fit this trace.
    """
    name = shown_path(path)
    trace = read_trace(path, spacing_um=task.spacing_um)
    try:
        outcome = _judged(name, trace, task) if task.requirements else _evaluated(name, trace, task)
        return outcome if task.smaller_tip_um is None else _with_smaller_tip(outcome, task, task.smaller_tip_um)
    except (TraceError, SettingsError) as error:
        raise type(error)(f"{name}: {error}") from error
    except MemoryError as error:
        raise TraceError(f"{name}: does not fit into this computer's memory ({trace.points} points)") from error


def _evaluated(name: str, trace: Trace, task: Task) -> Outcome:
    evaluation = without_skidded(trace, evaluate(trace, task.settings))
    findings = (*evaluation.findings, *implausible(trace, (evaluation,)),
                *gauge_fit(trace, {task.settings: evaluation}))
    return Outcome(file=name, trace=trace, evaluation=evaluation, verdict=None, findings=findings)


def _judged(name: str, trace: Trace, task: Task) -> Outcome:
    verdict = inspect(trace, task.requirements, budgets=task.budgets)
    misfit = next((each for each in verdict.findings if each.id == "settings-do-not-fit"), None)
    if misfit is not None:  # on a command line somebody chose them just now: bad usage, not a bad part
        raise SettingsError(misfit.text)
    return Outcome(file=name, trace=trace, evaluation=verdict.evaluations.get(task.settings), verdict=verdict,
                   findings=verdict.findings)


def _with_smaller_tip(outcome: Outcome, task: Task, radius_um: float) -> Outcome:
    if outcome.evaluation is None:  # a finding says why
        return outcome
    found = smaller_tip_values(outcome.trace, outcome.evaluation, task.settings, smaller_radius_um=radius_um)
    return replace(outcome, smaller_tip=found, findings=(*outcome.findings, *found.findings))


def callouts_of(texts: list[str]) -> list[Callout]:
    """Every call-out of every text.

    Raises
    ------
    CalloutError
        With the text in front.
    """
    callouts: list[Callout] = []
    for text in texts:
        try:
            callouts += parse_callouts(text)
        except CalloutError as error:
            raise CalloutError(f'call-out "{text}": {error}') from error
    return callouts
