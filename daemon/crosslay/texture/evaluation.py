"""The one door: ``evaluate(trace, settings) -> Evaluation``."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.settings import FilterKind, Settings, Standard
from crosslay.texture.trace import Finding, Trace


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
    """Compute the surface texture of one trace (page *texture*, sections 1 to 5)."""
    raise NotImplementedError
