"""Gaussian profile filter with ends by the moment criterion.

References
----------
ISO 16610-21 (weighting function, 50 % transmission at the cut-off); ISO 16610-28 (moment criterion near the ends).
The truncation of the weights at one cut-off to either side is a decision (page *texture*, section 2).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

#: α of ISO 16610-21: the transmission at the cut-off is 50 %.
ALPHA = math.sqrt(math.log(2.0) / math.pi)

# Up to this many samples to a side a plain convolution is faster than transforms.
_PLAIN_HALF = 20


def half_support(spacing_um: float, cutoff_mm: float) -> int:
    """Samples on either side of a point that lie within one cut-off of it."""
    # The hair's breadth counts a sample that lies exactly one cut-off away, whatever binary fractions make of it.
    return math.floor(cutoff_mm * 1000.0 / spacing_um * (1.0 + 1e-12))


def half_weights(half: int, spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Weights s(k dx), k = 0 … `half`, so scaled that the whole symmetrical set sums to 1."""
    steps = np.arange(half + 1, dtype=np.float64) * (spacing_um / (ALPHA * cutoff_mm * 1000.0))
    weights = np.exp(-math.pi * steps * steps)
    weights /= 2.0 * float(weights.sum()) - 1.0
    return weights


def mean_line(z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float) -> NDArray[np.float64]:
    """Gaussian mean line over the whole trace.

    Parameters
    ----------
    z_um : (N,) float64
        Heights on an even grid, µm.
    spacing_um : float
        Sampling spacing, µm.
    cutoff_mm : float
        Cut-off (nesting index), mm.

    Returns
    -------
    (N,) float64
        Mean line, µm. Straight lines are kept up to both ends.

    Notes
    -----
    In the interior this is the convolution with the weights. Where they reach beyond an end, a straight line is fitted
    at each point with the weights over the samples that exist; the five sums of that fit are prefix sums of the weights
    and two convolutions. Cost O(N log N).
    """
    half = half_support(spacing_um, cutoff_mm)
    if half == 0 or z_um.size < 2:
        return z_um.copy()
    half = min(half, z_um.size - 1)
    weights = half_weights(half, spacing_um, cutoff_mm)
    if half <= _PLAIN_HALF and z_um.size > 2 * half:
        line, first = _plain_moments(z_um, weights)
    else:
        line, first = _moments(z_um, weights)
    if z_um.size <= 2 * half:
        return _regressed(_sums(weights, z_um.size, np.arange(z_um.size)), line, first)
    sums = _sums(weights, z_um.size, np.arange(half))
    line[:half] = _regressed(sums, line[:half], first[:half])
    # Seen from the far end the sums are the same; its first moment counts the other way.
    line[-half:] = _regressed(sums, line[: -half - 1 : -1], -first[: -half - 1 : -1])[::-1]
    return line


def _moments(
    z_um: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Σ s(k−i)·z_k and Σ s(k−i)·(k−i)·z_k over the samples that exist, both of shape (N,), by transforms."""
    half = weights.size - 1
    length = fft.next_fast_len(z_um.size + half, real=True)
    # An even kernel has a real spectrum and an odd one an imaginary spectrum: one transform carries both.
    lever = weights * np.arange(half + 1, dtype=np.float64)
    ring = np.zeros(length)
    ring[: half + 1] = weights - lever
    ring[-half:] = (weights + lever)[:0:-1]
    kernel = fft.rfft(ring)
    spectrum = fft.rfft(z_um, length)
    zeroth = fft.irfft(spectrum * kernel.real, length)[: z_um.size]
    spectrum *= kernel.imag
    spectrum *= 1j
    return zeroth, fft.irfft(spectrum, length)[: z_um.size]


def _plain_moments(
    z_um: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The same by plain sums for few weights; the first moments are 0 but near the ends, where they are needed."""
    half = weights.size - 1
    both = np.concatenate((weights[:0:-1], weights))
    lever = both * np.arange(half, -half - 1, -1, dtype=np.float64)
    zeroth: NDArray[np.float64] = np.convolve(z_um, both, mode="same")
    first = np.zeros(z_um.size)
    first[:half] = np.convolve(z_um[: 2 * half], lever)[half : 2 * half]
    first[-half:] = np.convolve(z_um[-2 * half :], lever)[2 * half : 3 * half]
    return zeroth, first


def _sums(
    weights: NDArray[np.float64], points: int, here: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """S0, S1, S2 of the weights over the samples that exist, at the samples `here`."""
    half = weights.size - 1
    steps = np.arange(-half, half + 1, dtype=np.float64)
    both = np.concatenate((weights[:0:-1], weights))
    low = np.maximum(half - here, 0)
    high = np.minimum(points - 1 - here, half) + half + 1
    sums = []
    for _ in range(3):
        prefix = np.zeros(both.size + 1)
        np.cumsum(both, out=prefix[1:])
        sums.append(prefix[high] - prefix[low])
        both = both * steps
    return sums[0], sums[1], sums[2]


def _regressed(
    sums: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    zeroth: NDArray[np.float64],
    first: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Height at the point of the weighted least-squares line, from the sums S0, S1, S2 and T0, T1."""
    s0, s1, s2 = sums
    return (s2 * zeroth - s1 * first) / (s0 * s2 - s1 * s1)
