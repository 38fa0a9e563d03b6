"""Slow, direct second implementation of parameters that need no filter, for comparison only.

Written from the definitions alone (design: texture, sections 3 to 5), with plain loops over plain Python numbers; it
imports nothing of the program under test. Where only +, −, ×, ÷ and comparisons occur (the material ratio part but
for ties, band count, ten-point height) the functions accept `fractions.Fraction` and are then exact.

Profiles are lists of heights in µm within the evaluation length; ``dx`` is in µm. ``None`` means undefined.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

Number = Any  # float or Fraction
Profile = Sequence[Any]


# --- material ratio curve (section 5) --------------------------------------------------------------------------


def curve(profile: Profile) -> list[tuple[Number, Number]]:
    """Corners (ratio in %, height) of the curve from 0 to 100 %, highest first."""
    heights = sorted(profile, reverse=True)
    m = len(heights)
    one = heights[0] * 0 + 1  # keeps the number type
    corners = [(one * 0, heights[0])]
    for i, height in enumerate(heights):
        corners.append((100 * one * (2 * i + 1) / (2 * m), height))
    corners.append((100 * one, heights[-1]))
    return corners


def height_at(profile: Profile, ratio: Number) -> Number:
    """C(p)."""
    corners = curve(profile)
    for (x0, y0), (x1, y1) in pairwise(corners):
        if x0 <= ratio <= x1:
            return y0 + (y1 - y0) * (ratio - x0) / (x1 - x0) if x1 > x0 else y0
    raise AssertionError("ratio outside 0..100")


def ratio_at(profile: Profile, height: Number) -> Number | None:
    """Rmr(c): how far the curve runs at or above c."""
    if max(profile) == min(profile):
        return None
    reached = 0 * height
    corners = curve(profile)
    for (x0, y0), (x1, y1) in pairwise(corners):
        if y1 >= height:
            reached = x1
        elif y0 >= height:
            reached = x0 + (x1 - x0) * (y0 - height) / (y0 - y1)
    return reached


def ratio_below(profile: Profile, reference: Number, depth: Number) -> Number | None:
    """Rmr(p, dc)."""
    return ratio_at(profile, height_at(profile, reference) - depth)


def area_between(profile: Profile, start: Number, stop: Number, level: Number) -> Number:
    """Integral of (C − level) from `start` to `stop`, µm·%, piece by piece."""
    total = 0 * level
    corners = curve(profile)
    for (x0, y0), (x1, y1) in pairwise(corners):
        left, right = max(x0, start), min(x1, stop)
        if right <= left:
            continue
        y_left = y0 + (y1 - y0) * (left - x0) / (x1 - x0)
        y_right = y0 + (y1 - y0) * (right - x0) / (x1 - x0)
        total += (right - left) * ((y_left - level) + (y_right - level)) / 2
    return total


def core_window(profile: Profile) -> tuple[int, int, Number]:
    """First point, number of points and secant height of the 40 % window."""
    heights = sorted(profile, reverse=True)
    m = len(heights)
    k = (4 * m + 5) // 10  # ⌊0.4 M + 0.5⌋
    secants = [heights[i] - heights[i + k - 1] for i in range(m - k + 1)]
    tie = (heights[0] - heights[-1]) / 10**9
    smallest = min(secants)
    for i, secant in enumerate(secants):
        if secant <= smallest + tie:
            return i, k, secant
    raise AssertionError("no window")


def core_line(profile: Profile) -> tuple[Number, Number]:
    """Heights of the equivalent line at 0 % and 100 %; level where the window is, to 1e-9 of the total height."""
    heights = sorted(profile, reverse=True)
    m = len(heights)
    first, k, secant = core_window(profile)
    if secant <= (heights[0] - heights[-1]) / 10**9:
        return heights[first], heights[first]
    one = heights[0] * 0 + 1
    xs = [100 * one * (2 * i + 1) / (2 * m) for i in range(first, first + k)]
    ys = heights[first : first + k]
    x_mean, y_mean = sum(xs) / k, sum(ys) / k
    slope = sum((x - x_mean) * (y - y_mean) for x, y in zip(xs, ys, strict=True)) / sum((x - x_mean) ** 2 for x in xs)
    return y_mean - slope * x_mean, y_mean + slope * (100 - x_mean)


def core(profile: Profile) -> dict[str, Number]:
    """Rk, Rpk, Rvk, Rmrk1, Rmrk2, Rak1, Rak2."""
    upper, lower = core_line(profile)
    one = upper * 0 + 1
    # A level core reaches as far as the curve stays level, whatever rounding does to its points.
    slack = (max(profile) - min(profile)) / 10**9 if upper == lower else 0 * one
    mr1, mr2 = _first_not_above(profile, upper + slack), ratio_at(profile, lower - slack)
    above = area_between(profile, 0 * one, mr1, upper)
    below = -area_between(profile, mr2, 100 * one, lower)
    pk = 2 * above / mr1 if mr1 > 0 else 0 * one
    vk = 2 * below / (100 - mr2) if mr2 < 100 else 0 * one
    return {
        "k": upper - lower,
        "pk": pk,
        "vk": vk,
        "mrk1": mr1,
        "mrk2": mr2,
        "ak1": pk * mr1 / 2,
        "ak2": vk * (100 - mr2) / 2,
    }


def _first_not_above(profile: Profile, level: Number) -> Number:
    """Ratio at which the curve first comes down to `level`."""
    corners = curve(profile)
    if corners[0][1] <= level:
        return corners[0][0]
    for (x0, y0), (x1, y1) in pairwise(corners):
        if y1 <= level:
            return x0 + (x1 - x0) * (y0 - level) / (y0 - y1)
    return corners[-1][0]


def volumes(profile: Profile, p: Number, q: Number) -> dict[str, Number]:
    """Rvmp, Rvmc, Rvvc, Rvvv."""
    one = profile[0] * 0 + 1

    def vm(at: Number) -> Number:
        return area_between(profile, 0 * one, at, height_at(profile, at)) / 100

    def vv(at: Number) -> Number:
        return -area_between(profile, at, 100 * one, height_at(profile, at)) / 100

    return {"vmp": vm(p), "vmc": vm(q) - vm(p), "vvc": vv(p) - vv(q), "vvv": vv(q)}


# --- slopes and developed length (section 4) -------------------------------------------------------------------


def slopes(profile: Profile, dx: float) -> list[float]:
    """Seven-point slopes, three samples lost at each end."""
    z = profile
    return [
        (z[i + 3] - 9 * z[i + 2] + 45 * z[i + 1] - 45 * z[i - 1] + 9 * z[i - 2] - z[i - 3]) / (60 * dx)
        for i in range(3, len(z) - 3)
    ]


def slope_values(profile: Profile, dx: float) -> dict[str, float]:
    """Rdq, Rda, Rdt."""
    s = slopes(profile, dx)
    return {
        "dq": math.sqrt(math.fsum(v * v for v in s) / len(s)),
        "da": math.fsum(abs(v) for v in s) / len(s),
        "dt": max(abs(v) for v in s),
    }


def length_values(profile: Profile, dx: float) -> dict[str, float]:
    """Rdl in mm, Rdr in %."""
    length = math.fsum(math.hypot(dx, b - a) for a, b in pairwise(profile))
    return {"dl": length / 1000, "dr": (length / ((len(profile) - 1) * dx) - 1) * 100}


# --- spectral (section 4) --------------------------------------------------------------------------------------


def correlation_length(profile: Profile, dx: float, fall: float = 0.2) -> float | None:
    """Ral in mm: first lag at which the biased autocorrelation falls to 0.2."""
    m = len(profile)
    mean = math.fsum(profile) / m
    z = [v - mean for v in profile]
    power = math.fsum(v * v for v in z)
    if power == 0:
        return None
    before = 1.0
    for lag in range(1, m // 2):  # up to ⌊M/2⌋ − 1
        here = math.fsum(z[i] * z[i + lag] for i in range(m - lag)) / power
        if here <= fall:
            return (lag - 1 + (before - fall) / (before - here)) * dx / 1000
        before = here
    return None


def spectrum(profile: Profile) -> list[float]:
    """Power at the bins 0..M of the transform of length 2M, mean removed, periodic Hann window."""
    m = len(profile)
    mean = math.fsum(profile) / m
    z = [(v - mean) * (0.5 - 0.5 * math.cos(2 * math.pi * i / m)) for i, v in enumerate(profile)]
    cosine = [math.cos(math.pi * t / m) for t in range(2 * m)]
    sine = [math.sin(math.pi * t / m) for t in range(2 * m)]
    power = []
    for k in range(m + 1):
        real = math.fsum(v * cosine[k * i % (2 * m)] for i, v in enumerate(z))
        imaginary = math.fsum(v * sine[k * i % (2 * m)] for i, v in enumerate(z))
        power.append(real * real + imaginary * imaginary)
    return power


def dominant_wavelength(profile: Profile, dx: float) -> float | None:
    """Rsw in mm: largest line of the bins 1..M−1, refined by a parabola through three log powers."""
    m = len(profile)
    power = spectrum(profile)
    best = max(range(1, m), key=lambda k: power[k])
    if power[best] == 0:
        return None
    low, mid, high = (math.log(power[k]) if power[k] > 0 else -math.inf for k in (best - 1, best, best + 1))
    shift = 0.0
    if math.isfinite(low) and math.isfinite(high) and low - 2 * mid + high < 0:
        shift = 0.5 * (low - high) / (low - 2 * mid + high)
    if best + shift <= 0:  # still rising towards bin 0: the page is silent; a wavelength is above 0
        shift = 0.0
    return 2 * m * dx / (best + shift) / 1000


# --- counts (sections 3 and 4) ---------------------------------------------------------------------------------


def band_count(profile: Profile, dx: Number, c: Number) -> Number:
    """Pc(c), per 10 mm."""
    peaks, armed = 0, False
    for z in profile:
        if z > c:
            armed = True
        elif z < -c and armed:
            peaks += 1
            armed = False
    return peaks * 10000 / (len(profile) * dx)


def ten_point(profile: Profile, section_points: int) -> Number | None:
    """RzJIS: one peak or valley per portion between crossings, five of each per section."""
    per_section = []
    for start in range(0, len(profile) - section_points + 1, section_points):
        peaks: list[Number] = []
        valleys: list[Number] = []
        side = 0
        for z in profile[start : start + section_points]:
            now = side if z == 0 else (1 if z > 0 else -1)  # a zero belongs to the portion before it
            if now == 0:
                continue
            found = peaks if now > 0 else valleys
            if now != side:
                found.append(z)
            elif abs(z) > abs(found[-1]):
                found[-1] = z
            side = now
        if len(peaks) < 5 or len(valleys) < 5:
            return None
        per_section.append((sum(sorted(peaks)[-5:]) - sum(sorted(valleys)[:5])) / 5)
    return sum(per_section) / len(per_section)
