"""What a drawing call-out says, as plain values."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Side(enum.Enum):
    """Which limit a call-out sets."""

    UPPER = "upper"
    LOWER = "lower"


class Rule(enum.Enum):
    """Tolerance acceptance rule, by its name on the wire."""

    TMAX = "Tmax"
    T16 = "T16%"
    TMED = "Tmed"


class Process(enum.Enum):
    """How the surface may be made, by the word of the textual form."""

    ANY = "APA"
    REMOVAL_REQUIRED = "MRR"
    REMOVAL_PROHIBITED = "NMR"


class Lay(enum.Enum):
    """Direction of the surface's pattern, by the drawing's symbol."""

    PARALLEL = "="
    PERPENDICULAR = "⟂"
    CROSSED = "X"
    MULTIDIRECTIONAL = "M"
    CIRCULAR = "C"
    RADIAL = "R"
    PARTICULATE = "P"


@dataclass(frozen=True, slots=True, kw_only=True)
class Callout:
    """One requirement of a drawing; what the call-out does not say is None.

    Attributes
    ----------
    text
        As written, trimmed.
    side, parameter, limit
        Upper or lower limit of a parameter; `limit` in the parameter's own unit (µm for heights, mm for Rsm …).
    unit
        UCUM unit of `limit`.
    micro_inches
        Limit as it was written, where it was written in µin; `limit` is its exact conversion.
    rule
        None: the edition's default (Tmax for iso-21920, T16% for iso-4287).
    cutoff_mm, short_cutoff_um, waviness_cutoff_mm
        λc, λs, λf.
    sections
        Section lengths in the evaluation length.
    evaluation_length_mm
        Evaluation length, where it stands between the slashes.
    setting_class
        ``Sc1`` … ``Sc5``.
    roughness_operator_mm, waviness_operator_mm
        Operators A and B of a motif parameter.
    filter
        L-filter, by its name in the settings.
    process, lay
        Of the surface; they hold for the call-outs beside it as well (see `parse_callouts`).
    """

    text: str
    parameter: str
    limit: float
    unit: str = "um"
    side: Side = Side.UPPER
    rule: Rule | None = None
    cutoff_mm: float | None = None
    short_cutoff_um: float | None = None
    waviness_cutoff_mm: float | None = None
    sections: int | None = None
    filter: str | None = None
    evaluation_length_mm: float | None = None
    setting_class: str | None = None
    roughness_operator_mm: float | None = None
    waviness_operator_mm: float | None = None
    process: Process | None = None
    lay: Lay | None = None
    micro_inches: float | None = None
