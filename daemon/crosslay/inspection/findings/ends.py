"""Set-down: the first or the last cut-off of the trace is not like the rest.

**A skewed start.** A stylus that settles, creeps or is dragged into place leaves a deviation that is largest at the
first sample and dies away, within 0.04, 0.08, 0.16 or 0.3 λc. Such a decay is fitted to the first 1.25 cut-offs
together with a parabola, which takes waviness. The same fit slides over the rest of the trace and tells what texture
and waviness alone give there; the end of the trace is looked at in reverse.

**A bump.** Something within the first or last cut-off stands out from the roughness by half more than anything else
does. Upwards only: a hole as deep may be a pore (see `scratch`).

Either is a warning up to a certain height, because a pore or a crater may happen to lie at the first sample (one in 600
clean traces, mostly eroded or porous), and invalid beyond, where no texture reaches.

References
----------
No standard defines the finding; the limits are our decision.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

Heights = NDArray[np.float64]

_BLOCKS = 32
"""Blocks in a cut-off over which heights are averaged before the fit."""
_FITTED = 40
"""Blocks that the fit covers."""
_DECAYS = (0.04, 0.08, 0.16, 0.3)
"""In cut-offs."""
_LEAST_SKEW, _CERTAIN_SKEW = 1.2, 4.0
"""In Rz."""
_SKEW_ABOVE_USUAL = np.array([4.2, 4.2, 5.0, 6.0])
"""Times the root mean square of the same fit elsewhere, by decay: a longer one has fewer independent places."""
_SKEW_ABOVE_LARGEST = 1.25
_LEAST_BUMP, _CERTAIN_BUMP = 1.4, 2.5
"""In Rz."""
_BUMP_ABOVE_LARGEST = 1.5


def set_down(subject: Subject) -> Finding | None:
    """Say which end of the trace is spoilt, and by how much."""
    section = subject.evaluation.settings.section_points
    if subject.rz_um <= 0.0 or section < 2 * _BLOCKS or subject.slopes_um.size < 4 * section:
        return None
    skew_um, at_start = _skew(subject, section)
    if skew_um == 0.0:
        bump = _bump(subject, section)
        return None if bump is None else _finding(subject, bump, "stands out by", _CERTAIN_BUMP)
    return _finding(subject, (skew_um, at_start), "is skewed by", _CERTAIN_SKEW)


def _skew(subject: Subject, section: int) -> tuple[float, bool]:
    """Deviation at the first or last sample, µm, and whether it is the first; 0 where there is none."""
    width = section // _BLOCKS
    heights = np.concatenate(([0.0], np.cumsum(subject.slopes_um)))
    count = heights.size // width
    for at_start in (True, False):
        towards = heights if at_start else heights[::-1]
        blocks = towards[: count * width].reshape(count, width).mean(axis=1)
        shown = np.lib.stride_tricks.sliding_window_view(blocks, _FITTED) @ _FITS.T
        elsewhere = shown[_BLOCKS // 2 * 3 :]
        usual = np.sqrt(np.mean(elsewhere * elsewhere, axis=0))
        least = np.maximum(_SKEW_ABOVE_USUAL * usual, _SKEW_ABOVE_LARGEST * np.abs(elsewhere).max(axis=0))
        over = np.abs(shown[0]) / np.maximum(least, _LEAST_SKEW * subject.rz_um)
        if over.max() >= 1.0:
            # Decays that are too long give too much; the least of those that fit is on the safe side.
            fitting = shown[0][over >= 1.0]
            return float(fitting[np.abs(fitting).argmin()]), at_start
    return 0.0, True


def _fits() -> Heights:
    """Weights of the blocks that give the decay's amplitude beside a parabola, one row for each decay."""
    places = (np.arange(_FITTED) + 0.5) / _BLOCKS
    middle = 2.0 * places / places[-1] - 1.0
    rows = []
    for decay in _DECAYS:
        # The mean of the decay over a block, not its value in the middle.
        half = 0.5 / _BLOCKS / decay
        shape = np.exp(-places / decay) * math.sinh(half) / half
        rows.append(np.linalg.pinv(np.stack([shape, *(middle**power for power in range(3))], axis=1))[0])
    return np.stack(rows)


_FITS = _fits()


def _bump(subject: Subject, section: int) -> tuple[float, bool] | None:
    roughness = subject.evaluation.profiles.roughness
    start, end = float(roughness[:section].max()), float(roughness[-section:].max())
    rest = float(roughness[section:-section].max())
    at_start = start >= end
    height_um, other = (start, max(rest, end)) if at_start else (end, max(rest, start))
    if height_um < max(_LEAST_BUMP * subject.rz_um, _BUMP_ABOVE_LARGEST * other):
        return None
    return height_um, at_start


def _finding(subject: Subject, where: tuple[float, bool], does: str, certain: float) -> Finding:
    height_um, at_start = where
    name, remedy = (
        ("start", "Let the stylus settle before the traverse, lengthen the run-up, or set it down more gently")
        if at_start
        else ("end", "See whether the stylus meets an edge or is lifted before the traverse ends")
    )
    return Finding(
        id="set-down",
        severity=Severity.INVALID if abs(height_um) >= certain * subject.rz_um else Severity.WARNING,
        text=f"The {name} of the trace {does} {abs(height_um):.3g} µm ({abs(height_um) / subject.rz_um:.2g} Rz) "
        f"against the rest. {remedy}, and measure again.",
        evidence={"height_um": height_um, "height_per_rz": abs(height_um) / subject.rz_um, "at_start": float(at_start)},
    )
