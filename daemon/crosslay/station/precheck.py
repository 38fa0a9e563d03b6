"""Whether a traverse may begin: range, tilt and standstill noise against the limits of the station file. Pure."""

from __future__ import annotations

from crosslay.plan.models import PreCheckSection
from crosslay.ports import PreCheck
from crosslay.texture.trace import Finding, Severity, Trace

#: Fact of a trace that was taken although something spoke against it.
PRECHECK_FACT = "precheck"


def hindrance(found: PreCheck, limits: PreCheckSection) -> str:
    """What speaks against a traverse, with what to do about it; "" for nothing.

    A number that the gauge does not give is not looked at; one that is not finite speaks against it.
    """
    low, high = limits.min_position_percent, limits.max_position_percent
    wrong = []
    position, tilt, noise = found.position_percent, found.tilt_um_per_mm, found.noise_um
    if position is not None and not low <= position <= high:
        wrong.append(f"the stylus stands at {position:.3g} % of its range, and {low:g} to {high:g} % are allowed; set "
                     "it to the middle")
    most = limits.max_tilt_um_per_mm
    if tilt is not None and most is not None and not abs(tilt) <= most:
        wrong.append(f"the part is tilted by {tilt:.3g} µm/mm, and {most:g} are allowed; level it")
    most = limits.max_noise_um
    if noise is not None and most is not None and not 0.0 <= noise <= most:
        wrong.append(f"at standstill the gauge reads {noise:.3g} µm of noise, and {most:g} are allowed; look for "
                     "vibration, air and a loose clamping")
    return "; ".join(wrong)


def flagged(trace: Trace) -> tuple[Finding, ...]:
    """What was wrong before the traverse, as a finding that travels with the result."""
    reason = trace.facts.get(PRECHECK_FACT)
    if not reason:
        return ()
    return (Finding(id="precheck", severity=Severity.WARNING, text=f"Before the traverse {reason}."),)
