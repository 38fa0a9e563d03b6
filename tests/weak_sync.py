"""The daemon with ``synchronous=NORMAL``, as it must never be: shows that the power-cut test can fail.

Started like ``python -m crosslay.cli.main``, with the same arguments.
"""

from __future__ import annotations

import sqlite3
import sys
from typing import Any

from crosslay.cli import main

_STRONG, _WEAK = "PRAGMA synchronous=FULL", "PRAGMA synchronous=NORMAL"


class WeakConnection(sqlite3.Connection):
    """A connection that turns the one pragma around."""

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        return super().execute(_WEAK if statement == _STRONG else statement, *values)


def weaken() -> None:
    """From now on every connection is weak."""
    connect = sqlite3.connect

    def weak_connect(*arguments: Any, **options: Any) -> sqlite3.Connection:
        return connect(*arguments, factory=WeakConnection, **options)

    sqlite3.connect = weak_connect  # type: ignore[assignment]


if __name__ == "__main__":
    weaken()
    sys.exit(main.main())
