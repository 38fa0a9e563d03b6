"""Settings of an evaluation: standard, filters, lengths."""

from __future__ import annotations

import enum
from dataclasses import dataclass


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
        λs, µm; None: no S-filter; ``"default"``: the class's (or the table's nearest for an explicit λc).
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
