"""Lines of a profile's spectrum, and what stands around them. Several findings look for a line at a place they know.

References
----------
The power of one bin of a random profile is distributed exponentially about its mean (A. Papoulis, *Probability, Random
Variables, and Stochastic Processes*, periodogram; from memory). So a random bin exceeds k times the mean with e^−k.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from crosslay.texture.trace import Trace

Heights = NDArray[np.float64]

_PADDING: Final = 2
"""Transform length per trace: no line falls more than a quarter of its width between two bins."""
_APART: Final = 3 * _PADDING
"""Bins beside a line that still belong to it."""
_TAPER: Final = 0.1
"""Share of the trace at either end over which the window rises: lines stay narrow, and what lies afar leaks little."""
_LEAST_BESIDE: Final = 8
"""Bins on either side that a floor needs at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The largest bin near a place in the spectrum.

    Attributes
    ----------
    per_mm
        Its frequency, 1/mm.
    amplitude_um
        Amplitude of the sine that gives this bin, µm.
    above_floor
        Its power as a multiple of the mean power of the random texture around it.
    """

    per_mm: float
    amplitude_um: float
    above_floor: float

    @property
    def wavelength_um(self) -> float:
        """Wavelength, µm."""
        return 1000.0 / self.per_mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """Squared amplitudes of a profile.

    Attributes
    ----------
    squares_um2
        Squared amplitude of a sine at each bin, µm².
    per_bin_mm
        Distance between two bins, 1/mm.
    noise_share
        Times `squares_um2` it is the variance of a white profile with that mean.
    """

    squares_um2: Heights
    per_bin_mm: float
    noise_share: float

    @property
    def highest_per_mm(self) -> float:
        """Half the sampling rate, 1/mm."""
        return (self.squares_um2.size - 1) * self.per_bin_mm

    def bins(self, low_per_mm: float, high_per_mm: float) -> tuple[int, int]:
        """First bin and the one after the last of a band, widened to one bin at least."""
        first = max(1, round(low_per_mm / self.per_bin_mm))
        return first, min(max(first, round(high_per_mm / self.per_bin_mm)) + 1, self.squares_um2.size)

    def line(self, per_mm: float, *, within: float) -> Line | None:
        """The peak within a share of a frequency, or one bin beside; None where there is none to compare with others.

        A bin that is only on the slope of a peak elsewhere is no line here.

        Parameters
        ----------
        per_mm
            Where it is expected, 1/mm.
        within
            How far from there it may be, as a share of `per_mm`.
        """
        first, end = self.bins(per_mm * (1.0 - within), per_mm * (1.0 + within))
        if end - first < 1 or per_mm * (1.0 + within) >= self.highest_per_mm:
            return None
        place = self._uphill(first + int(self.squares_um2[first:end].argmax()))
        floor = self._floor(place)
        if floor is None or self._uphill(place) != place:
            return None
        here = float(self.squares_um2[place])
        return Line(
            per_mm=place * self.per_bin_mm,
            amplitude_um=math.sqrt(here),
            above_floor=here / floor if floor else math.inf,
        )

    def amplitude_um(self, per_mm: float, *, within_bins: int = _PADDING) -> float:
        """Amplitude of the largest bin close to a frequency, µm; 0 where the spectrum does not reach."""
        place = round(per_mm / self.per_bin_mm)
        near = self.squares_um2[max(place - within_bins, 1) : place + within_bins + 1]
        return math.sqrt(float(near.max())) if near.size else 0.0

    def _uphill(self, place: int) -> int:
        """The largest of a bin and its neighbours."""
        near = self.squares_um2[max(place - 1, 0) : place + 2]
        return max(place - 1, 0) + int(near.argmax())

    def _floor(self, place: int) -> float | None:
        """Mean square of a bin of the random texture about a line.

        From the medians on either side, so that other lines do not count; their geometric mean, since the spectrum of
        a surface falls as a power of the frequency.
        """
        reach = max(0.15 * place, _APART + 2.0 * _LEAST_BESIDE)
        below = self.squares_um2[max(1, round(place - reach)) : max(1, place - _APART)]
        above = self.squares_um2[place + _APART + 1 : round(place + reach) + 1]
        if min(below.size, above.size) < _LEAST_BESIDE:
            return None
        return math.sqrt(float(np.median(below)) * float(np.median(above))) / math.log(2.0)


def spectrum(heights_um: Heights, spacing_um: float) -> Spectrum:
    """Spectrum of a profile, its least-squares line taken off and its ends faded with half a cosine each.

    Parameters
    ----------
    heights_um
        Shape (N,), µm.
    spacing_um
        Sampling spacing, µm.
    """
    points = heights_um.size
    index = np.arange(points) - 0.5 * (points - 1)
    level = heights_um - float(heights_um.mean())
    if points > 1:
        level -= index * (float(index @ level) / float(index @ index))
    window = _window(points)
    length = fft.next_fast_len(_PADDING * points, real=True)
    transform = fft.rfft(level * window, length)
    total = float(window.sum())
    return Spectrum(
        squares_um2=np.asarray(4.0 * (transform.real**2 + transform.imag**2) / total**2),
        per_bin_mm=1000.0 / (length * spacing_um),
        noise_share=total**2 / (4.0 * float(window @ window)),
    )


def _window(points: int) -> Heights:
    window = np.ones(points)
    width = max(1, round(_TAPER * points))
    rise = 0.5 - 0.5 * np.cos(math.pi * (np.arange(width) + 0.5) / width)
    window[:width] *= rise
    window[points - width :] *= rise[::-1]
    return window


def fact(trace: Trace, name: str) -> float | None:
    """A fact of the gauge as a number above 0; None where it is missing or is none."""
    try:
        value = float(trace.facts.get(name, ""))
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0.0 else None
