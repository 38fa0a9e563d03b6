"""``crosslay specimen STATION.toml correlate FILE.csv --accept``, ``--undo NAME`` and ``--list``: what is in force."""

from __future__ import annotations

import argparse
from typing import Any

from crosslay.bus.messages import rfc3339
from crosslay.cli.output import emit, emit_json, number, quantity
from crosslay.cli.specimen_ask import ask
from crosslay.errors import UsageError
from crosslay.plan.load import StationPlan
from crosslay.record.check_rows import read_checks
from crosslay.record.correlations import CorrelationRow, correlation_rows, newest_of_each
from crosslay.station.correlations import accepted_line, line_text
from crosslay.station.orders import ACCEPT_CORRELATION, MAX_PARTS, UNDO_CORRELATION, Laboratory, Order, new_request_id
from crosslay.station.standing import clock_text

_LONGEST = 500


def accept(plan: StationPlan, laboratory: list[Laboratory], arguments: argparse.Namespace) -> int:
    """Have the station study the laboratory's values against its own, and report by the line from now on."""
    if len(laboratory) > MAX_PARTS:
        raise UsageError(f"the file has {len(laboratory)} parts; at most {MAX_PARTS} are compared at a time")
    order = Order(
        name=ACCEPT_CORRELATION, request_id=new_request_id(), callout=arguments.callout or "",
        laboratory=tuple(laboratory), variance_ratio=arguments.variance_ratio, by=arguments.by.strip(),
        why=arguments.why.strip(),
    )  # fmt: skip
    return _ask(plan, order, arguments)


def undo(plan: StationPlan, arguments: argparse.Namespace) -> int:
    """Take one back."""
    if len(arguments.undo) > _LONGEST:
        raise UsageError(f"--undo has {len(arguments.undo)} characters; give a name or id as correlate --list shows it")
    order = Order(name=UNDO_CORRELATION, request_id=new_request_id(), callout=arguments.undo,
                  by=arguments.by.strip(), why=arguments.why.strip())  # fmt: skip
    return _ask(plan, order, arguments)


def show(plan: StationPlan, arguments: argparse.Namespace) -> int:
    """List all that were ever accepted, and what is in force."""
    rows = read_checks(plan.state_dir, correlation_rows) or []
    if arguments.json:
        in_force = newest_of_each(rows)
        for row in rows:
            emit_json(correlation_document(row) | {"inForce": row in in_force})
    else:
        emit("\n".join(correlation_lines(rows)))
    return 0


def correlation_lines(rows: list[CorrelationRow]) -> list[str]:
    """Correlations with who put them in force and who took them back, and which are in force."""
    if not rows:
        return ["no correlation was accepted; values are reported as the gauge reads them"]
    lines = []
    in_force = newest_of_each(rows)
    for row in rows:
        accepted = accepted_line(row)
        unit = row.document["unit"]
        reach = f"{number(accepted.lowest)} to {quantity(accepted.highest, unit)}"
        lines.append(f"{row.name}: {line_text(accepted.line)}, {len(row.document['parts'])} parts from {reach}")
        lines.append(f"  accepted {clock_text(row.accepted_at)}, by {row.accepted_by}: {row.accepted_why} "
                     f"({row.correlation_id})")
        if row.undone_at is not None:
            lines.append(f"  taken back {clock_text(row.undone_at)}, by {row.undone_by}: {row.undone_why}")
        elif row not in in_force:
            lines.append("  a later one stands in its place")
        else:
            lines.append("  in force")
    return lines


def correlation_document(row: CorrelationRow) -> dict[str, Any]:
    """One accepted correlation as JSON."""
    line, document = accepted_line(row).line, row.document
    return {
        "id": row.correlation_id, "name": row.characteristic, "parameter": row.parameter,
        "callout": document["callout"], "unit": document["unit"], "slope": line.slope, "intercept": line.intercept,
        "lowest": document["lowest"], "highest": document["highest"], "parts": len(document["parts"]),
        "accepted": rfc3339(row.accepted_at), "acceptedBy": row.accepted_by, "acceptedWhy": row.accepted_why,
        "undone": None if row.undone_at is None else rfc3339(row.undone_at), "undoneBy": row.undone_by,
        "undoneWhy": row.undone_why,
    }  # fmt: skip


def _ask(plan: StationPlan, order: Order, arguments: argparse.Namespace) -> int:
    ask(plan, order, quiet=True)
    return show(plan, arguments)
