"""``crosslay run STATION.toml``: the daemon, in the foreground."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from crosslay.plan.load import load_plan
from crosslay.station.app import Station
from crosslay.station.logs import configure_logs


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")


def run(arguments: argparse.Namespace) -> int:
    """Run until SIGTERM or SIGINT; then exit code 0."""
    plan = load_plan(arguments.station, os.environ)
    configure_logs(plan.station.log_level, os.environ, station=plan.name)
    Station(plan, os.environ).run()
    return 0
