"""From even heights to primary profile and mean line, with the cut-off given or found from the trace itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceTooShortError
from crosslay.texture.filters import gaussian
from crosslay.texture.filters.dispatch import mean_line
from crosslay.texture.form import parse_form, remove_form
from crosslay.texture.grid import EvenHeights
from crosslay.texture.settings import (
    DEFAULT_SECTIONS,
    SettingClass,
    Settings,
    class_for_limit,
    default_short_cutoff_um,
    require_lambda_c_below_lambda_f,
    require_lambda_s_below_lambda_c,
    setting_table,
)
from crosslay.texture.trace import Finding, Severity
from crosslay.texture.window import Window, place_window

# The class to begin with when neither a cut-off nor a limit is given: the middle one.
_FIRST_CLASS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Separated:
    """Primary profile and mean line over the whole trace, and the evaluation length on it.

    Attributes
    ----------
    primary_um, mean_line_um, roughness_um
        Shape (N,), µm; roughness is the difference of the others.
    spacing_um, cutoff_mm, short_cutoff_um
        Sampling spacing, µm; λc, mm; λs, µm, or None.
    window
        Evaluation length.
    findings
        What finding the class gave rise to.
    """

    primary_um: NDArray[np.float64]
    mean_line_um: NDArray[np.float64]
    roughness_um: NDArray[np.float64]
    spacing_um: float
    cutoff_mm: float
    short_cutoff_um: float | None
    window: Window
    findings: tuple[Finding, ...] = ()


def separate(even: EvenHeights, settings: Settings) -> Separated:
    """Remove the form, apply λs and λc and place the window.

    Parameters
    ----------
    even : EvenHeights
        Heights of the whole trace.
    settings : Settings
        With ``cutoff_mm`` None the setting class is found from the trace itself.

    Raises
    ------
    TraceError, TraceTooShortError, SettingsError
        See `evaluate`.
    """
    if settings.cutoff_mm is not None:
        return _separate_at(even, settings, cutoff_mm=settings.cutoff_mm)
    return _separate_by_own_class(even, settings)


def _separate_at(even: EvenHeights, settings: Settings, *, cutoff_mm: float) -> Separated:
    spacing_um = even.spacing_um
    window = place_window(
        even.z_um.size,
        spacing_um,
        cutoff_mm,
        sections=settings.sections or DEFAULT_SECTIONS,
        kind=settings.filter,
    )
    short_cutoff_um: float | None
    if isinstance(settings.short_cutoff_um, str):
        short_cutoff_um = default_short_cutoff_um(cutoff_mm, settings.standard)
    else:
        short_cutoff_um = settings.short_cutoff_um
    primary = remove_form(even.z_um, spacing_um, parse_form(settings.form))
    if short_cutoff_um is not None:
        require_lambda_s_below_lambda_c(short_cutoff_um, cutoff_mm)
        primary = gaussian.mean_line(primary, spacing_um, short_cutoff_um / 1000.0)
    if settings.waviness_cutoff_mm is not None:
        require_lambda_c_below_lambda_f(cutoff_mm, settings.waviness_cutoff_mm)
    line = mean_line(primary, spacing_um, cutoff_mm, kind=settings.filter)
    return Separated(
        primary_um=primary,
        mean_line_um=line,
        roughness_um=primary - line,
        spacing_um=spacing_um,
        cutoff_mm=cutoff_mm,
        short_cutoff_um=short_cutoff_um,
        window=window,
    )


def _separate_by_own_class(even: EvenHeights, settings: Settings) -> Separated:
    """Repeat until the class that the estimate implies is the class that was used.

    The estimate is Ra (decision: the page names no parameter; Ra has the same limits in both editions).
    """
    table = setting_table(settings.standard)
    longest = _longest_that_fits(even.z_um.size, even.spacing_um, settings, table)
    tried: dict[int, Separated] = {}
    present = min(_FIRST_CLASS, longest)
    while True:
        tried[present] = _separate_at(even, settings, cutoff_mm=table[present].cutoff_mm)
        wanted_row = class_for_limit("Ra", _estimate_um(tried[present]), settings.standard)
        assert wanted_row is not None
        wanted = table.index(wanted_row)
        if wanted == present:
            return tried[present]
        if wanted > longest:
            if present == longest:
                return _with_finding(tried[longest], _too_short(table[wanted], table[longest]))
            wanted = longest
        if wanted in tried:
            larger = max(wanted, present)
            return _with_finding(tried[larger], _oscillating(table[min(wanted, present)], table[larger]))
        present = wanted


def _longest_that_fits(points: int, spacing_um: float, settings: Settings, table: tuple[SettingClass, ...]) -> int:
    sections = settings.sections or DEFAULT_SECTIONS
    for index in range(len(table) - 1, 0, -1):
        try:
            place_window(points, spacing_um, table[index].cutoff_mm, sections=sections, kind=settings.filter)
        except TraceTooShortError:
            continue
        return index
    return 0  # a trace too short even for this one is refused where it is evaluated


def _estimate_um(separated: Separated) -> float:
    here = slice(separated.window.start, separated.window.stop)
    return float(np.abs(separated.roughness_um[here]).mean())


def _with_finding(separated: Separated, finding: Finding) -> Separated:
    return replace(separated, findings=(*separated.findings, finding))


def _too_short(wanted: SettingClass, used: SettingClass) -> Finding:
    return Finding(
        id="trace-too-short-for-class",
        severity=Severity.WARNING,
        text=(
            f"The roughness asks for setting class {wanted.name} (cut-off {wanted.cutoff_mm:g} mm), which the trace is "
            f"too short for; {used.name} ({used.cutoff_mm:g} mm), the longest that fits, was used. "
            f"Trace at least {wanted.travel_mm:g} mm."
        ),
        evidence={
            "wanted_cutoff_mm": wanted.cutoff_mm,
            "used_cutoff_mm": used.cutoff_mm,
            "needed_travel_mm": wanted.travel_mm,
        },
    )


def _oscillating(shorter: SettingClass, larger: SettingClass) -> Finding:
    return Finding(
        id="setting-class-undecided",
        severity=Severity.WARNING,
        text=(
            f"The roughness lies between two setting classes: at cut-off {shorter.cutoff_mm:g} mm it asks for "
            f"{larger.cutoff_mm:g} mm and the other way round. The larger was used; give the cut-off to decide it."
        ),
        evidence={"shorter_cutoff_mm": shorter.cutoff_mm, "used_cutoff_mm": larger.cutoff_mm},
    )
