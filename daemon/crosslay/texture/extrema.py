"""Turning points of a profile and their pruning by height; motif and feature parameters stand on them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class TurningPoints:
    """Alternating highest and lowest points of a profile, from its first to its last.

    Attributes
    ----------
    positions
        Where they lie, shape (K,), samples; the middle of a level stretch may be half a sample.
    heights_um
        Their heights, shape (K,), µm.
    """

    positions: NDArray[np.float64]
    heights_um: NDArray[np.float64]


def turning_points(heights_um: NDArray[np.float64]) -> TurningPoints:
    """Every local highest and lowest point, and both ends of the profile.

    Parameters
    ----------
    heights_um
        Profile, shape (M,), µm, M ≥ 1.

    Returns
    -------
    TurningPoints
        The ends belong to it; so K ≥ 2 unless the profile is flat (K = 1). A level stretch counts once, at its middle.
    """
    steps = np.diff(heights_um)
    moving = np.flatnonzero(steps)
    if moving.shape[0] == 0:
        return TurningPoints(np.zeros(1), heights_um[:1].astype(np.float64))
    rising = steps[moving] > 0.0
    turns = np.flatnonzero(rising[1:] != rising[:-1])
    # The level stretch (mostly one sample) lies between the end of one move and the beginning of the next.
    begin, end = moving[turns] + 1, moving[turns + 1]
    last = heights_um.shape[0] - 1
    positions = np.concatenate(([0.0], 0.5 * (begin + end), [float(last)]))
    heights = np.concatenate((heights_um[:1], heights_um[begin], heights_um[-1:]))
    return TurningPoints(positions, heights)


def pruned(points: TurningPoints, least_height_um: float) -> TurningPoints:
    """Leave out the hills and dales whose height is below a threshold (Wolf pruning along a line).

    The smallest step between neighbouring turning points goes first, the two points that bound it together, until
    every step is at least `least_height_um`. One pass that remembers the turning points left so far finds the same
    points in O(K).

    Parameters
    ----------
    points
        Turning points of a profile.
    least_height_um
        Steps below this height are left out, µm.

    Returns
    -------
    TurningPoints
        Alternating points with steps of at least `least_height_um`; the first and the last are the extremes beyond
        which the profile does not move by that much any more, not confirmed on their outer side.

    References
    ----------
    .. [1] G. W. Wolf, pruning of surface networks by height; ISO 25178-2:2012, 3.3.8.
    """
    heights: list[float] = points.heights_um.tolist()
    kept: list[int] = []
    direction = 0
    extreme = low = high = 0
    for index, height in enumerate(heights):
        if direction == 0:
            # Until the profile has moved by the threshold it goes neither up nor down.
            low = index if height < heights[low] else low
            high = index if height > heights[high] else high
            if index > 0 and heights[high] - heights[low] >= least_height_um:
                direction, extreme = (1, high) if low < high else (-1, low)
                kept.append(min(low, high))
        elif (height - heights[extreme]) * direction > 0.0:
            extreme = index
        elif (heights[extreme] - height) * direction >= least_height_um:
            kept.append(extreme)
            direction, extreme = -direction, index
    kept.append(extreme)
    chosen = np.array(kept, dtype=np.intp)
    return TurningPoints(points.positions[chosen], points.heights_um[chosen])
