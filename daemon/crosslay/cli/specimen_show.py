"""Texts and JSON of ``crosslay specimen``: the list, the chart of a specimen, corrections, recalls."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crosslay.bus.messages import rfc3339
from crosslay.cli.output import number, quantity, table
from crosslay.errors import UsageError
from crosslay.inspection.correction import Correction, NoCorrection
from crosslay.plan.specimens import Registered
from crosslay.record.check_rows import NOT_USABLE, CheckRow, CorrectionRow, RecallRow
from crosslay.record.checks import CheckState
from crosslay.station.specimen_check import charted, deviation_percent, signals_of
from crosslay.station.standing import Standing, clock_text

#: Half of the chart's width in characters, and how far the tolerance lies from its middle.
_HALF = 20
_TOLERANCE_AT = 16
_COLUMNS = ("recall", "recall_time", "specimen", "check", "instance", "sequence", "part", "result_time")
_MARKS = {"in-tolerance": "o", "warning": "!", "out-of-tolerance": "X"}
_NOTHING = (
    "no specimen is registered: add a [[specimen]] to the station file; until then nothing proves that the gauge reads "
    "right"
)


def list_lines(rows: Sequence[tuple[Registered, Standing]], state: CheckState) -> list[str]:
    """A table of the registered specimens and how each stands."""
    if not rows:
        return [_NOTHING]
    head = ("specimen", "type", "certified", "certificate", "until", "every", "last check", "deviation", "stands")
    lines = table([head, *(_listed(*row) for row in rows)], indent="")
    lines += [f"{each.name}: {standing.text}" for each, standing in rows if standing.text]
    factor = state.amplification
    lines.append(f"correction in force: {factor:.6g}" if factor != 1.0 else "no correction is in force")
    return lines


def _listed(specimen: Registered, standing: Standing) -> tuple[str, ...]:
    data, check = specimen.specimen, standing.check
    certified = f"{data.parameter} {quantity(data.certified, data.unit)} ± {number(data.expanded_uncertainty)}"
    return (
        data.name, data.type.value, certified, data.certificate, specimen.certificate_due.isoformat(),
        f"{specimen.every_hours:g} h", "never" if check is None else clock_text(check.finished_at),
        "–" if check is None else f"{deviation_percent(check):+.2f} %", standing.word.value,
    )  # fmt: skip


def list_document(specimen: Registered, standing: Standing) -> dict[str, Any]:
    """One registered specimen as JSON."""
    data, check = specimen.specimen, standing.check
    return {
        "specimen": data.name, "type": data.type.value, "parameter": data.parameter, "certified": data.certified,
        "expandedUncertainty": data.expanded_uncertainty, "coverageFactor": data.coverage_factor, "unit": data.unit,
        "certificate": data.certificate, "certificateDue": specimen.certificate_due.isoformat(),
        "everyHours": specimen.every_hours, "traces": specimen.traces, "tolerancePercent": data.tolerance_percent,
        "warnPercent": data.warn_percent, "referenceCheck": standing.word.value, "reason": standing.text or None,
        "due": None if standing.due_s is None else rfc3339(standing.due_s),
        "lastCheck": None if check is None else history_document(check),
    }  # fmt: skip


def history_document(row: CheckRow) -> dict[str, Any]:
    """One check as JSON."""
    head = {"check": row.check_id, "time": rfc3339(row.finished_at), "correction": row.amplification}
    return head | row.document


def outcome_lines(row: CheckRow) -> list[str]:
    """What a check came to, for whoever made it."""
    document = row.document
    lines = [str(document["text"]), *(f"  not read: {reason}" for reason in document["unread"])]
    read = ", ".join("–" if value is None else number(value, 5) for value in document["readings"])
    shown = [("readings", f"{read} {'µm' if document['unit'] == 'um' else document['unit']}")]
    if document["deviation_percent"] is not None:
        shown.append(("deviation", f"{document['deviation_percent']:+.2f} %"))
    if document["en"] is not None:
        shown.append(("En", f"{document['en']:+.2f} (above 1 in size, the uncertainties do not explain it)"))
    shown.append(("check", row.check_id))
    return [*lines, *table(shown)]


def history_lines(specimen: Registered, rows: Sequence[CheckRow]) -> list[str]:
    """A chart of the deviations that reads from top to bottom, with the signals below."""
    if not rows:
        return [f"specimen {specimen.name} has not been checked yet"]
    data = specimen.specimen
    scale = f"tolerance ±{data.tolerance_percent:g} %, warning ±{data.warn_percent:g} %"
    lines = [f"specimen {data.name}: {data.parameter} {quantity(data.certified, data.unit)}, {scale}", ""]
    shown_with: float | None = None
    for row in rows:
        if shown_with is not None and row.amplification != shown_with:
            lines.append(f"{'':<22}correction {row.amplification:.6g} from here on")
        shown_with = row.amplification
        lines.append(_charted_line(specimen, row))
    lines += ["", "o in tolerance, ! above the warning limit, X out of tolerance; | limits and certified value"]
    newest = charted(rows)
    for signal in signals_of(rows):
        from_to = f"{clock_text(newest[signal.first].finished_at)} to {clock_text(newest[signal.last].finished_at)}"
        lines.append(f"{signal.kind.value}, {signal.standing.value}, {from_to}: {signal.text}")
    return lines


def _charted_line(specimen: Registered, row: CheckRow) -> str:
    when = clock_text(row.finished_at)
    if row.outcome == NOT_USABLE:
        return f"{when:<22}{'':{2 * _HALF + 1}}  not usable: {row.document['text']}"
    deviation = deviation_percent(row)
    line = [" "] * (2 * _HALF + 1)
    warn = round(_TOLERANCE_AT * specimen.specimen.warn_percent / specimen.specimen.tolerance_percent)
    for place, mark in ((warn, ":"), (_TOLERANCE_AT, "|"), (0, "|")):
        line[_HALF + place] = line[_HALF - place] = mark
    place = round(_TOLERANCE_AT * deviation / specimen.specimen.tolerance_percent)
    line[_HALF + max(-_HALF, min(_HALF, place))] = _MARKS[row.outcome]
    return f"{when:<22}{''.join(line)}  {deviation:+7.2f} %  {row.check_id}"


def correction_lines(rows: Sequence[CorrectionRow]) -> list[str]:
    """Corrections with who put them in force and who took them back."""
    lines = [""]
    for row in rows:
        lines.append(f"correction {row.amplification:.6g}, {clock_text(row.accepted_at)}, by {row.accepted_by}: "
                     f"{row.accepted_why} (check {row.check_id})")
        if row.undone_at is not None:
            lines.append(f"  taken back {clock_text(row.undone_at)}, by {row.undone_by}: {row.undone_why}")
    in_force = next((row.amplification for row in reversed(rows) if row.undone_at is None), 1.0)
    lines.append(f"correction in force: {in_force:.6g}" if in_force != 1.0 else "no correction is in force")
    return lines


def proposal_document(row: CheckRow, proposed: Correction | NoCorrection) -> dict[str, Any]:
    """What a check leads to as JSON."""
    if isinstance(proposed, NoCorrection):
        return {"check": row.check_id, "factor": None, "reason": proposed.reason}
    return {"check": row.check_id, "factor": proposed.factor, "step": proposed.step,
            "standardUncertainty": proposed.standard_uncertainty, "reason": None}


def recall_lines(rows: Sequence[RecallRow]) -> list[str]:
    """Every recall with the parts that it names."""
    if not rows:
        return ["nothing is recalled: no check failed after a part had passed"]
    lines: list[str] = []
    for row in rows:
        count = len(row.passed)
        lines.append(
            f"recall of {clock_text(row.made_at)}: {count} passed result{'s' if count != 1 else ''} in doubt, because "
            f"the check on {row.specimen} failed (check {row.check_id}, event number {row.sequence})"
        )
        lines += table([(each.part_id, f"number {each.sequence}", clock_text(each.created_at)) for each in row.passed])
        lines.append("")
    return [*lines, "Hold these parts and measure them again with a gauge that is checked (ISO 9001:2015, 7.1.5.2)."]


def recall_document(row: RecallRow) -> dict[str, Any]:
    """One recall as JSON, with all of its results."""
    return {
        "recall": row.recall_id, "time": rfc3339(row.made_at), "check": row.check_id, "specimen": row.specimen,
        "instanceId": row.instance_id, "sequence": row.sequence,
        "results": [{"instanceId": each.instance_id, "sequence": each.sequence, "partId": each.part_id,
                     "time": rfc3339(each.created_at)} for each in row.passed],
    }  # fmt: skip


def export_recalls(rows: Sequence[RecallRow], path: Path) -> None:
    """Write every recalled result as one line of CSV; an existing file is never overwritten.

    Raises
    ------
    UsageError
        The file exists, or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(_COLUMNS)
            for row in rows:
                head = [row.recall_id, rfc3339(row.made_at), row.specimen, row.check_id]
                writer.writerows(
                    [*head, each.instance_id, each.sequence, each.part_id, rfc3339(each.created_at)]
                    for each in row.passed
                )
    except FileExistsError as error:
        raise UsageError(f"{path}: exists already; give another name") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be written ({error.strerror})") from error
