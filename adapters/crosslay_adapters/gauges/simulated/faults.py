"""What can go wrong during a traverse. Pure: heights in, heights out; the strength is graded, 0 is no fault at all."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Traverse:
    """What a fault knows about the traverse that it spoils.

    Attributes
    ----------
    rz_um
        Peak to valley of the texture within a section, µm: the yardstick of a jump.
    range_um
        The gauge's range, ±µm.
    noise_um
        Noise of the gauge, standard deviation, µm.
    """

    rz_um: float
    range_um: float
    noise_um: float


def rocking(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """The part tips in its seat: within 2 % of the travel it drops by four Rz, and lies at another slope from then on.

    The new slope adds four Rz up to the end of the travel. Where and which way it tips is chance (35 to 65 % of the
    travel).
    """
    jump_um = 4.0 * strength * traverse.rz_um * rng.choice((-1.0, 1.0))
    x = np.linspace(0.0, 1.0, heights.size)
    start = rng.uniform(0.35, 0.65)
    tipping = np.clip((x - start) / 0.02, 0.0, 1.0)
    step = 0.5 - 0.5 * np.cos(math.pi * tipping)
    slope = np.clip((x - start) / (1.0 - start), 0.0, 1.0)
    return np.asarray(heights + jump_um * (step + slope))


def clipped(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """The gauge was set down too deep: the highest 15 % of the heights lie above its range, where it saturates."""
    share = min(0.15 * strength, 0.95)
    if share == 0.0:
        return heights
    top = float(np.quantile(heights, 1.0 - share))
    way = rng.choice((-1.0, 1.0))
    if way < 0:
        top = float(np.quantile(heights, share))
    return np.asarray(heights + (way * traverse.range_um - top))


def stuck(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """The stylus is held for a quarter of the travel: it stays where it was, so that the trace runs flat.

    Nothing of the surface and of the drive's vibration comes through; the electronics alone are left, a tenth of the
    gauge's noise.
    """
    held = min(round(0.25 * strength * heights.size), heights.size - 1)
    if held == 0:
        return heights
    first = int(rng.integers(heights.size // 4, max(heights.size - held, heights.size // 4 + 1)))
    out = heights.copy()
    span = out[first : first + held]
    span[:] = out[first] + 0.1 * traverse.noise_um * rng.standard_normal(span.size)
    return out


def short(heights: Heights, _traverse: Traverse, strength: float, _rng: np.random.Generator) -> Heights:
    """The traverse ends early: half of the travel is missing."""
    return heights[: max(2, round(heights.size * (1.0 - min(0.5 * strength, 1.0))))]


Fault = Callable[[Heights, Traverse, float, np.random.Generator], Heights]

#: Faults by their name in the schedule.
FAULTS: dict[str, Fault] = {"rocking": rocking, "clipped": clipped, "stuck": stuck, "short": short}
