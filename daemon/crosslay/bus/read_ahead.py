"""The outbox in larger pieces than are sent at a time: while a backlog drains, most of a reading is its beginning."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

Row = tuple[int, bytes]

#: Rows, and bytes of their payloads, that are kept at most beside those asked for.
_ROWS = 200
_BYTES = 1 << 20


class ReadAhead:
    """Belongs to the pump thread.

    Parameters
    ----------
    read
        Undelivered results above a number, ascending, at most so many: `crosslay.record.reader.Reader.pending`.
    """

    def __init__(self, read: Callable[[int, int], list[Row]]) -> None:
        self._read = read
        self._rows: deque[Row] = deque()
        self._after = -1
        self._ask_for = 1

    def after(self, position: int, limit: int) -> list[Row]:
        """At most `limit` rows above `position`, ascending; raises what the reading raises.

        Kept rows serve only who goes on where the last call ended. How many are read grows while that goes on, so that
        a single live result costs no more than itself.
        """
        if position != self._after or not self._rows:
            self._ask_for = min(_ROWS, 4 * self._ask_for) if position == self._after else limit
            self._rows = deque(self._read(position, max(limit, self._ask_for)))
            self._shorten(limit)
        taken = [self._rows.popleft() for _ in range(min(limit, len(self._rows)))]
        self._after = taken[-1][0] if taken else -1
        return taken

    def forget(self) -> None:
        """The outbox changed in another way than by sending what it holds in order."""
        self._rows.clear()
        self._after = -1

    def _shorten(self, limit: int) -> None:
        """Keep no more than is worth it."""
        size = 0
        for number, (_sequence, payload) in enumerate(self._rows):
            size += len(payload)
            if size > _BYTES and number >= limit:
                self._rows = deque(list(self._rows)[:number])
                return
