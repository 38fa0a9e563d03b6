"""In-line readings as the laboratory would read them, by a line that a person accepted, with their uncertainty.

The laboratory value is ``y = (x − a)/b``. Its variance is that of a prediction: ``(u_a² + 2·y·cov + y²·u_b²)/b²`` of
the line, with n − 2 degrees of freedom; ``u_x²/b²`` of the in-line value, by its own budget or by the study, whichever
is larger; and ``u_lab²`` of one laboratory value. An error that all in-line values share is in the line and in their
budget: it counts twice, which is on the safe side (our decision).

References
----------
GUM 5.2.2 (correlated inputs; the line's three terms) and G.4.1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from crosslay.inspection.acceptance import Uncertainty
from crosslay.inspection.correlation import AcceptedLine, Line, Method
from crosslay.inspection.uncertainty import Budget, Contribution, Distribution, Kind, combine, coverage
from crosslay.inspection.verdicts import Measured, Reading, Requirement

_STUDY = "correlation"
#: For a requirement its accepted line, or why its values do not count as long as the accepted one does not fit.
Lines = Mapping[Requirement, AcceptedLine | str]


def as_laboratory(measured: Measured, lines: Lines) -> Measured:
    """The trace's readings, where a line was accepted for them, as the laboratory would read them.

    A reading whose line does not fit the station any more has no value, and says why.
    """
    if not lines:
        return measured
    readings = {
        requirement: _converted(requirement, reading, lines[requirement]) if requirement in lines else reading
        for requirement, reading in measured.readings.items()
    }
    return replace(measured, readings=readings)


def _converted(requirement: Requirement, reading: Reading, accepted: AcceptedLine | str) -> Reading:
    if reading.value is None:
        return reading
    known = reading.uncertainty
    raw = replace(reading, raw_value=reading.value, raw_uncertainty=None if known is None else known.standard)
    if isinstance(accepted, str):
        return replace(raw, value=None, reason=accepted, uncertainty=None, budget=None)
    raw = replace(raw, correlation=accepted)
    value = accepted.line.to_laboratory(reading.value)
    if value <= 0.0:
        reason = (f"the correlation in force makes {value:.3g} of {reading.value:.3g}; it does not reach so far down, "
                  f"its parts have {accepted.lowest:.3g} to {accepted.highest:.3g}")
        return replace(raw, value=None, reason=reason, uncertainty=None, budget=None)
    budget = _budget(requirement, raw, accepted, value)
    uncertainty = Uncertainty(standard=budget.standard, expanded=budget.expanded,
                              coverage_factor=budget.coverage_factor)
    return replace(raw, value=value, uncertainty=uncertainty, budget=budget, unknown="")


def _budget(requirement: Requirement, raw: Reading, accepted: AcceptedLine, value: float) -> Budget:
    """Of the converted value; largest share first."""
    line = accepted.line
    contributions = _merged([*_of_inline(raw, line), *_of_study(line, value)], line)
    standard, dof = combine(contributions)
    factor = coverage(dof)
    shared = [replace(each, share=(each.in_value / standard) ** 2 if standard else 0.0) for each in contributions]
    before = raw.budget
    return Budget(
        parameter=requirement.callout.parameter, value=value, unit=requirement.callout.unit,
        contributions=tuple(sorted(shared, key=lambda each: -each.share)), standard=standard, dof=dof,
        coverage_factor=factor, expanded=factor * standard,
        noise_bias=None if before is None or before.noise_bias is None else before.noise_bias / line.slope,
        left_out=() if before is None else before.left_out, check_id="" if before is None else before.check_id,
    )


def _of_inline(raw: Reading, line: Line) -> list[Contribution]:
    """Of the in-line value: what is known of it, or what the study showed where that is larger."""
    if raw.raw_uncertainty is None or raw.raw_uncertainty < line.u_inline:
        return [Contribution(name=f"{_STUDY}: in-line value", standard=line.u_inline, sensitivity=1.0 / line.slope)]
    if raw.budget is None:
        return [Contribution(name="in-line value (stated)", standard=raw.raw_uncertainty, sensitivity=1.0 / line.slope)]
    return [replace(each, sensitivity=each.sensitivity / line.slope) for each in raw.budget.contributions]


def _of_study(line: Line, value: float) -> list[Contribution]:
    return [
        Contribution(name=f"{_STUDY}: line", standard=_of_line(line, value), sensitivity=1.0 / line.slope,
                     distribution=Distribution.STUDENT, kind=Kind.A, dof=float(line.dof)),
        Contribution(name=f"{_STUDY}: laboratory value", standard=line.u_laboratory),
    ]  # fmt: skip


def _merged(contributions: list[Contribution], line: Line) -> list[Contribution]:
    """Where the scatter alone told every number of the study, they are one estimate with n − 2 degrees of freedom."""
    if line.method is Method.YORK:
        return contributions
    of_study = [each for each in contributions if each.name.startswith(_STUDY)]
    one = Contribution(name=f"{_STUDY}: line and scatter", standard=math.hypot(*(each.in_value for each in of_study)),
                       distribution=Distribution.STUDENT, kind=Kind.A, dof=float(line.dof))  # fmt: skip
    return [*(each for each in contributions if each not in of_study), one]


def _of_line(line: Line, value: float) -> float:
    """Standard uncertainty of ``a + b·y`` at a laboratory value y."""
    return math.sqrt(max(0.0, line.u_intercept**2 + 2.0 * value * line.covariance + (value * line.u_slope) ** 2))
