"""The tip's effective radius from narrow grooves (ISO 5436-1 type B1) and from two grids (type B2).

**Narrow grooves.** A ball of radius R that bridges a groove of width w between sharp edges sinks in by
``p = R − √(R² − w²/4)``, so ``R = p/2 + w²/(8p)``, as long as it touches the edges with the ball, ``w/2 ≤ R·cos θ``
with θ half the cone's angle, and not the bottom. Wider grooves are touched by the cone and say nothing about R. A worn,
flattened tip sinks in less and shows as a larger radius: hence *effective*.

**Two grids** of sharp isosceles triangles with one slope angle β, a coarse and a fine one. A ball rounds the ridges:
the trace over a ridge is an arc of radius R that joins the flanks at a distance R·sin β, and every flank is lifted by
``R(sec β − 1)`` against the ridge, the sharp valley with it. The peak-to-valley height so falls by ``R(sec β − 1)``,
whatever the pitch, and the shares that two pitches lose give R (`grid_radius`).

Left out, because nothing at hand justifies a number: grids of sines (the ball changes their height only when it can no
longer follow the valley) and the sharp edge of type B3, whose own radius enters.

References
----------
ISO 5436-1:2000 (types, from memory). The geometry is our own derivation from a ball on sharp edges; the tests check it
against the dilation by a disk of ISO 16610-41.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.specimen import Specimen
from crosslay.texture.undefined import Undefined

_Floats = NDArray[np.float64]

_NOISE_FACTOR = 5.0
"""A dip is that many times as deep as the land beside it is rough."""
_SIGMA_OF_MEDIAN = 1.4826
"""Standard deviation over median absolute deviation, normal distribution."""
_LEVELLINGS = 20
_BOTTOM_SHARE = 0.95
"""A tip that sinks in by this share of the groove's depth may stand on the bottom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TipRadius:
    """Effective radius of the tip.

    Attributes
    ----------
    radius_um
        Median over the grooves that were used, µm.
    by_width_um
        Radius by width of the groove, µm; only grooves that the ball bridges.
    """

    radius_um: float
    by_width_um: tuple[tuple[float, float], ...]


def narrow_groove_radius(z_um: _Floats, spacing_um: float, specimen: Specimen) -> TipRadius | Undefined:
    """Estimate the tip's effective radius from a trace across narrow grooves.

    Parameters
    ----------
    z_um : (N,) float64
        Unfiltered heights, µm.
    spacing_um : float
        Sampling spacing, µm.
    specimen : Specimen
        Of type B, with the widths in the order of crossing; either direction of traverse.

    Returns
    -------
    TipRadius or Undefined
        Undefined, with the reason, where the grooves are not all seen or none of them is bridged by the ball.
    """
    level, noise_um = _land(z_um)
    widths = specimen.narrow_widths_um
    depths = _dips(z_um - level, _NOISE_FACTOR * noise_um, int(min(widths) / spacing_um))
    if len(depths) != len(widths):
        return Undefined(f"the trace shows {len(depths)} grooves, the specimen has {len(widths)}: the tip is too "
                         "blunt or broken to enter the narrow ones, the trace does not cross them all, or dirt lies "
                         "on the land")
    orders = [widths] if widths == widths[::-1] else [widths, widths[::-1]]
    return _best(orders, depths, specimen)


def _best(orders: list[tuple[float, ...]], depths: list[float], specimen: Specimen) -> TipRadius | Undefined:
    """The direction of traverse under which the grooves agree best on one radius."""
    found = [radii for order in orders if (radii := _radii(order, depths, specimen))]
    if not found:
        return Undefined("the ball bridges none of the grooves: all are so wide that the cone or the bottom is "
                         "touched; use narrower ones")

    def disagreement(radii: list[tuple[float, float]]) -> float:
        values = np.log([radius for _, radius in radii])
        # Depth grows with width, so the wrong direction disagrees wherever two widths differ.
        return float(np.ptp(values)) - 1e3 * len(radii)

    best = min(found, key=disagreement)
    return TipRadius(radius_um=float(np.median([radius for _, radius in best])), by_width_um=tuple(best))


def _radii(widths: tuple[float, ...], depths: list[float], specimen: Specimen) -> list[tuple[float, float]]:
    """Widths and radii of the grooves that the ball bridges."""
    half_cone = math.radians(specimen.cone_angle_deg / 2.0)
    bottom = math.inf if specimen.narrow_depth_um is None else _BOTTOM_SHARE * specimen.narrow_depth_um
    radii = []
    for width, depth in zip(widths, depths, strict=True):
        radius = bridging_radius_um(width, depth)
        if depth < bottom and width / 2.0 <= radius * math.cos(half_cone) * (1.0 + 1e-6):
            radii.append((width, radius))
    return radii


def bridging_radius_um(width_um: float, depth_um: float) -> float:
    """Radius of the ball that sinks `depth_um` into a groove of `width_um` between sharp edges, µm."""
    return 0.5 * depth_um + width_um * width_um / (8.0 * depth_um)


def _land(z_um: _Floats) -> tuple[_Floats, float]:
    """Line through the land between the grooves, shape (N,), µm, and the land's roughness, µm."""
    steps = np.linspace(-1.0, 1.0, z_um.size)
    kept = np.ones(z_um.size, dtype=np.bool_)
    level, spread = np.zeros(z_um.size), 0.0
    for _ in range(_LEVELLINGS):
        slope, height = np.polyfit(steps[kept], z_um[kept], 1)
        level = slope * steps + height
        residual = z_um - level
        middle = float(np.median(residual[kept]))
        spread = _SIGMA_OF_MEDIAN * float(np.median(np.abs(residual[kept] - middle)))
        land = np.abs(residual - middle) <= 3.0 * max(spread, 1e-9 * float(np.ptp(z_um)))
        if land.sum() < 3 or bool(np.all(land == kept)):
            break
        kept = land
    return level, max(spread, 1e-6)


def _dips(above_um: _Floats, threshold_um: float, reach: int) -> list[float]:
    """Depth of every stretch below the threshold, in order, µm; stretches no further apart than `reach` are one."""
    below = np.flatnonzero(above_um < -threshold_um)
    if below.size == 0:
        return []
    parts = np.split(below, np.flatnonzero(np.diff(below) > max(1, reach)) + 1)
    return [_depth(above_um, int(part[0]), int(part[-1]) + 1) for part in parts]


def _depth(above_um: _Floats, start: int, stop: int) -> float:
    """Depth of one dip. Its bottom is a cusp between two samples: the flanks are drawn on to where they meet."""
    lowest = start + int(np.argmin(above_um[start:stop]))
    depth = -float(above_um[lowest])
    if lowest - 2 < 0 or lowest + 3 > above_um.size:
        return depth
    left, right = above_um[lowest - 2 : lowest], above_um[lowest + 1 : lowest + 3]
    fall, rise = left[1] - left[0], right[1] - right[0]
    if rise <= fall:
        return depth
    # left: z = left[1] + fall·(u + 1); right: z = right[0] + rise·(u − 1); u in samples from the lowest.
    meet = (left[1] + fall - right[0] + rise) / (rise - fall)
    return max(depth, -float(left[1] + fall * (meet + 1.0))) if abs(meet) <= 1.0 else depth


def grid_radius(fine_um: float, coarse_um: float, *, pitch_ratio: float, slope_deg: float) -> float | Undefined:
    """Radius of the tip from the heights of two grids of sharp triangles with one slope.

    Parameters
    ----------
    fine_um, coarse_um : float
        Peak-to-valley heights as traced over the fine and the coarse grid, µm.
    pitch_ratio : float
        Pitch of the coarse grid over that of the fine one, above 1: so do their true heights stand.
    slope_deg : float
        Slope β of the flanks, degrees.

    Returns
    -------
    float or Undefined
        R, µm: both heights lose R(sec β − 1), so R = (coarse − ratio·fine)/((ratio − 1)(sec β − 1)). A gain error
        scales R alone. Undefined where the loss is not above 0 or the ridges' arcs leave no flank.
    """
    if not (pitch_ratio > 1.0 and 0.0 < slope_deg < 90.0):
        return Undefined("the pitch of the coarse grid must be above that of the fine one, and the slope between "
                         "0 and 90°")
    angle = math.radians(slope_deg)
    radius_um = (coarse_um - pitch_ratio * fine_um) / ((pitch_ratio - 1.0) * (1.0 / math.cos(angle) - 1.0))
    if radius_um <= 0.0:
        return Undefined("the fine grid shows no loss of height against the coarse one; the tip is sharper than can "
                         "be told")
    half_pitch_um = (fine_um + radius_um * (1.0 / math.cos(angle) - 1.0)) / math.tan(angle)
    if radius_um * math.sin(angle) > half_pitch_um:
        return Undefined("the tip no longer touches the flanks of the fine grid; it is larger than this grid can tell")
    return radius_um
