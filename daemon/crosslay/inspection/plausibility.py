"""What makes a trace implausible: clipped, stuck, rocking, too short.

Each finding here turns the verdict to invalid: a number from such a trace is not to be trusted, whatever it is. So each
test asks for a fault that stands far outside of what a clean surface does, and says in its comments how far.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.subject import Check, History, Subject, without_zones
from crosslay.inspection.rocking import rocking
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.settings import DEFAULT_SECTIONS, Settings, setting_table
from crosslay.texture.trace import Finding, Severity, Trace
from crosslay.texture.window import RUN_SHARES

Heights = NDArray[np.float64]

#: A flat stretch counts from this share of the cut-off on.
STUCK_SHARE = 0.1


#: Every check that looks at one evaluation of a trace, in the order in which findings are shown.
CHECKS: tuple[Check, ...] = (
    lambda subject: stuck(subject.trace, subject.evaluation, before_mm=subject.before_mm),
    lambda subject: rocking(subject.evaluation, before_mm=subject.before_mm),
)


def implausible(
    trace: Trace,
    evaluations: tuple[Evaluation, ...],
    *,
    skip_start_mm: float = 0.0,
    skip_end_mm: float = 0.0,
    history: History | None = None,
) -> list[Finding]:
    """Findings on the raw trace and on its evaluations; at most one of each id.

    Parameters
    ----------
    trace
        Raw trace with finite heights.
    evaluations
        What was computed from it, possibly nothing.
    skip_start_mm, skip_end_mm
        Zones at either end that nothing was computed from, mm: what is wrong there is no matter.
    history
        Earlier values of the same characteristic, for the findings that compare with them; None where there are none.
    """
    judged, before_mm = without_zones(trace, skip_start_mm, skip_end_mm)
    found = [clipped(judged, _texture_height_um(judged, evaluations))]
    if not evaluations:
        found.append(_motionless(judged, before_mm))
    for evaluation in evaluations:
        subject = Subject(trace=judged, evaluation=evaluation, before_mm=before_mm, history=history)
        found += [check(subject) for check in CHECKS]
    first: dict[str, Finding] = {}
    for finding in found:
        if finding is not None:
            first.setdefault(finding.id, finding)
    return list(first.values())


def too_short(trace: Trace, settings: Settings, reason: str) -> Finding:
    """Finding for a trace that does not hold the evaluation length; `reason` is the evaluation's own text."""
    cutoff_mm = settings.cutoff_mm if settings.cutoff_mm is not None else setting_table(settings.standard)[0].cutoff_mm
    sections = settings.sections or DEFAULT_SECTIONS
    needed_mm = (sections + sum(RUN_SHARES[settings.filter])) * cutoff_mm
    given_mm = (trace.points - 1) * trace.spacing_um / 1000.0
    left_out_mm = settings.skip_start_mm + settings.skip_end_mm
    return Finding(
        id="too-short",
        severity=Severity.INVALID,
        text=f"{reason[0].upper()}{reason[1:]}. Set the traverse to at least {needed_mm + left_out_mm:.4g} mm, or see "
        "why it ended early.",
        evidence={"needed_mm": needed_mm + left_out_mm, "given_mm": given_mm},
    )


def settings_do_not_fit(reason: str) -> Finding:
    """Finding for settings that this trace cannot be evaluated under (a cut-off below two samples …)."""
    return Finding(
        id="settings-do-not-fit",
        severity=Severity.INVALID,
        text=f"{reason[0].upper()}{reason[1:]}. Correct the settings of the call-out, or the spacing of the gauge.",
    )


# --- clipped ---------------------------------------------------------------------------------------------------------


def clipped(trace: Trace, texture_um: float) -> Finding | None:
    """Samples at the end of the gauge's range: the surface went on where the gauge could not follow.

    With a known range one sample at its end is enough, since what lies beyond is not known. Without one, a clipped
    profile shows as a level that several samples share exactly at the very top or bottom, with the flanks beside it
    steep.

    Parameters
    ----------
    trace
        Raw trace.
    texture_um
        Height scale of the texture (Rz), µm: a hidden part below 2 % of it is no matter.
    """
    samples = trace.samples
    if trace.sample_range is not None:
        low, high = trace.sample_range
        count = int(np.count_nonzero((samples <= low) | (samples >= high)))
        if count == 0:
            return None
        return _clipped(count, trace.points, "at the end of the gauge's range")
    raw = np.asarray(samples, dtype=np.float64)
    scale = abs(trace.calibration.gain_um * trace.calibration.amplification) or 1.0
    count = sum(_hidden_plateau(way * raw, 0.02 * texture_um / scale) for way in (1.0, -1.0))
    return _clipped(count, trace.points, "on one level at the extreme of the trace") if count else None


def _clipped(count: int, points: int, where: str) -> Finding:
    share_percent = 100.0 * count / points
    return Finding(
        id="clipped",
        severity=Severity.INVALID,
        text=f"{count} of {points} samples ({share_percent:.3g} %) lie {where}: the stylus ran out of range and "
        "heights are missing. Set it to the middle of its range, level the part, or choose a larger range.",
        evidence={"count": float(count), "share_percent": share_percent},
    )


def _hidden_plateau(raw: Heights, least: float) -> int:
    """Samples on clipped plateaus at the maximum of `raw`; 0 where quantisation explains them.

    A rounded peak that is merely quantised hides at most one step of the converter: where a plateau of L samples is cut
    off a parabola, the flanks have fallen by three times the hidden height another L/2 beyond its edges. So a third of
    that fall estimates the hidden height, and only one that is more than four steps is called clipped.
    """
    top = float(raw.max())
    starts, lengths = _runs(raw == top)
    step = _step_near(raw, top)
    count = 0
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        if length >= 3 and _fall(raw, start, length) / 3.0 > max(4.0 * step, least):
            count += length
    return count


def _step_near(raw: Heights, top: float) -> float:
    """Smallest difference between distinct values in the highest tenth of the range: the step of the converter there.

    A decimal number printed with few digits has larger steps where it is larger, so only that part is looked at.
    """
    bottom = float(raw.min())
    high = np.unique(raw[raw >= top - 0.1 * (top - bottom)])
    return float(np.diff(high).min()) if high.size > 1 else 0.0


def _fall(raw: Heights, start: int, length: int) -> float:
    """How far the samples within half a plateau of its edges lie from it at most."""
    beyond = max(1, length // 2)
    level = float(raw[start : start + length].mean())
    before, after = raw[max(start - beyond, 0) : start], raw[start + length : start + length + beyond]
    return max((float(np.abs(side - level).max()) for side in (before, after) if side.size), default=0.0)


def _runs(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First index and length of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[::2], edges[1::2] - edges[::2]


def _texture_height_um(trace: Trace, evaluations: tuple[Evaluation, ...]) -> float:
    """Rz of the first evaluation, else the spread of the raw heights, µm."""
    if evaluations:
        return float(np.median(evaluations[0].sections["Rz"]))
    heights = trace.heights_um()
    return float(heights.max() - heights.min())


# --- stuck -----------------------------------------------------------------------------------------------------------


def stuck(trace: Trace, evaluation: Evaluation, *, before_mm: float = 0.0) -> Finding | None:
    """A stretch over which the stylus does not move: held, lifted, or a frozen converter.

    Three things must come together over more than 0.1 λc of the raw heights, untilted as they came:

    - it is level: its standard deviation is below 0.7 % of Rz (a clean plateau-honed surface keeps some 2 %);
    - it is quiet: its second differences are below half of what three quarters of the trace show, so that neither a
      plateau between grooves nor the round top of a long wave counts (there they are as large as anywhere);
    - it ends abruptly: within half its length beyond, the surface lies more than forty standard deviations, and more
      than twelve steps of the converter, away. The round top or bottom of a wave has fallen by sixteen standard
      deviations or three steps there (see `_hidden_plateau`), whatever its curvature.
    """
    rz_um = float(np.median(evaluation.sections["Rz"]))
    raw = trace.heights_um()
    if rz_um <= 0.0:
        # A straight line is no surface: even a lapped one has a texture.
        return _stuck(trace, 0, trace.points, before_mm)
    nc = evaluation.settings.section_points
    width = max(8, math.floor(0.9 * STUCK_SHARE * nc))
    if raw.size < 4 * width:
        return None
    for start, length in _quiet_stretches(raw, width, 0.007 * rz_um):
        if length >= max(8, math.floor(0.98 * STUCK_SHARE * nc)) and _ends_abruptly(raw, start, length):
            return _stuck(trace, start, length, before_mm)
    return None


def _motionless(trace: Trace, before_mm: float) -> Finding | None:
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
    starts, counts = _runs((level <= level_um**2) & (activity <= 0.25 * loud))
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
    step = float(steps.min()) if steps.size else _step_near(raw, float(inside[0]))
    return _fall(raw, start, length) > max(40.0 * float(inside.std()), 12.0 * step)


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
