"""What every finding looks at: one trace, one evaluation of it, and what came before."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from crosslay.texture.evaluation import Evaluation
from crosslay.texture.trace import Finding, Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Earlier values of the same characteristic at this station.

    Attributes
    ----------
    values
        Values by symbol, oldest first, in the symbol's unit; only of traces that were not invalid.
    """

    values: dict[str, tuple[float, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Subject:
    """One trace under one evaluation.

    Attributes
    ----------
    trace
        Raw trace without the zones at its ends that are left out.
    evaluation
        What was computed from it.
    before_mm
        Length of what was left out at the start, mm; findings add it to the places that they show.
    history
        Earlier values of the characteristic; None where there are none.
    """

    trace: Trace
    evaluation: Evaluation
    before_mm: float = 0.0
    history: History | None = None

    @property
    def rz_um(self) -> float:
        """Height of the texture, µm: the median of the sections' Rz, which one bad section does not move."""
        return float(np.median(self.evaluation.sections["Rz"]))


#: What a module of findings offers: look at one subject, and return a finding or None.
Check = Callable[[Subject], Finding | None]


def without_zones(trace: Trace, skip_start_mm: float, skip_end_mm: float) -> tuple[Trace, float]:
    """Cut off the zones at the ends of a trace; return what is left and the length before it, mm."""
    dx_mm = trace.spacing_um / 1000.0
    first, last = math.floor(skip_start_mm / dx_mm), trace.points - math.floor(skip_end_mm / dx_mm)
    if (first, last) == (0, trace.points) or last - first < 2:
        return trace, 0.0
    return replace(trace, samples=trace.samples[first:last], positions_mm=None), first * dx_mm
