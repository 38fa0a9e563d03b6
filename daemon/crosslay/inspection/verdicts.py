"""What goes into a verdict and what comes out of it."""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from crosslay.inspection import acceptance
from crosslay.inspection.acceptance import DEFAULT_POLICY, Limits, Policy, Uncertainty, Zone
from crosslay.inspection.callout import Callout, Rule, Side
from crosslay.inspection.correlation import AcceptedLine
from crosslay.inspection.symbols import OTHER_SPELLING
from crosslay.inspection.uncertainty import Budget, NoBudget
from crosslay.texture.evaluation import Evaluation, UsedSettings
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
    """One call-out of one characteristic, with the settings that it is evaluated and the policy it is accepted under.

    ``limits`` are those of the property as a whole: the call-out's own, and the opposite one where the same
    characteristic has it; None: the call-out's own alone. ``feed_mm`` is the spacing of the marks that a trace must
    show, mm; None: not known, or there are none.
    """

    characteristic: str
    callout: Callout
    settings: Settings
    policy: Policy = DEFAULT_POLICY
    limits: Limits | None = None
    feed_mm: float | None = None

    @property
    def rule(self) -> Rule:
        """Acceptance rule in force."""
        return rule_for(self.callout, self.settings.standard)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One call-out at one position, decided.

    Attributes
    ----------
    value
        The value that decides, unrounded: of several the one that keeps the limit exactly where they are accepted
        (Tmax the worst, Tmed the median, T16% the worst but those that may exceed). None where undefined; then `reason`
        says why. Where a finding makes the whole trace invalid, `decision` is invalid, `reason` is the finding's text
        and `value` is still what was computed, for the eye only.
    values
        All values in the order of their traces.
    uncertainty, probability, budget
        Of `value`: its uncertainty, the probability of conformance (JCGM 106), and the budget where the uncertainty
        was computed; None where not known.
    raw_value, raw_uncertainty, raw_values, correlation
        What the gauge itself read, where a correlation made `value` and `values` of it; see `Reading`.
    """

    characteristic: str
    callout: Callout
    rule: Rule
    value: float | None
    unit: str
    decision: Decision
    reason: str = ""
    settings: UsedSettings | None = None
    policy: Policy = DEFAULT_POLICY
    position: str = ""
    values: tuple[float | None, ...] = ()
    uncertainty: Uncertainty | None = None
    probability: float | None = None
    budget: Budget | None = None
    raw_value: float | None = None
    raw_uncertainty: float | None = None
    raw_values: tuple[float | None, ...] = ()
    correlation: AcceptedLine | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The whole part, decided. ``text`` is one sentence for a person; ``evaluations`` are those of the first trace."""

    decision: Decision
    text: str
    judged: tuple[Judged, ...]
    findings: tuple[Finding, ...] = ()
    evaluations: dict[Settings, Evaluation] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one trace gives for one call-out.

    Attributes
    ----------
    value, reason
        None where undefined; then why.
    uncertainty, budget, unknown
        Of the value; its budget where there is one; and else why the uncertainty is not known, "" where nobody asked.
    raw_value, raw_uncertainty, correlation
        What the gauge itself read and its standard uncertainty, and the line that made `value` of it; None where no
        correlation was accepted.
    """

    value: float | None = None
    reason: str = "the trace could not be evaluated"
    uncertainty: Uncertainty | None = None
    budget: Budget | None = None
    unknown: str = ""
    settings: UsedSettings | None = None
    raw_value: float | None = None
    raw_uncertainty: float | None = None
    correlation: AcceptedLine | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One trace read under the settings of its requirements, and what was noticed about it; not judged yet.

    ``evaluations`` may be dropped once the readings are there: with their profiles they are large.
    """

    readings: dict[Requirement, Reading] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    evaluations: dict[Settings, Evaluation] = field(default_factory=dict)

    @property
    def blocking(self) -> Finding | None:
        """The finding that makes the trace invalid."""
        return next((each for each in self.findings if each.severity is Severity.INVALID), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """How many traces of one place were taken, and how many more its call-outs need."""

    taken: int
    at_least: int
    at_most: int


#: Gives the uncertainty budget of a value of a requirement, or why there is none.
ValueBudget = Callable[[Requirement, float, Evaluation], Budget | NoBudget]
#: Gives that for the values of a trace.
BudgetSource = Callable[[Trace], ValueBudget]


def with_opposites(requirements: Sequence[Requirement]) -> tuple[Requirement, ...]:
    """Requirements of one characteristic, where an upper and a lower limit of one parameter know of each other."""
    return tuple(replace(each, limits=_limits(each, requirements)) for each in requirements)


def _limits(requirement: Requirement, all_of_them: Sequence[Requirement]) -> Limits:
    found = {requirement.callout.side: requirement.callout.limit}
    for other in all_of_them:
        same = (other.callout.parameter, other.settings) == (requirement.callout.parameter, requirement.settings)
        if same and other.callout.side not in found:
            found[other.callout.side] = other.callout.limit
    return Limits(lower=found.get(Side.LOWER), upper=found.get(Side.UPPER))


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
    return acceptance.zone(value, own_limits(callout)) is Zone.CONFORM


def own_limits(callout: Callout) -> Limits:
    """The one limit that a call-out sets."""
    upper = callout.side is Side.UPPER
    return Limits(upper=callout.limit if upper else None, lower=None if upper else callout.limit)
