"""A scratch or a chip: something in one place that the rest of the trace does not know.

A warning, not more: the part may have it, and whether a flaw counts is the drawing's matter. Drawings mostly exclude
flaws, so the trace should be measured again beside it. Asked for is a height or depth of 2 Rz in the roughness,
1.7 times what occurs anywhere farther than a quarter of the cut-off away. A pore may be as lonely, but not that deep.

References
----------
ISO 8785 (surface imperfections are not texture), from memory. The limits are our decision.
"""

from __future__ import annotations

import numpy as np

from crosslay.inspection.findings.subject import Subject
from crosslay.texture.trace import Finding, Severity

_LEAST_HEIGHT = 2.0
"""In Rz."""
_ABOVE_OTHERS = 1.7
_APART_SHARE = 0.25
"""What lies closer than this, in cut-offs, belongs to the same place."""


def scratch(subject: Subject) -> Finding | None:
    """Say how deep or high the lonely place is, and where."""
    roughness = subject.evaluation.profiles.roughness
    if subject.rz_um <= 0.0:
        return None
    deep, high = int(roughness.argmin()), int(roughness.argmax())
    place, way = (deep, -1.0) if -roughness[deep] >= roughness[high] else (high, 1.0)
    height_um = float(way * roughness[place])
    if height_um < _LEAST_HEIGHT * subject.rz_um:
        return None
    apart = int(_APART_SHARE * subject.evaluation.settings.section_points)
    others = np.concatenate((roughness[: max(place - apart, 0)], roughness[place + apart :]))
    if others.size == 0 or height_um < _ABOVE_OTHERS * float((way * others).max()):
        return None
    x_mm = subject.before_mm + place * subject.evaluation.settings.spacing_um / 1000.0
    what = "A scratch or pit, deep" if way < 0.0 else "A chip or burr, high"
    return Finding(
        id="scratch",
        severity=Severity.WARNING,
        text=f"{what} {height_um:.3g} µm ({height_um / subject.rz_um:.2g} Rz), lies at {x_mm:.3g} mm and nothing "
        "like it elsewhere. If the drawing excludes flaws, measure beside it.",
        evidence={"height_um": way * height_um, "height_per_rz": height_um / subject.rz_um, "x_mm": x_mm},
    )
