"""Reading the result database beside a running daemon: read-only, short transactions, one connection per thread."""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crosslay.errors import StoreCorruptError, StoreError
from crosslay.record.levels import Levels, read_levels
from crosslay.record.store import FILE_NAME, TRACES_PER_RESULT, is_damage
from crosslay.record.traces import unpack
from crosslay.texture.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One stored result as a reader sees it.

    Attributes
    ----------
    outbox
        ``pending``, ``quarantined`` or ``""`` (acknowledged).
    reason
        Why it is quarantined.
    """

    sequence: int
    result_id: str
    part_id: str
    kind: str
    decision: str
    created_at: float
    payload: bytes
    outbox: str
    reason: str


_SELECT = (
    "SELECT r.sequence, r.result_id, r.part_id, r.kind, r.decision, r.created_at, r.payload, o.sequence, o.quarantined "
    "FROM result r LEFT JOIN outbox o ON o.sequence = r.sequence "
)


class Reader:
    """Read-only view. Every method opens and ends its own transaction; `close` can be called twice.

    A database that was made anew since the last call is opened by the next one.

    Parameters
    ----------
    state_dir, file_name
        Where the database is.
    on_damage
        Told what is wrong where the database is damaged; the same text is raised as `StoreCorruptError`. What may pass
        (a lock, a failing disk) is a `StoreError` and is not told.
    """

    def __init__(
        self, state_dir: Path, file_name: str = FILE_NAME, *, on_damage: Callable[[str], None] = lambda _text: None
    ) -> None:
        self.path = state_dir / file_name
        self._on_damage = on_damage
        self._opened: tuple[int, int] | None = None
        self._connection: sqlite3.Connection | None = None

    def open(self) -> None:
        """Connect.

        Raises
        ------
        StoreError
            There is no database, or it cannot be read.
        """
        self.close()
        self._opened = self._present()
        if not self.path.exists():
            raise StoreError(f"{self.path}: no result database here yet; the daemon makes it at its first start")
        try:
            self._connection = sqlite3.connect(
                f"{self.path.absolute().as_uri()}?mode=ro",
                uri=True,
                isolation_level=None,
                timeout=1.0,
                check_same_thread=False,
            )
            self._connection.execute("PRAGMA query_only=ON")
            self._connection.execute("SELECT count(*) FROM meta").fetchone()
        except sqlite3.Error as error:
            self.close()
            raise self._translated(error, f"{self.path}: cannot be read ({error})") from error

    def close(self) -> None:
        """Disconnect."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def pending(self, after: int, limit: int) -> list[tuple[int, bytes]]:
        """Undelivered, not quarantined results above `after`, ascending, at most `limit`."""
        with self.reading() as connection:
            return list(
                connection.execute(
                    "SELECT o.sequence, r.payload FROM outbox o JOIN result r ON r.sequence = o.sequence "
                    "WHERE o.quarantined IS NULL AND o.sequence > ? ORDER BY o.sequence LIMIT ?",
                    (after, limit),
                )
            )

    def require_deliverable(self) -> None:
        """Read every result that is to be delivered.

        Raises
        ------
        StoreCorruptError
            One of them cannot be read any more.
        StoreError
            The database cannot be read at present.
        """
        with self.reading() as connection:
            read_levels(connection)
            for _ in connection.execute("SELECT r.payload FROM outbox o JOIN result r ON r.sequence = o.sequence"):
                pass

    def oldest_pending(self) -> float | None:
        """When the oldest undelivered result was created, seconds since the epoch; None where there is none."""
        with self.reading() as connection:
            row = connection.execute(
                "SELECT r.created_at FROM outbox o JOIN result r ON r.sequence = o.sequence "
                "WHERE o.quarantined IS NULL ORDER BY o.sequence LIMIT 1"
            ).fetchone()
        return None if row is None else float(row[0])

    def levels(self) -> Levels:
        """Identity and numbers of the database."""
        with self.reading() as connection:
            return read_levels(connection)

    def rows(self, *, after: int = 0, limit: int = -1, part_id: str | None = None) -> list[Row]:
        """Results above `after`, ascending; all, or the first `limit`; of one part where given."""
        condition, values = ("AND r.part_id = ? ", [part_id]) if part_id is not None else ("", [])
        with self.reading() as connection:
            return [
                _row(raw)
                for raw in connection.execute(
                    f"{_SELECT} WHERE r.sequence > ? {condition}ORDER BY r.sequence LIMIT ?", [after, *values, limit]
                )
            ]

    def by_result_id(self, result_id: str) -> Row | None:
        """The result with this id (a scan: ids carry no index), None where there is none or it is no UUID."""
        try:
            wanted = uuid.UUID(result_id).bytes
        except ValueError:
            return None
        with self.reading() as connection:
            raw = connection.execute(f"{_SELECT} WHERE r.result_id = ? LIMIT 1", (wanted,)).fetchone()
        return None if raw is None else _row(raw)

    def newest(self, limit: int) -> list[Row]:
        """The last `limit` results, ascending."""
        with self.reading() as connection:
            raw = connection.execute(f"{_SELECT} ORDER BY r.sequence DESC LIMIT ?", (limit,)).fetchall()
        return [_row(item) for item in reversed(raw)]

    def traces(self, sequence: int) -> list[Trace]:
        """The stored raw traces of one result, each checked against its hash; empty where they went by quota.

        Raises
        ------
        StoreError
            A trace is damaged.
        """
        with self.reading() as connection:
            raw = connection.execute(
                "SELECT data, sha256 FROM trace WHERE trace_id >= ? AND trace_id < ? ORDER BY trace_id",
                (sequence * TRACES_PER_RESULT, (sequence + 1) * TRACES_PER_RESULT),
            ).fetchall()
        return [unpack(data, sha256) for data, sha256 in raw]

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection, for queries of this room's other modules; what SQLite raises becomes `StoreError`."""
        if self._connection is None or self._present() != self._opened:
            self.open()
        connection = self._connection
        if connection is None:
            raise StoreError(f"{self.path}: not open")
        try:
            yield connection
        except sqlite3.Error as error:
            raise self._translated(error, f"{self.path}: {error}") from error

    def _present(self) -> tuple[int, int] | None:
        """Which file has the database's name now."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino

    def _translated(self, error: sqlite3.Error, text: str) -> StoreError:
        if not _is_damage(error):
            return StoreError(text)
        self.close()
        self._on_damage(text)
        return StoreCorruptError(text)


def _is_damage(error: sqlite3.Error) -> bool:
    """Damage as a reader sees it; a read-only connection meets errors of writing that say nothing of the file."""
    if getattr(error, "sqlite_errorname", "").startswith("SQLITE_READONLY"):
        return False
    return is_damage(error) or str(error).startswith("no such table")


def _row(raw: tuple[Any, ...]) -> Row:
    sequence, result_id, part_id, kind, decision, created_at, payload, outbox, reason = raw
    state = "" if outbox is None else "pending" if reason is None else "quarantined"
    return Row(
        sequence=sequence,
        result_id=str(uuid.UUID(bytes=result_id)),
        part_id=part_id,
        kind=kind,
        decision=decision,
        created_at=created_at,
        payload=payload,
        outbox=state,
        reason=reason or "",
    )
