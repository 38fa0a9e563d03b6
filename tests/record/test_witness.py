"""A database that is gone is another thing than one that never was (DC-42, DC-62), and the keeper knows which."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest

import crosslay.record.witness as witnessing
import crosslay.station.keeper as keeping
import crosslay.station.recorder as recording
from crosslay.bus.conditions import STORE_CHECKPOINT, STORE_RENEWED, Conditions
from crosslay.errors import StoreCorruptError, StoreError, StoreWriteError
from crosslay.plan.load import load_plan
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader
from crosslay.record.renew import finish_interrupted
from crosslay.record.store import FILE_NAME
from crosslay.record.witness import WITNESS_NAME, Witness, is_lost, read_witness, write_witness
from crosslay.station.clock import SystemClock
from crosslay.station.cycle import Event
from crosslay.station.hub import Hub
from crosslay.station.keeper import Keeper
from crosslay.station.mailbox import Arrival, Mailbox
from crosslay.station.recorder import Recorder
from crosslay.texture.trace import Trace
from store_cases import filled_store, result_draft

STATION = """
[station]
name = "op30"
topic = "plant/shafts/line3/op30"
state_dir = "state"
[gauge]
adapter = "file-drop"
folder = "incoming"
[bus]
host = "127.0.0.1"
[[characteristic]]
name = "journal"
callout = "Ra 0.8"
"""


class WorkingClock(SystemClock):
    """A clock whose monotonic time goes on by itself, so that what is due every few seconds is due at every look."""

    passed_s = 0.0

    def monotonic(self) -> float:
        self.passed_s += 10.0
        return self.passed_s


def plan_in(folder: Path) -> object:
    (folder / "op30.toml").write_text(STATION)
    return load_plan(folder / "op30.toml", {})


@contextmanager
def kept(folder: Path) -> Iterator[Keeper]:
    (folder / "state").mkdir(exist_ok=True)
    clock = WorkingClock()
    keeper = Keeper(plan_in(folder), clock, Conditions(clock))
    try:
        yield keeper
    finally:
        keeper.close()


def gaps(state_dir: Path) -> list[dict[str, object]]:
    with closing(Reader(state_dir)) as reader:
        return [json.loads(row.payload)["data"] for row in reader.rows() if row.kind == "gap"]


def test_a_witness_is_read_as_it_was_written(tmp_path: Path) -> None:
    assert read_witness(tmp_path) is None
    for number in (1000, 2000):
        write_witness(tmp_path, Witness(instance_id="i", sessions_reserved=number))
        assert read_witness(tmp_path) == Witness(instance_id="i", sessions_reserved=number)
    assert [path.name for path in tmp_path.iterdir()] == [WITNESS_NAME]


@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 40, b"[]", b"{}", b'{"instanceId": 3, "sessionsReserved": 4}', b'{"instanceId": "x"}']
)
def test_a_witness_that_says_nothing_still_is_one(tmp_path: Path, content: bytes) -> None:
    (tmp_path / WITNESS_NAME).write_bytes(content)
    assert read_witness(tmp_path) is None
    assert is_lost(tmp_path)


def test_a_cut_while_it_is_written_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_witness(tmp_path, Witness(instance_id="i", sessions_reserved=1000))
    order: list[str] = []
    real = witnessing.os.fsync
    monkeypatch.setattr(witnessing.os, "fsync", lambda descriptor: (order.append("file"), real(descriptor)))
    monkeypatch.setattr(witnessing, "sync_folder", lambda _folder: order.append("folder"))

    def rename(self: Path, target: Path) -> Path:
        order.append("rename")
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OSError, match="Input/output error"):
        write_witness(tmp_path, Witness(instance_id="i", sessions_reserved=2000))
    assert order == ["file", "rename"], "what is renamed is on the disk"
    assert read_witness(tmp_path) == Witness(instance_id="i", sessions_reserved=1000)


def test_a_new_directory_is_new_and_says_no_gap(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        keeper.open()
        assert keeper.made_here
        assert keeper.reserve_sessions() == range(1, 1001)
        assert gaps(tmp_path / "state") == []
    assert not is_lost(tmp_path / "state")


@pytest.mark.parametrize("left", ["empty", "nothing", "WAL"])
def test_dc_42_dc_62_a_lost_database_is_another_instance_with_a_gap_and_higher_sessions(
    tmp_path: Path, left: str
) -> None:
    state_dir = tmp_path / "state"
    with kept(tmp_path) as keeper:
        keeper.open()
        keeper.reserve_sessions()
        keeper.commit(result_draft(), Settled())
        identity = keeper.levels.instance_id
        if left == "WAL":
            shutil.copy(state_dir / f"{FILE_NAME}-wal", tmp_path / "wal")
    (state_dir / FILE_NAME).unlink()
    if left != "nothing":
        (state_dir / FILE_NAME).touch()
    if left == "WAL":
        shutil.copy(tmp_path / "wal", state_dir / f"{FILE_NAME}-wal")
    with kept(tmp_path) as keeper:
        keeper.open()
        assert keeper.levels.instance_id != identity
        [gap] = gaps(state_dir)
        assert (gap["lostInstanceId"], gap["fromSequence"], gap["toSequence"]) == (identity, 1, None)
        assert gap["reason"] == "database-lost"
        assert keeper.reserve_sessions() == range(1001, 2001)
        assert read_witness(state_dir) == Witness(instance_id=keeper.levels.instance_id, sessions_reserved=2000)
    if left == "WAL":
        [aside] = (state_dir / "set-aside").glob("*-wal")
        assert aside.read_bytes() == (tmp_path / "wal").read_bytes(), "what may still be in it is kept"


@pytest.mark.parametrize("witness", [None, b"nonsense"])
def test_where_the_witness_is_gone_too_what_was_set_aside_tells(tmp_path: Path, witness: bytes | None) -> None:
    state_dir = tmp_path / "state"
    with kept(tmp_path) as keeper:
        keeper.open()
        keeper.renew("rolled-back", "for the test")
    (state_dir / FILE_NAME).unlink()
    (state_dir / WITNESS_NAME).unlink()
    if witness is not None:
        (state_dir / WITNESS_NAME).write_bytes(witness)
    with kept(tmp_path) as keeper:
        keeper.open()
        [gap] = gaps(state_dir)
        assert (gap["lostInstanceId"], gap["reason"]) == (None, "database-lost")
        assert keeper.reserve_sessions().start > 29_000_000, "minutes since 1970: above any that was used"


def test_dc_62_no_session_number_is_used_that_the_witness_does_not_cover(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with kept(tmp_path) as keeper:
        keeper.open()

        def fail(*_values: object) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patch:
            patch.setattr(keeping, "write_witness", fail)
            with pytest.raises(StoreWriteError, match="No space left on device"):
                keeper.reserve_sessions()
        assert read_witness(tmp_path / "state") is None
        assert keeper.reserve_sessions() == range(1001, 2001), "a hole, as allowed"


def test_a_directory_that_vanishes_is_a_loss_and_comes_back(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        keeper.open()
        keeper.commit(result_draft(), Settled())
        identity = keeper.levels.instance_id
        shutil.rmtree(tmp_path / "state")
        with pytest.raises(StoreCorruptError, match="is gone"):
            keeper.look_after()
        keeper.renew("database-damaged", "gone")
        gap, *_ = gaps(tmp_path / "state")
        assert gap["lostInstanceId"] == identity
        assert keeper.levels.last == 2, "the gap, and the result that was still readable"


def test_gap_records_that_nobody_has_acknowledged_are_said_again(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        identities = []
        keeper.open()
        for number in range(3):
            identities.append(keeper.levels.instance_id)
            keeper.commit(result_draft(f"P-{number}"), Settled())
            keeper.renew("rolled-back", "for the test")
        said = gaps(tmp_path / "state")
        assert {gap["lostInstanceId"] for gap in said} == set(identities)
        assert len(said) == 3
        assert keeper.levels.last == 3 + 3


def test_damage_that_a_reader_met_is_confirmed_before_anything_is_made_anew(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        keeper.open()
        for number in range(60):
            keeper.commit(result_draft(f"P-{number}", padding=2000), Settled())
        keeper.look_after("a reader says so")
        keeper.open()
        content = bytearray((tmp_path / "state" / FILE_NAME).read_bytes())
        content[len(content) // 2 :] = b"\xaa" * (len(content) - len(content) // 2)
        with (tmp_path / "state" / FILE_NAME).open("r+b") as file:
            file.write(content)
        keeper.look_after()
        with pytest.raises(StoreCorruptError):
            keeper.look_after("a reader says so")


def test_a_wal_that_cannot_be_folded_is_said_and_no_longer_when_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "_WAL_LIMIT_BYTES", 100_000)
    with kept(tmp_path) as keeper:
        keeper.open()
        conditions = keeper._conditions
        with closing(sqlite3.connect(tmp_path / "state" / FILE_NAME, isolation_level=None)) as other:
            other.execute("BEGIN")
            other.execute("SELECT * FROM meta").fetchall()
            keeper.commit(result_draft("P-1", padding=50_000), Settled())
            keeper.look_after()
            assert not conditions.active(STORE_CHECKPOINT)
            keeper.commit(result_draft("P-2", padding=90_000), Settled())
            keeper.look_after()
            [said] = conditions.active(STORE_CHECKPOINT)
            assert "a program that reads the database keeps it" in said.text
        keeper.look_after()
        assert not conditions.active(STORE_CHECKPOINT)
        assert (tmp_path / "state" / f"{FILE_NAME}-wal").stat().st_size == 0
        assert not conditions.active(STORE_RENEWED)


def test_a_renewal_that_fails_keeps_what_is_open_for_the_next_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with kept(tmp_path) as keeper:
        keeper.open()
        keeper.commit(result_draft("P-1"), Settled())
        (tmp_path / "state" / FILE_NAME).unlink()
        with monkeypatch.context() as patch:
            patch.setattr("crosslay.record.renew._build", lambda *_values: (_ for _ in ()).throw(OSError(28, "full")))
            for _ in range(2):
                with pytest.raises(StoreError, match="full"):
                    keeper.renew("database-damaged", "deleted")
                keeper.reopen()
        keeper.reopen()
        assert keeper.levels.last == 2
        with closing(Reader(tmp_path / "state")) as reader:
            assert [row.part_id for row in reader.rows()] == ["", "P-1"]


def test_a_directory_with_a_renewal_cut_short_is_not_lost(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 2)
    store.close()
    write_witness(tmp_path, Witness(instance_id="x", sessions_reserved=1000))
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database, database:
        database.execute("INSERT INTO meta VALUES ('renewalComplete', '1')")
    (tmp_path / FILE_NAME).rename(tmp_path / "renewal.sqlite3")
    finish_interrupted(tmp_path)
    assert not is_lost(tmp_path)


class NoGauge:
    """Takes every trace's end."""

    def settle(self, *_values: object) -> None:
        pass


@pytest.mark.parametrize("identity", ["", "trace-1"])
def test_a_part_whose_storing_fails_right_after_the_commit_is_stored_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, identity: str
) -> None:
    mailbox, clock = Mailbox(), SystemClock()
    hub = Hub(plan_in(tmp_path), mailbox, clock)
    (tmp_path / "state").mkdir()
    hub.keeper.open()
    for event in (Event.GAUGE_OPENED, Event.TRACE_ARRIVED):
        hub.event(event)
    recorder = Recorder(hub, hub.keeper, mailbox, NoGauge())
    samples = np.sin(2 * np.pi * np.arange(9601) * 0.5e-3 / 0.1)
    trace = Trace(samples=samples, spacing_um=0.5, facts={"part": "P-1"}, identity=identity)
    mailbox.put(Arrival(trace=trace, ticket=1, arrived_at=clock.monotonic()), 1.0)
    stop = threading.Event()
    stop.set()
    failures = 3

    def fail() -> None:
        nonlocal failures
        failures -= 1
        if failures >= 0:
            raise RuntimeError("what nobody expects")

    monkeypatch.setattr(hub, "note_quarantine", fail)
    monkeypatch.setattr(recording, "_ROUND_S", 0.01)
    for _ in range(5):
        try:
            recorder.run(stop)
        except RuntimeError as error:
            recorder.on_unexpected(str(error))
    assert failures < (0 if not identity else 3), "the test reached its moment"
    with closing(Reader(tmp_path / "state")) as reader:
        [row] = reader.rows()
    assert row.part_id == "P-1"
    assert json.loads(row.payload)["data"].get("supersedes") is None
    hub.keeper.close()
