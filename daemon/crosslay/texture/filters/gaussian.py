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
    if z_um.size <= 2 * half:
        return _short(z_um, weights)
    line = _convolved(z_um, weights)
    head_first_moment, tail_first_moment = _end_first_moments(z_um, weights)
    moments = _one_sided_sums(weights)
    line[:half] = _regressed(moments, line[:half], head_first_moment)
    line[-half:] = _regressed(moments, line[: -half - 1 : -1], tail_first_moment)[::-1]
    return line


def _convolved(z_um: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of weights times heights, beyond the ends 0, shape (N,)."""
    half = weights.size - 1
    if half <= _PLAIN_HALF:
        result: NDArray[np.float64] = np.convolve(z_um, np.concatenate((weights[:0:-1], weights)), mode="same")
        return result
    length = fft.next_fast_len(z_um.size + half, real=True)
    spectrum = fft.rfft(z_um, length)
    spectrum *= fft.rfft(_wrapped(weights, length)).real  # an even kernel has a real spectrum
    return fft.irfft(spectrum, length)[: z_um.size]


def _wrapped(weights: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Symmetrical kernel around index 0 of a ring of `length` places."""
    ring = np.zeros(length)
    ring[: weights.size] = weights
    ring[-weights.size + 1 :] = weights[:0:-1]
    return ring


def _wrapped_odd(weights: NDArray[np.float64], length: int) -> NDArray[np.float64]:
    """Kernel −k·s(k) around index 0: its convolution is the first moment Σ s(k−i)·(k−i)·z_k."""
    lever = weights * np.arange(weights.size, dtype=np.float64)
    ring = np.zeros(length)
    ring[: weights.size] = -lever
    ring[-weights.size + 1 :] = lever[:0:-1]
    return ring


def _end_first_moments(
    z_um: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """First moments at the `half` points nearest to either end, counted from that end, away from it positive."""
    half = weights.size - 1
    length = fft.next_fast_len(3 * half, real=True)
    ends = np.stack((z_um[: 2 * half], z_um[: -2 * half - 1 : -1]))
    spectra = fft.rfft(ends, length)
    spectra *= fft.rfft(_wrapped_odd(weights, length))
    moments = fft.irfft(spectra, length)
    return moments[0, :half], moments[1, :half]


def _one_sided_sums(
    weights: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """S0, S1, S2 of the weights over k = −i … half for i = 0 … half − 1."""
    half = weights.size - 1
    steps = np.arange(-half, half + 1, dtype=np.float64)
    both = np.concatenate((weights[:0:-1], weights))
    sums = []
    for _ in range(3):
        # From the far side inwards: element i is the sum over the steps −i … half.
        sums.append(np.cumsum(both[::-1])[half : 2 * half])
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


def _short(z_um: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean line where the weights reach beyond both ends at some point."""
    points, half = z_um.size, weights.size - 1
    length = fft.next_fast_len(points + half, real=True)
    spectrum = fft.rfft(z_um, length)
    zeroth = fft.irfft(spectrum * fft.rfft(_wrapped(weights, length)), length)[:points]
    first = fft.irfft(spectrum * fft.rfft(_wrapped_odd(weights, length)), length)[:points]
    steps = np.arange(-half, half + 1, dtype=np.float64)
    both = np.concatenate((weights[:0:-1], weights))
    here = np.arange(points)
    low = np.maximum(-here, -half) + half
    high = np.minimum(points - 1 - here, half) + half + 1
    sums = []
    for _ in range(3):
        prefix = np.concatenate((np.zeros(1), np.cumsum(both)))
        sums.append(prefix[high] - prefix[low])
        both = both * steps
    return _regressed((sums[0], sums[1], sums[2]), zeroth, first)
