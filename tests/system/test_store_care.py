"""Store care through the real daemon: damage, backups, roll-backs, quarantine, a full and a read-only disk."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from crosslay.record.store import FILE_NAME
from crosslay.testing.broker import RunningBroker
from station_harness import BusClient, StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="LOUD: mounting a small tmpfs needs root")


def measure(op30: StationUnderTest, *parts: str) -> None:
    before = len(list((op30.incoming / "done").glob("*.csv"))) if (op30.incoming / "done").exists() else 0
    for part in parts:
        op30.drop(f"{part}.csv", csv_bytes(sine_um()))
    wait_for(lambda: len(list((op30.incoming / "done").glob("*.csv"))) == before + len(parts), 20)


def test_a_damaged_database_is_set_aside_and_the_station_is_up_again(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-1", "P-2")
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0)
        old = mes.state()["instanceId"]
        assert op30.stop() == 0
        (op30.state_dir / FILE_NAME).write_bytes(os.urandom(50_000))
        op30.start()
        gap = wait_for(lambda: [item for item in mes.results() if item["type"] == "org.crosslay.gap.v1"])[0]
        assert gap["data"]["reason"] == "database-damaged"
        assert gap["data"]["instanceId"] != old
        wait_for(lambda: "store-renewed" in mes.state().get("conditions", []))
        measure(op30, "P-3")
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 2)
        [aside] = (op30.state_dir / "set-aside").glob("*.sqlite3")
        assert aside.stat().st_size == 50_000
        assert op30.stop() == 0


def cut(path: Path, size: int) -> None:
    with path.open("r+b") as file:
        file.truncate(size)


def overwrite_header(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"\xff" * 100)


def put_another_there(path: Path) -> None:
    (path.parent / "other").write_bytes(os.urandom(50_000))
    (path.parent / "other").replace(path)


def cut_both(path: Path) -> None:
    cut(path, 0)
    cut(Path(f"{path}-wal"), 0)


#: What happens to the files of the running daemon, and whether all of its results can still be read by it.
DAMAGES: dict[str, tuple[Callable[[Path], object], bool]] = {
    "both cut": (cut_both, False),
    "deleted": (Path.unlink, True),
    "replaced": (put_another_there, True),
    "half cut": (lambda path: cut(path, path.stat().st_size // 2), False),
    "header overwritten": (overwrite_header, True),
    "WAL deleted": (lambda path: Path(f"{path}-wal").unlink(), True),
    "WAL cut": (lambda path: cut(Path(f"{path}-wal"), 0), False),
}


#: Of every two damages one strikes between parts and one just before a part; the campaign has each both ways.
@pytest.mark.parametrize("turn", [0, 1] if os.environ.get("CROSSLAY_CAMPAIGN") == "1" else [0])
def test_dc_02_dc_42_damage_under_the_running_daemon_is_healed_without_losing_the_part(
    tmp_path: Path, broker: RunningBroker, turn: int
) -> None:
    with bus_client(broker.port) as mes, station(tmp_path, broker.port, bus="resend_after_s = 0.5") as op30:
        op30.start()
        path = op30.state_dir / FILE_NAME
        for number, (name, (damage, readable)) in enumerate(DAMAGES.items()):
            mes.acknowledge = False
            measure(op30, f"P-{number}-a", f"P-{number}-b")
            wait_for(lambda number=number: f"P-{number}-b" in parts_of(mes), what=f"the results before: {name}")
            old, session = mes.state()["instanceId"], mes.state()["sessionNumber"]
            with_a_part = number % 2 == turn
            renewals = op30.log.read_bytes().count(b"database-renewed")
            damage(path)
            damaged = time.monotonic()
            if with_a_part:
                op30.drop(f"P-{number}-c.csv", csv_bytes(sine_um()))
            wait_for(
                lambda seen=renewals: op30.log.read_bytes().count(b"database-renewed") > seen, 10, f"healing: {name}"
            )
            took_s = time.monotonic() - damaged
            # Then the connection begins anew, with a pause that grows with connections that end soon.
            wait_for(
                lambda old=old: mes.state().get("online") and mes.state()["instanceId"] != old,
                20,
                f"a new instance: {name}",
            )
            assert mes.state()["sessionNumber"] > session, name
            if not with_a_part:
                measure(op30, f"P-{number}-c")
            mes.acknowledge = True
            wait_for(lambda number=number: f"P-{number}-c" in parts_of(mes), 20, f"the part: {name}")
            wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0, 20, f"all acknowledged: {name}")
            new = mes.state()["instanceId"]
            records = [item for item in mes.results() if item["data"]["instanceId"] == new]
            gaps = [item["data"] for item in records if item["type"] == "org.crosslay.gap.v1"]
            assert (gaps[0]["lostInstanceId"], gaps[0]["reason"]) == (old, "database-damaged"), name
            again = {item["data"]["partId"] for item in records if item["data"].get("supersedes")}
            if readable:
                assert {f"P-{number}-a", f"P-{number}-b"} <= again, name
            assert "store-renewed" in mes.state()["conditions"], name
            assert "store-failed" not in mes.state()["conditions"], name
            assert len(list((op30.state_dir / "set-aside").glob("*.sqlite3"))) > number - (name == "deleted"), name
            print(f"{name}, {'with a part' if with_a_part else 'between parts'}: made anew after {took_s:.1f} s")
        assert op30.process.poll() is None
        assert op30.stop() == 0


def parts_of(mes: BusClient) -> set[str]:
    return {item["data"].get("partId") for item in mes.results()}


@pytest.mark.parametrize("what", ["empty", "deleted", "all deleted"])
def test_dc_42_dc_62_a_database_lost_before_the_start_is_said(
    tmp_path: Path, broker: RunningBroker, what: str
) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-1")
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        old, session = mes.state()["instanceId"], mes.state()["sessionNumber"]
        assert not [item for item in mes.results() if item["type"] == "org.crosslay.gap.v1"], "it was new"
        assert op30.stop() == 0
        for path in op30.state_dir.glob(f"{FILE_NAME}*"):
            path.unlink()
        if what == "empty":
            (op30.state_dir / FILE_NAME).touch()
        elif what == "all deleted":
            shutil.rmtree(op30.state_dir)
        op30.start()
        wait_for(lambda: mes.state().get("online") and mes.state()["instanceId"] != old)
        measure(op30, "P-2")
        wait_for(lambda: "P-2" in parts_of(mes))
        gaps = [item["data"] for item in mes.results() if item["type"] == "org.crosslay.gap.v1"]
        if what == "all deleted":
            assert gaps == []
        else:
            [gap] = gaps
            assert (gap["reason"], gap["lostInstanceId"]) == ("database-lost", old)
            assert (gap["fromSequence"], gap["toSequence"]) == (1, None)
            assert mes.state()["sessionNumber"] > session
        assert op30.stop() == 0


def test_a_wal_that_a_foreign_reader_keeps_is_said_and_folded_in_afterwards(
    tmp_path: Path, broker: RunningBroker
) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-0")
        reading = subprocess.Popen(
            [sys.executable, "-c", READS_FOR_LONG, str(op30.state_dir / FILE_NAME)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        try:
            assert reading.stdout.readline() == b"reading\n"
            chance, number = np.random.default_rng(3), 0
            wal = op30.state_dir / f"{FILE_NAME}-wal"
            while "store-checkpoint" not in mes.state().get("conditions", []):
                number += 1
                assert number < 60, wal.stat()
                noisy = sine_um(points=120_001) + 0.01 * chance.standard_normal(120_001)
                op30.drop(f"Q-{number}.csv", csv_bytes(noisy))
                wait_for(lambda: not list(op30.incoming.glob("*.csv")), 20)
            assert wal.stat().st_size > 8 << 20
            [said] = [item for item in mes.payloads("v1/condition/store-checkpoint") if item["level"] != "normal"][:1]
            assert (said["level"], said["signal"]) == ("warning", "M")
            assert "MB long" in said["text"]
        finally:
            reading.communicate()
        wait_for(lambda: "store-checkpoint" not in mes.state().get("conditions", ["store-checkpoint"]), 15)
        assert wal.stat().st_size <= 4 << 20
        assert op30.stop() == 0


READS_FOR_LONG = """
import sqlite3, sys
database = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True, isolation_level=None)
database.execute("BEGIN")
database.execute("SELECT count(*) FROM result").fetchone()
print("reading", flush=True)
sys.stdin.read()
"""


def test_dc_44_a_restored_backup_begins_a_new_instance(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-1", "P-2")
        made = op30.command("backup", str(tmp_path / "copy.sqlite3"), "--json")
        assert json.loads(made.stdout)["lastSequence"] == 2
        measure(op30, "P-3")
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 3)
        old = mes.state()["instanceId"]
        assert op30.stop() == 0
        for path in op30.state_dir.glob(f"{FILE_NAME}*"):
            path.unlink()
        shutil.copy(tmp_path / "copy.sqlite3", op30.state_dir / FILE_NAME)
        op30.start()
        wait_for(lambda: mes.state().get("online") and mes.state()["instanceId"] != old, 15)
        gap = wait_for(lambda: [item for item in mes.results() if item["type"] == "org.crosslay.gap.v1"])[0]
        assert (gap["data"]["reason"], gap["data"]["lostInstanceId"]) == ("restored-backup", old)
        measure(op30, "P-4")
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0)
        read = op30.command("results", "list", "--json", "--database", str(tmp_path / "copy.sqlite3"))
        # Two files dropped within one tick of the file system's clock have no order.
        assert sorted(json.loads(line)["partId"] for line in read.stdout.splitlines()) == ["P-1", "P-2"]
        assert op30.stop() == 0


def test_dc_44_an_unstamped_roll_back_is_given_away_by_the_anchor(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-1")
        wait_for(lambda: mes.payloads("v1/anchor"), 15)
        assert op30.stop() == 0
        shutil.copytree(op30.state_dir, tmp_path / "snapshot")
        op30.start()
        measure(op30, "P-2", "P-3")
        wait_for(lambda: mes.payloads("v1/anchor")[-1]["lastSequence"] == 3, 25)
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 3)
        old = mes.state()["instanceId"]
        assert op30.stop() == 0
        shutil.rmtree(op30.state_dir)
        shutil.copytree(tmp_path / "snapshot", op30.state_dir)
        op30.start()
        # Measured before the broker could be asked: under the old instance this would have been number 2 again.
        measure(op30, "P-4")
        wait_for(lambda: mes.state().get("online") and mes.state()["instanceId"] != old, 20)
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0, 20)
        numbers = [(item["data"]["instanceId"], item["data"]["sequence"]) for item in mes.results()]
        parts = {}
        for item, number in zip(mes.results(), numbers, strict=True):
            parts.setdefault(number, set()).add(item["data"].get("partId"))
        assert all(len(names) == 1 for names in parts.values()), "no number stands for two parts"
        assert "P-4" in [item["data"].get("partId") for item in mes.results() if item["data"]["instanceId"] != old]
        assert any(item["data"].get("reason") == "rolled-back" for item in mes.results())
        assert op30.stop() == 0


@pytest.mark.parametrize("running", [True, False])
def test_dc_23_a_rejected_result_is_kept_shown_and_queued_again(
    tmp_path: Path, broker: RunningBroker, running: bool
) -> None:
    with bus_client(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        measure(op30, "P-1")
        [first] = wait_for(mes.results)
        mes.send_ack(first["data"]["instanceId"], 1, rejected=[{"sequence": 1, "reason": "unknown part"}])
        wait_for(lambda: mes.state().get("backlog", {}).get("quarantined") == 1)
        wait_for(lambda: "quarantine" in mes.state()["conditions"])
        [listed] = op30.results()
        assert (listed["delivery"], listed["reason"]) == ("set aside", "the MES rejected it: unknown part")
        if not running:
            assert op30.stop() == 0
        wrong = op30.command("results", "requeue", "7")
        assert (wrong.returncode, len(wrong.stderr.splitlines())) == (2, 1)
        assert "not set aside" in wrong.stderr
        done = op30.command("results", "requeue", "1")
        assert done.returncode == 0, done.stderr
        if not running:
            op30.start()
        again = wait_for(lambda: [item for item in mes.results() if item["data"]["sequence"] == 2])[0]
        assert again["data"]["supersedes"] == first["data"]["resultId"]
        assert again["data"]["partId"] == "P-1"
        mes.send_ack(first["data"]["instanceId"], 2)
        wait_for(lambda: mes.state().get("backlog") and mes.state()["backlog"]["quarantined"] == 0)
        wait_for(lambda: mes.state()["acknowledgedThrough"] == 2)
        assert op30.stop() == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(filler: Path) -> None:
    with filler.open("wb") as file:
        while True:
            file.write(bytes(65536))
            file.flush()


@needs_root
def test_dc_50_a_full_disk_rejects_within_one_part_and_resumes_by_itself(
    tmp_path: Path, small_disk: Path, broker: RunningBroker
) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        op30.file.write_text(op30.file.read_text().replace('"state"', f'"{small_disk}/state"'))
        op30.start()
        measure(op30, "P-1")
        filler = small_disk / "filler"
        with pytest.raises(OSError, match="No space"):
            fill(filler)
        op30.drop("P-2.csv", csv_bytes(sine_um()))
        wait_for(lambda: "store-failed" in mes.state().get("conditions", []))
        assert mes.state()["light"] == "REJECT and FAULT"
        assert mes.state()["health"] == "F"
        assert [item["data"]["partId"] for item in mes.results()] == ["P-1"]
        time.sleep(1.0)
        filler.unlink()
        freed = time.monotonic()
        wait_for(lambda: len(mes.results()) == 2)
        assert time.monotonic() - freed < 5.0
        wait_for(lambda: "store-failed" not in mes.state()["conditions"])
        assert op30.stop() == 0


def test_dc_50_a_full_quota_holds_and_the_mes_frees_it(tmp_path: Path, broker: RunningBroker) -> None:
    more = "[store]\nquota_mb = 1\ntrace_quota_mb = 0\n"
    with bus_client(broker.port) as mes, station(tmp_path, broker.port, more=more) as op30:
        op30.start()
        content = csv_bytes(sine_um())
        number = 0
        while "store-failed" not in mes.state().get("conditions", []):
            number += 1
            assert number < 2000
            op30.drop(f"P-{number}.csv", content)
            if number % 20 == 0:
                wait_for(
                    lambda: (
                        "store-failed" in mes.state().get("conditions", []) or not list(op30.incoming.glob("*.csv"))
                    ),
                    30,
                )
        conditions = {condition for state in mes.payloads("v1/state") for condition in state.get("conditions", [])}
        assert {"store-filling", "store-nearly-full"} <= conditions
        assert "the store is full" in mes.state()["reason"]
        assert mes.state()["store"]["usedPercent"] > 90
        left = len(list(op30.incoming.glob("*.csv")))
        assert left > 0, "what was not stored stays in the folder"
        mes.acknowledge = True
        wait_for(lambda: not list(op30.incoming.glob("*.csv")), 60)
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0, 60)
        assert sorted({item["data"]["sequence"] for item in mes.results()}) == list(range(1, number + 1))
        assert op30.stop() == 0
