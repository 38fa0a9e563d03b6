"""``crosslay results STATION.toml list|show|requeue``: stored results, beside a running daemon or without one.

``list`` and ``show`` only read. ``requeue`` asks the daemon, or does it itself where none runs.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from crosslay.cli.output import SHOWN_UNITS
from crosslay.errors import UsageError
from crosslay.plan.load import load_plan
from crosslay.record.reader import Reader, Row

_CHUNK = 500
_WORDS = {"": "acknowledged", "pending": "to be delivered", "quarantined": "set aside"}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")
    actions = ["list", "show", "requeue"]
    parser.add_argument("action", nargs="?", default="list", choices=actions, help="list (default), show or requeue")
    which = "with show: which result; with requeue: the number of one that is set aside"
    parser.add_argument("which", nargs="?", metavar="SEQUENCE|PART|RESULT-ID", help=which)
    parser.add_argument("--part", metavar="PART", help="with list: only this part's results")
    parser.add_argument("--last", type=int, metavar="N", help="with list: only the last N")
    aside = "read a database that was set aside, or a backup, instead of the station's"
    parser.add_argument("--database", type=Path, metavar="FILE", help=aside)
    parser.add_argument("--budget", action="store_true", help="with show: how each uncertainty came about")
    parser.add_argument("--json", action="store_true", help="one JSON object per result")


def run(arguments: argparse.Namespace) -> int:
    """List, show or requeue."""
    if arguments.action == "show" and arguments.which is None:
        raise UsageError("results show needs the sequence number, the part or the result id of what to show")
    if arguments.action == "requeue":
        from crosslay.cli.requeue import requeue

        return requeue(load_plan(arguments.station, os.environ), arguments.which or "")
    if arguments.action == "list" and arguments.which is not None:
        raise UsageError(
            f'results list takes no "{arguments.which}"; did you mean: results STATION.toml show {arguments.which}'
        )
    if arguments.budget and arguments.action != "show":
        raise UsageError(f"--budget belongs to results show, not to {arguments.action}")
    if arguments.last is not None and arguments.last < 1:
        raise UsageError(f"--last is {arguments.last}; it must be 1 or more")
    plan = load_plan(arguments.station, os.environ)
    database: Path | None = arguments.database
    reader = Reader(plan.state_dir) if database is None else Reader(database.parent, database.name)
    try:
        reader.open()
        if arguments.action == "list":
            _list(_select(reader, arguments), as_json=arguments.json)
        else:
            _show(_find(reader, arguments.which), as_json=arguments.json, budget=arguments.budget)
    finally:
        reader.close()
    return 0


def _select(reader: Reader, arguments: argparse.Namespace) -> Iterator[Row]:
    if arguments.last is not None and arguments.part is None:
        yield from reader.newest(arguments.last)
        return
    if arguments.part is not None:
        rows = reader.rows(part_id=arguments.part)
        yield from rows[-arguments.last :] if arguments.last is not None else rows
        return
    after = 0
    while rows := reader.rows(after=after, limit=_CHUNK):  # short transactions, however many there are
        yield from rows
        after = rows[-1].sequence


def _find(reader: Reader, which: str) -> Row:
    if which.isascii() and which.isdigit() and int(which) < 2**63:
        found = reader.rows(after=int(which) - 1, limit=1)
        if found and found[0].sequence == int(which):
            return found[0]
    by_part = reader.rows(part_id=which)
    if by_part:
        return by_part[-1]
    by_id = reader.by_result_id(which)
    if by_id is not None:
        return by_id
    raise UsageError(
        f'no result "{which}"; give a sequence number, a part or a result id as `results STATION.toml list` shows them'
    )


def _list(rows: Iterator[Row], *, as_json: bool) -> None:
    if as_json:
        for row in rows:
            sys.stdout.write(json.dumps(_summary(row), ensure_ascii=False) + "\n")
        return
    sys.stdout.write(f"{'number':>8}  {'time (UTC)':<19}  {'part':<20}  {'verdict':<9}  {'values':<40}  delivery\n")
    for row in rows:
        data = _data(row)
        if row.kind in _OTHERS:
            values = _OTHERS[row.kind](data)
        else:
            values = "  ".join(
                f"{item['callout']}: {_number(item['value'])}" for item in data.get("characteristics", [])
            )
        sys.stdout.write(
            f"{row.sequence:>8}  {_time(row.created_at):<19}  {row.part_id:<20}  {row.decision:<9}  {values:<40}  "
            f"{_WORDS[row.outbox]}\n"
        )


def _show(row: Row, *, as_json: bool, budget: bool) -> None:
    if as_json:
        sys.stdout.write(row.payload.decode() + "\n")
        return
    data = _data(row)
    details = _OTHERS[row.kind](data) if row.kind in _OTHERS else data.get("resultEvaluationDetails", "")
    lines = [
        f"result      {row.result_id}",
        f"number      {row.sequence}",
        f"part        {row.part_id}",
        f"time        {_time(row.created_at)} UTC",
        f"verdict     {row.decision}: {details}",
        f"delivery    {_WORDS[row.outbox]}{f' ({row.reason})' if row.reason else ''}",
    ]
    if data.get("supersedes"):
        lines.append(f"supersedes  {data['supersedes']}")
    for item in data.get("characteristics", []):
        lines += _characteristic(item)
        lines += _budget(item) if budget else []
    settings = data.get("settings")
    if settings is not None:
        lines.append(
            f"settings    {settings['standard']}, {settings['filter']}, cut-off {_quantity(settings['cutoff'])}, "
            f"short cut-off {_quantity(settings['shortCutoff'])}, "
            f"{settings['sections']} sections, form {settings['form']}"
        )
    lines += [f"finding     {item['severity']}: {item['text']}" for item in data.get("findings", [])]
    for trace in data.get("traces") or [data["trace"]] if data.get("trace") or data.get("traces") else []:
        lines.append(
            f"trace       {trace['points']} points, {trace['spacing']['value']:g} µm apart, SHA-256 {trace['sha256']}"
        )
    lines += [f"plan        {data.get('planId')} ({data.get('planHash')})", f"software    {data.get('software')}"]
    sys.stdout.write("\n".join(lines) + "\n")


def _characteristic(item: dict[str, Any]) -> list[str]:
    """A call-out with its verdict, and below it what else is known of its value."""
    limit = f"≤ {item['upperLimit']:g}" if item.get("upperLimit") is not None else f"≥ {item['lowerLimit']:g}"
    name = item["name"] + (f" at {item['position']}" if item.get("position") else "")
    line = (f"  {name:<16} {item['callout']:<14} {_number(item['value']):>10} {item['unit']:<3} {limit:<10} "
            f"{item['rule']:<5} {item['evaluation']}{'  ' + item['reason'] if item.get('reason') else ''}")  # fmt: skip
    known = []
    if item.get("expandedUncertainty") is not None:
        unit = SHOWN_UNITS.get(item["unit"], item["unit"])
        known.append(f"± {item['expandedUncertainty']:.3g} {unit} (k = {item['coverageFactor']:g})")
    if item.get("conformanceProbability") is not None:
        known.append(f"probability of conformance {100 * item['conformanceProbability']:.4g} %")
    if known or item.get("decisionRule", "simple") != "simple":
        known.append(f"decided by {item['decisionRule']}")
    if item.get("correlation"):
        known.append(_correlation(item))
    if item.get("values"):
        known.append(f"of {len(item['values'])}: {', '.join(_number(value) for value in item['values'])}")
    return [line, *([f"{'':<18} {', '.join(known)}"] if known else [])]


def _budget(item: dict[str, Any]) -> list[str]:
    from crosslay.cli.results_budget import budget_lines  # what computes is not loaded to list

    return budget_lines(item)


def _correlation(item: dict[str, Any]) -> str:
    """How the value came from what the gauge read."""
    unit = SHOWN_UNITS.get(item["unit"], item["unit"])
    beyond = ", beyond the parts that were compared" if item["correlation"]["extrapolated"] else ""
    return f"read in line {_number(item['rawValue'])} {unit}, as the laboratory by {item['correlation']['id']}{beyond}"


def _summary(row: Row) -> dict[str, Any]:
    data = _data(row)
    return {
        "sequence": row.sequence,
        "resultId": row.result_id,
        "kind": row.kind,
        "partId": row.part_id,
        "creationTime": data.get("creationTime"),
        "verdict": row.decision,
        "resultEvaluation": data.get("resultEvaluation"),
        "acknowledged": row.outbox == "",
        "delivery": _WORDS[row.outbox],
        "reason": row.reason or None,
        "supersedes": data.get("supersedes"),
        "characteristics": data.get("characteristics", []),
    }


def _gap(data: dict[str, Any]) -> str:
    end = "?" if data["toSequence"] is None else data["toSequence"]
    return f"gap: {data['fromSequence']} to {end} will never come ({data['reason']})"


def _recall(data: dict[str, Any]) -> str:
    return f"recall: {data['results']} passed before are in doubt ({data['failedCheck']['specimen']} failed its check)"


#: Records that are no results, in words.
_OTHERS = {"gap": _gap, "recall": _recall}


def _data(row: Row) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(row.payload)["data"]
    return data


def _time(wall_s: float) -> str:
    return dt.datetime.fromtimestamp(wall_s, tz=dt.UTC).strftime("%Y-%m-%d %H:%M:%S")


def _number(value: float | None) -> str:
    return "undefined" if value is None else f"{value:.4g}"


def _quantity(quantity: dict[str, Any] | None) -> str:
    return "none" if quantity is None else f"{quantity['value']:g} {quantity['unit'].replace('um', 'µm')}"
