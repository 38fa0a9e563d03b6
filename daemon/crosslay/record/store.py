"""The one writing connection to a station's result database.

WAL with ``synchronous=FULL``: a commit that returned survives a power cut as long as the storage honours flush (DC-10).
Only the recorder thread uses this object after start-up; readers have `crosslay.record.reader`.
"""

from __future__ import annotations

import os
import sqlite3
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from crosslay.errors import StoreError, StoreWriteError
from crosslay.record.migrate import migrate
from crosslay.record.traces import PackedTrace

FILE_NAME = "results.sqlite3"
#: Traces of one result are numbered from ``sequence * TRACES_PER_RESULT``.
TRACES_PER_RESULT = 1000
_PAGE_BYTES = 1024
_CHECKPOINT_PAGES = 2000
_SESSION_BLOCK = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a result stands: what its payload must say about itself.

    Attributes
    ----------
    instance_id
        UUID of this database (DC-02).
    sequence
        The result's number (DC-03).
    supersedes
        Id of the same part's latest result, None where there is none.
    """

    instance_id: str
    sequence: int
    supersedes: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A judged part before it is committed.

    Attributes
    ----------
    payload
        Makes the wire bytes once the place is known.
    deliveries
        Ids of its traces that came with an identity, so that one found again is not measured again.
    """

    result_id: uuid.UUID
    part_id: str
    decision: str
    created_at: float
    payload: Callable[[Place], bytes]
    traces: tuple[PackedTrace, ...] = ()
    deliveries: tuple[uuid.UUID, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A committed result."""

    sequence: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Outbox rows that need no more delivery.

    Attributes
    ----------
    through
        Cumulative acknowledgement of the MES: every pending row up to it is cleared (DC-20); 0 for none.
    sequences
        Single rows cleared by the broker's PUBACK (DC-21).
    quarantined
        Rows set aside, with the reason (DC-23).
    """

    through: int = 0
    sequences: frozenset[int] = frozenset()
    quarantined: Mapping[int, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.through or self.sequences or self.quarantined)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The numbers that ``v1/state`` carries (DC-40). `last` is 0 and `first` 1 before the first result.

    `pending` and `quarantined` count the outbox's rows.
    """

    instance_id: str
    first: int
    last: int
    acknowledged_through: int
    pending: int = 0
    quarantined: int = 0


class Store:
    """See the module. ``open`` may be called again after an error; ``close`` can be called twice."""

    def __init__(self, state_dir: Path) -> None:
        self.path = state_dir / FILE_NAME
        self._connection: sqlite3.Connection | None = None
        self._levels = Levels(instance_id="", first=1, last=0, acknowledged_through=0)

    @property
    def levels(self) -> Levels:
        """Numbers as of the last commit; an immutable value, safe to read from any thread."""
        return self._levels

    def open(self) -> None:
        """Open or create the database, migrate it, and read where it stands.

        Raises
        ------
        StoreError
            It cannot be opened, is not a crosslay database, or is newer than this program.
        """
        self.close()
        try:
            new = not self.path.exists()
            connection = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=5.0)
            self._connection = connection
            for pragma in (
                f"page_size={_PAGE_BYTES}",
                "journal_mode=WAL",
                "synchronous=FULL",
                "foreign_keys=ON",
                f"wal_autocheckpoint={_CHECKPOINT_PAGES}",
                "journal_size_limit=4194304",
            ):
                connection.execute(f"PRAGMA {pragma}")
            migrate(connection)
            connection.execute("INSERT OR IGNORE INTO meta VALUES ('instanceId', ?)", (str(uuid.uuid4()),))
            if new:
                _sync_directory(self.path.parent)
            self._levels = read_levels(connection)
        except sqlite3.Error as error:
            self.close()
            raise StoreError(f"{self.path}: cannot be opened as a result database ({error})") from error

    def close(self) -> None:
        """Close the connection; the WAL is checkpointed by SQLite."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(sqlite3.Error):
                connection.close()

    def known(self, delivery_id: uuid.UUID) -> int | None:
        """Sequence of the result that holds this trace already, None where there is none."""
        with self._translating():
            row = self._live.execute(
                "SELECT sequence FROM delivery WHERE delivery_id = ?", (delivery_id.bytes,)
            ).fetchone()
        return None if row is None else int(row[0])

    def commit(self, draft: Draft, settled: Settled) -> Stored:
        """Commit one result with its outbox row and traces, and what was acknowledged meanwhile, in one transaction.

        Raises
        ------
        StoreWriteError
            Nothing was committed; the same draft may be tried again.
        """
        levels = self._levels
        sequence = levels.last + 1
        with self._transaction() as connection:
            before = connection.execute(
                "SELECT result_id FROM result WHERE part_id = ? ORDER BY sequence DESC LIMIT 1", (draft.part_id,)
            ).fetchone()
            place = Place(
                instance_id=levels.instance_id,
                sequence=sequence,
                supersedes=None if before is None else str(uuid.UUID(bytes=before[0])),
            )
            payload = draft.payload(place)
            connection.execute(
                "INSERT INTO result VALUES (?, ?, ?, 'result', ?, ?, ?)",
                (sequence, draft.result_id.bytes, draft.part_id, draft.decision, draft.created_at, payload),
            )
            connection.execute("INSERT INTO outbox VALUES (?, NULL)", (sequence,))
            connection.executemany(
                "INSERT INTO delivery VALUES (?, ?)", [(item.bytes, sequence) for item in draft.deliveries]
            )
            for position, trace in enumerate(draft.traces):
                connection.execute(
                    "INSERT INTO trace VALUES (?, ?, ?, ?)",
                    (sequence * TRACES_PER_RESULT + position, trace.sha256, trace.points, trace.data),
                )
            after = _settle(
                connection,
                settled,
                replace(
                    levels, first=levels.first if levels.last else sequence, last=sequence, pending=levels.pending + 1
                ),
            )
        self._levels = after
        return Stored(sequence=sequence, payload=payload)

    def settle(self, settled: Settled) -> None:
        """Commit acknowledgements and quarantines alone.

        Raises
        ------
        StoreWriteError
            Nothing was committed.
        """
        with self._transaction() as connection:
            after = _settle(connection, settled, self._levels)
        self._levels = after

    def reserve_sessions(self) -> range:
        """Reserve a block of session numbers, never given before (DC-62)."""
        with self._transaction() as connection:
            row = connection.execute("SELECT value FROM meta WHERE key = 'sessionsReserved'").fetchone()
            start = int(row[0]) if row else 0
            _put(connection, "sessionsReserved", start + _SESSION_BLOCK)
        return range(start + 1, start + _SESSION_BLOCK + 1)

    @property
    def _live(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreWriteError(f"{self.path}: the result database is not open")
        return self._connection

    @contextmanager
    def _translating(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreWriteError(f"{self.path}: {error}") from error

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._translating():
            connection = self._live
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    connection.execute("ROLLBACK")
                raise


def read_levels(connection: sqlite3.Connection) -> Levels:
    """Identity and numbers of a database, by any connection to it."""
    meta = dict(connection.execute("SELECT key, value FROM meta"))
    first, last = connection.execute("SELECT min(sequence), max(sequence) FROM result").fetchone()
    pending, quarantined = connection.execute(
        "SELECT count(*) FILTER (WHERE quarantined IS NULL), count(quarantined) FROM outbox"
    ).fetchone()
    return Levels(
        instance_id=meta["instanceId"],
        first=first or 1,
        last=last or 0,
        acknowledged_through=int(meta.get("acknowledgedThrough", 0)),
        pending=pending,
        quarantined=quarantined,
    )


def _settle(connection: sqlite3.Connection, settled: Settled, levels: Levels) -> Levels:
    """Apply acknowledgements; returns the numbers after them."""
    if not settled:
        return levels
    aside = sum(
        connection.execute(
            "UPDATE outbox SET quarantined = ? WHERE sequence = ? AND quarantined IS NULL", (reason, sequence)
        ).rowcount
        for sequence, reason in settled.quarantined.items()
    )
    gone = connection.execute(
        "DELETE FROM outbox WHERE sequence <= ? AND quarantined IS NULL", (settled.through,)
    ).rowcount
    gone += sum(
        connection.execute("DELETE FROM outbox WHERE sequence = ? AND quarantined IS NULL", (sequence,)).rowcount
        for sequence in settled.sequences
    )
    # The cumulative number covers quarantined rows too (DC-23): all below the lowest row still pending is done.
    lowest = connection.execute("SELECT min(sequence) FROM outbox WHERE quarantined IS NULL").fetchone()[0]
    through = max(levels.acknowledged_through, levels.last if lowest is None else int(lowest) - 1)
    if through != levels.acknowledged_through:
        _put(connection, "acknowledgedThrough", through)
    return replace(
        levels,
        acknowledged_through=through,
        pending=levels.pending - aside - gone,
        quarantined=levels.quarantined + aside,
    )


def _put(connection: sqlite3.Connection, key: str, value: object) -> None:
    connection.execute(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value", (key, str(value))
    )


def _sync_directory(folder: Path) -> None:
    """Make a new file's name itself survive a power cut."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
