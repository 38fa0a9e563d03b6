"""Settings of an evaluation: standard, filters, lengths; and the tables that choose them."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

from crosslay.errors import SettingsError
from crosslay.texture.form import parse_form

#: Section lengths in the evaluation length when nothing else is said (ISO 21920-3 nsc; ISO 4288 clause 4.4).
DEFAULT_SECTIONS = 5
MAX_SECTIONS = 10


class Standard(enum.Enum):
    """Whose symbols, averaging and defaults are used."""

    ISO_21920 = "iso-21920"
    ISO_4287 = "iso-4287"
    ASME_B46_1 = "asme-b46.1"
    JIS_B_0601 = "jis-b-0601"


class FilterKind(enum.Enum):
    """Profile L-filter."""

    GAUSSIAN = "gaussian"
    ROBUST = "robust"
    SPLINE = "spline"
    TWO_RC = "2rc"
    TWO_RC_ZERO_PHASE = "2rc-zero-phase"
    VALLEY_SUPPRESSING = "valley-suppressing"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What to compute. Hashable: equal settings give equal results.

    Attributes
    ----------
    standard
        Symbols and averaging.
    filter
        L-filter that separates roughness and waviness.
    cutoff_mm
        λc, mm; None: the setting class is found from the trace itself.
    short_cutoff_um
        λs, µm; None: no S-filter; ``"default"``: the class's (or the table's nearest for an explicit λc), and none
        under ``jis-b-0601``.
    waviness_cutoff_mm
        λf, mm; None: waviness is not band-limited.
    sections
        Number of section (sampling) lengths n in the evaluation length, 1..10; None: the standard's default (5).
    form
        ``none``, ``line``, ``polynomial:K`` (K ≤ 12) or ``arc``.
    skip_start_mm, skip_end_mm
        Zones left out at either end before everything else, mm.
    parameters
        Parameters wanted besides those always given, e.g. ``Rmr(1)``, ``Rdc(10,90)``, ``Pc(1)``.

    Raises
    ------
    SettingsError
        A value is out of its range, or two contradict each other.
    """

    standard: Standard = Standard.ISO_21920
    filter: FilterKind = FilterKind.GAUSSIAN
    cutoff_mm: float | None = None
    short_cutoff_um: float | str | None = "default"
    waviness_cutoff_mm: float | None = None
    sections: int | None = None
    form: str = "line"
    skip_start_mm: float = 0.0
    skip_end_mm: float = 0.0
    parameters: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        parse_form(self.form)
        if self.cutoff_mm is not None:
            _require_positive("cut-off λc", self.cutoff_mm, "mm")
        if self.waviness_cutoff_mm is not None:
            _require_positive("waviness cut-off λf", self.waviness_cutoff_mm, "mm")
        if isinstance(self.short_cutoff_um, str):
            if self.short_cutoff_um != "default":
                raise SettingsError(f'short cut-off λs is "{self.short_cutoff_um}"; give a number of µm or "default"')
        elif self.short_cutoff_um is not None:
            _require_positive("short cut-off λs", self.short_cutoff_um, "µm")
            if self.cutoff_mm is not None:
                require_lambda_s_below_lambda_c(self.short_cutoff_um, self.cutoff_mm)
        if self.cutoff_mm is not None and self.waviness_cutoff_mm is not None:
            require_lambda_c_below_lambda_f(self.cutoff_mm, self.waviness_cutoff_mm)
        if self.sections is not None and not 1 <= self.sections <= MAX_SECTIONS:
            raise SettingsError(f"{self.sections} section lengths; there may be 1 to {MAX_SECTIONS}")
        for name, value in (("skip_start_mm", self.skip_start_mm), ("skip_end_mm", self.skip_end_mm)):
            if not (math.isfinite(value) and value >= 0):
                raise SettingsError(f"{name} is {value}; it must be 0 or more")


def _require_positive(name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise SettingsError(f"{name} is {value} {unit}; it must be a number above 0")


def require_lambda_s_below_lambda_c(short_cutoff_um: float, cutoff_mm: float) -> None:
    """Refuse an S-filter that would leave no roughness band.

    Raises
    ------
    SettingsError
        λs is not below λc.
    """
    if short_cutoff_um >= cutoff_mm * 1000.0:
        raise SettingsError(
            f"short cut-off λs {short_cutoff_um:g} µm is not below the cut-off λc {cutoff_mm:g} mm; "
            "choose a smaller λs or none"
        )


def require_lambda_c_below_lambda_f(cutoff_mm: float, waviness_cutoff_mm: float) -> None:
    """Refuse a waviness band that holds nothing.

    Raises
    ------
    SettingsError
        λc is not below λf.
    """
    if cutoff_mm >= waviness_cutoff_mm:
        raise SettingsError(
            f"waviness cut-off λf {waviness_cutoff_mm:g} mm is not above the cut-off λc {cutoff_mm:g} mm; choose a larger λf"
        )
