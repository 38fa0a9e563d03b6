"""Forerunner of the Gaussian filter: two RC high-passes in a row, as the analogue instruments had them.

The roughness is what the high-passes let through; the mean line is the rest of the profile.

References
----------
ISO 3274:1975, JIS B 0601:1982, ASME B46.1: 75 % transmission at the cut-off.
The discrete form and its start are decisions (page *texture*, section 2).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas

from crosslay.texture.filters.checks import check_cutoff, checked_heights


def mean_line(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Mean line of the causal 2RC filter: the profile less two identical high-pass stages.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm, in the order in which they were traced.
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off λc, mm.

    Returns
    -------
    NDArray[np.float64]
        Mean line, shape (N,), µm. It lags behind the profile, which is the nature of the filter, and the first two
        cut-offs hold the settling.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If λc is not above two spacings.

    References
    ----------
    ISO 3274:1975; page *texture*, section 2.
    """
    heights = checked_heights(z_um, spacing_um)
    check_cutoff(spacing_um, cutoff_mm)
    gain, pole = stage_coefficients(spacing_um, cutoff_mm)
    return heights - _high_pass(_high_pass(heights, gain, pole), gain, pole)


def mean_line_zero_phase(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Mean line of the 2RC filter without phase distortion: one stage forward, the same stage backward.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off λc, mm.

    Returns
    -------
    NDArray[np.float64]
        Mean line, shape (N,), µm.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If λc is not above two spacings.

    References
    ----------
    Amplitude of ISO 3274:1975; page *texture*, section 2.
    """
    heights = checked_heights(z_um, spacing_um)
    check_cutoff(spacing_um, cutoff_mm)
    gain, pole = stage_coefficients(spacing_um, cutoff_mm)
    forward = _high_pass(heights, gain, pole)
    return heights - _high_pass(forward[::-1], gain, pole)[::-1]


def stage_coefficients(spacing_um: float, cutoff_mm: float) -> tuple[float, float]:
    """Gain g and pole p of one stage, ``y_n = p·y_{n−1} + g·(x_n − x_{n−1})``, both dimensionless.

    Parameters
    ----------
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off λc, mm.

    Notes
    -----
    The stage is τs/(1 + τs) with τ = √3 λc/2π, so that the pair passes 1/(1 + 1/3) = 75 % at λc. The bilinear
    transform prewarped at ω = 2π/λc puts ``(ω/tan(ω dx/2))·(1 − q)/(1 + q)`` for s, q being the delay of one sample.
    """
    ratio = math.sqrt(3.0) / math.tan(math.pi * spacing_um / (1000.0 * cutoff_mm))
    return ratio / (ratio + 1.0), (ratio - 1.0) / (ratio + 1.0)


def _high_pass(heights: NDArray[np.float64], gain: float, pole: float) -> NDArray[np.float64]:
    """One stage, at rest on its first sample: it answers 0 there, shape (N,), µm."""
    if heights.size == 1:
        return np.zeros(1)
    # The recursion is the forward substitution of a lower bidiagonal system; BLAS runs it without a Python loop.
    steps = np.empty_like(heights)
    steps[0] = 0.0
    np.subtract(heights[1:], heights[:-1], out=steps[1:])
    steps *= gain
    # In Fortran order, as BLAS reads it; the diagonal of ones is implied and not looked at.
    bands = np.full((2, heights.size), -pole, order="F")
    return np.asarray(blas.dtbsv(1, bands, steps, lower=1, diag=1, overwrite_x=1))
