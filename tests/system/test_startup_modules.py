"""Start-up imports stay small, and the hot path brings no lazy surprise (page *architecture*)."""

from __future__ import annotations

from pathlib import Path

import pytest

from crosslay.testing.broker import RunningBroker
from station_harness import bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

HEAVY = ("scipy.signal", "scipy.optimize", "scipy.stats", "scipy.interpolate", "matplotlib", "amqtt")
ARRAYS = ("numpy", "scipy", "crosslay.texture")


def imported(log: str) -> set[str]:
    """Modules that ``python -X importtime`` names."""
    return {line.rsplit("|", 1)[1].strip() for line in log.splitlines() if line.startswith("import time:")}


def test_nothing_heavy_is_imported_up_to_ready_or_by_the_first_part(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start(env={"PYTHONPROFILEIMPORTTIME": "1"})
        at_ready = imported(op30.log.read_text())
        assert {"crosslay.station.app", "numpy", "sqlite3"} <= at_ready, "the probe works"
        assert not [name for name in at_ready if name.startswith(HEAVY)]
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(mes.results)
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        later = imported(op30.log.read_text()) - at_ready
        assert not [name for name in later if name.startswith((*HEAVY, *ARRAYS))], "no lazy surprise"
        assert op30.stop() == 0
