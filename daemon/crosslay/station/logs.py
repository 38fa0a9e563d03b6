"""structlog: JSON lines to standard error under systemd or in a pipe, readable lines on a terminal."""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping
from typing import Any, TextIO

import structlog

_LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}


def configure_logs(level: str, environ: Mapping[str, str], *, station: str) -> None:
    """Set the process's logging up, once.

    Parameters
    ----------
    level
        ``debug``, ``info``, ``warning`` or ``error``.
    environ
        The environment; ``JOURNAL_STREAM`` or ``INVOCATION_ID`` tell systemd.
    station
        Name that every line carries.
    """
    readable = sys.stderr.isatty() and "JOURNAL_STREAM" not in environ and "INVOCATION_ID" not in environ
    renderer: Any = (
        structlog.dev.ConsoleRenderer(colors=True, exception_formatter=structlog.dev.plain_traceback)
        if readable
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    # Tracebacks without the values of local variables, which are structlog's default: one of them may be a password.
    shaped = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    shape: list[Any] = [] if readable else [structlog.processors.ExceptionRenderer(shaped)]
    structlog.configure(
        processors=[
            _station_adder(station),
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            *shape,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        logger_factory=_LineLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )


def quiet_logs() -> None:
    """For a command that does for a moment what a daemon does: only errors, on standard error."""
    structlog.configure(
        processors=[structlog.processors.add_log_level, structlog.processors.JSONRenderer(ensure_ascii=False)],
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR),
        logger_factory=_LineLoggerFactory(sys.stderr),
    )


def _station_adder(station: str) -> Any:
    def add(_logger: Any, _method: str, event: dict[str, Any]) -> dict[str, Any]:
        event["station"] = station
        return event

    return add


class _LineLogger:
    """Writes whole lines; a closed or full standard error never stops the station."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def msg(self, message: str) -> None:
        try:
            self._stream.write(message + "\n")
            self._stream.flush()
        except (OSError, ValueError):
            return

    log = debug = info = warn = warning = error = critical = fatal = failure = exception = msg


class _LineLoggerFactory:
    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __call__(self, *_args: Any) -> _LineLogger:
        return _LineLogger(self._stream)
