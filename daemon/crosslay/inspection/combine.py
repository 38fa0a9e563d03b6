"""One verdict for a part of several traces."""

from __future__ import annotations

from crosslay.inspection.judge import Decision, Verdict
from crosslay.texture.trace import Finding, Severity

_WORST_FIRST = (Decision.FAIL, Decision.INVALID, Decision.UNDECIDED, Decision.PASS)


def combine(verdicts: tuple[Verdict, ...], missing: tuple[str, ...] = ()) -> Verdict:
    """Combine the verdicts of a part's places.

    Parameters
    ----------
    verdicts
        At least one.
    missing
        What was never measured, in words: the part is invalid then, whatever the others say.

    Returns
    -------
    Verdict
        The single verdict unchanged where there is one and nothing is missing; else fail before invalid before
        undecided before pass, since one certain nonconformity decides the part.
    """
    if len(verdicts) == 1 and not missing:
        return verdicts[0]
    findings = tuple(finding for verdict in verdicts for finding in verdict.findings)
    judged = tuple(item for verdict in verdicts for item in verdict.judged)
    if missing:
        text = f"the part is incomplete: {', '.join(missing)}"
        incomplete = Finding(
            id="incomplete",
            severity=Severity.INVALID,
            text=f"{text}. Measure the part again.",
            evidence={"missing_count": float(len(missing))},
        )
        return Verdict(decision=Decision.INVALID, text=text, judged=judged, findings=(*findings, incomplete))
    decision = next(worst for worst in _WORST_FIRST if any(verdict.decision is worst for verdict in verdicts))
    return Verdict(decision=decision, text=_text(decision, verdicts), judged=judged, findings=findings)


def _text(decision: Decision, verdicts: tuple[Verdict, ...]) -> str:
    judged = [item for verdict in verdicts for item in verdict.judged]
    match decision:
        case Decision.PASS:
            return f"all {len(judged)} characteristics within tolerance"
        case Decision.FAIL:
            failed = [item for item in judged if item.decision is Decision.FAIL]
            first = failed[0].characteristic + (f" at {failed[0].position}" if failed[0].position else "")
            return f"{len(failed)} of {len(judged)} characteristics out of tolerance, {first} the first"
        case _:
            return next(verdict.text for verdict in verdicts if verdict.decision is decision)
