"""Zones that are left out of a trace: the edge, a keyway, a burr. What is evaluated lies in one clean stretch.

A filter mixes what lies within a cut-off of each place, so a zone in the middle cannot be cut out of the profile
afterwards, and two sides joined over a gap would make a step that is not there. A zone therefore ends the trace on
either side of it: the longest stretch without a zone is evaluated like a trace of its own, with run-up and run-down
inside it, and where it does not hold the evaluation length the trace is too short. *Design: texture is silent*; that
the evaluation keeps away from the workpiece's edges and from flaws is ISO 4288:1996, clause 5.1, from memory.
"""

from __future__ import annotations

from crosslay.texture.settings import Settings
from crosslay.texture.trace import Trace


def left_out_ends(trace: Trace, settings: Settings) -> tuple[float, float]:
    """Lengths before and behind what is evaluated, mm: the two ends, grown so that no zone is left between.

    Of several clean stretches the longest counts, of two equally long ones the first.
    """
    if not settings.leave_out_mm:
        return settings.skip_start_mm, settings.skip_end_mm
    length_mm = _length_mm(trace)
    start_mm, end_mm = _longest(_gaps(settings, length_mm - settings.skip_end_mm))
    return min(start_mm, length_mm), max(0.0, length_mm - end_mm)


def least_travel_mm(needed_mm: float, settings: Settings) -> float:
    """Shortest trace, mm, that has a clean stretch of `needed_mm`."""
    for start_mm, end_mm in _gaps(settings, float("inf")):
        if end_mm - start_mm >= needed_mm:
            return start_mm + needed_mm + settings.skip_end_mm
    raise AssertionError("beyond the last zone a trace is clean")


def _gaps(settings: Settings, end_mm: float) -> list[tuple[float, float]]:
    """Stretches between the zones, from `skip_start_mm` to `end_mm`; at least one, possibly of no length."""
    gaps, here_mm = [], settings.skip_start_mm
    for zone_start_mm, zone_end_mm in sorted(settings.leave_out_mm):
        if zone_start_mm > here_mm:
            gaps.append((here_mm, min(zone_start_mm, end_mm)))
        here_mm = max(here_mm, zone_end_mm)
    return [*gaps, (here_mm, max(here_mm, end_mm))]


def _longest(gaps: list[tuple[float, float]]) -> tuple[float, float]:
    return max(gaps, key=lambda gap: gap[1] - gap[0])


def _length_mm(trace: Trace) -> float:
    if trace.positions_mm is not None:
        return float(trace.positions_mm[-1] - trace.positions_mm[0])
    return (trace.points - 1) * (trace.spacing_um / 1000.0)
