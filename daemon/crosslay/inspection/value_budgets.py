"""Uncertainty budgets for the values of one trace, from what is known of its gauge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from crosslay.errors import CrosslayError
from crosslay.inspection.gauge_quality import GaugeQuality, Observed, sensitivity_between, with_shorter_cutoff
from crosslay.inspection.uncertainty import Budget, NoBudget, budget
from crosslay.inspection.verdicts import Requirement, ValueBudget, parameter_key
from crosslay.texture.evaluation import Evaluation, evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.tip import tip_radius_um
from crosslay.texture.tip_values import smaller_tip_values
from crosslay.texture.trace import Trace
from crosslay.texture.undefined import Undefined


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownGauge:
    """What is known of a gauge and of its tip.

    Attributes
    ----------
    quality
        Scales, noise, resolution …
    tip_radius_um, tip_tolerance_um
        Nominal radius, where the trace does not say it, and by how much it may differ; None: not known.
    """

    quality: GaugeQuality
    tip_radius_um: float | None = None
    tip_tolerance_um: float | None = None


def budgets_of(known: KnownGauge | Callable[[], KnownGauge]) -> Callable[[Trace], ValueBudget]:
    """Source of budgets for `crosslay.inspection.judge.measure`; a callable is asked anew for each trace."""

    def for_trace(trace: Trace) -> ValueBudget:
        return _TraceBudgets(trace, known() if callable(known) else known).of

    return for_trace


class _TraceBudgets:
    """Budgets of one trace. What several values share is computed once, and only where a known number needs it."""

    def __init__(self, trace: Trace, known: KnownGauge) -> None:
        self._trace = trace
        self._known = known
        self._shorter: dict[Settings, Evaluation | None] = {}
        self._sharper: dict[Settings, dict[str, float | None]] = {}

    def of(self, requirement: Requirement, value: float, evaluation: Evaluation) -> Budget | NoBudget:
        """Budget of one value of the trace."""
        settings, symbol = requirement.settings, requirement.callout.parameter
        key = parameter_key(symbol, evaluation.parameters) or symbol
        observed = Observed(
            sections=evaluation.sections.get(key, ()),
            cutoff_sensitivity=self._cutoff_sensitivity(key, value, settings, evaluation),
            tip_effect=self._tip_effect(key, value, settings, evaluation),
        )
        return budget(symbol, value, self._known.quality, observed=observed)

    def _cutoff_sensitivity(
        self, key: str, value: float, settings: Settings, evaluation: Evaluation
    ) -> float | None:
        quality, cutoff_mm = self._known.quality, evaluation.settings.cutoff_mm
        if cutoff_mm is None or (quality.cutoff_percent is None and quality.speed_percent is None):
            return None
        if settings not in self._shorter:
            self._shorter[settings] = self._evaluated(with_shorter_cutoff(settings, cutoff_mm))
        there = self._shorter[settings]
        found = None if there is None else sensitivity_between(key, value, there.parameters.get(key))
        return None if isinstance(found, Undefined) else found

    def _evaluated(self, settings: Settings) -> Evaluation | None:
        try:
            return evaluate(self._trace, settings)
        except CrosslayError:  # what cannot be computed is listed as left out of the budget
            return None

    def _tip_effect(self, key: str, value: float, settings: Settings, evaluation: Evaluation) -> float | None:
        """By how much the value differs for a tip at the small end of its tolerance, on the shallowest surface.

        Deeper surfaces may give the same trace (see `crosslay.texture.tip_values`); nobody can know of them.
        """
        tolerance_um = self._known.tip_tolerance_um
        if tolerance_um is None:
            return None
        if settings not in self._sharper:
            self._sharper[settings] = self._with_sharper_tip(tolerance_um, settings, evaluation)
        found = self._sharper[settings].get(key)
        return None if found is None else abs(found - value)

    def _with_sharper_tip(
        self, tolerance_um: float, settings: Settings, evaluation: Evaluation
    ) -> dict[str, float | None]:
        radius_um = tip_radius_um(self._trace) or self._known.tip_radius_um
        if radius_um is None:
            return {}
        trace = replace(self._trace, facts={**self._trace.facts, "tip_radius_um": repr(radius_um)})
        sharper_um = max(0.0, radius_um - tolerance_um)
        try:
            return smaller_tip_values(trace, evaluation, settings, smaller_radius_um=sharper_um).shallowest_um
        except CrosslayError:  # as above
            return {}
