"""From evaluations to a verdict."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

from crosslay.inspection.callout import Callout, Rule
from crosslay.texture.evaluation import Evaluation, UsedSettings
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Finding, Trace


class Decision(enum.Enum):
    """The four verdicts. Anything not judged is not a pass."""

    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNDECIDED = "undecided"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One call-out of one characteristic, with the settings that it is evaluated under."""

    characteristic: str
    callout: Callout
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One call-out, decided. ``value`` is None where undefined; then ``reason`` says why."""

    characteristic: str
    callout: Callout
    rule: Rule
    value: float | None
    unit: str
    decision: Decision
    reason: str = ""
    settings: UsedSettings | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The whole part, decided. ``text`` is one sentence for a person."""

    decision: Decision
    text: str
    judged: tuple[Judged, ...]
    findings: tuple[Finding, ...] = ()
    evaluations: dict[Settings, Evaluation] = field(default_factory=dict)


def inspect(trace: Trace, requirements: tuple[Requirement, ...]) -> Verdict:
    """Evaluate a trace once per distinct settings, look for what makes it implausible, and decide."""
    raise NotImplementedError
