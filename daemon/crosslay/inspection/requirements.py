"""From call-outs to the settings that each is evaluated under.

The order in which a setting is found: the call-out itself, what the station file or the command line says, the setting
class that the limit implies (ISO 21920-3, 4.4; under ISO 4288 the limit stands for the estimate), and last the trace.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crosslay.errors import CalloutError, SettingsError
from crosslay.inspection.callout import Callout, Side
from crosslay.inspection.judge import Requirement, parameter_key
from crosslay.inspection.section_lengths import motif_limits, with_evaluation_length
from crosslay.inspection.symbols import MOTIF_UNITS
from crosslay.texture.motif import MotifLimits
from crosslay.texture.requested import read_requests
from crosslay.texture.settings import (
    FilterKind,
    SettingClass,
    Settings,
    Standard,
    class_for_limit,
    default_filter_for,
    setting_table,
)
from crosslay.texture.symbols import ON_REQUEST, always_given

#: Of ASME B46.1, between its two columns of Ra (page *reference-values*, section 1.4, from memory).
NOMINAL_MICRO_INCHES = 40.0
_INCH_COLUMN = frozenset({"Ra", "Rq"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a station file or a command line asks for; None where it says nothing.

    Attributes
    ----------
    cutoff_mm, short_cutoff_um, waviness_cutoff_mm
        λc mm, λs µm (``"none"``: no S-filter), λf mm.
    sections
        Section lengths in the evaluation length.
    parameters, motif
        Parameters wanted besides those always given; operators of the motif parameters.
    """

    standard: Standard = Standard.ISO_21920
    filter: FilterKind | None = None
    cutoff_mm: float | None = None
    short_cutoff_um: float | str | None = None
    waviness_cutoff_mm: float | None = None
    sections: int | None = None
    form: str = "line"
    skip_start_mm: float = 0.0
    skip_end_mm: float = 0.0
    leave_out_mm: tuple[tuple[float, float], ...] = ()
    parameters: tuple[str, ...] = ()
    motif: MotifLimits | None = None

    def settings(self) -> Settings:
        """Settings without any call-out: what is not said follows from the trace.

        Raises
        ------
        SettingsError
            The values contradict each other.
        """
        short: float | str | None = "default" if self.short_cutoff_um is None else self.short_cutoff_um
        return Settings(
            standard=self.standard, filter=self.filter or FilterKind.GAUSSIAN, cutoff_mm=self.cutoff_mm,
            short_cutoff_um=None if short == "none" else short, waviness_cutoff_mm=self.waviness_cutoff_mm,
            sections=self.sections, form=self.form, skip_start_mm=self.skip_start_mm, skip_end_mm=self.skip_end_mm,
            leave_out_mm=self.leave_out_mm, parameters=self.parameters, motif=self.motif,
        )


def requirements_for(characteristic: str, callouts: Sequence[Callout], wanted: Wanted) -> tuple[Requirement, ...]:
    """Requirements of one characteristic, in the order of its call-outs.

    Raises
    ------
    CalloutError
        A call-out contradicts `wanted` or asks for what cannot be computed.
    SettingsError
        The settings contradict each other.
    """
    shared = _shared_cutoff_mm(callouts, wanted)
    return tuple(
        Requirement(characteristic=characteristic, callout=each, settings=_settings(each, wanted, shared, callouts))
        for each in callouts
    )


def _settings(callout: Callout, wanted: Wanted, shared_mm: float | None, callouts: Sequence[Callout]) -> Settings:
    where = f'call-out "{callout.text}"'
    _require_computable(where, callout, wanted.standard)
    own_filter = None if callout.filter is None else FilterKind(callout.filter)
    _agree(where, "filter", own_filter, wanted.filter)
    _agree(where, "cut-off (mm)", _own_cutoff_mm(callout), wanted.cutoff_mm)
    _agree(where, "short cut-off (µm)", callout.short_cutoff_um, wanted.short_cutoff_um)
    _agree(where, "waviness cut-off (mm)", callout.waviness_cutoff_mm, wanted.waviness_cutoff_mm)
    _agree(where, "number of sections", callout.sections, wanted.sections)
    motif = callout.parameter in MOTIF_UNITS
    cutoff_mm = _first(_own_cutoff_mm(callout), wanted.cutoff_mm,
                       _class_cutoff_mm(callout, wanted.standard, callouts), shared_mm)
    sections = callout.sections if callout.sections is not None else wanted.sections
    if not motif:
        cutoff_mm, sections = with_evaluation_length(where, callout, cutoff_mm, sections)
    short_um = wanted.short_cutoff_um if motif or callout.short_cutoff_um is None else callout.short_cutoff_um
    # The extras of all call-outs, so that equal settings stay equal and the trace is evaluated once.
    extra = (each.parameter for each in callouts if "(" in each.parameter or each.parameter in ON_REQUEST)
    # Rk and Rpq have an L-filter of their own in each edition, which only a stated filter overrides.
    chosen_filter = own_filter or wanted.filter or default_filter_for(callout.parameter, wanted.standard)
    try:
        return Wanted(
            standard=wanted.standard, filter=chosen_filter, cutoff_mm=cutoff_mm, short_cutoff_um=short_um,
            waviness_cutoff_mm=_first(callout.waviness_cutoff_mm, wanted.waviness_cutoff_mm), sections=sections,
            form=wanted.form, skip_start_mm=wanted.skip_start_mm, skip_end_mm=wanted.skip_end_mm,
            leave_out_mm=wanted.leave_out_mm,
            parameters=tuple(dict.fromkeys((*wanted.parameters, *extra))),
            motif=motif_limits(where, callout) if motif else wanted.motif,
        ).settings()
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from error


def _require_computable(where: str, callout: Callout, standard: Standard) -> None:
    """Refuse what no evaluation under this standard gives, before a part is measured for it."""
    parameter = callout.parameter
    if callout.setting_class is not None and standard is not Standard.ISO_21920:
        raise CalloutError(f"{where}: setting classes such as {callout.setting_class} are of ISO 21920-3; expected the "
                           f"standard iso-21920, found {standard.value}")
    if parameter in MOTIF_UNITS or parameter_key(parameter, dict.fromkeys(always_given(standard))) is not None:
        return
    try:
        read_requests((parameter,), standard)
    except SettingsError as error:
        raise CalloutError(f"{where}: {error}") from error


def _own_cutoff_mm(callout: Callout) -> float | None:
    """λc that the call-out itself gives, by its band or its setting class.

    Raises
    ------
    CalloutError
        It gives two that differ.
    """
    if callout.setting_class is None:
        return callout.cutoff_mm
    row = next(row for row in setting_table(Standard.ISO_21920) if row.name == callout.setting_class)
    if callout.cutoff_mm not in {None, row.cutoff_mm}:
        raise CalloutError(f'call-out "{callout.text}": {row.name} has the cut-off {row.cutoff_mm:g} mm and the band '
                           f"gives {callout.cutoff_mm:g} mm; leave one out")
    return row.cutoff_mm


def _agree(where: str, what: str, own: object, wanted: object) -> None:
    """A drawing that says one thing and a station file that says another: nobody may choose silently."""
    if own is not None and wanted is not None and own != wanted:
        said = own.value if isinstance(own, FilterKind) else own
        asked = wanted.value if isinstance(wanted, FilterKind) else wanted
        raise CalloutError(f"{where} gives the {what} {said}, the settings beside it give {asked}; leave one out")


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _class_cutoff_mm(callout: Callout, standard: Standard, callouts: Sequence[Callout]) -> float | None:
    """λc that the limit implies. A bilateral requirement takes it from its upper limit (ISO 21920-3, 4.4.4)."""
    upper = next((each for each in callouts if each.parameter == callout.parameter
                  and each.side is Side.UPPER and _own_cutoff_mm(each) is None), None)
    chosen = class_of(upper if callout.side is Side.LOWER and upper is not None else callout, standard)
    return None if chosen is None else chosen.cutoff_mm


def class_of(callout: Callout, standard: Standard) -> SettingClass | None:
    """Setting class that the limit of a call-out lies in, whatever else the call-out says."""
    limit = nominal_um(callout) if in_nominal_inches(callout, standard) else callout.limit
    return class_for_limit(callout.parameter, limit, standard)


def in_nominal_inches(callout: Callout, standard: Standard) -> bool:
    """Whether a limit is looked up in the µin column of ASME B46.1, whose bounds are 40 µin for each µm.

    The columns are not exact conversions of each other (80 µin are 2.032 µm), so the unit on the drawing decides.
    """
    return standard is Standard.ASME_B46_1 and callout.micro_inches is not None and callout.parameter in _INCH_COLUMN


def nominal_um(callout: Callout) -> float:
    """Limit in µm by the table's own ratio of 40 µin to 1 µm."""
    return (callout.micro_inches or 0.0) / NOMINAL_MICRO_INCHES


def _shared_cutoff_mm(callouts: Sequence[Callout], wanted: Wanted) -> float | None:
    """λc of the first call-out that has one of its own.

    A parameter whose limit implies no class (Rk, Rsk, Pt …) is evaluated like its neighbours on the drawing, rather
    than under a cut-off that changes from trace to trace (design: texture is silent; our decision).
    """
    for callout in callouts:
        cutoff_mm = _first(_own_cutoff_mm(callout), wanted.cutoff_mm,
                           _class_cutoff_mm(callout, wanted.standard, callouts))
        if cutoff_mm is not None:
            return cutoff_mm
    return None
