"""The part of a texture that repeats: its period, and the slopes without it.

Marks of a tool repeat; a fault does not. Taken off, they no longer hide it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

Heights = NDArray[np.float64]

_LEAST_RETURN = 0.5
"""A texture repeats where its autocorrelation comes back to this at least."""
_LONGEST_SHARE = 0.8
_LEAST_ROUNDS = 4
"""Periods that the median over them needs, so that one with a fault does not count."""


def period_points(roughness: Heights, section_points: int) -> float | None:
    """Samples after which a roughness profile repeats, not whole; None where it does not within 0.8 of a section.

    The first return of the autocorrelation gives the period, returns further and further on give its decimals.

    Parameters
    ----------
    roughness
        Shape (N,), µm.
    section_points
        Samples of a section. What repeats more slowly than 0.8 of it is no mark under this cut-off, but a slow wave.
    """
    correlation = _autocorrelation(roughness)
    fallen = np.flatnonzero(correlation <= 0.0)
    if fallen.size == 0 or int(fallen[0]) + 2 >= int(_LONGEST_SHARE * section_points):
        return None
    first = int(fallen[0])
    returns = correlation[first : min(int(_LONGEST_SHARE * section_points), correlation.size)]
    best = float(returns.max())
    tops = (returns[1:-1] >= returns[:-2]) & (returns[1:-1] >= returns[2:]) & (returns[1:-1] >= best - 0.07)
    if best < _LEAST_RETURN or not tops.any():
        return None
    return _refined(correlation, float(first + 1 + int(tops.argmax())))


def _autocorrelation(heights: Heights) -> Heights:
    """Normalised, unbiased, for lags up to half of the length."""
    size = heights.size
    spectrum = rfft(heights - heights.mean(), next_fast_len(2 * size, real=True))
    power = spectrum.real**2 + spectrum.imag**2
    correlation = irfft(power, next_fast_len(2 * size, real=True))[: size // 2] / np.arange(size, size - size // 2, -1)
    return np.asarray(correlation / correlation[0] if correlation[0] > 0.0 else correlation)


def _refined(correlation: Heights, period: float) -> float:
    rounds = 1
    while True:
        near = max(2, int(0.12 * period))
        place = round(2 * rounds * period)
        if place + near + 1 >= correlation.size:
            break
        rounds *= 2
        period = (place - near + int(correlation[place - near : place + near + 1].argmax())) / rounds
    place = min(round(rounds * period), correlation.size - 2)
    before, here, after = correlation[place - 1 : place + 2].tolist()
    bend = before - 2.0 * here + after
    return (place + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)) / rounds


def without_repetition(slopes: Heights, period: float | None) -> Heights:
    """Slopes less what they have in common after every period: the median over the periods, phase by phase.

    Parameters
    ----------
    slopes
        Differences of neighbouring heights, shape (N,), µm. Of slopes, because a jump is one outlier there, which a
        median ignores, where in the heights it moves everything that follows.
    period
        In samples; None leaves the slopes as they are.
    """
    if period is None or slopes.size < _LEAST_ROUNDS * period:
        return slopes
    rounds, phases = int(slopes.size / period), max(8, round(period))
    centres = (np.arange(phases) + 0.5) / phases
    index = np.arange(slopes.size, dtype=np.float64)
    folded = np.interp((np.arange(rounds)[:, None] + centres) * period, index, slopes)
    common = np.median(folded, axis=0)
    common -= common.mean()
    around = np.concatenate((common[-1:], common, common[:1]))
    spots = np.concatenate((centres[:1] - 1.0 / phases, centres, centres[-1:] + 1.0 / phases))
    return np.asarray(slopes - np.interp(np.mod(index / period, 1.0), spots, around))


def octave_mean(power: Heights, share: float) -> Heights:
    """Mean of a spectrum over ±`share` of every frequency, at least one line to either side.

    Parameters
    ----------
    power
        Lines 1, 2, 3 … (the constant left out), shape (K,).
    share
        Half width as a share of the frequency.
    """
    total = np.concatenate(([0.0], np.cumsum(power)))
    order = np.arange(power.size)
    reach = np.maximum(1, (share * (order + 1)).astype(np.intp))
    low, high = np.maximum(order - reach, 0), np.minimum(order + reach + 1, power.size)
    return np.asarray((total[high] - total[low]) / (high - low))


