"""All values of one profile: R, P or W."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.height import (
    FLAT_REASON,
    SectionHeights,
    largest_sliding_height,
    moments_by_section,
    moments_over_all,
    section_heights,
)
from crosslay.texture.settings import Standard
from crosslay.texture.spacing import ProfileElements, band_count, profile_elements
from crosslay.texture.undefined import Undefined

#: A profile whose total height stays below this share of the largest raw height is flat (design: texture, section 1).
FLAT_SHARE = 1e-12
DEFAULT_BAND_UM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FamilyProfile:
    """One profile in the evaluation window.

    Attributes
    ----------
    letter
        ``R``, ``P`` or ``W``, the first letter of its symbols.
    heights_um
        Shape (M,), µm; all 0 where the profile is flat.
    spacing_um, section_points
        Sampling spacing, µm; samples of a section (for P and W the whole window).
    flat
        True where the total height is lost in the rounding of the raw heights.
    """

    letter: str
    heights_um: NDArray[np.float64]
    spacing_um: float
    section_points: int
    flat: bool


@dataclass(slots=True)
class Values:
    """Values by symbol while they are gathered."""

    parameters: dict[str, float | None] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    undefined: dict[str, str] = field(default_factory=dict)

    def put(self, symbol: str, unit: str, value: float | Undefined) -> None:
        """Note a value, or why there is none."""
        self.units[symbol] = unit
        if isinstance(value, Undefined):
            self.parameters[symbol] = None
            self.undefined[symbol] = value.reason
        else:
            self.parameters[symbol] = value


def family_profile(
    letter: str, heights_um: NDArray[np.float64], *, spacing_um: float, section_points: int, largest_raw_um: float
) -> FamilyProfile:
    """Profile of a family, taken as 0 where it is flat."""
    total = float(heights_um.max()) - float(heights_um.min())
    flat = total < FLAT_SHARE * largest_raw_um or total == 0.0
    return FamilyProfile(
        letter=letter,
        heights_um=np.zeros_like(heights_um) if flat else heights_um,
        spacing_um=spacing_um,
        section_points=section_points,
        flat=flat,
    )


def add_heights(values: Values, profile: FamilyProfile, standard: Standard) -> SectionHeights:
    """Note the height parameters and return the sections' values."""
    letter = profile.letter
    sections = section_heights(profile.heights_um, profile.section_points)
    by_section = standard in (Standard.ISO_4287, Standard.JIS_B_0601)
    moments = moments_by_section(sections) if by_section else moments_over_all(sections)
    values.put(f"{letter}a", "um", moments.ra)
    values.put(f"{letter}q", "um", moments.rq)
    values.put(f"{letter}sk", "1", moments.rsk)
    values.put(f"{letter}ku", "1", moments.rku)
    peak, valley = float(sections.peak.max()), float(sections.valley.max())
    mean_peak, mean_valley = float(sections.peak.mean()), float(sections.valley.mean())
    if standard is Standard.ASME_B46_1:
        values.put(f"{letter}p", "um", peak)
        values.put(f"{letter}v", "um", valley)
        values.put(f"{letter}pm", "um", mean_peak)
    else:
        values.put(f"{letter}p", "um", mean_peak)
        values.put(f"{letter}v", "um", mean_valley)
    values.put(f"{letter}z", "um", float(sections.total.mean()))
    if standard is Standard.ISO_21920:
        values.put(f"{letter}pt", "um", peak)
        values.put(f"{letter}vt", "um", valley)
        values.put(f"{letter}zx", "um", largest_sliding_height(profile.heights_um, profile.section_points))
    elif standard is Standard.ASME_B46_1:
        values.put(f"{letter}max", "um", float(sections.total.max()))
    else:
        values.put(f"{letter}z1max", "um", float(sections.total.max()))
    values.put(f"{letter}t", "um", peak + valley)
    return sections


def add_spacing(values: Values, profile: FamilyProfile, standard: Standard) -> None:
    """Note Rsm, Rc and the peak counts; needs the heights noted before."""
    letter = profile.letter
    elements: ProfileElements | Undefined = Undefined(FLAT_REASON)
    if not profile.flat:
        rz_um = values.parameters[f"{letter}z"] or 0.0
        elements = profile_elements(profile.heights_um, profile.spacing_um, profile.section_points, rz_um=rz_um)
    width: float | Undefined
    height: float | Undefined
    count: float | Undefined
    if isinstance(elements, Undefined):
        width = height = count = elements
    else:
        width, height, count = elements.mean_width_mm, elements.mean_height_um, elements.peaks_per_cm
    new = standard is Standard.ISO_21920
    values.put(f"{letter}sm" if new else f"{letter}Sm", "mm", width)
    values.put(f"{letter}c", "um", height)
    values.put(f"{letter}pc" if new else f"{letter}Pc", "/cm", count)
    if standard in (Standard.ISO_21920, Standard.ASME_B46_1):
        symbol = "Pc" if letter == "R" else f"{letter}Pc"
        crossings = band_count(profile.heights_um, profile.spacing_um, DEFAULT_BAND_UM)
        values.put(f"{symbol}({DEFAULT_BAND_UM:g})", "/cm", crossings)


def section_values(sections: SectionHeights) -> dict[str, tuple[float, ...]]:
    """Per-section values of R as they are kept with the result."""
    return {
        "Ra": tuple(sections.mean_abs.tolist()),
        "Rq": tuple(np.sqrt(sections.mean_square).tolist()),
        "Rp": tuple(sections.peak.tolist()),
        "Rv": tuple(sections.valley.tolist()),
        "Rz": tuple(sections.total.tolist()),
    }
