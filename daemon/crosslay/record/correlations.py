"""Accepted correlations in the store: rows, and reading and writing them on any connection."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import Any

_COLUMNS = (
    "correlation_id, characteristic, parameter, settings_hash, amplification, document, accepted_at, accepted_by, "
    "accepted_why, undone_at, undone_by, undone_why"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelationRow:
    """One correlation: who put it in force, when and why, and who took it back.

    Attributes
    ----------
    settings_hash, amplification
        Settings and correction that the in-line values of the study were measured with; for others it does not hold.
    document
        ``callout``, ``unit``, ``line`` (the numbers of `crosslay.inspection.correlation.Line`), ``lowest``, ``highest``
        and ``parts``, the values on both sides.
    """

    correlation_id: str
    characteristic: str
    parameter: str
    settings_hash: str
    amplification: float
    document: dict[str, Any]
    accepted_at: float
    accepted_by: str
    accepted_why: str
    undone_at: float | None = None
    undone_by: str | None = None
    undone_why: str | None = None

    @property
    def name(self) -> str:
        """What it is for, as a person names it."""
        return f"{self.characteristic}/{self.parameter}"


def correlation_rows(connection: sqlite3.Connection) -> list[CorrelationRow]:
    """All correlations, oldest first; none in a database that is older than their table."""
    if connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'correlation'").fetchone() is None:
        return []
    rows = connection.execute(f"SELECT {_COLUMNS} FROM correlation ORDER BY number")  # noqa: S608 - our own names
    return [_row(row) for row in rows]


def newest_of_each(rows: list[CorrelationRow]) -> tuple[CorrelationRow, ...]:
    """Those in force among all, oldest first: of each characteristic, parameter and settings the newest not undone."""
    newest = {(row.characteristic, row.parameter, row.settings_hash): row for row in rows if row.undone_at is None}
    return tuple(sorted(newest.values(), key=rows.index))


def insert_correlation(connection: sqlite3.Connection, row: CorrelationRow) -> None:
    """Put one in force, inside a transaction."""
    connection.execute(
        "INSERT INTO correlation (correlation_id, characteristic, parameter, settings_hash, amplification, document, "
        "accepted_at, accepted_by, accepted_why) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (row.correlation_id, row.characteristic, row.parameter, row.settings_hash, row.amplification,
         json.dumps(row.document, ensure_ascii=False), row.accepted_at, row.accepted_by, row.accepted_why),
    )  # fmt: skip


def undo_correlation_row(connection: sqlite3.Connection, row: CorrelationRow) -> None:
    """Take one back, as its `undone_at`, `undone_by` and `undone_why` say, inside a transaction."""
    connection.execute(
        "UPDATE correlation SET undone_at = ?, undone_by = ?, undone_why = ? WHERE correlation_id = ?",
        (row.undone_at, row.undone_by, row.undone_why, row.correlation_id),
    )


def _row(values: tuple[Any, ...]) -> CorrelationRow:
    identity, characteristic, parameter, digest, amplification, document, at, by, why, *undone = values
    undone_at, undone_by, undone_why = undone
    return CorrelationRow(
        correlation_id=identity, characteristic=characteristic, parameter=parameter, settings_hash=digest,
        amplification=amplification, document=json.loads(document), accepted_at=at, accepted_by=by, accepted_why=why,
        undone_at=undone_at, undone_by=undone_by, undone_why=undone_why,
    )  # fmt: skip
