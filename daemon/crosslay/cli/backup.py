"""``crosslay backup STATION.toml FILE``: a consistent copy of the results, beside a running daemon or without one."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import sys
from pathlib import Path

from crosslay.plan.load import load_plan
from crosslay.record.backup import backup
from crosslay.record.reader import Reader
from crosslay.record.store import FILE_NAME


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")
    parser.add_argument("target", type=Path, metavar="FILE", help="the copy; it must not exist yet")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def run(arguments: argparse.Namespace) -> int:
    """Make the copy and say where it stands."""
    plan = load_plan(arguments.station, os.environ)
    reader = Reader(plan.state_dir)
    try:
        instance = reader.levels().instance_id
    finally:
        reader.close()
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    levels = backup(plan.state_dir / FILE_NAME, arguments.target, f"instance {instance}, made {now}")
    if arguments.json:
        document = {"file": str(arguments.target), "instanceId": instance, "lastSequence": levels.last}
        sys.stdout.write(json.dumps(document) + "\n")
    else:
        sys.stdout.write(
            f"{arguments.target}: {levels.last} results of instance {instance}.\n"
            "Put back in place of the original it begins a new instance, so that no number is ever given twice.\n"
        )
    return 0
