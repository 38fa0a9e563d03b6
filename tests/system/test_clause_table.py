"""The table clause → test in DEVELOPERS.md is complete and current."""

from __future__ import annotations

from clause_table import CLAUSES, DEVELOPERS, bearers, updated


def test_each_clause_has_a_test_that_bears_its_id() -> None:
    found = bearers()
    assert not [f"DC-{number:02d}" for number in CLAUSES if not found.get(number)]
    assert set(found) <= set(CLAUSES), "a test bears the id of a clause that the table does not know"


def test_the_table_is_current() -> None:
    document = DEVELOPERS.read_text("utf-8")
    assert updated(document) == document, "run: .venv/bin/python tests/clause_table.py"
