"""Rocking: a part or a gauge that tips while it is traced.

Three signs are looked for, each against the trace's own texture.

**A jump.** A part that tips from one seat to another leaves a step in an otherwise smooth run: a sudden one is found by
`findings.jump` from 1 Rz on. One that takes longer must be larger: at every place straight lines are fitted to the
0.7 λc before and after it, and the jump is the gap between them there. Tilt drops out exactly, and the curvature of
waviness by symmetry. The gap must be 1.5 Rz and stand far above what the same statistic shows elsewhere on the trace. A
scratch or a pore would pull a line: the roughness is limited to ±0.6 Rz first, which a true step survives.

**A wave in the roughness band.** A part that rocks to and fro adds a nearly regular wave; with λc/3.5 < λ < λc/1.1
the cut-off removes little of it. Feed marks of that spacing are the same by wavelength; they differ in that they *are*
the texture (little is left without the wave) or carry overtones (their cusps). So the wave must ride on a finer texture
and have no overtone. A wave that could be either is not called rocking.

**A slower wave**, above the cut-off: `findings.slow_wave`, a warning.

How often each is found, by kind of surface, and that clean traces raise none: tests/finding_campaign.py, figures in
DEVELOPERS.md.

References
----------
design: interface, "rocking"; no standard defines the finding (our decision).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from crosslay.inspection.findings.jump import sudden_jump
from crosslay.inspection.findings.slow_wave import slow_wave
from crosslay.inspection.findings.subject import Subject
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.trace import Finding, Severity

Heights = NDArray[np.float64]

_LEVER = 0.7
"""Length of the lines on either side of a jump, in cut-offs."""
_LEAST_JUMP = 1.5
"""Smallest jump that need not be sudden, in Rz: a part takes a moment to tip, and chance makes gaps of 1.2 Rz."""
_SEEN_OVERTONE = 0.06
"""Amplitude of an overtone that counts as one, as a share of the wave's."""
_COARSE_SHARE = 0.04
"""A random texture is coarse where its autocorrelation falls to 0.2 only beyond this share of the cut-off."""


def rocking(subject: Subject) -> Finding | None:
    """Say whether and how the trace shows rocking."""
    if subject.rz_um <= 0.0:
        return None
    jump = sudden_jump(subject)
    if jump is not None:
        return _jumped(subject, abs(jump.height_um), jump.place)
    return _jump(subject) or _wave(subject.evaluation, subject.rz_um) or slow_wave(subject)


def _jumped(subject: Subject, jump_um: float, place: int) -> Finding:
    x_mm = subject.before_mm + place * subject.evaluation.settings.spacing_um / 1000.0
    return Finding(
        id="rocking",
        severity=Severity.INVALID,
        text=f"The profile jumps by {jump_um:.3g} µm ({jump_um / subject.rz_um:.2g} Rz) at {x_mm:.3g} mm: the part or "
        "the gauge tipped during the traverse. Clean the seat, clamp the part, see that the gauge is tight, and "
        "measure again.",
        evidence={"jump_um": jump_um, "jump_per_rz": jump_um / subject.rz_um, "x_mm": x_mm},
    )


def _jump(subject: Subject) -> Finding | None:
    evaluation, rz_um = subject.evaluation, subject.rz_um
    profiles = evaluation.profiles
    lever = int(_LEVER * evaluation.settings.section_points)
    if profiles.primary.size < 4 * lever or lever < 8:
        return None
    smooth = profiles.primary - profiles.roughness + np.clip(profiles.roughness, -0.6 * rz_um, 0.6 * rz_um)
    gaps = np.abs(line_gaps(smooth, lever))
    place = int(gaps.argmax())
    jump_um = float(gaps[place])
    if jump_um < _LEAST_JUMP * rz_um:
        return None
    away = gaps[np.abs(np.arange(gaps.size) - place) > lever]
    if away.size < lever:
        return None
    if jump_um < max(7.5 * float(np.median(away)), 3.0 * float(np.quantile(away, 0.9))):
        return None
    return _jumped(subject, jump_um, place + lever)


def line_gaps(heights: Heights, lever: int) -> Heights:
    """Gap between the least-squares lines of the `lever` samples before and after every place.

    Parameters
    ----------
    heights
        Shape (N,).
    lever
        Samples in each line.

    Returns
    -------
    ndarray, shape (N − 2·lever + 1,)
        Entry j: right line minus left line, both at half a sample before sample ``j + lever``.
    """
    centred = heights - float(heights.mean())
    index = np.arange(centred.size, dtype=np.float64)
    total = np.concatenate(([0.0], np.cumsum(centred)))
    moment = np.concatenate(([0.0], np.cumsum(centred * index)))
    first = np.arange(centred.size - lever + 1)
    sums = total[lever:] - total[:-lever]
    middle = (lever - 1) / 2.0
    about_middle = moment[lever:] - moment[:-lever] - (first + middle) * sums
    slope = about_middle / (lever * (lever * lever - 1) / 12.0)
    mean = sums / lever
    reach = lever / 2.0
    return np.asarray((mean - reach * slope)[lever:] - (mean + reach * slope)[:-lever])


def _sections_of(evaluation: Evaluation) -> Heights:
    """R by sections, shape (n, nc), µm."""
    profiles = evaluation.profiles
    return profiles.roughness[profiles.start : profiles.stop].reshape(-1, evaluation.settings.section_points)


def _is_coarse_random(sections: Heights) -> bool:
    """Whether the texture is random with a correlation length that is not short beside the cut-off.

    Chance alone then makes gaps and waves. The median over the sections, so that one that holds a jump does not count.
    A periodic texture (feed marks) correlates again further on; it has no such chance, and is not meant.
    """
    nc = sections.shape[1]
    lags, returns = [], []
    for section in sections - sections.mean(axis=1, keepdims=True):
        spectrum = np.fft.rfft(section, 2 * nc)
        correlation = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: nc // 2]
        fallen = np.flatnonzero(correlation <= 0.2 * correlation[0])
        lags.append(int(fallen[0]) if fallen.size else nc)
        beyond = correlation[lags[-1] :]
        returns.append(float(beyond.max() / correlation[0]) if beyond.size and correlation[0] > 0.0 else 0.0)
    return float(np.median(lags)) > _COARSE_SHARE * nc and float(np.median(returns)) < 0.5


def _wave(evaluation: Evaluation, rz_um: float) -> Finding | None:
    line = _Line.strongest(evaluation)
    if line is None or line.amplitude_um < 0.15 * rz_um or line.power < 40.0 * line.floor:
        return None
    rest = _sections_without(evaluation, line)
    finer_um = float(np.median(rest.max(axis=1) - rest.min(axis=1)))
    if finer_um < 0.2 * rz_um:
        return None  # the wave is the texture
    if line.power < 150.0 * line.floor and _is_coarse_random(rest):
        return None
    overtones = [line.overtone(order) for order in (2, 3)]
    if any(seen > 3.0 * noise and seen >= _SEEN_OVERTONE * line.amplitude_um for seen, noise in overtones):
        return None  # cusps: feed marks
    # Cusps have at least a fifth of the wave's amplitude at twice its frequency (a rectified sine; arcs a quarter).
    # Only where that lies 3.5 standard deviations above what was seen, or where the wave is small beside the finer
    # texture, is it certain that the wave is not the texture itself.
    seen, noise = overtones[0]
    certain = seen + 3.5 * noise / math.sqrt(2.0) < 0.2 * line.amplitude_um
    if not certain and line.amplitude_um > 0.36 * finer_um:
        return None
    return Finding(
        id="rocking",
        severity=Severity.INVALID,
        text=f"A slow wave of ±{line.amplitude_um:.3g} µm ({line.amplitude_um / rz_um:.2g} Rz), {line.length_mm:.3g} "
        "mm long, lies under the texture, inside the roughness band: the part or the gauge rocks, or the machine "
        "chattered. Clamp the part, see that the gauge is tight, and measure again.",
        evidence={"amplitude_um": line.amplitude_um, "amplitude_per_rz": line.amplitude_um / rz_um,
                  "wavelength_mm": line.length_mm},
    )


class _Line:
    """The strongest spectral line of R between λc/3.5 and λc/1.1 and what lies around it."""

    def __init__(self, windowed: Heights, power: Heights, place: int, per_bin_mm: float) -> None:
        self._windowed, self._power = windowed, power
        before, here, after = np.log(np.maximum(power[place - 1 : place + 2], 1e-300)).tolist()
        bend = before - 2.0 * here + after
        # A parabola through the logarithms of three bins finds the line between them (Hann window).
        self.bin = place + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)
        self.per_point = self.bin / windowed.size
        self.power = float(power[place])
        self.amplitude_um = math.sqrt(2.0 * float(power[place - 2 : place + 3].sum()))
        self.length_mm = 1.0 / (self.bin * per_bin_mm)
        self.floor = self._floor_above(place)

    @classmethod
    def strongest(cls, evaluation: Evaluation) -> _Line | None:
        """The line, or None where the trace is too short or too coarsely sampled to see one."""
        # A prime number of samples would be slow to transform.
        roughness = evaluation.profiles.roughness
        if evaluation.settings.section_points < 64:
            return None
        roughness = roughness[: roughness.size - roughness.size % 64]
        per_bin_mm = 1000.0 / (roughness.size * evaluation.settings.spacing_um)
        cutoff_mm = evaluation.settings.section_points * evaluation.settings.spacing_um / 1000.0
        low, high = math.ceil(1.1 / cutoff_mm / per_bin_mm), math.floor(3.5 / cutoff_mm / per_bin_mm)
        if high - low < 4 or low < 4 or 4 * high + 24 > roughness.size // 2:
            return None
        window = np.hanning(roughness.size)
        windowed = (roughness - roughness.mean()) * window
        spectrum = rfft(windowed)
        power = 2.0 * (spectrum.real**2 + spectrum.imag**2) / (roughness.size * float((window * window).sum()))
        place = low + int(power[low : high + 1].argmax())
        if power[place] <= max(power[place - 1], power[place + 1]) * (1.0 - 1e-12) or power[place] <= 0.0:
            return None  # the flank of something outside
        return cls(windowed, power, place, per_bin_mm)

    def _floor_above(self, place: int) -> float:
        """Mean power of a bin of the random texture from here to 2.5 times the frequency, lines left out."""
        around = self._power[place + 4 : max(place + 12, int(2.5 * place))]
        return float(np.median(around)) / math.log(2.0)

    def overtone(self, order: int) -> tuple[float, float]:
        """Amplitude at a multiple of the frequency, and what the random texture alone gives there (rms), µm."""
        size, exact = self._windowed.size, order * self.bin
        phase = 2.0 * math.pi * exact / size * np.arange(size)
        # The sum of a Hann window is half its length.
        parts = float(self._windowed @ np.cos(phase)), float(self._windowed @ np.sin(phase))
        amplitude = 4.0 / size * math.hypot(*parts)
        place = round(exact)
        sides = np.concatenate((self._power[max(place - 20, 4) : place - 3], self._power[place + 4 : place + 21]))
        # A bin of power p adds 2 p times the window's noise bandwidth of 1.5 bins to the square of an amplitude.
        return amplitude, math.sqrt(3.0 * float(np.median(sides)) / math.log(2.0))


def _sections_without(evaluation: Evaluation, line: _Line) -> Heights:
    """R by sections after the wave was fitted and taken off, shape (n, nc), µm."""
    sections = _sections_of(evaluation)
    inside = sections.reshape(-1)
    phase = 2.0 * math.pi * line.per_point * np.arange(inside.size)
    waves = np.stack((np.cos(phase), np.sin(phase)), axis=1)
    shares, *_ = np.linalg.lstsq(waves, inside, rcond=None)
    return np.asarray(inside - waves @ shares).reshape(sections.shape)
