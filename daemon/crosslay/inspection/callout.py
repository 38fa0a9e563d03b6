"""Drawing call-outs, e.g. ``Ra 0.8``, ``L Ra 0.2``, ``U Rz 6.3``."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Callout:
    """One requirement of a drawing.

    Attributes
    ----------
    text
        As written, trimmed.
    side, parameter, limit
        Upper or lower limit of a parameter; `limit` in the parameter's own unit (µm for heights, mm for Rsm …).
    unit
        UCUM unit of `limit`.
    rule
        None: the edition's default (Tmax for iso-21920, T16% for iso-4287).
    cutoff_mm, short_cutoff_um, sections, filter
        Given in the call-out itself, else None.
    """

    text: str
    parameter: str
    limit: float
    unit: str = "um"
    side: Side = Side.UPPER
    rule: Rule | None = None
    cutoff_mm: float | None = None
    short_cutoff_um: float | None = None
    sections: int | None = None
    filter: str | None = None
