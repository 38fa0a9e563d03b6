"""Settings of an evaluation: standard, filters, lengths; and the tables that choose them from a limit or an estimate.

References
----------
ISO 21920-3:2021 clause 4.4.3 (setting classes Sc1 to Sc5; labels, λs, spacing and tip from memory);
ISO 4288:1996 tables 1 to 3 and ISO 3274:1996 table 1 (from memory beyond the first two rows);
ASME B46.1 (from memory). Classes include their upper bound.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crosslay.errors import SettingsError
from crosslay.texture.form import parse_form

if TYPE_CHECKING:
    from crosslay.texture.motif import MotifLimits

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
    leave_out_mm
        Further zones to leave out, each from and to, mm from the trace's begin; see `crosslay.texture.stretch`.
    parameters
        Parameters wanted besides those always given, e.g. ``Rmr(1)``, ``Rdc(10,90)``, ``Pc(1)``.
    motif
        Operators for the motif parameters R, AR, Rx, W, AW, Wx; None: not wanted.

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
    leave_out_mm: tuple[tuple[float, float], ...] = ()
    parameters: tuple[str, ...] = ()
    motif: MotifLimits | None = None

    def __post_init__(self) -> None:
        parse_form(self.form)
        if self.cutoff_mm is not None:
            _require_positive("cut-off λc", self.cutoff_mm, "mm")
        if self.waviness_cutoff_mm is not None:
            _require_positive("waviness cut-off λf", self.waviness_cutoff_mm, "mm")
        _require_short_cutoff(self.short_cutoff_um, self.cutoff_mm)
        if self.cutoff_mm is not None and self.waviness_cutoff_mm is not None:
            require_lambda_c_below_lambda_f(self.cutoff_mm, self.waviness_cutoff_mm)
        if self.sections is not None and not 1 <= self.sections <= MAX_SECTIONS:
            raise SettingsError(f"{self.sections} section lengths; there may be 1 to {MAX_SECTIONS}")
        for name, value in (("skip_start_mm", self.skip_start_mm), ("skip_end_mm", self.skip_end_mm)):
            if not (math.isfinite(value) and value >= 0):
                raise SettingsError(f"{name} is {value}; it must be 0 or more")
        for start_mm, end_mm in self.leave_out_mm:
            if not (math.isfinite(end_mm) and 0 <= start_mm < end_mm):
                raise SettingsError(f"leave_out_mm has the zone {start_mm:g} to {end_mm:g}; a zone begins at 0 mm or "
                                    "later and ends beyond its begin")


def _require_positive(name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise SettingsError(f"{name} is {value} {unit}; it must be a number above 0")


def _require_short_cutoff(short_cutoff_um: float | str | None, cutoff_mm: float | None) -> None:
    if short_cutoff_um is None or short_cutoff_um == "default":
        return
    if isinstance(short_cutoff_um, str):
        raise SettingsError(f'short cut-off λs is "{short_cutoff_um}"; give a number of µm or "default"')
    _require_positive("short cut-off λs", short_cutoff_um, "µm")
    if cutoff_mm is not None:
        require_lambda_s_below_lambda_c(short_cutoff_um, cutoff_mm)


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
            f"waviness cut-off λf {waviness_cutoff_mm:g} mm is not above the cut-off λc {cutoff_mm:g} mm; "
            "choose a larger λf"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingClass:
    """One row of the table that chooses the settings.

    Attributes
    ----------
    name
        ``Sc1`` … ``Sc5`` (ISO 21920-3); the rows of the older tables carry the same names here.
    cutoff_mm
        λc = section length, mm.
    sections
        Section lengths in the evaluation length.
    short_cutoff_um
        λs, µm.
    max_tip_radius_um, max_spacing_um
        Largest tip radius and sampling spacing that carry the class, µm.
    upper_ra_um, upper_rz_um, upper_rsm_mm
        Upper bounds of the class, inclusive; infinite in the last one.
    """

    name: str
    cutoff_mm: float
    sections: int
    short_cutoff_um: float
    max_tip_radius_um: float
    max_spacing_um: float
    upper_ra_um: float
    upper_rz_um: float
    upper_rsm_mm: float

    @property
    def evaluation_length_mm(self) -> float:
        """Evaluation length, mm."""
        return self.sections * self.cutoff_mm

    @property
    def travel_mm(self) -> float:
        """Traverse with half a cut-off of run-up and of run-down (Gaussian filter), mm."""
        return (self.sections + 1) * self.cutoff_mm


_INF = float("inf")
_CUTOFF_MM = (0.08, 0.25, 0.8, 2.5, 8.0)
_SHORT_CUTOFF_UM = (2.5, 2.5, 2.5, 8.0, 25.0)  # ISO 3274:1996 table 1; ISO 21920-3 Nis
_TIP_UM = (2.0, 2.0, 2.0, 5.0, 10.0)
_SPACING_UM = (0.5, 0.5, 0.5, 1.5, 5.0)
_RA_UM = (0.02, 0.1, 2.0, 10.0, _INF)
_RSM_MM = (0.04, 0.13, 0.4, 1.3, _INF)  # ISO 4288:1996 table 3
_RZ_21920_UM = (0.16, 0.8, 16.0, 80.0, _INF)  # ISO 21920-3 clause 4.4.3
_RZ_4288_UM = (0.1, 0.5, 10.0, 50.0, _INF)  # ISO 4288:1996 table 2


def _rows(upper_rz_um: tuple[float, ...]) -> tuple[SettingClass, ...]:
    return tuple(
        SettingClass(
            name=f"Sc{i + 1}",
            cutoff_mm=_CUTOFF_MM[i],
            sections=DEFAULT_SECTIONS,
            short_cutoff_um=_SHORT_CUTOFF_UM[i],
            max_tip_radius_um=_TIP_UM[i],
            max_spacing_um=_SPACING_UM[i],
            upper_ra_um=_RA_UM[i],
            upper_rz_um=upper_rz_um[i],
            upper_rsm_mm=_RSM_MM[i],
        )
        for i in range(len(_CUTOFF_MM))
    )


_ISO_21920_3 = _rows(_RZ_21920_UM)
_ISO_4288 = _rows(_RZ_4288_UM)

# The tables have one column for amplitudes of the Ra kind and one of the Rz kind; a parameter without a column of its
# own takes that of its kind (decision: the full tables were not at hand). Symbols of all standards together.
_RA_KIND = frozenset({"Ra", "Rq"})
_RZ_KIND = frozenset({"Rz", "Rp", "Rv", "Rzx", "Rt", "Rpt", "Rvt", "Rz1max", "Rmax", "Rpm", "RzJIS"})
_RSM_KIND = frozenset({"Rsm", "RSm"})


def setting_table(standard: Standard) -> tuple[SettingClass, ...]:
    """Rows of the table of a standard, shortest cut-off first.

    Parameters
    ----------
    standard : Standard
        ``iso-21920`` has its own limits of Rz; the others share those of ISO 4288.
    """
    return _ISO_21920_3 if standard is Standard.ISO_21920 else _ISO_4288


def class_for_limit(parameter: str, limit: float, standard: Standard) -> SettingClass | None:
    """Setting class that a limit (``iso-21920``) or an estimate (the older standards) asks for.

    Parameters
    ----------
    parameter : str
        Symbol, e.g. ``Ra``, ``Rz``, ``Rsm``.
    limit : float
        Upper limit or estimate: µm, for Rsm mm.
    standard : Standard
        Whose table.

    Returns
    -------
    SettingClass or None
        None where the tables have no column for the parameter: then the trace itself decides.

    References
    ----------
    ISO 21920-3:2021 clause 4.4.3; ISO 4288:1996 tables 1 to 3, upper bounds inclusive. The spacing column of ISO 4288
    serves both editions (decision: the newer one's was not at hand).
    """
    table = setting_table(standard)
    if parameter in _RA_KIND:
        bounds = [row.upper_ra_um for row in table]
    elif parameter in _RZ_KIND:
        bounds = [row.upper_rz_um for row in table]
    elif parameter in _RSM_KIND:
        bounds = [row.upper_rsm_mm for row in table]
    else:
        return None
    return next((row for row, bound in zip(table, bounds, strict=True) if limit <= bound), table[-1])


def class_of_cutoff(cutoff_mm: float, standard: Standard) -> SettingClass | None:
    """Class whose λc is `cutoff_mm`, or None."""
    return next((row for row in setting_table(standard) if row.cutoff_mm == cutoff_mm), None)


def nearest_class(cutoff_mm: float, standard: Standard) -> SettingClass:
    """Class whose λc is nearest to `cutoff_mm` (by difference; of two equally near the shorter)."""
    return min(setting_table(standard), key=lambda row: abs(row.cutoff_mm - cutoff_mm))


def default_short_cutoff_um(cutoff_mm: float, standard: Standard) -> float | None:
    """Find the λs that belongs to a cut-off, µm; None under ``jis-b-0601`` (design: texture, section 3)."""
    if standard is Standard.JIS_B_0601:
        return None
    return nearest_class(cutoff_mm, standard).short_cutoff_um


# Symbols of the core and probability families of R, in either spelling.
_PLATEAU_SYMBOLS = frozenset(["Rk", "Rpk", "Rvk", "Rmrk1", "Rmrk2", "Mr1", "Mr2", "Rak1", "Rak2", "Rpq", "Rvq", "Rmq"])


def default_filter_for(parameter: str, standard: Standard) -> FilterKind:
    """L-filter of a call-out that names none.

    Parameters
    ----------
    parameter : str
        Symbol, e.g. ``Rk``.
    standard : Standard
        Edition of the call-out.

    Returns
    -------
    FilterKind
        Gaussian, but for the Rk and Rpq families robust under ``iso-21920`` (ISO 16610-31) and valley-suppressing under
        ``iso-4287`` (ISO 13565-1). ``asme-b46.1`` and ``jis-b-0601``, whose Rk is that of ISO 13565, go with
        ``iso-4287`` (decision: the page names the ISO editions only).

    References
    ----------
    ISO 13565-1; ISO 21920-2:2021; design: texture, section 5.
    """
    if parameter not in _PLATEAU_SYMBOLS:
        return FilterKind.GAUSSIAN
    return FilterKind.ROBUST if standard is Standard.ISO_21920 else FilterKind.VALLEY_SUPPRESSING
