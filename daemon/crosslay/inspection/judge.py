"""From evaluations to a verdict."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from crosslay.errors import SettingsError, TraceTooShortError
from crosslay.inspection.callout import Callout, Rule, Side
from crosslay.inspection.plausibility import implausible, settings_do_not_fit, too_short
from crosslay.inspection.symbols import OTHER_SPELLING
from crosslay.texture.evaluation import Evaluation, UsedSettings, evaluate
from crosslay.texture.settings import Settings, Standard
from crosslay.texture.trace import Finding, Severity, Trace


class Decision(enum.Enum):
    """The four verdicts. Anything not judged is not a pass."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNDECIDED = "undecided"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One call-out of one characteristic, with the settings that it is evaluated under."""

    characteristic: str
    callout: Callout
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One call-out, decided. ``value`` is None where undefined; then ``reason`` says why.

    Where a finding makes the whole trace invalid, ``decision`` is invalid, ``reason`` is the finding's text and
    ``value`` is still what was computed, for the eye only.
    """

    characteristic: str
    callout: Callout
    rule: Rule
    value: float | None
    unit: str
    decision: Decision
    reason: str = ""
    settings: UsedSettings | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The whole part, decided. ``text`` is one sentence for a person."""

    decision: Decision
    text: str
    judged: tuple[Judged, ...]
    findings: tuple[Finding, ...] = ()
    evaluations: dict[Settings, Evaluation] = field(default_factory=dict)


def inspect(trace: Trace, requirements: tuple[Requirement, ...]) -> Verdict:
    """Evaluate a trace once per distinct settings, look for what makes it implausible, and decide.

    Parameters
    ----------
    trace
        One raw trace.
    requirements
        What the drawing asks for; at least one.

    Returns
    -------
    Verdict
        Invalid where a finding of severity invalid stands against the trace, whatever the values are; else fail where
        a value lies beyond its limit; else invalid where a value is undefined; else pass.

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
    conforms (page *texture*, section 9). One trace gives one value, so here the 16 % rule and the maximum rule compare
    alike.
    """
    if not requirements:
        raise ValueError("a verdict needs at least one requirement")
    evaluations: dict[Settings, Evaluation] = {}
    findings: list[Finding] = []
    for settings in dict.fromkeys(requirement.settings for requirement in requirements):
        try:
            evaluations[settings] = evaluate(trace, settings)
        except TraceTooShortError as error:
            findings.append(too_short(trace, settings, str(error)))
        except SettingsError as error:
            findings.append(settings_do_not_fit(str(error)))
    for evaluation in evaluations.values():
        findings += evaluation.findings
    findings += implausible(
        trace, tuple(evaluations.values()),
        skip_start_mm=min(each.settings.skip_start_mm for each in requirements),
        skip_end_mm=min(each.settings.skip_end_mm for each in requirements),
    )
    return _decide(requirements, evaluations, _distinct(findings))


def rule_for(callout: Callout, standard: Standard) -> Rule:
    """Acceptance rule in force: the call-out's own, else the edition's default.

    References
    ----------
    ISO 4288:1996, clause 5 (16 % rule unless ``max``); ISO 21920-3:2021, clause 4 (the maximum rule is the default);
    both from memory. The other standards go with the edition whose tables they share: JIS B 0633 with ISO 4288. ASME
    B46.1 names no such rule; Tmax, the stricter, is taken (design: texture, acceptance, is silent).
    """
    if callout.rule is not None:
        return callout.rule
    return Rule.T16 if standard in {Standard.ISO_4287, Standard.JIS_B_0601} else Rule.TMAX


def parameter_key(parameter: str, known: Mapping[str, object]) -> str | None:
    """Key of a call-out's parameter among those computed, in either edition's spelling; None if it is not there."""
    if parameter in known:
        return parameter
    other = OTHER_SPELLING.get(parameter)
    return other if other in known else None


def conforms(value: float, callout: Callout) -> bool:
    """Whether an unrounded value keeps the limit; equality does."""
    return value <= callout.limit if callout.side is Side.UPPER else value >= callout.limit


def _distinct(findings: list[Finding]) -> tuple[Finding, ...]:
    """The first of each id, the invalid ones in front."""
    first: dict[str, Finding] = {}
    for finding in sorted(findings, key=lambda each: each.severity is not Severity.INVALID):
        first.setdefault(finding.id, finding)
    return tuple(first.values())


def _decide(
    requirements: tuple[Requirement, ...], evaluations: dict[Settings, Evaluation], findings: tuple[Finding, ...]
) -> Verdict:
    blocking = next((finding for finding in findings if finding.severity is Severity.INVALID), None)
    judged = tuple(_judge(each, evaluations.get(each.settings), blocking) for each in requirements)
    decision, text = _whole(judged, blocking)
    return Verdict(decision=decision, text=text, judged=judged, findings=findings, evaluations=evaluations)


def _judge(requirement: Requirement, evaluation: Evaluation | None, blocking: Finding | None) -> Judged:
    callout = requirement.callout
    value, reason = _value(callout, evaluation)
    if blocking is not None:
        decision, reason = Decision.INVALID, blocking.text
    elif value is None:
        decision = Decision.INVALID
    else:
        decision = Decision.PASS if conforms(value, callout) else Decision.FAIL
    return Judged(
        characteristic=requirement.characteristic, callout=callout, value=value, unit=callout.unit, decision=decision,
        rule=rule_for(callout, requirement.settings.standard), reason=reason,
        settings=None if evaluation is None else evaluation.settings,
    )


def _value(callout: Callout, evaluation: Evaluation | None) -> tuple[float | None, str]:
    """The value that is compared, or None and why there is none."""
    if evaluation is None:
        return None, "the trace could not be evaluated"
    key = parameter_key(callout.parameter, evaluation.parameters)
    if key is None:
        return None, f"{evaluation.settings.standard.value} has no {callout.parameter}"
    value = evaluation.parameters[key]
    if value is None:
        return None, evaluation.undefined.get(key, "the trace does not define it")
    return value, ""


def _whole(judged: tuple[Judged, ...], blocking: Finding | None) -> tuple[Decision, str]:
    if blocking is not None:
        return Decision.INVALID, blocking.text
    total = len(judged)
    failed = sum(each.decision is Decision.FAIL for each in judged)
    if failed:
        return Decision.FAIL, f"{failed} of {total} characteristic{'s' if total > 1 else ''} out of tolerance"
    undefined = next((each for each in judged if each.decision is Decision.INVALID), None)
    if undefined is not None:
        return Decision.INVALID, f"{undefined.callout.parameter} has no value: {undefined.reason}"
    if total == 1:
        return Decision.PASS, "the characteristic is within tolerance"
    return Decision.PASS, f"all {total} characteristics within tolerance"
