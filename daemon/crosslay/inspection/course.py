"""One call-out over all traces of a place: value by value to its decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from crosslay.inspection import acceptance
from crosslay.inspection.acceptance import DecisionRule, Standing, Step, Uncertainty, Zone
from crosslay.inspection.uncertainty import NoBudget
from crosslay.inspection.verdicts import (
    Decision,
    Judged,
    Measured,
    Reading,
    Requirement,
    ValueBudget,
    own_limits,
    parameter_key,
)
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.trace import Finding


class Course:
    """One requirement over all traces of a place; see `crosslay.inspection.judge.decide` for the arguments."""

    def __init__(self, requirement: Requirement, taken: Sequence[Measured]) -> None:
        self.requirement = requirement
        self.readings = [each.readings.get(requirement, Reading()) for each in taken]
        callout = requirement.callout
        sequence = acceptance.Sequence(requirement.rule, callout.side, callout.limit, requirement.policy)
        for reading in self.readings:
            value, uncertainty = reading.value, reading.uncertainty
            if value is None or self._lacks(uncertainty):
                sequence.feed(None)
            else:
                sequence.feed(value, guard=self._guard(uncertainty), zone=self._zone(value, uncertainty))
        self.standing: Standing = sequence.standing

    @property
    def reason(self) -> str:
        """Why a value does not count: the first that is undefined, else that its uncertainty is not known."""
        undefined = next((each.reason for each in self.readings if each.value is None), "")
        if undefined or not any(self._lacks(each.uncertainty) for each in self.readings):
            return undefined
        why = next((f" ({each.unknown})" for each in self.readings if each.unknown), "")
        return (f"no uncertainty is known for {self.requirement.callout.parameter}{why}, and "
                f"{DecisionRule.ISO_14253_1.value} decides by it")

    @property
    def _guarded(self) -> bool:
        return self.requirement.policy.decision_rule is DecisionRule.ISO_14253_1

    def _lacks(self, uncertainty: Uncertainty | None) -> bool:
        """Never a silent simple rule: without an uncertainty there is no guard band to decide by."""
        return self._guarded and uncertainty is None

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


def judged(requirement: Requirement, taken: Sequence[Measured], blocking: Finding | None) -> Judged:
    """Decide one call-out; a finding that blocks one of the traces makes it invalid."""
    course = Course(requirement, taken)
    standing, callout = course.standing, requirement.callout
    reading = course.readings[standing.place if standing.place is not None else 0]
    decision, reason = _DECISIONS[standing.step], _reason(course, reading)
    if blocking is not None:
        decision, reason = Decision.INVALID, blocking.text
    probability = None
    if reading.value is not None and reading.uncertainty is not None:
        limits = requirement.limits or own_limits(callout)
        probability = acceptance.probability_of_conformance(reading.value, reading.uncertainty.standard, limits)
    return Judged(
        characteristic=requirement.characteristic, callout=callout, value=reading.value, unit=callout.unit,
        decision=decision, rule=requirement.rule, reason=reason, settings=reading.settings, policy=requirement.policy,
        values=tuple(each.value for each in course.readings), uncertainty=reading.uncertainty, probability=probability,
        budget=reading.budget, raw_value=reading.raw_value, raw_uncertainty=reading.raw_uncertainty,
        raw_values=tuple(each.raw_value for each in course.readings), correlation=reading.correlation,
    )


def _reason(course: Course, reading: Reading) -> str:
    """Why there is no pass and no fail."""
    standing = course.standing
    if standing.step is Step.MORE:
        least, most = standing.taken + standing.at_least, standing.taken + standing.at_most
        wanted = f"{most}" if least == most else f"{least} to {most}"
        return f"{standing.taken} of {wanted} traces that {course.requirement.rule.value} needs were measured"
    if standing.step is Step.UNDECIDED and reading.uncertainty is not None:
        guard = course.requirement.policy.guard_factor * reading.uncertainty.standard
        unit = {"um": "µm"}.get(course.requirement.callout.unit, course.requirement.callout.unit)
        return f"within the guard band of {guard:.3g} {unit}, neither conformity nor nonconformity is proven"
    return course.reason


def read(requirement: Requirement, evaluation: Evaluation | None, source: ValueBudget | None) -> Reading:
    """What an evaluation gives for a requirement, with the uncertainty that is given for it or that `source` knows."""
    if evaluation is None:
        return Reading()
    callout = requirement.callout
    key = parameter_key(callout.parameter, evaluation.parameters)
    if key is None:
        reason = f"{evaluation.settings.standard.value} has no {callout.parameter}"
        return Reading(reason=reason, settings=evaluation.settings)
    value = evaluation.parameters[key]
    if value is None:
        reason = evaluation.undefined.get(key, "the trace does not define it")
        return Reading(reason=reason, settings=evaluation.settings)
    plain = Reading(value=value, reason="", settings=evaluation.settings,
                    uncertainty=requirement.policy.given_uncertainty())
    if plain.uncertainty is not None or source is None:
        return plain
    found = source(requirement, value, evaluation)
    if isinstance(found, NoBudget):
        return replace(plain, unknown=found.reason)
    known = Uncertainty(standard=found.standard, expanded=found.expanded, coverage_factor=found.coverage_factor)
    return replace(plain, uncertainty=known, budget=found)
