"""Height parameters of a profile in the evaluation window.

References
----------
ISO 21920-2:2021 (over the evaluation length; Rp, Rv, Rz mean of sections; Rzx sliding); ISO 4287:1997 clauses 4.1 and
4.2 with ISO 4288 clause 4 (mean of the sampling lengths); design: texture, section 3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.undefined import Undefined

FLAT_REASON = "the profile is flat"

# Steps of a window in the coarse search for the largest sliding height.
_COARSE = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionHeights:
    """Moments and extremes of each section, every one an array of shape (n,).

    Attributes
    ----------
    mean_abs, mean_square, mean_cube, mean_fourth
        Means of the magnitude, of z², z³ and z⁴, in µm, µm², µm³, µm⁴.
    peak, valley
        Highest peak and deepest valley from the mean line, µm, the valley counted positive.
    """

    mean_abs: NDArray[np.float64]
    mean_square: NDArray[np.float64]
    mean_cube: NDArray[np.float64]
    mean_fourth: NDArray[np.float64]
    peak: NDArray[np.float64]
    valley: NDArray[np.float64]

    @property
    def total(self) -> NDArray[np.float64]:
        """Peak plus valley of each section, µm."""
        return self.peak + self.valley


def section_heights(r_um: NDArray[np.float64], section_points: int) -> SectionHeights:
    """Moments and extremes of each section.

    Parameters
    ----------
    r_um : (M,) float64
        Profile in the window, µm; M a multiple of `section_points`.
    section_points : int
        Samples of a section.
    """
    rows = r_um.reshape(-1, section_points)
    squares = rows * rows
    scale = 1.0 / section_points
    return SectionHeights(
        mean_abs=np.abs(rows).sum(axis=1) * scale,
        mean_square=squares.sum(axis=1) * scale,
        mean_cube=np.einsum("ij,ij->i", squares, rows) * scale,
        mean_fourth=np.einsum("ij,ij->i", squares, squares) * scale,
        peak=rows.max(axis=1),
        valley=-rows.min(axis=1),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Ra, Rq in µm, Rsk, Rku dimensionless."""

    ra: float
    rq: float
    rsk: float | Undefined
    rku: float | Undefined


def moments_over_all(sections: SectionHeights) -> Moments:
    """Ra, Rq, Rsk, Rku over the evaluation length (ISO 21920-2, ASME B46.1)."""
    square = float(sections.mean_square.mean())
    rq = square**0.5
    rsk: float | Undefined = Undefined(FLAT_REASON)
    rku: float | Undefined = Undefined(FLAT_REASON)
    if square * square > 0:
        rsk = float(sections.mean_cube.mean()) / (square * rq)
        rku = float(sections.mean_fourth.mean()) / (square * square)
    return Moments(ra=float(sections.mean_abs.mean()), rq=rq, rsk=rsk, rku=rku)


def moments_by_section(sections: SectionHeights) -> Moments:
    """Ra, Rq, Rsk, Rku of each section, then their means (ISO 4287 with ISO 4288, JIS B 0601)."""
    square = sections.mean_square
    root = np.sqrt(square)
    rsk: float | Undefined = Undefined("a section of the profile is flat")
    rku: float | Undefined = Undefined("a section of the profile is flat")
    if float((square * square).min()) > 0:
        rsk = float((sections.mean_cube / (square * root)).mean())
        rku = float((sections.mean_fourth / (square * square)).mean())
    return Moments(ra=float(sections.mean_abs.mean()), rq=float(root.mean()), rsk=rsk, rku=rku)


def largest_sliding_height(r_um: NDArray[np.float64], window_points: int) -> float:
    """Rzx: largest max − min in any `window_points` consecutive samples, µm.

    Parameters
    ----------
    r_um : (M,) float64
        Profile in the evaluation window, µm.
    window_points : int
        Samples of the sliding length, 1 … M.

    References
    ----------
    ISO 21920-2:2021 Rzx with the section length.
    """
    highest, lowest = int(r_um.argmax()), int(r_um.argmin())
    if abs(highest - lowest) < window_points:
        return float(r_um[highest]) - float(r_um[lowest])
    if window_points < _COARSE * _COARSE:
        return _largest_sliding(r_um, window_points)
    best, stretches = _coarse_search(r_um, window_points)
    for first, stop in stretches:
        best = max(best, _largest_sliding(r_um[first:stop], window_points))
    return best


def _coarse_search(r_um: NDArray[np.float64], window_points: int) -> tuple[float, list[tuple[int, int]]]:
    """What windows at every `step` samples reach, and the stretches in which others may reach more.

    With the extremes of every step known, a window that begins in a step holds at least the steps that lie wholly in
    it and at most those that it touches.
    """
    step = window_points // _COARSE
    starts = np.arange(0, r_um.size, step)
    high, low = np.maximum.reduceat(r_um, starts), np.minimum.reduceat(r_um, starts)
    whole = window_points // step
    touched = (step + window_points - 2) // step + 1
    held = _extent(high, low, whole)[: (r_um.size - window_points) // step + 1]
    best = float(held.max())
    # Steps beyond the end repeat the last one, which adds nothing.
    last = np.minimum(np.arange(held.size + touched - 1), high.size - 1)
    promising = np.flatnonzero(_extent(high[last], low[last], touched) > best)
    if promising.size == 0:
        return best, []
    groups = np.split(promising, np.flatnonzero(np.diff(promising) > 1) + 1)
    return best, [(int(group[0]) * step, int(group[-1] + 1) * step - 1 + window_points) for group in groups]


def _extent(high: NDArray[np.float64], low: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Max − min of every `count` consecutive steps."""
    windows = np.lib.stride_tricks.sliding_window_view
    extent: NDArray[np.float64] = windows(high, count).max(axis=1) - windows(low, count).min(axis=1)
    return extent


def _largest_sliding(r_um: NDArray[np.float64], window_points: int) -> float:
    """Largest max − min in any window, O(M).

    References
    ----------
    M. van Herk, *Pattern Recognition Letters* 13 (1992): a window that straddles two blocks is the end of one and the
    beginning of the next.
    """
    blocks = r_um.size // window_points
    best = 0.0
    if blocks > 1:
        best = _largest_in_blocks(r_um[: blocks * window_points].reshape(blocks, window_points))
    # Windows that reach into the last, incomplete block; with one block only, all of them.
    rest = r_um[(blocks - 1) * window_points :]
    ends = rest.size - window_points
    head, tail = rest[: ends + 1], rest[window_points - 1 :]
    middle = rest[ends:window_points]
    high = np.maximum(np.maximum.accumulate(head[::-1])[::-1], np.maximum.accumulate(tail))
    low = np.minimum(np.minimum.accumulate(head[::-1])[::-1], np.minimum.accumulate(tail))
    if middle.size:
        high = np.maximum(high, middle.max())
        low = np.minimum(low, middle.min())
    return max(best, float((high - low).max()))


def _largest_in_blocks(rows: NDArray[np.float64]) -> float:
    """Largest max − min in a row's length of consecutive samples that lie in the rows."""
    peak_to = np.maximum.accumulate(rows, axis=1)
    valley_to = np.minimum.accumulate(rows, axis=1)
    whole = float((peak_to[:, -1] - valley_to[:, -1]).max())
    if rows.shape[1] == 1:
        return whole
    peak_from = np.maximum.accumulate(rows[:-1, :0:-1], axis=1)[:, ::-1]
    valley_from = np.minimum.accumulate(rows[:-1, :0:-1], axis=1)[:, ::-1]
    straddling = np.maximum(peak_from, peak_to[1:, :-1])
    straddling -= np.minimum(valley_from, valley_to[1:, :-1])
    return max(whole, float(straddling.max()))


def largest_height_within(r_um: NDArray[np.float64], spacing_um: float, length_mm: float) -> float:
    """Rzx(l): largest max − min within any length l, µm.

    Parameters
    ----------
    r_um : (M,) float64
        Profile in the window, µm.
    spacing_um : float
        Sampling spacing, µm.
    length_mm : float
        l, mm; ``⌊l/dx + 0.5⌋`` samples.

    Raises
    ------
    SettingsError
        l holds no sample or is longer than the evaluation length.
    """
    points = math.floor(length_mm * 1000.0 / spacing_um + 0.5) if 0 < length_mm < math.inf else 0
    if not 1 <= points <= r_um.size:
        raise SettingsError(
            f"the sliding length is {length_mm:g} mm; it must lie between {spacing_um / 1000.0:g} mm and the "
            f"evaluation length of {r_um.size * spacing_um / 1000.0:g} mm"
        )
    return largest_sliding_height(r_um, points)
