"""What a profile repeats: autocorrelation length Ral, dominant spectral wavelengths Rsw and Wsw, dominant waviness.

References
----------
ISO 21920-2:2021, autocorrelation length Ral (threshold 0.2) and dominant spatial wavelength Rsw.
Estimator, lags, taper, length of the transform and interpolation are decisions (page *texture*, sections 4 and 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from crosslay.texture.chirp import DoubledSpectrum, transforms_slowly
from crosslay.texture.sums import dot
from crosslay.texture.undefined import Undefined

#: Normalised autocorrelation at which heights count as independent.
THRESHOLD: Final = 0.2

_LEAST_POINTS: Final = 4
# Up to this many samples two transforms at a time cost little more than one; longer ones then leave the cache.
_PAIRED_POINTS: Final = 16_384
_TOO_FEW: Final = Undefined("the evaluation length holds fewer than four samples")
_LEVEL: Final = Undefined("the profile is level: nothing in it repeats")
_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class DominantWaviness:
    """The largest line of a waviness profile.

    Attributes
    ----------
    wavelength_mm
        Wsw, mm.
    amplitude_um
        Half the height from crest to trough of the sine of this wavelength that fits the profile best, µm; undefined
        where the evaluation length does not hold one whole wave.
    energy_share_percent
        Share of the profile's variance that this sine explains, %; undefined where the amplitude is.
    """

    wavelength_mm: float
    amplitude_um: float | Undefined
    energy_share_percent: float | Undefined


def autocorrelation_length_mm(z_um: _Floats, spacing_um: float) -> float | Undefined:
    """Ral: the shortest lag at which the normalised autocorrelation falls to 0.2.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Roughness in the evaluation length, shape (M,), µm.
    spacing_um : float
        Sampling spacing dx, µm.

    Returns
    -------
    float or Undefined
        mm. Mean removed, biased estimate, lags up to ⌊M/2⌋ − 1, linear between lags; undefined where it stays above.

    References
    ----------
    ISO 21920-2:2021, Ral; page *texture*, section 4.
    """
    return lengths_and_wavelengths_mm((z_um,), spacing_um)[0][0]


def dominant_wavelength_mm(z_um: _Floats, spacing_um: float) -> float | Undefined:
    """Rsw or Wsw: the wavelength of the largest spectral line.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Roughness or waviness in the evaluation length, shape (M,), µm.
    spacing_um : float
        Sampling spacing dx, µm.

    Returns
    -------
    float or Undefined
        mm. Mean removed, periodic Hann taper, transform of length 2M, largest of the bins 1 … M − 1, parabola through
        the logarithms of three powers; undefined for a level profile.

    References
    ----------
    ISO 21920-2:2021, Rsw; page *texture*, section 4.
    """
    return lengths_and_wavelengths_mm((z_um,), spacing_um)[0][1]


def autocorrelation_length_and_wavelength_mm(
    z_um: _Floats, spacing_um: float
) -> tuple[float | Undefined, float | Undefined]:
    """Ral and Rsw from one transform.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Roughness in the evaluation length, shape (M,), µm.
    spacing_um : float
        Sampling spacing dx, µm.

    Returns
    -------
    tuple of two (float or Undefined)
        What `autocorrelation_length_mm` and `dominant_wavelength_mm` return.
    """
    return lengths_and_wavelengths_mm((z_um,), spacing_um)[0]


def lengths_and_wavelengths_mm(
    profiles_um: Sequence[_Floats], spacing_um: float
) -> tuple[tuple[float | Undefined, float | Undefined], ...]:
    """Ral and Rsw of several profiles of one length.

    Parameters
    ----------
    profiles_um : sequence of NDArray[np.float64]
        Profiles in the evaluation length, each of shape (M,), µm.
    spacing_um : float
        Sampling spacing dx, µm.

    Returns
    -------
    tuple of pairs of (float or Undefined)
        For each profile what `autocorrelation_length_mm` and `dominant_wavelength_mm` return.
    """
    points = profiles_um[0].size
    if points < _LEAST_POINTS:
        return tuple((_TOO_FEW, _TOO_FEW) for _ in profiles_um)
    if transforms_slowly(points):
        transform = DoubledSpectrum(points)
        return tuple(_length_and_wavelength_mm(profile, transform, spacing_um) for profile in profiles_um)
    together = 2 if points <= _PAIRED_POINTS else 1
    found: list[tuple[float | Undefined, float | Undefined]] = []
    for first in range(0, len(profiles_um), together):
        found += _lengths_and_wavelengths_mm(profiles_um[first : first + together], spacing_um)
    return tuple(found)


def _lengths_and_wavelengths_mm(
    profiles_um: Sequence[_Floats], spacing_um: float
) -> list[tuple[float | Undefined, float | Undefined]]:
    points = profiles_um[0].size
    # Twice the length holds the lags up to half the window without wrapping round.
    padded = np.zeros((len(profiles_um), 2 * points))
    level = []
    for row, profile in zip(padded[:, :points], profiles_um, strict=True):
        level.append(_centre(profile, row))
    spectra: NDArray[np.complex128] = fft.rfft(padded, axis=1, overwrite_x=True)
    # A power spectrum is even, so its transform back to the autocorrelation is a cosine transform: lags 0 … M.
    powers = padded[:, : points + 1]
    for power, spectrum in zip(powers, spectra, strict=True):
        np.multiply(spectrum.real, spectrum.real, out=power)
        np.add(power, spectrum.imag * spectrum.imag, out=power)
    wavelengths_mm = [
        _LEVEL if flat else _wavelength_mm(spectrum, power, spacing_um)
        for flat, spectrum, power in zip(level, spectra, powers, strict=True)
    ]
    del spectra
    correlations: _Floats = fft.dct(powers, type=1, axis=1, overwrite_x=True)
    lengths_mm = [
        _LEVEL if flat else _length_mm(correlation[: points // 2], spacing_um)
        for flat, correlation in zip(level, correlations, strict=True)
    ]
    return list(zip(lengths_mm, wavelengths_mm, strict=True))


def _length_and_wavelength_mm(
    profile_um: _Floats, transform: DoubledSpectrum, spacing_um: float
) -> tuple[float | Undefined, float | Undefined]:
    """The same of one profile whose length has a large prime factor."""
    points = profile_um.size
    lags = points // 2
    # The bins of the dominant wavelength lie where the definition puts them; the autocorrelation may take any length
    # that holds its lags without wrapping round.
    length = fft.next_fast_len(points + lags, real=True)
    padded = np.zeros(length)
    if _centre(profile_um, padded[:points]):
        return _LEVEL, _LEVEL
    spectrum = transform.of(padded[:points])
    wavelength_mm = _wavelength_mm(spectrum, _power(spectrum), spacing_um)
    power = _power(fft.rfft(padded, overwrite_x=True))
    correlation: _Floats = fft.irfft(power, length, overwrite_x=True)
    return _length_mm(correlation[:lags], spacing_um), wavelength_mm


def _centre(profile_um: _Floats, out: _Floats) -> bool:
    """Put a profile less its mean into `out`; whether nothing but rounding is left."""
    np.subtract(profile_um, profile_um.mean(), out=out)
    return _reach(out) <= 1e-14 * _reach(profile_um)


def _power(spectrum: NDArray[np.complex128]) -> _Floats:
    """Squared magnitudes, shape of `spectrum`."""
    power: _Floats = spectrum.real * spectrum.real
    power += spectrum.imag * spectrum.imag
    return power


def dominant_waviness(w_um: _Floats, spacing_um: float) -> DominantWaviness | Undefined:
    """Wavelength, amplitude and share of energy of the largest line of the waviness.

    Parameters
    ----------
    w_um : NDArray[np.float64]
        Waviness in the evaluation length, shape (M,), µm.
    spacing_um : float
        Sampling spacing dx, µm.

    Returns
    -------
    DominantWaviness or Undefined
        Undefined for a level profile.

    Notes
    -----
    Amplitude and share come from the least-squares sine (with a constant) of the wavelength that was found, so a pure
    sine gives its own amplitude and all but 100 %.

    References
    ----------
    Page *texture*, section 6; no association's parameters.
    """
    wavelength_mm = dominant_wavelength_mm(w_um, spacing_um)
    if isinstance(wavelength_mm, Undefined):
        return wavelength_mm
    if 1000.0 * wavelength_mm > w_um.size * spacing_um:
        reason = Undefined(f"the evaluation length is shorter than one wave of {wavelength_mm:.4g} mm")
        return DominantWaviness(wavelength_mm=wavelength_mm, amplitude_um=reason, energy_share_percent=reason)
    angle = np.arange(w_um.size) * (2.0 * np.pi * spacing_um / (1000.0 * wavelength_mm))
    columns = np.stack((np.cos(angle), np.sin(angle)))
    columns -= columns.mean(axis=1, keepdims=True)
    centred = w_um - w_um.mean()
    sides = np.einsum("ij,j->i", columns, centred)
    cosine_um, sine_um = np.linalg.solve(np.einsum("ik,jk->ij", columns, columns), sides)
    explained = float(cosine_um * sides[0] + sine_um * sides[1]) / dot(centred, centred)
    return DominantWaviness(
        wavelength_mm=wavelength_mm,
        amplitude_um=float(np.hypot(cosine_um, sine_um)),
        energy_share_percent=100.0 * min(max(explained, 0.0), 1.0),
    )


def _reach(heights_um: _Floats) -> float:
    """Largest magnitude, µm."""
    return max(float(heights_um.max()), -float(heights_um.min()))


def _length_mm(correlation: _Floats, spacing_um: float) -> float | Undefined:
    below = correlation <= THRESHOLD * correlation[0]
    lag = int(np.argmax(below))
    if not below[lag]:
        return Undefined("the autocorrelation does not fall to 0.2 within half the evaluation length")
    high, low = correlation[lag - 1] / correlation[0], correlation[lag] / correlation[0]
    return float((lag - 1 + (high - THRESHOLD) / (high - low)) * spacing_um / 1000.0)


def _wavelength_mm(spectrum: NDArray[np.complex128], power: _Floats, spacing_um: float) -> float:
    """Wavelength of the largest line from the transform of length 2M and its power, shapes (M + 1,)."""
    points = spectrum.size - 1
    line = _largest_tapered(spectrum, power)
    around = _tapered_power(spectrum, np.arange(line - 1, line + 2))
    offset = 0.0
    if float(around.min()) > 0.0:
        before, at, after = np.log(around)
        bend = float(before - 2.0 * at + after)
        # Where the powers still rise towards bin 0 the parabola's top lies outside the three bins; it is used as the
        # definition says, unless it is no top or no wavelength.
        offset = 0.5 * float(before - after) / bend if bend < 0.0 else 0.0
        offset = offset if line + offset > 0.0 else 0.0
    return 2.0 * points * spacing_um / 1000.0 / (line + offset)


def _largest_tapered(spectrum: NDArray[np.complex128], power: _Floats) -> int:
    """Bin 1 … M − 1 with the largest power under the taper.

    The taper mixes three bins, so its power is at most 18 times the largest of theirs: bins far from any strong one
    need not be looked at.
    """
    points = spectrum.size - 1
    strongest = min(max(int(np.argmax(power)), 1), points - 1)
    least = float(_tapered_power(spectrum, np.array([strongest]))[0]) / 18.0 * (1.0 - 1e-9)
    strong = power >= least
    near = strong.copy()
    near[2:] |= strong[:-2]
    near[:-2] |= strong[2:]
    bins = 1 + np.flatnonzero(near[1:points])
    return int(bins[np.argmax(_tapered_power(spectrum, bins))])


def _tapered_power(spectrum: NDArray[np.complex128], bins: NDArray[np.intp]) -> _Floats:
    """Power of the profile under a periodic Hann taper at some of the bins 0 … M, sixteen times.

    A periodic Hann taper over M samples is, at twice the length, half of a bin less a quarter of the bins two away.
    """
    tapered = 2.0 * spectrum[bins] - _bins(spectrum, bins - 2) - _bins(spectrum, bins + 2)
    return _power(tapered)


def _bins(spectrum: NDArray[np.complex128], bins: NDArray[np.intp]) -> NDArray[np.complex128]:
    """Bins −2 … M + 2; of a real profile those beyond both ends are the conjugates of those inside."""
    last = spectrum.size - 1
    inside = np.abs(bins)
    inside = np.where(inside > last, 2 * last - inside, inside)
    return np.where((bins < 0) | (bins > last), np.conj(spectrum[inside]), spectrum[inside])
