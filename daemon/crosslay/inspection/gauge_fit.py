"""Whether the gauge can carry what is asked of it: spacing, tip, range, speed, skid.

A trace that does not fit is evaluated all the same, and a warning says what would be needed (design: texture, section
8). Only what a skid cannot measure has no value: it rides on the surface beside the tip, so the long waves that P and W
are made of are not in the trace. What is said here belongs to the gauge and not to the part: the same warning comes
with every trace until somebody changes the gauge or the plan. Spacing and tip for an applied λs are looked at by
`crosslay.texture.tip`, a traverse that is too short by `crosslay.inspection.plausibility`.

References
----------
ISO 3274:1996, table 1 (spacing and tip) and clause 3 (a skid is no datum for P and W); ISO 3274:1975 (radius of the
skid at least 50 cut-offs); all from memory. Range and speed: *common practice, no source*.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from crosslay.inspection.findings.subject import without_zones
from crosslay.inspection.symbols import family
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.settings import SettingClass, Settings, Standard, nearest_class
from crosslay.texture.stretch import left_out_ends
from crosslay.texture.tip import tip_radius_um
from crosslay.texture.trace import Finding, Severity, Trace

#: Common practice, no source: the usual traverse speed, and the one above which the tip may lift off.
USUAL_SPEED_MM_S: Final = 0.5
FASTEST_MM_S: Final = 1.0
#: Heights within this share of the range from one of its ends leave too little for the next part (common practice).
RANGE_RESERVE: Final = 0.1
#: The skid's radius in cut-offs that is needed at least (ISO 3274:1975, from memory).
SKID_RADII: Final = 50.0

#: Why a parameter of P or W has no value from a skidded trace; one text, so that a report says it once for all.
SKIDDED: Final = ("the gauge rested on a skid, which follows the long waves that are measured here, so they are not in "
                  "the trace; measure it with a gauge without skid")

_NO_SKID = frozenset({"", "no", "none", "false", "off", "0", "without", "skidless", "n/a", "-", "unknown"})


@dataclass(frozen=True, slots=True)
class Skid:
    """A skid beside the tip; `radius_mm` is None where the trace does not say it."""

    radius_mm: float | None = None


def skid_of(trace: Trace) -> Skid | None:
    """Skid by the trace's own word; None where there is none or where nothing is said.

    Parameters
    ----------
    trace
        With the fact ``skid``: ``none``, ``no``, ``false``, ``off``, ``0`` … for none; ``yes``, ``true``, ``on``, ``1``
        or any other word for one; a number above 1, alone or before ``mm``, is its radius. So is the fact
        ``skid_radius_mm``.
    """
    said = trace.facts.get("skid", "").strip().lower()
    if said in _NO_SKID:
        return None
    radius_mm = _number(trace.facts.get("skid_radius_mm", ""))
    if radius_mm is None and (alone := _number(said.removesuffix("mm").removeprefix("r"))) != 1.0:
        radius_mm = alone
    return Skid(radius_mm)


def without_skidded(trace: Trace, evaluation: Evaluation) -> Evaluation:
    """Take away the values that a skidded trace cannot give: P, W, and the waviness motifs."""
    if skid_of(trace) is None:
        return evaluation
    lost = [name for name in evaluation.parameters if family(name) != "R"]
    return replace(
        evaluation,
        parameters=evaluation.parameters | dict.fromkeys(lost),
        undefined=evaluation.undefined | dict.fromkeys(lost, SKIDDED),
    )


def gauge_fit(trace: Trace, evaluations: Mapping[Settings, Evaluation]) -> list[Finding]:
    """Say what does not fit; nothing where the gauge does.

    Parameters
    ----------
    trace
        Raw trace with finite samples.
    evaluations
        What was computed from it, by what was asked for; possibly nothing.

    Returns
    -------
    list of Finding
        At most one each of ``spacing-too-wide``, ``tip-too-large`` (both for evaluations without λs),
        ``range-nearly-used``, ``speed-too-high``, ``skid-too-small``; all of them warnings.
    """
    carried = [found for each in evaluations.values() for found in _carrying(trace, each)]
    found = [*carried, _range_used(trace, evaluations), _speed(trace), _skid_radius(trace, evaluations.values())]
    first: dict[str, Finding] = {}
    for finding in found:
        if finding is not None:
            first.setdefault(finding.id, finding)
    return list(first.values())


def needed_sample_rate_hz(spacing_um: float, speed_mm_s: float) -> float:
    """Samples a second for a spacing at a speed."""
    return round(1000.0 * speed_mm_s / spacing_um, 6)


def speed_limit_mm_s(spacing_um: float, sample_rate_hz: float | None) -> float:
    """Highest speed that keeps the spacing at a sample rate and the tip on the surface; without a rate the latter."""
    if sample_rate_hz is None:
        return FASTEST_MM_S
    return min(FASTEST_MM_S, spacing_um * sample_rate_hz / 1000.0)


def _carrying(trace: Trace, evaluation: Evaluation) -> list[Finding]:
    """Spacing and tip against the class of λc, where no λs was applied that they could be held against.

    JIS B 0601 has no λs and, in the editions that its values come from, no largest spacing either.
    """
    used = evaluation.settings
    if used.short_cutoff_um is not None or used.cutoff_mm is None or used.standard is Standard.JIS_B_0601:
        return []
    row, radius_um = nearest_class(used.cutoff_mm, used.standard), tip_radius_um(trace)
    found = []
    if used.spacing_um > row.max_spacing_um:
        found.append(_too_large("spacing-too-wide", "spacing", used.spacing_um, row.max_spacing_um, row))
    if radius_um is not None and radius_um > row.max_tip_radius_um:
        found.append(_too_large("tip-too-large", "tip_radius", radius_um, row.max_tip_radius_um, row))
    return found


def _too_large(finding_id: str, name: str, given_um: float, most_um: float, row: SettingClass) -> Finding:
    what, remedy = {"spacing": ("a spacing", "Trace with"), "tip_radius": ("a tip radius", "Use a tip of")}[name]
    return Finding(
        id=finding_id,
        severity=Severity.WARNING,
        text=f"The trace has {what} of {given_um:g} µm; setting class {row.name} (λc {row.cutoff_mm:g} mm) asks for at "
        f"most {most_um:g} µm. {remedy} {most_um:g} µm or less.",
        evidence={f"{name}_um": given_um, f"max_{name}_um": most_um, "cutoff_mm": row.cutoff_mm},
    )


def _range_used(trace: Trace, evaluations: Iterable[Settings]) -> Finding | None:
    if trace.sample_range is None or trace.points == 0:
        return None
    low, high = trace.sample_range
    # What every evaluation leaves out, an edge or a keyway, is no matter.
    ends = [left_out_ends(trace, settings) for settings in evaluations] or [(0.0, 0.0)]
    samples = without_zones(trace, min(start for start, _end in ends), min(end for _start, end in ends))[0].samples
    lowest, highest = float(samples.min()), float(samples.max())
    scale_um = abs(trace.calibration.gain_um * trace.calibration.amplification)
    reserve = min(lowest - low, high - highest) / (high - low) if high > low else 0.0
    if not 0.0 < reserve < RANGE_RESERVE:  # at the very end the trace is clipped, which is another finding
        return None
    range_um, used_um = scale_um * (high - low), scale_um * (highest - lowest)
    if used_um <= (1.0 - 2.0 * RANGE_RESERVE) * range_um:
        remedy = "Set the stylus nearer to the middle of its range, or level the part."
    else:
        needed_um = used_um / (1.0 - 2.0 * RANGE_RESERVE)
        remedy = f"Level the part, or choose a range of at least {needed_um:.3g} µm."
    return Finding(
        id="range-nearly-used",
        severity=Severity.WARNING,
        text=f"The heights come within {100.0 * reserve:.2g} % of the gauge's range ({range_um:.4g} µm) to its end; "
        f"the next part may run out of it. {remedy}",
        evidence={"reserve_percent": 100.0 * reserve, "range_um": range_um, "used_um": used_um},
    )


def _speed(trace: Trace) -> Finding | None:
    speed_mm_s = _number(trace.facts.get("speed_mm_s", ""))
    if speed_mm_s is None or speed_mm_s <= FASTEST_MM_S:
        return None
    return Finding(
        id="speed-too-high",
        severity=Severity.WARNING,
        text=f"The stylus travelled at {speed_mm_s:g} mm/s; above {FASTEST_MM_S:g} mm/s it may lift off at steep "
        f"flanks and read too low. Trace at {USUAL_SPEED_MM_S:g} mm/s (common practice).",
        evidence={"speed_mm_s": speed_mm_s, "max_speed_mm_s": FASTEST_MM_S},
    )


def _skid_radius(trace: Trace, evaluations: Iterable[Evaluation]) -> Finding | None:
    skid = skid_of(trace)
    cutoffs_mm = [each.settings.cutoff_mm for each in evaluations if each.settings.cutoff_mm is not None]
    if skid is None or skid.radius_mm is None or not cutoffs_mm:
        return None
    needed_mm = SKID_RADII * max(cutoffs_mm)
    if skid.radius_mm >= needed_mm * (1.0 - 1e-9):
        return None
    return Finding(
        id="skid-too-small",
        severity=Severity.WARNING,
        text=f"The skid's radius of {skid.radius_mm:g} mm is too small for a cut-off of {max(cutoffs_mm):g} mm: it "
        "follows the longer waves, and heights such as Rt and Rz come out wrong. Use a skid of at least "
        f"{needed_mm:.4g} mm, or a gauge without skid.",
        evidence={"skid_radius_mm": skid.radius_mm, "needed_radius_mm": needed_mm, "cutoff_mm": max(cutoffs_mm)},
    )


def _number(text: str) -> float | None:
    """A number above 0, with a point or a comma; None where there is none."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if 0.0 < value < math.inf else None
