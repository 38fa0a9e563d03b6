"""From evaluations to a verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from crosslay.errors import SettingsError, TraceTooShortError
from crosslay.inspection.acceptance import Step
from crosslay.inspection.course import Course, judged, read
from crosslay.inspection.findings.subject import History
from crosslay.inspection.gauge_fit import gauge_fit, without_skidded
from crosslay.inspection.plausibility import implausible, settings_do_not_fit, too_short
from crosslay.inspection.verdicts import (
    BudgetSource,
    Decision,
    Judged,
    Measured,
    Reading,
    Remaining,
    Requirement,
    Verdict,
    conforms,
    own_limits,
    parameter_key,
    rule_for,
    with_opposites,
)
from crosslay.texture.evaluation import Evaluation, evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.stretch import left_out_ends
from crosslay.texture.trace import Finding, Severity, Trace

__all__ = [
    "BudgetSource",
    "Decision",
    "Judged",
    "Measured",
    "Reading",
    "Remaining",
    "Requirement",
    "Verdict",
    "conforms",
    "decide",
    "inspect",
    "measure",
    "own_limits",
    "parameter_key",
    "remaining",
    "rule_for",
    "with_opposites",
]


def inspect(
    trace: Trace, requirements: tuple[Requirement, ...], *, budgets: BudgetSource | None = None
) -> Verdict:
    """Evaluate a trace once per distinct settings, look for what makes it implausible, and decide.

    Parameters
    ----------
    trace
        One raw trace.
    requirements
        What the drawing asks for; at least one.
    budgets
        Where the uncertainty of a value comes from that its policy does not give; None: it is not known.

    Returns
    -------
    Verdict
        Invalid where a finding of severity invalid stands against the trace, whatever the values are; else fail where
        a value lies beyond its limit; else invalid where a value is undefined; else undecided where one is not proven;
        else pass.

    Raises
    ------
    TraceError
        The heights are no trace at all (not finite, positions that do not increase). A trace that is only too short
        is not refused: it is judged invalid.
    ValueError
        There is no requirement: nothing asked for is never a pass.

    References
    ----------
    ISO 21920-3:2021, clause 4; ISO 4288:1996, clause 5: unrounded values are compared, a value equal to its limit
    conforms (page *texture*, section 9).
    """
    return decide(requirements, (measure(trace, requirements, budgets=budgets),))


def measure(
    trace: Trace,
    requirements: tuple[Requirement, ...],
    *,
    budgets: BudgetSource | None = None,
    history: History | None = None,
) -> Measured:
    """Evaluate a trace and look for what makes it implausible; raises as `inspect` does.

    `history` holds earlier values of the same characteristic, for findings that compare with them.
    """
    if not requirements:
        raise ValueError("a verdict needs at least one requirement")
    evaluations: dict[Settings, Evaluation] = {}
    findings: list[Finding] = []
    for settings in dict.fromkeys(requirement.settings for requirement in requirements):
        try:
            evaluations[settings] = without_skidded(trace, evaluate(trace, settings))
        except TraceTooShortError as error:
            findings.append(too_short(trace, settings, str(error)))
        except SettingsError as error:
            findings.append(settings_do_not_fit(str(error)))
    for evaluation in evaluations.values():
        findings += evaluation.findings
    findings += _implausible(_told(trace, requirements), requirements, evaluations, history)
    findings += gauge_fit(trace, evaluations)
    source = None if budgets is None else budgets(trace)
    readings = {each: read(each, evaluations.get(each.settings), source) for each in requirements}
    return Measured(readings=readings, findings=_distinct(findings), evaluations=evaluations)


def decide(requirements: tuple[Requirement, ...], taken: Sequence[Measured], *, position: str = "") -> Verdict:
    """Judge the traces of one place, in the order in which they were taken.

    Parameters
    ----------
    requirements
        What the drawing asks for at this place.
    taken
        At least one trace.
    position
        Name of the place, where it has one.
    """
    blocking = next((each.blocking for each in taken if each.blocking is not None), None)
    items = tuple(judged(each, taken, blocking) for each in requirements)
    decision, text = _whole(items, blocking)
    if position:
        text = f"at {position}: {text}"
        items = tuple(replace(each, position=position) for each in items)
    return Verdict(decision=decision, text=text, judged=items, findings=_of_all(taken, position),
                   evaluations=taken[0].evaluations)


def remaining(requirements: tuple[Requirement, ...], taken: Sequence[Measured]) -> Remaining | None:
    """How many more traces of one place are needed; None where its call-outs are decided or nothing can save them."""
    if any(each.blocking is not None for each in taken):
        return None
    standings = [Course(each, taken).standing for each in requirements]
    waiting = [each for each in standings if each.step is Step.MORE]
    if not waiting:
        return None
    return Remaining(taken=len(taken), at_least=max(each.at_least for each in waiting),
                     at_most=max(each.at_most for each in waiting))


def _distinct(findings: list[Finding]) -> tuple[Finding, ...]:
    """The first of each id, the invalid ones in front."""
    first: dict[str, Finding] = {}
    for finding in sorted(findings, key=lambda each: each.severity is not Severity.INVALID):
        first.setdefault(finding.id, finding)
    return tuple(first.values())


def _told(trace: Trace, requirements: tuple[Requirement, ...]) -> Trace:
    """The trace with the feed that its requirements name, which counts before what the gauge says."""
    feed_mm = next((each.feed_mm for each in requirements if each.feed_mm is not None), None)
    return trace if feed_mm is None else replace(trace, facts={**trace.facts, "feed_mm": repr(feed_mm)})


def _implausible(
    trace: Trace,
    requirements: tuple[Requirement, ...],
    evaluations: Mapping[Settings, Evaluation],
    history: History | None,
) -> list[Finding]:
    """What is noticed about a trace, each time within what is evaluated of it: a zone left out is no matter."""
    ends: dict[tuple[float, float], list[Evaluation]] = {}
    for settings in dict.fromkeys(each.settings for each in requirements):
        group = ends.setdefault(left_out_ends(trace, settings), [])
        if settings in evaluations:
            group.append(evaluations[settings])
    return [finding for (start_mm, end_mm), group in ends.items()
            for finding in implausible(
                trace, tuple(group), skip_start_mm=start_mm, skip_end_mm=end_mm, history=history
            )]


def _of_all(taken: Sequence[Measured], position: str) -> tuple[Finding, ...]:
    """Findings of all traces; of several traces each says which it is about."""
    found = []
    for number, measured in enumerate(taken, 1):
        where = ", ".join([*([f"position {position}"] if position else []),
                           *([f"trace {number} of {len(taken)}"] if len(taken) > 1 else [])])
        found += [replace(each, text=f"{where}: {each.text}") if where else each for each in measured.findings]
    return tuple(sorted(found, key=lambda each: each.severity is not Severity.INVALID))


def _whole(judged: tuple[Judged, ...], blocking: Finding | None) -> tuple[Decision, str]:
    if blocking is not None:
        return Decision.INVALID, blocking.text
    total = len(judged)
    failed = sum(each.decision is Decision.FAIL for each in judged)
    if failed:
        return Decision.FAIL, f"{failed} of {total} characteristic{'s' if total > 1 else ''} out of tolerance"
    invalid = next((each for each in judged if each.decision is Decision.INVALID), None)
    if invalid is not None:
        what = "has no value" if invalid.value is None else "cannot be judged"
        return Decision.INVALID, f"{invalid.callout.parameter} {what}: {invalid.reason}"
    undecided = [each for each in judged if each.decision is Decision.UNDECIDED]
    if undecided:
        text = f"{len(undecided)} of {total} characteristic{'s' if total > 1 else ''} cannot be decided"
        return Decision.UNDECIDED, f"{text}: {undecided[0].callout.text}, {undecided[0].reason}"
    if total == 1:
        return Decision.PASS, "the characteristic is within tolerance"
    return Decision.PASS, f"all {total} characteristics within tolerance"
