"""Micro-inches instead of micrometres in what ``evaluate`` shows.

A micro-inch is 0.0254 µm exactly (an inch is 25.4 mm exactly: international yard and pound agreement, 1959), so 1.6 µm
are 62.99 µin, never 63. Only heights change: values, areas of the material ratio curve, and limits. Lengths along the
surface stay in mm, settings and findings in the unit that their name or text says, and so do the numbers in brackets of
a symbol (``Rmr(1)`` is at 1 µm). Verdicts are decided in µm before anything is converted.

References
----------
Codes of the units: UCUM, ``u[in_i]`` for the micro-inch.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from crosslay.cli.offline import Outcome
from crosslay.inspection.judge import Judged, Verdict
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.tip_values import SmallerTipValues

#: µm in terms of µin: 10 000/254 = 5000/127, exactly.
_NUMERATOR, _DENOMINATOR = 5000, 127
_IN_MICRO_INCHES: Final = {"um": "u[in_i]", "um.%": "u[in_i].%"}
#: A drawing's limit has fewer digits than this; what lies beyond is the rounding of its conversion to µm.
_LIMIT_DIGITS = 15


class HeightUnit(enum.Enum):
    """Unit of heights, by its name on the command line."""

    MICROMETRE = "um"
    MICRO_INCH = "uin"


def micro_inches(value_um: float) -> float:
    """Convert µm to µin, rounded once."""
    if not math.isfinite(value_um):
        return value_um
    from fractions import Fraction

    return float(Fraction(value_um) * _NUMERATOR / _DENOMINATOR)


def in_unit(outcome: Outcome, unit: HeightUnit) -> Outcome:
    """The same outcome with heights in another unit, for showing only.

    Parameters
    ----------
    outcome
        As evaluated and judged, in µm.
    unit
        Unit wanted.
    """
    if unit is HeightUnit.MICROMETRE:
        return outcome
    return replace(
        outcome,
        evaluation=None if outcome.evaluation is None else _evaluation(outcome.evaluation),
        verdict=None if outcome.verdict is None else verdict_in_unit(outcome.verdict, unit),
        smaller_tip=None if outcome.smaller_tip is None else _smaller_tip(outcome.smaller_tip),
    )


def verdict_in_unit(verdict: Verdict, unit: HeightUnit) -> Verdict:
    """The same verdict with heights in another unit, for showing only; a budget is in µm and falls away."""
    if unit is HeightUnit.MICROMETRE:
        return verdict
    return replace(verdict, judged=tuple(_judged(each) for each in verdict.judged))


def _evaluation(evaluation: Evaluation) -> Evaluation:
    values = {name: value if value is None or evaluation.units[name] not in _IN_MICRO_INCHES else micro_inches(value)
              for name, value in evaluation.parameters.items()}
    units = {name: _IN_MICRO_INCHES.get(unit, unit) for name, unit in evaluation.units.items()}
    return replace(evaluation, parameters=values, units=units)


def _judged(judged: Judged) -> Judged:
    if judged.unit not in _IN_MICRO_INCHES:
        return judged
    unit = _IN_MICRO_INCHES[judged.unit]
    limit = float(f"{micro_inches(judged.callout.limit):.{_LIMIT_DIGITS}g}")
    value = judged.value
    if value is not None:
        # What conforms by being equal is shown equal.
        value = limit if value == judged.callout.limit else micro_inches(value)
    return replace(
        judged, value=value, unit=unit, callout=replace(judged.callout, limit=limit, unit=unit), budget=None,
        values=tuple(None if each is None else micro_inches(each) for each in judged.values),
        uncertainty=None if judged.uncertainty is None else replace(
            judged.uncertainty, standard=micro_inches(judged.uncertainty.standard),
            expanded=micro_inches(judged.uncertainty.expanded)),
    )  # fmt: skip


def _smaller_tip(values: SmallerTipValues) -> SmallerTipValues:
    return replace(values, shallowest_um=_all(values.shallowest_um), at_least_um=_all(values.at_least_um),
                   at_most_um=_all(values.at_most_um))


def _all(values: Mapping[str, float | None]) -> dict[str, float | None]:
    return {name: None if value is None else micro_inches(value) for name, value in values.items()}
