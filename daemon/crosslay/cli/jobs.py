"""The same work on many items in several processes: results in the items' order, bounded memory, nothing left.

Every process has a pipe of its own and one item in hand at a time. So what a process had in hand when it ended is
known, its pipe says at once that it ended, and there is no lock, queue or thread that a killed process could leave
half-used.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Generic, TypeVar

from crosslay.errors import UsageError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

#: Items handed out and not yet given back, per process: enough that none waits, few enough that memory stays bounded.
_AHEAD = 4
#: Starting a process costs about as much as evaluating this many traces of usual length.
_WORTH_A_PROCESS = 50

Item = TypeVar("Item")
Result = TypeVar("Result")


def usual_jobs(items: int) -> int:
    """Processes for a number of items when nobody says: all cores for many, one for few."""
    cores = len(os.sched_getaffinity(0))
    return max(1, min(cores, items // _WORTH_A_PROCESS))


def in_order(
    work: Callable[[Item], Result], items: Sequence[Item], *, jobs: int
) -> Generator[Result | None, None, None]:
    """Results in the order of the items; None where the process that worked on the item died.

    Close the iterator where it is left early, so that its processes end at once.

    Parameters
    ----------
    work
        What to do with an item; without effects, because a process may be killed at any moment. With more than one
        job it, the items and the results must be picklable.
    items
        What to work on.
    jobs
        Number of processes; 1 works in this one.

    Raises
    ------
    UsageError
        A process cannot be started.
    """
    if jobs == 1:
        yield from map(work, items)
        return
    crew = _Crew[Item, Result](work, jobs)
    results: dict[int, Result | None] = {}
    given = 0
    try:
        for place in range(len(items)):
            while True:
                results.update(crew.collected(wait=place not in results))
                while crew.has_room and given < min(len(items), place + _AHEAD * jobs):
                    crew.give(given, items[given])
                    given += 1
                if place in results:
                    break
            yield results.pop(place)
    finally:
        crew.end()


class _Crew(Generic[Item, Result]):
    """Up to `size` processes, started when there is work for them; a new one takes the place of one that died."""

    def __init__(self, work: Callable[[Item], Result], size: int) -> None:
        self._work = work
        self._size = size
        self._processes: dict[Connection, BaseProcess] = {}
        self._idle: list[Connection] = []
        self._places: dict[Connection, int] = {}

    @property
    def has_room(self) -> bool:
        """Whether an item can be given now."""
        return len(self._places) < self._size

    def give(self, place: int, item: Item) -> None:
        """Hand an item to a process that has none."""
        connection = self._idle.pop() if self._idle else self._start()
        self._places[connection] = place
        # Where the process is gone, the pipe will say so when it is read.
        with suppress(OSError):
            connection.send(item)

    def collected(self, *, wait: bool) -> dict[int, Result | None]:
        """What has come back, by place; None of a process that died. Waits for something where that is asked for."""
        from multiprocessing import connection as pipes

        found: dict[int, Result | None] = {}
        timeout_s = None if wait and self._places else 0
        for ready in pipes.wait(list(self._processes), timeout_s):
            place = self._places.pop(ready, None)  # type: ignore[call-overload]  # only pipes were asked for
            result = self._received(ready)  # type: ignore[arg-type]
            if place is not None:
                found[place] = result
        return found

    def end(self) -> None:
        """End every process, whatever it does; it may be called again."""
        for process in self._processes.values():
            process.kill()
        for connection in list(self._processes):
            self._drop(connection)

    def _received(self, connection: Connection) -> Result | None:
        """The result that came, or None where the process has ended."""
        try:
            result: Result = connection.recv()
        except (EOFError, OSError):
            self._drop(connection)
            return None
        self._idle.append(connection)
        return result

    def _drop(self, connection: Connection) -> None:
        process = self._processes.pop(connection)
        if connection in self._idle:
            self._idle.remove(connection)
        connection.close()
        process.kill()
        process.join()
        process.close()

    def _start(self) -> Connection:
        import multiprocessing

        # Spawned and not forked: numpy may have threads.
        context = multiprocessing.get_context("spawn")
        try:
            with _interrupts_held():
                ours, theirs = context.Pipe()
                process = context.Process(target=_serve, args=(theirs, self._work), daemon=True)
                try:
                    process.start()
                finally:
                    theirs.close()  # so that its end is the end of the pipe
                self._processes[ours] = process
        except OSError as error:
            raise UsageError(
                f"process {len(self._processes) + 1} of {self._size} cannot be started: {error.strerror or error}; "
                "give a smaller number as --jobs"
            ) from error
        return ours


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Let SIGINT wait. A process started meanwhile inherits that: of all of them only this one answers to Ctrl-C."""
    from multiprocessing import resource_tracker

    # Started first, because starting it takes SIGINT out of the mask.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(connection: Connection, work: Callable[[Item], Result]) -> None:
    """Work on what comes through the pipe until it closes."""
    _end_with_parent()
    while True:
        try:
            item = connection.recv()
        except (EOFError, OSError):
            return
        result = work(item)
        try:
            connection.send(result)
        except OSError:
            return


def _end_with_parent() -> None:
    """Let this process end when the one that started it does, however that ends."""
    import multiprocessing
    import threading

    parent = multiprocessing.parent_process()
    assert parent is not None

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
