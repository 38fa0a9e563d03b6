"""One trace over a reference specimen: what it reads, or why it reads nothing."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import CrosslayError
from crosslay.inspection.groove import groove_depth
from crosslay.inspection.specimen import DEPTH, TIP_RADIUS, Specimen, SpecimenType
from crosslay.inspection.symbols import OTHER_SPELLING
from crosslay.inspection.tip_condition import narrow_groove_radius
from crosslay.texture.evaluation import evaluate
from crosslay.texture.filters import gaussian
from crosslay.texture.grid import even_heights
from crosslay.texture.stretch import left_out_ends
from crosslay.texture.trace import Trace
from crosslay.texture.undefined import Undefined

#: Fact of a trace that says where on the specimen it was taken.
PLACE = "place"
_PITCH_SLIP = 0.1
"""By what share the period of a type C specimen may differ from the stated one before it is another specimen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one trace over a specimen reads.

    Attributes
    ----------
    value, unit
        Of the specimen's parameter; ``um`` or ``mm``.
    place
        Where on the specimen, ``""`` where the trace does not say.
    amplification
        Correction that the trace was calibrated with.
    values
        What else it shows, by symbol: Ra, Rz and Rsm of type C, Ra and Rz of type D, in µm and mm.
    """

    value: float
    unit: str
    place: str = ""
    amplification: float = 1.0
    values: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """A trace that reads nothing, with the reason in words and the place."""

    reason: str
    place: str = ""


def read_specimen(trace: Trace, specimen: Specimen) -> Reading | Unread:
    """Read the specimen's parameter off one trace, under the conditions of its certificate.

    Parameters
    ----------
    trace : Trace
        One traverse over the specimen; its fact ``place`` says where.
    specimen : Specimen
        What was traced.

    Returns
    -------
    Reading or Unread
        Unread, with the reason, where the trace is too short, holds no such groove, is not of this specimen …; nothing
        is raised for a bad trace.
    """
    place = trace.facts.get(PLACE, "")
    try:
        values = _values(trace, specimen)
    except CrosslayError as error:
        return Unread(reason=str(error), place=place)
    if isinstance(values, Undefined):
        return Unread(reason=values.reason, place=place)
    key = specimen.parameter if specimen.parameter in values else OTHER_SPELLING.get(specimen.parameter, "")
    return Reading(
        value=values[key], unit=specimen.unit, place=place, amplification=trace.calibration.amplification, values=values
    )


def _values(trace: Trace, specimen: Specimen) -> dict[str, float] | Undefined:
    if specimen.type in (SpecimenType.C, SpecimenType.D):
        return _texture(trace, specimen)
    heights_um, spacing_um = _heights(trace, specimen)
    if specimen.type is SpecimenType.B:
        radius = narrow_groove_radius(heights_um, spacing_um, specimen)
        return radius if isinstance(radius, Undefined) else {TIP_RADIUS: radius.radius_um}
    assert specimen.groove_width_mm is not None
    groove = groove_depth(heights_um, spacing_um, specimen.groove_width_mm * 1000.0, specimen.groove_bottom)
    return groove if isinstance(groove, Undefined) else {DEPTH: groove.depth_um}


def _heights(trace: Trace, specimen: Specimen) -> tuple[NDArray[np.float64], float]:
    """Heights of a depth or tip specimen: no form, no λc; λs where the certificate names one."""
    settings = specimen.settings
    skip_start_mm, skip_end_mm = left_out_ends(trace, settings)
    even = even_heights(trace, skip_start_mm=skip_start_mm, skip_end_mm=skip_end_mm)
    if settings.short_cutoff_um is None or isinstance(settings.short_cutoff_um, str):
        return even.z_um, even.spacing_um
    return gaussian.mean_line(even.z_um, even.spacing_um, settings.short_cutoff_um / 1000.0), even.spacing_um


def _texture(trace: Trace, specimen: Specimen) -> dict[str, float] | Undefined:
    evaluation = evaluate(trace, specimen.settings)
    wanted = specimen.parameter
    if wanted not in evaluation.units:
        wanted = OTHER_SPELLING.get(wanted, wanted)
    if wanted not in evaluation.units:
        return Undefined(f"{specimen.settings.standard.value} has no parameter {specimen.parameter}")
    if evaluation.parameters[wanted] is None:
        return Undefined(f"{wanted} is undefined: {evaluation.undefined[wanted]}")
    spacing = "Rsm" if "Rsm" in evaluation.units else "RSm"
    shown = {wanted, "Ra", "Rz"} | ({spacing} if specimen.type is SpecimenType.C else set())
    values = {symbol: value for symbol in sorted(shown) if (value := evaluation.parameters.get(symbol)) is not None}
    return _not_this_one(values.get(spacing), specimen) or values


def _not_this_one(found_mm: float | None, specimen: Specimen) -> Undefined | None:
    """Why a periodic trace is of another specimen, or None."""
    if specimen.type is not SpecimenType.C or specimen.pitch_mm is None:
        return None
    if found_mm is None:
        return Undefined(f"the trace shows no period; the specimen has one of {specimen.pitch_mm:g} mm")
    if abs(found_mm - specimen.pitch_mm) > _PITCH_SLIP * specimen.pitch_mm:
        return Undefined(f"the period of the trace is {found_mm:.4g} mm, that of the specimen {specimen.pitch_mm:g} "
                         "mm: another specimen, or the traverse speed is wrong")
    return None
