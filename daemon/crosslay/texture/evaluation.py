"""The one door: ``evaluate(trace, settings) -> Evaluation``."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.family import Measured, Values, family_profile, measure, section_values
from crosslay.texture.form import parse_form, remove_form
from crosslay.texture.grid import EvenHeights, even_heights
from crosslay.texture.requested import put_requested, read_requests
from crosslay.texture.separation import Separated, separate
from crosslay.texture.settings import (
    DEFAULT_SECTIONS,
    FilterKind,
    Settings,
    Standard,
    class_of_cutoff,
    default_short_cutoff_um,
)
from crosslay.texture.stretch import left_out_ends
from crosslay.texture.tip import tip_findings, tip_radius_um
from crosslay.texture.trace import Finding, Trace
from crosslay.texture.waviness import primary_in_window, waviness_in_window

# Arrays of the trace's length that an evaluation holds at its peak, and from where on the C library maps them.
_HELD_ARRAYS = 12
_LONG_TRACE = 16_384
# glibc heeds blocks up to 32 MiB.
_LARGEST_BLOCK = 4_000_000


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
    requests = read_requests(settings.parameters, settings.standard)
    skip_start_mm, skip_end_mm = left_out_ends(trace, settings)
    even = even_heights(trace, skip_start_mm=skip_start_mm, skip_end_mm=skip_end_mm)
    _settle_allocator(even.z_um.size)
    separated = separate(even, settings)
    values = Values()
    largest_raw_um = max(float(even.z_um.max()), -float(even.z_um.min()))
    measured = _measure(values, separated, settings, largest_raw_um)
    put_requested(values, requests, measured)
    findings = even.findings + separated.findings + _suitability(trace, separated, values)
    filters: dict[str, str] = {}
    if settings.motif is not None:
        findings += _put_motifs(values, filters, even, settings)
    return Evaluation(
        settings=_used(settings, separated, even.z_um.size),
        parameters=values.parameters,
        units=values.units,
        undefined=values.undefined,
        sections=section_values(measured["R"].sections),
        profiles=Profiles(
            primary=separated.primary_um,
            roughness=separated.roughness_um,
            waviness=separated.mean_line_um,
            start=separated.window.start,
            stop=separated.window.stop,
        ),
        findings=findings,
        filters=filters,
    )


def _suitability(trace: Trace, separated: Separated, values: Values) -> tuple[Finding, ...]:
    """Whether spacing and tip carry the λs that was applied; a trace that cannot is evaluated all the same."""
    if separated.short_cutoff_um is None:
        return ()
    return tip_findings(
        tip_radius_um(trace),
        separated.spacing_um,
        separated.short_cutoff_um,
        ra_um=values.parameters["Ra"],
        rz_um=values.parameters["Rz"],
    )


def _settle_allocator(points: int) -> None:
    """Let the C library keep memory from one step of a long evaluation to the next.

    glibc maps large blocks afresh with every request and hands the top of its heap back, so that every array of a long
    trace is paid for page by page, up to a third of the whole time. The sizes at which it does so rise with the largest
    block that it has seen given back. This one is never touched and costs nothing; elsewhere it does nothing.
    """
    if points > _LONG_TRACE:
        np.empty(min(_HELD_ARRAYS * points, _LARGEST_BLOCK))


def _measure(values: Values, separated: Separated, settings: Settings, largest_raw_um: float) -> dict[str, Measured]:
    """Values of R, then P, then W, and the measured profiles by family letter."""
    window, spacing_um = separated.window, separated.spacing_um
    profiles = {
        "R": (separated.roughness_um[window.start : window.stop], window.section_points),
        "P": (primary_in_window(separated.primary_um, window), window.points),
        "W": (
            waviness_in_window(
                separated.mean_line_um, spacing_um, window, waviness_cutoff_mm=settings.waviness_cutoff_mm
            ),
            window.points,
        ),
    }
    return measure(
        values,
        tuple(
            family_profile(
                letter,
                heights,
                standard=settings.standard,
                spacing_um=spacing_um,
                section_points=section_points,
                largest_raw_um=largest_raw_um,
            )
            for letter, (heights, section_points) in profiles.items()
        ),
    )


def _put_motifs(values: Values, filters: dict[str, str], even: EvenHeights, settings: Settings) -> tuple[Finding, ...]:
    """Note the motif parameters, and that no L-filter had a part in them."""
    # Few ask for motifs; the daemon starts without them.
    from crosslay.texture.motif_values import MOTIF_SYMBOLS, put_motifs

    assert settings.motif is not None
    levelled = remove_form(even.z_um, even.spacing_um, parse_form(settings.form))
    findings = put_motifs(values, levelled, even.spacing_um, settings.motif)
    filters.update(dict.fromkeys(MOTIF_SYMBOLS, FilterKind.NONE.value))
    return findings


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
