"""A result database made anew: after damage, for a backup copy, for one that was rolled back (DC-02, DC-44).

The old file is set aside with its date, never deleted. The new one is built complete beside it and moved into place, so
that a power cut at any moment leaves either the old or the new one to be opened.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crosslay.errors import StoreError
from crosslay.record.folders import make_folder, sync_folder
from crosslay.record.levels import Levels, Settled, put_meta, read_levels
from crosslay.record.store import FILE_NAME, Draft, Store

SET_ASIDE = "set-aside"
_DRAFT_NAME = "renewal.sqlite3"
_COMPLETE = "renewalComplete"
_COMPANIONS = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Undelivered:
    """A result of the old database that nobody acknowledged, as far as it could still be read."""

    sequence: int
    result_id: uuid.UUID
    part_id: str
    decision: str
    created_at: float
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Old:
    """What the old database still tells. `levels` is None where not even that can be read."""

    levels: Levels | None
    sessions_reserved: int | None
    undelivered: tuple[Undelivered, ...]
    deliveries: tuple[tuple[bytes, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """Why a database is made anew, and how its first records are made.

    Attributes
    ----------
    reason
        ``database-damaged``, ``restored-backup`` or ``rolled-back``.
    wall_s
        Seconds since the epoch, for the name of what is set aside.
    first_records
        Drafts of the new database: the gap record first, then undelivered results again.
    """

    reason: str
    wall_s: float
    first_records: Callable[[Old], list[Draft]]


def finish_interrupted(state_dir: Path) -> None:
    """Complete, or undo, a renewal that was cut off; before every opening of the store."""
    draft, final = state_dir / _DRAFT_NAME, state_dir / FILE_NAME
    if draft.exists() and not final.exists() and _is_complete(draft):
        _clear_companions(state_dir)
        _move_into_place(state_dir)
    elif draft.exists():
        _remove(draft)


def renew(state_dir: Path, renewal: Renewal) -> Path:
    """Set the database aside and put a new one in its place; the store must be closed.

    Returns
    -------
    pathlib.Path
        Where the old database is now.

    Raises
    ------
    StoreError
        The folder cannot be written; the old database is still in its place.
    """
    final = state_dir / FILE_NAME
    old = read_old(final)
    try:
        _remove(state_dir / _DRAFT_NAME)
        _build(state_dir, renewal, old)
        aside = _set_aside(state_dir, renewal)
        _move_into_place(state_dir)
    except OSError as error:
        raise StoreError(f"{final}: cannot be set aside ({error.strerror}); make {state_dir} writable") from error
    return aside


def read_old(path: Path) -> Old:
    """Read what can be read of a database that may be damaged, row by row."""
    try:
        # Through a read-only connection; its WAL is read, too, where it is whole.
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
        ) as connection:
            levels = _try(lambda: read_levels(connection))
            reserved = list(_rows(connection, "SELECT value FROM meta WHERE key = 'sessionsReserved'"))
            undelivered = tuple(_undelivered(connection))
            deliveries = tuple(_rows(connection, "SELECT delivery_id, sequence FROM delivery"))
    except sqlite3.Error:
        return Old(levels=None, sessions_reserved=None, undelivered=(), deliveries=())
    sessions = int(reserved[0][0]) if reserved else None
    return Old(levels=levels, sessions_reserved=sessions, undelivered=undelivered, deliveries=deliveries)


def _build(state_dir: Path, renewal: Renewal, old: Old) -> None:
    store = Store(state_dir, _DRAFT_NAME)
    store.open()
    try:
        for record in renewal.first_records(old):
            store.commit(record, Settled())
        with store.transaction() as connection:
            connection.executemany(
                "INSERT OR IGNORE INTO delivery VALUES (?, ?)", [(key, store.levels.last) for key, _ in old.deliveries]
            )
            # Session numbers only grow (DC-62); minutes since the epoch lie above any that cannot be read.
            sessions = old.sessions_reserved if old.sessions_reserved is not None else int(renewal.wall_s) // 60
            put_meta(connection, "sessionsReserved", sessions)
            put_meta(connection, _COMPLETE, "1")
    finally:
        store.close()
    # Only the database itself is moved into place: closing must have brought everything into it.
    if Path(f"{store.path}-wal").exists():
        raise StoreError(f"{store.path}: the new database cannot be completed; free the disk, and end what reads it")


def _set_aside(state_dir: Path, renewal: Renewal) -> Path:
    folder = state_dir / SET_ASIDE
    make_folder(folder)
    stamp = dt.datetime.fromtimestamp(renewal.wall_s, tz=dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    target = folder / f"results-{stamp}-{renewal.reason}.sqlite3"
    number = 2
    while target.exists():
        target = folder / f"results-{stamp}-{renewal.reason}-{number}.sqlite3"
        number += 1
    # The database itself first, and surely first: while it is in its place, its WAL must be, too.
    for suffix in _COMPANIONS:
        with suppress(FileNotFoundError):
            (state_dir / f"{FILE_NAME}{suffix}").rename(f"{target}{suffix}")
        sync_folder(folder)
        sync_folder(state_dir)
    return target


def _move_into_place(state_dir: Path) -> None:
    (state_dir / _DRAFT_NAME).rename(state_dir / FILE_NAME)
    sync_folder(state_dir)


def _clear_companions(state_dir: Path) -> None:
    """A WAL that a cut left behind belongs to the database set aside, and would spoil the new one."""
    newest = max((state_dir / SET_ASIDE).glob("results-*.sqlite3"), key=lambda path: path.name, default=None)
    for suffix in _COMPANIONS[1:]:
        left = state_dir / f"{FILE_NAME}{suffix}"
        if left.exists():
            left.rename(f"{newest}{suffix}" if newest is not None else state_dir / f"orphan{suffix}")
            sync_folder(state_dir)


def _is_complete(draft: Path) -> bool:
    with (
        suppress(sqlite3.Error),
        closing(sqlite3.connect(f"{draft.absolute().as_uri()}?mode=ro", uri=True)) as connection,
    ):
        return connection.execute("SELECT value FROM meta WHERE key = ?", (_COMPLETE,)).fetchone() is not None
    return False


def _undelivered(connection: sqlite3.Connection) -> Iterator[Undelivered]:
    for (sequence,) in list(
        _rows(connection, "SELECT sequence FROM outbox WHERE quarantined IS NULL ORDER BY sequence")
    ):
        rows = list(
            _rows(
                connection,
                "SELECT sequence, result_id, part_id, decision, created_at, payload FROM result "
                "WHERE kind = 'result' AND sequence = ?",
                sequence,
            )
        )
        for number, result_id, part_id, decision, created_at, payload in rows:
            yield Undelivered(
                sequence=number,
                result_id=uuid.UUID(bytes=result_id),
                part_id=part_id,
                decision=decision,
                created_at=created_at,
                payload=payload,
            )


def _rows(connection: sqlite3.Connection, query: str, *values: object) -> Iterator[tuple[Any, ...]]:
    """Rows until the first damaged page."""
    with suppress(sqlite3.Error):
        yield from connection.execute(query, values)


def _try(action: Callable[[], Levels]) -> Levels | None:
    try:
        return action()
    except (sqlite3.Error, KeyError, ValueError):
        return None


def _remove(database: Path) -> None:
    for suffix in _COMPANIONS:
        Path(f"{database}{suffix}").unlink(missing_ok=True)
