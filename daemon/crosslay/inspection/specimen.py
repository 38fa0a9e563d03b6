"""Reference specimens: what a certificate says, under which conditions, and within which limits the gauge must agree.

No published standard that was at hand gives a tolerance for the daily check of a gauge on a specimen. The limits here
are settings of the station and claim no standard (page *reference-values*, section 14).

References
----------
ISO 5436-1:2000 (types of specimens; from memory); ISO 12179 (what each type is for; from memory).
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, field

from crosslay.errors import SettingsError
from crosslay.inspection.symbols import UNITS
from crosslay.texture.settings import Settings


class SpecimenType(enum.Enum):
    """Type of ISO 5436-1."""

    A = "A"
    """Depth: a wide groove."""
    B = "B"
    """Tip condition: narrow grooves."""
    C = "C"
    """Periodic profile."""
    D = "D"
    """Irregular profile."""


class GrooveBottom(enum.Enum):
    """Shape of a wide groove: type A1 or A2."""

    FLAT = "flat"
    ROUNDED = "rounded"


#: Symbol of the depth of a wide groove and of the effective tip radius.
DEPTH = "d"
TIP_RADIUS = "rtip"
#: What each type may be certified for; the older spelling of Rsm counts too.
PARAMETERS: dict[SpecimenType, tuple[str, ...]] = {
    SpecimenType.A: (DEPTH,),
    SpecimenType.B: (TIP_RADIUS,),
    SpecimenType.C: ("Ra", "Rq", "Rz", "Rt", "Rsm", "RSm", "Pa", "Pq", "Pt", "Psm"),
    SpecimenType.D: ("Ra", "Rq", "Rz", "Rt", "Rzx", "Rz1max", "Rmax"),
}
LEAST_TRACES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One reference specimen as its certificate and the station file describe it.

    Attributes
    ----------
    name
        What the station calls it.
    type
        Type of ISO 5436-1.
    parameter
        What is certified: ``d`` for type A, ``rtip`` for type B, a symbol such as ``Ra`` for C and D.
    certified
        Certified value, in `unit`. For type B, whose certificate names groove widths, the radius that the tip of the
        gauge ought to have.
    expanded_uncertainty, coverage_factor
        U of the certificate in the same unit, and its k; U = k·u.
    certificate
        Its number.
    settings
        Conditions of the certificate: standard, λc, λs, filter, sections. Types A and B use only the zones to leave out
        and, where it is a number, λs.
    tolerance_percent, warn_percent
        Largest deviation from the certified value, %, that is in tolerance, and that needs no warning. A setting of the
        station: no published standard gives one.
    repeatability_limit_percent, place_limit_percent
        Largest standard deviation of readings at one place and between places, % of the certified value; None: only the
        uncertainty that they lead to counts.
    least_traces
        Fewer readings make no check.
    groove_width_mm, groove_bottom
        Width W of the wide groove (type A), mm, between its upper edges; flat (A1) or rounded (A2).
    narrow_widths_um, narrow_depth_um, cone_angle_deg
        Type B: widths of the narrow grooves in the order in which they are crossed, µm; their depth, µm, if known;
        whole angle of the tip's cone, degrees.
    pitch_mm
        Nominal period of a type C specimen, mm; a trace with another one is not from this specimen. None: not checked.
    certificate_tip_radius_um
        Radius of the tip that the certificate was made with, µm.
    measuring_zone
        Where to measure, in words.

    Raises
    ------
    SettingsError
        A number is out of its range, or the type and the parameter do not fit.
    """

    name: str
    type: SpecimenType
    parameter: str
    certified: float
    expanded_uncertainty: float
    tolerance_percent: float
    warn_percent: float
    coverage_factor: float = 2.0
    certificate: str = ""
    settings: Settings = field(default_factory=Settings)
    repeatability_limit_percent: float | None = None
    place_limit_percent: float | None = None
    least_traces: int = LEAST_TRACES
    groove_width_mm: float | None = None
    groove_bottom: GrooveBottom = GrooveBottom.FLAT
    narrow_widths_um: tuple[float, ...] = ()
    narrow_depth_um: float | None = None
    cone_angle_deg: float = 60.0
    pitch_mm: float | None = None
    certificate_tip_radius_um: float | None = None
    measuring_zone: str = ""

    def __post_init__(self) -> None:
        allowed = PARAMETERS[self.type]
        if self.parameter not in allowed:
            raise SettingsError(f'specimen "{self.name}": type {self.type.value} is not certified for '
                                f'"{self.parameter}"; use one of {", ".join(allowed)}')
        positive = ("certified", "expanded_uncertainty", "coverage_factor", "tolerance_percent", "warn_percent",
                    "repeatability_limit_percent", "place_limit_percent", "groove_width_mm", "narrow_depth_um",
                    "pitch_mm", "certificate_tip_radius_um")
        for name in positive:
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise SettingsError(f'specimen "{self.name}": {name} is {value}; it must be a number above 0')
        if self.warn_percent > self.tolerance_percent:
            raise SettingsError(f'specimen "{self.name}": warn_percent {self.warn_percent:g} is above '
                                f"tolerance_percent {self.tolerance_percent:g}; a warning comes first")
        if self.least_traces < 2:
            raise SettingsError(f'specimen "{self.name}": least_traces is {self.least_traces}; one trace says nothing '
                                "about its own spread, so it must be 2 or more")
        self._require_shape()

    def _require_shape(self) -> None:
        if self.type is SpecimenType.A and self.groove_width_mm is None:
            raise SettingsError(f'specimen "{self.name}": type A needs groove_width_mm, the width of its groove')
        if self.type is not SpecimenType.B:
            return
        if not self.narrow_widths_um or not all(math.isfinite(width) and width > 0 for width in self.narrow_widths_um):
            raise SettingsError(f'specimen "{self.name}": type B needs narrow_widths_um, the widths of its grooves, '
                                "each above 0")
        if not 0 < self.cone_angle_deg < 180:
            raise SettingsError(f'specimen "{self.name}": cone_angle_deg is {self.cone_angle_deg:g}; it must lie '
                                "between 0 and 180")

    @property
    def unit(self) -> str:
        """``um`` or ``mm``."""
        return UNITS.get(self.parameter, "um")

    @property
    def standard_uncertainty(self) -> float:
        """U/k of the certificate, in `unit`."""
        return self.expanded_uncertainty / self.coverage_factor
