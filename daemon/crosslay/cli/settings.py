"""``crosslay settings CALLOUT``: cut-off, lengths, tip, spacing and travel that a call-out asks for, and why."""

from __future__ import annotations

import argparse
import math
from typing import Any

from crosslay.cli.offline import callouts_of
from crosslay.cli.output import SHOWN_UNITS, emit, emit_json, number, quantity, table
from crosslay.errors import CalloutError, SettingsError, UsageError
from crosslay.inspection.callout import Callout, Side
from crosslay.inspection.judge import Requirement, rule_for
from crosslay.inspection.lengths import Lengths, lengths_of
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.texture.settings import FilterKind, Settings, Standard, class_for_limit, setting_table
from crosslay.texture.window import RUN_SHARES

_TABLES = {
    Standard.ISO_21920: "ISO 21920-3", Standard.ISO_4287: "ISO 4288", Standard.ASME_B46_1: "ASME B46.1",
    Standard.JIS_B_0601: "JIS B 0633",
}
_COLUMNS = ("upper_ra_um", "upper_rz_um", "upper_rsm_mm")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("callout", metavar="CALLOUT", help='what the drawing says, e.g. "Ra 0.8" or "-0.8/Rz5max 3.2"')
    parser.add_argument("--standard", choices=[each.value for each in Standard], default=Standard.ISO_21920.value,
                        metavar="NAME", help=", ".join(each.value for each in Standard) + " (the first)")
    parser.add_argument("--json", action="store_true", help="one JSON object per call-out")


def run(arguments: argparse.Namespace) -> int:
    """Print what each call-out asks for."""
    wanted = Wanted(standard=Standard(arguments.standard))
    try:
        requirements = requirements_for("", callouts_of([arguments.callout]), wanted)
    except (CalloutError, SettingsError) as error:
        raise UsageError(str(error)) from error
    for place, requirement in enumerate(requirements):
        if arguments.json:
            emit_json(document(requirement))
        else:
            emit(("\n" if place else "") + "\n".join(_lines(requirement)))
    return 0


def document(requirement: Requirement) -> dict[str, Any]:
    """The JSON object of page *interface*; null where only a trace can decide."""
    lengths = lengths_of(requirement.settings)
    return {
        "callout": requirement.callout.text, "standard": requirement.settings.standard.value,
        "settingClass": lengths.setting_class, "cutoff_mm": lengths.cutoff_mm,
        "short_cutoff_um": lengths.short_cutoff_um, "sections": lengths.sections,
        "section_length_mm": lengths.section_length_mm, "evaluation_length_mm": lengths.evaluation_length_mm,
        "travel_mm": lengths.travel_mm, "tip_radius_um": lengths.tip_radius_um,
        "max_spacing_um": lengths.max_spacing_um, "filter": requirement.settings.filter.value,
        "why": " ".join(reasons(requirement.callout, requirement.settings, lengths)),
    }


def reasons(callout: Callout, settings: Settings, lengths: Lengths) -> list[str]:
    """Sentences that say where each setting comes from."""
    return [_why_cutoff(callout, settings, lengths), *_why_short(callout, lengths), _why_sections(callout, lengths),
            *_why_filter(callout, settings), *_why_travel(settings, lengths)]


def _why_cutoff(callout: Callout, settings: Settings, lengths: Lengths) -> str:
    source = _TABLES[settings.standard]
    if callout.cutoff_mm is not None:
        return f"The call-out gives λc {number(callout.cutoff_mm)} mm."
    if lengths.cutoff_mm is None:
        return (f"{source} has no limits for {callout.parameter}, so λc follows from the trace: the class that its "
                "estimate implies.")
    row = class_for_limit(callout.parameter, callout.limit, settings.standard)
    if row is None or row.cutoff_mm != lengths.cutoff_mm:
        return f"λc {number(lengths.cutoff_mm)} mm follows from the other call-outs beside it."
    what = "limit" if settings.standard is Standard.ISO_21920 else "limit, standing for the estimate,"
    return (f"The {what} {_shown_limit(callout)} lies in class {row.name} of {source} ({_range(callout, settings)}), "
            f"so λc is {number(row.cutoff_mm)} mm.")


def _range(callout: Callout, settings: Settings) -> str:
    """Bounds of the class in the column of the parameter, e.g. ``0.1 < Ra ≤ 2 µm``."""
    bounds = [getattr(row, _column(callout.parameter, settings.standard)) for row in setting_table(settings.standard)]
    place = next(at for at, bound in enumerate(bounds) if callout.limit <= bound)
    low = f"{number(bounds[place - 1])} < " if place else ""
    high = f" ≤ {number(bounds[place])}" if math.isfinite(bounds[place]) else ""
    unit = SHOWN_UNITS.get(callout.unit, callout.unit)
    return f"{low}{callout.parameter}{high} {unit}".rstrip()


def _column(parameter: str, standard: Standard) -> str:
    """Column of the table that decides for a parameter: the one whose bounds are the parameter's."""
    table_rows = setting_table(standard)
    return next(column for column in _COLUMNS
                if all(class_for_limit(parameter, getattr(row, column), standard) is row
                       for row in table_rows if math.isfinite(getattr(row, column))))


def _shown_limit(callout: Callout) -> str:
    sign = "≤" if callout.side is Side.UPPER else "≥"
    return f"{callout.parameter} {sign} {quantity(callout.limit, callout.unit, 6)}"


def _why_short(callout: Callout, lengths: Lengths) -> list[str]:
    if callout.short_cutoff_um is not None:
        return [f"The call-out gives λs {number(callout.short_cutoff_um)} µm."]
    if lengths.cutoff_mm is None:
        return []
    if lengths.short_cutoff_um is None:
        return ["There is no λs in this standard."]
    tip, spacing = quantity(lengths.tip_radius_um, "um"), quantity(lengths.max_spacing_um, "um")
    text = (f"λs {number(lengths.short_cutoff_um)} µm belongs to it, and with it a tip of at most {tip} and a spacing "
            f"of at most {spacing} (ISO 3274).")
    return [text]


def _why_sections(callout: Callout, lengths: Lengths) -> str:
    if callout.sections is not None:
        return f"The call-out gives {callout.sections} section{'s' if callout.sections > 1 else ''}."
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


def _lines(requirement: Requirement) -> list[str]:
    callout, settings = requirement.callout, requirement.settings
    lengths = lengths_of(settings)
    rows = [
        ("limit", f"{_shown_limit(callout)}, rule {rule_for(callout, settings.standard).value}"),
        ("standard", settings.standard.value),
        ("setting class", lengths.setting_class or "–"),
        ("cut-off λc", _shown(lengths.cutoff_mm, "mm")),
        ("short cut-off λs", _short(settings, lengths)),
        ("filter", settings.filter.value),
        ("sections", str(lengths.sections)),
        ("section length", _shown(lengths.section_length_mm, "mm")),
        ("evaluation length", _shown(lengths.evaluation_length_mm, "mm")),
        ("travel", _shown(lengths.travel_mm, "mm")),
        ("tip radius", "at most " + _shown(lengths.tip_radius_um, "um")),
        ("spacing", "at most " + _shown(lengths.max_spacing_um, "um")),
        ("speed", "0.5 mm/s is usual, 0.1 to 1 mm/s in use (common practice, no source)"),
    ]
    return [callout.text, *table(rows), "", *(f"  {sentence}" for sentence in reasons(callout, settings, lengths))]


def _short(settings: Settings, lengths: Lengths) -> str:
    none = settings.short_cutoff_um is None or (lengths.cutoff_mm is not None and lengths.short_cutoff_um is None)
    return "none" if none else _shown(lengths.short_cutoff_um, "um")


def _shown(value: float | None, unit: str) -> str:
    return "follows from the trace" if value is None else quantity(value, unit)
