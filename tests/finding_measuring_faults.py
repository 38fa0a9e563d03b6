"""Faults of the measurement at the strengths that the project aims at: hum, noise, direction, cut-off, drive.

Invented. A strength in Ra is one in the Ra that the surface has after a Gaussian high-pass.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

import inspection_surfaces
from crosslay.inspection.findings.subject import History
from crosslay.texture.trace import Trace
from finding_campaign import Case
from inspection_surfaces import POINTS, SPACING_UM, Clean, Heights, low_pass, rz_of, trace
from inspection_surfaces import _feed_marks as feed_marks
from inspection_surfaces import _random as random_heights

X_MM: Final = np.arange(POINTS) * SPACING_UM / 1000.0
FREE_LEVEL: Final = 0.1 / np.sqrt(20.0)
"""What the texture itself may have in one bin where a line of 0.1 counts as free: 13 dB less. A random bin exceeds the
detector's threshold of ten times the mean once in e¹⁰; a line must be twice as strong to exceed it nearly always."""


def roughness(heights: Heights) -> Heights:
    """Heights without what λc = 0.8 mm removes, and without the ends."""
    rough = heights - low_pass(heights, inspection_surfaces.CUTOFF_MM)
    return rough[800:-800]


def hum(surface: Clean, rng: np.random.Generator, *, strength: float, anywhere: bool = False) -> Trace:
    """A sine of a mains frequency at a traverse speed where the surface itself has next to nothing (or anywhere)."""
    ra_um = float(np.mean(np.abs(roughness(surface.heights))))
    speed_mm_s, hertz = free_line(surface, ra_um, rng)
    if anywhere:
        speed_mm_s = 0.5
    # The mains keep within 0.2 Hz, the drive within half a percent (common practice, no source).
    wavelength_mm = speed_mm_s * rng.uniform(0.995, 1.005) / (hertz + rng.uniform(-0.2, 0.2))
    line = strength * ra_um * np.sin(2 * np.pi * (X_MM / wavelength_mm + rng.uniform()))
    return trace(surface.heights + line, speed_mm_s=f"{speed_mm_s:.6g}")


def free_line(surface: Clean, ra_um: float, rng: np.random.Generator) -> tuple[float, float]:
    """Speed and mains frequency of a line that is free, from 0.1 to 1 mm/s; the freest of forty where none is."""
    rough = roughness(surface.heights)
    amplitudes = 2.0 * np.abs(np.fft.rfft(rough * np.hanning(rough.size))) / (0.5 * rough.size)
    best, lowest = (0.5, 50.0), np.inf
    for _ in range(40):
        speed_mm_s, hertz = rng.uniform(0.1, 1.0), rng.choice([50.0, 60.0])
        at = round(hertz / speed_mm_s * rough.size * SPACING_UM / 1000.0)
        around = amplitudes[max(1, at - 12) : at + 13]
        level = float(max(np.sqrt(np.mean(around**2)), around.max() / 3.0)) / ra_um
        if level < lowest:
            best, lowest = (speed_mm_s, hertz), level
        if level < FREE_LEVEL:
            break
    return best


def noise(surface: Clean, rng: np.random.Generator, *, share: float) -> Trace:
    """White noise whose Rq0 after λs = 2.5 µm is a share of the surface's Rq.

    A Gaussian λs passes ∫ 2^−2(λs·f)² df of a white spectrum (ISO 16610-21).
    """
    per_um = np.linspace(0.0, 0.5 / SPACING_UM, 20001)
    passed = float(np.mean(np.exp2(-2.0 * (2.5 * per_um) ** 2)))
    rq_um = float(np.std(roughness(surface.heights)))
    return trace(surface.heights + share * rq_um / np.sqrt(passed) * rng.standard_normal(POINTS))


def groove(surface: Clean, rng: np.random.Generator) -> Heights:
    """What the stylus sees along a groove: no feed, a twentieth to a half of the height, long and some fine texture."""
    long, fine = rng.uniform(0.05, 0.5), rng.uniform(0.004, 0.02)
    along = random_heights(X_MM, rng, long) + rng.uniform(0.1, 1.0) * random_heights(X_MM, rng, fine)
    height_um = surface.rz_um * rng.uniform(0.05, 0.5)
    return along * (height_um / rz_of(along)) + surface.under


def along_known(surface: Clean, rng: np.random.Generator) -> Trace:
    """Along the groove of a surface whose feed the station knows."""
    return trace(groove(surface, rng), feed_mm=f"{rng.uniform(0.06, 0.4):.3g}")


def along_unknown(surface: Clean, rng: np.random.Generator) -> Trace:
    """Along the groove, a tenth as high, no fine texture; nothing but the earlier values tells."""
    along = random_heights(X_MM, rng, rng.uniform(0.15, 0.5))
    return trace(along * (0.1 * surface.rz_um / rz_of(along)) + surface.under)


def earlier(rng: np.random.Generator) -> dict[str, Any]:
    """Thirty earlier parts: finely turned, at least twice as rough as the trace, scattering by a tenth."""
    return {
        "history": History(
            values={
                "Ra": tuple(rng.lognormal(np.log(6.0), 0.1, 30)),
                "Rsm": tuple(rng.lognormal(np.log(0.05), 0.05, 30)),
            }
        )
    }


def coarse_feed(surface: Clean, rng: np.random.Generator) -> Trace:
    """Feed marks of 0.45 to 0.7 mm under λc = 0.8 mm."""
    marks = feed_marks(X_MM, rng, rng.uniform(0.45, 0.7))
    return trace(marks * (surface.rz_um / rz_of(marks)) + surface.under)


def screw(surface: Clean, rng: np.random.Generator) -> Trace:
    """A wave of ±0.5 Ra that repeats with the drive's screw."""
    ra_um = float(np.mean(np.abs(roughness(surface.heights))))
    pitch_mm = float(rng.choice([0.25, 0.5]))
    return trace(
        surface.heights + 0.5 * ra_um * np.sin(2 * np.pi * (X_MM / pitch_mm + rng.uniform())),
        screw_pitch_mm=f"{pitch_mm:g}",
    )


CASES = (
    Case(finding="mains-hum", fault="±0.1 Ra at a free line", spoil=lambda s, g: hum(s, g, strength=0.1)),
    Case(
        finding="mains-hum",
        fault="±0.1 Ra at 0.5 mm/s",
        aim=None,
        spoil=lambda s, g: hum(s, g, strength=0.1, anywhere=True),
    ),
    Case(finding="mains-hum", fault="±0.3 Ra at a free line", spoil=lambda s, g: hum(s, g, strength=0.3)),
    Case(finding="noise-floor", fault="Rq0 = 0.25 Rq", spoil=lambda s, g: noise(s, g, share=0.25)),
    Case(finding="along-the-lay", fault="feed known", spoil=along_known, kinds=("turned", "turned-coarse", "milled")),
    Case(
        finding="along-the-lay",
        fault="earlier values known",
        spoil=along_unknown,
        arguments=earlier,
        kinds=("turned", "milled"),
    ),
    Case(finding="cutoff-too-short", fault="feed of 0.45 to 0.7 mm", spoil=coarse_feed, kinds=("turned-coarse",)),
    Case(finding="drive-screw", fault="±0.5 Ra", spoil=screw, aim=None),
)
