"""A slow wave: the part or the gauge rocks to and fro more slowly than the cut-off.

Slow in time is long on the trace: a wavelength above λc. λc takes half of a wave of 1 λc, three quarters of one of
1.5 λc, so it spoils little; but it says that something is loose, and so it is a warning. From some 1.7 λc on such a
wave cannot be told from waviness, which is the part's own and may be any height; nothing is said there.

The profile, less what repeats, is averaged over blocks. A polynomial of degree 10 takes what lies above 2.5 λc on a
trace of six cut-offs; sines of every wavelength between 0.92 and 1.7 λc are fitted beside it. The best counts where its
power is far above that of waves from 0.3 to 0.7 λc, the texture's own, and where the polynomial does not hold ten times
as much.

References
----------
Transmission: ISO 16610-21. The limits are our decision; no standard defines the finding.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

Heights = NDArray[np.float64]

_BLOCKS = 20
"""Blocks in a cut-off."""
_DEGREE_PER_CUTOFF = 1.7
_SHORTEST, _LONGEST = 0.92, 1.7
"""Wavelengths, in cut-offs."""
_LEAST_AMPLITUDE = 0.18
"""In Rz."""
_ABOVE_TEXTURE = 12.0
"""Power over the mean power of the texture's waves; chance passes it in one of 10⁵ where the mean is known exactly."""
_MARKS_TOLERANCE = 0.025


def slow_wave(subject: Subject) -> Finding | None:
    """Say how high and how long the wave is."""
    section = subject.evaluation.settings.section_points
    width = section // _BLOCKS
    if subject.rz_um <= 0.0 or width < 2 or subject.slopes_um.size < 4 * section:
        return None
    heights = np.concatenate(([0.0], np.cumsum(subject.slopes_um)))
    count = heights.size // width
    blocks = heights[: count * width].reshape(count, width).mean(axis=1)
    blocks -= blocks.mean()
    length = count * width / section  # of the trace, in cut-offs
    basis = _polynomials(count, round(_DEGREE_PER_CUTOFF * length))
    smooth = basis @ (basis.T @ blocks)
    rest = blocks - smooth
    slow = np.linspace(length / _LONGEST, length / _SHORTEST, 16)
    fine = np.arange(math.ceil(length / 0.7), math.floor(length / 0.3), dtype=np.float64)
    fine = _beside_marks(fine, subject, section * length)
    if fine.size < 4:
        return None
    power, kept = _powers(rest, basis, np.concatenate((slow, fine)))
    place = int(power[: slow.size].argmax())
    texture = float(np.median(power[slow.size :])) / math.log(2.0)
    amplitude_um = math.sqrt(4.0 * float(power[place]) / count)
    if amplitude_um < max(_LEAST_AMPLITUDE * subject.rz_um, 0.1 * math.sqrt(2.0) * float(smooth.std())):
        return None
    if place in {0, slow.size - 1}:  # the flank of something outside
        return None
    waves = _between_lines(slow, power[: slow.size], place)
    if power[place] < _ABOVE_TEXTURE * texture or _is_of_the_marks(subject, section * length / waves):
        return None
    return _finding(subject, amplitude_um / math.sqrt(float(kept[place])), length / waves)


@lru_cache(maxsize=2)
def _polynomials(count: int, degree: int) -> Heights:
    places = np.linspace(-1.0, 1.0, count)
    return np.asarray(np.linalg.qr(np.polynomial.legendre.legvander(places, degree))[0])


def _powers(rest: Heights, basis: Heights, waves: Heights) -> tuple[Heights, Heights]:
    """Sum of squares, halved, that each wave explains beside the polynomial, and the share that this leaves of it.

    `waves` in waves per trace.
    """
    phase = 2.0 * np.pi * waves[:, None] * (np.arange(rest.size) + 0.5) / rest.size
    pairs = np.concatenate((np.cos(phase), np.sin(phase)))
    pairs -= (pairs @ basis) @ basis.T
    cosine, sine = pairs[: waves.size], pairs[waves.size :]
    along_cosine, along_sine = cosine @ rest, sine @ rest
    cc, ss, cs = (np.einsum("ij,ij->i", a, b) for a, b in ((cosine, cosine), (sine, sine), (cosine, sine)))
    explained = along_cosine**2 * ss - 2.0 * along_cosine * along_sine * cs + along_sine**2 * cc
    return np.asarray(0.5 * explained / (cc * ss - cs * cs)), np.asarray((cc + ss) / rest.size)


def _between_lines(waves: Heights, power: Heights, place: int) -> float:
    """Waves per trace at the top of a parabola through three lines."""
    before, here, after = power[place - 1 : place + 2].tolist()
    bend = before - 2.0 * here + after
    return float(waves[place] + (0.5 * (before - after) / bend if bend < 0.0 else 0.0) * (waves[1] - waves[0]))


def _beside_marks(waves: Heights, subject: Subject, points: float) -> Heights:
    """Waves that are no overtone of the marks, whose lines say nothing of the texture between them."""
    if subject.period_points is None:
        return waves
    orders = waves * subject.period_points / points
    return np.asarray(waves[np.abs(orders - np.round(orders)) > 0.1])


def _is_of_the_marks(subject: Subject, wavelength_points: float) -> bool:
    """Whether the wave is two or three marks of the tool long: teeth that cut unevenly."""
    if subject.period_points is None:
        return False
    marks = wavelength_points / subject.period_points
    return 0.9 < marks < 4.5 and abs(marks - round(marks)) < _MARKS_TOLERANCE * marks


def _finding(subject: Subject, amplitude_um: float, cutoffs: float) -> Finding:
    used = subject.evaluation.settings
    length_mm = cutoffs * used.section_points * used.spacing_um / 1000.0
    return Finding(
        id="rocking",
        severity=Severity.WARNING,
        text=f"A slow wave of ±{amplitude_um:.3g} µm ({amplitude_um / subject.rz_um:.2g} Rz), {length_mm:.3g} mm long, "
        "lies under the texture; the cut-off removes much of it. If the part is not that wavy, the part or the gauge "
        "rocks: clamp the part, see that the gauge is tight, and measure again.",
        evidence={"amplitude_um": amplitude_um, "amplitude_per_rz": amplitude_um / subject.rz_um,
                  "wavelength_mm": length_mm},
    )
