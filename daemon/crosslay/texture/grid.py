"""From a raw trace to heights on one even grid (page *texture*, section 1, steps 1 and 2)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import TraceError
from crosslay.texture.trace import MAX_HEIGHT_UM, Finding, Severity, Trace

#: Share of the spacing by which a place may miss its grid place without being interpolated.
EVEN_SHARE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EvenHeights:
    """Calibrated heights on an even grid.

    Attributes
    ----------
    z_um
        Heights, shape (N,), µm.
    spacing_um
        Sampling spacing, µm.
    findings
        ``uneven-spacing`` where the heights were interpolated.
    """

    z_um: NDArray[np.float64]
    spacing_um: float
    findings: tuple[Finding, ...] = ()


def even_heights(trace: Trace, *, skip_start_mm: float = 0.0, skip_end_mm: float = 0.0) -> EvenHeights:
    """Cut the zones to leave out, calibrate, and bring the heights onto an even grid.

    Parameters
    ----------
    trace : Trace
        Raw trace.
    skip_start_mm, skip_end_mm : float
        Zones to leave out at either end, mm.

    Raises
    ------
    TraceError
        Not a finite number, a height beyond 1 m, positions that do not increase, or nothing left after the cut.
    """
    z = trace.heights_um()
    positions = trace.positions_mm
    if skip_start_mm > 0 or skip_end_mm > 0:
        kept = _kept(trace, skip_start_mm, skip_end_mm)
        z = z[kept]
        positions = None if positions is None else positions[kept]
    _require_usable(z)
    if positions is None:
        return EvenHeights(z_um=z, spacing_um=trace.spacing_um)
    return _onto_grid(z, positions, trace.position_resolution_mm)


def _kept(trace: Trace, skip_start_mm: float, skip_end_mm: float) -> slice:
    """Samples between the zones; a sample on the border of a zone stays."""
    if trace.positions_mm is None:
        along = np.arange(trace.points, dtype=np.float64) * (trace.spacing_um / 1000.0)
    else:
        along = trace.positions_mm - trace.positions_mm[0]
    if along.size == 0:
        raise TraceError("the trace is empty")
    slip = 1e-9 * float(along[-1])
    first = int(np.searchsorted(along, skip_start_mm - slip, side="left"))
    stop = int(np.searchsorted(along, float(along[-1]) - skip_end_mm + slip, side="right"))
    if stop - first < 2:
        raise TraceError(
            f"leaving out {skip_start_mm:g} mm and {skip_end_mm:g} mm of a trace of {float(along[-1]):.4g} mm "
            "leaves nothing"
        )
    return slice(first, stop)


def _require_usable(z_um: NDArray[np.float64]) -> None:
    if z_um.size < 2:
        raise TraceError("the trace is empty" if z_um.size == 0 else "the trace is a single sample")
    # min and max let NaN and infinity through to the comparison, so one pass each settles the common case.
    if float(z_um.min()) >= -MAX_HEIGHT_UM and float(z_um.max()) <= MAX_HEIGHT_UM:
        return
    bad = np.flatnonzero(~np.isfinite(z_um))
    if bad.size:
        raise TraceError(f"sample {int(bad[0]) + 1} is {z_um[bad[0]]}; every height must be a finite number")
    worst = int(np.argmax(np.abs(z_um)))
    raise TraceError(
        f"sample {worst + 1} is {z_um[worst]:g} µm; heights beyond ±{MAX_HEIGHT_UM:g} µm are not a surface"
    )


def _spacing_and_miss(positions_mm: NDArray[np.float64]) -> tuple[float, float]:
    if positions_mm.size < 2:
        raise TraceError("positions need at least two samples")
    if not np.isfinite(positions_mm).all():
        raise TraceError("every position must be a finite number")
    steps = np.diff(positions_mm)
    if not (steps > 0).all():
        where = int(np.argmin(steps > 0))
        raise TraceError(
            f"position {where + 2} ({positions_mm[where + 1]:g} mm) does not lie beyond the one before it "
            f"({positions_mm[where]:g} mm); x must increase strictly"
        )
    spacing_mm = float(positions_mm[-1] - positions_mm[0]) / (positions_mm.size - 1)
    places = positions_mm[0] + spacing_mm * np.arange(positions_mm.size)
    return spacing_mm, float(np.abs(positions_mm - places).max())


def _allowance_mm(spacing_mm: float, resolution_mm: float) -> float:
    # The hair's breadth keeps a miss of exactly one printed unit, off by rounding in binary, on the even side.
    return max(EVEN_SHARE * spacing_mm, resolution_mm) * (1.0 + 1e-9)


def _onto_grid(z_um: NDArray[np.float64], positions_mm: NDArray[np.float64], resolution_mm: float) -> EvenHeights:
    spacing_mm, miss_mm = _spacing_and_miss(positions_mm)
    if not (math.isfinite(spacing_mm) and spacing_mm > 0):
        raise TraceError("the positions span no length")
    spacing_um = spacing_mm * 1000.0
    if miss_mm <= _allowance_mm(spacing_mm, resolution_mm):
        return EvenHeights(z_um=z_um, spacing_um=spacing_um)
    places = positions_mm[0] + spacing_mm * np.arange(positions_mm.size)
    finding = Finding(
        id="uneven-spacing",
        severity=Severity.WARNING,
        text=(
            f"The samples lie up to {miss_mm * 1000:.4g} µm from an even grid of {spacing_um:.6g} µm; "
            "the heights were interpolated onto the grid. Check the traverse encoder or the clock of the gauge."
        ),
        evidence={"largest_miss_um": miss_mm * 1000.0, "spacing_um": spacing_um},
    )
    return EvenHeights(z_um=np.interp(places, positions_mm, z_um), spacing_um=spacing_um, findings=(finding,))
