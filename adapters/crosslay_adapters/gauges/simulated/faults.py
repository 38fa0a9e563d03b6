"""What can go wrong during a traverse. Pure: heights in, heights out; the strength is graded, 0 is no fault at all."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay_adapters.gauges.simulated.surfaces import along_groove, traced

Heights = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traverse:
    """What a fault knows about the traverse that it spoils.

    Attributes
    ----------
    texture
        What the traced texture adds to the heights, shape (N,), µm; mean 0.
    rz_um
        Peak to valley of the texture within a section, µm: the yardstick of a jump.
    spacing_um, speed_mm_s
        Sampling spacing, µm, and traverse speed, mm/s.
    range_um
        The gauge's range, ±µm.
    noise_um
        Noise of the gauge, standard deviation, µm.
    tip_radius_um
        Radius of the tip that traced the texture, µm.
    """

    texture: Heights
    rz_um: float
    spacing_um: float
    speed_mm_s: float
    range_um: float
    noise_um: float
    tip_radius_um: float


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


def jump(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """The part slips in its seat, or the gauge in its clamp: a step of four Rz at once, up or down."""
    step_um = 4.0 * strength * traverse.rz_um * rng.choice((-1.0, 1.0))
    at = round(rng.uniform(0.35, 0.65) * heights.size)
    out = heights.copy()
    out[at:] += step_um
    return out


def set_down(heights: Heights, traverse: Traverse, strength: float, _rng: np.random.Generator) -> Heights:
    """The traverse begins before the stylus has settled: ten Rz off at the first sample, dying away within 0.12 mm."""
    x_um = np.arange(heights.size) * traverse.spacing_um
    return np.asarray(heights + 10.0 * strength * traverse.rz_um * np.exp(-x_um / 120.0))


def spike(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """Sparks of a switched load in the cable: three single samples stand five Rz off."""
    out = heights.copy()
    places = rng.choice(np.arange(heights.size // 6, heights.size - heights.size // 6), 3, replace=False)
    out[places] += 5.0 * strength * traverse.rz_um * rng.choice((-1.0, 1.0), 3)
    return out


def dropout(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """A loose contact: the signal falls towards the lower end of the range for six samples, at five places."""
    out = heights.copy()
    depth_um = 0.8 * traverse.range_um * strength
    for first in rng.choice(np.arange(heights.size // 6, heights.size - heights.size // 6), 5, replace=False):
        span = out[first : first + 6]
        span[:] = np.maximum(span - depth_um, -0.95 * traverse.range_um)
    return out


def scratch(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """A scratch across the trace, not of the process: a vee three Rz deep and 30 µm wide."""
    at = rng.uniform(0.3, 0.7) * heights.size
    half = 15.0 / traverse.spacing_um
    vee = np.clip(1.0 - np.abs(np.arange(heights.size) - at) / half, 0.0, None)
    return np.asarray(heights - 3.0 * strength * traverse.rz_um * vee)


def hum(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """A charger's 50 Hz and a third of it at 150 Hz in the signal: ±0.1 Rz, a line at the traverse speed over 50 Hz."""
    time_s = np.arange(heights.size) * (traverse.spacing_um / 1000.0) / traverse.speed_mm_s
    turns = 50.0 * time_s + rng.uniform()
    line = np.sin(2.0 * math.pi * turns) + np.sin(6.0 * math.pi * turns + 2.0 * math.pi * rng.uniform()) / 3.0
    return np.asarray(heights + 0.1 * strength * traverse.rz_um * line)


def noise(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """A broken screen: white noise as large as the texture, in standard deviation."""
    return np.asarray(heights + strength * float(traverse.texture.std()) * rng.standard_normal(heights.size))


def along_the_lay(heights: Heights, traverse: Traverse, strength: float, rng: np.random.Generator) -> Heights:
    """The part lies the wrong way round: instead of across its marks the stylus runs along one, an eighth as high.

    A strength below 1 leaves that much less of the swap, which stands for a trace at an angle.
    """
    swapped = min(strength, 1.0)
    groove = along_groove(heights.size, traverse.spacing_um, rng)
    groove *= 0.125 * float(traverse.texture.std()) / max(float(groove.std()), 1e-12)
    return np.asarray(heights + swapped * (groove - traverse.texture))


def tip_wear(heights: Heights, traverse: Traverse, strength: float, _rng: np.random.Generator) -> Heights:
    """The tip is worn to a sphere of another 20 µm radius.

    Dilating with two disks one after the other is dilating with the disk of both radii (Minkowski sum), so the traced
    texture is traced once more.
    """
    if strength == 0.0:
        return heights
    worn = traced(traverse.texture, traverse.spacing_um, 20.0 * strength)
    return np.asarray(heights + worn - traverse.texture)


Fault = Callable[[Heights, Traverse, float, np.random.Generator], Heights]

#: Faults by their name in the schedule.
FAULTS: dict[str, Fault] = {
    "rocking": rocking,
    "clipped": clipped,
    "stuck": stuck,
    "short": short,
    "jump": jump,
    "set-down": set_down,
    "spike": spike,
    "dropout": dropout,
    "scratch": scratch,
    "hum": hum,
    "noise": noise,
    "along-the-lay": along_the_lay,
    "tip-wear": tip_wear,
}
