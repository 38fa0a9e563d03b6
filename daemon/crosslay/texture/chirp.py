"""Spectra at twice a profile's length where that length has a large prime factor.

A section of 0.8 mm at 0.48 µm holds 1,667 samples, which is a prime. The transforms of such a length go by way of one
of more than four times as many points, for every profile anew. A profile that is padded with its own length in zeros
needs half of that, and the chirp's own transform serves all profiles.

References
----------
L. I. Bluestein, "A linear filtering approach to the computation of discrete Fourier transform", IEEE Trans. Audio
Electroacoust. 18 (1970) 451–455; L. R. Rabiner, R. W. Schafer, C. M. Rader, "The chirp z-transform algorithm", the same
17 (1969) 86–92.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

# A prime factor costs a transform a pass of as many operations per point; from here on the chirp costs less.
_SLOW_PRIME: Final = 200


def transforms_slowly(points: int) -> bool:
    """Tell whether a length has a prime factor that makes its transforms slow."""
    factor = 2
    while factor * factor <= points:
        if points % factor == 0:
            points //= factor
        else:
            factor += 1
    return points > _SLOW_PRIME


class DoubledSpectrum:
    """Transforms of profiles of one length, padded to twice that length with zeros.

    Parameters
    ----------
    points : int
        Samples M of each profile, M ≥ 1.
    """

    __slots__ = ("_chirp", "_kernel", "_length", "_points")

    def __init__(self, points: int) -> None:
        self._points = points
        self._length = fft.next_fast_len(2 * points)
        # The phase π m²/(2 M) repeats after 4 M in m², which whole numbers tell exactly.
        phases = np.arange(points + 1, dtype=np.int64)
        phases *= phases
        phases %= 4 * points
        angles = phases * (np.pi / (2.0 * points))
        self._chirp = np.empty(points + 1, dtype=np.complex128)
        np.cos(angles, out=self._chirp.real)
        np.sin(angles, out=self._chirp.imag)
        # Bin k, 0 … M, takes from sample j, 0 … M − 1, the chirp at k − j; a ring of 2 M places holds them all.
        ring = np.zeros(self._length, dtype=np.complex128)
        ring[: points + 1] = self._chirp
        ring[self._length - points + 1 :] = self._chirp[points - 1 : 0 : -1]
        self._kernel: NDArray[np.complex128] = fft.fft(ring, overwrite_x=True)
        np.conj(self._chirp, out=self._chirp)

    def of(self, heights: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Bins 0 … M of the transform of length 2 M, shape (M + 1,), of a profile of shape (M,)."""
        ring = np.zeros(self._length, dtype=np.complex128)
        np.multiply(heights, self._chirp[:-1], out=ring[: self._points])
        spectrum: NDArray[np.complex128] = fft.fft(ring, overwrite_x=True)
        spectrum *= self._kernel
        bins: NDArray[np.complex128] = fft.ifft(spectrum, overwrite_x=True)[: self._points + 1]
        return bins * self._chirp
