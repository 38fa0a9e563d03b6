"""What reaches the recorder: traces, one at a time, and acknowledgements, added up so that they never pile."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from crosslay.record.levels import Settled
from crosslay.texture.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrival:
    """A trace on its way: the light's ticket for its part, and when it arrived (monotonic seconds)."""

    trace: Trace
    ticket: int
    arrived_at: float


class Mailbox:
    """A bounded queue of arrivals beside one growing-nowhere sum of acknowledgements."""

    def __init__(self, capacity: int = 1) -> None:
        self._changed = threading.Condition()
        self._capacity = capacity
        self._arrivals: deque[Arrival] = deque()
        self._through = 0
        self._sequences: set[int] = set()
        self._quarantined: dict[int, str] = {}
        self._settled_since: float | None = None
        self._closed = False

    def put(self, arrival: Arrival, timeout_s: float) -> bool:
        """Hand over a trace; False where the recorder is still busy after `timeout_s`, or the mailbox is closed."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._closed or len(self._arrivals) < self._capacity, timeout_s):
                return False
            if self._closed:
                return False
            self._arrivals.append(arrival)
            self._changed.notify_all()
            return True

    def settle(self, settled: Settled) -> None:
        """Add acknowledgements to those not yet committed."""
        with self._changed:
            self._through = max(self._through, settled.through)
            self._sequences |= settled.sequences
            self._quarantined.update(settled.quarantined)
            if self._settled_since is None:
                self._settled_since = time.monotonic()
            self._changed.notify_all()

    def take_arrival(self, timeout_s: float) -> Arrival | None:
        """The next trace, or None where acknowledgements or nothing came within `timeout_s`."""
        with self._changed:
            pending = self._settled_since is not None
            self._changed.wait_for(
                lambda: self._closed or bool(self._arrivals) or (not pending and self._settled_since is not None),
                timeout_s,
            )
            if not self._arrivals:
                return None
            arrival = self._arrivals.popleft()
            self._changed.notify_all()
            return arrival

    def pending(self) -> tuple[int, float]:
        """How many single acknowledgements wait (a cumulative one counts as one), and for how long, in s."""
        with self._changed:
            number = len(self._sequences) + len(self._quarantined) + (1 if self._through else 0)
            return number, 0.0 if self._settled_since is None else time.monotonic() - self._settled_since

    def take_settled(self) -> Settled:
        """All acknowledgements not yet committed; the caller gives them back with `settle` where the commit fails."""
        with self._changed:
            settled = Settled(
                through=self._through, sequences=frozenset(self._sequences), quarantined=dict(self._quarantined)
            )
            self._through, self._sequences, self._quarantined, self._settled_since = 0, set(), {}, None
            return settled

    def close(self) -> None:
        """Refuse further traces; what is in stays to be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
