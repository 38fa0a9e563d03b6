"""What every profile filter asks of its arguments."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError, TraceError


def checked_heights(z_um: NDArray[np.float64], spacing_um: float) -> NDArray[np.float64]:
    """Return the heights as float64 after refusing what no filter can work on.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing, µm.

    Returns
    -------
    NDArray[np.float64]
        `z_um` itself where it is float64 already, shape (N,).

    Raises
    ------
    TraceError
        If the heights are not one line of at least one finite number, or the spacing is not above 0.
    """
    heights = np.asarray(z_um, dtype=np.float64)
    if heights.ndim != 1 or heights.size == 0:
        raise TraceError(f"a profile is one line of heights, not an array of shape {heights.shape}")
    if not (math.isfinite(spacing_um) and spacing_um > 0):
        raise TraceError(f"spacing_um is {spacing_um}; it must be a number above 0")
    finite = np.isfinite(heights)
    if not finite.all():
        first = int(np.argmin(finite))
        raise TraceError(f"height {first} of the profile is {heights[first]}; a filter needs numbers at every sample")
    return heights


def check_cutoff(spacing_um: float, cutoff_mm: float) -> None:
    """Refuse a cut-off that the sampling cannot carry.

    Parameters
    ----------
    spacing_um : float
        Sampling spacing, µm.
    cutoff_mm : float
        Cut-off (nesting index), mm.

    Raises
    ------
    SettingsError
        If the cut-off is not a number above twice the spacing: a shorter wave is not in the samples.
    """
    if not (math.isfinite(cutoff_mm) and 1000.0 * cutoff_mm > 2.0 * spacing_um):
        raise SettingsError(
            f"cut-off {cutoff_mm} mm with a spacing of {spacing_um} µm: the cut-off must be above two spacings, "
            f"{2.0 * spacing_um / 1000.0:.6g} mm"
        )
