"""The daemon with one thing of its store altered, as it must never run: for tests that need to see the difference.

Started like ``python -m crosslay.cli.main``, with the same arguments. The environment variable ``ALTERED_STORE`` says
what: ``synchronous=NORMAL``, which power cuts must punish, or ``checkpoint=PAGES``, so that a few results make the WAL
long enough to be folded into the database.
"""

from __future__ import annotations

import os
import sqlite3
import sys
from typing import Any

from crosslay.cli import main
from crosslay.record import store

VARIABLE = "ALTERED_STORE"
_STRONG, _WEAK = "PRAGMA synchronous=FULL", "PRAGMA synchronous=NORMAL"


class WeakConnection(sqlite3.Connection):
    """A connection that turns the one pragma around."""

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        return super().execute(_WEAK if statement == _STRONG else statement, *values)


def weaken() -> None:
    """From now on no connection syncs the WAL at a commit."""
    connect = sqlite3.connect

    def weak_connect(*arguments: Any, **options: Any) -> sqlite3.Connection:
        return connect(*arguments, factory=WeakConnection, **options)

    sqlite3.connect = weak_connect  # type: ignore[assignment]


def alter(what: str) -> None:
    """Do what the environment variable says; empty for nothing."""
    name, _, value = what.partition("=")
    if name == "synchronous":
        assert value == "NORMAL"
        weaken()
    elif name == "checkpoint":
        store._CHECKPOINT_PAGES = int(value)
    else:
        assert not what, f"{VARIABLE}: {what}"


if __name__ == "__main__":
    alter(os.environ.get(VARIABLE, ""))
    sys.exit(main.main())
