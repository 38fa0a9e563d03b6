"""``crosslay results STATION.toml requeue NUMBER``: by the daemon that runs, or here where none does."""

from __future__ import annotations

import sys
import time

from crosslay.bus.conditions import Conditions
from crosslay.errors import UsageError
from crosslay.plan.load import StationPlan
from crosslay.record.lock import StateLock, is_locked
from crosslay.record.reader import Reader
from crosslay.station.clock import SystemClock
from crosslay.station.keeper import Keeper
from crosslay.station.requests import leave_request

_DAEMON_ANSWERS_S = 10.0


def requeue(plan: StationPlan, which: str) -> int:
    """Send a result that was set aside once more, under a new number that supersedes it (DC-23)."""
    if not (which.isascii() and which.isdigit() and int(which) < 2**63):
        raise UsageError("results requeue needs the number of a result of this station that is set aside")
    sequence = int(which)
    if is_locked(plan.state_dir):
        _ask_daemon(plan, sequence)
    else:
        _requeue_here(plan, sequence)
    sys.stdout.write(f"result {sequence} is queued again, under a new number that supersedes it\n")
    return 0


def _ask_daemon(plan: StationPlan, sequence: int) -> None:
    reader = Reader(plan.state_dir)
    try:
        _check_set_aside(reader, sequence)
        request = leave_request(plan.state_dir, sequence)
        deadline = time.monotonic() + _DAEMON_ANSWERS_S
        while request.exists() or _is_set_aside(reader, sequence):
            if time.monotonic() > deadline:
                raise UsageError(f"the daemon did not queue result {sequence} again; see its log")
            time.sleep(0.1)
    finally:
        reader.close()


def _requeue_here(plan: StationPlan, sequence: int) -> None:
    lock = StateLock(plan.state_dir)
    lock.acquire()
    clock = SystemClock()
    keeper = Keeper(plan, clock, Conditions(clock))
    try:
        keeper.open()
        keeper.requeue(sequence)
    finally:
        keeper.close()
        lock.release()


def _is_set_aside(reader: Reader, sequence: int) -> bool:
    rows = reader.rows(after=sequence - 1, limit=1)
    return bool(rows) and rows[0].sequence == sequence and rows[0].outbox == "quarantined"


def _check_set_aside(reader: Reader, sequence: int) -> None:
    if not _is_set_aside(reader, sequence):
        raise UsageError(f"result {sequence} is not set aside, so it cannot be queued again")
