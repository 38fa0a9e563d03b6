"""In-line values against laboratory values of the same parts: bias, slope, and whether the two agree.

Both sides carry errors, so neither is regressed on the other: the line ``in-line = intercept + slope·laboratory`` is
fitted with both uncertainties (`crosslay.inspection.line_fit`). These must hold what differs from part to part. An
error that all laboratory values share, as from its own specimen, is in no residual and goes straight into slope and
intercept.

Intervals are Student's t with n − 2 degrees of freedom. Where the points scatter more than their uncertainties explain,
the standard errors are widened by the root of χ²/(n − 2); they are never narrowed, except where only the ratio of the
variances is known and the scatter is the only measure there is.

References
----------
See `crosslay.inspection.line_fit`; the joint test is the F test of a linear hypothesis. Least number of parts and least
range are our decision: no standard at hand names them.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc, stdtr, stdtrit

from crosslay.inspection.line_fit import FittedLine, york
from crosslay.texture.undefined import Undefined

CONFIDENCE = 0.95
#: Fewer parts are refused; below the second number the answer says that more are wanted.
LEAST_PARTS = 5
WANTED_PARTS = 10
#: The parts' laboratory values must spread (standard deviation) by so many standard uncertainties.
LEAST_SPREAD = 3.0

_Floats = NDArray[np.float64]


class Method(enum.Enum):
    """How the line was fitted."""

    DEMING = "deming"
    """From the ratio of the variances; the scatter itself gives their size."""
    YORK = "york"
    """From the standard uncertainties of every value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One part, measured in line and in the laboratory, in one unit; standard uncertainties where they are known."""

    part: str
    inline: float
    laboratory: float
    u_inline: float | None = None
    u_laboratory: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """``in-line = intercept + slope·laboratory``, with 95 % intervals.

    Attributes
    ----------
    u_slope, u_intercept, covariance
        Standard errors and covariance.
    slope_interval, intercept_interval
        Lower and upper bound.
    p_slope_one, p_intercept_zero, p_agreement
        Chance of a departure as large from slope 1, from intercept 0, and from both at once, if there were none.
    p_scatter
        Chance of a scatter as large if the stated uncertainties were right; None where only their ratio is known.
    u_inline, u_laboratory
        Typical standard uncertainties of one value, as stated or as the scatter shows them, whichever is larger.
    dof
        n − 2.
    """

    method: Method
    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    covariance: float
    slope_interval: tuple[float, float]
    intercept_interval: tuple[float, float]
    p_slope_one: float
    p_intercept_zero: float
    p_agreement: float
    p_scatter: float | None
    u_inline: float
    u_laboratory: float
    dof: int

    def inline_at(self, laboratory: float) -> float:
        """In-line value that belongs to a laboratory value."""
        return self.intercept + self.slope * laboratory

    def to_laboratory(self, inline: float) -> float:
        """Laboratory value that belongs to an in-line value."""
        return (inline - self.intercept) / self.slope

    def prediction_interval(self, laboratory: float) -> tuple[float, float]:
        """Where the in-line value of one more part with this measured laboratory value lies, 95 %."""
        variance = (
            self.u_intercept**2 + 2.0 * laboratory * self.covariance + (laboratory * self.u_slope) ** 2
            + self.u_inline**2 + (self.slope * self.u_laboratory) ** 2
        )
        half = _student(self.dof) * math.sqrt(max(0.0, variance))
        middle = self.inline_at(laboratory)
        return middle - half, middle + half


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlation:
    """What pairs of values show.

    Attributes
    ----------
    n
        Number of parts.
    bias, bias_interval, bias_percent
        Mean of in-line less laboratory, its 95 % interval, and the same as % of the mean laboratory value.
    difference_sd
        Standard deviation of the differences.
    line, line_reason
        The line, or None and why there is none.
    outliers
        Parts that lie off the line by more than chance explains among n (5 % for all of them together). A hint to
        look at the part, never a reason to drop it.
    notes
        What else to know, in words.
    """

    n: int
    bias: float
    bias_interval: tuple[float, float]
    bias_percent: float
    difference_sd: float
    line: Line | None
    line_reason: str
    outliers: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCorrelation:
    """Why the pairs show nothing."""

    reason: str


def correlate(pairs: Sequence[Pair], *, variance_ratio: float | None = None) -> Correlation | NoCorrelation:
    """Compare in-line with laboratory values.

    Parameters
    ----------
    pairs : sequence of Pair
        One for each part.
    variance_ratio : float or None
        Variance of an in-line value over that of a laboratory value, where the pairs do not carry uncertainties of
        their own; with neither, there is a bias but no line.

    Returns
    -------
    Correlation or NoCorrelation
        No correlation, with the reason, for too few parts, a part named twice, or a value that is not a number above 0.
    """
    reason = _unusable(pairs, variance_ratio)
    if reason:
        return NoCorrelation(reason=reason)
    laboratory = np.array([pair.laboratory for pair in pairs])
    inline = np.array([pair.inline for pair in pairs])
    differences = inline - laboratory
    n, bias, spread = len(pairs), float(differences.mean()), float(differences.std(ddof=1))
    half = _student(n - 1) * spread / math.sqrt(n)
    line, outliers = _line(pairs, (laboratory, inline), variance_ratio)
    notes = (f"{n} parts; {WANTED_PARTS} or more give narrower intervals",) if n < WANTED_PARTS else ()
    return Correlation(
        n=n,
        bias=bias,
        bias_interval=(bias - half, bias + half),
        bias_percent=100.0 * bias / float(laboratory.mean()),
        difference_sd=spread,
        line=line if isinstance(line, Line) else None,
        line_reason=line.reason if isinstance(line, Undefined) else "",
        outliers=outliers,
        notes=notes + _notes(line),
    )


def _unusable(pairs: Sequence[Pair], variance_ratio: float | None) -> str:
    if len(pairs) < LEAST_PARTS:
        return f"{len(pairs)} parts; at least {LEAST_PARTS} are needed, better {WANTED_PARTS}"
    seen: set[str] = set()
    for pair in pairs:
        if pair.part in seen:
            return f'part "{pair.part}" is there twice; give one pair for each part, the mean of repeated values'
        seen.add(pair.part)
        for name in ("inline", "laboratory", "u_inline", "u_laboratory"):
            value = getattr(pair, name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                return f'part "{pair.part}": {name} is {value}; it must be a number above 0'
    if variance_ratio is not None and not (math.isfinite(variance_ratio) and variance_ratio > 0.0):
        return f"the ratio of the variances is {variance_ratio}; it must be a number above 0"
    return ""


def _uncertainties(pairs: Sequence[Pair], variance_ratio: float | None) -> tuple[_Floats, _Floats, Method] | Undefined:
    """Standard uncertainties of laboratory and in-line values; for Deming those whose ratio alone counts."""
    known = [(pair.u_laboratory, pair.u_inline) for pair in pairs if pair.u_laboratory and pair.u_inline]
    if len(known) == len(pairs):
        both = np.array(known, dtype=np.float64)
        return both[:, 0], both[:, 1], Method.YORK
    if variance_ratio is None:
        return Undefined("both sides carry errors, and neither the uncertainties of all values nor the ratio of their "
                         "variances is known; no line can be told from the points alone")
    return np.ones(len(pairs)), np.full(len(pairs), math.sqrt(variance_ratio)), Method.DEMING


def _line(
    pairs: Sequence[Pair], points: tuple[_Floats, _Floats], variance_ratio: float | None
) -> tuple[Line | Undefined, tuple[str, ...]]:
    """The line, or why there is none, and the parts off it."""
    found = _uncertainties(pairs, variance_ratio)
    if isinstance(found, Undefined):
        return found, ()
    u_laboratory, u_inline, method = found
    fitted = york(*points, u_laboratory, u_inline)
    if isinstance(fitted, Undefined):
        return fitted, ()
    dof = len(pairs) - 2
    factor = math.sqrt(fitted.chi_square / dof)
    if method is Method.YORK:
        factor = max(1.0, factor)
    typical_laboratory, typical_inline = (factor * math.sqrt(float(np.mean(u * u))) for u in (u_laboratory, u_inline))
    line = _with_intervals(fitted, factor, method, (dof, typical_laboratory, typical_inline))
    reason = _refused(line, points[0])
    if reason:
        return Undefined(reason), ()
    return line, tuple(pairs[index].part for index in _outliers(fitted, dof))


def _student(dof: int) -> float:
    return float(stdtrit(dof, 0.5 + CONFIDENCE / 2.0))


def _with_intervals(fitted: FittedLine, factor: float, method: Method, rest: tuple[int, float, float]) -> Line:
    dof, u_laboratory, u_inline = rest
    u_slope, u_intercept = factor * fitted.u_slope, factor * fitted.u_intercept
    covariance = factor * factor * fitted.covariance
    k = _student(dof)
    return Line(
        method=method,
        slope=fitted.slope,
        intercept=fitted.intercept,
        u_slope=u_slope,
        u_intercept=u_intercept,
        covariance=covariance,
        slope_interval=(fitted.slope - k * u_slope, fitted.slope + k * u_slope),
        intercept_interval=(fitted.intercept - k * u_intercept, fitted.intercept + k * u_intercept),
        p_slope_one=_two_sided(fitted.slope - 1.0, u_slope, dof),
        p_intercept_zero=_two_sided(fitted.intercept, u_intercept, dof),
        p_agreement=_joint(fitted, (u_slope**2, u_intercept**2, covariance), dof),
        p_scatter=float(chdtrc(dof, fitted.chi_square)) if method is Method.YORK else None,
        u_inline=u_inline,
        u_laboratory=u_laboratory,
        dof=dof,
    )


def _two_sided(difference: float, standard_error: float, dof: int) -> float:
    if standard_error == 0.0:  # points without any scatter
        return 1.0 if abs(difference) < 1e-9 else 0.0
    return 2.0 * float(stdtr(dof, -abs(difference) / standard_error))


def _joint(fitted: FittedLine, covariances: tuple[float, float, float], dof: int) -> float:
    """F test of slope 1 and intercept 0 at once."""
    slope_variance, intercept_variance, covariance = covariances
    off_slope, off_intercept = fitted.slope - 1.0, fitted.intercept
    determinant = slope_variance * intercept_variance - covariance * covariance
    if determinant <= 0.0:
        return 1.0 if abs(off_slope) < 1e-9 and abs(off_intercept) < 1e-9 else 0.0
    squared = (
        off_slope**2 * intercept_variance - 2.0 * off_slope * off_intercept * covariance
        + off_intercept**2 * slope_variance
    ) / determinant
    return float(fdtrc(2.0, dof, squared / 2.0))


def _refused(line: Line, laboratory: _Floats) -> str:
    """Why the slope says nothing, ``""`` where it does."""
    spread = float(laboratory.std(ddof=1))
    if spread < LEAST_SPREAD * line.u_laboratory:
        return (f"the range is too narrow: the parts' laboratory values spread by {spread:.3g}, and one of them is "
                f"uncertain by {line.u_laboratory:.3g}; choose parts that spread by "
                f"{LEAST_SPREAD * line.u_laboratory:.3g} or more")
    if line.slope_interval[0] <= 0.0:
        return "the in-line values do not rise with the laboratory values; are the parts mixed up?"
    return ""


def _outliers(fitted: FittedLine, dof: int) -> list[int]:
    """Indices of the points whose residual, judged by the scatter of the others, is beyond chance among all of them."""
    if dof < 2 or fitted.chi_square == 0.0:
        return []
    spread = fitted.chi_square / dof
    own = fitted.residuals**2 / (spread * np.maximum(1.0 - fitted.leverages, 1e-12))
    own = np.minimum(own, dof * (1.0 - 1e-12))
    studentised = np.sqrt(own * (dof - 1) / (dof - own))
    critical = float(stdtrit(dof - 1, 1.0 - (1.0 - CONFIDENCE) / (2.0 * own.size)))
    return [int(index) for index in np.flatnonzero(studentised > critical)]


def _notes(line: Line | Undefined) -> tuple[str, ...]:
    if isinstance(line, Undefined) or line.p_scatter is None or line.p_scatter >= 1.0 - CONFIDENCE:
        return ()
    chance = f"{line.p_scatter:.2g}"
    return (f"the points scatter more than their uncertainties explain (chance {chance}); the intervals are widened",)


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptedLine:
    """A line that a person accepted, so that values are reported as the laboratory would read them.

    Attributes
    ----------
    correlation_id
        Its identity.
    line
        The line.
    lowest, highest
        Least and largest laboratory value of the study: beyond them nobody looked.
    """

    correlation_id: str
    line: Line
    lowest: float
    highest: float
