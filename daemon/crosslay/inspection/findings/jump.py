"""A jump: the part or the gauge tips from one seat to another within a few samples.

In the slopes of a profile a jump is one pulse; the texture is noise whose spectrum the trace itself shows. The matched
filter for a known shape in coloured noise is the shape divided by the noise's spectrum, so that every frequency counts
as much as it is quiet: in a coarse random texture the high ones, in a fine one the low ones. Its output, divided by
what it gives on a jump of 1 µm, is the best estimate of the height of a jump at every place.

- The spectrum is the median over half-overlapping stretches of one cut-off, smoothed over a quarter of each frequency:
  the one or two stretches with a jump do not count. Marks of a tool that repeat are taken off before (`periodic`).
- Waves longer than about λc count for nothing: waviness may do what it likes.
- For random heights the output elsewhere is normally distributed; over the 10⁴ places of 3,000 traces chance reaches
  5.5 standard deviations (probability 2·10⁻⁸ each, twice the tail). Asked for are 7, by the median of the trace itself.
- Grooves and cusps are no such noise. So the jump must also be large beside the texture (0.65 Rz), stand above the
  third largest place of the trace (a part may tip and tip back), and stay: what comes back at once is a groove or a
  spike.

Further passes do the same for tips that take up to 0.03 λc, with higher limits, because grooves are that wide, too.

References
----------
Matched filter in coloured noise: G. L. Turin, An introduction to matched filters, IRE Trans. Inf. Theory 6 (1960),
from memory. The limits are our decision; no standard defines the finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from crosslay.inspection.findings.periodic import octave_mean
from crosslay.inspection.findings.subject import Subject

Heights = NDArray[np.float64]

_STAYING = 0.35
"""Share of the jump that the level must keep."""
_LEAST_SECTION = 64
"""Samples that a section must have for a spectrum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """Height (signed, µm) and first sample after the jump."""

    height_um: float
    place: int


@dataclass(frozen=True, slots=True)
class _Limits:
    """What a jump of one duration must reach.

    ``duration`` as a share of λc, at least ``points`` samples; then its height in Rz, in standard deviations, and
    beside the third largest place.
    """

    points: int
    duration: float
    height: float
    deviations: float
    above_third: float


_DURATIONS = (
    _Limits(2, 0.0, 0.65, 7.0, 1.25),
    _Limits(4, 0.0025, 0.65, 7.0, 1.3),
    _Limits(8, 0.005, 0.9, 9.0, 1.8),
    _Limits(16, 0.01, 1.2, 10.0, 2.0),
    _Limits(48, 0.03, 1.3, 10.0, 2.0),
)


def sudden_jump(subject: Subject) -> Jump | None:
    """The largest jump of a trace, None where it shows none."""
    section = subject.evaluation.settings.section_points
    if subject.rz_um <= 0.0 or section < _LEAST_SECTION or subject.slopes_um.size < 2 * section:
        return None
    search = _Search(subject)
    for limits in _DURATIONS:
        found = search.largest(limits)
        if found is not None:
            return found
    return None


class _Search:
    """One trace's slopes, their spectrum, and the places of jumps of several durations."""

    def __init__(self, subject: Subject) -> None:
        used = subject.evaluation.settings
        self._section, self._rz_um = used.section_points, subject.rz_um
        self._short_points = (used.short_cutoff_um or 0.0) / used.spacing_um
        self._slopes = subject.slopes_um
        self._size = 2 * next_fast_len((self._slopes.size + self._section // 4 + 1) // 2, real=True)
        self._per_point = np.arange(self._size // 2 + 1) / self._size
        passed = (1.0 - np.exp2(-((self._per_point * self._section / 0.7) ** 2))) ** 2
        self._weight = passed / self._noise()
        self._spectrum = rfft(_tapered(self._slopes, self._section // 8), self._size)

    def _noise(self) -> Heights:
        """Power of the texture's slopes at every frequency of the whole trace."""
        section = self._section
        stretches = np.lib.stride_tricks.sliding_window_view(self._slopes, section)[:: section // 2]
        window = np.hanning(section)
        lines = rfft((stretches - stretches.mean(axis=1, keepdims=True)) * window, axis=1)[:, 1:]
        steepness = 4.0 * np.sin(np.pi * np.arange(1, lines.shape[1] + 1) / section) ** 2
        # Of heights, not slopes: that spectrum is level at its lower end, so that it can be smoothed and continued.
        heights = octave_mean(np.median(lines.real**2 + lines.imag**2, axis=0) / steepness, 0.12)
        heights += (1e-4 * self._rz_um) ** 2 * float(window @ window)  # an exact specimen has no texture beside its own
        smooth = np.interp(self._per_point * section, np.arange(1, heights.size + 1), heights)
        return np.asarray(smooth * 4.0 * np.sin(np.pi * np.maximum(self._per_point, self._per_point[1])) ** 2)

    def largest(self, limits: _Limits) -> Jump | None:
        duration = max(float(limits.points), limits.duration * self._section)
        shape = _pulse(self._size, duration, self._short_points)
        matched = self._weight * shape
        # What a jump of 1 µm gives at its own place; both ends of a half spectrum count once (the size is even).
        ends = float(matched[0] * shape[0] + matched[-1] * shape[-1])
        unit = (2.0 * float(matched @ shape) - ends) / self._size
        height = irfft(self._spectrum * matched, self._size)[: self._slopes.size] / unit
        margin = self._section // 4
        inside = height[margin:-margin]
        place = margin + int(np.abs(inside).argmax())
        if abs(height[place]) < limits.height * self._rz_um:
            return None
        usual = 1.4826 * float(np.median(np.abs(inside)))
        if abs(height[place]) < max(limits.deviations * usual, limits.above_third * self._third(inside)):
            return None
        answer = irfft(matched * shape, self._size)  # to a jump at sample 0
        if self._returns(height, place, answer / answer[0]) or self._is_in_groove(height[place], place):
            return None
        change_um = self._change_um(place, duration)
        # The filter's own estimate is off where the jump took more or less time than its template.
        stays = change_um * float(np.sign(height[place])) >= _STAYING * abs(float(height[place]))
        return Jump(height_um=change_um, place=place + 1) if stays else None

    def _third(self, inside: Heights) -> float:
        """Height of the third largest place, each apart from the others."""
        left = np.abs(inside)
        apart = max(1, int(0.03 * self._section))
        for _ in range(2):
            top = int(left.argmax())
            left[max(top - apart, 0) : top + apart] = 0.0
        return float(left.max())

    def _returns(self, height: Heights, place: int, answer: Heights) -> bool:
        """Whether most of the jump is undone close by: a groove or a spike."""
        near = int(0.06 * self._section)
        around = height[place - near : place + near + 1] / height[place]
        others = around - np.concatenate((answer[near:0:-1], answer[: near + 1]))
        return bool(others.min() < -0.75)

    def _change_um(self, place: int, duration: float) -> float:
        """Level right after the place less that right before."""
        gap = int(max(1.5 * duration, 2.0 * self._short_points / 2.5))
        reach = gap + max(8, int(0.014 * self._section))
        levels = np.cumsum(self._slopes[place - reach : place + reach])
        return float(np.median(levels[reach + gap :]) - np.median(levels[: reach - gap]))

    def _is_in_groove(self, height_um: float, place: int) -> bool:
        """Whether the place lies in something deeper or higher than the jump itself: its wall or its bottom."""
        near = int(0.03 * self._section)
        levels = np.cumsum(self._slopes[place - 2 * near : place + 2 * near])
        before, after = float(np.median(levels[:near])), float(np.median(levels[-near:]))
        inside = levels[near:-near]
        beyond = max(float(inside.max()) - max(before, after), min(before, after) - float(inside.min()))
        return beyond > 1.5 * max(abs(height_um), 0.8 * self._rz_um)


@lru_cache(maxsize=5)
def _pulse(size: int, duration: float, short_points: float) -> Heights:
    """Spectrum of a pulse of slope of `duration` samples behind λs; kept: the traces of a station have one length."""
    per_point = np.arange(size // 2 + 1) / size
    return np.asarray(np.sinc(per_point * duration) * np.exp2(-((per_point * short_points) ** 2)))


def _tapered(slopes: Heights, reach: int) -> Heights:
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(reach) + 0.5) / reach)
    out = slopes - slopes.mean()
    out[:reach] *= rise
    out[-reach:] *= rise[::-1]
    return np.asarray(out)
