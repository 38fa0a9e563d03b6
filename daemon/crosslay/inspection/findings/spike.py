"""Spikes and dropouts: the signal leaves the surface for a moment and comes back.

A stylus has a tip: it cannot follow a wall. Two signs tell what no surface does, both beside the texture's own height:

- **narrow**: within 0.0125 λc the heights leave the range from the level before to that after by more than 1.3 times
  the whole texture, and get there with a step of more than half of it between two samples;
- **walls**: two steps of more than 1.2 times the texture, down and up again or up and down, within 0.1 λc (from there
  on a level stretch is *stuck*). The walls of a square specimen are one texture high.

Nor is it noise: it stands eight standard deviations above what neighbouring samples differ by.

The height of the texture is taken so that some sixteen spikes do not count in it: Rz, or 1.5 times the range of the
middle 98 % of the roughness where that is less (heights that are normally distributed have both alike).

References
----------
No standard defines the finding; the limits are our decision.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

Heights = NDArray[np.float64]

_NARROW_SHARE = 0.0125
_WALLS_SHARE = 0.1
_NARROW_HEIGHT = 1.3
_NARROW_STEP = 0.5
_WALL_HEIGHT = 1.2
_ABOVE_NOISE = 8.0
"""Standard deviations of the noise between neighbouring samples, most of which λs keeps from the texture."""
_MOST_STEPS = 500
"""Steep steps that are looked at; more of them are a texture."""


def spike(subject: Subject) -> Finding | None:
    """Say how many spikes or dropouts there are, and where the largest lies."""
    if subject.rz_um <= 0.0 or subject.evaluation.settings.section_points < 64:
        return None
    heights = subject.trace.heights_um()
    steps = np.diff(heights)
    texture_um = _texture_um(subject)
    if texture_um <= 0.0 or max(float(steps.max()), -float(steps.min())) < _NARROW_STEP * texture_um:
        return None
    section = subject.evaluation.settings.section_points
    found = _narrow(heights, steps, texture_um, max(3, int(_NARROW_SHARE * section)))
    found += _walls(heights, texture_um, int(_WALLS_SHARE * section))
    # Of normally distributed noise, the median of |steps| is 0.954 standard deviations.
    noise_um = float(np.median(np.abs(steps))) / 0.954
    found = [each for each in found if abs(each[1]) >= _ABOVE_NOISE * noise_um]
    return _finding(subject, found, texture_um) if found else None


def _texture_um(subject: Subject) -> float:
    profiles = subject.evaluation.profiles
    inside = profiles.roughness[profiles.start : profiles.stop]
    tail = inside.size // 100
    ordered = np.partition(inside, (tail, inside.size - 1 - tail))
    return min(subject.rz_um, 1.5 * float(ordered[inside.size - 1 - tail] - ordered[tail]))


def _narrow(heights: Heights, steps: Heights, texture_um: float, reach: int) -> list[tuple[int, float]]:
    """Place and height of what leaves the level and comes back within `reach` samples."""
    around = 8
    edges = np.flatnonzero(np.abs(steps) >= _NARROW_STEP * texture_um)
    edges = edges[(edges >= reach + around) & (edges < heights.size - reach - around - 1)][:_MOST_STEPS]
    if edges.size == 0:
        return []
    offsets = np.arange(-reach, reach + 2)
    before = np.median(heights[edges[:, None] - reach - 1 - np.arange(around)], axis=1)
    after = np.median(heights[edges[:, None] + reach + 1 + np.arange(1, around + 1)], axis=1)
    # What lies between the two levels is a step, not a spike.
    near = heights[edges[:, None] + offsets]
    away = near - np.clip(near, np.minimum(before, after)[:, None], np.maximum(before, after)[:, None])
    top = np.abs(away).argmax(axis=1)
    height = away[np.arange(edges.size), top]
    return [(int(edge + offsets[where]), float(size)) for edge, where, size in zip(edges, top, height, strict=True)
            if abs(size) >= _NARROW_HEIGHT * texture_um]


def _walls(heights: Heights, texture_um: float, reach: int) -> list[tuple[int, float]]:
    """Place and height of stretches between two walls of opposite direction."""
    rises = heights[2:] - heights[:-2]
    places = np.flatnonzero(np.abs(rises) >= _WALL_HEIGHT * texture_um)[:_MOST_STEPS]
    first, second = places[:-1], places[1:]
    opposite = (np.sign(rises[first]) != np.sign(rises[second])) & (second - first <= reach)
    return [(int(place) + 2, float(rises[place])) for place in first[opposite]]


def _finding(subject: Subject, found: list[tuple[int, float]], texture_um: float) -> Finding:
    places = np.sort(np.array([place for place, _ in found]))
    apart = 2.0 * _NARROW_SHARE * subject.evaluation.settings.section_points
    count = 1 + int(np.count_nonzero(np.diff(places) > apart))
    place, height_um = max(found, key=lambda each: abs(each[1]))
    x_mm = subject.before_mm + place * subject.trace.spacing_um / 1000.0
    many = "a spike" if count == 1 else f"{count} spikes, the largest"
    return Finding(
        id="spike",
        severity=Severity.INVALID,
        text=f"The signal shows {many} of {height_um:.3g} µm ({abs(height_um) / texture_um:.2g} Rz) at {x_mm:.3g} mm, "
        "too narrow for a stylus to have followed: dirt, a knock, or a bad contact. Clean the part and the tip, check "
        "plug and cable, and measure again.",
        evidence={"count": float(count), "height_um": height_um, "height_per_rz": abs(height_um) / texture_um,
                  "x_mm": x_mm},
    )
