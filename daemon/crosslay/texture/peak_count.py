"""Counting peaks: band count Pc(c) and the ten-point height of JIS B 0601."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.undefined import Undefined

#: Pc counts per 10 mm.
COUNT_LENGTH_UM = 10_000.0
#: Peaks and valleys that enter the ten-point height.
TEN_POINT_EACH = 5


def band_count(heights_um: NDArray[np.float64], spacing_um: float, band_um: float) -> float:
    """Peaks that pass the band ±c, per 10 mm: Pc(c).

    A peak counts when the profile goes above +c and later below −c.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm, M ≥ 1.
    spacing_um
        Sampling spacing, µm.
    band_um
        c, half the band's width, µm, ≥ 0.

    Returns
    -------
    float
        Peaks per 10 mm of ``M·Δx``, unit 1/cm.

    Raises
    ------
    SettingsError
        `band_um` is below 0 or not a number.

    References
    ----------
    .. [1] EN 10049; ASME B46.1-2019, Pc. Counting rule: design: texture, section 4.
    """
    if not band_um >= 0.0:
        raise SettingsError(f"Pc(c): c is {band_um:g} µm; half the band's width must be 0 or more")
    above = heights_um > band_um
    outside = np.flatnonzero(above | (heights_um < -band_um))
    sides = above[outside]
    peaks = int(np.count_nonzero(sides[:-1] & ~sides[1:]))
    return float(peaks * COUNT_LENGTH_UM / (heights_um.shape[0] * spacing_um))


def ten_point_height(heights_um: NDArray[np.float64], section_points: int) -> float | Undefined:
    """Ten-point height RzJIS: mean over the sections of (mean of five peaks + mean of five valleys).

    Each portion of the section between crossings of the mean line gives one peak or valley, its extreme sample; a
    portion that the section's end cuts is taken as seen.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (n·nc,), µm.
    section_points
        Samples per section, nc ≥ 1. Samples beyond the last whole section are left out.

    Returns
    -------
    float or Undefined
        µm. Undefined if a section has fewer than five peaks or five valleys.

    References
    ----------
    .. [1] JIS B 0601:2001, annex 1 (RzJIS). One peak or valley per portion: design: texture, section 3.
    """
    if section_points < 1 or heights_um.shape[0] < section_points:
        raise SettingsError(f"RzJIS: {heights_um.shape[0]} samples hold no section of {section_points}")
    count = int(heights_um.shape[0]) // section_points
    total = 0.0
    for section in range(count):
        extremes = _portion_extremes(heights_um[section * section_points : (section + 1) * section_points])
        peaks, valleys = extremes[extremes > 0.0], extremes[extremes < 0.0]
        for found, name in ((peaks, "peaks"), (valleys, "valleys")):
            if found.shape[0] < TEN_POINT_EACH:
                return Undefined(f"section {section + 1} has {found.shape[0]} {name}; RzJIS needs {TEN_POINT_EACH}")
        highest = np.partition(peaks, -TEN_POINT_EACH)[-TEN_POINT_EACH:]
        deepest = np.partition(valleys, TEN_POINT_EACH - 1)[:TEN_POINT_EACH]
        total += float(highest.sum()) - float(deepest.sum())
    return total / (TEN_POINT_EACH * count)


def _portion_extremes(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Extreme sample of each portion between crossings, in order, µm."""
    # A zero belongs to the portion beside it and is never its extreme: without the zeros the crossings stay.
    heights = heights[heights != 0.0]
    if heights.shape[0] == 0:
        return heights
    above = heights > 0.0
    starts = np.concatenate(([0], np.flatnonzero(above[1:] != above[:-1]) + 1))
    return np.where(above[starts], np.maximum.reduceat(heights, starts), np.minimum.reduceat(heights, starts))
