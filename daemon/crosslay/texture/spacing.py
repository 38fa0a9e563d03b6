"""Profile elements: Rsm, Rc, Rpc.

References
----------
ISO 4287:1997 clauses 3.2.7 and 4.3 with Amd 1:2009, ISO 21920-2:2021.
How portions become elements is a decision (page *texture*, section 4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.undefined import Undefined

#: Height discrimination as a share of Rz, width discrimination as a share of the section length.
HEIGHT_SHARE = 0.1
WIDTH_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileElements:
    """Whole profile elements of a window.

    Attributes
    ----------
    widths_um
        Xs, shape (m,), µm, m ≥ 1.
    heights_um
        Zt = max − min of the samples in each element, shape (m,), µm.
    """

    widths_um: NDArray[np.float64]
    heights_um: NDArray[np.float64]

    @property
    def mean_width_mm(self) -> float:
        """Rsm, mm."""
        return float(self.widths_um.mean()) / 1000.0

    @property
    def mean_height_um(self) -> float:
        """Rc, µm."""
        return float(self.heights_um.mean())

    @property
    def peaks_per_cm(self) -> float:
        """Rpc = 10/Rsm, 1/cm."""
        return 10.0 / self.mean_width_mm


def profile_elements(
    r_um: NDArray[np.float64], spacing_um: float, section_points: int, *, rz_um: float
) -> ProfileElements | Undefined:
    """Find the whole profile elements of a window.

    Parameters
    ----------
    r_um : (M,) float64
        Profile about its mean line, µm.
    spacing_um : float
        Sampling spacing, µm.
    section_points : int
        Samples of a section; portions narrower than 1 % of it do not count.
    rz_um : float
        Rz of this profile, µm; portions that stay within 10 % of it do not count.

    Returns
    -------
    ProfileElements or Undefined
        Undefined where there is not one whole element.
    """
    portions = _portions(r_um)
    if portions is None:
        return Undefined("the profile does not cross its mean line")
    bounds, starts, upward = portions
    reach = np.maximum.reduceat(np.abs(r_um), starts)
    significant = np.flatnonzero((reach > HEIGHT_SHARE * rz_um) & (np.diff(bounds) >= WIDTH_SHARE * section_points))
    # Places where one significant portion is followed by one of the other sign; neighbours of one sign are merged.
    turning = np.flatnonzero(np.diff(upward[significant]))
    boundaries = 0.5 * (bounds[significant[turning] + 1] + bounds[significant[turning + 1]])
    boundaries = boundaries[::2]
    if boundaries.size < 2:
        return Undefined("fewer than one whole profile element")
    return ProfileElements(widths_um=np.diff(boundaries) * spacing_um, heights_um=_heights_between(r_um, boundaries))


def _portions(
    r_um: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.bool_]] | None:
    """Portions between crossings of the mean line.

    Returns
    -------
    bounds : (p + 1,) float64
        Ends of the portions in samples: the first sample, the crossings, the last sample.
    starts : (p,) intp
        First sample of each portion.
    upward : (p,) bool
        True where the portion lies above the mean line.
    """
    above = r_um > 0
    if not r_um.all():  # an exact zero belongs to the portion before it; zeros at the start to the first portion
        nonzero = np.flatnonzero(r_um)
        if nonzero.size == 0:
            return None
        last = np.zeros(r_um.size, dtype=np.intp)
        last[nonzero] = nonzero
        last[: nonzero[0]] = nonzero[0]
        above = above[np.maximum.accumulate(last)]
    before = np.flatnonzero(above[1:] != above[:-1])
    if before.size == 0:
        return None
    from_um, to_um = r_um[before], r_um[before + 1]
    crossings = before + from_um / (from_um - to_um)
    bounds = np.concatenate(([0.0], crossings, [r_um.size - 1.0]))
    starts = np.concatenate(([0], before + 1))
    return bounds, starts, above[starts]


def _heights_between(r_um: NDArray[np.float64], boundaries: NDArray[np.float64]) -> NDArray[np.float64]:
    """Max − min of the samples from each boundary to the next, both included."""
    first = np.ceil(boundaries[:-1]).astype(np.intp)
    stop = np.floor(boundaries[1:]).astype(np.intp) + 1
    # reduceat takes the stretches between even and odd places; the last stop may be the end of the array.
    edges = np.stack((first, stop), axis=1).ravel()
    if edges[-1] == r_um.size:
        edges = edges[:-1]
    result: NDArray[np.float64] = np.maximum.reduceat(r_um, edges)[::2] - np.minimum.reduceat(r_um, edges)[::2]
    return result
