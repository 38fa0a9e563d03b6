"""One call-out over all traces of a place: value by value to its decision."""

from __future__ import annotations

from collections.abc import Sequence

from crosslay.inspection import acceptance
from crosslay.inspection.acceptance import DecisionRule, Standing, Step, Uncertainty, Zone
from crosslay.inspection.callout import Callout
from crosslay.inspection.verdicts import (
    Decision,
    Judged,
    Measured,
    Requirement,
    UncertaintySource,
    own_limits,
    parameter_key,
)
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.trace import Finding


class Course:
    """One requirement over all traces of a place; see `crosslay.inspection.judge.decide` for the arguments."""

    def __init__(
        self, requirement: Requirement, taken: Sequence[Measured], source: UncertaintySource | None
    ) -> None:
        self.requirement = requirement
        self.values: list[float | None] = []
        self.uncertainties: list[Uncertainty | None] = []
        self.reason = ""
        callout = requirement.callout
        sequence = acceptance.Sequence(requirement.rule, callout.side, callout.limit, requirement.policy)
        for measured in taken:
            value, uncertainty = self._value(measured, source)
            if value is None or self._lacks(uncertainty):
                sequence.feed(None)
            else:
                sequence.feed(value, guard=self._guard(uncertainty), zone=self._zone(value, uncertainty))
        self.standing: Standing = sequence.standing

    def _value(self, measured: Measured, source: UncertaintySource | None) -> tuple[float | None, Uncertainty | None]:
        evaluation = measured.evaluations.get(self.requirement.settings)
        value, reason = _value(self.requirement.callout, evaluation)
        uncertainty = self.requirement.policy.given_uncertainty()
        if uncertainty is None and value is not None and evaluation is not None and source is not None:
            uncertainty = source(self.requirement, value, evaluation)
        self.reason = self.reason or reason
        self.values.append(value)
        self.uncertainties.append(uncertainty)
        return value, uncertainty

    @property
    def _guarded(self) -> bool:
        return self.requirement.policy.decision_rule is DecisionRule.ISO_14253_1

    def _lacks(self, uncertainty: Uncertainty | None) -> bool:
        """Never a silent simple rule: without an uncertainty there is no guard band to decide by."""
        if not self._guarded or uncertainty is not None:
            return False
        self.reason = self.reason or (f"no uncertainty is known for {self.requirement.callout.parameter}, and "
                                      f"{DecisionRule.ISO_14253_1.value} decides by it")
        return True

    def _guard(self, uncertainty: Uncertainty | None) -> float:
        if not self._guarded or uncertainty is None:
            return 0.0
        return self.requirement.policy.guard_factor * uncertainty.standard

    def _zone(self, value: float, uncertainty: Uncertainty | None) -> Zone:
        """Zone at the call-out's own limit; between two limits also by the probability."""
        guard = self._guard(uncertainty)
        own = own_limits(self.requirement.callout)
        both = self.requirement.limits or own
        if uncertainty is not None and guard > 0.0 and acceptance.zone(value, both, guard=guard) is Zone.CONFORM:
            return acceptance.guarded_zone(value, both, uncertainty, self.requirement.policy.guard_factor)
        return acceptance.zone(value, own, guard=guard)


_DECISIONS = {Step.ACCEPT: Decision.PASS, Step.REJECT: Decision.FAIL, Step.UNDECIDED: Decision.UNDECIDED,
              Step.INVALID: Decision.INVALID, Step.MORE: Decision.INVALID}


def judged(
    requirement: Requirement, taken: Sequence[Measured], source: UncertaintySource | None, blocking: Finding | None
) -> Judged:
    """Decide one call-out; a finding that blocks one of the traces makes it invalid."""
    course = Course(requirement, taken, source)
    standing, callout = course.standing, requirement.callout
    place = standing.place if standing.place is not None else 0
    value, uncertainty = course.values[place], course.uncertainties[place]
    decision, reason = _DECISIONS[standing.step], _reason(course, value, uncertainty)
    if blocking is not None:
        decision, reason = Decision.INVALID, blocking.text
    probability = None
    if value is not None and uncertainty is not None:
        limits = requirement.limits or own_limits(callout)
        probability = acceptance.probability_of_conformance(value, uncertainty.standard, limits)
    evaluation = taken[place].evaluations.get(requirement.settings)
    return Judged(
        characteristic=requirement.characteristic, callout=callout, value=value, unit=callout.unit, decision=decision,
        rule=requirement.rule, reason=reason, settings=None if evaluation is None else evaluation.settings,
        policy=requirement.policy, values=tuple(course.values), uncertainty=uncertainty, probability=probability,
    )


def _reason(course: Course, value: float | None, uncertainty: Uncertainty | None) -> str:
    """Why there is no pass and no fail."""
    standing = course.standing
    if standing.step is Step.MORE:
        least, most = standing.taken + standing.at_least, standing.taken + standing.at_most
        wanted = f"{most}" if least == most else f"{least} to {most}"
        return f"{standing.taken} of {wanted} traces that {course.requirement.rule.value} needs were measured"
    if standing.step is Step.UNDECIDED and value is not None and uncertainty is not None:
        guard = course.requirement.policy.guard_factor * uncertainty.standard
        unit = course.requirement.callout.unit
        return f"within the guard band of {guard:.3g} {unit}, neither conformity nor nonconformity is proven"
    return course.reason


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
