"""Material ratio curve and what is read from it: ratios, height differences, the core family and the volumes.

One sort serves them all: `material_curve` makes a `Curve`, every other function reads it. The functions know
nothing of R, P or W; a result named ``k`` is Rk, Pk or Wk after the profile that the curve was made from.

All areas are exact integrals of the piecewise-linear curve (page *texture*, section 5), never sums over a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.sums import dot
from crosslay.texture.undefined import Undefined

#: Share of the points in the window that finds the core (ISO 13565-2:1996, clause 4).
CORE_SHARE = 0.4
#: Secant heights that differ by less than this share of the total height count as equal (design: texture).
TIE_SHARE = 1e-9
#: A line needs two points, so the 40 % window needs four samples.
MIN_CORE_POINTS = 4
#: A profile with fewer turns than one in so many samples is sorted by merging its rising and falling runs.
SAMPLES_PER_TURN = 100
#: Numpy counts 16-bit numbers instead of comparing them.
BUCKETS = 65_536
#: Profiles higher than this many times their root mean square are not spread over buckets, nor are any below 1e-200 µm.
MAX_CREST = 64.0
MIN_BUCKETED_UM = 1e-200

FLAT = "the profile is flat"


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Material ratio curve of one profile.

    Attributes
    ----------
    heights_um
        Heights sorted downwards, shape (M,), µm. Point i stands at the ratio ``100·(i + 0.5)/M`` %; the curve is
        linear between points and constant outside them (design: texture).
    """

    heights_um: NDArray[np.float64]

    @property
    def points(self) -> int:
        """Number of points M."""
        return int(self.heights_um.shape[0])

    @property
    def total_height_um(self) -> float:
        """Highest minus lowest point, µm."""
        return float(self.heights_um[0] - self.heights_um[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreParameters:
    """The core family of one curve.

    Attributes
    ----------
    k, pk, vk
        Core height, reduced peak height, reduced valley depth, µm (Rk, Rpk, Rvk).
    mrk1, mrk2
        Material ratios that bound the core, % (Rmrk1, Rmrk2; ISO 4287: Mr1, Mr2).
    ak1, ak2
        Areas of peaks and valleys, µm·% (Rak1, Rak2).
    """

    k: float | Undefined
    pk: float | Undefined
    vk: float | Undefined
    mrk1: float | Undefined
    mrk2: float | Undefined
    ak1: float | Undefined
    ak2: float | Undefined


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeParameters:
    """Material and void volumes of one curve, µm, which is the same as ml/m².

    Attributes
    ----------
    vmp, vmc
        Material volume of peaks and core (Rvmp, Rvmc).
    vvc, vvv
        Void volume of core and valleys (Rvvc, Rvvv).
    """

    vmp: float
    vmc: float
    vvc: float
    vvv: float


def material_curve(heights_um: NDArray[np.float64]) -> Curve:
    """Sort a profile into its material ratio curve.

    Parameters
    ----------
    heights_um
        Profile in the evaluation length, shape (M,), µm, M ≥ 1, all finite.

    Returns
    -------
    Curve

    References
    ----------
    .. [1] ISO 21920-2:2021, material ratio curve; ISO 4287:1997, 4.5.2. Ratios of the points: design: texture,
       section 5.
    """
    if heights_um.ndim != 1 or heights_um.shape[0] == 0:
        raise SettingsError(f"a material ratio curve needs a line of heights, not an array of shape {heights_um.shape}")
    return Curve(_rising(heights_um)[::-1])


def height_at_ratio(curve: Curve, ratio_percent: float) -> float:
    """Height C(p) at which the material ratio is p: Rmc(p).

    Parameters
    ----------
    curve
        Material ratio curve.
    ratio_percent
        p, 0 to 100 %.

    Returns
    -------
    float
        µm above the mean line.

    Raises
    ------
    SettingsError
        `ratio_percent` lies outside 0 to 100.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rmc(p); ISO 4287:1997, 4.5.3.
    """
    return _height_at(curve.heights_um, _position(curve, ratio_percent))


def height_difference(curve: Curve, upper_ratio_percent: float, lower_ratio_percent: float) -> float:
    """Height between two material ratios, Rdc(p, q) = C(p) − C(q), µm.

    Raises
    ------
    SettingsError
        A ratio lies outside 0 to 100 %.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rdc(p,q); ISO 4287:1997, 4.5.3 (there Rδc).
    """
    return height_at_ratio(curve, upper_ratio_percent) - height_at_ratio(curve, lower_ratio_percent)


def material_ratio(curve: Curve, height_um: float) -> float | Undefined:
    """Material ratio at a height above the mean line, Rmr(c), %.

    What reaches exactly up to c counts as material: on a level stretch of the curve the answer is its far end. Above
    the highest point it is 0, at and below the lowest 100.

    Parameters
    ----------
    curve
        Material ratio curve.
    height_um
        c, µm above the mean line.

    Returns
    -------
    float or Undefined
        %. Undefined on a flat profile.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rmr(c); ISO 4287:1997, 4.5.1.
    """
    if curve.total_height_um == 0.0:
        return Undefined(FLAT)
    return 100.0 * _last_at_or_above(curve.heights_um, height_um) / curve.points


def material_ratio_below(curve: Curve, reference_percent: float, depth_um: float) -> float | Undefined:
    """Material ratio at a depth below the height of a reference ratio, Rmr(p, dc), %.

    Parameters
    ----------
    curve
        Material ratio curve.
    reference_percent
        p (ISO 4287: the reference ratio C0), 0 to 100 %.
    depth_um
        dc, µm, counted downwards from C(p).

    Returns
    -------
    float or Undefined
        %. Undefined on a flat profile.

    Raises
    ------
    SettingsError
        `reference_percent` lies outside 0 to 100.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rmr(p,dc); ISO 4287:1997, 4.5.4.
    """
    return material_ratio(curve, height_at_ratio(curve, reference_percent) - depth_um)


def core_parameters(curve: Curve) -> CoreParameters:
    """Core height, reduced peaks and valleys and the ratios between them.

    The window of 40 % of the points with the smallest secant height (the first of equal ones) gives the equivalent
    line by least squares; its heights at 0 % and 100 % bound the core. Where the window is level, so is the line, and
    the core reaches as far as the curve stays level.

    Parameters
    ----------
    curve
        Material ratio curve.

    Returns
    -------
    CoreParameters
        On a flat profile the heights and areas are 0 and the ratios undefined; with fewer than four samples all are
        undefined.

    References
    ----------
    .. [1] ISO 13565-2:1996, clause 4 and annex A; ISO 21920-2:2021, Rk family. Count of points and ties: design:
       texture, section 5.
    """
    heights = curve.heights_um
    points = curve.points
    if points < MIN_CORE_POINTS:
        return _no_core(Undefined(f"{points} samples; the 40 % line needs {MIN_CORE_POINTS}"))
    total = curve.total_height_um
    if total == 0.0:
        flat = Undefined(FLAT)
        return CoreParameters(k=0.0, pk=0.0, vk=0.0, mrk1=flat, mrk2=flat, ak1=0.0, ak2=0.0)

    upper, lower = _core_bounds(heights, total)
    # A level core: rounding must not decide whether its own points lie above or below it.
    slack = TIE_SHARE * total if upper == lower else 0.0
    left = _first_at_or_below(heights, upper + slack)
    right = _last_at_or_above(heights, lower - slack)
    peak_area = max(_area(heights, left) - left * upper, 0.0)
    valley_area = max((points - right) * lower - (float(heights.sum()) - _area(heights, right)), 0.0)
    return CoreParameters(
        k=upper - lower,
        pk=2.0 * peak_area / left if left > 0.0 else 0.0,
        vk=2.0 * valley_area / (points - right) if right < points else 0.0,
        mrk1=100.0 * left / points,
        mrk2=100.0 * right / points,
        ak1=100.0 * peak_area / points,
        ak2=100.0 * valley_area / points,
    )


def volume_parameters(
    curve: Curve, peak_ratio_percent: float = 10.0, valley_ratio_percent: float = 80.0
) -> VolumeParameters:
    """Material volumes of peaks and core, void volumes of core and valleys.

    Parameters
    ----------
    curve
        Material ratio curve.
    peak_ratio_percent, valley_ratio_percent
        p and q, ``0 ≤ p ≤ q ≤ 100`` %.

    Returns
    -------
    VolumeParameters
        All 0 on a flat profile.

    Raises
    ------
    SettingsError
        The ratios are out of range or out of order.

    References
    ----------
    .. [1] ISO 21920-2:2021, Rvmp, Rvmc, Rvvc, Rvvv; formulae: design: texture, section 5 (areal twins: ISO
       25178-2:2012).
    """
    if peak_ratio_percent > valley_ratio_percent:
        raise SettingsError(
            f"volumes: p = {peak_ratio_percent:g} % lies above q = {valley_ratio_percent:g} %; p must not exceed q"
        )
    material_p, void_p = _volumes_at(curve, peak_ratio_percent)
    material_q, void_q = _volumes_at(curve, valley_ratio_percent)
    return VolumeParameters(vmp=material_p, vmc=material_q - material_p, vvc=void_p - void_q, vvv=void_q)


def _rising(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights from lowest to highest: what numpy.sort gives, in a third of the time."""
    rising = heights[1:] > heights[:-1]
    turns = int(np.count_nonzero(rising[1:] != rising[:-1]))
    if turns * SAMPLES_PER_TURN < heights.shape[0]:
        # Waviness turns a few times only; merging its runs costs a tenth of sorting afresh.
        return np.sort(heights, kind="stable")
    low = float(heights.min())
    total = float(heights.max()) - low
    if not MIN_BUCKETED_UM < total < MAX_CREST * math.sqrt(dot(heights, heights) / heights.shape[0]):
        # One burr would leave everything else in a few buckets.
        return np.sort(heights)
    # Counting into 65,536 buckets is linear; merging what is all but sorted costs little more.
    buckets = ((heights - low) * ((BUCKETS - 1) / total)).astype(np.uint16)
    nearly: NDArray[np.float64] = heights[np.argsort(buckets, kind="stable")]
    nearly.sort(kind="stable")
    return nearly


# Below, positions along the curve are in samples: point i stands at i + 0.5 and the curve runs from 0 to M.


def _position(curve: Curve, ratio_percent: float) -> float:
    """Position of a ratio along the curve, samples."""
    if not 0.0 <= ratio_percent <= 100.0:
        raise SettingsError(f"a material ratio lies between 0 and 100 %, not at {ratio_percent:g} %")
    return ratio_percent * curve.points / 100.0


def _height_at(heights: NDArray[np.float64], position: float) -> float:
    """Height of the curve at a position, µm."""
    last = int(heights.shape[0]) - 1
    place = min(max(position - 0.5, 0.0), float(last))
    index = min(int(place), last - 1) if last > 0 else 0
    before = float(heights[index])
    if last == 0:
        return before
    return before + (place - index) * (float(heights[index + 1]) - before)


def _area(heights: NDArray[np.float64], position: float) -> float:
    """Integral of the curve from 0 to `position`, µm·samples."""
    last = int(heights.shape[0]) - 1
    if position <= 0.5:
        return position * float(heights[0])
    if position >= last + 0.5:
        return float(heights.sum()) - (last + 1 - position) * float(heights[-1])
    index = int(position - 0.5)
    part = position - 0.5 - index
    here, following = float(heights[index]), float(heights[index + 1])
    # Up to point `index` the trapezia add up to all heights before it and half its own.
    return float(heights[:index].sum()) + here * (0.5 + part) + 0.5 * part * part * (following - here)


def _last_at_or_above(heights: NDArray[np.float64], level: float) -> float:
    """Largest position at which the curve is not below `level`; 0 if there is none."""
    count = int(heights.shape[0])
    above = count - int(np.searchsorted(heights[::-1], level, side="left"))
    if above in (0, count):
        return float(above)
    here, following = float(heights[above - 1]), float(heights[above])
    return above - 0.5 + (here - level) / (here - following)


def _first_at_or_below(heights: NDArray[np.float64], level: float) -> float:
    """Smallest position at which the curve is not above `level`; M if there is none."""
    count = int(heights.shape[0])
    above = count - int(np.searchsorted(heights[::-1], level, side="right"))
    if above in (0, count):
        return float(above)
    here, following = float(heights[above - 1]), float(heights[above])
    return above - 0.5 + (here - level) / (here - following)


def _core_bounds(heights: NDArray[np.float64], total: float) -> tuple[float, float]:
    """Heights of the equivalent line at 0 % and at 100 %, µm."""
    count = int(heights.shape[0])
    width = math.floor(CORE_SHARE * count + 0.5)
    secants = heights[: count - width + 1] - heights[width - 1 :]
    tie = TIE_SHARE * total
    start = int(np.argmax(secants <= float(secants.min()) + tie))
    window = heights[start : start + width]
    if float(secants[start]) <= tie:
        return float(window[0]), float(window[0])
    mean = float(window.sum()) / width
    steps = np.arange(width, dtype=np.float64)
    steps -= 0.5 * (width - 1)
    slope = dot(steps, window - mean) * 12.0 / (width * (width * width - 1.0))
    middle = start + 0.5 * width
    return mean - slope * middle, mean + slope * (count - middle)


def _volumes_at(curve: Curve, ratio_percent: float) -> tuple[float, float]:
    """Material volume above and void volume below the height at a ratio, µm."""
    heights = curve.heights_um
    count = curve.points
    position = _position(curve, ratio_percent)
    level = _height_at(heights, position)
    before = _area(heights, position)
    material = before - level * position
    void = level * (count - position) - (float(heights.sum()) - before)
    return max(material, 0.0) / count, max(void, 0.0) / count


def _no_core(reason: Undefined) -> CoreParameters:
    return CoreParameters(k=reason, pk=reason, vk=reason, mrk1=reason, mrk2=reason, ak1=reason, ak2=reason)
