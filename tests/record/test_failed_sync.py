"""A commit that failed half-way: tried again, it is the same result; and what cannot be made sure is not built upon."""

from __future__ import annotations

import resource
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from crosslay.errors import StoreError, StoreWriteError
from crosslay.record.folders import make_folder
from crosslay.record.levels import Settled
from crosslay.record.store import FILE_NAME
from store_cases import filled_store, result_draft


@contextmanager
def files_at_most(size_bytes: int) -> Iterator[None]:
    """The kernel lets no file of this process grow beyond a size: a write then fails with EFBIG (setrlimit(2))."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


def test_dc_03_a_commit_that_is_there_after_all_is_not_made_twice(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 2)
    draft = result_draft("P-3", trace_points=300)
    first = store.commit(draft, Settled())
    again = store.commit(draft, Settled(through=1))
    assert again == first
    assert (store.levels.last, store.levels.pending, store.levels.acknowledged_through) == (3, 2, 1)
    assert store.commit(result_draft("P-4"), Settled()).sequence == 4
    store.close()


def test_opening_begins_the_wal_anew(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 5)
    store.open()
    assert (tmp_path / f"{FILE_NAME}-wal").stat().st_size == 0
    assert store.levels.last == 5
    store.close()


def test_after_an_error_nothing_goes_on_while_a_reader_keeps_the_wal(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 3)
    with files_at_most((tmp_path / f"{FILE_NAME}-wal").stat().st_size + 100), pytest.raises(StoreWriteError):
        store.commit(result_draft("P-4", padding=5000), Settled())
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM meta").fetchall()
        with pytest.raises(StoreError, match="another program's reading"):
            store.open()
        with pytest.raises(StoreWriteError, match="not open"):
            store.commit(result_draft("P-4"), Settled())
        reader.execute("COMMIT")
    store.open()
    assert store.commit(result_draft("P-4"), Settled()).sequence == 4
    store.close()


def test_a_reader_alone_does_not_keep_a_healthy_store_shut(tmp_path: Path) -> None:
    store = filled_store(tmp_path, 3)
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM meta").fetchall()
        store.open()
        assert store.commit(result_draft("P-4"), Settled()).sequence == 4
        reader.execute("COMMIT")
    store.close()


def test_new_folders_get_their_own_mode_and_those_above_the_usual_one(tmp_path: Path) -> None:
    make_folder(tmp_path / "a" / "b" / "state")
    assert (tmp_path / "a" / "b" / "state").stat().st_mode & 0o777 == 0o750
    made_here = tmp_path / "plain"
    made_here.mkdir()
    assert (tmp_path / "a").stat().st_mode == made_here.stat().st_mode
    make_folder(tmp_path / "a" / "b" / "state")
