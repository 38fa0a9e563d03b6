"""Reading reference checks, corrections and recalls, on any connection to a result database."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from crosslay.errors import StoreError
from crosslay.record.reader import Reader
from crosslay.record.traces import unpack
from crosslay.texture.trace import Trace

_T = TypeVar("_T")
#: Outcomes that prove the gauge right, and the one that proves nothing.
GOOD = ("in-tolerance", "warning")
NOT_USABLE = "not-usable"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One stored traverse over a specimen; `data` None where the raw trace was removed."""

    reading_id: int
    specimen: str
    request_id: str
    taken_at: float
    value: float | None
    reason: str
    amplification: float
    sha256: bytes
    points: int
    data: bytes | None

    def trace(self) -> Trace:
        """The raw trace.

        Raises
        ------
        StoreError
            It is damaged, or no longer stored.
        """
        if self.data is None:
            raise StoreError("the raw trace of this reading is no longer stored")
        return unpack(self.data, self.sha256)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One reference check.

    Attributes
    ----------
    number
        Its order; 0 before it is stored.
    outcome
        ``in-tolerance``, ``warning``, ``out-of-tolerance`` or ``not-usable``.
    amplification
        Correction that it was made with.
    instance_id, last_sequence
        Where the results stood when it ended.
    document
        Its numbers, as ``specimen history --json`` prints them.
    """

    check_id: str
    specimen: str
    specimen_hash: str
    finished_at: float
    clock_synchronized: bool
    outcome: str
    amplification: float
    document: dict[str, Any]
    request_id: str = ""
    instance_id: str = ""
    last_sequence: int = 0
    number: int = 0

    @property
    def good(self) -> bool:
        """Whether it proves the gauge right."""
        return self.outcome in GOOD


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRow:
    """One amplification correction: who put it in force, when and why, and who took it back."""

    correction_id: str
    check_id: str
    specimen: str
    amplification: float
    accepted_at: float
    accepted_by: str
    accepted_why: str
    undone_at: float | None = None
    undone_by: str | None = None
    undone_why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """A result with the verdict pass."""

    instance_id: str
    sequence: int
    part_id: str
    created_at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallRow:
    """One recall: which check failed, where its event stands among the results, and what it puts in doubt."""

    recall_id: str
    check_id: str
    specimen: str
    made_at: float
    instance_id: str
    sequence: int
    passed: tuple[Passed, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRow:
    """What was asked for, by which way (``bus`` or ``machine``), and what was answered; `payload` is JSON.

    `ended` says how an accepted one ended; ``""`` while it goes on.
    """

    request_id: str
    received_at: float
    way: str
    name: str
    payload: str
    accepted: bool
    answer: str
    ended: str = ""


_READING = (
    "SELECT reading_id, specimen, request_id, taken_at, value, reason, amplification, sha256, points, data "
    "FROM reference_reading"
)
_CHECK = (
    "SELECT check_id, specimen, specimen_hash, finished_at, clock_synchronized, outcome, amplification, document, "
    "request_id, instance_id, last_sequence, number FROM reference_check"
)
_CORRECTION = (
    "SELECT correction_id, check_id, specimen, amplification, accepted_at, accepted_by, accepted_why, undone_at, "
    "undone_by, undone_why FROM correction"
)
_COMMAND = "SELECT request_id, received_at, way, name, payload, accepted, answer, ended FROM command"


def open_readings(connection: sqlite3.Connection, specimen: str) -> list[ReadingRow]:
    """Readings of a check that is not complete yet, oldest first."""
    rows = connection.execute(
        f"{_READING} WHERE check_id IS NULL AND abandoned IS NULL AND specimen = ? "
        "ORDER BY reading_id",
        (specimen,),
    )
    return [_reading(row) for row in rows]


def readings_of(connection: sqlite3.Connection, check_id: str) -> list[ReadingRow]:
    """Readings that a check was made of."""
    rows = connection.execute(
        f"{_READING} WHERE check_id = ? ORDER BY reading_id", (check_id,)
    )
    return [_reading(row) for row in rows]


def requested_readings(connection: sqlite3.Connection, request_id: str) -> int:
    """How many traverses a command has brought so far."""
    query = "SELECT count(*) FROM reference_reading WHERE request_id = ?"
    return int(connection.execute(query, (request_id,)).fetchone()[0])


def last_usable(connection: sqlite3.Connection, specimen: str) -> CheckRow | None:
    """The newest check of a specimen that proved anything."""
    row = connection.execute(
        f"{_CHECK} WHERE specimen = ? AND outcome <> ? ORDER BY number DESC LIMIT 1",
        (specimen, NOT_USABLE),
    ).fetchone()
    return None if row is None else _check(row)


def last_good(connection: sqlite3.Connection, specimen: str) -> CheckRow | None:
    """The newest check of a specimen that proved the gauge right."""
    row = connection.execute(
        f"{_CHECK} WHERE specimen = ? AND outcome IN (?, ?) ORDER BY number DESC LIMIT 1",
        (specimen, *GOOD),
    ).fetchone()
    return None if row is None else _check(row)


def checks_of(connection: sqlite3.Connection, specimen: str, *, limit: int = -1) -> list[CheckRow]:
    """Checks of a specimen, oldest first; all, or the newest `limit`."""
    rows = connection.execute(
        f"{_CHECK} WHERE specimen = ? ORDER BY number DESC LIMIT ?", (specimen, limit)
    ).fetchall()
    return [_check(row) for row in reversed(rows)]


def check_with(connection: sqlite3.Connection, which: str) -> list[CheckRow]:
    """Checks whose id, or the end or beginning of it, is `which`."""
    text = which.replace("%", "").replace("_", "")
    if not text:
        return []
    rows = connection.execute(
        f"{_CHECK} WHERE check_id LIKE ? OR check_id LIKE ? ORDER BY number",
        (f"{text}%", f"%{text}"),
    )
    return [_check(row) for row in rows]


def check_of_request(connection: sqlite3.Connection, request_id: str) -> CheckRow | None:
    """The check that a command led to."""
    row = connection.execute(f"{_CHECK} WHERE request_id = ?", (request_id,)).fetchone()
    return None if row is None else _check(row)


def correction_in_force(connection: sqlite3.Connection) -> CorrectionRow | None:
    """The newest correction that is not undone."""
    row = connection.execute(
        f"{_CORRECTION} WHERE undone_at IS NULL ORDER BY number DESC LIMIT 1"
    ).fetchone()
    return None if row is None else _correction(row)


def correction_rows(connection: sqlite3.Connection) -> list[CorrectionRow]:
    """All corrections, oldest first."""
    return [_correction(row) for row in connection.execute(f"{_CORRECTION} ORDER BY number")]


def recall_rows(connection: sqlite3.Connection) -> list[RecallRow]:
    """All recalls with what they put in doubt, oldest first."""
    found = []
    for number, *values in connection.execute(
        "SELECT number, recall_id, check_id, specimen, made_at, instance_id, sequence FROM recall ORDER BY number"
    ).fetchall():
        recall_id, check_id, specimen, made_at, instance_id, sequence = values
        passed = connection.execute(
            "SELECT instance_id, sequence, part_id, created_at FROM recalled WHERE recall = ? "
            "ORDER BY created_at, sequence",
            (number,),
        )
        found.append(
            RecallRow(
                recall_id=recall_id, check_id=check_id, specimen=specimen, made_at=made_at, instance_id=instance_id,
                sequence=sequence,
                passed=tuple(Passed(instance_id=a, sequence=b, part_id=c, created_at=d) for a, b, c, d in passed),
            )
        )  # fmt: skip
    return found


def command_of(connection: sqlite3.Connection, request_id: str) -> CommandRow | None:
    """The newest command with this request id."""
    row = connection.execute(
        f"{_COMMAND} WHERE request_id = ? ORDER BY number DESC LIMIT 1", (request_id,)
    ).fetchone()
    return None if row is None else _command(row)


def commands_under_way(connection: sqlite3.Connection, name: str) -> list[CommandRow]:
    """Accepted commands that have not ended, oldest first."""
    rows = connection.execute(
        f"{_COMMAND} WHERE name = ? AND accepted AND ended IS NULL ORDER BY number", (name,)
    )
    return [_command(row) for row in rows]


def read_checks(state_dir: Path, query: Callable[[sqlite3.Connection], _T]) -> _T | None:
    """Read beside a running daemon; None where there is no database yet, or one without these tables.

    Raises
    ------
    StoreError
        The database cannot be read.
    """
    reader = Reader(state_dir)
    if not reader.path.exists():
        return None
    try:
        with reader.reading() as connection:
            known = connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'reference_check'").fetchone()
            return None if known is None else query(connection)
    finally:
        reader.close()


def _reading(row: tuple[Any, ...]) -> ReadingRow:
    reading_id, specimen, request_id, taken_at, value, reason, amplification, sha256, points, data = row
    return ReadingRow(
        reading_id=reading_id, specimen=specimen, request_id=request_id or "", taken_at=taken_at, value=value,
        reason=reason, amplification=amplification, sha256=sha256, points=points, data=data,
    )  # fmt: skip


def _check(row: tuple[Any, ...]) -> CheckRow:
    check_id, specimen, digest, finished_at, synchronized, outcome, amplification, document, *rest = row
    request_id, instance_id, last_sequence, number = rest
    return CheckRow(
        check_id=check_id, specimen=specimen, specimen_hash=digest, finished_at=finished_at,
        clock_synchronized=bool(synchronized), outcome=outcome, amplification=amplification,
        document=json.loads(document), request_id=request_id or "", instance_id=instance_id,
        last_sequence=last_sequence, number=number,
    )  # fmt: skip


def _correction(row: tuple[Any, ...]) -> CorrectionRow:
    correction_id, check_id, specimen, amplification, accepted_at, accepted_by, accepted_why, *undone = row
    undone_at, undone_by, undone_why = undone
    return CorrectionRow(
        correction_id=correction_id, check_id=check_id, specimen=specimen, amplification=amplification,
        accepted_at=accepted_at, accepted_by=accepted_by, accepted_why=accepted_why, undone_at=undone_at,
        undone_by=undone_by, undone_why=undone_why,
    )  # fmt: skip


def _command(row: tuple[Any, ...]) -> CommandRow:
    request_id, received_at, way, name, payload, accepted, answer, ended = row
    return CommandRow(
        request_id=request_id, received_at=received_at, way=way, name=name, payload=payload, accepted=bool(accepted),
        answer=answer, ended=ended or "",
    )  # fmt: skip
