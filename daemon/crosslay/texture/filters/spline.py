"""Natural cubic spline filter.

``(I + α⁴ Q) w = z`` with Q = DᵀD is nearly singular: with a hundred thousand samples in a cut-off α⁴ passes 1e15 and an
elimination loses the identity. It is solved here without elimination. Let T be the second difference with free ends,
symmetric and N×N; its eigenvectors are the cosines of the DCT-II. Then ``T² = Q + T(e₁e₁ᵀ + e_N e_Nᵀ)T``, so the
matrix is one that is diagonal in cosines less a term of rank two, one for the even and one for the odd cosines. For
each the Sherman–Morrison divisor ``1 − α⁴ vᵀM⁻¹v`` with v = Te equals ``eᵀM⁻¹e``, a sum of positive terms. Nothing
cancels, whatever α is, so the step of iterative refinement that an elimination needs has nothing left to mend.

References
----------
ISO 16610-22, cubic, not periodic, no tension (β = 0). Page *texture*, section 2.
G. Strang, "The Discrete Cosine Transform", SIAM Review 41 (1999) 135–147: eigenvectors of the free-end difference.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from crosslay.texture.filters.checks import check_cutoff, checked_heights
from crosslay.texture.sums import dot


def stiffness(spacing_um: float, cutoff_mm: float) -> float:
    """Return α = 1/(2 sin(π dx/λc)), dimensionless: half the amplitude passes at the cut-off.

    Parameters
    ----------
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off (nesting index) λc, mm.

    References
    ----------
    ISO 16610-22, weighting equations of the cubic spline filter.
    """
    return 0.5 / math.sin(math.pi * spacing_um / (1000.0 * cutoff_mm))


def mean_line(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Spline filter mean line over the whole trace.

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
        Mean line, shape (N,), µm. A straight line passes unchanged.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If λc is not above two spacings.

    References
    ----------
    ISO 16610-22; page *texture*, section 2.
    """
    heights = checked_heights(z_um, spacing_um)
    check_cutoff(spacing_um, cutoff_mm)
    points = heights.size
    if points < 3:
        # Without a second difference there is nothing to smooth.
        return heights.copy()
    # A straight line passes unchanged; without it the cosines keep their digits for the texture.
    x = np.arange(points, dtype=np.float64) - 0.5 * (points - 1)
    line = float(heights.mean()) + (dot(x, heights) / dot(x, x)) * x
    spectrum: NDArray[np.float64] = fft.dct(heights - line, norm="ortho", overwrite_x=True)
    # sin(πk/2N) for k = 0 … N; read backwards it is the cosine.
    sine = np.sin(np.arange(points + 1) * (0.5 * math.pi / points))
    end = sine[points:0:-1]
    # α² times the eigenvalue of T, and one over the eigenvalue of M = I + α⁴ T².
    bend = (2.0 * stiffness(spacing_um, cutoff_mm) * sine[:points]) ** 2
    gain = 1.0 / (1.0 + bend * bend)
    share = end * gain
    spectrum *= gain
    for parity in (0, 1):
        cosines = slice(parity, None, 2)
        part = bend[cosines] * end[cosines]
        # Cosine 0 is shorter by √2 than the rest, but there `part` is 0 and only the divisor sees it.
        divisor = dot(share[cosines], end[cosines]) - (0.5 if parity == 0 else 0.0)
        spectrum[cosines] += (dot(part, spectrum[cosines]) / divisor) * (part * gain[cosines])
    smooth: NDArray[np.float64] = fft.idct(spectrum, norm="ortho", overwrite_x=True)
    smooth += line
    return smooth
