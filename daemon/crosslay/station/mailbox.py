"""What reaches the recorder: traces, one at a time, and acknowledgements, added up so that they never pile."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from crosslay.record.levels import Settled
from crosslay.station.orders import Asked
from crosslay.texture.trace import Trace


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrival:
    """A trace on its way: the light's ticket for its part, and when it arrived (monotonic seconds).

    `delivered` is the trace as the gauge gave it, where `trace` carries a correction.
    """

    trace: Trace
    ticket: int
    arrived_at: float
    delivered: Trace | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """Something else that only the recorder may do with the store.

    Attributes
    ----------
    renew_because
        Not empty: make the database anew, for this reason.
    damaged_because
        Not empty: somebody met damage when reading; make the database anew if it is there.
    requeue
        Number of a quarantined result to be committed again.
    asked
        What somebody asks of the reference checks.
    """

    renew_because: str = ""
    damaged_because: str = ""
    requeue: int = 0
    asked: Asked | None = None


_MOST_ERRANDS = 1000
#: Acknowledgements wait this long for a result's commit to go with: one sync for both.
ACK_DELAY_S = 0.2


class Mailbox:
    """A bounded queue of arrivals beside one growing-nowhere sum of acknowledgements.

    Parameters
    ----------
    window
        Results that may be under way. As soon as half of it is newly acknowledged, that is committed by itself; fewer
        wait `ACK_DELAY_S` for a result to go with. While a backlog drains, nothing can be sent until acknowledgements
        are committed, so that a quarter is enough; what comes during one commit gathers for the next.
    capacity
        Traces that may wait.
    """

    def __init__(self, window: int = 1, capacity: int = 1) -> None:
        self._changed = threading.Condition()
        self._window = window
        self._backlog = False
        self._capacity = capacity
        self._arrivals: deque[Arrival] = deque()
        self._through = 0
        self._taken_through = 0
        self._sequences: set[int] = set()
        self._quarantined: dict[int, str] = {}
        self._anchored_through = 0
        self._settled_since: float | None = None
        self._errands: deque[Errand] = deque(maxlen=_MOST_ERRANDS)
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

    def settle(self, settled: Settled, pending: int = 0) -> None:
        """Add acknowledgements to those not yet committed; `pending` results are not acknowledged in the store."""
        with self._changed:
            self._backlog = pending > self._window
            self._through = max(self._through, settled.through)
            self._sequences |= settled.sequences
            self._quarantined.update(settled.quarantined)
            self._anchored_through = max(self._anchored_through, settled.anchored_through)
            first = self._settled_since is None
            if first:
                self._settled_since = time.monotonic()
            if first or self._due():  # else the recorder waits on, for the time that it knows of
                self._changed.notify_all()

    def take_arrival(self, longest_s: float) -> Arrival | None:
        """The next trace; None where something else is to be done first, or nothing came within `longest_s`."""
        with self._changed:
            deadline = time.monotonic() + longest_s
            while not (self._closed or self._arrivals or self._errands or self._due()):
                now = time.monotonic()
                until = deadline if self._settled_since is None else min(deadline, self._settled_since + ACK_DELAY_S)
                if now >= deadline:
                    return None
                self._changed.wait(max(0.0, until - now))
            if not self._arrivals:
                return None
            arrival = self._arrivals.popleft()
            self._changed.notify_all()
            return arrival

    def settled_due(self) -> bool:
        """Whether acknowledgements are to be committed now, by themselves."""
        with self._changed:
            return self._due()

    @property
    def settled_waiting(self) -> bool:
        """Whether any acknowledgement is not yet committed."""
        return self._settled_since is not None

    def take_settled(self) -> Settled:
        """All acknowledgements not yet committed; the caller gives them back with `settle` where the commit fails."""
        with self._changed:
            settled = Settled(
                through=self._through,
                sequences=frozenset(self._sequences),
                quarantined=dict(self._quarantined),
                anchored_through=self._anchored_through,
            )
            self._taken_through = max(self._taken_through, self._through)
            self._through, self._sequences, self._quarantined = 0, set(), {}
            self._anchored_through, self._settled_since = 0, None
            return settled

    def forget_settled(self) -> None:
        """Drop acknowledgements of a database that is no more."""
        with self._changed:
            self._through = self._taken_through = self._anchored_through = 0
            self._sequences, self._quarantined, self._settled_since = set(), {}, None

    def _due(self) -> bool:
        if self._settled_since is None:
            return False
        new = max(0, self._through - self._taken_through) + len(self._sequences) + len(self._quarantined)
        batch = max(1, self._window // (4 if self._backlog else 2))
        return new >= batch or time.monotonic() - self._settled_since >= ACK_DELAY_S

    def ask(self, errand: Errand) -> None:
        """Leave an errand; the recorder wakes."""
        with self._changed:
            if errand not in self._errands:
                self._errands.append(errand)
            self._changed.notify_all()

    def take_errands(self) -> list[Errand]:
        """All errands, oldest first."""
        with self._changed:
            errands = list(self._errands)
            self._errands.clear()
            return errands

    def close(self) -> None:
        """Refuse further traces; what is in stays to be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
