"""Reference checks, corrections, correlations, recall marks and commands in the store.

Writing belongs to whoever owns the `Store` (the recorder thread); reading works on any connection
(`crosslay.record.check_rows`).
"""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from crosslay.record.check_history import DISTRUSTED, REGISTERED, forget_what_is_covered, passed_after
from crosslay.record.check_rows import (
    GOOD,
    NOT_USABLE,
    CheckRow,
    CommandRow,
    CorrectionRow,
    Passed,
    ReadingRow,
    check_with,
    checks_of,
    command_of,
    commands_under_way,
    correction_in_force,
    correction_rows,
    last_good,
    last_usable,
    open_readings,
)
from crosslay.record.correlations import (
    CorrelationRow,
    correlation_rows,
    insert_correlation,
    newest_of_each,
    undo_correlation_row,
)
from crosslay.record.levels import put_meta
from crosslay.record.store import Draft, Store, Stored, insert
from crosslay.record.traces import PackedTrace

#: Raw traces of so many checks of a specimen are kept; of older ones the hash stays.
_KEEP_TRACES_OF = 50
_KEEP_COMMANDS = 10_000
#: Checks that a chart is made of.
_CHARTED = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One traverse over a specimen, before it is stored.

    Attributes
    ----------
    value, reason
        Of the specimen's parameter; None, and why, where undefined.
    amplification
        Correction that it was measured with.
    delivery_id
        UUIDv5 of the trace's own identity, None where it has none.
    request_id
        Of the command that asked for it, ``""`` for none.
    """

    specimen: str
    taken_at: float
    value: float | None
    reason: str
    amplification: float
    packed: PackedTrace
    delivery_id: uuid.UUID | None = None
    request_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Concluded:
    """A check that was committed, the passed results that it puts in doubt, and their event where there are any."""

    row: CheckRow
    doubtful: tuple[Passed, ...]
    recall: Stored | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckState:
    """What the store says of a plan's specimens; by name of the specimen where it is a mapping.

    `last` is the newest usable check, `charted` are the newest of all outcomes, oldest first.

    `distrusted` maps ``why`` to the reason, and ``check`` to the number of the last check that does not count any more.
    `commands` are those for a check that have not ended, `correlations` those in force.
    """

    last: dict[str, CheckRow | None] = field(default_factory=dict)
    charted: dict[str, list[CheckRow]] = field(default_factory=dict)
    unfinished: dict[str, list[ReadingRow]] = field(default_factory=dict)
    correction: CorrectionRow | None = None
    distrusted: dict[str, str | int] = field(default_factory=dict)
    commands: list[CommandRow] = field(default_factory=list)
    correlations: tuple[CorrelationRow, ...] = ()

    @property
    def amplification(self) -> float:
        """The correction in force."""
        return 1.0 if self.correction is None else self.correction.amplification


#: That of a station that has no database yet.
EMPTY = CheckState()


class Checks:
    """See the module. Every method raises like `Store.commit`."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def register(self, specimens: tuple[str, ...]) -> None:
        """The specimens of the plan."""
        with self._store.transaction() as connection:
            put_meta(connection, REGISTERED, json.dumps(specimens))

    def known(self, delivery_id: uuid.UUID) -> bool:
        """Whether a specimen trace with this id is stored already."""
        with self._store.transaction() as connection:
            query = "SELECT 1 FROM reference_reading WHERE delivery_id = ?"
            return connection.execute(query, (delivery_id.bytes,)).fetchone() is not None

    def add_reading(self, reading: Reading) -> list[ReadingRow]:
        """Commit a traverse; returns those of its check so far, oldest first."""
        delivery = None if reading.delivery_id is None else reading.delivery_id.bytes
        with self._store.transaction() as connection:
            connection.execute(
                "INSERT INTO reference_reading (specimen, request_id, taken_at, value, reason, amplification, "
                "delivery_id, sha256, points, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (reading.specimen, reading.request_id or None, reading.taken_at, reading.value, reading.reason,
                 reading.amplification, delivery, reading.packed.sha256, reading.packed.points, reading.packed.data),
            )  # fmt: skip
            return open_readings(connection, reading.specimen)

    def abandon(self, readings: list[ReadingRow], why: str, request_id: str = "") -> None:
        """The check that these were for, and the command that asked for it, will not be completed."""
        with self._store.transaction() as connection:
            _end_command(connection, request_id, f"abandoned: {why}")
            connection.executemany(
                "UPDATE reference_reading SET abandoned = ? WHERE reading_id = ?",
                [(why, each.reading_id) for each in readings],
            )

    def conclude(
        self,
        row: CheckRow,
        readings: list[ReadingRow],
        make_recall: Callable[[CheckRow | None, tuple[Passed, ...]], Draft],
    ) -> Concluded:
        """Commit a check with its readings, and where it failed the recall, in one transaction.

        Parameters
        ----------
        row
            The check; where the results stand is filled in here.
        readings
            Those that it was made of, stored before.
        make_recall
            Makes the event, of the last good check before and the passed results in doubt; not called where there are
            none.
        """
        levels = self._store.levels
        row = replace(row, instance_id=levels.instance_id, last_sequence=levels.last)
        doubtful: tuple[Passed, ...] = ()
        stored: Stored | None = None
        with self._store.transaction() as connection:
            good = last_good(connection, row.specimen)
            if row.outcome not in {*GOOD, NOT_USABLE}:
                doubtful = _doubtful(connection, good)
            _insert_check(connection, row, readings)
            _end_command(connection, row.request_id, "completed")
            if doubtful:
                draft = make_recall(good, doubtful)
                stored, levels = insert(connection, draft, levels)
                _insert_recall(connection, row, doubtful, draft=draft, stored=stored, instance_id=levels.instance_id)
            if row.outcome in GOOD:
                forget_what_is_covered(connection)
        self._store.adopt(levels)
        return Concluded(row=row, doubtful=doubtful, recall=stored)

    def accept(self, row: CorrectionRow, command: CommandRow) -> None:
        """Put a correction in force, and keep the command that asked for it."""
        with self._store.transaction() as connection:
            connection.execute(
                "INSERT INTO correction (correction_id, check_id, specimen, amplification, accepted_at, accepted_by, "
                "accepted_why) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (row.correction_id, row.check_id, row.specimen, row.amplification, row.accepted_at, row.accepted_by,
                 row.accepted_why),
            )  # fmt: skip
            _insert_command(connection, command)

    def undo(self, row: CorrectionRow, command: CommandRow) -> None:
        """Take back a correction, as its `undone_at`, `undone_by` and `undone_why` say; the one before is in force."""
        with self._store.transaction() as connection:
            connection.execute(
                "UPDATE correction SET undone_at = ?, undone_by = ?, undone_why = ? WHERE correction_id = ?",
                (row.undone_at, row.undone_by, row.undone_why, row.correction_id),
            )
            _insert_command(connection, command)

    def with_id(self, which: str) -> list[CheckRow]:
        """Checks whose id is `which`, or begins or ends so."""
        with self._store.transaction() as connection:
            return check_with(connection, which)

    def newest_usable(self, specimen: str) -> CheckRow | None:
        """The newest check of a specimen that proved anything."""
        with self._store.transaction() as connection:
            return last_usable(connection, specimen)

    def corrections(self) -> list[CorrectionRow]:
        """Those that are not undone, oldest first; the last one is in force."""
        with self._store.transaction() as connection:
            return [row for row in correction_rows(connection) if row.undone_at is None]

    def accept_correlation(self, row: CorrelationRow, command: CommandRow) -> None:
        """Put a correlation in force, and keep the command that asked for it."""
        with self._store.transaction() as connection:
            insert_correlation(connection, row)
            _insert_command(connection, command)

    def undo_correlation(self, row: CorrelationRow, command: CommandRow) -> None:
        """Take back a correlation, as its `undone_at`, `undone_by` and `undone_why` say."""
        with self._store.transaction() as connection:
            undo_correlation_row(connection, row)
            _insert_command(connection, command)

    def correlations(self) -> list[CorrelationRow]:
        """All of them, oldest first."""
        with self._store.transaction() as connection:
            return correlation_rows(connection)

    def command(self, request_id: str) -> CommandRow | None:
        """What was asked for under this id before."""
        with self._store.transaction() as connection:
            return command_of(connection, request_id)

    def note_command(self, row: CommandRow) -> None:
        """Keep what was asked for and what was answered."""
        with self._store.transaction() as connection:
            _insert_command(connection, row)

    def state(self, specimens: tuple[str, ...]) -> CheckState:
        """What the store says of the specimens of a plan."""
        with self._store.transaction() as connection:
            return check_state(connection, specimens)


def check_state(connection: sqlite3.Connection, specimens: tuple[str, ...]) -> CheckState:
    """What a database says of the specimens of a plan."""
    distrusted = connection.execute("SELECT value FROM meta WHERE key = ?", (DISTRUSTED,)).fetchone()
    return CheckState(
        last={name: last_usable(connection, name) for name in specimens},
        charted={name: checks_of(connection, name, limit=_CHARTED) for name in specimens},
        unfinished={name: open_readings(connection, name) for name in specimens},
        correction=correction_in_force(connection),
        distrusted=json.loads(distrusted[0]) if distrusted else {},
        commands=commands_under_way(connection, "reference-check"),
        correlations=newest_of_each(correlation_rows(connection)),
    )


def _doubtful(connection: sqlite3.Connection, good: CheckRow | None) -> tuple[Passed, ...]:
    marked = set(connection.execute("SELECT instance_id, sequence FROM recalled"))
    return tuple(
        Passed(instance_id=instance_id, sequence=sequence, part_id=part_id, created_at=created_at)
        for instance_id, sequence, _after, part_id, created_at in passed_after(connection, good)
        if (instance_id, sequence) not in marked
    )


def _insert_command(connection: sqlite3.Connection, row: CommandRow) -> None:
    connection.execute(
        "INSERT INTO command (request_id, received_at, way, name, payload, accepted, answer, ended) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (row.request_id, row.received_at, row.way, row.name, row.payload, int(row.accepted), row.answer,
         row.ended or None),
    )  # fmt: skip
    connection.execute("DELETE FROM command WHERE number <= (SELECT max(number) FROM command) - ?", (_KEEP_COMMANDS,))


def _end_command(connection: sqlite3.Connection, request_id: str, how: str) -> None:
    connection.execute("UPDATE command SET ended = ? WHERE request_id = ? AND ended IS NULL", (how, request_id))


def _insert_check(connection: sqlite3.Connection, row: CheckRow, readings: list[ReadingRow]) -> None:
    connection.execute(
        "INSERT INTO reference_check (check_id, specimen, specimen_hash, request_id, finished_at, clock_synchronized, "
        "outcome, amplification, instance_id, last_sequence, document) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (row.check_id, row.specimen, row.specimen_hash, row.request_id or None, row.finished_at,
         int(row.clock_synchronized), row.outcome, row.amplification, row.instance_id, row.last_sequence,
         json.dumps(row.document, ensure_ascii=False)),
    )  # fmt: skip
    connection.executemany(
        "UPDATE reference_reading SET check_id = ? WHERE reading_id = ?",
        [(row.check_id, each.reading_id) for each in readings],
    )
    connection.execute(
        "UPDATE reference_reading SET data = NULL WHERE specimen = ? AND data IS NOT NULL AND check_id IS NOT NULL AND "
        "check_id NOT IN (SELECT check_id FROM reference_check WHERE specimen = ? ORDER BY number DESC LIMIT ?)",
        (row.specimen, row.specimen, _KEEP_TRACES_OF),
    )
    connection.execute(
        "UPDATE reference_reading SET data = NULL WHERE specimen = ? AND abandoned IS NOT NULL", (row.specimen,)
    )


def _insert_recall(
    connection: sqlite3.Connection, row: CheckRow, doubtful: tuple[Passed, ...], *, draft: Draft, stored: Stored,
    instance_id: str,
) -> None:  # fmt: skip
    number = connection.execute(
        "INSERT INTO recall (recall_id, check_id, specimen, made_at, instance_id, sequence) VALUES (?, ?, ?, ?, ?, ?)",
        (str(draft.result_id), row.check_id, row.specimen, row.finished_at, instance_id, stored.sequence),
    ).lastrowid
    connection.executemany(
        "INSERT INTO recalled VALUES (?, ?, ?, ?, ?)",
        [(each.instance_id, each.sequence, number, each.part_id, each.created_at) for each in doubtful],
    )
    connection.execute(
        "DELETE FROM earlier_pass WHERE (instance_id, sequence) IN (SELECT instance_id, sequence FROM recalled)"
    )
