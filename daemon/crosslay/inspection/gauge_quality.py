"""What is known of a gauge and of one measurement: the input of the uncertainty budget.

Every number is optional, and an unknown one is never taken as zero: the budget names what it lacks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from crosslay.errors import SettingsError
from crosslay.inspection.reference_check import Outcome, ReferenceCheck
from crosslay.inspection.specimen import TIP_RADIUS
from crosslay.inspection.symbols import OTHER_SPELLING
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Trace
from crosslay.texture.undefined import Undefined

REPEATABILITY = "repeatability of one trace"
# λc is made smaller by this share to see what depends on it; a larger one might not fit the trace.
_CUTOFF_STEP = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How one scale of the gauge, of heights or of lengths along the surface, is traced to a standard.

    Attributes
    ----------
    certificate_percent
        Standard uncertainty of the reference, % of its value.
    check_percent, check_dof
        Standard uncertainty of the mean of the check's readings, %, and its degrees of freedom; None: it is in
        `certificate_percent` already.
    repeatability_percent, repeatability_dof
        Standard deviation of one reading at one place, %; None: not known. A check with one reading at each place
        cannot tell it from the scatter between the places; then it is both together.
    repeatability_name
        What it is, in words.
    bias_percent
        Deviation that was found and not corrected, %.
    source
        Where this comes from, in words.
    parameter, check_id
        Of a check: what is certified, and which check it is; ``""`` where no check is behind it.

    Raises
    ------
    SettingsError
        The uncertainty of the reference is not above 0.
    """

    certificate_percent: float
    source: str
    check_percent: float | None = None
    check_dof: float = math.inf
    repeatability_percent: float | None = None
    repeatability_dof: float = math.inf
    repeatability_name: str = REPEATABILITY
    bias_percent: float = 0.0
    parameter: str = ""
    check_id: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.certificate_percent) and self.certificate_percent > 0.0):
            raise SettingsError(f"the uncertainty of {self.source} is {self.certificate_percent} %; no reference is "
                                "exact, so it must be above 0")

    @classmethod
    def stated(cls, expanded_percent: float, coverage_factor: float = 2.0, *, source: str = "station file") -> Scale:
        """From the expanded uncertainty, % of the value, of a calibration as a whole."""
        return cls(certificate_percent=expanded_percent / coverage_factor, source=source)

    @classmethod
    def of_check(
        cls, check: ReferenceCheck, *, amplification: float | None = None, check_id: str = ""
    ) -> Scale | None:
        """From a reference check; None where it was not usable.

        Parameters
        ----------
        check : ReferenceCheck
            With its certificate.
        amplification : float or None
            Correction that is in force now; None: that of the check. It changes what is left of the deviation.
        check_id : str
            Identity of the check, where it is stored.
        """
        if check.outcome is Outcome.NOT_USABLE or check.mean is None or check.standard_uncertainty is None:
            return None
        percent = 100.0 / check.certified
        scatter, scatter_dof, name = check.repeatability, float(check.repeatability_dof), REPEATABILITY
        if scatter is None and check.place_scatter is not None:
            scatter, scatter_dof = check.place_scatter, float(check.places - 1)
            name = f"{REPEATABILITY}, with the scatter between the specimen's places"
        rescaled = 1.0 if amplification is None or check.unit == "mm" else amplification / check.amplification
        return cls(
            certificate_percent=percent * check.certified_uncertainty / check.certified_coverage,
            source=f'check on "{check.specimen}"',
            check_percent=percent * check.standard_uncertainty,
            check_dof=math.inf if check.dof is None else check.dof,
            repeatability_percent=None if scatter is None else percent * scatter,
            repeatability_dof=scatter_dof,
            repeatability_name=name,
            bias_percent=percent * (check.mean * rescaled - check.certified),
            parameter=check.parameter,
            check_id=check_id,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeQuality:
    """What is known of a gauge; None: not known.

    Attributes
    ----------
    heights, lengths
        How heights and how lengths along the surface are traced.
    checked
        Scales by reference checks, newest last; the newest of a parameter itself goes before `heights` and `lengths`.
    noise_rq0_um, noise_rz0_um
        Noise of the gauge on an optical flat: Rq0 and Rz0, µm.
    linearity_percent
        Largest departure from a straight scale, ± % of the value.
    resolution_um
        Step of the height scale, µm.
    cutoff_percent, speed_percent
        Largest departure of λc, and of the traverse speed, ± %.
    part_scatter_percent
        Standard deviation of values from place to place on a part, %, where the measurement itself does not show it.

    Raises
    ------
    SettingsError
        A number is below 0 or not finite.
    """

    heights: Scale | None = None
    lengths: Scale | None = None
    checked: tuple[Scale, ...] = ()
    noise_rq0_um: float | None = None
    noise_rz0_um: float | None = None
    linearity_percent: float | None = None
    resolution_um: float | None = None
    cutoff_percent: float | None = None
    speed_percent: float | None = None
    part_scatter_percent: float | None = None

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, (int, float)) and not (math.isfinite(value) and value >= 0.0):
                raise SettingsError(f"{item.name} is {value}; it must be 0 or more")

    def scale_of(self, parameter: str, unit: str) -> Scale | None:
        """How a parameter is traced; None: not at all.

        By the newest check of the parameter itself; else by the newest of the same scale, since gain and certificate
        act on all heights alike, and on all lengths; else as the station file states.
        """
        own = next((each for each in reversed(self.checked) if is_same(each.parameter, parameter)), None)
        return own or (self.lengths if unit == "mm" else self.heights)


def is_same(parameter: str, other: str) -> bool:
    """Whether two symbols mean the same parameter, each in either edition's spelling."""
    return other in {parameter, OTHER_SPELLING.get(parameter)}


def quality_of(
    checks: Sequence[ReferenceCheck],
    stated: GaugeQuality | None = None,
    *,
    amplification: float | None = None,
    ids: Sequence[str] = (),
) -> GaugeQuality:
    """Join what checks found with what the station file states.

    Parameters
    ----------
    checks : sequence of ReferenceCheck
        Newest last; the newest usable one of heights and of Rsm counts, above what is stated. A check of the tip says
        nothing about a scale.
    stated : GaugeQuality or None
        From the station file.
    amplification : float or None
        Correction in force now, see `Scale.of_check`.
    ids : sequence of str
        Identities of the checks, in their order; none where they are not stored.
    """
    quality = stated or GaugeQuality()
    for check, check_id in zip(checks, ids or [""] * len(checks), strict=True):
        scale = Scale.of_check(check, amplification=amplification, check_id=check_id)
        if scale is None or check.parameter == TIP_RADIUS:
            continue
        quality = replace(quality, checked=(*quality.checked, scale))
        quality = replace(quality, lengths=scale) if check.unit == "mm" else replace(quality, heights=scale)
    return quality


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """What the measurement itself shows.

    Attributes
    ----------
    traces
        Values of several traces on the part, of which the value is the mean, in its unit.
    sections
        Values of the sections of one trace, in the same unit; used where there is one trace.
    cutoff_sensitivity
        Relative change of the value per relative change of λc, see `cutoff_sensitivity`.
    tip_effect
        Largest effect of the tip's size on the value, ±, in its unit (for example from
        `crosslay.texture.tip_values`).
    """

    traces: tuple[float, ...] = ()
    sections: tuple[float, ...] = ()
    cutoff_sensitivity: float | None = None
    tip_effect: float | None = None


def cutoff_sensitivity(trace: Trace, settings: Settings, parameter: str) -> float | Undefined:
    """Relative change of a value per relative change of λc, dimensionless.

    Parameters
    ----------
    trace : Trace
        The measurement.
    settings : Settings
        With λc given.
    parameter : str
        Symbol.

    Returns
    -------
    float or Undefined
        ``ln(v/v')/ln(λc/λc')`` with λc' 5 % shorter, or why there is none.

    Raises
    ------
    CrosslayError
        As `crosslay.texture.evaluate`.
    """
    if settings.cutoff_mm is None:
        return Undefined("no cut-off λc is given")
    shorter = with_shorter_cutoff(settings, settings.cutoff_mm)
    here, there = (evaluate(trace, used).parameters.get(parameter) for used in (settings, shorter))
    return sensitivity_between(parameter, here, there)


def with_shorter_cutoff(settings: Settings, cutoff_mm: float) -> Settings:
    """The same settings at λc' of `cutoff_sensitivity`."""
    return replace(settings, cutoff_mm=cutoff_mm * (1.0 - _CUTOFF_STEP))


def sensitivity_between(parameter: str, here: float | None, there: float | None) -> float | Undefined:
    """`cutoff_sensitivity` from the values at λc and at the shorter λc'."""
    if here is None or there is None or here <= 0.0 or there <= 0.0:
        return Undefined(f"{parameter} is not above 0 at both cut-offs")
    return math.log(here / there) / -math.log(1.0 - _CUTOFF_STEP)
