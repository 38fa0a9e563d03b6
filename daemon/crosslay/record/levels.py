"""Where a result database stands, and what acknowledgements do to it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Outbox rows that need no more delivery, and what else the pump wants committed.

    Attributes
    ----------
    through
        Cumulative acknowledgement of the MES: every pending row up to it is cleared (DC-20); 0 for none.
    sequences
        Single rows cleared by the broker's PUBACK (DC-21), or dropped by decision (DC-42).
    quarantined
        Rows set aside, with the reason (DC-23).
    anchored_through
        Number that the pump is about to publish as anchor (DC-44); 0 for none.
    """

    through: int = 0
    sequences: frozenset[int] = frozenset()
    quarantined: Mapping[int, str] = field(default_factory=dict)
    anchored_through: int = 0

    def __bool__(self) -> bool:
        return bool(self.through or self.sequences or self.quarantined or self.anchored_through)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The numbers that ``v1/state`` carries (DC-40). `last` is 0 and `first` 1 before the first result.

    `pending` and `quarantined` count the outbox's rows; `anchored_through` is the highest number that an anchor of this
    database may carry.
    """

    instance_id: str
    first: int
    last: int
    acknowledged_through: int
    pending: int = 0
    quarantined: int = 0
    anchored_through: int = 0


def read_levels(connection: sqlite3.Connection) -> Levels:
    """Identity and numbers of a database, by any connection to it."""
    meta = dict(connection.execute("SELECT key, value FROM meta"))
    # Two queries: SQLite finds a minimum or a maximum at the index's end, but both together by a scan.
    first, last = connection.execute(
        "SELECT (SELECT min(sequence) FROM result), (SELECT max(sequence) FROM result)"
    ).fetchone()
    pending, quarantined = connection.execute(
        "SELECT count(*) FILTER (WHERE quarantined IS NULL), count(quarantined) FROM outbox"
    ).fetchone()
    last = last or 0
    return Levels(
        instance_id=meta["instanceId"],
        first=first or 1,
        last=last,
        acknowledged_through=cumulative(connection, last),
        pending=pending,
        quarantined=quarantined,
        anchored_through=int(meta.get("anchoredThrough", 0)),
    )


def apply_settled(connection: sqlite3.Connection, settled: Settled, levels: Levels) -> Levels:
    """Apply acknowledgements inside a transaction; returns the numbers after them."""
    if not settled:
        return levels
    aside = sum(
        connection.execute(
            "UPDATE outbox SET quarantined = ? WHERE sequence = ? AND quarantined IS NULL", (reason, sequence)
        ).rowcount
        for sequence, reason in settled.quarantined.items()
    )
    gone = sum(
        connection.execute(
            "DELETE FROM outbox WHERE sequence BETWEEN ? AND ? AND quarantined IS NULL", (first, last)
        ).rowcount
        for first, last in _cleared(settled)
    )
    if settled.anchored_through > levels.anchored_through:
        put_meta(connection, "anchoredThrough", settled.anchored_through)
    return replace(
        levels,
        acknowledged_through=cumulative(connection, levels.last),
        pending=levels.pending - aside - gone,
        quarantined=levels.quarantined + aside,
        anchored_through=max(levels.anchored_through, settled.anchored_through),
    )


def _cleared(settled: Settled) -> Iterator[tuple[int, int]]:
    """First and last of every stretch of rows without a gap: one statement each, for each lets other threads run."""
    if settled.through:
        yield 0, settled.through
    first = last = 0
    for sequence in sorted(settled.sequences):
        if sequence != last + 1:
            if last:
                yield first, last
            first = sequence
        last = sequence
    if last:
        yield first, last


def cumulative(connection: sqlite3.Connection, last: int) -> int:
    """The cumulative number: all below the lowest row still pending is done, quarantined rows included (DC-23).

    It never falls, since a row becomes pending only together with its result, above all others.
    """
    lowest = connection.execute(
        "SELECT sequence FROM outbox WHERE quarantined IS NULL ORDER BY sequence LIMIT 1"
    ).fetchone()
    return last if lowest is None else int(lowest[0]) - 1


def put_meta(connection: sqlite3.Connection, key: str, value: object) -> None:
    """Set one entry of the table ``meta``."""
    connection.execute(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value", (key, str(value))
    )
