"""The one door: ``evaluate(trace, settings) -> Evaluation``."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.family import Values, add_heights, add_spacing, family_profile, section_values
from crosslay.texture.form import parse_form, remove_form
from crosslay.texture.grid import even_heights
from crosslay.texture.height import SectionHeights
from crosslay.texture.separation import Separated, separate
from crosslay.texture.settings import (
    DEFAULT_SECTIONS,
    FilterKind,
    Settings,
    Standard,
    class_of_cutoff,
    default_short_cutoff_um,
)
from crosslay.texture.trace import Finding, Trace
from crosslay.texture.waviness import primary_in_window, waviness_in_window


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedSettings:
    """The settings that were in force, all resolved.

    Attributes
    ----------
    cutoff_mm, short_cutoff_um, waviness_cutoff_mm
        λc mm, λs µm, λf mm; None where the filter was not applied.
    sections, section_points
        n and nc; the section length is ``nc·spacing_um``.
    points, window_start, window_points
        N of the trace after skipping; first sample and number M of samples of the evaluation length.
    setting_class
        ``Sc1`` … ``Sc5`` where λc is one of the classes', else "".
    non_default
        Names of the settings that differ from the standard's default.
    """

    standard: Standard
    filter: FilterKind
    form: str
    cutoff_mm: float | None
    short_cutoff_um: float | None
    waviness_cutoff_mm: float | None
    sections: int
    spacing_um: float
    section_points: int
    points: int
    window_start: int
    window_points: int
    setting_class: str = ""
    non_default: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiles:
    """Filtered profiles over the whole trace, each shape (N,), µm.

    ``primary`` P (after form and λs), ``roughness`` R, ``waviness`` W (mean line side), and the evaluation window
    ``[start, stop)`` in samples.
    """

    primary: NDArray[np.float64]
    roughness: NDArray[np.float64]
    waviness: NDArray[np.float64]
    start: int
    stop: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evaluation:
    """What one trace amounts to under one set of settings.

    Attributes
    ----------
    parameters
        Value by symbol, None where undefined; units as in `units` (``um``, ``mm``, ``%``, ``/cm``, ``um.%``, ``1``).
    undefined
        Why a parameter is None, by symbol.
    sections
        Per-section values by symbol (``Ra``, ``Rq``, ``Rp``, ``Rv``, ``Rz``), each of length n.
    findings
        What the evaluation noticed (``uneven-spacing``).
    filters
        Filter by symbol where it was not `settings.filter`.
    """

    settings: UsedSettings
    parameters: dict[str, float | None]
    units: dict[str, str]
    undefined: dict[str, str]
    sections: dict[str, tuple[float, ...]]
    profiles: Profiles
    findings: tuple[Finding, ...] = ()
    filters: dict[str, str] = field(default_factory=dict)


def evaluate(trace: Trace, settings: Settings) -> Evaluation:
    """Compute the surface texture of one trace (page *texture*, sections 1 to 5).

    Parameters
    ----------
    trace : Trace
        Raw trace.
    settings : Settings
        What to compute.

    Returns
    -------
    Evaluation
        Values, profiles and the settings that were in force.

    Raises
    ------
    TraceError
        The trace cannot be used (not finite, too few points for the form …).
    TraceTooShortError
        It does not hold the evaluation length with run-up and run-down.
    SettingsError
        The settings contradict each other or a parameter does not exist.
    """
    _refuse_unknown_parameters(settings)
    even = even_heights(trace, skip_start_mm=settings.skip_start_mm, skip_end_mm=settings.skip_end_mm)
    levelled = remove_form(even.z_um, even.spacing_um, parse_form(settings.form))
    separated = separate(levelled, even.spacing_um, settings)
    values = Values()
    largest_raw_um = max(float(even.z_um.max()), -float(even.z_um.min()))
    sections = _measure(values, separated, settings, largest_raw_um)
    window = separated.window
    return Evaluation(
        settings=_used(settings, separated, even.z_um.size),
        parameters=values.parameters,
        units=values.units,
        undefined=values.undefined,
        sections=section_values(sections),
        profiles=Profiles(
            primary=separated.primary_um,
            roughness=separated.primary_um - separated.mean_line_um,
            waviness=separated.mean_line_um,
            start=window.start,
            stop=window.stop,
        ),
        findings=even.findings + separated.findings,
    )


def _refuse_unknown_parameters(settings: Settings) -> None:
    if settings.parameters:
        raise SettingsError(f"no parameter {settings.parameters[0]} in {settings.standard.value}")


def _measure(values: Values, separated: Separated, settings: Settings, largest_raw_um: float) -> SectionHeights:
    """Values of R, then P, then W; returns the sections of R."""
    window, spacing_um = separated.window, separated.spacing_um
    here = slice(window.start, window.stop)
    roughness = separated.primary_um[here] - separated.mean_line_um[here]
    primary = primary_in_window(separated.primary_um, window)
    waviness = waviness_in_window(
        separated.mean_line_um, spacing_um, window, waviness_cutoff_mm=settings.waviness_cutoff_mm
    )
    kept: SectionHeights | None = None
    for letter, heights, section in (
        ("R", roughness, window.section_points),
        ("P", primary, window.points),
        ("W", waviness, window.points),
    ):
        profile = family_profile(
            letter, heights, spacing_um=spacing_um, section_points=section, largest_raw_um=largest_raw_um
        )
        sections = add_heights(values, profile, settings.standard)
        add_spacing(values, profile, settings.standard)
        kept = sections if kept is None else kept
    assert kept is not None
    return kept


def _used(settings: Settings, separated: Separated, points: int) -> UsedSettings:
    standard, window, cutoff_mm = settings.standard, separated.window, separated.cutoff_mm
    row = class_of_cutoff(cutoff_mm, standard)
    departures = {
        "filter": settings.filter is not FilterKind.GAUSSIAN,
        "form": settings.form != "line",
        "cutoff_mm": row is None,
        "short_cutoff_um": separated.short_cutoff_um != default_short_cutoff_um(cutoff_mm, standard),
        "sections": window.sections != DEFAULT_SECTIONS,
    }
    return UsedSettings(
        standard=standard,
        filter=settings.filter,
        form=settings.form,
        cutoff_mm=cutoff_mm,
        short_cutoff_um=separated.short_cutoff_um,
        waviness_cutoff_mm=settings.waviness_cutoff_mm,
        sections=window.sections,
        spacing_um=separated.spacing_um,
        section_points=window.section_points,
        points=points,
        window_start=window.start,
        window_points=window.points,
        setting_class="" if row is None else row.name,
        non_default=tuple(name for name, departs in departures.items() if departs),
    )
