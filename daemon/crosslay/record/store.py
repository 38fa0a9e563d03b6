"""The one writing connection to a station's result database.

WAL with ``synchronous=FULL``: a commit that returned survives a power cut as long as the storage honours flush (DC-10).
Only the recorder thread uses this object after start-up; readers have `crosslay.record.reader`.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from crosslay.errors import StoreCorruptError, StoreError, StoreWriteError
from crosslay.record.folders import sync_folder
from crosslay.record.levels import Levels, Settled, apply_settled, put_meta, read_levels
from crosslay.record.migrate import migrate
from crosslay.record.traces import PackedTrace
from crosslay.record.watch import FileWatch, header_problem

FILE_NAME = "results.sqlite3"
#: Entry of ``meta`` that a backup copy carries: it may never go on as if it were the original (DC-44).
COPY_STAMP = "copyStamp"
#: Traces of one result are numbered from ``sequence * TRACES_PER_RESULT``.
TRACES_PER_RESULT = 1000
_PAGE_BYTES = 1024
_CHECKPOINT_PAGES = 2000
_SESSION_BLOCK = 1000
#: Gap records and results queued again that may come between a commit and its second try.
_RETRIED_WITHIN = 16
#: How long another connection's lock is waited for; shorter at the start, where there is a way without.
_BUSY_MS = 5000
_FOLD_BUSY_MS = 500
_DAMAGED = frozenset({"SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_READONLY", "SQLITE_FORMAT"})


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
    """A judged part, or a gap record, before it is committed.

    Attributes
    ----------
    kind
        ``result``, ``gap`` or ``recall``.
    payload
        Makes the wire bytes once the place is known.
    deliveries
        Ids of its traces that came with an identity, so that one found again is not measured again.
    replaces
        Sequence of a quarantined row that this draft takes the place of, 0 for none.
    """

    result_id: uuid.UUID
    part_id: str
    decision: str
    created_at: float
    payload: Callable[[Place], bytes]
    kind: str = "result"
    traces: tuple[PackedTrace, ...] = ()
    deliveries: tuple[uuid.UUID, ...] = ()
    replaces: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A committed result."""

    sequence: int
    payload: bytes


class Store:
    """See the module. ``open`` may be called again after an error; ``close`` can be called twice."""

    def __init__(self, state_dir: Path, file_name: str = FILE_NAME) -> None:
        self.path = state_dir / file_name
        self._connection: sqlite3.Connection | None = None
        self._levels = Levels(instance_id="", first=1, last=0, acknowledged_through=0)
        self._suspect = False
        self._watch = FileWatch(self.path)
        #: Whether this object made the database: then nobody can know more of it than it does itself.
        self.made_here = False

    @property
    def levels(self) -> Levels:
        """Numbers as of the last commit; an immutable value, safe to read from any thread."""
        return self._levels

    def open(self) -> None:
        """Open or create the database, migrate it, and read where it stands.

        Raises
        ------
        StoreCorruptError
            It is damaged, cannot be written, or is a backup copy: it has to be made anew.
        StoreError
            It cannot be opened, or is newer than this program.
        """
        self.close()
        new = not self.path.exists()
        try:
            self._connection = connection = self._connect()
            migrate(connection)
            connection.execute("INSERT OR IGNORE INTO meta VALUES ('instanceId', ?)", (str(uuid.uuid4()),))
            stamp = connection.execute("SELECT value FROM meta WHERE key = ?", (COPY_STAMP,)).fetchone()
            if stamp is not None:
                raise StoreCorruptError(f"{self.path}: is a backup copy of {stamp[0]}")
            self.made_here = self.made_here or new
            if new:
                sync_folder(self.path.parent)
            self._fold_wal(connection)
            self._levels = read_levels(connection)
            self._watch.note()
        except (sqlite3.Error, OSError) as error:
            self.close()
            text = f"{self.path}: cannot be opened as a result database ({error})"
            raise StoreCorruptError(text) if is_damage(error) else StoreError(text) from error
        except StoreError:
            self.close()
            raise

    def close(self) -> None:
        """Close the connection; the WAL is checkpointed by SQLite."""
        connection, self._connection = self._connection, None
        self._watch.forget()
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
        StoreCorruptError
            Nothing was committed, and this database will take nothing more.
        """
        with self.transaction() as connection:
            stored, levels = _already(connection, draft, self._levels), self._levels
            if stored is None:
                stored, levels = insert(connection, draft, levels)
            levels = apply_settled(connection, settled, levels)
        self._levels = levels
        return stored

    def settle(self, settled: Settled) -> None:
        """Commit acknowledgements and quarantines alone. Raises like `commit`."""
        # Without a look at the files, and so without taking them for whole: what is lost of this with a damaged one is
        # only delivered once more.
        with self._writing() as connection:
            levels = apply_settled(connection, settled, self._levels)
        self._levels = levels

    def reserve_sessions(self) -> range:
        """Reserve a block of session numbers, never given before (DC-62). Raises like `commit`."""
        with self.transaction() as connection:
            row = connection.execute("SELECT value FROM meta WHERE key = 'sessionsReserved'").fetchone()
            start = int(row[0]) if row else 0
            put_meta(connection, "sessionsReserved", start + _SESSION_BLOCK)
        return range(start + 1, start + _SESSION_BLOCK + 1)

    def verify(self) -> None:
        """Look whether the files are those that were opened, and whole; cheap enough for once a second.

        Raises
        ------
        StoreCorruptError
            They are not: what is committed from now on would be lost with them.
        """
        self._verify_files()
        problem = header_problem(self.path, self._levels.instance_id, COPY_STAMP) if self.is_open else ""
        if problem:
            raise StoreCorruptError(problem)

    @property
    def is_open(self) -> bool:
        """Whether there is a connection."""
        return self._connection is not None

    def wal_bytes(self) -> int:
        """How long the WAL is."""
        return self._watch.wal_bytes()

    def fold_wal(self) -> bool:
        """Write the WAL into the database and cut it; False where another program's reading prevents it.

        Raises like `commit`.
        """
        with self._translating():
            connection = self._live
            connection.execute("PRAGMA busy_timeout=0")
            try:
                busy = bool(connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0])
            finally:
                connection.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
        self._watch.note()
        return not busy

    @property
    def living(self) -> sqlite3.Connection | None:
        """The connection, for this room only: it may still read what the files at their names do not hold any more."""
        return self._connection

    def adopt(self, levels: Levels) -> None:
        """Take over the numbers after a `transaction` of this room's other modules."""
        self._levels = levels

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One write transaction, rolled back by any exception. For this room only. Raises like `commit`."""
        self._verify_files()
        try:
            with self._writing() as connection:
                yield connection
        finally:
            self._watch.note()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
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

    def _verify_files(self) -> None:
        problem = self._watch.problem()
        if not problem and self._watch.wal_is_short and not self._is_folded():
            problem = f"{self.path}-wal: was cut under the running daemon"
        if problem:
            raise StoreCorruptError(problem)

    def _is_folded(self) -> bool:
        """Whether a WAL that became shorter was folded in by another program, as the database itself shows."""
        address = f"{self.path.absolute().as_uri()}?mode=ro&immutable=1"
        try:
            with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as database:
                # A WAL that was cut although it held more than that cannot be folded.
                return read_levels(database) == self._levels and self.fold_wal()
        except (sqlite3.Error, KeyError, ValueError, StoreError):
            return False

    @property
    def _live(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StoreWriteError(f"{self.path}: the result database is not open")
        return self._connection

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=_BUSY_MS / 1000)
        for pragma in (
            f"page_size={_PAGE_BYTES}",
            "journal_mode=WAL",
            "synchronous=FULL",
            "foreign_keys=ON",
            f"wal_autocheckpoint={_CHECKPOINT_PAGES}",
            "journal_size_limit=4194304",
        ):
            connection.execute(f"PRAGMA {pragma}")
        return connection

    def _fold_wal(self, connection: sqlite3.Connection) -> None:
        """Write everything that the WAL holds into the database, and begin the WAL anew.

        Where a sync failed, here or in a process before, the WAL may be readable from memory and yet not be on the
        disk: Linux reports a failed write-back once and calls the pages clean from then on. What is appended behind
        such a frame is lost with it at a power cut, however well it is synced itself.
        """
        connection.execute(f"PRAGMA busy_timeout={_FOLD_BUSY_MS}")
        try:
            busy = bool(connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0])
        except sqlite3.OperationalError as error:
            if self._suspect or not _is_named(error, frozenset({"SQLITE_FULL"})):
                raise
            busy = True  # no room to write it now: what is there is as good as it was
        finally:
            connection.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
        if busy and self._suspect:
            raise StoreWriteError(
                f"{self.path}: a sync failed, and another program's reading keeps it from being made good; end that"
            )
        self._suspect = self._suspect and busy

    @contextmanager
    def _translating(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            self._suspect = self._suspect or _is_named(error, frozenset({"SQLITE_IOERR"}))
            text = f"{self.path}: {error}"
            raise StoreCorruptError(text) if is_damage(error) else StoreWriteError(text) from error


def insert(connection: sqlite3.Connection, draft: Draft, levels: Levels) -> tuple[Stored, Levels]:
    """Insert a draft with its outbox row inside a transaction; returns it with the numbers after it."""
    sequence = levels.last + 1
    before = connection.execute(
        "SELECT result_id FROM result WHERE part_id = ? ORDER BY sequence DESC LIMIT 1", (draft.part_id,)
    ).fetchone()
    supersedes = None if before is None or draft.kind != "result" else str(uuid.UUID(bytes=before[0]))
    payload = draft.payload(Place(instance_id=levels.instance_id, sequence=sequence, supersedes=supersedes))
    connection.execute(
        "INSERT INTO result VALUES (?, ?, ?, ?, ?, ?, ?)",
        (sequence, draft.result_id.bytes, draft.part_id, draft.kind, draft.decision, draft.created_at, payload),
    )
    connection.execute("INSERT INTO outbox VALUES (?, NULL)", (sequence,))
    connection.executemany("INSERT INTO delivery VALUES (?, ?)", [(item.bytes, sequence) for item in draft.deliveries])
    connection.executemany(
        "INSERT INTO trace VALUES (?, ?, ?, ?)",
        [
            (sequence * TRACES_PER_RESULT + position, trace.sha256, trace.points, trace.data)
            for position, trace in enumerate(draft.traces)
        ],
    )
    gone = connection.execute("DELETE FROM outbox WHERE sequence = ?", (draft.replaces,)).rowcount
    first = levels.first if levels.last else sequence
    after = replace(
        levels, first=first, last=sequence, pending=levels.pending + 1, quarantined=levels.quarantined - gone
    )
    return Stored(sequence=sequence, payload=payload), after


def is_damage(error: Exception) -> bool:
    """Whether an error says that the database file itself cannot be used, now or later."""
    return _is_named(error, _DAMAGED)


def _is_named(error: Exception, codes: frozenset[str]) -> bool:
    """Whether SQLite gave an error one of these names, or a narrower one."""
    name = getattr(error, "sqlite_errorname", "")
    return any(name == code or name.startswith(f"{code}_") for code in codes)


def _already(connection: sqlite3.Connection, draft: Draft, levels: Levels) -> Stored | None:
    """A commit that was called failed may be there after all, with a few of the station's own records behind it."""
    row = connection.execute(
        "SELECT sequence, payload FROM result WHERE sequence > ? AND result_id = ?",
        (levels.last - _RETRIED_WITHIN, draft.result_id.bytes),
    ).fetchone()
    return None if row is None else Stored(sequence=int(row[0]), payload=row[1])
