"""Faults of the stylus, the seat and the signal at the strengths that the project aims at.

Invented; a strength in Rz is one in the Rz of the clean surface.
"""

from __future__ import annotations

import numpy as np

from crosslay.texture.trace import Trace
from finding_campaign import SETTINGS, Case
from inspection_surfaces import POINTS, RESOLUTION_UM, SPACING_UM, Clean, trace

assert SETTINGS.cutoff_mm is not None
CUTOFF_MM = SETTINGS.cutoff_mm
NC = round(CUTOFF_MM * 1000 / SPACING_UM)
X_MM = np.arange(POINTS) * SPACING_UM / 1000.0
RANGE_UM = 400.0


def clipped(surface: Clean, rng: np.random.Generator) -> Trace:
    """The gauge's range ends where a thousandth of the samples lie beyond, above or below."""
    side = rng.choice([-1.0, 1.0])
    end = float(np.quantile(side * surface.heights, 0.999))
    return trace(surface.heights - side * end + side * RANGE_UM, range_um=RANGE_UM)


def stuck(surface: Clean, rng: np.random.Generator, *, share: float) -> Trace:
    """The stylus rests for a share of the cut-off somewhere in the trace, with the electronics' noise."""
    heights = surface.heights.copy()
    points = round(share * NC)
    first = int(rng.integers(200, POINTS - points - 200))
    heights[first : first + points] = heights[first] + rng.uniform(0.0, RESOLUTION_UM) * rng.standard_normal(points)
    return trace(heights)


def jump(surface: Clean, rng: np.random.Generator, *, strength: float) -> Trace:
    """A step somewhere in the evaluation length, up or down."""
    at = rng.uniform(0.2, 0.8) * X_MM[-1]
    return trace(surface.heights + strength * surface.rz_um * rng.choice([-1.0, 1.0]) * np.heaviside(X_MM - at, 0.0))


def wave(surface: Clean, rng: np.random.Generator, *, longest: float, shortest: float) -> Trace:
    """A slow wave of ±0.3 Rz under the texture, its wavelength between two multiples of the cut-off."""
    length_mm = CUTOFF_MM * rng.uniform(shortest, longest)
    return trace(surface.heights + 0.3 * surface.rz_um * np.sin(2 * np.pi * (X_MM / length_mm + rng.uniform())))


CASES = (
    Case(finding="clipped", fault="0.1 % of the samples at the end of the range", spoil=clipped),
    Case(finding="stuck", fault="held over 0.1 λc", spoil=lambda s, g: stuck(s, g, share=0.1)),
    Case(finding="rocking", fault="jump of 1 Rz", spoil=lambda s, g: jump(s, g, strength=1.0), aim=None),
)
