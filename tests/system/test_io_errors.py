"""A disk that fails: on write, on sync, without room, without the right to write. Nothing is lost, nothing restarted.

The kernel's answers are replaced by strace while it is attached to the running daemon; a call that "fails" is not made.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

import altered_store
from counting_mes import CountingMes, counting_mes
from crosslay.record.store import FILE_NAME
from crosslay.testing.broker import RunningBroker
from station_harness import StationUnderTest, csv_bytes, sine_um, station, wait_for
from syscall_log import tracer_of

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(shutil.which("strace") is None, reason="LOUD: no strace; apt-get install strace"),
]

WAL = f"{FILE_NAME}-wal"
#: The issue's promise: results flow again so soon after the fault is over.
RESUMES_S = 5.0


@contextmanager
def failing(op30: StationUnderTest, calls: str, error: str, *names: str) -> Iterator[Path]:
    """Let system calls on files of the state directory fail; yields the log of the calls that did."""
    assert op30.process is not None
    log = op30.folder / "injected.log"
    paths = [word for name in names for word in ("-P", str((op30.state_dir / name).resolve()))]
    inject = ["-e", f"trace={calls}", "-e", f"inject={calls}:error={error}"]
    with subprocess.Popen(
        ["strace", "-f", "-p", str(op30.process.pid), *paths, *inject, "-o", str(log)], stderr=subprocess.DEVNULL
    ) as tracer:
        try:
            wait_for(lambda: is_traced(op30.process.pid, tracer.pid), 10, "strace to attach to every thread")
            yield log
        finally:
            tracer.terminate()


def is_traced(process_id: int, tracer: int) -> bool:
    return all(tracer_of(int(task.name)) == tracer for task in Path(f"/proc/{process_id}/task").iterdir())


def parts_seen(mes: CountingMes) -> list[str]:
    return sorted(set(mes.parts()))


def seconds_until(condition: object, limit_s: float) -> float:
    began = time.monotonic()
    wait_for(condition, limit_s)
    return time.monotonic() - began


def check_all(op30: StationUnderTest, mes: CountingMes, parts: list[str]) -> None:
    """Every part once, acknowledged, byte for byte what was published; nothing left in the folder."""
    wait_for(lambda: mes.state.get("backlog", {}).get("depth") == 0 and mes.acknowledged_through == len(parts), 20)
    wait_for(lambda: not list(op30.incoming.glob("*.csv")), 10, "every file to be moved")
    assert op30.stop() == 0
    assert sorted(mes.parts()) == sorted(parts)
    assert all(len(bodies) == 1 for bodies in mes.payloads().values())
    assert sorted(mes.payloads()) == list(range(1, len(parts) + 1))
    assert sorted(path.stem for path in (op30.incoming / "done").glob("*.csv")) == sorted(parts)
    with closing(sqlite3.connect(op30.state_dir / FILE_NAME)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        stored = dict(database.execute("SELECT sequence, payload FROM result"))
        assert database.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
    assert stored == {sequence: min(bodies) for sequence, bodies in mes.payloads().items()}
    assert b"Traceback" not in op30.log.read_bytes()


FAULTS = [
    pytest.param("pwrite64", "EIO", id="write"),
    pytest.param("fdatasync,fsync", "EIO", id="sync"),
    pytest.param("pwrite64", "ENOSPC", id="no room"),
]


@pytest.mark.parametrize(("calls", "error"), FAULTS)
def test_dc_50_a_failing_disk_rejects_within_one_part_and_resumes_by_itself(
    tmp_path: Path, broker: RunningBroker, calls: str, error: str
) -> None:
    content = csv_bytes(sine_um())
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        op30.drop("P-1.csv", content)
        wait_for(lambda: mes.state.get("acknowledgedThrough") == 1, 15)
        process_id = op30.process.pid
        with failing(op30, calls, error, FILE_NAME, WAL) as log:
            op30.drop("P-2.csv", content)
            wait_for(lambda: "store-failed" in mes.state["conditions"], 5, "the condition")
            assert (mes.state["light"], mes.state["health"]) == ("REJECT and FAULT", "F")
            time.sleep(2.5)  # two tries more
            assert parts_seen(mes) == ["P-1"]
            assert "store-failed" in mes.state["conditions"]
            assert len(re.findall(rf"= -1 {error}.*INJECTED", log.read_text())) >= 3
        needed_s = seconds_until(lambda: "P-2" in parts_seen(mes), RESUMES_S)
        wait_for(lambda: "store-failed" not in mes.state["conditions"], RESUMES_S)
        print(f"\n{error} on {calls}: results again {needed_s:.2f} s after the fault")
        assert op30.process.pid == process_id
        assert op30.process.poll() is None
        with failing(op30, calls, error, FILE_NAME, WAL):
            op30.drop("P-3.csv", content)
            wait_for(lambda: "store-failed" in mes.state["conditions"], 5)
            op30.kill()
        op30.start()
        wait_for(lambda: "P-3" in parts_seen(mes), 15)
        check_all(op30, mes, ["P-1", "P-2", "P-3"])


def test_a_commit_whose_sync_failed_is_not_taken_for_another_one(tmp_path: Path, broker: RunningBroker) -> None:
    """Nobody else has the database open: opening it again brings the commit back that was called failed."""
    content = csv_bytes(sine_um())
    broker_port = broker.port
    with station(tmp_path, 1) as op30:
        op30.start()
        with failing(op30, "fdatasync,fsync", "EIO", FILE_NAME, WAL):
            op30.drop("P-1.csv", content)
            wait_for(lambda: b'"event": "store-failed"' in op30.log.read_bytes(), 10)
            time.sleep(2.5)
            assert not (op30.incoming / "done" / "P-1.csv").exists()
        wait_for((op30.incoming / "done" / "P-1.csv").exists, RESUMES_S, "the part to be stored after all")
        op30.drop("P-2.csv", content)
        wait_for((op30.incoming / "done" / "P-2.csv").exists, 5)
        assert op30.stop() == 0
        op30.file.write_text(op30.file.read_text().replace("port = 1\n", f"port = {broker_port}\n"))
        with counting_mes(broker_port) as mes:
            op30.start()
            check_all(op30, mes, ["P-1", "P-2"])


def test_a_database_that_cannot_be_written_is_not_needed_while_its_wal_can(
    tmp_path: Path, broker: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A result is safe in the WAL; that it cannot be folded into the database file delays nothing."""
    monkeypatch.setenv(altered_store.VARIABLE, "checkpoint=20")
    content = csv_bytes(sine_um())
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.program = [op30.program[0], altered_store.__file__]
        op30.start()
        with failing(op30, "pwrite64,fdatasync,fsync", "EIO", FILE_NAME) as log:
            for number in range(4):
                op30.drop(f"P-{number}.csv", content)
            wait_for(lambda: len(parts_seen(mes)) == 4, 15)
            assert "INJECTED" in log.read_text(), "checkpoints were tried"
            op30.kill()
        monkeypatch.delenv(altered_store.VARIABLE)
        op30.start()
        op30.drop("P-4.csv", content)
        wait_for(lambda: len(parts_seen(mes)) == 5, 15)
        check_all(op30, mes, [f"P-{number}" for number in range(5)])
