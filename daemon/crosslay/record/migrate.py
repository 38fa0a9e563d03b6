"""Schema versions: numbered SQL files, applied in order, each in one transaction with its version number."""

from __future__ import annotations

import sqlite3
from importlib.resources import files

from crosslay.errors import StoreError


def schema_files() -> list[tuple[int, str]]:
    """Every migration as ``(version, sql)``, ascending from 1 without holes."""
    found = sorted(
        (int(entry.name.split("_", 1)[0]), entry.read_text("utf-8"))
        for entry in files("crosslay.record").joinpath("schema").iterdir()
        if entry.name.endswith(".sql")
    )
    if [version for version, _ in found] != list(range(1, len(found) + 1)):
        raise StoreError(f"the installed schema files are not numbered 1..n: {[version for version, _ in found]}")
    return found


def migrate(connection: sqlite3.Connection, target: int | None = None) -> int:
    """Bring a database up to the newest schema, or to `target`.

    Returns
    -------
    int
        The schema version before, 0 for a new database.

    Raises
    ------
    StoreError
        The database was written by a newer crosslay.
    """
    before = int(connection.execute("PRAGMA user_version").fetchone()[0])
    steps = schema_files()
    newest = target if target is not None else steps[-1][0]
    if before > newest:
        raise StoreError(
            f"the database has schema {before}, this crosslay knows up to {newest}; "
            "install the newer version again, or restore a backup made before the upgrade"
        )
    for version, sql in steps:
        if before < version <= newest:
            connection.executescript(f"BEGIN IMMEDIATE;\n{sql}\nPRAGMA user_version = {version};\nCOMMIT;")
    return before
