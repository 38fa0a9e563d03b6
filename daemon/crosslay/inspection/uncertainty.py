"""The uncertainty of a measured value: a budget by the GUM.

The value is taken as ``y = x·(1 + Σδᵢ) + Σeᵢ`` with the relative effects δᵢ of the scales and absolute ones eᵢ, all
expected to be 0 and not correlated. Rules by parameter:

* Ra, Rq, Rk (also of P): heights; noise adds in quadrature, ``y² ≈ x² + y0²`` with ``Ra0 = √(2/π)·Rq0`` and
  ``Rk0 = 2.574·Rq0`` (normal heights). The bias ``y − √(y² − y0²) ≈ y0²/(2y)`` is stated, not corrected, and enters as
  the half-width of a rectangular distribution.
* Rz, Rt and the other extreme heights (Rp, Rv, Rpt, Rvt, Rzx, Rz1max, Rmax, Rpm, RzJIS, Rc, and of P): heights; noise
  adds like a length, at most Rz0; where only Rq0 is known, ``Rz0 ≈ 6·Rq0`` (mean range of about 500 normal values).
* Rsm: lengths along the surface. Noise makes additional elements only where it reaches a tenth of Rz, and is left out.

A deviation that the check found and nobody corrected enters as the half-width of a rectangular distribution (our
decision; the GUM, F.2.4.5, would rather have it corrected). For other parameters there is no budget.

A reference check counts for its own parameter before any other. A height parameter that no specimen is certified for
takes all relative numbers of the newest check of heights (certificate, mean, deviation, repeatability), Rsm those of
the newest check of lengths: gain and certificate act on all heights alike. That its own repeatability is not known is
said (`Budget.left_out`). With no check, and nothing stated, there is no budget (our decision).

References
----------
JCGM 100:2008 (GUM) 4.3.7, 5.1.2, 6.3, F.2, G.4. ISO 12179 clause 8 (structure of the budget; from memory). DKD-R 4-2
Sheet 1 (Rz0 from five traces on a flat). Noise in
quadrature holds for noise that does not depend on the surface.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from scipy.special import stdtrit

from crosslay.inspection.gauge_quality import REPEATABILITY, GaugeQuality, Observed, Scale, is_same
from crosslay.inspection.symbols import UNITS

CONFIDENCE = 0.95
_ROOT3 = math.sqrt(3.0)
#: Noise of a parameter over Rq0, for normal heights.
_QUADRATIC = {"a": math.sqrt(2.0 / math.pi), "q": 1.0, "k": 2.57396}
_EXTREME = frozenset({"z", "t", "p", "v", "pt", "vt", "zx", "z1max", "max", "pm", "zJIS", "c"})
_LENGTH = frozenset({"sm", "Sm"})
#: Values of one trace that are a mean over its sections, or nearly so.
_OF_SECTIONS = frozenset({"a", "q", "z", "p", "v"})
_RANGE_OF_NOISE = 6.0
#: From here on Student's t is the normal distribution to six digits.
_AS_GOOD_AS_KNOWN = 1e6


class Distribution(enum.Enum):
    """How the possible values of an effect are spread."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    STUDENT = "t"


class Kind(enum.Enum):
    """How a standard uncertainty was found."""

    A = "A"
    """From repeated observations."""
    B = "B"
    """Otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget.

    Attributes
    ----------
    name
        What it is, in words.
    standard
        Standard uncertainty of the input.
    sensitivity
        Change of the value per change of the input.
    distribution, kind, dof
        As in the table of the GUM; `dof` infinite where the uncertainty counts as exactly known.
    share
        Of the variance of the result, 0 … 1; filled in by the budget.
    """

    name: str
    standard: float
    sensitivity: float = 1.0
    distribution: Distribution = Distribution.NORMAL
    kind: Kind = Kind.B
    dof: float = math.inf
    share: float = 0.0

    @property
    def in_value(self) -> float:
        """Standard uncertainty that it lends to the value, in the value's unit."""
        return abs(self.sensitivity) * self.standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Uncertainty of one value.

    Attributes
    ----------
    parameter, value, unit
        What was measured.
    contributions
        Largest share first.
    standard, dof
        Combined standard uncertainty u_c, in `unit`, and its effective degrees of freedom.
    coverage_factor, expanded
        k from Student's t for 95 %, and U = k·u_c.
    noise_bias
        By how much the noise is expected to raise the value, in `unit`; not corrected. None: not known.
    left_out
        What the budget lacks because nothing is known of it.
    check_id
        The reference check that traces the value; ``""`` where none does.
    """

    parameter: str
    value: float
    unit: str
    contributions: tuple[Contribution, ...]
    standard: float
    dof: float
    coverage_factor: float
    expanded: float
    noise_bias: float | None = None
    left_out: tuple[str, ...] = ()
    check_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoBudget:
    """Why there is no budget; never a budget of zero."""

    reason: str


def combine(contributions: Sequence[Contribution]) -> tuple[float, float]:
    """Combined standard uncertainty and effective degrees of freedom.

    Parameters
    ----------
    contributions : sequence of Contribution
        Not correlated.

    Returns
    -------
    standard, dof : float
        ``u_c = √Σ(cᵢuᵢ)²`` and ``ν = u_c⁴/Σ((cᵢuᵢ)⁴/νᵢ)``, infinite where no contribution has finite ones.

    References
    ----------
    GUM 5.1.2 equation (10) and G.4.1 equation (G.2b).
    """
    standard = math.hypot(*(item.in_value for item in contributions))
    if standard == 0.0:
        return 0.0, math.inf
    spread = math.fsum((item.in_value / standard) ** 4 / item.dof for item in contributions)
    return standard, math.inf if spread == 0.0 else 1.0 / spread


def coverage(dof: float, confidence: float = CONFIDENCE) -> float:
    """Coverage factor from Student's t at `dof`, 1 at least, continued between whole numbers (GUM G.4.1, note 1)."""
    return float(stdtrit(max(1.0, dof), 0.5 + confidence / 2.0))


def budget(
    parameter: str, value: float, quality: GaugeQuality, *, observed: Observed | None = None
) -> Budget | NoBudget:
    """Uncertainty of one measured value.

    Parameters
    ----------
    parameter : str
        Symbol.
    value : float
        As measured, µm or, for Rsm, mm.
    quality : GaugeQuality
        What is known of the gauge.
    observed : Observed or None
        What the measurement itself shows.

    Returns
    -------
    Budget or NoBudget
        No budget, with the reason, for a parameter without a rule, for a value that is not above the noise, and where
        nothing traces the scale to a standard.
    """
    stem = parameter[1:] if parameter[:1] in ("R", "P") else ""
    unit = UNITS.get(parameter, "")
    if stem not in _LENGTH and stem not in _EXTREME and stem not in _QUADRATIC:
        return NoBudget(reason=f"no rule is known for the uncertainty of {parameter}")
    if not (math.isfinite(value) and value > 0.0):
        return NoBudget(reason=f"{parameter} is {value}; a budget needs a value above 0")
    scale = quality.scale_of(parameter, unit)
    if scale is None:
        what = "lengths along the surface" if stem in _LENGTH else "heights"
        return NoBudget(reason=f"nothing traces the {what} of this gauge to a standard: no usable reference check, and "
                               "no uncertainty of the calibration in the station file")
    seen = observed or Observed()
    found = _Found()
    noise_bias = _noise(found, parameter, stem, value, quality)
    if noise_bias is not None and noise_bias >= value:
        return NoBudget(reason=f"{parameter} {value:g} is not above the noise of the gauge")
    _scale(found, scale, parameter, value, repeated=len(seen.traces) > 1)
    _device(found, stem, value, quality, seen)
    _part(found, stem, value, quality, seen)
    return replace(_assembled(found, parameter, value, unit, noise_bias), check_id=scale.check_id)


class _Found:
    """Contributions and gaps as they come up."""

    def __init__(self) -> None:
        self.contributions: list[Contribution] = []
        self.left_out: list[str] = []

    def rectangular(self, name: str, half_width: float, sensitivity: float = 1.0) -> None:
        self.contributions.append(
            Contribution(name=name, standard=half_width / _ROOT3, sensitivity=sensitivity,
                         distribution=Distribution.RECTANGULAR)
        )

    def relative(self, name: str, percent: float | None, value: float, factor: float = 1.0) -> None:
        """± percent of the value, times `factor`; a gap where it is not known."""
        if percent is None:
            self.left_out.append(name)
        else:
            self.rectangular(name, percent / 100.0, value * factor)


def _assembled(found: _Found, parameter: str, value: float, unit: str, noise_bias: float | None) -> Budget:
    standard, dof = combine(found.contributions)
    factor = coverage(dof)
    shared = [replace(item, share=(item.in_value / standard) ** 2 if standard else 0.0) for item in found.contributions]
    return Budget(
        parameter=parameter, value=value, unit=unit,
        contributions=tuple(sorted(shared, key=lambda item: -item.share)),
        standard=standard, dof=dof, coverage_factor=factor, expanded=factor * standard, noise_bias=noise_bias,
        left_out=tuple(found.left_out),
    )


def _scale(found: _Found, scale: Scale, parameter: str, value: float, *, repeated: bool) -> None:
    """Certificate, check, and what was left uncorrected."""
    found.contributions.append(
        Contribution(name=f"reference ({scale.source})", standard=scale.certificate_percent / 100.0, sensitivity=value)
    )
    if scale.check_percent is not None:
        found.contributions.append(
            Contribution(name="mean of the reference check", standard=scale.check_percent / 100.0, sensitivity=value,
                         distribution=Distribution.STUDENT, kind=Kind.A, dof=scale.check_dof)
        )
    if scale.bias_percent:
        found.relative("deviation that was not corrected", abs(scale.bias_percent), value)
    if repeated:
        return  # the traces' own scatter holds it
    if scale.repeatability_percent is None:
        found.left_out.append(REPEATABILITY)
        return
    if scale.parameter and not is_same(scale.parameter, parameter):
        found.left_out.append(f"repeatability of {parameter} itself ({scale.parameter}'s stands in for it)")
    found.contributions.append(
        Contribution(name=scale.repeatability_name, standard=scale.repeatability_percent / 100.0, sensitivity=value,
                     distribution=Distribution.STUDENT, kind=Kind.A, dof=scale.repeatability_dof)
    )


def _noise(found: _Found, parameter: str, stem: str, value: float, quality: GaugeQuality) -> float | None:
    """Note the noise and give the bias that it makes; the value itself where it is not above the noise."""
    if stem in _LENGTH:
        return None
    if stem in _QUADRATIC:
        if quality.noise_rq0_um is None:
            found.left_out.append("noise of the gauge")
            return None
        noise_um = _QUADRATIC[stem] * quality.noise_rq0_um
        if noise_um >= value:
            return value
        # y − √(y² − y0²) without loss of digits
        bias = noise_um * noise_um / (value + math.sqrt(value * value - noise_um * noise_um))
    else:
        rz0_um = quality.noise_rz0_um
        if rz0_um is None and quality.noise_rq0_um is not None:
            rz0_um = _RANGE_OF_NOISE * quality.noise_rq0_um
        if rz0_um is None:
            found.left_out.append("noise of the gauge")
            return None
        # Peaks and valleys stand one-sided: Rp and Rv see about half of the range.
        bias = rz0_um / 2.0 if stem in ("p", "v", "pt", "vt", "pm") else rz0_um
    found.rectangular(f"noise, which raises {parameter} by up to {bias:.3g} µm", bias)
    return bias


def _device(found: _Found, stem: str, value: float, quality: GaugeQuality, seen: Observed) -> None:
    """Linearity, resolution, λc, speed, tip."""
    if stem in _LENGTH:
        found.relative("traverse speed", quality.speed_percent, value)
        return
    found.relative("linearity", quality.linearity_percent, value)
    if quality.resolution_um is None:
        found.left_out.append("resolution")
    else:
        found.rectangular("resolution", quality.resolution_um / 2.0)
    if seen.cutoff_sensitivity is None:
        found.left_out.append("departure of the cut-off and of the speed")
    else:
        found.relative("departure of the cut-off", quality.cutoff_percent, value, seen.cutoff_sensitivity)
        found.relative("traverse speed, by way of the cut-off", quality.speed_percent, value, seen.cutoff_sensitivity)
    if seen.tip_effect is None:
        found.left_out.append("size of the tip")
    else:
        found.rectangular("size of the tip", seen.tip_effect)


def _part(found: _Found, stem: str, value: float, quality: GaugeQuality, seen: Observed) -> None:
    """Scatter from place to place on the part."""
    values, what = (seen.traces, "traces") if len(seen.traces) > 1 else (seen.sections, "sections")
    if len(values) > 1 and (what == "traces" or stem in _OF_SECTIONS):
        count = len(values)
        mean = math.fsum(values) / count
        scatter = math.sqrt(math.fsum((item - mean) ** 2 for item in values) / (count - 1))
        found.contributions.append(
            Contribution(name=f"scatter on the part ({count} {what})", standard=scatter / math.sqrt(count),
                         distribution=Distribution.STUDENT, kind=Kind.A, dof=float(count - 1))
        )
    elif quality.part_scatter_percent is not None:
        found.contributions.append(
            Contribution(name="scatter on the part (stated)", standard=quality.part_scatter_percent / 100.0,
                         sensitivity=value)
        )
    else:
        found.left_out.append("scatter from place to place on the part")


def table_lines(found: Budget) -> list[str]:
    """The budget as a table for people, one line each."""
    unit = {"um": "µm"}.get(found.unit, found.unit)
    width = max(len("contribution"), *(len(item.name) for item in found.contributions))
    lines = [f"{'contribution':<{width}}  type  distribution  dof      u ({unit})    share"]
    lines += [
        f"{item.name:<{width}}  {item.kind.value:<4}  {item.distribution.value:<12}  {_dof(item.dof):<5}  "
        f"{item.in_value:>10.4g}  {100.0 * item.share:>5.1f} %"
        for item in found.contributions
    ]
    lines.append(f"{found.parameter} = {found.value:.6g} {unit}, u_c = {found.standard:.3g} {unit}, "
                 f"dof = {_dof(found.dof)}, k = {found.coverage_factor:.2f} (95 %), U = {found.expanded:.3g} {unit}")
    if found.noise_bias is not None:
        lines.append(f"The noise raises the value by up to {found.noise_bias:.3g} {unit}; it is not corrected.")
    if found.left_out:
        lines.append(f"Not known, so not in it: {', '.join(found.left_out)}.")
    return lines


def _dof(dof: float) -> str:
    return "∞" if dof >= _AS_GOOD_AS_KNOWN else f"{dof:.1f}".removesuffix(".0")

