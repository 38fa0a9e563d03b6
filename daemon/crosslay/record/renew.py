"""A result database made anew: after damage, for a backup copy, for one that was rolled back (DC-02, DC-44).

The old file is set aside with its date, never deleted. The new one is built complete beside it and moved into place, so
that a power cut at any moment leaves either the old or the new one to be opened.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import sqlite3
import uuid
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from crosslay.errors import StoreError
from crosslay.record.check_history import History, read_history, write_history
from crosslay.record.folders import make_folder, sync_folder
from crosslay.record.levels import Levels, Settled, put_meta, read_levels
from crosslay.record.store import FILE_NAME, Draft, Store
from crosslay.record.upkeep import Gap
from crosslay.record.watch import COMPANIONS
from crosslay.record.witness import SET_ASIDE, Witness, read_witness, write_witness

_DRAFT_NAME = "renewal.sqlite3"
_COMPLETE = "renewalComplete"
#: Why a database that was set back may miss reference checks, by the reason of its renewal.
_DISTRUST = {
    "restored-backup": "the result database was restored from a backup",
    "rolled-back": "the result database was set back to an earlier state",
}
_PAGES_A_STEP = 1000
_STEPS_A_BEAT = 1_000_000
_DISK_RESERVE_BYTES = 8 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Undelivered:
    """A result or a recall of the old database that nobody acknowledged, as far as it could still be read."""

    sequence: int
    result_id: uuid.UUID
    part_id: str
    decision: str
    created_at: float
    payload: bytes
    kind: str = "result"


@dataclass(frozen=True, slots=True, kw_only=True)
class Old:
    """What is still known of the old database.

    Attributes
    ----------
    levels
        None where not even those can be read.
    instance_id
        None where nothing tells it.
    undelivered, gaps
        Results and gap records that nobody acknowledged, as far as they can be read.
    deliveries
        Ids of traces that it held.
    history
        Its reference checks, corrections and recalls.
    whole
        Whether the outbox and all of its rows could be read.
    """

    levels: Levels | None = None
    instance_id: str | None = None
    sessions_reserved: int | None = None
    undelivered: tuple[Undelivered, ...] = ()
    gaps: tuple[Gap, ...] = ()
    deliveries: tuple[bytes, ...] = ()
    history: History = field(default_factory=History)
    whole: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """Why a database is made anew, and how its first records are made.

    Attributes
    ----------
    reason
        ``database-damaged``, ``database-lost``, ``restored-backup`` or ``rolled-back``.
    wall_s
        Seconds since the epoch, for the name of what is set aside.
    first_records
        Drafts of the new database: the gap record first, then undelivered records again.
    living
        What the process that has the database open still knows of it, where there is one (`read_living`).
    release
        Closes that database; called once the new one is complete, and before anything is moved.
    """

    reason: str
    wall_s: float
    first_records: Callable[[Old], list[Draft]]
    living: Old = Old()
    release: Callable[[], None] = lambda: None


def finish_interrupted(state_dir: Path) -> None:
    """Complete, or undo, a renewal that was cut off; before every opening of the store."""
    draft, final = state_dir / _DRAFT_NAME, state_dir / FILE_NAME
    if draft.exists() and not final.exists() and _is_complete(draft):
        _clear_companions(state_dir)
        _move_into_place(state_dir)
    elif draft.exists():
        _remove(draft)


def renew(state_dir: Path, renewal: Renewal) -> Path:
    """Set the database aside and put a new one in its place.

    Returns
    -------
    pathlib.Path
        Where the old database is now; nothing is there where nothing was left of it.

    Raises
    ------
    StoreError
        The folder cannot be written; the old database is still in its place.
    """
    final = state_dir / FILE_NAME
    old = _combined(renewal.living, read_old(final, renewal.living.levels), read_witness(state_dir))
    try:
        _remove(state_dir / _DRAFT_NAME)
        witness = _build(state_dir, renewal, old)
        write_witness(state_dir, witness)
        renewal.release()
        aside = _set_aside(state_dir, renewal)
        _move_into_place(state_dir)
    except OSError as error:
        raise StoreError(f"{final}: cannot be set aside ({error.strerror}); make {state_dir} writable") from error
    return aside


def read_old(path: Path, known: Levels | None = None) -> Old:
    """Read what can be read of a database that may be damaged, row by row.

    Parameters
    ----------
    path
        The database.
    known
        Where it stood, as the process knows that had it open: rows of any other database are not taken.
    """
    try:
        if path.stat().st_size == 0:
            return Old()  # SQLite would delete the WAL beside an empty database
        # Through a read-only connection; its WAL is read, too, where it is whole.
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
        ) as connection:
            return _read(connection, known or _try(lambda: read_levels(connection)))
    except (sqlite3.Error, OSError):
        return Old()


def read_living(store: Store) -> Old:
    """Read through an open store what the files at their names may not hold any more; call it before closing."""
    connection = store.living
    if connection is not None:
        return _read(connection, store.levels)
    if store.levels.instance_id:
        return Old(levels=store.levels, instance_id=store.levels.instance_id)
    return Old()


def keep_living(store: Store, folder: Path, beat: Callable[[], None]) -> Path | None:
    """Copy what an open store still reads, in full, before its files are lost; call it before closing.

    Parameters
    ----------
    store
        Open, with files that are deleted, replaced or damaged.
    folder
        The state directory.
    beat
        Called again and again: progress.

    Returns
    -------
    pathlib.Path or None
        The copy, named ``kept-…`` among those set aside; None where it cannot be read in full, or finds no room.
    """
    connection = store.living
    if connection is None:
        return None
    draft = folder / "kept.sqlite3.draft"
    try:
        target = folder / SET_ASIDE / f"kept-{store.levels.instance_id}-{store.levels.last}.sqlite3"
        if target.exists():
            return target  # of a try before that failed later
        make_folder(folder / SET_ASIDE)
        size = _size_bytes(connection)
        disk = os.statvfs(folder)
        if size + _DISK_RESERVE_BYTES > disk.f_bavail * disk.f_frsize:
            return None
        _remove(draft)
        with closing(sqlite3.connect(draft, isolation_level=None)) as copy:
            connection.backup(copy, pages=_PAGES_A_STEP, progress=lambda *_left: beat())
            copy.execute("PRAGMA journal_mode=DELETE")
            copy.set_progress_handler(beat, _STEPS_A_BEAT)
            whole = copy.execute("PRAGMA quick_check(1)").fetchone() == ("ok",) and read_levels(copy) == store.levels
        if not whole:
            return None
        draft.replace(target)
        sync_folder(folder / SET_ASIDE)
    except (sqlite3.Error, OSError, KeyError, ValueError):
        return None
    finally:
        with suppress(OSError):
            _remove(draft)
    return target


def _combined(living: Old, found: Old, witness: Witness | None) -> Old:
    """What the process itself can still read goes first."""
    numbers = [item.sessions_reserved for item in (living, found, witness) if item and item.sessions_reserved]
    sessions = max(numbers, default=None)
    if living.levels is None:
        instance_id = found.instance_id or (witness.instance_id if witness else None)
        return replace(found, sessions_reserved=sessions, instance_id=instance_id)
    if living.whole:
        return replace(living, sessions_reserved=sessions)
    undelivered = {item.sequence: item for item in (*found.undelivered, *living.undelivered)}
    return replace(
        living,
        sessions_reserved=sessions,
        undelivered=tuple(undelivered[number] for number in sorted(undelivered)),
        gaps=tuple(dict.fromkeys((*living.gaps, *found.gaps))),
        history=living.history if living.history.tables else found.history,
        deliveries=tuple(dict.fromkeys((*living.deliveries, *found.deliveries))),
    )


def _build(state_dir: Path, renewal: Renewal, old: Old) -> Witness:
    store = Store(state_dir, _DRAFT_NAME)
    store.open()
    try:
        for record in renewal.first_records(old):
            store.commit(record, Settled())
        with store.transaction() as connection:
            connection.executemany(
                "INSERT OR IGNORE INTO delivery VALUES (?, ?)", [(key, store.levels.last) for key in old.deliveries]
            )
            # Session numbers only grow (DC-62); minutes since the epoch lie above any that cannot be read.
            sessions = old.sessions_reserved if old.sessions_reserved is not None else int(renewal.wall_s) // 60
            put_meta(connection, "sessionsReserved", sessions)
            write_history(connection, old.history, _DISTRUST.get(renewal.reason, ""))
            put_meta(connection, _COMPLETE, "1")
    finally:
        store.close()
    # Only the database itself is moved into place: closing must have brought everything into it.
    if Path(f"{store.path}-wal").exists():
        raise StoreError(f"{store.path}: the new database cannot be completed; free the disk, and end what reads it")
    return Witness(instance_id=store.levels.instance_id, sessions_reserved=sessions)


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
    for suffix in COMPANIONS:
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
    for suffix in COMPANIONS[1:]:
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


def _read(connection: sqlite3.Connection, levels: Levels | None) -> Old:
    reserved, _ = _rows(connection, "SELECT value FROM meta WHERE key = 'sessionsReserved'")
    deliveries, _ = _rows(connection, "SELECT delivery_id FROM delivery")
    outbox, whole = _rows(connection, "SELECT sequence FROM outbox WHERE quarantined IS NULL ORDER BY sequence")
    numbers = {int(number) for (number,) in outbox}
    if levels is not None:
        owed = set(range(levels.acknowledged_through + 1, levels.last + 1))
        numbers &= owed
        whole = whole and len(numbers) == levels.pending
        numbers = numbers if whole else owed
    undelivered: list[Undelivered] = []
    gaps: list[Gap] = []
    for number in sorted(numbers):
        record = _record(connection, number, levels)
        if isinstance(record, Undelivered):
            undelivered.append(record)
        elif record is not None:
            gaps.append(record)
    return Old(
        levels=levels,
        instance_id=levels.instance_id if levels is not None else None,
        sessions_reserved=_number(reserved),
        undelivered=tuple(undelivered),
        gaps=tuple(gaps),
        deliveries=tuple(key for (key,) in deliveries),
        history=read_history(connection),
        whole=whole and len(undelivered) + len(gaps) == len(numbers),
    )


def _record(connection: sqlite3.Connection, number: int, levels: Levels | None) -> Undelivered | Gap | None:
    """One row, where it can be read and is what was stored under this number."""
    found, _ = _rows(
        connection,
        "SELECT result_id, part_id, decision, created_at, payload, kind FROM result WHERE sequence = ?",
        number,
    )
    try:
        [(result_id, part_id, decision, created_at, payload, kind)] = found
        data = json.loads(payload)["data"]
        if data["sequence"] != number or (levels is not None and data["instanceId"] != levels.instance_id):
            return None
        if kind == "gap":
            return Gap(
                first=data["fromSequence"],
                last=data["toSequence"],
                reason=data["reason"],
                instance_id=data.get("lostInstanceId") or data["instanceId"],
            )
        if kind not in {"result", "recall"}:
            return None
        return Undelivered(
            sequence=number,
            result_id=uuid.UUID(bytes=result_id),
            part_id=part_id,
            decision=decision,
            created_at=created_at,
            payload=payload,
            kind=kind,
        )
    except (ValueError, TypeError, KeyError):
        return None


def _rows(connection: sqlite3.Connection, query: str, *values: object) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows until the first damaged page, and whether there was none."""
    rows: list[tuple[Any, ...]] = []
    try:
        for row in connection.execute(query, values):
            rows.append(row)  # noqa: PERF402 - a list made at once would lose what came before the damage
    except sqlite3.Error:
        return rows, False
    return rows, True


def _number(rows: Sequence[tuple[Any, ...]]) -> int | None:
    try:
        return int(rows[0][0])
    except (IndexError, ValueError, TypeError):
        return None


def _size_bytes(connection: sqlite3.Connection) -> int:
    pages, size = (int(connection.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("page_count", "page_size"))
    return pages * size


def _try(action: Callable[[], Levels]) -> Levels | None:
    try:
        return action()
    except (sqlite3.Error, KeyError, ValueError):
        return None


def _remove(database: Path) -> None:
    for suffix in COMPANIONS:
        Path(f"{database}{suffix}").unlink(missing_ok=True)
