"""Damage, backups and roll-backs: a database made anew, and a cut at any moment of it (DC-02, DC-42, DC-44)."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

import crosslay.record.backup as backing
import crosslay.record.renew as renewing
from crosslay.errors import StoreCorruptError, StoreError
from crosslay.record.backup import backup
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader
from crosslay.record.renew import Renewal, finish_interrupted, renew
from crosslay.record.store import FILE_NAME, Draft, Store
from crosslay.station.records import first_records
from store_cases import filled_store, result_draft

NOW = 1.8e9


def renewal(reason: str = "database-damaged") -> Renewal:
    return Renewal(
        reason=reason, wall_s=NOW, first_records=first_records("urn:x", reason, wall_s=NOW, synchronized=True)
    )


def payloads(folder: Path) -> list[dict[str, object]]:
    reader = Reader(folder)
    try:
        return [json.loads(row.payload) for row in reader.rows()]
    finally:
        reader.close()


def test_dc_44_undelivered_results_are_committed_again_and_supersede(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 5)
    store.settle(Settled(through=3, quarantined={2: "x"}))
    store.reserve_sessions()
    before = payloads(tmp_path)
    identity = store.levels.instance_id
    store.close()
    aside = renew(tmp_path, renewal("restored-backup"))
    store.open()
    assert store.levels.instance_id != identity
    assert (store.levels.first, store.levels.last, store.levels.pending) == (1, 3, 3)
    gap, *again = payloads(tmp_path)
    assert (gap["type"], gap["data"]["lostInstanceId"]) == ("org.crosslay.gap.v1", identity)
    assert (gap["data"]["fromSequence"], gap["data"]["toSequence"]) == (6, None)
    assert [item["data"]["partId"] for item in again] == ["P-4", "P-5"]
    assert [item["data"]["supersedes"] for item in again] == [item["data"]["resultId"] for item in before[3:]]
    assert [item["data"]["sequence"] for item in again] == [2, 3]
    assert all(item["data"]["instanceId"] == store.levels.instance_id for item in again)
    assert store.reserve_sessions().start == 1001, "session numbers go on (DC-62)"
    old = Reader(aside.parent, aside.name)
    assert len(old.rows()) == 5, "set aside, not deleted"
    old.close()
    store.close()


def test_a_trace_of_the_old_database_is_still_known(tmp_path: Path) -> None:
    draft = result_draft()
    store = filled_store(tmp_path, 0)
    store.commit(draft, Settled())
    store.close()
    renew(tmp_path, renewal())
    store.open()
    assert store.known(draft.deliveries[0]) is not None
    store.close()


def open_and_commit(store: Store) -> None:
    store.open()
    store.commit(result_draft(), Settled())


@pytest.mark.parametrize("damage", ["header", "middle", "garbage"])
def test_a_damaged_database_is_set_aside_whatever_is_left_of_it(tmp_path: Path, damage: str) -> None:
    store = filled_store(tmp_path, 200, padding=800)
    store.close()
    path = tmp_path / FILE_NAME
    content = bytearray(path.read_bytes())
    if damage == "header":
        content[:100] = bytes(100)
    elif damage == "middle":
        content[len(content) // 4 :] = os.urandom(len(content) - len(content) // 4)
    else:
        content = bytearray(b"garbage " * 5000)
    path.write_bytes(content)
    with pytest.raises((StoreCorruptError, StoreError)):
        open_and_commit(store)
    store.close()
    renew(tmp_path, renewal())
    store.open()
    first, *_rest = payloads(tmp_path)
    assert first["data"]["reason"] == "database-damaged"
    assert store.levels.last >= 1
    assert store.commit(result_draft(), Settled()).sequence == store.levels.last
    assert len(list((tmp_path / "set-aside").glob("*.sqlite3"))) == 1
    store.close()


def _steps() -> list[str]:
    return ["_build", "_set_aside", "_move_into_place"]


class Cut(BaseException):
    """The power goes."""


@pytest.mark.parametrize("step", _steps())
@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_cut_between_any_two_steps_leaves_one_database_or_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, moment: str
) -> None:
    store = filled_store(tmp_path, 3)
    identity = store.levels.instance_id
    store.close()
    real: Callable[..., object] = getattr(renewing, step)

    def cut(*values: object) -> object:
        if moment == "after":
            real(*values)
        raise Cut

    monkeypatch.setattr(renewing, step, cut)
    with pytest.raises(Cut):
        renew(tmp_path, renewal())
    monkeypatch.undo()
    finish_interrupted(tmp_path)
    store.open()
    found = payloads(tmp_path)
    if store.levels.instance_id == identity:
        assert [item["data"]["partId"] for item in found] == ["P-1", "P-2", "P-3"]
    else:
        assert [item["data"].get("partId") for item in found] == [None, "P-1", "P-2", "P-3"]
    assert not (tmp_path / "renewal.sqlite3").exists()
    store.close()


def test_a_cut_between_the_database_and_its_wal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = filled_store(tmp_path, 3)
    # A process that died leaves a WAL behind.
    shutil.copy(tmp_path / f"{FILE_NAME}-wal", tmp_path / "kept-wal")
    store.close()
    (tmp_path / "kept-wal").rename(tmp_path / f"{FILE_NAME}-wal")
    real = Path.rename

    def rename(self: Path, target: str | Path) -> Path:
        if self.name.endswith("-wal") and self.parent == tmp_path:
            raise Cut
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(Cut):
        renew(tmp_path, renewal())
    monkeypatch.undo()
    assert not (tmp_path / FILE_NAME).exists()
    finish_interrupted(tmp_path)
    assert not (tmp_path / f"{FILE_NAME}-wal").exists(), "a foreign WAL would spoil the new database"
    store.open()
    assert store._live.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert len(payloads(tmp_path)) == 4
    store.close()


def test_a_new_database_that_is_not_complete_in_one_file_is_not_moved_into_place(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 3)
    identity = store.levels.instance_id
    store.close()
    reading: list[sqlite3.Connection] = []
    real = renewal()

    def with_a_reader(old: renewing.Old) -> list[Draft]:
        # Whoever reads the new database keeps its WAL from being folded in when the writer closes.
        reading.append(sqlite3.connect(tmp_path / "renewal.sqlite3", isolation_level=None))
        reading[0].execute("BEGIN")
        reading[0].execute("SELECT * FROM meta").fetchall()
        return real.first_records(old)

    cut_short = Renewal(reason=real.reason, wall_s=real.wall_s, first_records=with_a_reader)
    with pytest.raises(StoreError, match="cannot be completed"):
        renew(tmp_path, cut_short)
    reading[0].close()
    finish_interrupted(tmp_path)
    store.open()
    assert (store.levels.instance_id, store.levels.last) == (identity, 3)
    store.close()


def test_dc_44_a_backup_is_consistent_stamped_and_begins_a_new_instance(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 30)
    levels = backup(tmp_path / "s" / FILE_NAME, tmp_path / "copy.sqlite3", "instance x, made today")
    assert levels.last == 30
    store.commit(result_draft(), Settled())
    store.close()
    copy = sqlite3.connect(tmp_path / "copy.sqlite3")
    assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    copy.close()
    (tmp_path / "restored").mkdir()
    shutil.copy(tmp_path / "copy.sqlite3", tmp_path / "restored" / FILE_NAME)
    restored = Store(tmp_path / "restored")
    with pytest.raises(StoreCorruptError, match="is a backup copy of instance x, made today"):
        restored.open()


def test_a_backup_survives_a_power_cut_with_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = filled_store(tmp_path / "s", 3)
    store.close()
    target, steps = tmp_path / "copy.sqlite3", []
    fsync, link = os.fsync, os.link

    def note_fsync(descriptor: int) -> None:
        steps.append(("fsync", Path(f"/proc/self/fd/{descriptor}").readlink()))
        fsync(descriptor)

    def note_link(source: Path, name: Path) -> None:
        steps.append(("link", name))
        link(source, name)

    monkeypatch.setattr(os, "fsync", note_fsync)
    monkeypatch.setattr(os, "link", note_link)
    backup(tmp_path / "s" / FILE_NAME, target, "x")
    content, name, folder = [step for step in steps if step[1].parent != tmp_path / "s"]
    assert (content[0], content[1].name) == ("fsync", ".copy.sqlite3.draft")
    assert name == ("link", target)
    assert folder == ("fsync", tmp_path)


def test_a_backup_whose_name_cannot_be_synced_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = filled_store(tmp_path / "s", 3)
    store.close()

    def fail(_folder: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(backing, "sync_folder", fail)
    with pytest.raises(StoreError, match=r"Input/output error.*nothing was left there"):
        backup(tmp_path / "s" / FILE_NAME, tmp_path / "copy.sqlite3", "x")
    assert [path.name for path in tmp_path.iterdir()] == ["s"]


def test_a_backup_never_overwrites_and_leaves_no_half(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 3)
    (tmp_path / "there").write_text("precious")
    with pytest.raises(StoreError, match="exists already"):
        backup(tmp_path / "s" / FILE_NAME, tmp_path / "there", "x")
    assert (tmp_path / "there").read_text() == "precious"
    with pytest.raises(StoreError, match="the backup failed"):
        backup(tmp_path / "s" / FILE_NAME, tmp_path / "no" / "folder", "x")
    with pytest.raises(StoreError, match="no result database"):
        backup(tmp_path / "nothing.sqlite3", tmp_path / "copy", "x")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s", "there"]
    store.close()
