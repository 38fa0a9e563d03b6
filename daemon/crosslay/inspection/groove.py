"""Depth of a wide groove (ISO 5436-1 types A1 and A2) by the three-thirds least-squares method.

The groove of width W lies in the middle of a length 3W. The reference areas A and B begin W/3 outside its edges and are
2W/3 long; C is its central third. The line ``Z = a·X + b + h·δ`` with δ = +1 over A and B and −1 over C is fitted by
least squares, and the depth is ``d = 2|h|``. For a rounded groove a circle is fitted over C, and the depth is the
distance of its lowest point from the line through A and B.

Where A, B and C lie symmetrically, d is the difference of the mean heights of A with B and of C, whatever the tilt; so
a running difference of means finds the groove.

References
----------
ISO 5436-1:2000, 7.1 (geometry and model of A1 from memory, agreeing with a public description of the method; the circle
of A2 from memory). How the groove is found and when there is none: our decision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceError
from crosslay.inspection.specimen import GrooveBottom
from crosslay.texture.form import subtract_arc
from crosslay.texture.undefined import Undefined

_Floats = NDArray[np.float64]

_LEAST_CONTRAST = {GrooveBottom.FLAT: 5.0, GrooveBottom.ROUNDED: 10.0}
"""A groove is that many times as deep as the areas beside it are rough; a rounded one has no steep edges to show it."""
_WIDTH_SLIP = 0.2
"""By what share the width that is found may differ from the stated one."""
_EDGE_SHARE = 1.0 / 6.0
"""Longest edge of a flat groove, from a quarter to three quarters of the depth, in widths: half of what is left out."""
_LEAST_POINTS = 5
"""Fewest samples in the central third."""
_HALF_DEPTH_WIDTH = {GrooveBottom.FLAT: 1.0, GrooveBottom.ROUNDED: math.sqrt(0.5)}
"""Width at half the depth over that at the edges; an arc reaches half its depth at W/√2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """One groove.

    Attributes
    ----------
    depth_um
        d, µm; above 0 for a groove and for a ridge alike.
    centre_um, width_um
        Its middle from the first sample on, and its width between the edges as found, µm.
    slope
        Tilt a of the trace, µm/µm.
    roughness_um
        Root mean square of what the model leaves over the areas A and B, µm.
    """

    depth_um: float
    centre_um: float
    width_um: float
    slope: float
    roughness_um: float


def groove_depth(z_um: _Floats, spacing_um: float, width_um: float, bottom: GrooveBottom) -> Groove | Undefined:
    """Find the groove of a given width and its depth.

    Parameters
    ----------
    z_um : (N,) float64
        Unfiltered or λs-filtered heights, µm; tilt does not matter.
    spacing_um, width_um : float
        Sampling spacing and stated width W of the groove between its edges, µm.
    bottom : GrooveBottom
        Flat (A1) or rounded (A2).

    Returns
    -------
    Groove or Undefined
        Undefined, with the reason, where there is no such groove.
    """
    width = width_um / spacing_um
    reason = _too_short(z_um.size, spacing_um, width_um)
    if reason:
        return Undefined(reason)
    centre = _deepest(z_um, width)
    line, half = _three_thirds(z_um, centre, width)
    edges = _edges(z_um, line, centre, width)
    if edges is not None:
        centre = min(max(0.5 * (edges[0] + edges[1]), 1.5 * width), z_um.size - 1.5 * width)
        line, half = _three_thirds(z_um, centre, width)
    roughness_um = _roughness(z_um, line, half, (centre, width))
    if abs(2.0 * half) <= _LEAST_CONTRAST[bottom] * roughness_um or half == 0.0 or edges is None:
        return Undefined(f"no groove {_mm(width_um)} wide: the largest step is {abs(2.0 * half):.3g} µm, and the areas "
                         f"beside it are rough by {roughness_um:.3g} µm; place the groove in the middle of the trace "
                         "and clean it")
    found_um = (edges[1] - edges[0]) * spacing_um / _HALF_DEPTH_WIDTH[bottom]
    if abs(found_um - width_um) > _WIDTH_SLIP * width_um:
        return Undefined(f"the groove in the trace is {_mm(found_um)} wide, that of the specimen {_mm(width_um)}: "
                         "another groove, or the traverse speed is wrong")
    if bottom is GrooveBottom.FLAT:
        depth_um = _flat(z_um, line, half, (centre, width))
    else:
        depth_um = _rounded(z_um, spacing_um, (centre, width))
    if isinstance(depth_um, Undefined):
        return depth_um
    return Groove(
        depth_um=depth_um, centre_um=centre * spacing_um, width_um=found_um, slope=line[0] / spacing_um,
        roughness_um=roughness_um,
    )


def _too_short(points: int, spacing_um: float, width_um: float) -> str:
    """Why a trace cannot hold the groove with what lies beside it, ``""`` where it can."""
    if 3.0 * width_um > points * spacing_um:
        return (f"the trace is {_mm(points * spacing_um)} long; a groove {_mm(width_um)} wide needs three widths, "
                f"{_mm(3.0 * width_um)}, with the groove in the middle")
    if width_um / 3.0 < _LEAST_POINTS * spacing_um:
        return (f"the central third of a groove {_mm(width_um)} wide holds fewer than {_LEAST_POINTS} samples at a "
                f"spacing of {spacing_um:g} µm; sample more finely")
    return ""


def _mm(length_um: float) -> str:
    return f"{length_um / 1000.0:.4g} mm"


def _zones(centre: float, width: float, points: int) -> tuple[slice, slice, slice]:
    """Samples of A, C and B about `centre`, all in samples."""
    def zone(start: float, stop: float) -> slice:
        return slice(max(0, math.ceil(centre + start * width - 1e-9)),
                     min(points, math.floor(centre + stop * width + 1e-9) + 1))

    return zone(-1.5, -5.0 / 6.0), zone(-1.0 / 6.0, 1.0 / 6.0), zone(5.0 / 6.0, 1.5)


def _deepest(z_um: _Floats, width: float) -> float:
    """Centre, in samples, where the mean heights of A with B and of C differ most."""
    sums = np.concatenate((np.zeros(1), np.cumsum(z_um - z_um.mean())))
    side, third = max(1, int(2.0 * width / 3.0)), max(1, int(width / 3.0))
    reach = int(1.5 * width)
    centres = np.arange(reach, max(reach + 1, z_um.size - reach))

    def total(start: NDArray[np.intp], length: int) -> _Floats:
        first = np.clip(start, 0, z_um.size - length)
        result: _Floats = sums[first + length] - sums[first]
        return result

    beside = total(centres - reach, side) + total(centres + reach - side + 1, side)
    inside = total(centres - third // 2, third)
    return float(centres[int(np.argmax(np.abs(beside / (2.0 * side) - inside / third)))])


def _three_thirds(z_um: _Floats, centre: float, width: float) -> tuple[tuple[float, float], float]:
    """Fit ``z = a·(i − centre) + b + h·δ``; ((a, b), h) with a in µm per sample."""
    left, middle, right = _zones(centre, width, z_um.size)
    steps = np.arange(z_um.size, dtype=np.float64) - centre
    along = np.concatenate((steps[left], steps[middle], steps[right]))
    heights = np.concatenate((z_um[left], z_um[middle], z_um[right]))
    sign = np.ones(along.size)
    sign[steps[left].size : steps[left].size + steps[middle].size] = -1.0
    columns = np.stack((along / width, np.ones(along.size), sign), axis=1)
    slope, level, half = np.linalg.lstsq(columns, heights, rcond=None)[0]
    return (float(slope) / width, float(level)), float(half)


def _edges(z_um: _Floats, line: tuple[float, float], centre: float, width: float) -> tuple[float, float] | None:
    """Places, in samples, where the trace passes half the depth left and right of the middle, or None."""
    first, last = max(0, math.ceil(centre - 7.0 / 6.0 * width)), min(z_um.size - 1, int(centre + 7.0 / 6.0 * width))
    steps = np.arange(first, last + 1, dtype=np.float64)
    above = z_um[first : last + 1] - line[0] * (steps - centre) - line[1]
    crossings = np.flatnonzero(np.signbit(above[1:]) != np.signbit(above[:-1]))
    if crossings.size == 0:
        return None
    places = steps[crossings] + above[crossings] / (above[crossings] - above[crossings + 1])
    left, right = places[places < centre], places[places >= centre]
    if left.size == 0 or right.size == 0:
        return None
    # On a rough edge the trace passes half the depth several times.
    return 0.5 * float(left[0] + left[-1]), 0.5 * float(right[0] + right[-1])


def _roughness(z_um: _Floats, line: tuple[float, float], half: float, place: tuple[float, float]) -> float:
    left, _, right = _zones(*place, z_um.size)
    residual = z_um - line[0] * (np.arange(z_um.size) - place[0]) - line[1] - half
    return math.sqrt(float(np.mean(np.concatenate((residual[left], residual[right])) ** 2)))


def _flat(z_um: _Floats, line: tuple[float, float], half: float, place: tuple[float, float]) -> float | Undefined:
    """Depth of a flat groove, µm, where few samples on either side lie between the levels.

    On a slope, a wave or a single step many do.
    """
    centre, width = place
    share = np.abs(z_um - line[0] * (np.arange(z_um.size) - centre) - line[1]) / abs(half)
    for start, stop in ((centre - 7.0 / 6.0 * width, centre), (centre, centre + 7.0 / 6.0 * width)):
        here = share[max(0, math.ceil(start)) : math.floor(stop) + 1]
        if np.count_nonzero(here < 0.5) > _EDGE_SHARE * width:
            return Undefined(f"no flat groove: the step of {abs(2.0 * half):.3g} µm has no steep edges on both sides")
    return abs(2.0 * half)


def _rounded(z_um: _Floats, spacing_um: float, place: tuple[float, float]) -> float | Undefined:
    """Distance of the lowest point of the circle over C from the line through A and B, µm."""
    left, middle, right = _zones(*place, z_um.size)
    steps = np.arange(z_um.size, dtype=np.float64) - place[0]
    along = np.concatenate((steps[left], steps[right]))
    slope, level = np.polyfit(along, np.concatenate((z_um[left], z_um[right])), 1)
    above = z_um[middle] - slope * steps[middle] - level
    try:
        circle = above - subtract_arc(above, spacing_um)
    except TraceError:
        return Undefined("no circle fits the central third of the groove; is its bottom rounded?")
    lowest = int(np.argmax(np.abs(circle)))
    if lowest in (0, circle.size - 1):
        return Undefined("the circle through the central third of the groove has no lowest point in it; is its bottom "
                         "rounded?")
    rest_um = math.sqrt(float(np.mean((above - circle) ** 2)))
    if _LEAST_CONTRAST[GrooveBottom.ROUNDED] * rest_um > abs(float(circle[lowest])):
        return Undefined("the central third of the groove is no arc; clean it, or is it another groove?")
    before, here, after = circle[lowest - 1 : lowest + 2]
    bend = before - 2.0 * here + after
    vertex = here if bend == 0.0 else here - (after - before) ** 2 / (8.0 * bend)
    return abs(float(vertex)) / math.hypot(1.0, slope / spacing_um)
