"""The tip-size question: what a smaller tip would have traced, and whether λs and spacing suit the tip.

A ball-shaped tip of radius R traces the dilation of the surface by a disk of radius R, t = s ⊕ R. Many surfaces give
the same trace. Their common upper bound is the erosion e = t ⊖ R, and where the tip touched at one place only, the
surface passes through that place: s = e. Both bounds, traced with the smaller tip, bound its trace.

References
----------
ISO 16610-41 (disk filters); ISO 3274:1996 table 1 with note 1 (λs, tip radius, spacing; from memory).
J. S. Villarrubia, "Algorithms for scanned probe microscope image simulation, surface reconstruction, and tip
estimation", J. Res. Natl. Inst. Stand. Technol. 102 (1997) 425–454: reconstruction by erosion and its certainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.filters.checks import checked_heights
from crosslay.texture.filters.morphological import dilation, erosion, sag_um
from crosslay.texture.settings import Standard, setting_table
from crosslay.texture.trace import Finding, Severity, Trace

# ISO 3274:1996 table 1 note 1: above these values a 5 µm tip makes no significant difference at λs 2.5 µm.
_COARSE_RA_UM: Final = 0.5
_COARSE_RZ_UM: Final = 3.0
_COARSE_TIP_UM: Final = 5.0
# Two contacts whose heights differ by less than this share of the profile's height are not told apart.
_TIE: Final = 1e-12

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SmallerTipBounds:
    """What is certain about the trace of a smaller tip.

    Attributes
    ----------
    lowest_um, highest_um
        Bounds of the smaller tip's trace, each shape (N,), µm. `lowest_um` is −∞ where the tip that traced touched
        nothing within reach of the smaller one, as over a narrow valley: the trace cannot say how deep that is.
    touched_share_percent
        Share of the samples that the tip is certain to have touched, %.
    excess_um
        How far the trace stands above the highest that a tip of this radius can have traced, at its worst sample, µm.
        More than the noise says that the tip is sharper than stated, or that the trace holds spikes.
    resolution_um
        Sag of the tip over half a spacing, dx²/(8R), µm: contacts between two samples are not seen, and the bounds are
        no sharper than this.
    """

    lowest_um: _Floats
    highest_um: _Floats
    touched_share_percent: float
    excess_um: float
    resolution_um: float


def tip_radius_um(trace: Trace) -> float | None:
    """Radius of the tip by the trace's own word, µm; None where it says nothing that is a number above 0.

    Parameters
    ----------
    trace : Trace
        With the fact ``tip_radius_um``, if it has it.
    """
    try:
        radius_um = float(trace.facts.get("tip_radius_um", ""))
    except ValueError:
        return None
    return radius_um if 0.0 < radius_um < math.inf else None


def smaller_tip_bounds(
    z_um: _Floats, spacing_um: float, tip_radius_um: float, smaller_radius_um: float
) -> SmallerTipBounds:
    """Bound the trace that a smaller tip would have given.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Trace of a tip of radius `tip_radius_um`, unfiltered, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    tip_radius_um : float
        Radius R of the tip that traced, µm.
    smaller_radius_um : float
        Radius of the tip asked about, µm; 0 asks for the surface itself.

    Returns
    -------
    SmallerTipBounds
        Bounds at every sample. Within reach of an end the tip may have rested on what lies beyond, so there the trace
        itself is the upper bound and no contact is certain. What stands above the traceable height (`excess_um`) is
        left out of the bounds.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If the radii are not numbers with R above 0 and the smaller one between 0 and R.

    References
    ----------
    ISO 16610-41; J. S. Villarrubia (1997).
    """
    heights = checked_heights(z_um, spacing_um)
    _check_radii(tip_radius_um, smaller_radius_um)
    bound = erosion(heights, spacing_um, tip_radius_um)
    traceable = dilation(bound, spacing_um, tip_radius_um)
    touched = _certain_contacts(bound, traceable, spacing_um, tip_radius_um)
    highest = dilation(bound, spacing_um, smaller_radius_um)
    ends = _steps(smaller_radius_um, spacing_um)
    if ends:
        highest[:ends], highest[-ends:] = heights[:ends], heights[-ends:]
    # A floor so low that it shows wherever nothing touched is in reach.
    base_um = float(bound.min()) - smaller_radius_um
    lowest = dilation(np.where(touched, bound, base_um - 1.0), spacing_um, smaller_radius_um)
    lowest[lowest < base_um] = -np.inf
    return SmallerTipBounds(
        lowest_um=lowest,
        highest_um=highest,
        touched_share_percent=100.0 * float(np.mean(touched)),
        excess_um=float((heights - traceable).max()),
        resolution_um=spacing_um * spacing_um / (8.0 * tip_radius_um),
    )


def shortest_followed_wavelength_um(amplitude_um: float, tip_radius_um: float) -> float:
    """Shortest wavelength of a sine down to whose valley the tip still reaches.

    Parameters
    ----------
    amplitude_um : float
        Amplitude a of the sine, half its height from crest to trough, µm.
    tip_radius_um : float
        Radius r of the tip, µm.

    Returns
    -------
    float
        ``2π sqrt(a r)``, µm: there the valley's radius of curvature λ²/(4π² a) is the tip's.

    References
    ----------
    Curvature of a sine at its trough (closed form).
    """
    return 2.0 * math.pi * math.sqrt(amplitude_um * tip_radius_um)


def tip_findings(
    tip_radius_um: float | None,
    spacing_um: float,
    short_cutoff_um: float | None,
    *,
    ra_um: float | None = None,
    rz_um: float | None = None,
) -> tuple[Finding, ...]:
    """Say whether λs and spacing suit the tip.

    Parameters
    ----------
    tip_radius_um : float or None
        Radius of the tip, µm; None where it is not known: then only the spacing is looked at.
    spacing_um : float
        Sampling spacing, µm.
    short_cutoff_um : float or None
        λs, µm; None: no S-filter.
    ra_um, rz_um : float or None
        Ra and Rz found, µm, where known: on a coarse surface a 5 µm tip serves where the table asks for 2 µm.

    Returns
    -------
    tuple of Finding
        ``tip-too-large`` (a warning; only for information where the surface is coarse enough), ``spacing-too-wide``,
        ``no-short-cutoff``, ``short-cutoff-below-table``; empty if all suits.

    Raises
    ------
    SettingsError
        If the radius, the spacing or λs is not a number above 0.

    References
    ----------
    ISO 3274:1996 table 1 and note 1 (from memory).
    """
    for name, value in (("tip radius", tip_radius_um), ("spacing", spacing_um), ("λs", short_cutoff_um)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise SettingsError(f"{name} is {value} µm; it must be a number above 0")
    evidence = {"spacing_um": spacing_um}
    if tip_radius_um is not None:
        evidence["tip_radius_um"] = tip_radius_um
    if short_cutoff_um is None and tip_radius_um is None:
        return ()
    if short_cutoff_um is None:
        text = (
            f"without an S-filter the tip of {tip_radius_um:g} µm and the spacing of {spacing_um:g} µm alone decide "
            "the shortest wave; choose a λs to compare with other instruments"
        )
        return (Finding(id="no-short-cutoff", severity=Severity.INFO, text=text, evidence=evidence),)
    evidence["short_cutoff_um"] = short_cutoff_um
    rows = [row for row in setting_table(Standard.ISO_4287) if row.short_cutoff_um <= short_cutoff_um]
    if not rows:
        text = (
            f"λs {short_cutoff_um:g} µm is shorter than any of ISO 3274 table 1; "
            "which tip and spacing carry it is not standardised"
        )
        return (Finding(id="short-cutoff-below-table", severity=Severity.WARNING, text=text, evidence=evidence),)
    row = rows[-1]
    findings = []
    if tip_radius_um is not None and tip_radius_um > row.max_tip_radius_um:
        coarse = (ra_um or 0.0) > _COARSE_RA_UM or (rz_um or 0.0) > _COARSE_RZ_UM
        findings.append(
            _tip_too_large(evidence, row.max_tip_radius_um, coarse=coarse and tip_radius_um <= _COARSE_TIP_UM)
        )
    if spacing_um > row.max_spacing_um:
        text = (
            f"a spacing of {spacing_um:g} µm cannot carry λs {short_cutoff_um:g} µm; "
            f"trace with {row.max_spacing_um:g} µm or less, or choose a longer λs"
        )
        findings.append(
            Finding(
                id="spacing-too-wide",
                severity=Severity.WARNING,
                text=text,
                evidence=evidence | {"max_spacing_um": row.max_spacing_um},
            )
        )
    return tuple(findings)


def _tip_too_large(evidence: dict[str, float], limit_um: float, *, coarse: bool) -> Finding:
    text = (
        f"a tip of {evidence['tip_radius_um']:g} µm is blunter than λs {evidence['short_cutoff_um']:g} µm allows "
        f"({limit_um:g} µm); "
    )
    text += "on a surface as coarse as this it makes no significant difference" if coarse else "narrow valleys are lost"
    return Finding(
        id="tip-too-large",
        severity=Severity.INFO if coarse else Severity.WARNING,
        text=text,
        evidence=evidence | {"max_tip_radius_um": limit_um},
    )


def _check_radii(tip_radius_um: float, smaller_radius_um: float) -> None:
    if not (math.isfinite(tip_radius_um) and tip_radius_um > 0):
        raise SettingsError(f"the tip radius is {tip_radius_um} µm; it must be a number above 0")
    if not 0 <= smaller_radius_um <= tip_radius_um:
        raise SettingsError(
            f"the smaller tip has {smaller_radius_um} µm; it must lie between 0 and the {tip_radius_um} µm that traced"
        )


def _steps(radius_um: float, spacing_um: float) -> int:
    """Whole spacings within the radius."""
    return math.floor(radius_um / spacing_um * (1.0 + 1e-12))


def _certain_contacts(bound: _Floats, traceable: _Floats, spacing_um: float, tip_radius_um: float) -> NDArray[np.bool_]:
    """Samples through which every surface of this trace passes: the tip had one contact somewhere, shape (N,)."""
    points = bound.size
    steps = _steps(tip_radius_um, spacing_um)
    touched = np.zeros(points, dtype=np.bool_)
    # Nearer to an end the tip may rest on what lies beyond it.
    middle = np.arange(steps, points - steps)
    if middle.size == 0:
        return touched
    level = traceable[middle] - _TIE * float(np.abs(bound).max())
    sag = sag_um(steps, spacing_um, tip_radius_um)
    contacts = np.zeros(middle.size, dtype=np.intp)
    place = np.zeros(middle.size, dtype=np.intp)
    for step in range(-steps, steps + 1):
        start = steps + step
        hit = bound[start : start + middle.size] - sag[abs(step)] >= level
        contacts += hit
        place[hit] = middle[hit] + step
    touched[place[contacts == 1]] = True
    return touched
