"""Form removal: least squares in z over the whole trace, subtracted."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError, TraceError
from crosslay.texture.sums import dot

MAX_DEGREE = 12
_ARC_ROUNDS = 60
_ARC_HALVINGS = 40


class FormKind(enum.Enum):
    """Nominal form that is fitted and subtracted."""

    NONE = "none"
    LINE = "line"
    POLYNOMIAL = "polynomial"
    ARC = "arc"


@dataclass(frozen=True, slots=True)
class Form:
    """A parsed form.

    Attributes
    ----------
    kind
        What is fitted.
    degree
        Degree of a polynomial; 1 for a line, 0 otherwise.
    """

    kind: FormKind
    degree: int = 0


def parse_form(text: str) -> Form:
    """Read ``none``, ``line``, ``polynomial:K`` or ``arc``.

    Raises
    ------
    SettingsError
        The text is none of these, or K is not a whole number from 0 to 12.
    """
    if text == "line":
        return Form(FormKind.LINE, 1)
    if text in ("none", "arc"):
        return Form(FormKind(text))
    name, colon, degree = text.partition(":")
    if name == "polynomial" and colon and degree.isascii() and degree.isdigit() and int(degree) <= MAX_DEGREE:
        return Form(FormKind.POLYNOMIAL, int(degree))
    raise SettingsError(f'form "{text}" is not known; use none, line, polynomial:K (K from 0 to {MAX_DEGREE}) or arc')


def remove_form(z_um: NDArray[np.float64], spacing_um: float, form: Form) -> NDArray[np.float64]:
    """Subtract the least-squares form from a trace.

    Parameters
    ----------
    z_um : (N,) float64
        Heights, µm.
    spacing_um : float
        Sampling spacing, µm.
    form : Form
        What to fit.

    Returns
    -------
    (N,) float64
        Residual heights, µm; `z_um` itself for ``none``.

    Raises
    ------
    TraceError
        Too few points for the form, or no arc fits.
    """
    if form.kind is FormKind.NONE:
        return z_um
    needed = 3 if form.kind is FormKind.ARC else form.degree + 1
    if z_um.size < needed:
        raise TraceError(f"{z_um.size} points cannot carry the form {form.kind.value}; it needs at least {needed}")
    if form.kind is FormKind.LINE:
        return subtract_line(z_um)
    if form.kind is FormKind.POLYNOMIAL:
        return subtract_polynomial(z_um, form.degree)
    return subtract_arc(z_um, spacing_um)


def subtract_line(z_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """Residuals of the least-squares line, shape (N,), µm; a single point becomes 0."""
    points = z_um.size
    centred: NDArray[np.float64] = z_um - z_um.mean()
    if points < 2:
        return centred
    steps = np.arange(points, dtype=np.float64)
    steps -= 0.5 * (points - 1)
    slope = dot(steps, centred) * 12.0 / (points * (points * points - 1.0))
    steps *= slope
    centred -= steps
    return centred


def subtract_polynomial(z_um: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    """Residuals of the least-squares polynomial, shape (N,), µm.

    The basis is orthonormal on the sample places themselves and is made by the three-term recurrence, so that degree
    12 does not lose digits; a second pass over the residual removes what rounding left.

    References
    ----------
    Discrete orthogonal polynomials by the Stieltjes procedure, see W. Gautschi, *Orthogonal Polynomials*, section 2.2.
    """
    t = np.linspace(-1.0, 1.0, z_um.size) if z_um.size > 1 else np.zeros(1)
    residual: NDArray[np.float64] = z_um - z_um.mean()
    basis = [np.full(z_um.size, 1.0 / math.sqrt(z_um.size))]
    for _ in range(degree):
        following = t * basis[-1]
        for known in basis:
            following -= dot(known, following) * known
        for known in basis:  # once more: at few points the first pass leaves a trace of the lower degrees
            following -= dot(known, following) * known
        following /= math.sqrt(dot(following, following))
        basis.append(following)
    for _ in range(2):
        for known in basis:
            residual -= dot(known, residual) * known
    return residual


def subtract_arc(z_um: NDArray[np.float64], spacing_um: float) -> NDArray[np.float64]:
    """Residuals of the least-squares circle (vertical residuals), shape (N,), µm.

    The circle is written as height `a`, sine `s` of the slope and curvature `k` at the middle of the trace,
    ``z = a + (k u² + 2 s u)/(√(1 − s²) + √(1 − (k u + s)²))``, which stays regular as the radius grows without bound,
    so that a straight trace is an arc of curvature 0.

    Raises
    ------
    TraceError
        No arc over the whole length fits (the heights ask for a circle narrower than the trace is long).

    References
    ----------
    Start: V. Pratt, "Direct least-squares fitting of algebraic surfaces", SIGGRAPH 1987. Then Gauss-Newton.
    """
    points = z_um.size
    half = 0.5 * (points - 1) * spacing_um
    level = float(z_um.mean())
    u = (np.arange(points, dtype=np.float64) - 0.5 * (points - 1)) / (0.5 * (points - 1))  # −1 … 1
    z = (z_um - level) / half
    arc = _pratt_start(u, z)
    residual = _arc_residual(arc, u, z)
    if residual is None:
        arc = np.zeros(3)
        residual = z.copy()
    largest = math.inf
    for _ in range(_ARC_ROUNDS):
        jacobian = _arc_jacobian(arc, u)
        # The three columns are far from parallel over −1 … 1, so the normal equations keep their digits.
        sides = np.array([dot(row, residual) for row in jacobian])
        step: NDArray[np.float64] = np.linalg.solve(_products(jacobian), sides)
        largest = float(np.abs(step).max())
        arc, residual, moved = _damped(arc, step, (u, z, residual))
        # Near the minimum a step of 1e-11 leaves an error far below rounding: Gauss-Newton contracts by the ratio of
        # residual to radius.
        if not moved or largest < 1e-11:
            break
    if largest > 1e-7:
        raise TraceError("no arc over the whole length fits this trace; use the form polynomial:K instead")
    result: NDArray[np.float64] = residual * half
    return result


def _arc_residual(
    arc: NDArray[np.float64], u: NDArray[np.float64], z: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Vertical residuals, or None where the circle does not reach over all of `u`."""
    height, sine, curvature = arc
    local = curvature * u + sine
    if abs(sine) >= 1.0 or abs(local[0]) >= 1.0 or abs(local[-1]) >= 1.0:
        return None
    cosines = math.sqrt(1.0 - sine * sine) + np.sqrt(1.0 - local * local)
    result: NDArray[np.float64] = z - height - u * (curvature * u + 2.0 * sine) / cosines
    return result


def _arc_jacobian(arc: NDArray[np.float64], u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivatives of the arc's heights by (a, s, k), shape (3, N)."""
    _, sine, curvature = arc
    local = curvature * u + sine
    cosine = math.sqrt(1.0 - sine * sine)
    cosines = np.sqrt(1.0 - local * local)
    total = cosine + cosines
    shape = u * (curvature * u + 2.0 * sine) / (total * total)
    by_sine = 2.0 * u / total + shape * (sine / cosine + local / cosines)
    by_curvature = u * u / total + shape * (u * local / cosines)
    return np.stack((np.ones_like(u), by_sine, by_curvature))


def _products(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scalar products of every two rows, shape (k, k)."""
    return np.array([[dot(left, right) for right in rows] for left in rows])


def _damped(
    arc: NDArray[np.float64],
    step: NDArray[np.float64],
    state: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Go along `step`, halved until the residual does not grow. Returns arc, residual, and whether it moved."""
    u, z, residual = state
    cost = dot(residual, residual)
    share = 1.0
    for _ in range(_ARC_HALVINGS):
        trial = arc + share * step
        fitted = _arc_residual(trial, u, z)
        if fitted is not None and dot(fitted, fitted) <= cost * (1.0 + 1e-14):
            return trial, fitted, True
        share *= 0.5
    return arc, residual, False


def _pratt_start(u: NDArray[np.float64], z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Algebraic circle ``A(u² + z²) + B u + C z + D = 0`` with ``B² + C² − 4 A D = 1``, as (a, s, k)."""
    rows = np.stack((u * u + z * z, u, z, np.ones_like(u)))
    moments = _products(rows) / u.size
    # Generalised eigenproblem moments·v = η·constraint·v; its inverse constraint is known, so no extra import.
    inverse = np.array([[0, 0, 0, -0.5], [0, 1, 0, 0], [0, 0, 1, 0], [-0.5, 0, 0, 0]])
    values, vectors = np.linalg.eig(inverse @ moments)
    values, vectors = values.real, vectors.real
    usable = np.flatnonzero(values > -1e-12)
    if usable.size == 0:
        return np.zeros(3)
    big, along, up, constant = vectors[:, usable[np.argmin(values[usable])]]
    norm2 = along * along + up * up - 4.0 * big * constant
    if norm2 <= 0 or up == 0:
        return np.zeros(3)
    norm = math.copysign(math.sqrt(norm2), up)
    curvature = -2.0 * big / norm
    sine = -along / norm
    if abs(sine) >= 1.0:
        return np.zeros(3)
    # Height at u = 0 on the branch that runs along the trace: big·a² + up·a + constant = 0.
    under = up * up - 4.0 * big * constant
    height = -2.0 * constant / (up + math.copysign(math.sqrt(max(under, 0.0)), up))
    return np.array([height, sine, curvature])
