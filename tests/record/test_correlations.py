"""Accepted correlations in the store: which is in force, older databases, and a database made anew."""

from __future__ import annotations

import sqlite3
import uuid
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from crosslay.record.check_rows import CommandRow, command_of, read_checks
from crosslay.record.checks import Checks
from crosslay.record.correlations import CorrelationRow, correlation_rows, newest_of_each
from crosslay.record.migrate import migrate
from crosslay.record.renew import Renewal, renew
from crosslay.record.store import FILE_NAME, Store
from crosslay.station.records import first_records

COMMAND = CommandRow(request_id="r", received_at=1.0, way="machine", name="x", payload="{}", accepted=True, answer="")


def row(parameter: str = "Ra", digest: str = "h") -> CorrelationRow:
    return CorrelationRow(
        correlation_id=str(uuid.uuid4()), characteristic="journal", parameter=parameter, settings_hash=digest,
        amplification=1.02, document={"callout": "Ra 0.8", "lowest": 0.3, "parts": [{"part": "Welle µ"}]},
        accepted_at=1.0, accepted_by="somebody", accepted_why="because",
    )  # fmt: skip


def undone(accepted: CorrelationRow) -> CorrelationRow:
    return replace(accepted, undone_at=2.0, undone_by="somebody else", undone_why="wrong parts")


def test_the_newest_of_each_that_is_not_undone_is_in_force(tmp_path: Path) -> None:
    first, second, other, elsewhere = row(), row(), row("Rz"), row(digest="k")
    with closing(Store(tmp_path)) as store:
        store.open()
        checks = Checks(store)
        assert checks.state(()).correlations == ()
        for each in (first, other, second, elsewhere):
            checks.accept_correlation(each, COMMAND)
        assert checks.state(()).correlations == (other, second, elsewhere)
        checks.undo_correlation(undone(second), COMMAND)
        assert checks.state(()).correlations == (first, other, elsewhere)
        checks.undo_correlation(undone(first), COMMAND)
        assert checks.state(()).correlations == (other, elsewhere)
        assert checks.correlations() == [undone(first), other, undone(second), elsewhere]
    assert read_checks(tmp_path, correlation_rows) == [undone(first), other, undone(second), elsewhere]
    assert read_checks(tmp_path, lambda connection: command_of(connection, "r").accepted) is True


def test_it_comes_with_its_command_or_not_at_all(tmp_path: Path) -> None:
    with closing(Store(tmp_path)) as store:
        store.open()
        checks = Checks(store)
        accepted = row()
        checks.accept_correlation(accepted, COMMAND)
        with pytest.raises(Exception, match="UNIQUE"):
            checks.accept_correlation(accepted, replace(COMMAND, request_id="second"))
        assert checks.command("second") is None


@pytest.mark.parametrize("version", [1, 2])
def test_an_older_database_is_read_as_it_is_and_becomes_one_of_today(tmp_path: Path, version: int) -> None:
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode=WAL")
        migrate(old, version)
        old.execute("INSERT INTO meta VALUES ('instanceId', ?)", (str(uuid.uuid4()),))
    assert not read_checks(tmp_path, correlation_rows)
    with closing(Store(tmp_path)) as store:
        store.open()
        checks = Checks(store)
        accepted = row()
        checks.accept_correlation(accepted, COMMAND)
        assert checks.state(()).correlations == (accepted,)


@pytest.mark.parametrize("reason", ["database-damaged", "restored-backup"])
def test_it_survives_a_renewal(tmp_path: Path, reason: str) -> None:
    with closing(Store(tmp_path)) as store:
        store.open()
        kept, gone = row(), row("Rz")
        Checks(store).accept_correlation(kept, COMMAND)
        Checks(store).accept_correlation(gone, COMMAND)
        Checks(store).undo_correlation(undone(gone), COMMAND)
    records = first_records("urn:x", reason, wall_s=1.8e9, synchronized=True)
    renew(tmp_path, Renewal(reason=reason, wall_s=1.8e9, first_records=records))
    with closing(Store(tmp_path)) as store:
        store.open()
        assert Checks(store).state(()).correlations == (kept,)
        assert Checks(store).correlations() == [kept, undone(gone)]


def test_no_row_is_in_force_of_none() -> None:
    assert newest_of_each([]) == ()
