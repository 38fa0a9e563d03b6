"""Motif parameters of a trace, on request."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.family import Values
from crosslay.texture.filters import gaussian
from crosslay.texture.motif import MotifLimits, motif_parameters
from crosslay.texture.trace import Finding, Severity

#: Symbols of ISO 12085 as they stand among the values.
MOTIF_SYMBOLS = ("R", "AR", "Rx", "W", "AW", "Wx", "Wte")


def put_motifs(
    values: Values, levelled_um: NDArray[np.float64], spacing_um: float, limits: MotifLimits
) -> tuple[Finding, ...]:
    """Note the motif parameters of the middle of a trace.

    The method has its own λs and its own evaluation length and no λc (ISO 12085); so it starts from the heights after
    form removal and not from the window of the other parameters. The evaluation length lies in the middle; of a shorter
    trace all is used, which a finding says (decision: the page names neither).

    Parameters
    ----------
    values : Values
        Where to note them.
    levelled_um : (N,) float64
        Heights after form removal, µm.
    spacing_um : float
        Sampling spacing, µm.
    limits : MotifLimits
        Operators, λs and evaluation length.

    Returns
    -------
    tuple of Finding
        ``motif-length-short`` where the trace is shorter than the evaluation length.
    """
    primary = gaussian.mean_line(levelled_um, spacing_um, limits.short_cutoff_um / 1000.0)
    wanted = math.floor(limits.evaluation_mm * 1000.0 / spacing_um + 0.5)
    points = min(wanted, primary.size)
    start = (primary.size - points) // 2
    found = motif_parameters(
        primary[start : start + points],
        spacing_um,
        roughness_limit_mm=limits.roughness_mm,
        waviness_limit_mm=limits.waviness_mm,
    )
    for name, unit, value in (
        ("R", "um", found.r),
        ("AR", "mm", found.ar),
        ("Rx", "um", found.rx),
        ("W", "um", found.w),
        ("AW", "mm", found.aw),
        ("Wx", "um", found.wx),
        ("Wte", "um", found.wte),
    ):
        values.put(name, unit, value)
    if points == wanted:
        return ()
    length_mm = (points - 1) * spacing_um / 1000.0
    return (
        Finding(
            id="motif-length-short",
            severity=Severity.WARNING,
            text=(
                f"The motif parameters ask for {limits.evaluation_mm:g} mm; the trace has {length_mm:.4g} mm, and all "
                "of it was used."
            ),
            evidence={"needed_mm": limits.evaluation_mm, "given_mm": length_mm},
        ),
    )
