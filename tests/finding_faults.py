"""Faults of the stylus, the seat and the signal at the strengths that the project aims at.

Invented; a strength in Rz is one in the Rz of the clean surface.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

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


def lifted(surface: Clean, rng: np.random.Generator, *, share: float) -> Trace:
    """The stylus is lifted off by 5 Rz for a share of the cut-off."""
    heights = surface.heights.copy()
    points = round(share * NC)
    first = int(rng.integers(200, POINTS - points - 200))
    level = heights[first] + 5.0 * surface.rz_um
    heights[first : first + points] = level + rng.uniform(0.0, RESOLUTION_UM) * rng.standard_normal(points)
    return trace(heights)


def spike(surface: Clean, rng: np.random.Generator, *, strength: float) -> Trace:
    """One spike of one to five samples, up or down, pointed."""
    heights = surface.heights.copy()
    half = int(rng.integers(1, 4))
    at = int(rng.uniform(0.1, 0.9) * POINTS)
    shape = np.bartlett(2 * half + 1)[1:-1]
    heights[at : at + shape.size] += strength * surface.rz_um * rng.choice([-1.0, 1.0]) * shape
    return trace(heights)


def dropout(surface: Clean, rng: np.random.Generator, *, strength: float) -> Trace:
    """The signal lies on a level of its own for 2 to 100 samples."""
    heights = surface.heights.copy()
    points, at = int(rng.integers(2, 101)), int(rng.uniform(0.1, 0.9) * POINTS)
    heights[at : at + points] = heights[at] + rng.choice([-1.0, 1.0]) * strength * surface.rz_um
    return trace(heights)


def jump(surface: Clean, rng: np.random.Generator, *, strength: float, lasting_mm: float = 0.0) -> Trace:
    """A step somewhere in the evaluation length, up or down, at once or over a length."""
    at = rng.uniform(0.2, 0.8) * X_MM[-1]
    rise = np.clip((X_MM - at) / lasting_mm, 0.0, 1.0) if lasting_mm else np.heaviside(X_MM - at, 0.0)
    return trace(surface.heights + strength * surface.rz_um * rng.choice([-1.0, 1.0]) * rise)


def skewed(
    surface: Clean, rng: np.random.Generator, *, strength: float, longest: float, at_end: bool = False
) -> Trace:
    """A start (or end) that is off and settles by a factor of e within 0.03 λc to `longest` λc."""
    settled = np.exp(-X_MM / (rng.uniform(0.03, longest) * CUTOFF_MM))
    off = strength * surface.rz_um * rng.choice([-1.0, 1.0]) * settled
    return trace(surface.heights + (off[::-1] if at_end else off))


def bump(surface: Clean, rng: np.random.Generator, *, strength: float) -> Trace:
    """Something stands up within the first cut-off, 0.05 to 0.2 of it wide."""
    half_mm = 0.5 * rng.uniform(0.05, 0.2) * CUTOFF_MM
    at_mm = rng.uniform(half_mm, CUTOFF_MM - half_mm)
    near = np.abs(X_MM - at_mm) < half_mm
    shape = np.where(near, 0.5 + 0.5 * np.cos(np.pi * (X_MM - at_mm) / half_mm), 0.0)
    return trace(surface.heights + strength * surface.rz_um * shape)


def scratch(surface: Clean, rng: np.random.Generator, *, strength: float) -> Trace:
    """One V-shaped groove, 20 to 60 µm wide, in the evaluation length."""
    half_mm, at_mm = rng.uniform(0.01, 0.03), rng.uniform(0.2, 0.8) * X_MM[-1]
    depth = strength * surface.rz_um * np.clip(1.0 - np.abs(X_MM - at_mm) / half_mm, 0.0, None)
    return trace(surface.heights - depth)


def unevenly_spaced(surface: Clean, rng: np.random.Generator, *, share: float) -> Trace:
    """Every position is off by a share of the spacing (standard deviation)."""
    positions_mm = X_MM + share * SPACING_UM / 1000.0 * np.clip(rng.standard_normal(POINTS), -4.0, 4.0)
    return replace(trace(np.interp(positions_mm, X_MM, surface.heights)), positions_mm=positions_mm)


def with_gap(surface: Clean, rng: np.random.Generator, *, points: int) -> Trace:
    """So many samples are lost together; the positions show it."""
    whole = trace(surface.heights)
    at = int(rng.uniform(0.1, 0.9) * POINTS)
    kept = np.concatenate((np.arange(at), np.arange(at + points, POINTS)))
    return replace(whole, samples=whole.samples[kept], positions_mm=X_MM[kept])


def ended_early(surface: Clean, rng: np.random.Generator) -> Trace:
    """The traverse ended a fiftieth of the cut-off, or more, too early."""
    whole = trace(surface.heights)
    return replace(whole, samples=whole.samples[: POINTS - round(rng.uniform(0.02, 3.0) * NC)])


def wave(
    surface: Clean, rng: np.random.Generator, *, longest: float, shortest: float, strength: float = 0.3
) -> Trace:
    """A slow wave under the texture, its wavelength between two multiples of the cut-off."""
    length_mm = CUTOFF_MM * rng.uniform(shortest, longest)
    return trace(surface.heights + strength * surface.rz_um * np.sin(2 * np.pi * (X_MM / length_mm + rng.uniform())))


def case(
    finding: str, fault: str, spoil: Callable[..., Trace], aim: float | None = 0.95, *,
    limits: dict[str, float] | None = None, **strength: float,
) -> Case:
    return Case(finding=finding, fault=fault, spoil=partial(spoil, **strength), aim=aim, limits=limits)


#: Where a decay looks like the texture: its correlation is as long, or grooves and pores begin at the same place.
SKEW_LIMITS = {"ground-coarse": 0.5, "eroded": 0.75, "honed": 0.85, "porous": 0.9}
#: Within a plateau of a square that is longer, holding the stylus changes nothing.
STUCK_LIMITS = {"specimen": 0.8}
#: Its own ridges stand nearly as high.
BUMP_LIMITS = {"eroded": 0.6, "porous": 0.85, "milled": 0.85}
#: A pore that happens to be there is as deep.
SCRATCH_LIMITS = {"porous": 0.75}


CASES = (
    case("clipped", "0.1 % of the samples beyond the range", clipped),
    case("stuck", "held over 0.1 λc", stuck, limits=STUCK_LIMITS, share=0.1),
    case("stuck", "lifted over 0.1 λc", lifted, share=0.1),
    case("spike", "spike of 2 Rz, 1 to 5 samples", spike, strength=2.0),
    case("spike", "spike of 1.5 Rz", spike, None, strength=1.5),
    case("spike", "dropout of 2 Rz, 2 to 100 samples", dropout, None, strength=2.0),
    case("spike", "dropout of 4 Rz", dropout, strength=4.0),
    case("rocking", "jump of 1 Rz", jump, strength=1.0),
    case("rocking", "jump of 0.7 Rz", jump, None, strength=0.7),
    case("rocking", "jump of 1 Rz within 0.005 λc", jump, None, strength=1.0, lasting_mm=0.005 * CUTOFF_MM),
    case("rocking", "jump of 1.5 Rz within 0.01 λc", jump, None, strength=1.5, lasting_mm=0.01 * CUTOFF_MM),
    case("rocking", "jump of 2 Rz within 0.03 λc", jump, None, strength=2.0, lasting_mm=0.03 * CUTOFF_MM),
    case("rocking", "wave of ±0.3 Rz, 1 to 1.5 λc", wave, None, shortest=1.0, longest=1.5),
    case("rocking", "wave of ±0.5 Rz, 1 to 1.5 λc", wave, None, shortest=1.0, longest=1.5, strength=0.5),
    case("rocking", "wave of ±0.3 Rz, 1.5 to 3 λc", wave, None, shortest=1.5, longest=3.0),
    case("rocking", "wave of ±0.3 Rz, 0.4 to 0.8 λc", wave, None, shortest=0.4, longest=0.8),
    case("set-down", "start skewed by 2 Rz, settled in 0.1 to 0.3 λc", skewed, limits=SKEW_LIMITS, strength=2.0,
         longest=0.1),
    case("set-down", "end skewed by 2 Rz, in 0.1 to 0.3 λc", skewed, limits=SKEW_LIMITS, strength=2.0, longest=0.1,
         at_end=True),
    case("set-down", "start skewed by 4 Rz, settled in 0.1 to 0.3 λc", skewed, None, strength=4.0, longest=0.1),
    case("set-down", "start skewed by 2 Rz, settled in 0.1 to 1 λc", skewed, None, strength=2.0, longest=0.33),
    case("set-down", "bump of 2 Rz in the first λc", bump, limits=BUMP_LIMITS, strength=2.0),
    case("scratch", "scratch of 3 Rz", scratch, limits=SCRATCH_LIMITS, strength=3.0),
    case("uneven-spacing", "positions off by 2 % of the spacing", unevenly_spaced, share=0.02),
    case("samples-missing", "10 samples lost", with_gap, points=10),
    case("too-short", "traverse short by 0.02 λc or more", ended_early),
)
