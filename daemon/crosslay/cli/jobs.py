"""The same work on many items in several processes: results in the items' order, bounded memory, nothing left."""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

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
    """Results in the order of the items; None where the process that worked on the item died, twice.

    Close the iterator where it is left early, so that its processes end at once.

    Parameters
    ----------
    work
        What to do with an item. With more than one job it, the items and the results must be picklable.
    items
        What to work on.
    jobs
        Number of processes; 1 works in this one.
    """
    if jobs == 1:
        yield from map(work, items)
        return
    done = 0
    while done < len(items):
        for result in _until_one_dies(work, items[done:], jobs=jobs):
            done += 1
            yield result


def _until_one_dies(
    work: Callable[[Item], Result], items: Sequence[Item], *, jobs: int
) -> Iterator[Result | None]:
    """Results of all items, or of those that had been handed out when a process died."""
    from concurrent.futures.process import BrokenProcessPool

    flying: deque[tuple[Item, Future[Result]]] = deque()
    waiting = iter(items)
    with _pool(jobs) as pool:
        try:
            for item in waiting:
                flying.append((item, _submit(pool, work, item)))
                if len(flying) == _AHEAD * jobs:
                    yield flying[0][1].result()
                    flying.popleft()
            while flying:
                yield flying[0][1].result()
                flying.popleft()
        except BrokenProcessPool:
            pass  # one of those in flight ended its process; which one shows when each is alone
    for item, future in flying:
        if future.exception() is None:
            yield future.result()
        else:
            yield _alone(work, item)


def _alone(work: Callable[[Item], Result], item: Item) -> Result | None:
    from concurrent.futures.process import BrokenProcessPool

    with _pool(1) as pool:
        try:
            return _submit(pool, work, item).result()
        except BrokenProcessPool:
            return None


def _submit(pool: ProcessPoolExecutor, work: Callable[[Item], Result], item: Item) -> Future[Result]:
    """Hand out an item. It may start a process, which inherits that SIGINT waits: only this one answers to Ctrl-C."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return pool.submit(work, item)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _pool(jobs: int) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes that are gone when the block is left, at once where it is left by an exception."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import resource_tracker

    # Started first, because starting it takes SIGINT out of the mask. Spawned and not forked: numpy may have threads.
    resource_tracker.ensure_running()
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(max_workers=jobs, mp_context=context, initializer=_end_with_parent)
    try:
        yield pool
    except BaseException:
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


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
