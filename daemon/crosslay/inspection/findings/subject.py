"""What every finding looks at: one trace, one evaluation of it, and what came before."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.periodic import period_points, without_repetition
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
    rz_um
        Height of the texture, µm: the median of the sections' Rz, which one bad section does not move.
    period_points
        Samples after which the texture repeats, None where it does not.
    slopes_um
        Differences of neighbouring heights of the primary profile, less what repeats, shape (N − 1,), µm.
    """

    trace: Trace
    evaluation: Evaluation
    before_mm: float = 0.0
    history: History | None = None

    rz_um: float = field(init=False)
    period_points: float | None = field(init=False)
    slopes_um: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        profiles = self.evaluation.profiles
        period = period_points(profiles.roughness, self.evaluation.settings.section_points)
        # Several findings need these; a frozen dataclass has no other way to work them out once.
        object.__setattr__(self, "rz_um", float(np.median(self.evaluation.sections["Rz"])))
        object.__setattr__(self, "period_points", period)
        object.__setattr__(self, "slopes_um", without_repetition(np.diff(profiles.primary), period))


#: What a module of findings offers: look at one subject, and return a finding or None.
Check = Callable[[Subject], Finding | None]


def without_zones(trace: Trace, skip_start_mm: float, skip_end_mm: float) -> tuple[Trace, float]:
    """Cut off the zones at the ends of a trace; return what is left and the length before it, mm."""
    dx_mm = trace.spacing_um / 1000.0
    first, last = math.floor(skip_start_mm / dx_mm), trace.points - math.floor(skip_end_mm / dx_mm)
    if (first, last) == (0, trace.points) or last - first < 2:
        return trace, 0.0
    positions_mm = None if trace.positions_mm is None else trace.positions_mm[first:last]
    return replace(trace, samples=trace.samples[first:last], positions_mm=positions_mm), first * dx_mm
