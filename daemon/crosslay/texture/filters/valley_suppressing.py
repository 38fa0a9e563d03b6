"""Valley-suppressing filter for plateau-like surfaces with deep valleys.

References
----------
ISO 13565-1, filtering process: two Gaussian mean lines, the valleys cut away between them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.filters import gaussian
from crosslay.texture.filters.checks import check_cutoff, checked_heights


def mean_line(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Reference line that deep valleys do not draw down.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights of the primary profile, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off (nesting index) λc, mm.

    Returns
    -------
    NDArray[np.float64]
        Reference line, shape (N,), µm: the Gaussian mean line of the profile whose parts below its own Gaussian mean
        line are cut to it. The roughness is the uncut profile less this line.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If λc is not above two spacings.

    References
    ----------
    ISO 13565-1; page *texture*, section 2.
    """
    heights = checked_heights(z_um, spacing_um)
    check_cutoff(spacing_um, cutoff_mm)
    first = gaussian.mean_line(heights, spacing_um, cutoff_mm)
    return gaussian.mean_line(np.maximum(heights, first), spacing_um, cutoff_mm)
