"""Files that change under an open store: each change is noticed, and what can still be read is not lost."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from crosslay.errors import StoreCorruptError, StoreError
from crosslay.record.backup import backup
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader
from crosslay.record.renew import Renewal, keep_living, read_living, renew
from crosslay.record.store import FILE_NAME, Store
from crosslay.record.witness import SET_ASIDE
from crosslay.station.records import first_records
from store_cases import filled_store, result_draft

WAL = f"{FILE_NAME}-wal"
NOW = 1.8e9


def cut(path: Path, size: int) -> None:
    with path.open("r+b") as file:
        file.truncate(size)


def both_cut(folder: Path) -> None:
    cut(folder / FILE_NAME, 0)
    cut(folder / WAL, 0)


def half_cut(folder: Path) -> None:
    cut(folder / FILE_NAME, (folder / FILE_NAME).stat().st_size // 2)


def header_overwritten(folder: Path) -> None:
    with (folder / FILE_NAME).open("r+b") as file:
        file.write(b"\xff" * 100)


def replaced(folder: Path) -> None:
    (folder / "other").write_bytes(os.urandom(50_000))
    (folder / "other").replace(folder / FILE_NAME)


def overwritten_by_another(folder: Path) -> None:
    other = filled_store(folder / "other", 300, padding=500)
    other.close()
    shutil.copyfile(folder / "other" / FILE_NAME, folder / FILE_NAME)
    shutil.rmtree(folder / "other")


def overwritten_by_a_backup(folder: Path) -> None:
    backup(folder / FILE_NAME, folder / "copy", "x")
    shutil.copyfile(folder / "copy", folder / FILE_NAME)
    (folder / "copy").unlink()


def last_tables_cut(folder: Path) -> None:
    cut(folder / FILE_NAME, 1024)


#: What happens to the files, and whether every result can still be read through what is open.
DAMAGES: dict[str, tuple[Callable[[Path], None], bool]] = {
    "deleted": (lambda folder: (folder / FILE_NAME).unlink(), True),
    "WAL deleted": (lambda folder: (folder / WAL).unlink(), True),
    "both deleted": (lambda folder: [(folder / name).unlink() for name in (FILE_NAME, WAL)], True),
    "index deleted": (lambda folder: (folder / f"{FILE_NAME}-shm").unlink(), True),
    "replaced": (replaced, True),
    "header overwritten": (header_overwritten, True),
    "both cut": (both_cut, False),
    "half cut": (half_cut, False),
    "cut to a page": (last_tables_cut, False),
    "WAL cut": (lambda folder: cut(folder / WAL, 0), False),
    "overwritten by another": (overwritten_by_another, False),
    "overwritten by a backup": (overwritten_by_a_backup, False),
}


def renewal(store: Store) -> Renewal:
    records = first_records("urn:x", "database-damaged", wall_s=NOW, synchronized=True)
    return Renewal(
        reason="database-damaged",
        wall_s=NOW,
        first_records=records,
        living=read_living(store),
        release=store.close,
    )


def payloads(folder: Path, name: str = FILE_NAME) -> list[dict[str, object]]:
    with closing(Reader(folder, name)) as reader:
        return [json.loads(row.payload) for row in reader.rows()]


@pytest.mark.parametrize("name", DAMAGES)
def test_every_damage_under_an_open_store_is_noticed_and_made_good(tmp_path: Path, name: str) -> None:
    damage, readable = DAMAGES[name]
    store = filled_store(tmp_path, 20, padding=1500)
    store.open()  # all that is in the WAL is in the database now
    for number in (21, 22):
        store.commit(result_draft(f"P-{number}"), Settled(through=10))
    store.verify()
    owed = [item["data"]["resultId"] for item in payloads(tmp_path)[10:]]
    identity = store.levels.instance_id
    damage(tmp_path)
    with pytest.raises(StoreCorruptError, match=r"under the running daemon$"):
        store.verify()
    kept = keep_living(store, tmp_path, lambda: None)
    renew(tmp_path, renewal(store))
    store.open()
    gap, *again = payloads(tmp_path)
    assert (gap["type"], gap["data"]["lostInstanceId"]) == ("org.crosslay.gap.v1", identity)
    found = [item["data"]["supersedes"] for item in again]
    if readable:
        assert found == owed
        assert gap["data"]["fromSequence"] == 23
        assert kept is not None
        assert kept.parent == tmp_path / SET_ASIDE
        assert len(payloads(kept.parent, kept.name)) == 22, "acknowledged results are kept, too"
    else:
        assert set(found) <= set(owed)
        assert gap["data"]["fromSequence"] == (11 if len(found) < len(owed) else 23)
    assert store.commit(result_draft("P-23"), Settled()).sequence == len(again) + 2
    store.verify()
    store.close()


def test_a_store_that_nobody_touches_is_found_whole(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 0)
    reader = Reader(tmp_path)
    for number in range(300):
        store.verify()
        store.commit(result_draft(f"P-{number}", padding=3000), Settled(through=number))
        reader.pending(0, 5)
    store.fold_wal()
    store.verify()
    with pytest.raises(StoreError), store.transaction() as connection:
        connection.execute("SELECT * FROM nothing_of_the_kind")
    store.verify()
    reader.close()
    store.close()
    store.verify()


def locks() -> list[str]:
    own = f" {os.getpid()} "
    return sorted(line.split(":", 1)[1] for line in Path("/proc/locks").read_text().splitlines() if own in line)


def test_looking_costs_sqlite_none_of_its_locks(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 5)
    before = locks()
    assert before, "SQLite holds its locks while the database is open"
    store.verify()
    assert store.fold_wal()
    assert store._is_folded()
    assert locks() == before
    store.close()


def test_a_wal_folded_in_by_another_program_is_no_damage(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 20)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as other:
        assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone() == (0, 0, 0)
    assert (tmp_path / WAL).stat().st_size == 0
    store.verify()
    assert store.commit(result_draft(), Settled()).sequence == 21
    store.close()


def test_a_wal_that_a_reader_keeps_is_not_folded_and_later_is(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 20)
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as other:
        other.execute("BEGIN")
        other.execute("SELECT * FROM meta").fetchall()
        store.commit(result_draft(), Settled())
        assert not store.fold_wal()
        assert store.wal_bytes() > 0
    assert store.fold_wal()
    assert store.wal_bytes() == 0
    store.close()


def test_a_reader_tells_damage_and_nothing_that_passes(tmp_path: Path) -> None:
    told: list[str] = []
    store = filled_store(tmp_path / "s", 20, padding=3000)
    reader = Reader(tmp_path / "s", on_damage=told.append)
    assert reader.pending(20, 5) == []
    with closing(sqlite3.connect(tmp_path / "s" / FILE_NAME, isolation_level=None, timeout=0)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")
        assert len(reader.pending(0, 5)) == 5
    store.close()
    reader.close()
    with pytest.raises(StoreError, match="no result database"):
        Reader(tmp_path, on_damage=told.append).levels()
    (tmp_path / "s" / FILE_NAME).chmod(0o640)
    assert told == []
    content = bytearray((tmp_path / "s" / FILE_NAME).read_bytes())
    content[2048:] = os.urandom(len(content) - 2048)
    (tmp_path / "s" / FILE_NAME).write_bytes(content)
    with pytest.raises(StoreCorruptError):
        reader.pending(0, 100)
    both_empty = tmp_path / "empty"
    both_empty.mkdir()
    (both_empty / FILE_NAME).touch()
    with pytest.raises(StoreCorruptError, match="no such table"):
        Reader(both_empty, on_damage=told.append).levels()
    assert len(told) == 2
    reader.close()


def test_a_reader_opens_the_database_that_was_made_anew(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 3)
    with closing(Reader(tmp_path)) as reader:
        assert reader.levels().last == 3
        renew(tmp_path, renewal(store))
        store.open()
        assert reader.levels() == store.levels
    store.close()
