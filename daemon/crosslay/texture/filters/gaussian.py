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
_PLAIN_HALF = 12
# A trace this many times as long as one side of the weights is transformed block by block.
_BLOCKS = 16
_LEAST_BLOCK = 1024
# Up to this length two transforms go through at a time.
_PAIRED_LENGTH = 262_144


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
        zeroth, first = _moments(z_um, weights)
        return _regressed(_sums(weights, z_um.size, np.arange(z_um.size)), zeroth, first)
    if half <= _PLAIN_HALF:
        line: NDArray[np.float64] = np.convolve(z_um, _both_sides(weights), mode="same")
        head, tail = _moments_of_ends(z_um, weights)
    elif z_um.size >= _BLOCKS * half:
        line = _blockwise(z_um, weights)
        head, tail = _moments_of_ends(z_um, weights)
    else:
        line, first = _moments(z_um, weights)
        head, tail = first[:half], -first[: -half - 1 : -1]
    # Seen from the far end the sums are the same, and the first moment counts the other way.
    sums = _sums(weights, z_um.size, np.arange(half))
    line[:half] = _regressed(sums, line[:half], head)
    line[-half:] = _regressed(sums, line[: -half - 1 : -1], tail)[::-1]
    return line


def _both_sides(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate((weights[:0:-1], weights))


def _moments(
    z_um: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Σ s(k−i)·z_k and Σ s(k−i)·(k−i)·z_k over the samples that exist, both of shape (N,), by transforms."""
    half = weights.size - 1
    length = fft.next_fast_len(z_um.size + half, real=True)
    # An even kernel has a real spectrum and an odd one an imaginary spectrum, so one ring carries both.
    pair = np.zeros((2, length))
    pair[0, : z_um.size] = z_um
    lever = weights * np.arange(half + 1, dtype=np.float64)
    pair[1, : half + 1] = weights - lever
    pair[1, -half:] = (weights + lever)[:0:-1]
    # Two transforms at a time cost little more than one, until they leave the cache.
    together = length <= _PAIRED_LENGTH
    spectra = fft.rfft(pair, axis=1, overwrite_x=True) if together else [fft.rfft(row) for row in pair]
    heights, kernel = spectra
    even, odd = kernel.real.copy(), kernel.imag.copy()
    np.multiply(heights.real, odd, out=kernel.imag)
    np.negative(odd, out=odd)
    np.multiply(heights.imag, odd, out=kernel.real)
    heights *= even
    if together:
        zeroth, first = fft.irfft(spectra, length, axis=1, overwrite_x=True)
    else:
        zeroth, first = (fft.irfft(spectrum, length, overwrite_x=True) for spectrum in spectra)
    # Copied, so that a mean line does not keep its padding alive.
    return zeroth[: z_um.size].copy(), first[: z_um.size].copy()


def _moments_of_ends(
    z_um: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """First moments at the `half` points nearest to either end, counted from that end, away from it positive."""
    half = weights.size - 1
    ends = z_um[: 2 * half], z_um[: -2 * half - 1 : -1]
    if half > _PLAIN_HALF:
        head, tail = (_moments(end, weights)[1][:half] for end in ends)
        return head, tail
    lever = _both_sides(weights) * np.arange(half, -half - 1, -1, dtype=np.float64)
    head, tail = (np.convolve(end, lever)[half : 2 * half] for end in ends)
    return head, tail


def _blockwise(z_um: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Σ s(k−i)·z_k, shape (N,), by transforms of overlapping blocks that stay in the cache."""
    half = weights.size - 1
    length = fft.next_fast_len(max(_LEAST_BLOCK, 8 * half), real=True)
    step = length - 2 * half
    blocks = -(-z_um.size // step)
    padded = np.zeros(blocks * step + 2 * half)
    padded[half : half + z_um.size] = z_um
    ring = np.zeros(length)
    ring[: half + 1] = weights
    ring[-half:] = weights[:0:-1]
    rows = np.lib.stride_tricks.sliding_window_view(padded, length)[::step]
    spectra = fft.rfft(rows, axis=1)
    spectra *= fft.rfft(ring).real
    whole = fft.irfft(spectra, length, axis=1, overwrite_x=True)[:, half : half + step]
    return whole.reshape(-1)[: z_um.size]


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
