"""Local parabolas by weighted least squares at every sample, many times over on one grid.

The sums that the normal equations need are correlations: one fit costs one forward and four inverse transforms of a
block, and long traces go through in blocks, so the scratch does not grow with them. Where so little weight is left
that the transforms' rounding would show, a sample's sums are formed directly.

References
----------
ISO 16610-31, regression filter of order p = 2 (the normal equations).
G. E. Forsythe, "Generation and use of orthogonal polynomials for data-fitting with a digital computer", J. SIAM 5
(1957) 74–88: the recurrence of the direct fits.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

#: γ = sqrt((−1 − W₋₁(−1/(2e)))/π): with it a second-order fit passes 50 % of the amplitude at the cut-off.
GAMMA: Final = 0.7309134280946758684
#: Samples farther away than this many cut-offs take no part in a fit.
SUPPORT_CUTOFFS: Final = 1.5

# The transforms leave an error of some 1e-15 of the largest sum, and the determinant of a point's normal matrix,
# relative to its size with full weight, says how much of that reaches the mean line. Below this value the sums of the
# point are formed directly.
_SAFE_DETERMINANT: Final = 1e-8
# Squared length of an orthogonal polynomial, per weight, below which it is rounding. The smallest true value, three
# neighbours out of 3e5, is some 1e-22.
_NO_LENGTH: Final = 1e-28
_BLOCK: Final = 32768
_SOLVE_POINTS: Final = 2048
_DIRECT_CELLS: Final = 1 << 18
# The row of the scratch that takes weights and heights, and last of all the product that overwrites their spectrum.
_LAST: Final = 3

_Floats = NDArray[np.float64]


class LocalParabola:
    """Weighted local parabolas on one grid; holds what does not change from round to round.

    With weights δ and heights z the normal equations at a sample need the sums Σ s(u) uᵏ δ for k = 0 … 4 and
    Σ s(u) uᵏ δ z for k = 0 … 2 over the samples at distance u. Every one is a correlation with a kernel that is even or
    odd, so its spectrum is one real array (times i for the odd ones). One transform of δ + i δz therefore carries both
    sums of a power, and the sums for k = 3 and 4 share one. Distances are counted in units of the support's reach, so
    that all sums are of one order.

    Parameters
    ----------
    points : int
        Samples N of the trace, at least 2.
    spacing_um : float
        Sampling spacing dx, µm.
    cutoff_mm : float
        Cut-off λc, mm.
    """

    __slots__ = (
        "_block", "_full", "_lead", "_length", "_points", "_reach", "_rows", "_scale", "_spectra",
    )  # fmt: skip

    def __init__(self, points: int, spacing_um: float, cutoff_mm: float) -> None:
        cutoff_um = 1000.0 * cutoff_mm
        # The hair's breadth keeps a sample at exactly 1.5 λc inside, whatever binary fractions make of it.
        reach = math.floor(SUPPORT_CUTOFFS * cutoff_um / spacing_um * (1.0 + 1e-12))
        self._reach = min(reach, points - 1)
        self._scale = spacing_um / (GAMMA * cutoff_um)
        self._points = points
        if points + self._reach > max(_BLOCK, 4 * self._reach):
            self._length = _quick_length(max(_BLOCK, 4 * self._reach))
            self._lead = self._reach
            self._block = self._length - 2 * self._reach
        else:
            self._length = _quick_length(points + self._reach)
            self._lead = 0
            self._block = points
        # The transforms take scratch of rows and give it back. glibc maps such sizes afresh with every call, which
        # costs more than the transform, until it has seen a larger block given back; this one is never touched.
        np.empty(4 * self._length, dtype=np.complex128)
        kernel = self._weights(np.arange(self._reach + 1))
        self._full = 2.0 * float(kernel.sum()) - 1.0
        self._spectra = self._kernel_spectra(kernel / self._length)
        # Kept from round to round: fresh memory of this size costs more than the transforms that go through it.
        self._rows = np.empty((4, self._length), dtype=np.complex128)

    def _weights(self, steps: NDArray[np.intp]) -> _Floats:
        """Gaussian weights s of distances in samples, shape of `steps`."""
        scaled = steps.astype(np.float64) * self._scale
        scaled *= scaled
        scaled *= -math.pi
        np.exp(scaled, out=scaled)
        return scaled

    def _kernel_spectra(self, kernel: _Floats) -> list[tuple[_Floats, _Floats]]:
        """Real arrays A0, A1, A2 and A3 + A4 of `kernel`, each in two parts, shapes (n/2+1,) and (n/2−1,).

        Correlating with s(u)·uᵏ multiplies a spectrum by Ak, or by i Ak where k is odd. The upper part of an even Ak
        is its lower part read backwards, as a view; that of an odd one also changes sign, for A1 left to `_multiply`.
        """
        reach = self._reach
        distance = np.arange(reach + 1, dtype=np.float64) / reach
        wrapped = np.empty(self._length)
        weighted = kernel
        lower = []
        for power in range(5):
            odd = power % 2 == 1
            wrapped[: reach + 1] = weighted
            wrapped[reach + 1 : self._length - reach] = 0.0
            wrapped[self._length - reach :] = (-weighted if odd else weighted)[:0:-1]
            spectrum: NDArray[np.complex128] = fft.rfft(wrapped)
            lower.append(-spectrum.imag if odd else spectrum.real.copy())
            weighted = weighted * distance
        mirrored = [part[-2:0:-1] for part in lower]
        return [
            (lower[0], mirrored[0]),
            (lower[1], mirrored[1]),
            (lower[2], mirrored[2]),
            (lower[3] + lower[4], mirrored[4] - mirrored[3]),
        ]

    def fit(self, heights: _Floats, weights: _Floats | None, line: _Floats) -> None:
        """Write the height of each sample's parabola at the sample to `line`.

        Parameters
        ----------
        heights : NDArray[np.float64]
            Shape (N,).
        weights : NDArray[np.float64] or None
            Weight of each sample in every fit, shape (N,); None: all 1.
        line : NDArray[np.float64]
            Shape (N,); a sample without any weight in reach keeps the value that stands here.
        """
        weak = [np.empty(0, dtype=np.intp)]
        for start in range(0, self._points, self._block):
            stop = min(start + self._block, self._points)
            sums = self._sums(heights, weights, start, stop)
            for low in range(start, stop, _SOLVE_POINTS):
                piece = slice(low - start, min(low + _SOLVE_POINTS, stop) - start)
                weak.append(low + self._solve([values[piece] for values in sums], line[low : start + piece.stop]))
        samples = np.concatenate(weak)
        if samples.size:
            self._fit_directly(line, samples, heights, weights=weights)

    def _sums(self, heights: _Floats, weights: _Floats | None, start: int, stop: int) -> list[_Floats]:
        """Sums S4, −S3, S2, T2, T1, −S1, S0, T0 of the samples ``start … stop − 1``, each shape (stop − start,)."""
        first = max(0, start - self._lead)
        last = min(self._points, stop + self._lead)
        offset = first - (start - self._lead)
        span = slice(offset, offset + last - first)
        signal = self._rows[_LAST]
        signal[: span.start] = 0.0
        signal[span.stop :] = 0.0
        signal.real[span] = 1.0 if weights is None else weights[first:last]
        np.multiply(signal.real[span], heights[first:last], out=signal.imag[span])
        both: NDArray[np.complex128] = fft.fft(signal, overwrite_x=True)
        # The two highest powers are wanted of the weights alone.
        self._multiply(0, 3, _to_real_part(both, self._rows[0]))
        for place, row in ((1, 2), (2, 1), (_LAST, 0)):
            self._multiply(place, row, both)
        return self._inverse_parts(slice(self._lead, self._lead + stop - start))

    def _multiply(self, place: int, row: int, spectrum: NDArray[np.complex128]) -> None:
        """Put the product of `spectrum` and kernel row `row` in its place; the two may be one array."""
        lower, upper = self._spectra[row]
        product = self._rows[place]
        np.multiply(spectrum[: lower.size], lower, out=product[: lower.size])
        np.multiply(spectrum[lower.size :], upper, out=product[lower.size :])
        if row == 1:
            np.negative(product[lower.size :], out=product[lower.size :])

    def _inverse_parts(self, wanted: slice) -> list[_Floats]:
        """Real and imaginary parts of what the products are the spectra of, as views of their memory.

        The factor i that an odd kernel's spectrum leaves out has turned S3 + i S4 into S4 − i S3 and S1 + i T1 into
        T1 − i S1.
        """
        # Without the factor 1/n, which is in the kernels. Several at once take less than one after the other.
        inverse = fft.ifft(self._rows, axis=1, overwrite_x=True, norm="forward")[:, wanted]
        return [part for row in inverse for part in (row.real, row.imag)]

    def _solve(self, sums: list[_Floats], line: _Floats) -> NDArray[np.intp]:
        """Constant term of each parabola from the sums, written to `line`; which samples the sums cannot serve."""
        s4, minus_s3, s2, t2, t1, minus_s1, s0, t0 = sums
        # First row of the adjugate of the normal matrix, all that the constant term needs; the middle one negated.
        c0 = s2 * s4 - minus_s3 * minus_s3
        minus_c1 = s2 * minus_s3 - minus_s1 * s4
        c2 = minus_s1 * minus_s3 - s2 * s2
        determinant = s0 * c0 + minus_s1 * minus_c1 + s2 * c2
        c0 *= t0
        c0 -= minus_c1 * t1
        c0 += c2 * t2
        # No s0 is above the full weight, so this one look settles most traces.
        if float(determinant.min()) > _SAFE_DETERMINANT * self._full**3:
            np.divide(c0, determinant, out=line)
            return np.empty(0, dtype=np.intp)
        # Written so that a NaN would count as weak. Without the floor a weight that is all rounding could pass by luck.
        safe = np.maximum(s0 * s0, (_SAFE_DETERMINANT * self._full) ** 2)
        safe *= _SAFE_DETERMINANT * self._full
        sound = determinant > safe
        np.divide(c0, determinant, out=line, where=sound)
        return np.flatnonzero(~sound)

    def _fit_directly(
        self,
        line: _Floats,
        samples: NDArray[np.intp],
        heights: _Floats,
        *,
        weights: _Floats | None,
    ) -> None:
        """Fit the given samples without transforms, from the samples in reach that kept a weight; writes to `line`."""
        kept = np.arange(self._points) if weights is None else np.flatnonzero(weights)
        lows = np.searchsorted(kept, samples - self._reach, side="left")
        counts = np.searchsorted(kept, samples + self._reach, side="right") - lows
        start = 0
        while start < samples.size:
            # As many samples at once as fit the scratch; neighbours have counts alike.
            width = max(1, int(counts[start]))
            stop = start + max(1, _DIRECT_CELLS // (2 * width))
            while int(counts[start:stop].max()) * (stop - start) > _DIRECT_CELLS and stop > start + 1:
                stop = start + (stop - start) // 2
            rows = np.arange(start, min(stop, samples.size))
            rows = rows[counts[rows] > 0]
            if rows.size:
                self._fit_rows(
                    line, samples[rows], heights, weights=weights, columns=_columns(kept, lows[rows], counts[rows])
                )
            start = stop

    def _fit_rows(
        self,
        line: _Floats,
        samples: NDArray[np.intp],
        heights: _Floats,
        *,
        weights: _Floats | None,
        columns: tuple[NDArray[np.intp], NDArray[np.bool_]],
    ) -> None:
        """Weighted fit by orthogonal polynomials (Forsythe's recurrence), one row per sample."""
        index, valid = columns
        distance = index - samples[:, np.newaxis]
        mass = np.where(valid, self._weights(distance), 0.0)
        if weights is not None:
            mass *= weights[index]
        u = distance / self._reach
        z = heights[index]
        count = valid.sum(axis=1)
        total = mass.sum(axis=1)
        # Weights below the smallest normal number are no weights.
        usable = total > np.finfo(np.float64).tiny
        scale = np.where(usable, total, 1.0)
        mass /= scale[:, np.newaxis]
        mean_u = (mass * u).sum(axis=1)
        value = (mass * z).sum(axis=1)
        misfit = z - value[:, np.newaxis]
        first = u - mean_u[:, np.newaxis]
        first_at, first_square = -mean_u, (mass * first * first).sum(axis=1)
        has_line = (count >= 2) & (first_square > _NO_LENGTH)
        safe = np.where(has_line, first_square, 1.0)
        slope = np.where(has_line, (mass * first * misfit).sum(axis=1) / safe, 0.0)
        value += slope * first_at
        misfit -= slope[:, np.newaxis] * first
        centre = (mass * u * first * first).sum(axis=1) / safe
        second = (u - centre[:, np.newaxis]) * first - first_square[:, np.newaxis]
        second_at = -centre * first_at - first_square
        second_square = (mass * second * second).sum(axis=1)
        has_parabola = has_line & (count >= 3) & (second_square > _NO_LENGTH)
        bend = (mass * second * misfit).sum(axis=1) / np.where(has_parabola, second_square, 1.0)
        value += np.where(has_parabola, bend, 0.0) * second_at
        line[samples[usable]] = value[usable]


def _quick_length(least: int) -> int:
    """Length of at least `least` that the transforms like: many factors of two, few others."""
    return 32 * int(fft.next_fast_len(-(-least // 32)))


def _to_real_part(spectrum: NDArray[np.complex128], out: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Spectrum of the real part of what `spectrum` is the spectrum of, shape (n,), in `out`."""
    np.conj(spectrum[:0:-1], out=out[1:])
    out[0] = np.conj(spectrum[0])
    out += spectrum
    out *= 0.5
    return out


def _columns(
    kept: NDArray[np.intp], lows: NDArray[np.intp], counts: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Indices of the kept samples of each row, padded to one width, and which of them are real."""
    steps = np.arange(int(counts.max()))
    valid = steps < counts[:, np.newaxis]
    index = kept[np.minimum(lows[:, np.newaxis] + steps, kept.size - 1)]
    return index, valid
