"""The database of the consumer in `crosslay.testing.mes_consumer`: what an MES must keep, and how."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# A result is known by (source, instanceId, sequence): DC-30. In 'progress', 'contiguous' is the number acknowledged:
# up to it everything of the instance is here, or was acknowledged by an earlier database ('missing' counts those).
_SCHEMA = """
CREATE TABLE IF NOT EXISTS results (
  instance_id TEXT NOT NULL, sequence INTEGER NOT NULL, source TEXT NOT NULL,
  part_id TEXT, evaluation TEXT, rejected TEXT, payload BLOB NOT NULL,
  PRIMARY KEY (instance_id, sequence, source)
);
CREATE TABLE IF NOT EXISTS progress (
  instance_id TEXT PRIMARY KEY, contiguous INTEGER NOT NULL DEFAULT 0,
  duplicates INTEGER NOT NULL DEFAULT 0, altered INTEGER NOT NULL DEFAULT 0
);
"""
_BEGIN_PROGRESS = "INSERT OR IGNORE INTO progress (instance_id) VALUES (:instance)"
_INSERT = "INSERT OR IGNORE INTO results VALUES (:instance, :sequence, :source, :part, :evaluation, :why, :payload)"
_ADVANCE = """
UPDATE progress SET contiguous = (
  WITH RECURSIVE chain(n) AS (
    SELECT contiguous UNION ALL
    SELECT n + 1 FROM chain
    WHERE EXISTS (SELECT 1 FROM results WHERE instance_id = :instance AND sequence = n + 1))
  SELECT max(n) FROM chain)
WHERE instance_id = :instance
"""
_RAISE = "UPDATE progress SET contiguous = max(contiguous, :through) WHERE instance_id = :instance"
# 'altered' counts repeats that differ from what is stored; DC-05 promises that it stays 0.
_COUNT_DUPLICATE = """
UPDATE progress SET duplicates = duplicates + 1, altered = altered + (
  SELECT payload <> :payload FROM results
  WHERE instance_id = :instance AND sequence = :sequence AND source = :source)
WHERE instance_id = :instance
"""
_SUMMARY = """
SELECT p.instance_id AS instanceId, p.contiguous AS acknowledgedThrough, count(r.sequence) AS stored,
  count(r.rejected) AS rejected, p.duplicates, p.altered, coalesce(max(r.sequence), 0) AS lastSequence,
  max(p.contiguous, coalesce(max(r.sequence), 0)) - count(r.sequence) AS missing
FROM progress p LEFT JOIN results r USING (instance_id) GROUP BY p.instance_id ORDER BY p.rowid
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """What the consumer reads of a CloudEvent; unknown fields are ignored, and the payload is kept whole."""

    source: str
    instance_id: str
    sequence: int
    part_id: str | None
    evaluation: str | None
    payload: bytes

    @classmethod
    def from_payload(cls, payload: bytes) -> Received:
        """Parse one message of ``v1/result``.

        Raises
        ------
        ValueError, KeyError, TypeError
            It is not a result.
        """
        event = json.loads(payload)
        data = event["data"]
        return cls(
            source=str(event["source"]), instance_id=str(data["instanceId"]), sequence=int(data["sequence"]),
            part_id=data.get("partId"), evaluation=data.get("resultEvaluation"), payload=payload,
        )


class MesStore:
    """An SQLite database with every result once. `open` before use; one thread."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def open(self) -> None:
        """Open or make the database; a commit returns once the disk has it (``synchronous=FULL``)."""
        self._db = sqlite3.connect(self.path, isolation_level=None)
        self._db.row_factory = sqlite3.Row
        self._db.execute("PRAGMA journal_mode=WAL")
        self._db.execute("PRAGMA synchronous=FULL")
        self._db.executescript(_SCHEMA)

    def close(self) -> None:
        """Close the database."""
        self._db.close()

    def keep(self, result: Received, rejected: str | None = None) -> bool:
        """Store a result unless it is here already, count it as a duplicate otherwise: one transaction.

        Parameters
        ----------
        result
            What came.
        rejected
            Why the MES will not take it; it then counts as dealt with (DC-23).

        Returns
        -------
        bool
            Whether it is new.
        """
        values = {
            "instance": result.instance_id, "sequence": result.sequence, "source": result.source,
            "part": result.part_id, "evaluation": result.evaluation, "why": rejected, "payload": result.payload,
        }
        with self._transaction() as db:
            db.execute(_BEGIN_PROGRESS, values)
            new = db.execute(_INSERT, values).rowcount == 1
            db.execute(_ADVANCE if new else _COUNT_DUPLICATE, values)
        return new

    def acknowledged_elsewhere(self, instance_id: str, through: int) -> None:
        """Take over a number that an earlier database acknowledged: the station will not send those again."""
        values = {"instance": instance_id, "through": through}
        with self._transaction() as db:
            db.execute(_BEGIN_PROGRESS, values)
            db.execute(_RAISE, values)
            db.execute(_ADVANCE, values)

    def acknowledged_through(self, instance_id: str) -> int:
        """Highest number up to which nothing of an instance is missing; 0 for an unknown one."""
        row = self._db.execute("SELECT contiguous FROM progress WHERE instance_id = ?", (instance_id,)).fetchone()
        return int(row["contiguous"]) if row else 0

    def rejection(self, instance_id: str, sequence: int) -> str | None:
        """Why a result was refused; None where it was not."""
        row = self._db.execute(
            "SELECT rejected FROM results WHERE instance_id = ? AND sequence = ?", (instance_id, sequence)
        ).fetchone()
        return row["rejected"] if row else None

    def stored(self) -> int:
        """Number of different results."""
        return int(self._db.execute("SELECT count(*) FROM results").fetchone()[0])

    def summary(self) -> list[dict[str, Any]]:
        """One entry per instance: what is here, what came twice, came altered, or is missing."""
        return [dict(row) for row in self._db.execute(_SUMMARY)]

    def _transaction(self) -> sqlite3.Connection:
        self._db.execute("BEGIN IMMEDIATE")
        return self._db  # as a context manager it commits, or rolls back on an exception
