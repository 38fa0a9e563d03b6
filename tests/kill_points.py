"""The real daemon, killed by SIGKILL at the n-th passing of a named point of its way.

``python kill_points.py STATION.toml LOG`` imports the daemon once and then forks it as often as it is told, one line
each on standard input: ``POINT<tab>N``, or an empty line for a daemon that nothing kills. It answers with the process
id, and with the wait status once that process has ended. The points are made by wrapping functions and SQL statements
from outside; the daemon itself knows nothing of them. A point ``call NAME FILE`` is a system call on a file of the
state directory, at which strace kills; the WAL is then folded into the database every few pages, to be hit there, too.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import crosslay_adapters.gauges.file_drop.libc as drop_libc
from crosslay.bus.link import Link
from crosslay.bus.pump import Pump
from crosslay.bus.topics import RESULT
from crosslay.cli import main
from crosslay.cli import run as run_command
from crosslay.record import renew as renewing
from crosslay.record import store
from crosslay.record.upkeep import Upkeep
from crosslay.station import keeper as keeping
from crosslay.station.hub import Hub
from crosslay.station.judging import PartJudge
from crosslay.station.recorder import Recorder
from syscall_log import tracer_of

#: Statements by how they begin, in the order of a commit.
STATEMENTS = {
    "BEGIN": "begin",
    "INSERT INTO result": "insert result",
    "INSERT INTO outbox": "insert outbox",
    "INSERT INTO delivery": "insert delivery",
    "INSERT INTO trace": "insert trace",
    "DELETE FROM outbox WHERE sequence BETWEEN": "clear outbox",
    "DELETE FROM trace": "remove traces",
    "DELETE FROM result": "remove results",
}
#: A transaction that contains this statement is called so; the first that fits decides.
TRANSACTIONS = {
    "DELETE FROM result": "commit removal",
    "INSERT INTO result": "commit result",
    "DELETE FROM outbox WHERE sequence BETWEEN": "commit acknowledgement",
    "INSERT INTO meta": "commit meta",
}
FUNCTIONS: dict[str, tuple[Any, str]] = {
    "judge": (PartJudge, "verdict"),
    "make room": (Upkeep, "make_room"),
    "light": (Recorder, "_show_committed"),
    "announce": (Pump, "announce"),
    "settle gauge": (Recorder, "_settle_gauge"),
    "move file": (drop_libc, "rename_to_new_name"),
    "publish": (Link, "publish"),
    "puback": (Link, "_on_puback"),
    "acknowledgement": (Pump, "_on_message"),
    "hand over": (Hub, "settle"),
    "told settled": (Pump, "settled"),
    "reserve sessions": (keeping.Keeper, "reserve_sessions"),
    "drop oldest": (Upkeep, "_drop_oldest"),
    "renew": (keeping, "renew"),
    "build": (renewing, "_build"),
    "set aside": (renewing, "_set_aside"),
    "move into place": (renewing, "_move_into_place"),
    "rename": (Path, "rename"),
    "sync folder": (renewing, "sync_folder"),
}
_ONLY: dict[str, Callable[..., bool]] = {
    "publish": lambda _link, message: str(message.topic).endswith(f"/{RESULT}"),
}


class Killer:
    """Counts how often the one point is passed, and ends the process there."""

    def __init__(self, point: str, number: int) -> None:
        self._point = point
        self._left = number
        self._lock = threading.Lock()

    def passing(self, point: str) -> None:
        """The daemon is at this point."""
        if point != self._point:
            return
        with self._lock:
            self._left -= 1
            if self._left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
                time.sleep(60)  # whatever thread the signal finds first, this one goes no further


def install(killer: Killer) -> None:
    """Wrap every function and every statement that may be a point."""
    for name, (owner, attribute) in FUNCTIONS.items():
        setattr(owner, attribute, _wrapped(killer, name, getattr(owner, attribute)))
    connect = sqlite3.connect

    def watched_connect(*arguments: Any, **options: Any) -> sqlite3.Connection:
        connection = connect(*arguments, factory=WatchedConnection, **options)
        connection.killer = killer
        return connection

    sqlite3.connect = watched_connect  # type: ignore[assignment]


def _wrapped(killer: Killer, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
    only = _ONLY.get(name, lambda *_arguments: True)

    def wrapper(*arguments: Any, **options: Any) -> Any:
        counts = only(*arguments)
        if counts:
            killer.passing(f"before {name}")
        value = real(*arguments, **options)
        if counts:
            killer.passing(f"after {name}")
        return value

    return wrapper


class WatchedConnection(sqlite3.Connection):
    """A connection whose statements are points."""

    killer: Killer
    _done: frozenset[str] = frozenset()

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        return self._watched(statement, lambda: super(WatchedConnection, self).execute(statement, *values))

    def executemany(self, statement: str, values: Any, /) -> sqlite3.Cursor:
        return self._watched(statement, lambda: super(WatchedConnection, self).executemany(statement, values))

    def _watched(self, statement: str, real: Callable[[], sqlite3.Cursor]) -> sqlite3.Cursor:
        name = self._name(statement)
        self.killer.passing(f"before {name}")
        cursor = real()
        # A statement that changed nothing does not make a transaction what it is.
        if statement.startswith("BEGIN"):
            self._done = frozenset()
        elif cursor.rowcount > 0:
            self._done |= {begin for begin in TRANSACTIONS if statement.startswith(begin)}
        self.killer.passing(f"after {name}")
        return cursor

    def _name(self, statement: str) -> str:
        if statement == "COMMIT":
            return next((name for begin, name in TRANSACTIONS.items() if begin in self._done), "commit nothing")
        return next((name for begin, name in STATEMENTS.items() if statement.startswith(begin)), "another statement")


def serve(station_file: str, log: Path) -> None:
    """Fork a daemon for every line."""
    plan = run_command.load_plan(Path(station_file), os.environ)  # what it imports late is imported once
    for line in sys.stdin:
        point, _, number = line.rstrip("\n").partition("\t")
        process_id = os.fork()
        if process_id == 0:
            become_daemon(plan.state_dir, station_file, log, point=point, number=int(number or 0))
        print(process_id, flush=True)
        print(os.waitpid(process_id, 0)[1], flush=True)


def killed_by_strace(call: str, path: str, number: int) -> None:
    """Let strace kill this process when one of its threads makes a call for the n-th time."""
    inject = ["-e", f"trace={call}", "-e", f"inject={call}:signal=KILL:when={number}", "-o", os.devnull]
    tracer = subprocess.Popen(["strace", "-f", "-p", str(os.getpid()), "-P", path, *inject], stderr=subprocess.DEVNULL)
    while tracer_of(os.getpid()) != tracer.pid:
        time.sleep(0.001)


def become_daemon(state_dir: Path, station_file: str, log: Path, *, point: str, number: int) -> None:
    """The forked process: run the command as a shell would."""
    nothing, written = os.open(os.devnull, os.O_RDONLY), os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    for descriptor, source in ((0, nothing), (1, written), (2, written)):
        os.dup2(source, descriptor)
    if point.startswith("call "):
        _, call, file_name = point.split()
        store._CHECKPOINT_PAGES = 20
        killed_by_strace(call, str(state_dir / file_name), number)
    elif point:
        install(Killer(point, number))
    os._exit(main.main(["run", station_file]))


if __name__ == "__main__":
    serve(sys.argv[1], Path(sys.argv[2]))
