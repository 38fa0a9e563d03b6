"""Morphological filters with a disk: what a ball of radius r that rolls over or under the profile touches.

The disk is anchored at its point of contact: dilation gives the path of the lowest point of a tip that rests on the
profile, erosion that of the highest point of a ball that presses from below, so a level profile stays where it is.
Closing and opening do not depend on the anchor.

The profile is its samples; the disk meets them at the samples' places. At the ends only the samples that exist count.

Two ways to one result. A small disk is compared step by step. A large one uses that the sag of a disk is concave: the
sample that the disk touches then never moves back while the disk moves on, so it is enough to search between the
contacts of two neighbours already known, halving the stride each time: O(N log N) comparisons whatever the radius is.

References
----------
ISO 16610-40 (morphological profile filters: terms), ISO 16610-41 (disk and horizontal line segment filters).
A. Aggarwal, M. Klawe, S. Moran, P. Shor, R. Wilber, "Geometric applications of a matrix-searching algorithm",
Algorithmica 2 (1987) 195–208: monotone row maxima.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.filters.checks import checked_heights

# Up to this many steps to a side the plain comparison is the quicker way.
_PLAIN_STEPS: Final = 160
_BLOCK: Final = 16384

_Floats = NDArray[np.float64]


def dilation(z_um: _Floats, spacing_um: float, radius_um: float) -> _Floats:
    """Path of the lowest point of a disk that rests on the profile.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    radius_um : float
        Radius r of the disk, µm; 0 leaves the profile as it is.

    Returns
    -------
    NDArray[np.float64]
        ``max over |k dx| ≤ r of z[i+k] + sqrt(r² − (k dx)²) − r``, shape (N,), µm. Nowhere below the profile.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If the radius is not a number of at least 0.

    References
    ----------
    ISO 16610-41, disk.
    """
    heights = checked_heights(z_um, spacing_um)
    _check_radius(radius_um)
    steps = _useful_steps(heights, spacing_um, radius_um)
    if steps == 0:
        return heights.copy()
    sag = sag_um(steps, spacing_um, radius_um)
    if steps <= _PLAIN_STEPS:
        return _dilate_plainly(heights, sag)
    return _dilate_by_halving(heights, sag)


def erosion(z_um: _Floats, spacing_um: float, radius_um: float) -> _Floats:
    """Path of the highest point of a disk that presses against the profile from below.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    radius_um : float
        Radius r of the disk, µm; 0 leaves the profile as it is.

    Returns
    -------
    NDArray[np.float64]
        ``min over |k dx| ≤ r of z[i+k] − sqrt(r² − (k dx)²) + r``, shape (N,), µm. Nowhere above the profile.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If the radius is not a number of at least 0.

    References
    ----------
    ISO 16610-41, disk.
    """
    return -dilation(-checked_heights(z_um, spacing_um), spacing_um, radius_um)


def closing(z_um: _Floats, spacing_um: float, radius_um: float) -> _Floats:
    """Lower rim of a disk that rolls over the profile: valleys narrower than the disk are bridged.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    radius_um : float
        Radius r of the disk, µm; 0 leaves the profile as it is.

    Returns
    -------
    NDArray[np.float64]
        Dilation followed by erosion, shape (N,), µm. Nowhere below the profile; closed once more it stays the same.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If the radius is not a number of at least 0.

    References
    ----------
    ISO 16610-41, closing filter with a disk.
    """
    return erosion(dilation(z_um, spacing_um, radius_um), spacing_um, radius_um)


def opening(z_um: _Floats, spacing_um: float, radius_um: float) -> _Floats:
    """Upper rim of a disk that rolls under the profile: peaks narrower than the disk are cut.

    Parameters
    ----------
    z_um : NDArray[np.float64]
        Heights, shape (N,), µm.
    spacing_um : float
        Sampling spacing dx, µm.
    radius_um : float
        Radius r of the disk, µm; 0 leaves the profile as it is.

    Returns
    -------
    NDArray[np.float64]
        Erosion followed by dilation, shape (N,), µm. Nowhere above the profile; opened once more it stays the same.

    Raises
    ------
    TraceError
        If a height is not a number, or the array is not one line.
    SettingsError
        If the radius is not a number of at least 0.

    References
    ----------
    ISO 16610-41, opening filter with a disk.
    """
    return dilation(erosion(z_um, spacing_um, radius_um), spacing_um, radius_um)


def sag_um(steps: int, spacing_um: float, radius_um: float) -> _Floats:
    """Height of the disk's rim above its lowest point, ``r − sqrt(r² − (k dx)²)`` for k = 0 … `steps`, µm.

    Parameters
    ----------
    steps : int
        Largest distance, samples; no farther than the radius.
    spacing_um : float
        Sampling spacing dx, µm.
    radius_um : float
        Radius r of the disk, µm.

    Returns
    -------
    NDArray[np.float64]
        Shape (steps + 1,), µm, in the form that keeps its digits where the disk is large.
    """
    x = np.minimum(np.arange(steps + 1) * spacing_um, radius_um)
    square = x * x
    below = np.sqrt(np.maximum(radius_um * radius_um - square, 0.0))
    rim: _Floats = square / (radius_um + below)
    return rim


def _check_radius(radius_um: float) -> None:
    if not (math.isfinite(radius_um) and radius_um >= 0):
        raise SettingsError(f"the radius of the disk is {radius_um} µm; it must be a number of at least 0")


def _useful_steps(heights: _Floats, spacing_um: float, radius_um: float) -> int:
    """Farthest sample, in steps, that the disk can touch on a profile of this height."""
    reach_um = radius_um
    range_um = float(heights.max() - heights.min())
    if range_um < radius_um:
        # Where the rim rises by more than the profile's whole height, the sample under the middle always stands higher.
        reach_um = math.sqrt(range_um * (2.0 * radius_um - range_um))
        # One step more than needed costs little; one step less would cost a contact.
        return min(math.floor(min(reach_um + spacing_um, radius_um) / spacing_um * (1.0 + 1e-12)), heights.size - 1)
    # The hair's breadth keeps a sample right at the radius inside, whatever binary fractions make of it.
    return min(math.floor(reach_um / spacing_um * (1.0 + 1e-12)), heights.size - 1)


def _dilate_plainly(heights: _Floats, sag: _Floats) -> _Floats:
    """Highest of the lowered neighbours, one distance after the other: O(N·K)."""
    out = heights.copy()
    lowered = np.empty_like(heights)
    for step in range(1, sag.size):
        np.subtract(heights, sag[step], out=lowered)
        np.maximum(out[step:], lowered[:-step], out=out[step:])
        np.maximum(out[:-step], lowered[step:], out=out[:-step])
    return out


def _dilate_by_halving(heights: _Floats, sag: _Floats) -> _Floats:
    """Highest of the lowered neighbours by monotone contacts: O(N log N), in pieces that stay in the caches."""
    points, reach = heights.size, sag.size - 1
    out = np.empty(points)
    block = max(_BLOCK, 4 * reach)
    for start in range(0, points, block):
        stop = min(start + block, points)
        first = max(0, start - reach)
        piece = heights[first : stop + reach]
        out[start:stop] = _contacts_by_halving(piece, sag, start - first, stop - first)
    return out


def _contacts_by_halving(heights: _Floats, sag: _Floats, first: int, last: int) -> _Floats:
    """Dilation at the samples ``first … last − 1`` of a piece, shape (last − first,)."""
    rows_in_all, reach = last - first, sag.size - 1
    out = np.empty(rows_in_all)
    # Contact of each sample already done; the fences before the first and behind the last hold the ends.
    contact = np.empty(rows_in_all + 2, dtype=np.intp)
    contact[0], contact[-1] = 0, heights.size - 1
    stride = 1 << (rows_in_all - 1).bit_length()
    while stride >= 1:
        rows = np.arange(stride - 1, rows_in_all, 2 * stride)
        if rows.size:
            lows = np.maximum(contact[rows + 1 - stride], rows + (first - reach))
            highs = np.minimum(contact[np.minimum(rows + 1 + stride, rows_in_all + 1)], rows + (first + reach))
            out[rows], contact[rows + 1] = _highest(heights, sag, rows + first, (lows, np.maximum(lows, highs)))
        stride //= 2
    return out


def _highest(
    heights: _Floats, sag: _Floats, rows: NDArray[np.intp], between: tuple[NDArray[np.intp], NDArray[np.intp]]
) -> tuple[_Floats, NDArray[np.intp]]:
    """Highest lowered sample of each row's range, both ends included, and the first place where it stands."""
    lows, highs = between
    lengths = highs - lows + 1
    ends = np.cumsum(lengths)
    starts = ends - lengths
    columns = np.arange(int(ends[-1])) + np.repeat(lows - starts, lengths)
    lowered = heights[columns] - sag[np.abs(columns - np.repeat(rows, lengths))]
    highest = np.maximum.reduceat(lowered, starts)
    places = np.flatnonzero(lowered == np.repeat(highest, lengths))
    return highest, columns[places[np.searchsorted(places, starts)]]
