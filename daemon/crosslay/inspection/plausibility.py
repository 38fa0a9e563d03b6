"""What makes a trace implausible: the door to the findings in `crosslay.inspection.findings` and `rocking`.

A finding of severity invalid turns the verdict to invalid: a number from such a trace is not to be trusted, whatever
it is. So each test asks for a fault that stands far outside of what a clean surface does, and says in its comments how
far. A warning travels with the result. How often each is raised, rightly and wrongly, is measured by
tests/finding_campaign.py; the tables are in DEVELOPERS.md.
"""

from __future__ import annotations

from crosslay.inspection.findings.clipped import clipped, texture_height_um
from crosslay.inspection.findings.ends import set_down
from crosslay.inspection.findings.hum import drive_screw, mains_hum
from crosslay.inspection.findings.lay import along_the_lay, cutoff_fit
from crosslay.inspection.findings.missing import samples_missing
from crosslay.inspection.findings.noise import noise_floor
from crosslay.inspection.findings.scratch import scratch
from crosslay.inspection.findings.spike import spike
from crosslay.inspection.findings.stuck import motionless, stuck
from crosslay.inspection.findings.subject import Check, History, Subject, without_zones
from crosslay.inspection.rocking import rocking
from crosslay.texture.evaluation import Evaluation
from crosslay.texture.settings import DEFAULT_SECTIONS, Settings, setting_table
from crosslay.texture.stretch import least_travel_mm
from crosslay.texture.trace import Finding, Severity, Trace
from crosslay.texture.window import RUN_SHARES

#: Every check that looks at one evaluation of a trace, in the order in which findings are shown.
CHECKS: tuple[Check, ...] = (
    stuck,
    spike,
    samples_missing,
    set_down,
    rocking,
    scratch,
    along_the_lay,
    mains_hum,
    drive_screw,
    noise_floor,
    cutoff_fit,
)


def implausible(
    trace: Trace,
    evaluations: tuple[Evaluation, ...],
    *,
    skip_start_mm: float = 0.0,
    skip_end_mm: float = 0.0,
    history: History | None = None,
) -> list[Finding]:
    """Findings on the raw trace and on its evaluations; at most one of each id, the most severe.

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
    found = [clipped(judged, texture_height_um(judged, evaluations))]
    if not evaluations:
        found.append(motionless(judged, before_mm))
    for evaluation in evaluations:
        subject = Subject(trace=judged, evaluation=evaluation, before_mm=before_mm, history=history)
        found += [check(subject) for check in CHECKS]
    first: dict[str, Finding] = {}
    for finding in found:
        if finding is None:
            continue
        known = first.setdefault(finding.id, finding)
        if finding.severity is Severity.INVALID and known.severity is not Severity.INVALID:
            first[finding.id] = finding
    jumped = "rocking" in first and "jump_um" in first["rocking"].evidence
    if "spike" in first or jumped:
        first.pop("scratch", None)  # either stands out of the roughness; the same place would be said twice
    return list(first.values())


def too_short(trace: Trace, settings: Settings, reason: str) -> Finding:
    """Finding for a trace that does not hold the evaluation length; `reason` is the evaluation's own text."""
    cutoff_mm = settings.cutoff_mm if settings.cutoff_mm is not None else setting_table(settings.standard)[0].cutoff_mm
    sections = settings.sections or DEFAULT_SECTIONS
    needed_mm = least_travel_mm((sections + sum(RUN_SHARES[settings.filter])) * cutoff_mm, settings)
    given_mm = (trace.points - 1) * trace.spacing_um / 1000.0
    return Finding(
        id="too-short",
        severity=Severity.INVALID,
        text=f"{reason[0].upper()}{reason[1:]}. Set the traverse to at least {needed_mm:.4g} mm, or see "
        "why it ended early.",
        evidence={"needed_mm": needed_mm, "given_mm": given_mm},
    )


def settings_do_not_fit(reason: str) -> Finding:
    """Finding for settings that this trace cannot be evaluated under (a cut-off below two samples …)."""
    return Finding(
        id="settings-do-not-fit",
        severity=Severity.INVALID,
        text=f"{reason[0].upper()}{reason[1:]}. Correct the settings of the call-out, or the spacing of the gauge.",
    )
