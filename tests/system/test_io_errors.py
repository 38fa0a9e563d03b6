"""A disk that fails: on write, on sync, without room, without the right to write. Nothing is lost, nothing restarted.

The kernel's answers are replaced by strace while it is attached to the running daemon; a call that "fails" is not made.
"""

from __future__ import annotations

import re
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

import altered_store
from counting_mes import CountingMes, counting_mes
from crosslay.record.store import FILE_NAME
from crosslay.testing.broker import RunningBroker
from faults import RESUMES_S, failing, needs_strace, parts_seen, take_at_once
from station_harness import StationUnderTest, csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, needs_strace]

WAL = f"{FILE_NAME}-wal"
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


FAULTS = [("pwrite64", "EIO"), ("pwrite64", "ENOSPC"), ("fdatasync,fsync", "EIO")]


def fail_and_resume(op30: StationUnderTest, mes: CountingMes, part: str, *, calls: str, error: str) -> None:
    """One part during the fault: rejected at once; stored soon after the fault is over."""
    failed = re.compile(rf"= -1 {error}.*INJECTED")
    with failing(op30, calls, error, FILE_NAME, WAL) as log:
        op30.drop(f"{part}.csv", csv_bytes(sine_um()))
        wait_for(lambda: "store-failed" in mes.state["conditions"], 5, "the condition")
        assert (mes.state["light"], mes.state["health"]) == ("REJECT and FAULT", "F")
        wait_for(lambda: len(failed.findall(log.read_text())) >= 2, 5, "another try")
        assert part not in parts_seen(mes)
        assert "store-failed" in mes.state["conditions"]
    needed_s = seconds_until(lambda: part in parts_seen(mes), RESUMES_S)
    wait_for(lambda: "store-failed" not in mes.state["conditions"], RESUMES_S)
    print(f"\n{error} on {calls}: results again {needed_s:.2f} s after the fault")


def test_dc_50_a_failing_disk_rejects_within_one_part_and_resumes_by_itself(
    tmp_path: Path, broker: RunningBroker
) -> None:
    content = csv_bytes(sine_um())
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        take_at_once(op30)
        op30.start()
        op30.drop("P-0.csv", content)
        wait_for(lambda: mes.state.get("acknowledgedThrough") == 1, 15)
        process_id = op30.process.pid
        for number, (calls, error) in enumerate(FAULTS, 1):
            fail_and_resume(op30, mes, f"P-{number}", calls=calls, error=error)
        assert op30.process.pid == process_id
        assert op30.process.poll() is None
        with failing(op30, *FAULTS[-1], FILE_NAME, WAL):
            op30.drop("P-last.csv", content)
            wait_for(lambda: "store-failed" in mes.state["conditions"], 5)
            op30.kill()
        op30.start()
        wait_for(lambda: "P-last" in parts_seen(mes), 15)
        check_all(op30, mes, ["P-0", "P-1", "P-2", "P-3", "P-last"])


def test_a_commit_whose_sync_failed_is_not_taken_for_another_one(tmp_path: Path) -> None:
    """Nobody else has the database open: opening it again brings the commit back that was called failed."""
    content = csv_bytes(sine_um())
    with station(tmp_path, 1) as op30:  # a port on which nobody answers
        op30.start()
        with failing(op30, "fdatasync,fsync", "EIO", FILE_NAME, WAL):
            op30.drop("P-1.csv", content)
            wait_for(lambda: b'"event": "store-reopen-failed"' in op30.log.read_bytes(), 10)
            assert not (op30.incoming / "done" / "P-1.csv").exists()
        wait_for((op30.incoming / "done" / "P-1.csv").exists, RESUMES_S, "the part to be stored after all")
        op30.drop("P-2.csv", content)
        wait_for((op30.incoming / "done" / "P-2.csv").exists, 5)
        assert op30.stop() == 0
        with closing(sqlite3.connect(op30.state_dir / FILE_NAME)) as database:
            stored = database.execute("SELECT sequence, part_id FROM result ORDER BY sequence").fetchall()
            owed = database.execute("SELECT sequence FROM outbox ORDER BY sequence").fetchall()
        assert stored == [(1, "P-1"), (2, "P-2")]
        assert owed == [(1,), (2,)]


def test_a_database_that_cannot_be_written_is_not_needed_while_its_wal_can(
    tmp_path: Path, broker: RunningBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A result is safe in the WAL; that it cannot be folded into the database file delays nothing."""
    monkeypatch.setenv(altered_store.VARIABLE, "checkpoint=20")
    content = csv_bytes(sine_um())
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.program = [op30.program[0], altered_store.__file__]
        take_at_once(op30)
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
