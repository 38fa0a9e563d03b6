"""Whether the files that the store has open are still those at their names, and whole.

SQLite goes on from its cache and from files that have no name any more; what it writes then is lost at the next start.
Files are looked at by name only: closing any descriptor of a file drops every POSIX lock that this process holds on it,
SQLite's as well.

References
----------
SQLite, "How To Corrupt An SQLite Database File", sections 2.2 (locks dropped by close) and 2.4 (unlinking or renaming a
database file while in use); POSIX.1-2017, fcntl().
"""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing, suppress
from pathlib import Path

#: What SQLite appends to a database's name for its companions.
COMPANIONS = ("", "-wal", "-shm")
_WAL = "-wal"
_HEADER_TRIES = 3
_HEADER_PAUSE_S = 0.05


class FileWatch:
    """Remembers the files of one open database. `note` follows every write of one's own."""

    def __init__(self, path: Path) -> None:
        self._paths = {suffix: Path(f"{path}{suffix}") for suffix in COMPANIONS}
        self._noted: dict[str, os.stat_result] = {}

    def note(self) -> None:
        """The files are as they should be: remember them."""
        for suffix, path in self._paths.items():
            with suppress(OSError):
                self._noted[suffix] = path.stat()

    def forget(self) -> None:
        """Nothing is open any more."""
        self._noted.clear()

    def problem(self) -> str:
        """What is wrong with the files, by name, identity and length; empty where nothing is."""
        for suffix, noted in self._noted.items():
            name = self._paths[suffix]
            try:
                found = name.stat()
            except FileNotFoundError:
                return f"{name}: is gone under the running daemon"
            except OSError:
                continue  # the disk fails for the moment; the next write says so
            if (found.st_dev, found.st_ino) != (noted.st_dev, noted.st_ino):
                return f"{name}: was replaced by another file under the running daemon"
            if not suffix and found.st_size < noted.st_size:
                return f"{name}: was cut from {noted.st_size} to {found.st_size} bytes under the running daemon"
        return ""

    @property
    def wal_is_short(self) -> bool:
        """Whether the WAL is shorter than the last write left it: cut, or folded in by another program."""
        noted = self._noted.get(_WAL)
        return noted is not None and self.wal_bytes() < noted.st_size

    def wal_bytes(self) -> int:
        """Length of the WAL, 0 where there is none."""
        try:
            return self._paths[_WAL].stat().st_size
        except OSError:
            return 0


def header_problem(path: Path, instance_id: str, stamp_key: str) -> str:
    """What is wrong with the database file itself, read past the WAL and all caches; empty where nothing is.

    A file that is written at this moment by a checkpoint of another program may look damaged, so that it is read again.

    Parameters
    ----------
    path
        The database.
    instance_id
        Whose it must be, as far as it says so.
    stamp_key
        Entry of ``meta`` that only a backup copy has.
    """
    for left in reversed(range(_HEADER_TRIES)):
        text = _read_header(path, instance_id, stamp_key)
        if not text or not left:
            break
        time.sleep(_HEADER_PAUSE_S)
    return text


def _read_header(path: Path, instance_id: str, stamp_key: str) -> str:
    # "immutable" has SQLite read the file alone; what is in the WAL only, like a new database's tables, is no error.
    address = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as connection:
            query = "SELECT key, value FROM meta WHERE key IN ('instanceId', ?)"
            meta = dict(connection.execute(query, (stamp_key,)).fetchall())
    except sqlite3.DatabaseError as error:
        damaged = getattr(error, "sqlite_errorname", "") == "SQLITE_NOTADB"
        return f"{path}: its header was overwritten under the running daemon" if damaged else ""
    if stamp_key in meta or meta.get("instanceId", instance_id) != instance_id:
        return f"{path}: was overwritten with another database under the running daemon"
    return ""
