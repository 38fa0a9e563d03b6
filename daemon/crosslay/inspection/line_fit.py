"""A straight line through points whose two coordinates both carry errors.

`deming` where only the ratio of the two variances is known, `york` where every point has its own uncertainties. With
the same uncertainties at all points both give one line.

References
----------
D. York, N. M. Evensen, M. López Martínez, J. De Basabe Delgado, "Unified equations for the slope, intercept, and
standard errors of the best straight line", Am. J. Phys. 72 (2004) 367-375, equations (13) to (21), from memory.
W. E. Deming, *Statistical Adjustment of Data* (1943); W. A. Fuller, *Measurement Error Models* (1987), 1.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.undefined import Undefined

_Floats = NDArray[np.float64]

_ROUNDS = 500
_CLOSE = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedLine:
    """A line ``y = intercept + slope·x``.

    Attributes
    ----------
    u_slope, u_intercept, covariance
        Standard errors and their covariance as the stated uncertainties give them, not scaled by the scatter.
    chi_square
        Weighted sum of squared residuals, expected to be n − 2.
    residuals
        Residual of each point over what the line leaves to be expected there, shape (n,).
    leverages
        Share that each point has in its own fitted value, shape (n,).
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    covariance: float
    chi_square: float
    residuals: _Floats
    leverages: _Floats


def deming(x: _Floats, y: _Floats, variance_ratio: float) -> float | Undefined:
    """Slope where the errors of y have `variance_ratio` times the variance of those of x.

    Parameters
    ----------
    x, y : (n,) float64
        Points.
    variance_ratio : float
        Above 0.

    Returns
    -------
    float or Undefined
        Undefined where x and y do not vary together.
    """
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxx == 0.0 or abs(sxy) <= 1e-14 * math.sqrt(sxx * syy):
        return Undefined("the values of one side do not change with those of the other")
    difference = syy - variance_ratio * sxx
    root = math.hypot(difference, 2.0 * math.sqrt(variance_ratio) * sxy)
    if difference >= 0.0:
        return (difference + root) / (2.0 * sxy)
    return 2.0 * variance_ratio * sxy / (root - difference)  # the same, without cancellation


def york(x: _Floats, y: _Floats, u_x: _Floats, u_y: _Floats) -> FittedLine | Undefined:
    """Line through points with their own uncorrelated uncertainties.

    Parameters
    ----------
    x, y : (n,) float64
        Points, n above 2.
    u_x, u_y : (n,) float64
        Standard uncertainties, above 0.

    Returns
    -------
    FittedLine or Undefined
        Undefined where the iteration finds no line.
    """
    start = deming(x, y, float(np.mean(u_y**2) / np.mean(u_x**2)))
    if isinstance(start, Undefined):
        return start
    slope = start
    for _ in range(_ROUNDS):
        weights, middle_x, middle_y, beta = _adjusted(slope, (x, y), (u_x, u_y))
        below = float(np.sum(weights * beta * (x - middle_x)))
        if below == 0.0:
            return Undefined("the values of one side do not change with those of the other")
        previous, slope = slope, float(np.sum(weights * beta * (y - middle_y))) / below
        if abs(slope - previous) <= _CLOSE * abs(slope):
            return _described(slope, (x, y), (u_x, u_y))
    if abs(slope - previous) <= 1e-9 * abs(slope):
        return _described(slope, (x, y), (u_x, u_y))
    return Undefined(f"no line was found within {_ROUNDS} rounds")


def _adjusted(
    slope: float, points: tuple[_Floats, _Floats], uncertainties: tuple[_Floats, _Floats]
) -> tuple[_Floats, float, float, _Floats]:
    """Weights, their means, and the adjusted x less its mean."""
    (x, y), (u_x, u_y) = points, uncertainties
    weights: _Floats = 1.0 / (u_y**2 + slope * slope * u_x**2)
    middle_x, middle_y = (float(np.sum(weights * side) / np.sum(weights)) for side in (x, y))
    beta: _Floats = weights * ((x - middle_x) * u_y**2 + slope * (y - middle_y) * u_x**2)
    return weights, middle_x, middle_y, beta


def _described(
    slope: float, points: tuple[_Floats, _Floats], uncertainties: tuple[_Floats, _Floats]
) -> FittedLine:
    (x, y) = points
    weights, middle_x, middle_y, beta = _adjusted(slope, points, uncertainties)
    intercept = middle_y - slope * middle_x
    adjusted = middle_x + beta
    total = float(np.sum(weights))
    centre = float(np.sum(weights * adjusted)) / total
    lever = weights * (adjusted - centre) ** 2
    variance = 1.0 / float(np.sum(lever))
    residuals = np.sqrt(weights) * (y - intercept - slope * x)
    return FittedLine(
        slope=slope,
        intercept=intercept,
        u_slope=math.sqrt(variance),
        u_intercept=math.sqrt(1.0 / total + centre * centre * variance),
        covariance=-centre * variance,
        chi_square=float(residuals @ residuals),
        residuals=residuals,
        leverages=weights / total + lever * variance,
    )
