"""Hills and dales of a profile by watershed segmentation with Wolf pruning.

Along a line the water parts at the peaks and meets at the pits, so segmentation is the list of turning points, and
pruning takes a peak and the pit beside it out together. The functions give what follows from the segmentation alone:
peaks and pits, their density and the five-point heights. What else ISO 21920-2 reads from hills and dales (curvature,
closed or open areas, default pruning threshold) is not offered, because its wording was not at hand; for the same
reason the threshold has no default here and the results bear plain names.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.extrema import pruned, turning_points
from crosslay.texture.undefined import Undefined

#: Peaks and pits that enter the five-point heights.
FIVE_POINT_EACH = 5


@dataclass(frozen=True, slots=True, eq=False)
class Segmentation:
    """Peaks and pits that are left after pruning.

    Attributes
    ----------
    peak_places_um, peak_heights_um
        Where the peaks lie, µm from the window's first sample, and their heights, µm; shape (P,).
    pit_places_um, pit_heights_um
        The same for the pits, shape (V,); P and V differ by one at most, peaks and pits alternate.
    """

    peak_places_um: NDArray[np.float64]
    peak_heights_um: NDArray[np.float64]
    pit_places_um: NDArray[np.float64]
    pit_heights_um: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureParameters:
    """What follows from the segmentation alone.

    Attributes
    ----------
    peak_density_per_mm, pit_density_per_mm
        Peaks and pits per mm of ``M·Δx``.
    five_point_peak_um, five_point_pit_um
        Mean height of the five highest peaks above, mean depth of the five deepest pits below the mean line, µm.
    ten_point_um
        Their sum, µm.
    """

    peak_density_per_mm: float
    pit_density_per_mm: float
    five_point_peak_um: float | Undefined
    five_point_pit_um: float | Undefined
    ten_point_um: float | Undefined


def segmentation(heights_um: NDArray[np.float64], spacing_um: float, least_height_um: float) -> Segmentation:
    """Segment a profile into hills and dales and prune those below a height.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm, M ≥ 1.
    spacing_um
        Sampling spacing, µm.
    least_height_um
        Hills and dales lower than this are pruned, µm, ≥ 0.

    Returns
    -------
    Segmentation
        Only peaks and pits that the window shows from both sides.

    Raises
    ------
    SettingsError
        `least_height_um` is below 0 or not a number.

    References
    ----------
    .. [1] ISO 25178-2:2012, 3.3.7 and 3.3.8 and clause 6 (segmentation, Wolf pruning); the profile's twin is part of
       ISO 21920-2:2021.
    """
    if not least_height_um >= 0.0:
        raise SettingsError(f"pruning height is {least_height_um:g} µm; it must be 0 or more")
    points = pruned(turning_points(heights_um), least_height_um)
    places, heights = points.positions * spacing_um, points.heights_um
    first_peak = 1 if heights.shape[0] < 2 or heights[1] > heights[0] else 2
    first_pit = 3 - first_peak
    return Segmentation(
        places[first_peak:-1:2], heights[first_peak:-1:2], places[first_pit:-1:2], heights[first_pit:-1:2]
    )


def feature_parameters(heights_um: NDArray[np.float64], spacing_um: float, least_height_um: float) -> FeatureParameters:
    """Densities and five-point heights of the hills and dales.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm, M ≥ 1.
    spacing_um
        Sampling spacing, µm.
    least_height_um
        Hills and dales lower than this are pruned, µm, ≥ 0.

    Returns
    -------
    FeatureParameters
        Five-point heights are undefined with fewer than five peaks (pits).

    Raises
    ------
    SettingsError
        `least_height_um` is below 0 or not a number.
    """
    found = segmentation(heights_um, spacing_um, least_height_um)
    length_mm = 1e-3 * spacing_um * heights_um.shape[0]
    peak = _mean_of_five(found.peak_heights_um, "peaks")
    pit = _mean_of_five(-found.pit_heights_um, "pits")
    if isinstance(peak, Undefined):
        ten: float | Undefined = peak
    else:
        ten = pit if isinstance(pit, Undefined) else peak + pit
    return FeatureParameters(
        peak_density_per_mm=found.peak_heights_um.shape[0] / length_mm,
        pit_density_per_mm=found.pit_heights_um.shape[0] / length_mm,
        five_point_peak_um=peak,
        five_point_pit_um=pit,
        ten_point_um=ten,
    )


def _mean_of_five(values: NDArray[np.float64], name: str) -> float | Undefined:
    """Mean of the five largest values."""
    if values.shape[0] < FIVE_POINT_EACH:
        return Undefined(f"{values.shape[0]} {name}; {FIVE_POINT_EACH} are needed")
    return float(np.partition(values, -FIVE_POINT_EACH)[-FIVE_POINT_EACH:].mean())
