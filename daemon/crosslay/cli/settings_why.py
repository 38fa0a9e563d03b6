"""Sentences that say where each setting of a call-out comes from."""

from __future__ import annotations

import math

from crosslay.cli.output import SHOWN_UNITS, number, quantity
from crosslay.inspection.callout import Callout, Side
from crosslay.inspection.gauge_fit import FASTEST_MM_S, USUAL_SPEED_MM_S, needed_sample_rate_hz, speed_limit_mm_s
from crosslay.inspection.lengths import Lengths
from crosslay.inspection.requirements import NOMINAL_MICRO_INCHES, class_of, in_nominal_inches
from crosslay.inspection.symbols import MOTIF_UNITS, family
from crosslay.texture.settings import FilterKind, Settings, Standard, class_for_limit, setting_table
from crosslay.texture.window import RUN_SHARES

_TABLES = {
    Standard.ISO_21920: "ISO 21920-3", Standard.ISO_4287: "ISO 4288", Standard.ASME_B46_1: "ASME B46.1",
    Standard.JIS_B_0601: "JIS B 0633",
}
_COLUMNS = ("upper_ra_um", "upper_rz_um", "upper_rsm_mm")


def reasons(callout: Callout, settings: Settings, lengths: Lengths, sample_rate_hz: float | None = None) -> list[str]:
    """Give one sentence or two for each setting."""
    speed = _why_speed(lengths, sample_rate_hz)
    if callout.parameter in MOTIF_UNITS:
        return [*_why_motif(callout, settings), *_why_carrier(lengths, "λs"), *speed]
    return [
        _why_cutoff(callout, settings, lengths), *_why_short(callout, lengths), _why_sections(callout, lengths),
        *_why_filter(callout, settings), *_why_travel(settings, lengths), *speed,
    ]


def shown_limit(callout: Callout) -> str:
    """Side and limit, e.g. ``Ra ≤ 0.8 µm``, with what was written in µin."""
    sign = "≤" if callout.side is Side.UPPER else "≥"
    written = "" if callout.micro_inches is None else f" ({number(callout.micro_inches, 6)} µin)"
    return f"{callout.parameter} {sign} {quantity(callout.limit, callout.unit, 6)}{written}"


def _why_cutoff(callout: Callout, settings: Settings, lengths: Lengths) -> str:
    source, cutoff_mm = _TABLES[settings.standard], lengths.cutoff_mm
    if callout.setting_class is not None and cutoff_mm is not None:
        return f"The call-out gives class {callout.setting_class} of {source}, so λc is {number(cutoff_mm)} mm."
    if callout.cutoff_mm is not None:
        return f"The call-out gives λc {number(callout.cutoff_mm)} mm."
    if cutoff_mm is None:
        return (f"{source} has no limits for {callout.parameter}, so λc follows from the trace: the class that its "
                "estimate implies.")
    row = class_of(callout, settings.standard)
    if row is not None and row.cutoff_mm == cutoff_mm:
        # ISO 4288 chooses by what was found; before anything is, the limit stands for it.
        what = "limit" if settings.standard is Standard.ISO_21920 else "limit, standing for the estimate,"
        return (f"The {what} {shown_limit(callout)} lies in class {row.name} of {source} ("
                f"{_range(callout, settings)}), so λc is {number(cutoff_mm)} mm.")
    if row is None and callout.evaluation_length_mm is not None and _divides(callout.evaluation_length_mm, lengths):
        return (f"λc is {number(cutoff_mm)} mm, so that the evaluation length of the call-out has {lengths.sections} "
                "sections, unless a call-out beside it says so.")
    return f"λc {number(cutoff_mm)} mm follows from the other call-outs beside it."


def _divides(length_mm: float, lengths: Lengths) -> bool:
    return lengths.cutoff_mm is not None and math.isclose(lengths.cutoff_mm * lengths.sections, length_mm)


def _range(callout: Callout, settings: Settings) -> str:
    """Bounds of the class in the column of the parameter, e.g. ``0.1 < Ra ≤ 2 µm``."""
    rows, column = setting_table(settings.standard), _column(callout.parameter, settings.standard)
    inches = in_nominal_inches(callout, settings.standard)
    bounds = [getattr(row, column) * (NOMINAL_MICRO_INCHES if inches else 1.0) for row in rows]
    place = next(at for at, row in enumerate(rows) if row is class_of(callout, settings.standard))
    low = f"{number(bounds[place - 1])} < " if place else ""
    high = f" ≤ {number(bounds[place])}" if math.isfinite(bounds[place]) else ""
    unit = "µin" if inches else SHOWN_UNITS.get(callout.unit, callout.unit)
    return f"{low}{callout.parameter}{high} {unit}".rstrip()


def _column(parameter: str, standard: Standard) -> str:
    """Column of the table that decides for a parameter: the one whose bounds are the parameter's."""
    table_rows = setting_table(standard)
    return next(column for column in _COLUMNS
                if all(class_for_limit(parameter, getattr(row, column), standard) is row
                       for row in table_rows if math.isfinite(getattr(row, column))))


def _why_short(callout: Callout, lengths: Lengths) -> list[str]:
    if callout.short_cutoff_um is not None:
        return [f"The call-out gives λs {number(callout.short_cutoff_um)} µm.", *_why_carrier(lengths, "it")]
    if lengths.cutoff_mm is None:
        return []
    if lengths.short_cutoff_um is None:
        return ["There is no λs in this standard."]
    return [f"λs {number(lengths.short_cutoff_um)} µm belongs to it.", *_why_carrier(lengths, "λs")]


def _why_carrier(lengths: Lengths, what: str) -> list[str]:
    if lengths.tip_radius_um is None or lengths.max_spacing_um is None:
        return []
    tip, spacing = quantity(lengths.tip_radius_um, "um"), quantity(lengths.max_spacing_um, "um")
    return [f"With {what} go a tip of at most {tip} and a spacing of at most {spacing} (ISO 3274)."]


def _why_sections(callout: Callout, lengths: Lengths) -> str:
    count = f"{lengths.sections} section{'s' if lengths.sections > 1 else ''}"
    if callout.evaluation_length_mm is not None:
        return f"The call-out gives the evaluation length {number(callout.evaluation_length_mm)} mm, {count}."
    if family(callout.parameter) == "W" and callout.sections is not None:
        return f"The call-out gives one section λf, which is {lengths.sections} λc."
    if callout.sections is not None:
        return f"The call-out gives {count}."
    return f"{lengths.sections} sections are the default."


def _why_filter(callout: Callout, settings: Settings) -> list[str]:
    if callout.filter is not None:
        return [f"The call-out gives the filter {settings.filter.value}."]
    if settings.filter is not FilterKind.GAUSSIAN:
        return [f"{callout.parameter} is evaluated with the {settings.filter.value} filter under this standard."]
    return []


def _why_travel(settings: Settings, lengths: Lengths) -> list[str]:
    if lengths.cutoff_mm is None:
        return []
    before, after = RUN_SHARES[settings.filter]
    if before == after == 0:
        return ["The travel is the evaluation length: there is no filter to run up to."]
    name = settings.filter.value
    return [f"The travel adds {number(before)} λc of run-up and {number(after)} λc of run-down for the {name} filter."]


def _why_motif(callout: Callout, settings: Settings) -> list[str]:
    limits = settings.motif
    assert limits is not None
    given = {
        f"A {number(limits.roughness_mm)} mm": callout.roughness_operator_mm,
        f"B {number(limits.waviness_mm)} mm": callout.waviness_operator_mm,
        f"λs {number(limits.short_cutoff_um)} µm": callout.short_cutoff_um,
        f"the evaluation length {number(limits.evaluation_mm)} mm": callout.evaluation_length_mm,
    }
    own = [name for name, value in given.items() if value is not None]
    table = [name for name, value in given.items() if value is None]
    sentences = ["Motifs are found without λc (ISO 12085)."]
    for source, names in (("The call-out gives", own), ("From ISO 12085 follow", table)):
        if names:
            sentences.append(f"{source} {', '.join(names)}.")
    return [*sentences, "The travel is the evaluation length."]


def _why_speed(lengths: Lengths, sample_rate_hz: float | None) -> list[str]:
    usual, fastest = number(USUAL_SPEED_MM_S), number(FASTEST_MM_S)
    practice = f"{usual} mm/s is usual, and above {fastest} mm/s the tip may lift off (common practice, no source)."
    if lengths.max_spacing_um is None:
        return [practice]
    needed = number(needed_sample_rate_hz(lengths.max_spacing_um, USUAL_SPEED_MM_S), 6)
    spacing = quantity(lengths.max_spacing_um, "um")
    if sample_rate_hz is None:
        return [practice, f"For a spacing of {spacing} at {usual} mm/s the gauge must take {needed} samples a second."]
    limit = number(speed_limit_mm_s(lengths.max_spacing_um, sample_rate_hz))
    rate = number(sample_rate_hz, 6)
    return [practice, f"With {rate} samples a second and a spacing of {spacing} it may be at most {limit} mm/s."]
