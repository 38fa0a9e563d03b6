"""``crosslay status STATION.toml``: what the station does now, read at the machine, without network."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crosslay.errors import StoreError
from crosslay.plan.load import StationPlan, load_plan
from crosslay.record.lock import is_locked
from crosslay.record.reader import Reader
from crosslay.station.status import status_paths

_HEALTH = {
    "normal": "normal",
    "F": "failure",
    "C": "function check",
    "S": "out of specification",
    "M": "maintenance required",
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def run(arguments: argparse.Namespace) -> int:
    """Print the status. Exit code 0 while the station runs, 3 while it does not (nothing is judged then)."""
    plan = load_plan(arguments.station, os.environ)
    running = is_locked(plan.state_dir)
    state = _read_state(plan) if running else None
    stored = _stored(plan)
    if arguments.json:
        document = {"station": plan.name, "running": running, "state": state, "stored": stored}
        sys.stdout.write(json.dumps(document, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write("\n".join(_lines(plan, state, stored, running=running)) + "\n")
    return 0 if running else 3


def _read_state(plan: StationPlan) -> dict[str, Any] | None:
    for path in status_paths(plan.name, plan.state_dir, os.environ):
        try:
            state = json.loads(path.read_bytes())
        except (OSError, ValueError):
            continue
        if isinstance(state, dict):
            return state
    return None


def _stored(plan: StationPlan) -> dict[str, Any] | None:
    reader = Reader(plan.state_dir)
    try:
        levels = reader.levels()
        newest = reader.newest(1)
    except StoreError:
        return None
    finally:
        reader.close()
    last = (
        {"sequence": newest[0].sequence, "partId": newest[0].part_id, "verdict": newest[0].decision} if newest else None
    )
    return {
        "instanceId": levels.instance_id,
        "lastSequence": levels.last,
        "acknowledgedThrough": levels.acknowledged_through,
        "pending": levels.pending,
        "quarantined": levels.quarantined,
        "lastResult": last,
    }


def _lines(
    plan: StationPlan, state: dict[str, Any] | None, stored: dict[str, Any] | None, *, running: bool
) -> Sequence[str]:
    lines = [f"station      {plan.name} ({plan.topic})"]
    if not running:
        lines += [
            "running      no: nothing is judged, the light belongs at REJECT",
            f"             start it with: crosslay run {plan.path}",
        ]
    elif state is None:
        lines += ["running      yes, it has not written its state yet"]
    else:
        last = state["lastPart"]
        lines += [
            f"running      yes, cycle: {state['cycle']}",
            f"light        {state['light']}: {state['reason']}",
            f"health       {_HEALTH.get(state['health'], state['health'])}; reference check: {state['referenceCheck']}",
            f"conditions   {', '.join(state['conditions']) or 'none'}",
        ]
        lines += [
            f"             {each['id']}: {each['text']}. {each['remedy']}" for each in state.get("conditionDetails", [])
        ]
        if last is not None:
            lines.append(
                f"last part    {last['partId']} (number {last['sequence']}): "
                f"{last['resultEvaluation']}, {last['details']}"
            )
    if stored is None:
        lines.append("results      none stored yet")
    else:
        lines.append(
            f"results      {stored['lastSequence']} stored, {stored['pending']} not yet acknowledged, "
            f"{stored['quarantined']} set aside"
        )
    return lines
