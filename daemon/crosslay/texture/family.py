"""All values of one profile, R, P or W, under the symbols of one standard."""

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
from crosslay.texture.hybrid import length_parameters, slope_parameters
from crosslay.texture.material_ratio import (
    Curve,
    core_parameters,
    height_difference,
    material_curve,
    volume_parameters,
)
from crosslay.texture.peak_count import band_count, ten_point_height
from crosslay.texture.probability import probability_parameters
from crosslay.texture.settings import Standard
from crosslay.texture.spacing import ProfileElements, profile_elements
from crosslay.texture.spectral import lengths_and_wavelengths_mm
from crosslay.texture.symbols import ALWAYS
from crosslay.texture.undefined import Undefined

#: A profile whose total height stays below this share of the largest raw height is flat (design: texture, section 1).
FLAT_SHARE = 1e-12
#: Half height of the band of the peak count that is always given, µm.
DEFAULT_BAND_UM = 0.5

Value = float | Undefined


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FamilyProfile:
    """One profile in the evaluation window.

    Attributes
    ----------
    letter
        ``R``, ``P`` or ``W``, the first letter of its symbols.
    standard
        Whose symbols and averaging.
    heights_um
        Shape (M,), µm; all 0 where the profile is flat.
    spacing_um, section_points
        Sampling spacing, µm; samples of a section (for P and W the whole window).
    flat
        True where the total height is lost in the rounding of the raw heights.
    """

    letter: str
    standard: Standard
    heights_um: NDArray[np.float64]
    spacing_um: float
    section_points: int
    flat: bool

    @property
    def always(self) -> dict[str, str]:
        """Symbols that are always given of this profile, by stem."""
        return ALWAYS[self.standard][self.letter]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A measured profile with what further parameters are read from.

    Attributes
    ----------
    profile
        The profile.
    sections
        Heights per section.
    curve
        Material ratio curve.
    """

    profile: FamilyProfile
    sections: SectionHeights
    curve: Curve


@dataclass(slots=True)
class Values:
    """Values by symbol while they are gathered."""

    parameters: dict[str, float | None] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    undefined: dict[str, str] = field(default_factory=dict)

    def put(self, name: str, unit: str, value: Value) -> None:
        """Note a value, or why there is none."""
        self.units[name] = unit
        if isinstance(value, Undefined):
            self.parameters[name] = None
            self.undefined[name] = value.reason
        else:
            self.parameters[name] = value

    def put_always(self, profile: FamilyProfile, unit: str, found: dict[str, Value]) -> None:
        """Note those of the values, by stem, that the standard always gives."""
        names = profile.always
        for stem, value in found.items():
            if stem in names:
                self.put(names[stem], unit, value)


def family_profile(
    letter: str,
    heights_um: NDArray[np.float64],
    *,
    standard: Standard,
    spacing_um: float,
    section_points: int,
    largest_raw_um: float,
) -> FamilyProfile:
    """Profile of a family, taken as 0 where it is flat.

    Parameters
    ----------
    letter : str
        ``R``, ``P`` or ``W``.
    heights_um : (M,) float64
        Profile in the window, µm.
    standard : Standard
        Whose symbols and averaging.
    spacing_um : float
        Sampling spacing, µm.
    section_points : int
        Samples of a section.
    largest_raw_um : float
        Largest magnitude of the raw heights, µm.
    """
    total = float(heights_um.max()) - float(heights_um.min())
    flat = total < FLAT_SHARE * largest_raw_um or total == 0.0
    return FamilyProfile(
        letter=letter,
        standard=standard,
        heights_um=np.zeros_like(heights_um) if flat else heights_um,
        spacing_um=spacing_um,
        section_points=section_points,
        flat=flat,
    )


def measure(values: Values, profiles: tuple[FamilyProfile, ...]) -> dict[str, Measured]:
    """Note every parameter that the standard always gives of these profiles.

    Parameters
    ----------
    values : Values
        Where to note them.
    profiles : tuple of FamilyProfile
        Profiles of one evaluation, all of one length.

    Returns
    -------
    dict
        The measured profiles by family letter.
    """
    measured: dict[str, Measured] = {}
    # First, because transforms take the most memory.
    repeats = _repeats(profiles)
    for profile in profiles:
        sections = section_heights(profile.heights_um, profile.section_points)
        curve = material_curve(profile.heights_um)
        _put_heights(values, profile, sections)
        _put_spacing(values, profile, rz_um=float(sections.total.mean()))
        _put_hybrid(values, profile)
        values.put_always(profile, "mm", repeats[profile.letter])
        _put_curve(values, profile, curve)
        measured[profile.letter] = Measured(profile=profile, sections=sections, curve=curve)
    return measured


def _put_heights(values: Values, profile: FamilyProfile, sections: SectionHeights) -> None:
    standard = profile.standard
    by_section = standard in (Standard.ISO_4287, Standard.JIS_B_0601)
    moments = moments_by_section(sections) if by_section else moments_over_all(sections)
    peak, valley = float(sections.peak.max()), float(sections.valley.max())
    mean_peak, mean_valley = float(sections.peak.mean()), float(sections.valley.mean())
    over_all = standard is Standard.ASME_B46_1
    largest = float(sections.total.max())
    found: dict[str, Value] = {
        "a": moments.ra,
        "q": moments.rq,
        "p": peak if over_all else mean_peak,
        "v": valley if over_all else mean_valley,
        "pm": mean_peak,
        "z": float(sections.total.mean()),
        "pt": peak,
        "vt": valley,
        "z1max": largest,
        "max": largest,
        "t": peak + valley,
    }
    if "zx" in profile.always:
        found["zx"] = largest_sliding_height(profile.heights_um, profile.section_points)
    if "zJIS" in profile.always:
        found["zJIS"] = ten_point_height(profile.heights_um, profile.section_points)
    values.put_always(profile, "um", found)
    values.put_always(profile, "1", {"sk": moments.rsk, "ku": moments.rku})


def _put_spacing(values: Values, profile: FamilyProfile, *, rz_um: float) -> None:
    elements: ProfileElements | Undefined = Undefined(FLAT_REASON)
    if not profile.flat:
        elements = profile_elements(profile.heights_um, profile.spacing_um, profile.section_points, rz_um=rz_um)
    width: Value
    height: Value
    count: Value
    if isinstance(elements, Undefined):
        width = height = count = elements
    else:
        width, height, count = elements.mean_width_mm, elements.mean_height_um, elements.peaks_per_cm
    values.put_always(profile, "mm", {"sm": width})
    values.put_always(profile, "um", {"c": height})
    values.put_always(profile, "/cm", {"pc": count})
    if "Pc(0.5)" in profile.always:
        band = band_count(profile.heights_um, profile.spacing_um, DEFAULT_BAND_UM)
        values.put_always(profile, "/cm", {"Pc(0.5)": band})


def _put_hybrid(values: Values, profile: FamilyProfile) -> None:
    slopes = slope_parameters(profile.heights_um, profile.spacing_um)
    values.put_always(profile, "1", {"dq": slopes.dq, "da": slopes.da, "dt": slopes.dt})
    if "dl" in profile.always:
        lengths = length_parameters(profile.heights_um, profile.spacing_um)
        values.put_always(profile, "mm", {"dl": lengths.dl})
        values.put_always(profile, "%", {"dr": lengths.dr})


def _repeats(profiles: tuple[FamilyProfile, ...]) -> dict[str, dict[str, Value]]:
    """Autocorrelation length and dominant wavelength, mm, by family letter and stem."""
    if "al" not in profiles[0].always:
        return {profile.letter: {} for profile in profiles}
    found = lengths_and_wavelengths_mm([profile.heights_um for profile in profiles], profiles[0].spacing_um)
    repeats: dict[str, dict[str, Value]] = {}
    for profile, (reach, wavelength) in zip(profiles, found, strict=True):
        flat = Undefined(FLAT_REASON) if profile.flat else None
        repeats[profile.letter] = {"al": flat or reach, "sw": flat or wavelength}
    return repeats


def _put_curve(values: Values, profile: FamilyProfile, curve: Curve) -> None:
    core = core_parameters(curve)
    values.put_always(profile, "um", {"dc(20,80)": height_difference(curve, 20.0, 80.0)})
    values.put_always(profile, "um", {"k": core.k, "pk": core.pk, "vk": core.vk})
    values.put_always(profile, "%", {"mrk1": core.mrk1, "mrk2": core.mrk2})
    values.put_always(profile, "um.%", {"ak1": core.ak1, "ak2": core.ak2})
    if "pq" in profile.always:
        plot = probability_parameters(curve)
        values.put_always(profile, "um", {"pq": plot.pq, "vq": plot.vq})
        values.put_always(profile, "%", {"mq": plot.mq})
    if "vmp" in profile.always:
        volumes = volume_parameters(curve)
        values.put_always(
            profile, "um", {"vmp": volumes.vmp, "vmc": volumes.vmc, "vvc": volumes.vvc, "vvv": volumes.vvv}
        )


def section_values(sections: SectionHeights) -> dict[str, tuple[float, ...]]:
    """Per-section values of R as they are kept with the result."""
    return {
        "Ra": tuple(sections.mean_abs.tolist()),
        "Rq": tuple(np.sqrt(sections.mean_square).tolist()),
        "Rp": tuple(sections.peak.tolist()),
        "Rv": tuple(sections.valley.tolist()),
        "Rz": tuple(sections.total.tolist()),
    }
