"""How far long work is, on a terminal; nothing in a pipe, a file or a log."""

from __future__ import annotations

import sys

#: Work of fewer pieces is over before anybody reads how far it is.
_FROM = 6
_CLEAR_LINE = "\r\x1b[K"


class Progress:
    """One line on standard error, overwritten as the work goes on.

    Parameters
    ----------
    what
        The work and its pieces, e.g. ``evaluating trace``.
    total
        Number of pieces.
    """

    def __init__(self, what: str, total: int) -> None:
        self._what, self._total = what, total
        # Results that scroll by on the same terminal show it by themselves.
        self._shows = total >= _FROM and _is_terminal(sys.stderr) and not _is_terminal(sys.stdout)

    def show(self, place: int) -> None:
        """Say that the piece at `place`, counted from 0, is being worked on."""
        if self._shows:
            sys.stderr.write(f"{_CLEAR_LINE}{self._what} {place + 1} of {self._total}")
            sys.stderr.flush()

    def clear(self) -> None:
        """Take the line away, before anything else is printed and at the end."""
        if self._shows:
            sys.stderr.write(_CLEAR_LINE)
            sys.stderr.flush()


def _is_terminal(stream: object) -> bool:
    isatty = getattr(stream, "isatty", None)
    return isatty is not None and bool(isatty())
