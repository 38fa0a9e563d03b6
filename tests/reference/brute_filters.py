"""Slow, direct second implementation of the profile filters, for comparison only.

Written from the definitions alone (design: texture, section 2): a mean line is a sum or a small solve at each sample.
It imports nothing of the program under test. Profiles are lists of heights in µm; ``dx`` is in µm.
"""

from __future__ import annotations

import math
from statistics import median

import mpmath
import numpy as np

Profile = list[float]

ALPHA = math.sqrt(math.log(2) / math.pi)
with mpmath.workdps(40):
    GAMMA = float(mpmath.sqrt((-1 - mpmath.lambertw(-1 / (2 * mpmath.e), -1).real) / mpmath.pi))


def gaussian(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """Weighted straight line at each sample over the samples within one cut-off that exist; its height there."""
    line = []
    for i in range(len(z)):
        s0 = s1 = s2 = t0 = t1 = 0.0
        for k in range(len(z)):
            u = (k - i) * dx
            if abs(u) > cutoff_um * (1 + 1e-12):
                continue
            weight = math.exp(-math.pi * (u / (ALPHA * cutoff_um)) ** 2)
            v = u / cutoff_um
            s0 += weight
            s1 += weight * v
            s2 += weight * v * v
            t0 += weight * z[k]
            t1 += weight * v * z[k]
        determinant = s0 * s2 - s1 * s1
        line.append((s2 * t0 - s1 * t1) / determinant if determinant > 0 else t0 / s0)
    return line


def robust(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """Local parabolas with Tukey's weights, repeated until the limit stands still."""
    count = len(z)
    delta = [1.0] * count
    line, limit = [0.0] * count, None
    for _ in range(101):
        line = _parabolas(z, dx, cutoff_um, delta)
        residuals = [abs(v - w) for v, w in zip(z, line, strict=True)]
        following = 4.4478 * median(residuals)
        if following <= 1e-13 * max(abs(v) for v in z):
            return line
        if limit is not None and abs(following - limit) < 1e-5 * limit:
            return line
        limit = following
        delta = [(1 - (r / limit) ** 2) ** 2 if r < limit else 0.0 for r in residuals]
    return line


def _parabolas(z: Profile, dx: float, cutoff_um: float, delta: Profile) -> Profile:
    count = len(z)
    heights = np.array(z)
    line = []
    for i in range(count):
        near = [k for k in range(count) if abs(k - i) * dx <= 1.5 * cutoff_um * (1 + 1e-12) and delta[k] > 0]
        u = np.array([(k - i) * dx / cutoff_um for k in near])
        weight = np.array([delta[k] * math.exp(-math.pi * ((k - i) * dx / (GAMMA * cutoff_um)) ** 2) for k in near])
        root = np.sqrt(weight)
        columns = np.stack((np.ones_like(u), u, u * u), axis=1) * root[:, None]
        line.append(float(np.linalg.lstsq(columns, heights[near] * root, rcond=None)[0][0]))
    return line


def spline(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """(I + α⁴ DᵀD) w = z, solved at 40 digits by elimination in the band."""
    count = len(z)
    with mpmath.workdps(40):
        alpha4 = (1 / (2 * mpmath.sin(mpmath.pi * mpmath.mpf(dx) / mpmath.mpf(cutoff_um)))) ** 4
        rows = _spline_rows(count, alpha4)
        side = [mpmath.mpf(v) for v in z]
        for i in range(count):
            for below in range(1, min(2, count - 1 - i) + 1):
                factor = rows[i + below][2 - below] / rows[i][2]
                for offset in range(3):
                    rows[i + below][2 - below + offset] -= factor * rows[i][2 + offset]
                side[i + below] -= factor * side[i]
        line = [mpmath.mpf(0)] * count
        for i in reversed(range(count)):
            known = [rows[i][2 + above] * line[i + above] for above in range(1, min(2, count - 1 - i) + 1)]
            line[i] = (side[i] - mpmath.fsum(known)) / rows[i][2]
        return [float(v) for v in line]


def _spline_rows(count: int, alpha4: mpmath.mpf) -> list[list[mpmath.mpf]]:
    """Rows of I + α⁴ DᵀD, columns two before to two after the diagonal; D has the rows 1, −2, 1."""
    rows = [[mpmath.mpf(0)] * 5 for _ in range(count)]
    for row in rows:
        row[2] = mpmath.mpf(1)
    for start in range(count - 2):
        for a, left in enumerate((1, -2, 1)):
            for b, right in enumerate((1, -2, 1)):
                rows[start + a][2 + b - a] += alpha4 * left * right
    return rows


def _stage(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """One first-order high-pass, bilinear and prewarped at the cut-off, at rest on the first sample.

    Analogue ``H(s) = sτ/(1 + sτ)``, τ = √3 λc/(2π); prewarping makes the digital stage exact at the cut-off: s becomes
    ``ωc/tan(ωc dx/2) · (1 − q)/(1 + q)`` with ωc = 2π/λc and q one sample's delay.
    """
    omega = 2 * math.pi / cutoff_um
    tau = math.sqrt(3) * cutoff_um / (2 * math.pi)
    k = tau * omega / math.tan(omega * dx / 2)
    out = []
    before_in, before_out = z[0], 0.0
    for v in z:
        here = (k * (v - before_in) - (1 - k) * before_out) / (1 + k)
        out.append(here)
        before_in, before_out = v, here
    return out


def two_rc(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """Mean line: what two causal stages take away."""
    rough = _stage(_stage(z, dx, cutoff_um), dx, cutoff_um)
    return [v - r for v, r in zip(z, rough, strict=True)]


def two_rc_zero_phase(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """Mean line: what one stage forward and the same backward take away."""
    rough = _stage(_stage(z, dx, cutoff_um)[::-1], dx, cutoff_um)[::-1]
    return [v - r for v, r in zip(z, rough, strict=True)]


def valley_suppressing(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """Gaussian line of the profile with its parts below the first Gaussian line cut to it."""
    first = gaussian(z, dx, cutoff_um)
    return gaussian([max(v, w) for v, w in zip(z, first, strict=True)], dx, cutoff_um)


def none(z: Profile, dx: float, cutoff_um: float) -> Profile:
    """No mean line."""
    return [0.0] * len(z)


MEAN_LINES = {
    "gaussian": gaussian,
    "robust": robust,
    "spline": spline,
    "2rc": two_rc,
    "2rc-zero-phase": two_rc_zero_phase,
    "valley-suppressing": valley_suppressing,
    "none": none,
}
