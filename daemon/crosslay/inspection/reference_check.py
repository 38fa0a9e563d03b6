"""A reference check: several readings on one specimen, against its certificate; and the correction that follows.

The readings' scatter is split by a one-way analysis of variance into *repeatability* (within the places of the
specimen) and *place scatter* (between them), because a plate that is worn at one place is no fault of the gauge. The
mean is that of the places' means (decision), so that a place that was traced more often does not outweigh the others.

References
----------
ISO 12179 (purpose; from memory). One-way random effects: NIST/SEMATECH e-Handbook, 7.4.3 and 3.2.3. Effective degrees
of freedom: Welch-Satterthwaite, GUM (JCGM 100) G.4. En: ISO 13528 (from memory). Outcomes and limits: our decision and
the station's settings; no published standard at hand gives a tolerance for such checks.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

from crosslay.inspection.specimen import Specimen
from crosslay.inspection.specimen_reading import Reading, Unread

#: Confidence level of expanded uncertainties here.
CONFIDENCE = 0.95
# Two limits that differ by less than this share are equal: 8.0 % of 3.00 µm has no exact float.
_ROUNDING = 1e-12


class Outcome(enum.Enum):
    """What a check came to."""

    IN_TOLERANCE = "in-tolerance"
    WARNING = "warning"
    OUT_OF_TOLERANCE = "out-of-tolerance"
    NOT_USABLE = "not-usable"
    """Too few readings, or they spread too much to decide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How readings scatter within and between places.

    Attributes
    ----------
    mean
        Mean of the places' means.
    repeatability, repeatability_dof
        Standard deviation within places, pooled, and its degrees of freedom; None and 0 with one reading at each.
    place_scatter
        Standard deviation between places without the share of repeatability; None for one place. With one reading at
        each place the two cannot be told apart and this holds both.
    standard_uncertainty, dof
        Of the mean, and its effective degrees of freedom.
    """

    mean: float
    repeatability: float | None
    repeatability_dof: int
    place_scatter: float | None
    standard_uncertainty: float
    dof: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceCheck:
    """What a reference check found.

    Attributes
    ----------
    specimen, parameter, unit
        Name of the specimen, its parameter, and the unit of every value here without another one.
    certified, certified_uncertainty
        Certified value and its expanded uncertainty U at `certified_coverage`.
    certified_coverage
        k of the certificate.
    n, places
        Number of readings used and of places on the specimen.
    mean, deviation, deviation_percent
        Mean of the readings and how far it lies from the certified value; None without a reading.
    repeatability, repeatability_dof, place_scatter
        See `Scatter`; None where they cannot be known.
    standard_uncertainty, dof, coverage_factor, expanded_uncertainty
        Of the mean: u, effective degrees of freedom, k from Student's t for 95 %, and U = k·u. None below two readings.
    en
        Deviation over the root of the two squared expanded uncertainties; above 1 it is significant.
    amplification
        Correction that the readings were taken with.
    outcome, text
        What it came to, and in one or two sentences what to do.
    unread
        Reasons of the traces that read nothing.
    """

    specimen: str
    parameter: str
    unit: str
    certified: float
    certified_uncertainty: float
    certified_coverage: float
    n: int
    places: int
    mean: float | None
    deviation: float | None
    deviation_percent: float | None
    repeatability: float | None
    repeatability_dof: int
    place_scatter: float | None
    standard_uncertainty: float | None
    dof: float | None
    coverage_factor: float | None
    expanded_uncertainty: float | None
    en: float | None
    amplification: float
    outcome: Outcome
    text: str
    unread: tuple[str, ...] = ()


def reference_check(readings: Sequence[Reading | Unread], specimen: Specimen) -> ReferenceCheck:
    """Judge the gauge by its readings on a specimen.

    Parameters
    ----------
    readings : sequence of Reading or Unread
        One for each trace; places are told apart by their label.
    specimen : Specimen
        Certificate and limits.

    Returns
    -------
    ReferenceCheck
        ``NOT_USABLE``, never a pass, where there are fewer than `Specimen.least_traces` readings, where they were taken
        under different corrections, or where they spread so much that their uncertainty covers the tolerance. A spread
        never hides a deviation that is proven to be out of tolerance.

    References
    ----------
    Example (invented): certified Ra 3.00 µm, mean reading 3.24 µm: the deviation is +8.0 %.
    """
    used = [reading for reading in readings if isinstance(reading, Reading)]
    unread = tuple(reading.reason for reading in readings if isinstance(reading, Unread))
    by_place: dict[str, list[float]] = {}
    for reading in used:
        by_place.setdefault(reading.place, []).append(reading.value)
    scatter = scatter_of(list(by_place.values())) if len(used) > 1 else None
    mean = scatter.mean if scatter else (used[0].value if used else None)
    coverage = float(stdtrit(scatter.dof, 0.5 + CONFIDENCE / 2.0)) if scatter else None
    expanded = coverage * scatter.standard_uncertainty if scatter and coverage else None
    deviation = None if mean is None else mean - specimen.certified
    outcome, text = _outcome(used, unread, specimen, scatter, deviation)
    return ReferenceCheck(
        specimen=specimen.name,
        parameter=specimen.parameter,
        unit=specimen.unit,
        certified=specimen.certified,
        certified_uncertainty=specimen.expanded_uncertainty,
        certified_coverage=specimen.coverage_factor,
        n=len(used),
        places=len(by_place),
        mean=mean,
        deviation=deviation,
        deviation_percent=None if deviation is None else 100.0 * deviation / specimen.certified,
        repeatability=scatter.repeatability if scatter else None,
        repeatability_dof=scatter.repeatability_dof if scatter else 0,
        place_scatter=scatter.place_scatter if scatter else None,
        standard_uncertainty=scatter.standard_uncertainty if scatter else None,
        dof=scatter.dof if scatter else None,
        coverage_factor=coverage,
        expanded_uncertainty=expanded,
        en=_en(deviation, expanded, specimen),
        amplification=used[0].amplification if used else 1.0,
        outcome=outcome,
        text=text,
        unread=unread,
    )


def scatter_of(by_place: Sequence[Sequence[float]]) -> Scatter:
    """Split the scatter of readings into within and between places.

    Parameters
    ----------
    by_place : sequence of sequences of float
        Readings of each place; together two or more.

    Returns
    -------
    Scatter
        In the unit of the readings.

    References
    ----------
    One-way random effects: with mean squares MSb (p − 1 degrees of freedom) and MSw (n − p) and
    n0 = (n − Σnᵢ²/n)/(p − 1), s²(place) = (MSb − MSw)/n0, not below 0; the mean of p place means has the variance
    s²(place)/p + MSw·Σ(1/nᵢ)/p².
    """
    sizes = [len(values) for values in by_place]
    n, p = sum(sizes), len(sizes)
    means = [math.fsum(values) / len(values) for values in by_place]
    mean = math.fsum(means) / p
    within = math.fsum((value - m) ** 2 for values, m in zip(by_place, means, strict=True) for value in values)
    ms_within = within / (n - p) if n > p else 0.0
    repeatability = math.sqrt(ms_within) if n > p else None
    share = math.fsum(1.0 / size for size in sizes) / p**2
    if p == 1:
        return Scatter(mean=mean, repeatability=repeatability, repeatability_dof=n - 1, place_scatter=None,
                       standard_uncertainty=math.sqrt(ms_within * share), dof=float(n - 1))
    grand = math.fsum(size * m for size, m in zip(sizes, means, strict=True)) / n
    ms_between = math.fsum(size * (m - grand) ** 2 for size, m in zip(sizes, means, strict=True)) / (p - 1)
    n0 = (n - sum(size * size for size in sizes) / n) / (p - 1)
    variance_of_place = max(0.0, (ms_between - ms_within) / n0)
    if variance_of_place == 0.0 and n > p:
        return Scatter(mean=mean, repeatability=repeatability, repeatability_dof=n - p, place_scatter=0.0,
                       standard_uncertainty=math.sqrt(ms_within * share), dof=float(n - p))
    between, inside = ms_between / (p * n0), ms_within * (share - 1.0 / (p * n0))
    variance = between + inside
    spread = between**2 / (p - 1) + (inside**2 / (n - p) if n > p else 0.0)
    return Scatter(mean=mean, repeatability=repeatability, repeatability_dof=n - p,
                   place_scatter=math.sqrt(variance_of_place), standard_uncertainty=math.sqrt(max(0.0, variance)),
                   dof=variance**2 / spread if spread > 0.0 else float(p - 1))


def _en(deviation: float | None, expanded: float | None, specimen: Specimen) -> float | None:
    if deviation is None or expanded is None:
        return None
    return deviation / math.hypot(expanded, specimen.expanded_uncertainty)


def _outcome(
    used: list[Reading], unread: tuple[str, ...], specimen: Specimen, scatter: Scatter | None, deviation: float | None
) -> tuple[Outcome, str]:
    if len(used) < specimen.least_traces or scatter is None or deviation is None:
        why = f" The last unread trace: {unread[-1]}." if unread else ""
        return Outcome.NOT_USABLE, (f"{len(used)} usable readings; this check needs {specimen.least_traces}. Take the "
                                    f"missing traces.{why}")
    if len({reading.amplification for reading in used}) > 1:
        return Outcome.NOT_USABLE, ("The readings were taken under different amplification corrections. Take all of "
                                    "them again.")
    off = abs(100.0 * deviation / specimen.certified)
    u_percent = _expanded_percent(scatter, specimen)
    proven_out = _above(off - u_percent, specimen.tolerance_percent)
    obstacle = "" if proven_out else _obstacle(scatter, specimen, u_percent)
    if obstacle:
        return Outcome.NOT_USABLE, obstacle
    return _by_limits(specimen, scatter, deviation)


def _expanded_percent(scatter: Scatter, specimen: Specimen) -> float:
    coverage = float(stdtrit(scatter.dof, 0.5 + CONFIDENCE / 2.0))
    return 100.0 * coverage * scatter.standard_uncertainty / specimen.certified


def _above(value: float, limit: float) -> bool:
    """Equality conforms, and so does what rounding makes of it."""
    return value > limit * (1.0 + _ROUNDING)


def _obstacle(scatter: Scatter, specimen: Specimen, u_percent: float) -> str:
    """Why the spread of the readings allows no decision, and what to do; ``""`` where it does."""
    place = 100.0 * (scatter.place_scatter or 0.0) / specimen.certified
    repeat = 100.0 * (scatter.repeatability or 0.0) / specimen.certified
    if specimen.place_limit_percent is not None and _above(place, specimen.place_limit_percent):
        return (f"Readings at different places of the specimen scatter by {place:.1f} %, above the limit of "
                f"{specimen.place_limit_percent:g} %: it is worn or dirty. Clean it, keep to its measuring zone, or "
                "replace it; this says nothing about the gauge.")
    if specimen.repeatability_limit_percent is not None and _above(repeat, specimen.repeatability_limit_percent):
        return (f"Readings at one place scatter by {repeat:.1f} %, above the limit of "
                f"{specimen.repeatability_limit_percent:g} %. Look for vibration, a loose fixture or dirt, and repeat.")
    if _above(u_percent, specimen.tolerance_percent):
        cause = "the places of the specimen differ" if place > repeat else "the readings at one place differ"
        return (f"The mean is uncertain by {u_percent:.1f} %, more than the tolerance of "
                f"{specimen.tolerance_percent:g} %, because {cause}. Take more traces, or find the cause of "
                "the spread.")
    return ""


def _by_limits(specimen: Specimen, scatter: Scatter, deviation: float) -> tuple[Outcome, str]:
    percent = 100.0 * deviation / specimen.certified
    en = abs(_en(deviation, _expanded_percent(scatter, specimen) * specimen.certified / 100.0, specimen) or 0.0)
    found = (f"{specimen.parameter} reads {scatter.mean:.4g} {_unit(specimen)}, certified {specimen.certified:.4g}: "
             f"{percent:+.1f} %")
    if _above(abs(percent), specimen.tolerance_percent):
        doubt = "" if en > 1.0 else " The uncertainties could still explain it (En ≤ 1); take more traces as well."
        return Outcome.OUT_OF_TOLERANCE, (f"{found}, out of the tolerance of {specimen.tolerance_percent:g} %. "
                                          "Clean tip and specimen, check the tip and repeat; if it stays, adjust the "
                                          f"gauge and look at the parts since the last good check.{doubt}")
    if _above(abs(percent), specimen.warn_percent):
        return Outcome.WARNING, (f"{found}, in tolerance, but above the warning limit of {specimen.warn_percent:g} %. "
                                 "Clean tip and specimen, repeat the check and plan an adjustment.")
    return Outcome.IN_TOLERANCE, f"{found}, in tolerance. Nothing to do."


def _unit(specimen: Specimen) -> str:
    return "µm" if specimen.unit == "um" else specimen.unit
