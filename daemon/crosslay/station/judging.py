"""What the recorder asks about the traces of a part: what each gives, whether it needs more, and the verdict. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from crosslay.errors import CrosslayError, TraceRefusedError
from crosslay.inspection.combine import combine
from crosslay.inspection.findings.subject import History
from crosslay.inspection.judge import (
    BudgetSource,
    Measured,
    Remaining,
    Requirement,
    Verdict,
    decide,
    measure,
    remaining,
)
from crosslay.inspection.laboratory import Lines, as_laboratory
from crosslay.station.assembly import Group, Slot, Taken
from crosslay.station.past_values import PastValues
from crosslay.station.precheck import flagged
from crosslay.station.supervisor import Failure, attempt
from crosslay.texture.trace import Finding, Severity, Trace

#: What a trace with these facts is for.
SlotsOf = Callable[[Mapping[str, str]], Sequence[Slot]]


class PartJudge:
    """Judges parts by the requirements of a plan.

    Parameters
    ----------
    requirements
        Of the plan, in its order.
    budgets
        Where the uncertainty of a value comes from that the plan does not give itself; None: it is not known.
    """

    def __init__(self, requirements: tuple[Requirement, ...], budgets: BudgetSource | None = None) -> None:
        self._requirements = requirements
        self._budgets = budgets
        self._past = PastValues()

    def measure(self, trace: Trace, slots: Sequence[Slot], lines: Lines) -> Measured:
        """Read a trace under the call-outs of its slots; what is wrong with it becomes a finding, never an error.

        `lines` are the accepted correlations that hold for its part.
        """
        requirements = self._of(slots)
        history = self._past.history(requirements[0].characteristic)
        outcome = attempt(partial(_measure, trace, requirements, self._budgets, history))
        measured = _broken(outcome, requirements) if isinstance(outcome, Failure) else outcome.value
        self._past.add(requirements, measured)  # as the gauge read it: what is usual is no matter of the laboratory
        measured = as_laboratory(measured, lines)
        # The profiles are several times as large as the trace, and a part may wait for a dozen of them.
        measured = replace(measured, evaluations={})
        return replace(measured, findings=(*measured.findings, *flagged(trace)))

    def restored(self, state_dir: Path, last: int, slots_of: SlotsOf) -> Iterator[None]:
        """Learn from the stored traces up to a result what parts usually give, one result for each step."""

        def read(trace: Trace) -> tuple[tuple[Requirement, ...], Measured]:
            try:
                requirements = self._of(slots_of(trace.facts))
            except TraceRefusedError:  # of an earlier station file
                return (), Measured()
            outcome = attempt(partial(_measure, trace, requirements, None, None))
            return requirements, Measured() if isinstance(outcome, Failure) else outcome.value

        return self._past.restored(state_dir, last, read)

    def remaining(self, slot: Slot, taken: Sequence[Taken]) -> Remaining | None:
        """How many more traces a slot needs that has these; None for none."""
        return remaining(self._of([slot]), [each.measured for each in taken])

    def verdict(self, group: Group, slots: Sequence[Slot]) -> Verdict:
        """Decide a part: slots that the same traces answer for are judged together, then the worst decides."""
        together: dict[tuple[tuple[int, ...], str], list[Slot]] = {}
        for slot in slots:
            traces = tuple(place for place, each in enumerate(group.taken) if slot in each.slots)
            if traces:
                together.setdefault((traces, slot.position), []).append(slot)
        verdicts = tuple(
            decide(self._of(shared), [group.taken[place].measured for place in traces], position=position)
            for (traces, position), shared in together.items()
        )
        return combine(verdicts, group.missing)

    def _of(self, slots: Sequence[Slot]) -> tuple[Requirement, ...]:
        names = {slot.characteristic for slot in slots}
        return tuple(each for each in self._requirements if each.characteristic in names)


def _measure(
    trace: Trace, requirements: tuple[Requirement, ...], budgets: BudgetSource | None, history: History | None
) -> Measured:
    try:
        return measure(trace, requirements, budgets=budgets, history=history)
    except CrosslayError as error:
        text = f"{error}. Measure the part again."
        return Measured(findings=(Finding(id="trace-unusable", severity=Severity.INVALID, text=text),))


def _broken(failure: Failure, requirements: tuple[Requirement, ...]) -> Measured:
    """A defect of this program is no reason to lose a part: it is stored, raw trace and all, as invalid."""
    finding = Finding(
        id="evaluation-failed",
        severity=Severity.INVALID,
        evidence={"callouts": float(len(requirements))},
        text=f"the evaluation failed unexpectedly ({failure.text}). The raw trace is stored; report it with this text.",
    )
    return Measured(findings=(finding,))
