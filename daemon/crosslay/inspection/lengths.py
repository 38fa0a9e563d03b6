"""What settings ask of the gauge: class, lengths, travel, tip, spacing."""

from __future__ import annotations

from dataclasses import dataclass

from crosslay.inspection.callout_model import Callout
from crosslay.inspection.symbols import MOTIF_UNITS
from crosslay.texture.settings import (
    DEFAULT_SECTIONS,
    SettingClass,
    Settings,
    class_of_cutoff,
    default_short_cutoff_um,
    nearest_class,
    setting_table,
)
from crosslay.texture.stretch import least_travel_mm
from crosslay.texture.window import RUN_SHARES


@dataclass(frozen=True, slots=True, kw_only=True)
class Lengths:
    """Settings with their lengths resolved; None where only the trace can decide.

    Attributes
    ----------
    setting_class
        ``Sc1`` … ``Sc5``, None where λc is of no class.
    cutoff_mm, short_cutoff_um
        λc mm; λs µm, None also for no S-filter.
    sections, section_length_mm, evaluation_length_mm
        n, and lengths, mm.
    travel_mm
        Evaluation length with the run-up and run-down of the filter and the zones left out, mm.
    tip_radius_um, max_spacing_um
        Largest tip radius and sampling spacing that carry λs, µm.
    """

    setting_class: str | None
    cutoff_mm: float | None
    short_cutoff_um: float | None
    sections: int
    section_length_mm: float | None
    evaluation_length_mm: float | None
    travel_mm: float | None
    tip_radius_um: float | None
    max_spacing_um: float | None


def lengths_for(callout: Callout, settings: Settings) -> Lengths:
    """Resolve what can be known of a call-out without a trace; motif parameters have lengths of their own."""
    if callout.parameter not in MOTIF_UNITS or settings.motif is None:
        return lengths_of(settings)
    limits = settings.motif
    rows = [row for row in setting_table(settings.standard) if row.short_cutoff_um <= limits.short_cutoff_um]
    travel_mm = least_travel_mm(limits.evaluation_mm, settings)
    return Lengths(
        setting_class=None, cutoff_mm=None, short_cutoff_um=limits.short_cutoff_um, sections=1,
        section_length_mm=limits.evaluation_mm, evaluation_length_mm=limits.evaluation_mm, travel_mm=_tidy(travel_mm),
        # No row carries a λs below the table's; it names no tip and no spacing then.
        tip_radius_um=rows[-1].max_tip_radius_um if rows else None,
        max_spacing_um=rows[-1].max_spacing_um if rows else None,
    )


def lengths_of(settings: Settings) -> Lengths:
    """Resolve what can be known without a trace.

    Parameters
    ----------
    settings
        Settings of an evaluation.

    References
    ----------
    ISO 21920-3:2021, clause 4.4.3; ISO 4288:1996 and ISO 3274:1996, table 1. Travel: ½ λc of run-up and of run-down for
    the Gaussian filter, *common practice*; design: texture, section 1.
    """
    sections = settings.sections or DEFAULT_SECTIONS
    cutoff_mm = settings.cutoff_mm
    if cutoff_mm is None:
        given = settings.short_cutoff_um if isinstance(settings.short_cutoff_um, float | int) else None
        return Lengths(setting_class=None, cutoff_mm=None, short_cutoff_um=given, sections=sections,
                       section_length_mm=None, evaluation_length_mm=None, travel_mm=None, tip_radius_um=None,
                       max_spacing_um=None)
    row = class_of_cutoff(cutoff_mm, settings.standard)
    if isinstance(settings.short_cutoff_um, str):
        short_um = default_short_cutoff_um(cutoff_mm, settings.standard)
    else:
        short_um = settings.short_cutoff_um
    carrier = _carrier(settings, cutoff_mm, short_um)
    evaluation_mm = _tidy(sections * cutoff_mm)
    travel_mm = least_travel_mm(evaluation_mm + sum(RUN_SHARES[settings.filter]) * cutoff_mm, settings)
    return Lengths(
        setting_class=None if row is None else row.name, cutoff_mm=cutoff_mm, short_cutoff_um=short_um,
        sections=sections, section_length_mm=cutoff_mm, evaluation_length_mm=evaluation_mm,
        travel_mm=_tidy(travel_mm), tip_radius_um=carrier.max_tip_radius_um, max_spacing_um=carrier.max_spacing_um,
    )


def _carrier(settings: Settings, cutoff_mm: float, short_um: float | None) -> SettingClass:
    """Row whose tip and spacing apply: that of λs where the table has it, since both serve the short end."""
    nearest = nearest_class(cutoff_mm, settings.standard)
    if short_um is None or short_um == nearest.short_cutoff_um:
        return nearest
    return next((row for row in setting_table(settings.standard) if row.short_cutoff_um == short_um), nearest)


def _tidy(length_mm: float) -> float:
    """A length without the last bits of binary rounding (0.1 nm)."""
    return round(length_mm, 7)
