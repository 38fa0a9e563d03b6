"""Threads that cannot die unnoticed, and the one place that catches everything."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import structlog

_T = TypeVar("_T")
_RESTART_FIRST_S = 0.5
_RESTART_LIMIT_S = 30.0
#: EX_SOFTWARE of sysexits.h: systemd restarts the service.
EXIT_HUNG = 70

_log = structlog.get_logger("crosslay.supervisor")


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """An exception nobody expected, as text for the log and the result."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Success(Generic[_T]):
    """What an attempt returned."""

    value: _T


def attempt(action: Callable[[], _T]) -> Success[_T] | Failure:
    """Run something that may hold an unknown defect; what it raises becomes a `Failure`, logged with its traceback."""
    try:
        return Success(value=action())
    except Exception as error:  # noqa: BLE001 - the one place that catches everything
        _log.exception("unexpected-error", error=repr(error))
        return Failure(text=f"{type(error).__name__}: {error}")


def rest(stop: threading.Event, pause_s: float, beat: Callable[[], None]) -> None:
    """Wait, at most until `stop` is set, and go on showing progress meanwhile."""
    until = time.monotonic() + pause_s
    while not stop.is_set() and time.monotonic() < until:
        beat()
        stop.wait(min(0.2, pause_s))


class Worker:
    """One named thread that runs `body` until it returns after `stop`; a body that raises is started again.

    Parameters
    ----------
    name
        Name of the thread.
    body
        Called with the stop event; calls `beat` at least every `limit_s` seconds.
    limit_s
        Time without a beat after which the thread counts as hung.
    on_failure
        Told the text of each unexpected exception.
    """

    def __init__(
        self,
        name: str,
        body: Callable[[threading.Event], None],
        *,
        limit_s: float,
        on_failure: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self.name = name
        self._body = body
        self._limit_s = limit_s
        self._on_failure = on_failure
        self._stop = threading.Event()
        self._beat_at = time.monotonic()
        self._thread = threading.Thread(target=self._main, name=f"crosslay-{name}", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self.beat()
        self._thread.start()

    def beat(self) -> None:
        """Called by the body: progress."""
        self._beat_at = time.monotonic()

    def stop(self) -> None:
        """Ask the body to return."""
        self._stop.set()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; whether it came."""
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def hung(self) -> bool:
        """Whether the thread made no progress for longer than it may, or is gone without being asked."""
        if self._stop.is_set():
            return False
        return time.monotonic() - self._beat_at > self._limit_s or not self._thread.is_alive()

    def _main(self) -> None:
        pause_s = _RESTART_FIRST_S
        while not self._stop.is_set():
            started = time.monotonic()
            outcome = attempt(lambda: self._body(self._stop))
            if isinstance(outcome, Success):
                if self._stop.is_set():
                    return
                outcome = Failure(text="the thread's work ended by itself")
            self._on_failure(outcome.text)
            if time.monotonic() - started > _RESTART_LIMIT_S:
                pause_s = _RESTART_FIRST_S
            rest(self._stop, pause_s, self.beat)
            pause_s = min(_RESTART_LIMIT_S, pause_s * 2)


class Guard:
    """Ends the process where the main thread hangs, for instance in an indicator that never returns.

    The main thread watches the others; this watches it, where no service manager does or before that one acts.
    """

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._beat_at = time.monotonic()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="crosslay-guard", daemon=True)

    def start(self) -> None:
        """Start watching."""
        self.beat()
        self._thread.start()

    def beat(self) -> None:
        """Called by the main thread: progress."""
        self._beat_at = time.monotonic()

    def stop(self) -> None:
        """Watch no longer."""
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(self._limit_s / 10):
            if time.monotonic() - self._beat_at > self._limit_s:
                # Not by the logger, which may be what hangs.
                os.write(2, f"crosslay: the main thread hangs; exit code {EXIT_HUNG}\n".encode())
                os._exit(EXIT_HUNG)


def exit_if_hung(workers: list[Worker]) -> None:
    """End the process at once where a thread hangs: systemd starts it again, and the light's rest state is REJECT."""
    hung = [worker.name for worker in workers if worker.hung]
    if hung:
        _log.critical("thread-hung", threads=hung, exit_code=EXIT_HUNG)
        os._exit(EXIT_HUNG)
