"""The report of one evaluated trace for a person at the machine."""

from __future__ import annotations

from collections.abc import Iterator

from crosslay.cli.judged_text import judged_lines
from crosslay.cli.offline import Outcome
from crosslay.cli.output import LINE_WIDTH, SHOWN_UNITS, beside, number, quantity, table, wrapped
from crosslay.cli.smaller_tip_text import smaller_tip_lines
from crosslay.inspection.callout import Side
from crosslay.inspection.judge import Decision, Judged, Verdict
from crosslay.inspection.lengths import lengths_of
from crosslay.texture.evaluation import Evaluation, UsedSettings
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Finding, Severity

#: Groups of the short table. A name in brackets or one asked for goes to the last group.
_GROUPS = (
    ("heights", ("Ra", "Rq", "Rz", "Rp", "Rv", "Rt", "Rzx", "Rz1max", "Rmax", "RzJIS", "Rpm", "Rpt", "Rvt", "Rc",
                 "Rsk", "Rku")),
    ("spacing", ("Rsm", "RSm", "Rpc", "RPc", "Pc(0.5)", "Ral", "Rsw")),
    ("slope", ("Rdq", "Rda", "Rdt", "Rdl", "Rdr")),
    ("material ratio", ("Rk", "Rpk", "Rvk", "Rmrk1", "Rmrk2", "Mr1", "Mr2", "Rak1", "Rak2", "Rdc(20,80)", "Rpq", "Rvq",
                        "Rmq", "Rvmp", "Rvmc", "Rvvc", "Rvvv")),
    ("motif", ("R", "AR", "Rx", "W", "AW", "Wx")),
    ("primary", ("Pa", "Pq", "Pz", "Pt")),
    ("waviness", ("Wa", "Wq", "Wz", "Wt", "Wsw")),
)
_LABEL, _LEAST_CELL = 15, 20
_WORDS = {Decision.PASS: "PASS", Decision.FAIL: "FAIL", Decision.INVALID: "INVALID", Decision.UNDECIDED: "UNDECIDED"}


def report(outcome: Outcome, settings: Settings) -> list[str]:
    """Lines of the report; `settings` are shown where the trace could not be evaluated."""
    evaluation, verdict = outcome.evaluation, outcome.verdict
    lines = wrapped(f"{outcome.file}: ", _head(outcome), indent="  ")
    lines.append("  " + (_asked(settings) if evaluation is None else _used(evaluation.settings)))
    if verdict is not None:
        lines += ["", *judged_table(verdict.judged, evaluation), *judged_lines(verdict.judged)]
    if evaluation is not None:
        lines += ["", *_values(evaluation, settings)]
        if outcome.smaller_tip is not None:
            lines += ["", *smaller_tip_lines(outcome.smaller_tip, evaluation)]
    return [*lines, *finding_lines(outcome.findings)]


def finding_lines(findings: tuple[Finding, ...]) -> list[str]:
    """Each finding, with an empty line before it."""
    lines: list[str] = []
    for finding in findings:
        lines += ["", *wrapped(f"  {_severity(finding.severity)} {finding.id}: ", finding.text, indent="    ")]
    return lines


def _head(outcome: Outcome) -> str:
    if outcome.verdict is None:
        return "no call-out, so no verdict"
    return headline(outcome.verdict, outcome.findings)


def headline(verdict: Verdict, findings: tuple[Finding, ...]) -> str:
    """The verdict and why, in one line."""
    blocking = [finding.id for finding in findings if finding.severity is Severity.INVALID]
    return f"{_WORDS[verdict.decision]}: {', '.join(blocking) or verdict.text}"


def _severity(severity: Severity) -> str:
    return "INVALID," if severity is Severity.INVALID else f"{severity.value},"


def _used(used: UsedSettings) -> str:
    section_mm = used.section_points * used.spacing_um / 1000.0
    class_text = f" ({used.setting_class})" if used.setting_class else ""
    short = "no λs" if used.short_cutoff_um is None else f"λs {number(used.short_cutoff_um)} µm"
    parts = [
        f"{used.standard.value}, {used.filter.value}", f"λc {quantity(used.cutoff_mm, 'mm')}{class_text}", short,
        f"{_sections(used.sections)} of {number(section_mm)} mm", f"form {used.form}",
        f"spacing {number(used.spacing_um)} µm",
    ]
    if used.waviness_cutoff_mm is not None:
        parts.insert(2, f"λf {number(used.waviness_cutoff_mm)} mm")
    return ", ".join(parts)


def _asked(settings: Settings) -> str:
    lengths = lengths_of(settings)
    cutoff = "λc from the trace" if lengths.cutoff_mm is None else f"λc {number(lengths.cutoff_mm)} mm"
    travel = "" if lengths.travel_mm is None else f", travel at least {number(lengths.travel_mm)} mm"
    return f"{settings.standard.value}, {settings.filter.value}, {cutoff}, {_sections(lengths.sections)}{travel}"


def _sections(count: int) -> str:
    return f"{count} section{'' if count == 1 else 's'}"


def judged_table(judged: tuple[Judged, ...], shown: Evaluation | None) -> list[str]:
    """Call-outs with value, limit, rule and verdict; `shown` is the evaluation whose settings stand above."""
    rows = [("call-out", "value", "limit", "rule", "verdict")]
    for each in judged:
        sign = "≤" if each.callout.side is Side.UPPER else "≥"
        value = "–" if each.value is None else beside(each.value, each.callout.limit)
        note = each.decision.value
        if each.settings is not None and shown is not None and each.settings != shown.settings:
            note += f"   ({each.settings.filter.value}, λc {quantity(each.settings.cutoff_mm, 'mm')})"
        unit = SHOWN_UNITS.get(each.unit, each.unit)
        rows.append((each.callout.text, f"{value} {unit}".rstrip() if each.value is not None else value,
                     f"{sign} {quantity(each.callout.limit, each.unit, 6)}", each.rule.value, note))
    return table(rows)


def _values(evaluation: Evaluation, settings: Settings) -> list[str]:
    groups = [(title, [f"{name} {quantity(evaluation.parameters[name], evaluation.units[name])}" for name in names
                       if evaluation.parameters[name] is not None])
              for title, names in _groups(evaluation, settings)]
    width = 2 + max((len(cell) for _title, cells in groups for cell in cells), default=0)
    width = max(width, _LEAST_CELL)
    columns = max(1, (LINE_WIDTH - 2 - _LABEL) // width)
    lines: list[str] = []
    for title, cells in groups:
        for start in range(0, len(cells), columns):
            label = title if start == 0 else ""
            row = "".join(f"{cell:<{width}}" for cell in cells[start : start + columns])
            lines.append(f"  {label:<{_LABEL}}{row}".rstrip())
    return [*lines, *_undefined(evaluation, settings)]


def _undefined(evaluation: Evaluation, settings: Settings) -> list[str]:
    """Why the shown parameters without a value have none, the same reason once."""
    reasons: dict[str, list[str]] = {}
    for _title, names in _groups(evaluation, settings):
        for name in names:
            if evaluation.parameters[name] is None:
                reasons.setdefault(evaluation.undefined.get(name, "not a finite number"), []).append(name)
    lines: list[str] = []
    for reason, names in reasons.items():
        lines += wrapped("  undefined      ", f"{', '.join(names)}: {reason}", indent=" " * 17)
    return lines


def _groups(evaluation: Evaluation, settings: Settings) -> Iterator[tuple[str, list[str]]]:
    shown: set[str] = set()
    for title, wanted in _GROUPS:
        names = [name for name in wanted if name in evaluation.parameters]
        shown.update(names)
        if names:
            yield title, names
    asked = [name for name in settings.parameters if name in evaluation.parameters and name not in shown]
    if asked:
        yield "asked for", asked
