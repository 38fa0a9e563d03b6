"""``[[specimen]]``: the reference specimens that vouch for the gauge, from the station file to what a check needs."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from crosslay.errors import SettingsError
from crosslay.inspection.requirements import Wanted
from crosslay.inspection.specimen import LEAST_TRACES, GrooveBottom, Specimen, SpecimenType
from crosslay.plan.problems import Problem, dotted, shown
from crosslay.plan.sections import MAX_NAME, Section, listed, sound_cutoff, sound_form, sound_name, sound_short_cutoff
from crosslay.texture.settings import FilterKind, Settings, Standard

MAX_TRACES = 25
#: Keys that only some types have: those that a type has not, and those that it must have.
_OF_GROOVE = ("groove_width_mm", "groove_bottom")
_OF_TIP = ("narrow_widths_um", "narrow_depth_um", "cone_angle_deg")
_NOT_OF = {
    "A": ("standard", "filter", "cutoff_mm", "sections", "form", "pitch_mm", "noise_rq0_um", *_OF_TIP),
    "B": ("standard", "filter", "cutoff_mm", "sections", "form", "pitch_mm", "noise_rq0_um", *_OF_GROOVE),
    "C": (*_OF_GROOVE, *_OF_TIP),
    "D": ("pitch_mm", "noise_rq0_um", *_OF_GROOVE, *_OF_TIP),
}
_NEEDED = {"A": ("groove_width_mm",), "B": ("narrow_widths_um",)}
_LAST_YEAR = 9000


class SpecimenSection(Section):
    """One ``[[specimen]]``: what its certificate says, and how often the gauge is checked on it."""

    name: Annotated[str, AfterValidator(sound_name)]
    type: Literal["A", "B", "C", "D"]
    parameter: Annotated[str, Field(min_length=1, max_length=MAX_NAME)]
    certified: Annotated[float, Field(gt=0)]
    expanded_uncertainty: Annotated[float, Field(gt=0)]
    coverage_factor: Annotated[float, Field(ge=1, le=10)] = 2.0
    certificate: Annotated[str, Field(min_length=1, max_length=200)]
    certificate_due: dt.date
    tolerance_percent: Annotated[float, Field(gt=0, le=100)]
    warn_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    every_hours: Annotated[float, Field(gt=0, le=87_600)]
    traces: Annotated[int, Field(ge=2, le=MAX_TRACES)] = LEAST_TRACES
    check_timeout_s: Annotated[float, Field(gt=0, le=86_400)] = 300.0
    repeatability_limit_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    place_limit_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    standard: Standard = Standard.ISO_21920
    filter: FilterKind | None = None
    cutoff_mm: Annotated[float, AfterValidator(sound_cutoff)] | None = None
    short_cutoff_um: Annotated[float | Literal["none"], BeforeValidator(sound_short_cutoff)] | None = None
    sections: Annotated[int, Field(ge=1, le=10)] | None = None
    form: Annotated[str, AfterValidator(sound_form)] = "line"
    skip_start_mm: Annotated[float, Field(ge=0)] = 0.0
    skip_end_mm: Annotated[float, Field(ge=0)] = 0.0
    groove_width_mm: Annotated[float, Field(gt=0, le=100)] | None = None
    groove_bottom: GrooveBottom = GrooveBottom.FLAT
    narrow_widths_um: Annotated[tuple[Annotated[float, Field(gt=0)], ...], BeforeValidator(listed)] = ()
    narrow_depth_um: Annotated[float, Field(gt=0)] | None = None
    cone_angle_deg: Annotated[float, Field(gt=0, lt=180)] = 60.0
    pitch_mm: Annotated[float, Field(gt=0, le=100)] | None = None
    certificate_tip_radius_um: Annotated[float, Field(gt=0)] | None = None
    noise_rq0_um: Annotated[float, Field(gt=0)] | None = None
    measuring_zone: Annotated[str, Field(max_length=200)] = ""

    @model_validator(mode="after")
    def _fits_together(self) -> SpecimenSection:
        for key in _NOT_OF[self.type]:
            if key in self.model_fields_set:
                raise ValueError(f"{key} does not belong to a specimen of type {self.type}; leave it out")
        for key in _NEEDED.get(self.type, ()):
            if key not in self.model_fields_set:
                raise ValueError(f"{key} is missing; a specimen of type {self.type} needs it")
        if self.type in "CD" and self.cutoff_mm is None and not self.parameter.startswith("P"):
            raise ValueError("cutoff_mm is missing; the value holds for the cut-off of the certificate only")
        if self.expanded_uncertainty >= self.certified:
            raise ValueError(f"expanded_uncertainty = {self.expanded_uncertainty:g} is not below certified = "
                             f"{self.certified:g}; both are in the unit of {self.parameter}")  # fmt: skip
        if self.warn_percent is not None and self.warn_percent > self.tolerance_percent:
            raise ValueError(f"warn_percent = {self.warn_percent:g} must not be above tolerance_percent = "
                             f"{self.tolerance_percent:g}; a warning comes first")  # fmt: skip
        if self.certificate_due.year > _LAST_YEAR:
            raise ValueError(f"certificate_due = {self.certificate_due} is no day that a certificate ends on")
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """A specimen of the station file.

    Attributes
    ----------
    specimen
        What the computation needs.
    traces
        Traverses that make a check.
    every_hours
        Longest time between checks, h.
    check_timeout_s
        Longest wait for the next trace of a check that is begun, s.
    certificate_due
        Last day of the certificate.
    noise_rq0_um
        Noise Rq0 of the gauge, µm, where it is known: without it no correction is taken from a type C.
    digest
        SHA-256 of what the certificate and the tolerance say: another one needs another check.
    """

    specimen: Specimen
    traces: int
    every_hours: float
    check_timeout_s: float
    certificate_due: dt.date
    noise_rq0_um: float | None
    digest: str

    @property
    def name(self) -> str:
        """What the station calls it."""
        return self.specimen.name

    @property
    def every_s(self) -> float:
        """Longest time between checks, s."""
        return 3600.0 * self.every_hours

    @property
    def certificate_ends_s(self) -> float:
        """End of the certificate's last day, UTC, seconds since the epoch."""
        day_after = dt.datetime.combine(self.certificate_due, dt.time(), tzinfo=dt.UTC) + dt.timedelta(days=1)
        return day_after.timestamp()


def specimens_of(sections: Sequence[SpecimenSection], problems: list[Problem]) -> tuple[Registered, ...]:
    """Registered specimens; appends to `problems`."""
    registered: list[Registered] = []
    first_place: dict[str, int] = {}
    for place, section in enumerate(sections):
        path = ("specimen", place)
        if section.name in first_place:
            problems.append(Problem(dotted((*path, "name")), f"{shown(section.name)} is not allowed; names are unique, "
                                    f"and specimen[{first_place[section.name]}] has it"))  # fmt: skip
        first_place.setdefault(section.name, place)
        try:
            registered.append(_registered(section))
        except SettingsError as error:
            problems.append(Problem(dotted(path), str(error)))
    return tuple(registered)


def _registered(section: SpecimenSection) -> Registered:
    warn_percent = section.warn_percent if section.warn_percent is not None else section.tolerance_percent / 2
    specimen = Specimen(
        name=section.name, type=SpecimenType(section.type), parameter=section.parameter, certified=section.certified,
        expanded_uncertainty=section.expanded_uncertainty, coverage_factor=section.coverage_factor,
        certificate=section.certificate, settings=_settings(section), tolerance_percent=section.tolerance_percent,
        warn_percent=warn_percent, repeatability_limit_percent=section.repeatability_limit_percent,
        place_limit_percent=section.place_limit_percent, least_traces=min(LEAST_TRACES, section.traces),
        groove_width_mm=section.groove_width_mm, groove_bottom=section.groove_bottom,
        narrow_widths_um=section.narrow_widths_um, narrow_depth_um=section.narrow_depth_um,
        cone_angle_deg=section.cone_angle_deg, pitch_mm=section.pitch_mm,
        certificate_tip_radius_um=section.certificate_tip_radius_um, measuring_zone=section.measuring_zone,
    )  # fmt: skip
    return Registered(
        specimen=specimen, traces=section.traces, every_hours=section.every_hours,
        check_timeout_s=section.check_timeout_s, certificate_due=section.certificate_due,
        noise_rq0_um=section.noise_rq0_um, digest=_digest(section),
    )  # fmt: skip


def _settings(section: SpecimenSection) -> Settings:
    if section.type in "AB":
        # Depth and tip are read without a filter, unless the certificate names λs.
        short = section.short_cutoff_um if isinstance(section.short_cutoff_um, float) else None
        return Settings(short_cutoff_um=short, skip_start_mm=section.skip_start_mm, skip_end_mm=section.skip_end_mm)
    return Wanted(
        standard=section.standard, filter=section.filter, cutoff_mm=section.cutoff_mm,
        short_cutoff_um=section.short_cutoff_um, sections=section.sections, form=section.form,
        skip_start_mm=section.skip_start_mm, skip_end_mm=section.skip_end_mm,
    ).settings()  # fmt: skip


def _digest(section: SpecimenSection) -> str:
    # When to check, and what only makes for a warning, may change without a new check.
    content = section.model_dump(
        mode="json",
        exclude={"every_hours", "traces", "check_timeout_s", "warn_percent", "certificate_due", "measuring_zone",
                 "noise_rq0_um"},
    )
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
