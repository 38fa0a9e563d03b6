"""Hybrid parameters: slopes and developed length.

Dimensionless slopes are µm per µm. The functions know nothing of R, P or W; ``dq`` is Rdq, Pdq or Wdq.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.sums import dot
from crosslay.texture.undefined import Undefined

#: The formula reaches three samples to either side.
SLOPE_POINTS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeParameters:
    """Slopes of one profile, dimensionless.

    Attributes
    ----------
    dq, da, dt
        Root mean square, mean absolute and largest absolute slope (Rdq, Rda, Rdt).
    """

    dq: float | Undefined
    da: float | Undefined
    dt: float | Undefined


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthParameters:
    """Developed length of one profile.

    Attributes
    ----------
    dl
        Length of the polyline through the samples, mm (Rdl).
    dr
        What it exceeds the straight length by, % (Rdr).
    """

    dl: float | Undefined
    dr: float | Undefined


def local_slopes(heights_um: NDArray[np.float64], spacing_um: float) -> NDArray[np.float64]:
    """Slopes by the seven-point formula.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm.
    spacing_um
        Sampling spacing, µm.

    Returns
    -------
    ndarray
        Slopes at the samples 3 … M−4, shape (max(M−6, 0),), dimensionless.

    References
    ----------
    .. [1] ISO 4287:1997, 3.2.9 (local slope): ``(z₊₃ − 9z₊₂ + 45z₊₁ − 45z₋₁ + 9z₋₂ − z₋₃)/(60Δx)``.
    """
    z = heights_um
    if z.shape[0] < SLOPE_POINTS:
        return np.empty(0)
    slopes: NDArray[np.float64] = z[4:-2] - z[2:-4]
    slopes *= 45.0
    difference = z[5:-1] - z[1:-5]
    difference *= 9.0
    slopes -= difference
    np.subtract(z[6:], z[:-6], out=difference)
    slopes += difference
    slopes *= 1.0 / (60.0 * spacing_um)
    return slopes


def slope_parameters(heights_um: NDArray[np.float64], spacing_um: float) -> SlopeParameters:
    """Root mean square, mean absolute and largest slope within the evaluation length.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm.
    spacing_um
        Sampling spacing, µm.

    Returns
    -------
    SlopeParameters
        Undefined with fewer than seven samples.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rdq, Rda, Rdt; ISO 4287:1997, 4.4.1 (RΔq).
    """
    slopes = local_slopes(heights_um, spacing_um)
    count = slopes.shape[0]
    if count == 0:
        reason = Undefined(f"{heights_um.shape[0]} samples; the slope formula needs {SLOPE_POINTS}")
        return SlopeParameters(dq=reason, da=reason, dt=reason)
    square_sum = dot(slopes, slopes)
    np.abs(slopes, out=slopes)
    return SlopeParameters(dq=math.sqrt(square_sum / count), da=float(slopes.sum()) / count, dt=float(slopes.max()))


def length_parameters(heights_um: NDArray[np.float64], spacing_um: float) -> LengthParameters:
    """Developed length and its excess over the straight length ``(M − 1)·Δx``.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm.
    spacing_um
        Sampling spacing, µm.

    Returns
    -------
    LengthParameters
        Undefined with fewer than two samples.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rdl, Rdr. Polyline and straight length: design: texture, section 4.
    """
    steps = heights_um.shape[0] - 1
    if steps < 1:
        reason = Undefined("a length needs two samples")
        return LengthParameters(dl=reason, dr=reason)
    squares = np.diff(heights_um)
    squares *= 1.0 / spacing_um
    squares *= squares
    # √(1+s²) − 1 = s²/(√(1+s²) + 1): on a smooth surface the difference itself would have no digits left.
    roots = squares + 1.0
    np.sqrt(roots, out=roots)
    roots += 1.0
    squares /= roots
    excess = float(squares.sum()) / steps
    return LengthParameters(dl=1e-3 * spacing_um * steps * (1.0 + excess), dr=100.0 * excess)
