"""``crosslay settings CALLOUT``: cut-off, lengths, tip, spacing, travel and speed that a call-out asks for, and why."""

from __future__ import annotations

import argparse
from typing import Any

from crosslay.cli.offline import callouts_of
from crosslay.cli.options import positive
from crosslay.cli.output import emit, emit_json, number, quantity, table
from crosslay.cli.settings_why import reasons, shown_limit
from crosslay.errors import CalloutError, SettingsError, UsageError
from crosslay.inspection.callout import Callout, Lay, Process
from crosslay.inspection.gauge_fit import FASTEST_MM_S, USUAL_SPEED_MM_S, needed_sample_rate_hz, speed_limit_mm_s
from crosslay.inspection.judge import Requirement, rule_for
from crosslay.inspection.lengths import Lengths, lengths_for
from crosslay.inspection.requirements import Wanted, requirements_for
from crosslay.inspection.symbols import MOTIF_UNITS
from crosslay.texture.settings import Settings, Standard

_PROCESSES = {
    Process.ANY: "any", Process.REMOVAL_REQUIRED: "material removal required",
    Process.REMOVAL_PROHIBITED: "no material removed",
}
_LAYS = {
    Lay.PARALLEL: "parallel", Lay.PERPENDICULAR: "perpendicular", Lay.CROSSED: "crossed",
    Lay.MULTIDIRECTIONAL: "multidirectional", Lay.CIRCULAR: "circular", Lay.RADIAL: "radial",
    Lay.PARTICULATE: "particulate",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("callout", metavar="CALLOUT", help='what the drawing says, e.g. "Ra 0.8" or "-0.8/Rz5max 3.2"')
    parser.add_argument("--standard", choices=[each.value for each in Standard], default=Standard.ISO_21920.value,
                        metavar="NAME", help=", ".join(each.value for each in Standard) + " (the first)")
    parser.add_argument("--sample-rate", type=positive, metavar="HZ",
                        help="samples that the gauge takes in a second; gives the highest speed of the traverse")
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
            emit_json(document(requirement, arguments.sample_rate))
        else:
            emit(("\n" if place else "") + "\n".join(_lines(requirement, arguments.sample_rate)))
    return 0


def document(requirement: Requirement, sample_rate_hz: float | None = None) -> dict[str, Any]:
    """The JSON object of page *interface*; null where only a trace can decide."""
    callout, settings = requirement.callout, requirement.settings
    lengths = lengths_for(callout, settings)
    spacing_um = lengths.max_spacing_um
    shown = {
        "callout": callout.text, "standard": settings.standard.value,
        "settingClass": lengths.setting_class, "cutoff_mm": lengths.cutoff_mm,
        "short_cutoff_um": lengths.short_cutoff_um, "sections": lengths.sections,
        "section_length_mm": lengths.section_length_mm, "evaluation_length_mm": lengths.evaluation_length_mm,
        "travel_mm": lengths.travel_mm, "tip_radius_um": lengths.tip_radius_um,
        "max_spacing_um": spacing_um, "filter": filter_name(callout, settings), "usual_speed_mm_s": USUAL_SPEED_MM_S,
        "max_speed_mm_s": FASTEST_MM_S if spacing_um is None else speed_limit_mm_s(spacing_um, sample_rate_hz),
        "sample_rate_hz": None if spacing_um is None else needed_sample_rate_hz(spacing_um, USUAL_SPEED_MM_S),
        "process": None if callout.process is None else callout.process.value,
        "lay": None if callout.lay is None else callout.lay.value,
        "why": " ".join(reasons(callout, settings, lengths, sample_rate_hz)),
    }
    if callout.parameter in MOTIF_UNITS and settings.motif is not None:
        shown |= {"roughness_operator_mm": settings.motif.roughness_mm,
                  "waviness_operator_mm": settings.motif.waviness_mm}
    return shown


def filter_name(callout: Callout, settings: Settings) -> str:
    """L-filter of a call-out; none for motifs."""
    return "none" if callout.parameter in MOTIF_UNITS else settings.filter.value


def surface(callout: Callout) -> list[tuple[str, str]]:
    """Process and lay, where the call-out names them."""
    rows = []
    if callout.process is not None:
        rows.append(("process", f"{callout.process.value}, {_PROCESSES[callout.process]}"))
    if callout.lay is not None:
        rows.append(("lay", f"{callout.lay.value}, {_LAYS[callout.lay]}"))
    return rows


def _lines(requirement: Requirement, sample_rate_hz: float | None) -> list[str]:
    callout, settings = requirement.callout, requirement.settings
    lengths = lengths_for(callout, settings)
    rows = [
        ("limit", f"{shown_limit(callout)}, rule {rule_for(callout, settings.standard).value}"),
        *surface(callout),
        ("standard", settings.standard.value),
        *(_motif_rows(settings) if callout.parameter in MOTIF_UNITS else _class_rows(settings, lengths)),
        ("filter", filter_name(callout, settings)),
        *_section_rows(callout, lengths),
        ("evaluation length", _shown(lengths.evaluation_length_mm, "mm")),
        ("travel", _shown(lengths.travel_mm, "mm")),
        ("tip radius", "at most " + _shown(lengths.tip_radius_um, "um")),
        ("spacing", "at most " + _shown(lengths.max_spacing_um, "um")),
        ("speed", _speed(lengths, sample_rate_hz)),
    ]
    sentences = reasons(callout, settings, lengths, sample_rate_hz)
    return [callout.text, *table(rows), "", *(f"  {sentence}" for sentence in sentences)]


def _class_rows(settings: Settings, lengths: Lengths) -> list[tuple[str, str]]:
    return [("setting class", lengths.setting_class or "–"), ("cut-off λc", _shown(lengths.cutoff_mm, "mm")),
            ("short cut-off λs", _short(settings, lengths))]


def _motif_rows(settings: Settings) -> list[tuple[str, str]]:
    limits = settings.motif
    assert limits is not None
    return [("operators", f"A {number(limits.roughness_mm)} mm, B {number(limits.waviness_mm)} mm"),
            ("short cut-off λs", quantity(limits.short_cutoff_um, "um"))]


def _section_rows(callout: Callout, lengths: Lengths) -> list[tuple[str, str]]:
    if callout.parameter in MOTIF_UNITS:
        return []
    return [("sections", str(lengths.sections)), ("section length", _shown(lengths.section_length_mm, "mm"))]


def _speed(lengths: Lengths, sample_rate_hz: float | None) -> str:
    usual = f"{number(USUAL_SPEED_MM_S)} mm/s is usual (common practice, no source)"
    if lengths.max_spacing_um is None:
        return f"{usual}, at most {number(FASTEST_MM_S)} mm/s"
    limit = speed_limit_mm_s(lengths.max_spacing_um, sample_rate_hz)
    return f"{usual}, at most {number(limit)} mm/s"


def _short(settings: Settings, lengths: Lengths) -> str:
    none = settings.short_cutoff_um is None or (lengths.cutoff_mm is not None and lengths.short_cutoff_um is None)
    return "none" if none else _shown(lengths.short_cutoff_um, "um")


def _shown(value: float | None, unit: str) -> str:
    return "follows from the trace" if value is None else quantity(value, unit)
