"""Where the evaluation length lies on the trace (page *texture*, section 1, step 6)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from crosslay.errors import TraceTooShortError
from crosslay.texture.filters.checks import check_cutoff
from crosslay.texture.settings import FilterKind

#: Run-up and run-down in section lengths, by filter.
RUN_SHARES: dict[FilterKind, tuple[float, float]] = {
    FilterKind.GAUSSIAN: (0.5, 0.5),
    FilterKind.ROBUST: (0.5, 0.5),
    FilterKind.SPLINE: (0.5, 0.5),
    FilterKind.VALLEY_SUPPRESSING: (0.5, 0.5),
    FilterKind.TWO_RC: (2.0, 0.0),  # causal: it must settle
    FilterKind.TWO_RC_ZERO_PHASE: (1.0, 1.0),
    FilterKind.NONE: (0.0, 0.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The evaluation length, in samples.

    Attributes
    ----------
    section_points
        Samples nc of one section.
    sections
        Number n of sections.
    start
        First sample.
    """

    section_points: int
    sections: int
    start: int

    @property
    def points(self) -> int:
        """Number M of samples in the evaluation length."""
        return self.sections * self.section_points

    @property
    def stop(self) -> int:
        """First sample after the evaluation length."""
        return self.start + self.points


def section_points(cutoff_mm: float, spacing_um: float) -> int:
    """Samples nc of a section, λc/dx rounded half up.

    Raises
    ------
    SettingsError
        The cut-off is not above two spacings.
    """
    check_cutoff(spacing_um, cutoff_mm)
    return math.floor(cutoff_mm * 1000.0 / spacing_um + 0.5)


def place_window(points: int, spacing_um: float, cutoff_mm: float, *, sections: int, kind: FilterKind) -> Window:
    """Place the evaluation length in the middle of what run-up and run-down leave.

    Parameters
    ----------
    points : int
        Samples N of the trace.
    spacing_um, cutoff_mm : float
        Sampling spacing, µm; λc, mm.
    sections : int
        Number of sections.
    kind : FilterKind
        Filter, which decides run-up and run-down.

    Raises
    ------
    TraceTooShortError
        With the length needed and the length given, in mm.
    """
    section = section_points(cutoff_mm, spacing_um)
    length = sections * section
    before, after = (math.floor(share * section) for share in RUN_SHARES[kind])
    slack = points - length - before - after
    # The allowance absorbs the rounding of the section, so that a travel of n + 1 cut-offs is never refused; an
    # evaluation length that does not lie on the trace is no matter of rounding.
    if slack < -(sections + 1) or points < length:
        needed_mm = (length + before + after) * spacing_um / 1000.0
        raise TraceTooShortError(
            f"the trace is {(points - 1) * spacing_um / 1000.0:.4g} mm long; {sections} sections of {cutoff_mm:g} mm "
            f"with run-up and run-down ({kind.value}) need {needed_mm:.4g} mm"
        )
    start = max(0, min(before + slack // 2, points - length))
    return Window(section_points=section, sections=sections, start=start)
