"""A state directory that may not be written: refused with a sentence, healed where only the file is to blame.

The daemon runs without the right to override file modes, as it does under systemd, also where the tests run as root.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from counting_mes import counting_mes
from crosslay.record.store import FILE_NAME
from crosslay.testing.broker import RunningBroker
from faults import RESUMES_S, failing, needs_strace, parts_seen
from station_harness import StationUnderTest, csv_bytes, sine_um, station, wait_for

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(
        os.geteuid() == 0 and shutil.which("setpriv") is None, reason="LOUD: root, and no setpriv (util-linux)"
    ),
]


def obey_modes(op30: StationUnderTest) -> None:
    """From now on the daemon is bound by file modes, whoever runs the tests."""
    if os.geteuid() == 0:
        op30.program = ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *op30.program]


def set_modes(state_dir: Path, *, files: int, folder: int) -> None:
    for path in state_dir.glob(f"{FILE_NAME}*"):
        path.chmod(files)
    state_dir.chmod(folder)


def measured(op30: StationUnderTest, part: str) -> None:
    op30.drop(f"{part}.csv", csv_bytes(sine_um()))
    wait_for((op30.incoming / "done" / f"{part}.csv").exists, 10, f"{part} to be stored")


def test_a_read_only_folder_costs_nothing_and_a_read_only_file_is_set_aside(
    tmp_path: Path, broker: RunningBroker
) -> None:
    with station(tmp_path, broker.port) as op30:
        obey_modes(op30)
        op30.start()
        measured(op30, "P-1")
        assert op30.stop() == 0
        set_modes(op30.state_dir, files=0o444, folder=0o555)
        (op30.state_dir / "lock").chmod(0o444)
        refused = subprocess.run([*op30.program, "run", str(op30.file)], capture_output=True, text=True, timeout=30)
        assert refused.returncode not in {0, 70}
        assert len(refused.stderr.splitlines()) == 1, refused.stderr
        assert str(op30.state_dir) in refused.stderr
        assert "writable" in refused.stderr
        assert not (op30.state_dir / "set-aside").exists()
        (op30.state_dir / "lock").chmod(0o644)
        op30.state_dir.chmod(0o755)
        with counting_mes(broker.port) as mes:  # the files are still read-only
            op30.start()
            measured(op30, "P-2")
            wait_for(lambda: mes.acknowledged_through == 3, 10, "the gap record, P-1 again and P-2")
            assert "store-renewed" in mes.state["conditions"]
            assert mes.parts() == ["P-1", "P-2"]
            assert op30.stop() == 0
    assert len(list((op30.state_dir / "set-aside").glob("*.sqlite3"))) == 1


@needs_strace
def test_a_disk_that_turned_read_only_is_rejected_until_it_is_back(tmp_path: Path, broker: RunningBroker) -> None:
    """As ext4 does after an error: the database is whole, and must be the same one afterwards."""
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        obey_modes(op30)
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(lambda: mes.state.get("acknowledgedThrough") == 1, 15)
        instance = mes.state["instanceId"]
        set_modes(op30.state_dir, files=0o444, folder=0o555)
        with failing(op30, "pwrite64", "EIO", FILE_NAME, f"{FILE_NAME}-wal"):
            op30.drop("P-2.csv", csv_bytes(sine_um()))
            wait_for(lambda: "store-failed" in mes.state["conditions"], 5)
        wait_for(lambda: b"store-reopen-failed" in op30.log.read_bytes(), 10, "a second try")
        assert mes.state["light"] == "REJECT and FAULT"
        assert op30.process.poll() is None
        set_modes(op30.state_dir, files=0o644, folder=0o555)
        op30.state_dir.chmod(0o755)
        wait_for(lambda: "P-2" in parts_seen(mes), RESUMES_S, "P-2 after the disk is back")
        wait_for(lambda: mes.state["acknowledgedThrough"] == 2)
        assert mes.state["instanceId"] == instance
        assert op30.stop() == 0
        assert b"Traceback" not in op30.log.read_bytes()
