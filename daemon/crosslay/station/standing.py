"""What the reference checks in the store say of the gauge now. Pure: registered specimens, stored checks, clocks."""

from __future__ import annotations

import datetime as dt
import enum
from collections.abc import Mapping
from dataclasses import dataclass, replace

from crosslay.inspection.judge import Decision, Verdict
from crosslay.plan.specimens import Registered
from crosslay.record.check_rows import CheckRow
from crosslay.record.checks import CheckState
from crosslay.texture.trace import Finding, Severity

_DAY_S = 86_400.0
#: The wall clock may be set back so far by a time service without anybody noticing.
_CLOCK_STEP_S = 60.0
#: A check is due soon in the last tenth of its interval, a certificate in its last two weeks.
_SOON_SHARE = 0.1
_CERTIFICATE_SOON_S = 14 * _DAY_S


class Word(enum.Enum):
    """What ``v1/state`` says of all specimens together, or of one."""

    NONE = "none"
    VALID = "valid"
    DUE_SOON = "due-soon"
    OVERDUE = "overdue"
    FAILED = "failed"


_WORST_LAST = (Word.NONE, Word.VALID, Word.DUE_SOON, Word.OVERDUE, Word.FAILED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How one specimen stands, or all together (then that of the worst).

    Attributes
    ----------
    text
        Why, in a sentence; ``""`` where all is well.
    due_s
        When the next check is due, seconds since the epoch; None where it is due at once, or never.
    check
        The newest check of the specimen.
    """

    word: Word
    text: str = ""
    due_s: float | None = None
    check: CheckRow | None = None

    @property
    def passes(self) -> bool:
        """Whether parts may pass."""
        return self.word not in {Word.OVERDUE, Word.FAILED}


def overall(
    specimens: tuple[Registered, ...], state: CheckState, now: float, ages_s: Mapping[str, float]
) -> Standing:
    """The worst of all specimens; among equals the one that is due first.

    Parameters
    ----------
    specimens
        Of the plan.
    state
        What the store says.
    now
        Wall clock, seconds since the epoch.
    ages_s
        By specimen: time since its last check by the monotonic clock, s, where this process saw that check.
    """
    each = [standing_of(item, state, now, ages_s.get(item.name, 0.0)) for item in specimens]
    if not each:
        return Standing(word=Word.NONE)
    return max(each, key=lambda one: (_WORST_LAST.index(one.word), -(one.due_s or 0.0)))


def standing_of(specimen: Registered, state: CheckState, now: float, age_s: float) -> Standing:
    """How one specimen stands; see `overall`."""
    check = state.last.get(specimen.name)
    if check is None:
        return Standing(word=Word.OVERDUE, text=f"specimen {specimen.name} has not been checked yet")
    if not check.good:
        return Standing(word=Word.FAILED, text=str(check.document.get("text", "the check failed")), check=check)
    problem = _not_counting(specimen, state, check) or _out_of_date(specimen, check, now, age_s)
    if problem:
        return Standing(word=Word.OVERDUE, text=problem, check=check)
    due_s = min(check.finished_at + specimen.every_s, specimen.certificate_ends_s)
    left_s = min(check.finished_at + specimen.every_s - now, specimen.every_s - age_s)
    if left_s < _SOON_SHARE * specimen.every_s:
        text = f"specimen {specimen.name} is to be checked by {clock_text(due_s)}"
        return Standing(word=Word.DUE_SOON, text=text, due_s=due_s, check=check)
    if specimen.certificate_ends_s - now < _CERTIFICATE_SOON_S:
        text = f"the certificate of specimen {specimen.name} ends on {specimen.certificate_due}"
        return Standing(word=Word.DUE_SOON, text=text, due_s=due_s, check=check)
    return Standing(word=Word.VALID, due_s=due_s, check=check)


def guarded(verdict: Verdict, standing: Standing) -> Verdict:
    """The verdict, or invalid where nothing vouches for the gauge: then values stay for the eye only."""
    if standing.passes:
        return verdict
    failed = standing.word is Word.FAILED
    finding = Finding(
        id="reference-check-failed" if failed else "reference-check-overdue",
        severity=Severity.INVALID,
        text=(
            f"The reference check {'failed' if failed else 'is overdue'}: {standing.text.rstrip('.')}. "
            "Check the gauge on the specimen; then measure the part again."
        ),
    )
    judged = tuple(replace(each, decision=Decision.INVALID, reason=finding.text) for each in verdict.judged)
    return replace(
        verdict, decision=Decision.INVALID, text=finding.text, judged=judged, findings=(finding, *verdict.findings)
    )


def clock_text(wall_s: float) -> str:
    """A time for a person, in UTC."""
    return dt.datetime.fromtimestamp(wall_s, tz=dt.UTC).strftime("%Y-%m-%d %H:%M UTC")


def _not_counting(specimen: Registered, state: CheckState, check: CheckRow) -> str:
    """Why a check, however recent, proves nothing of the gauge as it measures now; ``""`` where it does."""
    if state.distrusted and check.number <= int(state.distrusted["check"]):
        return f"{state.distrusted['why']}, so checks after the one of {clock_text(check.finished_at)} may be missing"
    if check.specimen_hash != specimen.digest:
        return f"the entry of specimen {specimen.name} in the station file changed after its last check"
    if check.amplification != state.amplification:
        return f"the correction was changed after the last check of specimen {specimen.name}"
    return ""


def _out_of_date(specimen: Registered, check: CheckRow, now: float, age_s: float) -> str:
    if now < check.finished_at - _CLOCK_STEP_S:
        return (
            f"this computer's clock says {clock_text(now)}, which is before the last check of specimen "
            f"{specimen.name} ({clock_text(check.finished_at)}); set the clock"
        )
    if now >= specimen.certificate_ends_s:
        return (
            f"the certificate of specimen {specimen.name} ended on {specimen.certificate_due}; have it calibrated and "
            "enter the new certificate in the station file"
        )
    if now >= check.finished_at + specimen.every_s or age_s >= specimen.every_s:
        return (
            f"specimen {specimen.name} was checked last on {clock_text(check.finished_at)}, and is to be checked every "
            f"{specimen.every_hours:g} h"
        )
    return ""
