"""Slow, direct second implementation of form, window, heights and profile elements, for comparison only.

Written from the definitions alone (design: texture, sections 1, 3 and 4), with plain loops over plain Python numbers
and 40-digit arithmetic where digits are at stake; it imports nothing of the program under test.

Profiles are lists of heights in µm; ``dx`` is in µm. ``None`` means undefined.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import mpmath

Profile = list[float]


# --- from raw trace to an even grid (section 1, step 1) --------------------------------------------------------


def onto_grid(x_mm: Profile, z: Profile, resolution_mm: float) -> tuple[Profile, float, bool]:
    """Heights on the grid, spacing in µm, and whether they were interpolated."""
    count = len(x_mm)
    dx_mm = (x_mm[-1] - x_mm[0]) / (count - 1)
    places = [x_mm[0] + i * dx_mm for i in range(count)]
    allowed = max(0.02 * dx_mm, resolution_mm)
    if all(abs(x - place) <= allowed * (1 + 1e-9) for x, place in zip(x_mm, places, strict=True)):
        return list(z), dx_mm * 1000, False
    heights = []
    for place in places:
        if place <= x_mm[0]:
            heights.append(z[0])
            continue
        k = next((k for k in range(1, count) if x_mm[k] >= place), count - 1)
        share = (place - x_mm[k - 1]) / (x_mm[k] - x_mm[k - 1])
        heights.append(z[k - 1] + min(share, 1.0) * (z[k] - z[k - 1]))
    return heights, dx_mm * 1000, True


# --- form (section 1, step 3) ----------------------------------------------------------------------------------


def without_polynomial(z: Profile, degree: int) -> Profile:
    """Least squares by the normal equations of plain powers, at 60 digits."""
    with mpmath.workdps(60):
        count = len(z)
        t = [mpmath.mpf(2 * i) / (count - 1) - 1 for i in range(count)]
        sums = [mpmath.fsum(ti**k for ti in t) for k in range(2 * degree + 1)]
        matrix = mpmath.matrix(degree + 1, degree + 1)
        side = mpmath.matrix(degree + 1, 1)
        for i in range(degree + 1):
            side[i] = mpmath.fsum(mpmath.mpf(v) * ti**i for v, ti in zip(z, t, strict=True))
            for j in range(degree + 1):
                matrix[i, j] = sums[i + j]
        coefficients = mpmath.lu_solve(matrix, side)
        residuals = []
        for v, ti in zip(z, t, strict=True):
            fitted = mpmath.mpf(0)
            for k in range(degree, -1, -1):
                fitted = fitted * ti + coefficients[k]
            residuals.append(float(mpmath.mpf(v) - fitted))
        return residuals


def without_arc(z: Profile, dx: float) -> Profile:
    """Least-squares circle by Newton's method on centre and radius, from a parabola's curvature, at 50 digits."""
    with mpmath.workdps(50):
        count = len(z)
        x = [mpmath.mpf(i) * mpmath.mpf(dx) for i in range(count)]
        heights = [mpmath.mpf(v) for v in z]
        bend, slope, level = _parabola(x, heights)
        sign = 1 if bend > 0 else -1
        middle = x[-1] / 2
        tilt = 2 * bend * middle + slope
        radius = abs((1 + tilt**2) ** mpmath.mpf(1.5) / (2 * bend))
        centre_x = middle - sign * radius * tilt / mpmath.sqrt(1 + tilt**2)
        centre_z = level + slope * middle + bend * middle**2 + sign * radius / mpmath.sqrt(1 + tilt**2)
        while radius < mpmath.mpf("1.1") * max(
            abs(x[0] - centre_x), abs(x[-1] - centre_x)
        ):  # a start must reach the ends
            radius, centre_z = radius * 2, centre_z + sign * radius
        for _ in range(60):
            rows, residuals = [], []
            for xi, zi in zip(x, heights, strict=True):
                root = mpmath.sqrt(radius**2 - (xi - centre_x) ** 2)
                residuals.append(zi - (centre_z - sign * root))
                rows.append((-sign * (xi - centre_x) / root, mpmath.mpf(1), -sign * radius / root))
            matrix = mpmath.matrix(3, 3)
            side = mpmath.matrix(3, 1)
            for i in range(3):
                side[i] = mpmath.fsum(row[i] * r for row, r in zip(rows, residuals, strict=True))
                for j in range(3):
                    matrix[i, j] = mpmath.fsum(row[i] * row[j] for row in rows)
            step = mpmath.lu_solve(matrix, side)
            # A step that leaves an end of the trace beyond the circle is too long.
            while radius + step[2] <= max(abs(x[0] - centre_x - step[0]), abs(x[-1] - centre_x - step[0])):
                step = step / 2
            centre_x, centre_z, radius = centre_x + step[0], centre_z + step[1], radius + step[2]
            if max(abs(step[0]), abs(step[1]), abs(step[2])) < mpmath.mpf(10) ** -15 * radius:
                break
        return [
            float(zi - (centre_z - sign * mpmath.sqrt(radius**2 - (xi - centre_x) ** 2)))
            for xi, zi in zip(x, heights, strict=True)
        ]


def _parabola(x: list[mpmath.mpf], z: list[mpmath.mpf]) -> tuple[mpmath.mpf, mpmath.mpf, mpmath.mpf]:
    matrix = mpmath.matrix(3, 3)
    side = mpmath.matrix(3, 1)
    for i in range(3):
        side[i] = mpmath.fsum(zi * xi**i for xi, zi in zip(x, z, strict=True))
        for j in range(3):
            matrix[i, j] = mpmath.fsum(xi ** (i + j) for xi in x)
    level, slope, bend = mpmath.lu_solve(matrix, side)
    return bend, slope, level


def without_form(z: Profile, dx: float, form: str) -> Profile:
    """``none``, ``line``, ``polynomial:K`` or ``arc`` taken off."""
    if form == "none":
        return list(z)
    if form == "arc":
        return without_arc(z, dx)
    return without_polynomial(z, 1 if form == "line" else int(form.removeprefix("polynomial:")))


# --- window (section 1, step 6) --------------------------------------------------------------------------------

SHARES = {
    "gaussian": (0.5, 0.5),
    "robust": (0.5, 0.5),
    "spline": (0.5, 0.5),
    "valley-suppressing": (0.5, 0.5),
    "2rc": (2.0, 0.0),
    "2rc-zero-phase": (1.0, 1.0),
    "none": (0.0, 0.0),
}


@dataclass
class Place:
    """Where the evaluation length lies: samples of a section, first sample, number of samples."""

    section: int
    start: int
    points: int


def window(count: int, dx: float, cutoff_mm: float, sections: int, filter_name: str) -> Place | None:
    """None where the trace is refused."""
    nc = math.floor(cutoff_mm * 1000 / dx + 0.5)
    m = sections * nc
    before, after = SHARES[filter_name]
    ru, rd = math.floor(before * nc), math.floor(after * nc)
    slack = count - m - ru - rd
    if slack < -(sections + 1) or count < m:
        return None
    start = min(ru + math.floor(slack / 2), count - m)
    return Place(nc, max(start, 0), m)


# --- heights (section 3) ---------------------------------------------------------------------------------------


def moments(z: Profile) -> dict[str, float | None]:
    """a, q, sk, ku of one stretch about 0."""
    count = len(z)
    square = math.fsum(v * v for v in z) / count
    q = math.sqrt(square)
    return {
        "a": math.fsum(abs(v) for v in z) / count,
        "q": q,
        "sk": math.fsum(v**3 for v in z) / count / q**3 if q > 0 else None,
        "ku": math.fsum(v**4 for v in z) / count / q**4 if q > 0 else None,
    }


def heights(z: Profile, section: int, standard: str) -> dict[str, float | None]:
    """Every height parameter by its stem; None where undefined."""
    parts = [z[i : i + section] for i in range(0, len(z), section)]
    peaks = [max(part) for part in parts]
    valleys = [-min(part) for part in parts]
    totals = [p + v for p, v in zip(peaks, valleys, strict=True)]
    n = len(parts)
    found: dict[str, float | None]
    if standard in ("iso-4287", "jis-b-0601"):
        each = [moments(part) for part in parts]
        found = {}
        for name in ("a", "q", "sk", "ku"):
            values = [m[name] for m in each]
            found[name] = None if None in values else math.fsum(v for v in values if v is not None) / n
    else:
        found = moments(z)
    found["z"] = math.fsum(totals) / n
    found["t"] = max(peaks) + max(valleys)
    if standard == "asme-b46.1":
        found |= {"p": max(peaks), "v": max(valleys), "pm": math.fsum(peaks) / n, "max": max(totals)}
    else:
        found |= {"p": math.fsum(peaks) / n, "v": math.fsum(valleys) / n}
    if standard == "iso-21920":
        found |= {"pt": max(peaks), "vt": max(valleys)}
        found["zx"] = max(max(z[i : i + section]) - min(z[i : i + section]) for i in range(len(z) - section + 1))
    elif standard != "asme-b46.1":
        found["z1max"] = max(totals)
    return found


# --- profile elements (section 4) ------------------------------------------------------------------------------


@dataclass
class Portion:
    """A stretch on one side of the mean line, its ends in samples."""

    side: int
    begin: float
    end: float
    reach: float


def portions(z: Profile) -> list[Portion]:
    """Split at the crossings; an exact zero belongs to the portion before it, at the start to the first one."""
    sides: list[int] = []
    for v in z:
        sides.append(1 if v > 0 else -1 if v < 0 else (sides[-1] if sides else 0))
    first = next((s for s in sides if s != 0), 0)
    sides = [s if s != 0 else first for s in sides]
    found: list[Portion] = []
    begin, reach = 0.0, 0.0
    for i, v in enumerate(z):
        reach = max(reach, abs(v))
        if i + 1 == len(z):
            found.append(Portion(sides[i], begin, float(i), reach))
        elif sides[i + 1] != sides[i]:
            crossing = i + v / (v - z[i + 1])
            found.append(Portion(sides[i], begin, crossing, reach))
            begin, reach = crossing, 0.0
    return found


def elements(z: Profile, dx: float, section: int, rz: float) -> list[tuple[float, float]]:
    """Width in µm and height in µm of each whole element."""
    significant = [p for p in portions(z) if p.reach > 0.1 * rz and (p.end - p.begin) >= 0.01 * section]
    merged: list[Portion] = []
    for p in significant:
        if merged and merged[-1].side == p.side:
            merged[-1] = Portion(p.side, merged[-1].begin, p.end, max(p.reach, merged[-1].reach))
        else:
            merged.append(p)
    boundaries = []
    for i in range(len(merged) - 1):
        left, right = merged[i], merged[i + 1]
        boundaries.append((left.end + right.begin) / 2)
    same_direction = boundaries[::2]
    found = []
    for i in range(len(same_direction) - 1):
        low, high = same_direction[i], same_direction[i + 1]
        inside = [v for k, v in enumerate(z) if low <= k <= high]
        found.append(((high - low) * dx, max(inside) - min(inside)))
    return found


def spacing(z: Profile, dx: float, section: int, rz: float) -> dict[str, float | None]:
    """sm in mm, c in µm, pc per cm."""
    found = elements(z, dx, section, rz)
    if not found:
        return {"sm": None, "c": None, "pc": None}
    sm = math.fsum(width for width, _ in found) / len(found) / 1000
    return {"sm": sm, "c": math.fsum(height for _, height in found) / len(found), "pc": 10 / sm}
