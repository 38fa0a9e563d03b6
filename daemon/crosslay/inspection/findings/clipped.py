"""Clipped: the surface went on where the gauge could not follow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.runs import fall, runs, step_near
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.trace import Finding, Severity, Trace

Heights = NDArray[np.float64]

_BETWEEN_LEVELS = 0.05
"""Where fewer of the samples lie between the two extremes, the trace is a square profile and not a clipped one."""


def clipped(trace: Trace, texture_um: float) -> Finding | None:
    """Samples at the end of the gauge's range: the surface went on where the gauge could not follow.

    With a known range one sample at its end is enough, since what lies beyond is not known. Without one, a clipped
    profile shows as a level that several samples share exactly at the very top or bottom, with the flanks beside it
    steep. An exact square profile has such levels, too; it differs in that nothing lies between them.

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
    if np.count_nonzero((samples > samples.min()) & (samples < samples.max())) < _BETWEEN_LEVELS * trace.points:
        return None
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
    starts, lengths = runs(raw == top)
    step = step_near(raw, top)
    count = 0
    for start, length in zip(starts.tolist(), lengths.tolist(), strict=True):
        if length >= 3 and fall(raw, start, length) / 3.0 > max(4.0 * step, least):
            count += length
    return count


def texture_height_um(trace: Trace, evaluations: tuple[Evaluation, ...]) -> float:
    """Rz of the first evaluation, else the spread of the raw heights, µm."""
    if evaluations:
        return float(np.median(evaluations[0].sections["Rz"]))
    heights = trace.heights_um()
    return float(heights.max() - heights.min())
