"""Material probability curve: plateau and valley slopes of a surface made by two processes.

On normal-probability paper (height over the standard deviate s of the material ratio) a surface that two random
processes made, one after the other, shows two straight stretches: the plateau at the left, the valleys at the right.
Their slopes are Rpq and Rvq, Rmq is the ratio where the two lines meet.

ISO 13565-3 finds the two stretches through a conic; it leaves freedom, and this is how it is used here (design:
texture, section 5):

1. The curve is read at equal steps of s from −3 to 3, or as far as the samples reach. Two straight lines that fit it
   best, over every place where they may change, make the start; a tail beyond 2 is left out where that halves the
   median residual, so that burrs and pits do not lead astray.
2. A hyperbola ``z = a + b·(s − s0) − c·√((s − s0)² + w²)``, c > 0, is fitted: a, b, c by least squares for s0 and w on
   grids about the start, coarse and fine, twice. It is the conic with one branch over the whole plot, so no fit
   degenerates. A point's weight is what its quantile scatters: ``(φ(s)/√(p(1 − p))/slope)²``, the slope taken from the
   last fit.
3. A point further from the hyperbola than six times that scatter (scaled by the median absolute residual) is an
   outlier; from the transition outwards the stretches end before the first of them (limits UPL and LVL).
4. In the plot scaled to a square the angle between the asymptotes, on the hyperbola's side, is bisected three times;
   where the lines next to the asymptotes cut the hyperbola, the plateau ends and the valleys begin (LPL and UVL).
5. Straight lines by least squares through the points of either stretch, equally weighted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from crosslay.texture.material_ratio import FLAT, Curve
from crosslay.texture.sums import dot
from crosslay.texture.undefined import Undefined

#: The plot reaches from −3 to 3 standard deviations.
SPAN = 3.0
#: The first fit tries to leave out what lies further out.
START_SPAN = 2.0
#: … where that brings the median residual below this share.
MUCH_CLOSER = 0.5
#: Points at equal steps on it.
PLOT_POINTS = 121
#: Fewer samples than this hold no two stretches.
MIN_POINTS = 100
#: A stretch needs this many plotted points.
MIN_STRETCH_POINTS = 6
#: Valleys less steep than this many times the plateau: one process, not two.
MIN_SLOPE_RATIO = 1.25
#: Residuals beyond this many times the scatter are outliers.
OUTLIER_FACTOR = 6.0
#: Width w of the two straight lines to start with: none to speak of.
CORNER = 1e-3
#: Steps of s0 and factors of w about the last fit, a coarse and a fine grid in each round of weighting.
_FINE = (np.linspace(-0.12, 0.12, 5), np.geomspace(0.7, 1.0 / 0.7, 5))
GRIDS = (
    ((np.linspace(-0.8, 0.8, 9), np.geomspace(0.005, 2.5, 9) / CORNER), _FINE),
    ((np.linspace(-0.3, 0.3, 5), np.geomspace(0.4, 2.5, 5)), _FINE),
)
#: Bisections of the angle between the asymptotes.
BISECTIONS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbabilityParameters:
    """Slopes and transition of the material probability curve.

    Attributes
    ----------
    pq, vq
        Slope of the plateau and of the valleys, µm per standard deviation (Rpq, Rvq).
    mq
        Material ratio where the two lines meet, % (Rmq).
    """

    pq: float | Undefined
    vq: float | Undefined
    mq: float | Undefined


@dataclass(frozen=True, slots=True, eq=False)
class _Plot:
    """The curve on probability paper, shape (K,): deviates s, heights µm, and what a quantile scatters per slope."""

    deviates: NDArray[np.float64]
    heights: NDArray[np.float64]
    spread: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Hyperbola:
    """``a + b·(s − s0) − c·√((s − s0)² + w²)``."""

    centre: float
    width: float
    level: float
    tilt: float
    bend: float

    def heights(self, deviates: NDArray[np.float64]) -> NDArray[np.float64]:
        """Ordinates, µm."""
        u = deviates - self.centre
        ordinates: NDArray[np.float64] = self.level + self.tilt * u - self.bend * np.sqrt(u * u + self.width**2)
        return ordinates

    def steepness(self, deviates: NDArray[np.float64]) -> NDArray[np.float64]:
        """Absolute slopes, µm per standard deviation."""
        u = deviates - self.centre
        steepness: NDArray[np.float64] = np.abs(self.tilt - self.bend * u / np.sqrt(u * u + self.width**2))
        return steepness


def probability_parameters(curve: Curve) -> ProbabilityParameters:
    """Plateau slope, valley slope and the ratio where they meet.

    Parameters
    ----------
    curve
        Material ratio curve.

    Returns
    -------
    ProbabilityParameters
        Undefined on a flat profile, with fewer than 100 samples, and where the curve does not show a plateau over
        clearly steeper valleys.

    References
    ----------
    .. [1] ISO 13565-3:1998; ISO 21920-2:2021, Rpq, Rvq, Rmq. How the stretches are found: see the head of this module.
    """
    if curve.total_height_um == 0.0:
        return _undefined(FLAT)
    if curve.points < MIN_POINTS:
        return _undefined(f"{curve.points} samples; the probability curve needs {MIN_POINTS}")
    plot = _plot(curve)
    floor = 1.0 / math.sqrt(curve.points)
    fitted = _fit_without_outliers(plot, floor)
    if fitted is None:
        return _undefined("the probability curve does not bend from a plateau to steeper valleys")
    hyperbola, first, last = fitted
    plateau_end, valley_start = _stretch_limits(plot, hyperbola)
    deviates = plot.deviates
    plateau = slice(first, int(np.searchsorted(deviates, plateau_end, side="right")))
    valley = slice(int(np.searchsorted(deviates, valley_start)), last)
    if min(plateau.stop - plateau.start, valley.stop - valley.start) < MIN_STRETCH_POINTS:
        return _undefined("the probability curve shows no two straight stretches")
    plateau_slope, plateau_level = _line(plot, plateau)
    valley_slope, valley_level = _line(plot, valley)
    if not valley_slope < 0.0 or valley_slope > MIN_SLOPE_RATIO * plateau_slope:
        return _undefined(f"the valleys are not {MIN_SLOPE_RATIO:g} times as steep as the plateau")
    meeting = (plateau_level - valley_level) / (valley_slope - plateau_slope)
    return ProbabilityParameters(pq=abs(plateau_slope), vq=-valley_slope, mq=100.0 * float(ndtr(meeting)))


def _undefined(reason: str) -> ProbabilityParameters:
    undefined = Undefined(reason)
    return ProbabilityParameters(pq=undefined, vq=undefined, mq=undefined)


def _plot(curve: Curve) -> _Plot:
    """Read the curve at equal steps of the standard deviate, along straight lines on probability paper."""
    count = curve.points
    reach = min(SPAN, -float(ndtri(0.5 / count)))
    deviates = np.linspace(-reach, reach, PLOT_POINTS)
    ratios = ndtr(deviates)
    index = np.clip((ratios * count - 0.5).astype(np.intp), 0, count - 2)
    before, after = ndtri((index + 0.5) / count), ndtri((index + 1.5) / count)
    part = (deviates - before) / (after - before)
    heights = curve.heights_um[index] * (1.0 - part) + curve.heights_um[index + 1] * part
    density = np.exp(-0.5 * deviates * deviates) / math.sqrt(2.0 * math.pi)
    return _Plot(deviates, heights, np.sqrt(ratios * (1.0 - ratios)) / density)


def _fit_without_outliers(plot: _Plot, least_scatter: float) -> tuple[_Hyperbola, int, int] | None:
    """Hyperbola and the first and one past the last point that it holds for; None where the curve bends upwards."""
    least_slope = 0.01 * float(np.ptp(plot.heights)) / float(np.ptp(plot.deviates))
    found = _start(plot, least_scatter)
    first, last = 0, PLOT_POINTS
    for grids in GRIDS:
        if found is None:
            return None
        scatter = plot.spread * np.maximum(found.steepness(plot.deviates), least_slope)
        residuals = np.abs(plot.heights - found.heights(plot.deviates)) / scatter
        limit = OUTLIER_FACTOR * max(1.4826 * _median(residuals[first:last]), least_scatter)
        # The transition itself is no outlier, and a stretch keeps enough points to be seen.
        keep = max(found.width, 0.25)
        left = max(_index(plot, found.centre - keep), MIN_STRETCH_POINTS)
        right = max(min(_index(plot, found.centre + keep), PLOT_POINTS - MIN_STRETCH_POINTS), left + 1)
        outside = np.flatnonzero(residuals[:left] > limit)
        first = int(outside[-1]) + 1 if outside.size else 0
        outside = np.flatnonzero(residuals[right:] > limit)
        last = right + int(outside[0]) if outside.size else PLOT_POINTS
        if last - first < 2 * MIN_STRETCH_POINTS:  # a dropout of the signal can leave hardly any
            return None
        found = _fit(plot, slice(first, last), 1.0 / scatter, found, grids)
    return (found, first, last) if found is not None else None


def _index(plot: _Plot, deviate: float) -> int:
    """First plotted point at or beyond a deviate, 0 to PLOT_POINTS."""
    return int(np.searchsorted(plot.deviates, deviate))


def _median(values: NDArray[np.float64]) -> float:
    """Middle value (the upper of two); numpy.median takes ten times as long to find its way."""
    middle = values.shape[0] // 2
    return float(np.partition(values, middle)[middle])


def _start(plot: _Plot, least_scatter: float) -> _Hyperbola | None:
    """Two straight lines to start with: the whole plot's, unless without a tail most of the plot lies much closer."""
    quarter = PLOT_POINTS // 4
    middle = plot.heights[quarter] - plot.heights[-1 - quarter]
    middle_slope = float(middle) / float(plot.deviates[-1 - quarter] - plot.deviates[quarter])
    sums = _running_sums(plot)
    best, best_residual = None, math.inf
    for first in (0, _index(plot, -START_SPAN)):
        for last in (PLOT_POINTS, _index(plot, START_SPAN)):
            found = _broken_line(plot, sums, first, last)
            if found is not None:
                # No lines can be told to be closer than the samples themselves scatter.
                residual = _median(np.abs(plot.heights - found.heights(plot.deviates)) / plot.spread)
                residual = max(residual, least_scatter * middle_slope)
                if residual < MUCH_CLOSER * best_residual:
                    best, best_residual = found, residual
    return best


def _running_sums(plot: _Plot) -> NDArray[np.float64]:
    """Sums over the points before each place of weight times 1, s, s², z, s·z, z²; shape (6, K + 1)."""
    s, z = plot.deviates, plot.heights - plot.heights[PLOT_POINTS // 2]
    sums = np.zeros((6, PLOT_POINTS + 1))
    np.cumsum(np.stack((np.ones_like(s), s, s * s, z, s * z, z * z)) / plot.spread**2, axis=1, out=sums[:, 1:])
    return sums


def _broken_line(plot: _Plot, sums: NDArray[np.float64], first: int, last: int) -> _Hyperbola | None:
    """Two lines that fit the points from `first` to before `last` best, of those with the steeper one at the right."""
    places = np.arange(first + MIN_STRETCH_POINTS, last - MIN_STRETCH_POINTS)
    left, right = sums[:, places] - sums[:, first, None], sums[:, last, None] - sums[:, places]
    (left_slope, left_level, left_rest), (right_slope, right_level, right_rest) = _lines(left), _lines(right)
    rest = np.where(right_slope < left_slope, left_rest + right_rest, math.inf)
    best = int(np.argmin(rest))
    if not rest[best] < math.inf:
        return None
    slopes = float(left_slope[best]), float(right_slope[best])
    meeting = float(left_level[best] - right_level[best]) / (slopes[1] - slopes[0])
    centre = min(max(meeting, float(plot.deviates[first])), float(plot.deviates[last - 1]))
    level = float(plot.heights[PLOT_POINTS // 2] + left_level[best]) + slopes[0] * centre
    return _Hyperbola(centre, CORNER, level, 0.5 * (slopes[0] + slopes[1]), 0.5 * (slopes[0] - slopes[1]))


def _lines(
    sums: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Slopes, heights at s = 0 and weighted squared residuals of the lines with these sums, shape (6, J)."""
    weight, s, ss, z, sz, zz = sums
    s_mean, z_mean = s / weight, z / weight
    slopes = (sz - s_mean * z) / (ss - s_mean * s)
    return slopes, z_mean - slopes * s_mean, zz - z_mean * z - slopes * (sz - s_mean * z)


def _fit(
    plot: _Plot,
    part: slice,
    roots: NDArray[np.float64],
    start: _Hyperbola,
    grids: tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...],
) -> _Hyperbola | None:
    """Weighted least squares over s0 and w on grids about the best so far; None where no bend is downwards.

    `roots` are the square roots of the weights; `grids` hold steps of s0 and factors of w.
    """
    s, root = plot.deviates[part], roots[part]
    base = _line_basis(s, root)
    target = plot.heights[part] * root
    target -= np.einsum("ij,i->j", base, np.einsum("ij,j->i", base, target))
    centre, width = start.centre, start.width
    for steps, factors in grids:
        found = _best_on_grid(s, root, base, target, centre + steps, factors * width)
        if found is None:
            return None
        centre, width = found
    return _hyperbola(plot, part, root, centre, width)


def _hyperbola(plot: _Plot, part: slice, root: NDArray[np.float64], centre: float, width: float) -> _Hyperbola | None:
    """Hyperbola of a centre and width: level, tilt and bend by weighted least squares, in turn."""
    u = plot.deviates[part] - centre
    heights = plot.heights[part]
    curve = -np.sqrt(u * u + width * width)
    base = _line_basis(u, root)
    rest = curve * root
    rest -= np.einsum("ij,i->j", base, np.einsum("ij,j->i", base, rest))
    bend = dot(rest, heights * root) / dot(rest, rest)
    weights = root * root
    total = float(weights.sum())
    line = heights - bend * curve
    middle, mean = dot(weights, u) / total, dot(weights, line) / total
    offsets = (u - middle) * weights
    tilt = dot(offsets, line - mean) / dot(offsets, u - middle)
    return _Hyperbola(centre, width, mean - tilt * middle, tilt, bend) if bend > 0.0 else None


def _line_basis(deviates: NDArray[np.float64], root: NDArray[np.float64]) -> NDArray[np.float64]:
    """Orthonormal rows that span a weighted straight line, shape (2, K)."""
    level = root / math.sqrt(dot(root, root))
    tilt = deviates * root
    tilt -= level * dot(level, tilt)
    return np.stack((level, tilt / math.sqrt(dot(tilt, tilt))))


def _best_on_grid(
    deviates: NDArray[np.float64],
    root: NDArray[np.float64],
    base: NDArray[np.float64],
    target: NDArray[np.float64],
    centres: NDArray[np.float64],
    widths: NDArray[np.float64],
) -> tuple[float, float] | None:
    """Centre and width that explain most of what a straight line leaves; None where that bends upwards."""
    offsets = deviates - centres[:, None]
    offsets *= offsets
    bends = offsets[:, None, :] + (widths * widths)[:, None]
    bends = np.sqrt(bends, out=bends).reshape(-1, deviates.shape[0])
    bends *= -root
    # einsum, not a product of matrices: one thread, the same bits everywhere (module `sums`).
    along = np.einsum("gj,ij->gi", bends, base)
    match = np.einsum("gj,j->g", bends, target)
    # What is left of the bend beside the line is orthogonal to it, and so is the target.
    left = np.einsum("gj,gj->g", bends, bends) - np.einsum("gi,gi->g", along, along)
    gain = np.where((match > 0.0) & (left > 0.0), match * match / np.maximum(left, 1e-300), -1.0)
    best = int(np.argmax(gain))
    if gain[best] < 0.0:
        return None
    centre, width = divmod(best, widths.shape[0])
    return float(centres[centre]), float(widths[width])


def _stretch_limits(plot: _Plot, hyperbola: _Hyperbola) -> tuple[float, float]:
    """Deviates where the plateau ends and the valleys begin (LPL and UVL)."""
    scale = float(np.ptp(plot.deviates)) / float(np.ptp(plot.heights))
    tilt, bend = hyperbola.tilt * scale, hyperbola.bend * scale
    # Directions of the asymptotes from where they cross; the hyperbola lies below, between them.
    left = math.pi + math.atan(tilt + bend)
    right = 2.0 * math.pi + math.atan(tilt - bend)
    share = (right - left) / 2.0**BISECTIONS
    reach = []
    for slope in (math.tan(left + share), math.tan(right - share)):
        steeper = (slope - tilt) ** 2 - bend * bend
        reach.append(bend * hyperbola.width / math.sqrt(steeper) if steeper > 0.0 else math.inf)
    return hyperbola.centre - reach[0], hyperbola.centre + reach[1]


def _line(plot: _Plot, part: slice) -> tuple[float, float]:
    """Slope and height at s = 0 of the least-squares line."""
    s, heights = plot.deviates[part], plot.heights[part]
    middle, mean = float(s.mean()), float(heights.mean())
    offsets = s - middle
    slope = dot(offsets, heights - mean) / dot(offsets, offsets)
    return slope, mean - slope * middle
