"""A consistent copy of a result database, stamped so that it can never pass for the original (DC-44)."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from crosslay.errors import StoreError
from crosslay.record.folders import sync_folder
from crosslay.record.levels import Levels, put_meta, read_levels
from crosslay.record.store import COPY_STAMP

_PAGES_A_STEP = 2000


def backup(database: Path, target: Path, stamp: str) -> Levels:
    """Copy a database, beside a running daemon or without one.

    Parameters
    ----------
    database
        The station's database.
    target
        The copy; it must not exist yet.
    stamp
        What the copy says of itself, e.g. the instance and the date.

    Returns
    -------
    Levels
        Where the copy stands.

    Raises
    ------
    StoreError
        The database cannot be read, or the copy cannot be written; no half copy is left.
    """
    if target.exists():
        raise StoreError(f"{target}: exists already; a backup never overwrites, give another name")
    if not database.exists():
        raise StoreError(f"{database}: no result database here yet; the daemon makes it at its first start")
    draft = target.with_name(f".{target.name}.draft")
    try:
        levels = _copy(database, draft, stamp)
        with draft.open("rb") as copied:
            os.fsync(copied.fileno())
        os.link(draft, target)  # unlike a rename, it never overwrites
        _sync_name(target)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(f"{target}: the backup failed ({error}); nothing was left there") from error
    finally:
        for suffix in ("", "-journal", "-wal", "-shm"):
            Path(f"{draft}{suffix}").unlink(missing_ok=True)
    return levels


def _sync_name(target: Path) -> None:
    try:
        sync_folder(target.parent)
    except OSError:
        target.unlink()  # a copy that a power cut may take away is none
        raise


def _copy(database: Path, draft: Path, stamp: str) -> Levels:
    with (
        closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(draft, isolation_level=None)) as copy,
    ):
        source.backup(copy, pages=_PAGES_A_STEP)
        copy.execute("PRAGMA journal_mode=DELETE")
        put_meta(copy, COPY_STAMP, stamp)
        return read_levels(copy)
