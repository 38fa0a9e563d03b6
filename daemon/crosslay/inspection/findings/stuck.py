"""Stuck: the stylus rests, held or lifted, or the converter is frozen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.runs import fall, runs, step_near
from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity, Trace

Heights = NDArray[np.float64]

STUCK_SHARE = 0.1
"""A flat stretch counts from this share of the cut-off on."""


def stuck(subject: Subject) -> Finding | None:
    """A stretch over which the stylus does not move: held, lifted, or a frozen converter.

    Three things must come together over more than 0.1 λc of the raw heights, untilted as they came:

    - it is level: its standard deviation is below 0.7 % of Rz (a clean plateau-honed surface keeps some 2 %);
    - it is quiet: its second differences are below half of what three quarters of the trace show, so that neither a
      plateau between grooves nor the round top of a long wave counts (there they are as large as anywhere);
    - it ends abruptly: within half its length beyond, the surface lies more than forty standard deviations, and more
      than twelve steps of the converter, away. The round top or bottom of a wave has fallen by sixteen standard
      deviations or three steps there (see `clipped`), whatever its curvature.

    A stretch that repeats with the texture is the plateau of a square specimen.
    """
    trace, rz_um, before_mm = subject.trace, subject.rz_um, subject.before_mm
    raw = trace.heights_um()
    if rz_um <= 0.0:
        # A straight line is no surface: even a lapped one has a texture.
        return _stuck(trace, 0, trace.points, before_mm)
    nc = subject.evaluation.settings.section_points
    width = max(8, math.floor(0.9 * STUCK_SHARE * nc))
    if raw.size < 4 * width:
        return None
    for start, length in _quiet_stretches(raw, width, 0.007 * rz_um):
        if length < max(8, math.floor(0.98 * STUCK_SHARE * nc)) or not _ends_abruptly(raw, start, length):
            continue
        if not _repeats(raw, (start, length), subject.period_points, 0.02 * rz_um):
            return _stuck(trace, start, length, before_mm)
    return None


def _repeats(raw: Heights, stretch: tuple[int, int], period: float | None, level_um: float) -> bool:
    """Whether a period before and after it is as level: the plateau of a square specimen."""
    start, length = stretch
    if period is None or length >= period:
        return False
    edge = length // 10
    seen = []
    for shift in (-round(period), round(period)):
        first, last = start + shift + edge, start + shift + length - edge
        if first >= 0 and last <= raw.size:
            seen.append(_off_its_line_um(raw[first:last]) <= level_um)
    return bool(seen) and all(seen)


def _off_its_line_um(heights: Heights) -> float:
    """Standard deviation from the least-squares line, µm: the trace may be tilted there."""
    along = np.arange(heights.size) - 0.5 * (heights.size - 1)
    centred = heights - heights.mean()
    return float((centred - along * (float(along @ centred) / float(along @ along))).std())


def motionless(trace: Trace, before_mm: float) -> Finding | None:
    """The trace as a whole does not move."""
    if trace.points < 2 or trace.samples.min() != trace.samples.max():
        return None
    return _stuck(trace, 0, trace.points, before_mm)


def _quiet_stretches(raw: Heights, width: int, level_um: float) -> list[tuple[int, int]]:
    """Start and length of stretches made of windows of `width` samples that are level and quiet, longest first."""
    bend = np.diff(raw, 2)
    # The last window of bends belongs to the last window of heights.
    activity = _window_mean(bend * bend, width - 2)
    level = _window_variance(raw, width)
    loud = float(np.quantile(activity, 0.75))
    starts, counts = runs((level <= level_um**2) & (activity <= 0.25 * loud))
    return sorted(zip(starts.tolist(), (counts + width - 1).tolist(), strict=True), key=lambda each: -each[1])


def _window_mean(values: Heights, width: int) -> Heights:
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((total[width:] - total[:-width]) / width)


def _window_variance(values: Heights, width: int) -> Heights:
    """Variance in every window, from moments about a near value so that no digits are lost to a large offset."""
    centred = values - float(values.mean())
    mean = _window_mean(centred, width)
    return np.maximum(_window_mean(centred * centred, width) - mean * mean, 0.0)


def _ends_abruptly(raw: Heights, start: int, length: int) -> bool:
    edge = length // 10  # the windows that make up the stretch may reach a little over its ends
    inside = raw[start + edge : start + length - edge]
    steps = np.diff(np.unique(inside))
    step = float(steps.min()) if steps.size else step_near(raw, float(inside[0]))
    return fall(raw, start, length) > max(40.0 * float(inside.std()), 12.0 * step)


def _stuck(trace: Trace, start: int, length: int, before_mm: float) -> Finding:
    dx_mm = trace.spacing_um / 1000.0
    from_mm, length_mm = before_mm + start * dx_mm, (length - 1) * dx_mm
    return Finding(
        id="stuck",
        severity=Severity.INVALID,
        text=f"The stylus does not move over {length_mm:.3g} mm from {from_mm:.3g} mm on: it was held or lifted, or "
        "the gauge froze. Clean and free the stylus, see that it touches the part, and measure again.",
        evidence={"from_mm": from_mm, "length_mm": length_mm},
    )
