"""`crosslay run` with defects that can be switched on: run as ``python sabotage.py run STATION.toml``.

While a file of a defect's name lies in the folder ``$CROSSLAY_SABOTAGE``, what the defect names raises an exception
that nobody expects, or, with ``.hang`` appended, never returns. Each strike appends a line to ``NAME.struck``. Waiting
times are short, so that a test sees in seconds what takes a minute in a plant.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from crosslay.bus.link import Link
from crosslay.cli.main import main
from crosslay.record.reader import Reader
from crosslay.station import app, judging, recorder, supervisor
from crosslay.station.capture import Capture
from crosslay.station.hub import Hub
from crosslay.station.keeper import Keeper
from crosslay.station.requests import RequestFolder
from crosslay.station.status import StatusFile
from crosslay_adapters.gauges.file_drop import FileDropGauge
from crosslay_adapters.indicators.sysfs_led import SysfsLedIndicator

LIMIT_S = 2.0
#: Name of a defect: whose attribute it spoils.
TARGETS: dict[str, tuple[Any, str]] = {
    "link-connect": (Link, "connect"),
    "link-step": (Link, "step"),
    "link-publish": (Link, "publish"),
    "on-connect": (Link, "_on_connect"),
    "on-disconnect": (Link, "_on_disconnect"),
    "on-publish": (Link, "_on_puback"),
    "on-message": (Link, "_on_message"),
    "on-subscribe": (Link, "_on_subscribe"),
    "reader-pending": (Reader, "pending"),
    "hub-state": (Hub, "state"),
    "hub-identification": (Hub, "identification"),
    "hub-settle": (Hub, "settle"),
    "gauge-open": (FileDropGauge, "open"),
    "gauge-read": (FileDropGauge, "read"),
    "gauge-settle": (FileDropGauge, "settle"),
    "gauge-describe": (FileDropGauge, "describe"),
    "capture-deliver": (Capture, "_deliver"),
    "evaluate": (judging, "measure"),
    "draft": (recorder.Recorder, "_draft"),
    "commit": (Keeper, "commit"),
    "commit-done": (Keeper, "_look"),
    "settle": (Keeper, "settle"),
    "known": (Keeper, "known"),
    "stored": (Hub, "stored"),
    "led-open": (SysfsLedIndicator, "open"),
    "led-show": (SysfsLedIndicator, "show"),
    "status-file": (StatusFile, "write"),
    "requests": (RequestFolder, "poll"),
}


def spoil(folder: Path, name: str) -> None:
    """Put the defect in."""
    owner, attribute = TARGETS[name]
    whole: Callable[..., Any] = getattr(owner, attribute)
    switch, hang, struck = folder / name, folder / f"{name}.hang", folder / f"{name}.struck"

    def spoiled(*arguments: Any, **options: Any) -> Any:
        for kind in (switch, hang):
            if kind.exists():
                with struck.open("a") as log:
                    log.write("struck\n")
                while kind is hang:
                    time.sleep(1.0)
                raise RuntimeError(f"sabotage of {name}")
        return whole(*arguments, **options)

    setattr(owner, attribute, spoiled)


def shorten() -> None:
    """Limits and pauses of a test."""
    for limit in ("_CAPTURE_LIMIT_S", "_RECORDER_LIMIT_S", "_PUMP_LIMIT_S", "_MAIN_LIMIT_S"):
        setattr(app, limit, LIMIT_S)
    supervisor._RESTART_LIMIT_S = 0.5


if __name__ == "__main__":
    for each in TARGETS:
        spoil(Path(os.environ["CROSSLAY_SABOTAGE"]), each)
    shorten()
    sys.exit(main(sys.argv[1:]))
