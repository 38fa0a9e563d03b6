"""What ``crosslay specimen`` asks of the daemon that runs, or does itself where none does."""

from __future__ import annotations

import hashlib
import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

from crosslay.bus.conditions import Conditions
from crosslay.cli.output import say, shown_path
from crosslay.cli.traces import read_trace
from crosslay.errors import UsageError
from crosslay.plan.load import StationPlan
from crosslay.plan.specimens import Registered
from crosslay.record.check_rows import (
    CheckRow,
    CommandRow,
    check_of_request,
    command_of,
    read_checks,
    requested_readings,
)
from crosslay.record.lock import StateLock, is_locked
from crosslay.station.clock import SystemClock
from crosslay.station.keeper import Keeper
from crosslay.station.logs import quiet_logs
from crosslay.station.orders import CANCEL, CHECK, Asked, Order, leave_order, new_request_id
from crosslay.station.reference import Outside, Reference
from crosslay.station.requests import FOLDER
from crosslay.texture.trace import Trace

_DAEMON_ANSWERS_S = 30.0
_LOOK_EVERY_S = 0.1


def ask(plan: StationPlan, order: Order, *, quiet: bool) -> CheckRow | None:
    """Have an order done, and wait for its end.

    Parameters
    ----------
    plan, order
        The station and the order.
    quiet
        Say nothing of the progress.

    Returns
    -------
    CheckRow or None
        The check that a command for one led to.

    Raises
    ------
    UsageError
        It was refused, or its check was abandoned; the text says why.
    """
    if not is_locked(plan.state_dir):
        with _reference(plan) as reference:
            reference.take_order(Asked(order=order, way="machine"))
        _require_accepted(_command(plan, order))
        return None
    request = leave_order(plan.state_dir / FOLDER, order)
    command = _answered(plan, order, request)
    _require_accepted(command)
    if order.name != CHECK:
        return None
    try:
        return _watch(plan, order, command.answer, quiet=quiet)
    except KeyboardInterrupt:
        cancel = Order(name=CANCEL, request_id=new_request_id(), specimen=order.specimen)
        leave_order(plan.state_dir / FOLDER, cancel)
        say("\nthe check is cancelled")
        raise


def check_here(plan: StationPlan, specimen: Registered, files: Sequence[Path], *, spacing_um: float | None) -> CheckRow:
    """Make a check of trace files; only while no daemon runs.

    Raises
    ------
    UsageError
        A daemon runs, there are too few files, or one was part of a check before.
    TraceFileError
        A file is no trace.
    """
    if is_locked(plan.state_dir):
        raise UsageError(
            f"a daemon runs on {plan.state_dir}: leave --trace out to let it take the next traces, or drop these files "
            f'with the fact "specimen: {specimen.name}" into the gauge\'s folder'
        )
    traces = [_identified(path, spacing_um) for path in files]
    if len({trace.identity for trace in traces}) < len(traces):
        raise UsageError("two of the trace files are the same; each traverse gives its own")
    order = Order(name=CHECK, request_id=new_request_id(), specimen=specimen.name, traces=len(traces))
    with _reference(plan) as reference:
        for path, trace in zip(files, traces, strict=True):
            if reference.took(trace):
                raise UsageError(f"{shown_path(path)}: was part of a check before; traverse the specimen again")
        reference.take_order(Asked(order=order, way="machine"))
        _require_accepted(_command(plan, order))
        for trace in traces:
            reference.take(specimen.name, trace)
    row = read_checks(plan.state_dir, lambda connection: check_of_request(connection, order.request_id))
    if row is None:
        raise UsageError(f"the check was abandoned: {_command(plan, order).ended.partition(': ')[2]}")
    return row


def _identified(path: Path, spacing_um: float | None) -> Trace:
    """The trace, with the file's content as its identity and its time as that of the traverse."""
    trace = read_trace(path, spacing_um=spacing_um)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return replace(trace, identity=f"specimen file {digest}", captured_at=path.stat().st_mtime)


@contextmanager
def _reference(plan: StationPlan) -> Iterator[Reference]:
    """The station's reference checks without the station: nobody sees a light, nobody hears of a condition."""
    quiet_logs()
    lock = StateLock(plan.state_dir)
    lock.acquire()
    clock = SystemClock()
    conditions = Conditions(clock)
    keeper = Keeper(plan, clock, conditions)
    try:
        keeper.open()
        outside = Outside(
            clock=clock, synchronized=clock.synchronized, conditions=conditions, light=lambda _change: None,
            count=lambda _name: None, announced=lambda: None,
        )  # fmt: skip
        reference = Reference(plan, keeper.checks, outside)
        reference.load()
        yield reference
    finally:
        keeper.close()
        lock.release()


def _answered(plan: StationPlan, order: Order, request: Path) -> CommandRow:
    """The daemon's answer, from the store."""
    deadline = time.monotonic() + _DAEMON_ANSWERS_S
    while time.monotonic() < deadline:
        command = read_checks(plan.state_dir, lambda connection: command_of(connection, order.request_id))
        if command is not None:
            return command
        time.sleep(_LOOK_EVERY_S)
    request.unlink(missing_ok=True)
    raise UsageError(f"the daemon did not answer within {_DAEMON_ANSWERS_S:g} s; see its log and `crosslay status`")


def _command(plan: StationPlan, order: Order) -> CommandRow:
    command = read_checks(plan.state_dir, lambda connection: command_of(connection, order.request_id))
    assert command is not None
    return command


def _require_accepted(command: CommandRow) -> None:
    if not command.accepted:
        raise UsageError(command.answer)


def _progress(request_id: str, connection: sqlite3.Connection) -> tuple[int, CheckRow | None, CommandRow | None]:
    return (
        requested_readings(connection, request_id),
        check_of_request(connection, request_id),
        command_of(connection, request_id),
    )


def _watch(plan: StationPlan, order: Order, answer: str, *, quiet: bool) -> CheckRow:
    """Wait for the check, and say how far it is."""
    shows = not quiet and sys.stderr is not None and sys.stderr.isatty()
    if shows:
        say(f"{answer}; put it under the stylus and traverse it (Ctrl+C cancels). Keep hands off the stylus.")
    seen = 0
    while True:
        number, row, command = read_checks(plan.state_dir, partial(_progress, order.request_id)) or (seen, None, None)
        if shows and number > seen:
            say(f"{number} trace{'s' if number > 1 else ''} of {order.specimen} taken")
        seen = number
        if row is not None:
            return row
        if command is not None and command.ended:
            raise UsageError(f"the check was {command.ended}")
        if not is_locked(plan.state_dir):
            raise UsageError("the daemon has stopped; when it is started again, it goes on with this check")
        time.sleep(_LOOK_EVERY_S)
