"""Which function draws the mean line of which filter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.filters import gaussian, robust, spline, two_rc, valley_suppressing
from crosslay.texture.settings import FilterKind

MeanLine = Callable[[NDArray[np.float64], float, float], NDArray[np.float64]]


def _no_line(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:  # noqa: ARG001
    """Roughness is the primary profile: the line that is taken off is 0."""
    return np.zeros_like(z_um)


MEAN_LINES: dict[FilterKind, MeanLine] = {
    FilterKind.GAUSSIAN: gaussian.mean_line,
    FilterKind.ROBUST: robust.mean_line,
    FilterKind.SPLINE: spline.mean_line,
    FilterKind.TWO_RC: two_rc.mean_line,
    FilterKind.TWO_RC_ZERO_PHASE: two_rc.mean_line_zero_phase,
    FilterKind.VALLEY_SUPPRESSING: valley_suppressing.mean_line,
    FilterKind.NONE: _no_line,
}


def mean_line(
    z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float, *, kind: FilterKind
) -> NDArray[np.float64]:
    """Mean (reference) line of a profile; for ``none`` it is 0 everywhere.

    Parameters
    ----------
    z_um : (N,) float64
        Primary profile, µm.
    spacing_um, cutoff_mm : float
        Sampling spacing, µm; λc, mm.
    kind : FilterKind
        Which filter.

    Returns
    -------
    (N,) float64
        µm.

    Raises
    ------
    SettingsError
        The filter cannot be applied with this cut-off at this spacing.
    """
    return MEAN_LINES[kind](z_um, spacing_um, cutoff_mm)
