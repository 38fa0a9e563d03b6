"""Samples missing: the positions leave a gap that was filled with a straight line."""

from __future__ import annotations

import numpy as np

from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

_GAP_SHARE = 0.005
"""A gap counts from this share of the cut-off on …"""
_GAP_STEPS = 5.0
"""… and from this many times the spacing."""


def samples_missing(subject: Subject) -> Finding | None:
    """Say how long the longest gap between positions is; a trace without positions of its own has none."""
    positions_mm = subject.trace.positions_mm
    if positions_mm is None or positions_mm.size < 2:
        return None
    used = subject.evaluation.settings
    steps_mm = np.diff(positions_mm)
    usual_mm = float(np.median(steps_mm))
    least_mm = max(_GAP_STEPS * usual_mm, _GAP_SHARE * used.section_points * used.spacing_um / 1000.0)
    gaps = np.flatnonzero(steps_mm > least_mm)
    if gaps.size == 0:
        return None
    place = int(steps_mm.argmax())
    longest_mm = float(steps_mm[place])
    x_mm = subject.before_mm + float(positions_mm[place] - positions_mm[0])
    lost = float(np.sum(np.round(steps_mm[gaps] / usual_mm) - 1.0))
    return Finding(
        id="samples-missing",
        severity=Severity.INVALID,
        text=f"About {lost:.0f} samples are missing in {gaps.size} gaps, the longest of {longest_mm:.3g} mm at "
        f"{x_mm:.3g} mm: a straight line stands there instead of the surface. See whether the connection to the gauge "
        "loses data.",
        evidence={"count": lost, "gaps": float(gaps.size), "longest_mm": longest_mm, "x_mm": x_mm},
    )
