"""What of reference checks outlives results and databases: passes not vouched for yet, and the history at a renewal."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, field
from typing import Any

from crosslay.record.check_rows import CheckRow, last_good
from crosslay.record.levels import put_meta

#: Entry of ``meta``: why checks made so far prove nothing, and the number of the last of them; JSON.
DISTRUSTED = "referenceDistrusted"
#: Entry of ``meta``: names of the specimens of the plan; JSON.
REGISTERED = "referenceSpecimens"
_TABLES = ("reference_reading", "reference_check", "correction", "recall", "recalled", "earlier_pass", "command",
           "correlation")
#: Passes of a database, each with the number of the newest check before it.
_PASSES = (
    "SELECT m.value AS instance_id, r.sequence, (SELECT coalesce(max(c.number), 0) FROM reference_check c "
    "WHERE c.instance_id <> m.value OR c.last_sequence < r.sequence) AS after_check, r.part_id, r.created_at "
    "FROM result r JOIN meta m ON m.key = 'instanceId' WHERE r.kind = 'result' AND r.decision = 'pass' "
    "AND after_check >= ? AND r.sequence > ?"
)
_REMEMBER = "INSERT OR IGNORE INTO earlier_pass (instance_id, sequence, after_check, part_id, created_at)"


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Checks, corrections and recalls of a database that is set aside, as far as they could be read.

    Attributes
    ----------
    tables
        By table: names of the columns, and rows.
    passes
        Rows of ``earlier_pass``: what passed in that database and no check has vouched for.
    complete
        Whether everything could be read: else a check that failed may be missing.
    meta
        Entries of ``meta`` that belong to it.
    """

    tables: dict[str, tuple[list[str], list[tuple[Any, ...]]]] = field(default_factory=dict)
    passes: list[tuple[Any, ...]] = field(default_factory=list)
    meta: dict[str, str] = field(default_factory=dict)
    complete: bool = True


def read_history(connection: sqlite3.Connection) -> History:
    """Read what can be read of a database that may be damaged; nothing of one that is older than the tables."""
    tables: dict[str, tuple[list[str], list[tuple[Any, ...]]]] = {}
    complete = True
    try:
        known = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    except sqlite3.Error:
        return History(complete=False)
    for table in _TABLES:
        if table in known:
            rows, whole = _readable(connection, f"SELECT * FROM {table}")  # noqa: S608 - one of our own names
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            tables[table] = (names, rows)
            complete = complete and whole
    meta: dict[str, str] = {}
    passes: list[tuple[Any, ...]] = []
    if tables:
        query = "SELECT key, value FROM meta WHERE key IN (?, ?)"
        kept, whole_meta = _readable(connection, query, DISTRUSTED, REGISTERED)
        passes, whole_passes = _unvouched(connection)
        meta, complete = dict(kept), complete and whole_meta and whole_passes
    return History(tables=tables, passes=passes, meta=meta, complete=complete)


def write_history(connection: sqlite3.Connection, history: History, why_distrusted: str) -> None:
    """Bring it into a new database, inside a transaction.

    Parameters
    ----------
    connection
        Of the new database.
    history
        Of the old one.
    why_distrusted
        Why later checks may be missing, so that what is there proves nothing any more; ``""`` where none can be.
    """
    for table, (names, rows) in history.tables.items():
        places = ", ".join("?" * len(names))
        query = f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({places})"  # noqa: S608 - as above
        connection.executemany(query, rows)
    connection.executemany(f"{_REMEMBER} VALUES (?, ?, ?, ?, ?)", history.passes)
    for key, value in history.meta.items():
        put_meta(connection, key, value)
    why = why_distrusted or ("" if history.complete else "the damaged database could not be read to its end")
    if why:
        number = connection.execute("SELECT coalesce(max(number), 0) FROM reference_check").fetchone()[0]
        put_meta(connection, DISTRUSTED, json.dumps({"why": why, "check": int(number)}))


def keep_passes(connection: sqlite3.Connection, last: int) -> None:
    """Before results up to `last` are removed: remember those that a failing check would put in doubt."""
    since = _vouched_through(connection)
    if since is not None:
        connection.execute(
            f"{_REMEMBER} {_PASSES} AND r.sequence <= ?", (*_after(connection, since), last)
        )


def passed_after(connection: sqlite3.Connection, check: CheckRow | None) -> list[tuple[Any, ...]]:
    """Passes after a check, None for all there are, as rows of ``earlier_pass``; stored ones and those remembered."""
    number = 0 if check is None else check.number
    earlier = connection.execute("SELECT * FROM earlier_pass WHERE after_check >= ? ORDER BY after_check", (number,))
    return [*earlier, *connection.execute(f"{_PASSES} ORDER BY r.sequence", _after(connection, check))]


def forget_what_is_covered(connection: sqlite3.Connection) -> None:
    """Earlier passes that every registered specimen has vouched for since need not be remembered."""
    since = _vouched_through(connection)
    if since is not None:
        connection.execute("DELETE FROM earlier_pass WHERE after_check < ?", (since.number,))


def _vouched_through(connection: sqlite3.Connection) -> CheckRow | None:
    """The check up to which every registered specimen vouches for what passed; None where there is no such check."""
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (REGISTERED,)).fetchone()
    found = [last_good(connection, name) for name in (json.loads(row[0]) if row else [])]
    return None if None in found else min((each for each in found if each), key=lambda each: each.number, default=None)


def _after(connection: sqlite3.Connection, check: CheckRow | None) -> tuple[int, int]:
    """Number of a check, and the result that it followed, where that is one of this database."""
    if check is None:
        return 0, 0
    here = connection.execute("SELECT value FROM meta WHERE key = 'instanceId'").fetchone()[0]
    return check.number, check.last_sequence if check.instance_id == here else 0


def _unvouched(connection: sqlite3.Connection) -> tuple[list[tuple[Any, ...]], bool]:
    try:
        row = connection.execute("SELECT value FROM meta WHERE key = ?", (REGISTERED,)).fetchone()
        if row is None or not json.loads(row[0]):
            return [], True
        after = _after(connection, _vouched_through(connection))
    except sqlite3.Error:
        return [], False
    return _readable(connection, _PASSES, *after)


def _readable(connection: sqlite3.Connection, query: str, *values: object) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows until the first damaged page, and whether there was none."""
    rows: list[tuple[Any, ...]] = []
    try:
        rows.extend(connection.execute(query, values))
    except sqlite3.Error:
        return rows, False
    return rows, True
