"""Which cut-off, lengths, λs, tip and spacing belong to a limit or an estimate.

References
----------
ISO 21920-3:2021 clause 4.4.3 (setting classes Sc1 to Sc5; labels, λs, spacing and tip from memory);
ISO 4288:1996 tables 1 to 3 and ISO 3274:1996 table 1 (from memory beyond the first two rows);
ASME B46.1 (from memory). Classes include their upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass

from crosslay.texture.settings import DEFAULT_SECTIONS, Standard


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
    ISO 21920-3:2021 clause 4.4.3; ISO 4288:1996 tables 1 to 3, upper bounds inclusive.
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
    return next(row for row, bound in zip(table, bounds, strict=True) if limit <= bound)


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
