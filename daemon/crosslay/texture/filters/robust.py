"""Robust Gaussian regression filter of second order.

At every sample a parabola is fitted by least squares with the Gaussian weights of the distance, times a Tukey biweight
of the last residual of each sample; the mean line is the parabola's height at the sample. Deep valleys and high spikes
lose their weight, and ends and curvature are kept without run-up.

References
----------
ISO 16610-31, order p = 2: γ, Tukey weights and 4.4478 times the median.
Support, start, stop rule and the choice of the last fit are decisions (page *texture*, section 2).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.filters.checks import check_cutoff, checked_heights
from crosslay.texture.filters.local_parabola import LocalParabola
from crosslay.texture.sums import dot

#: Tukey's limit cB in units of the median absolute residual.
TUKEY_FACTOR: Final = 4.4478
#: The iteration ends when cB changes by less than this share.
TOLERANCE: Final = 1e-5
MAX_ROUNDS: Final = 100

# A residual of this share of the profile's height is rounding, not surface.
_ROUNDING: Final = 1e-13

_Floats = NDArray[np.float64]


def mean_line(z_um: _Floats, spacing_um: float, cutoff_mm: float) -> _Floats:
    """Robust second-order Gaussian regression mean line over the whole trace.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off (nesting index) λc, mm.

    Returns
    -------
    NDArray[np.float64]
        Mean line, shape (N,), µm: the fit whose residuals gave the last cB.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If λc is not above two spacings.

    Notes
    -----
    The trace's own least-squares parabola is taken off first and added at the end; a second-order fit does not see it.
    Where the samples that kept a weight do not determine a parabola (fewer than three), the fit to the rest is a
    straight line (two), their height (one), or the height of the round before (none). A median residual that is pure
    rounding counts as 0, so that a surface that is exactly its mean line over half the trace ends the iteration. One
    hundred rounds means one hundred reweighted fits after the unweighted one.

    References
    ----------
    ISO 16610-31, order 2; page *texture*, section 2.
    """
    heights = checked_heights(z_um, spacing_um)
    check_cutoff(spacing_um, cutoff_mm)
    # A parabola passes unchanged; without it the sums keep their digits for the texture. Heights of the order of 1
    # weigh as much as the weights in the transforms that carry both.
    rest = heights - _parabola(heights)
    size_um = float(np.abs(rest).max())
    if heights.size < 3 or size_um <= 1e-14 * float(np.abs(heights).max()):
        return heights.copy()
    rest /= size_um
    regression = LocalParabola(heights.size, spacing_um, cutoff_mm)
    line = np.empty_like(rest)
    regression.fit(rest, None, line)
    residual = np.empty_like(rest)
    limit = _residual_and_limit(rest, line, out=residual)
    for _ in range(MAX_ROUNDS):
        if limit <= _ROUNDING:
            break
        regression.fit(rest, _biweights(residual, limit), line)
        last = limit
        limit = _residual_and_limit(rest, line, out=residual)
        if abs(limit - last) < TOLERANCE * last:
            break
    line -= rest
    line *= size_um
    line += heights
    return line


def _residual_and_limit(heights: _Floats, line: _Floats, *, out: _Floats) -> float:
    """Put the absolute residuals, shape (N,), into `out`; Tukey's limit cB, in the unit of the heights."""
    np.subtract(heights, line, out=out)
    np.abs(out, out=out)
    return TUKEY_FACTOR * float(np.median(out))


def _biweights(residual: _Floats, limit: float) -> _Floats:
    """Tukey's biweight of each absolute residual, shape (N,); overwrites `residual`."""
    residual /= limit
    residual *= residual
    np.subtract(1.0, residual, out=residual)
    np.maximum(residual, 0.0, out=residual)
    residual *= residual
    return residual


def _parabola(heights: _Floats) -> _Floats:
    """Least-squares parabola over the whole trace, shape (N,), µm."""
    x = np.linspace(-1.0, 1.0, heights.size)
    curve = np.full(heights.size, float(heights.mean()))
    for basis in (x, x * x - float(np.mean(x * x))):
        square = dot(basis, basis)
        if square > 0.0:
            curve += (dot(basis, heights - curve) / square) * basis
    return curve
