"""Which result goes out next: the sliding window of the delivery contract, without I/O.

One queue in sequence order. A result is *outstanding* from its sending until it is settled in the store; at most
`width` are outstanding (DC-31), so a restart repeats at most `width` (DC-32). The store's rows come in from outside
through `sendable` and the numbers they carry.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field


class Delivery(enum.Enum):
    """The user property ``delivery`` (DC-30)."""

    ORIGINAL = "original"
    RETRANSMISSION = "retransmission"
    REPLAY = "replay"


@dataclass(slots=True)
class Window:
    """Send position, outstanding rows and the resend timer of one daemon run.

    Attributes
    ----------
    width
        W.
    resend_after_s, resend_limit_s
        First and longest interval without progress after which the window is sent again (DC-34).
    perhaps_sent_through
        Highest number that an earlier run, or this one, may have sent: a sending up to it is a repeat.
    """

    width: int
    resend_after_s: float
    perhaps_sent_through: int
    resend_limit_s: float = 30.0
    position: int = 0
    outstanding: dict[int, None] = field(default_factory=dict)
    _interval_s: float = 0.0
    _deadline: float | None = None

    def __post_init__(self) -> None:
        self._interval_s = self.resend_after_s

    def room(self) -> int:
        """How many more may be sent now."""
        return max(0, self.width - len(self.outstanding))

    def delivery(self, sequence: int) -> Delivery:
        """How the next sending of a result is marked."""
        return Delivery.RETRANSMISSION if sequence <= self.perhaps_sent_through else Delivery.ORIGINAL

    def sent(self, sequence: int, now: float) -> Delivery:
        """Record a sending; returns how it is marked."""
        delivery = self.delivery(sequence)
        self.outstanding[sequence] = None
        self.position = max(self.position, sequence)
        self.perhaps_sent_through = max(self.perhaps_sent_through, sequence)
        if self._deadline is None:
            self._deadline = now + self._interval_s
        return delivery

    def hold(self, sequence: int) -> None:
        """Count a row as outstanding without sending it: it is acknowledged, but not yet settled in the store."""
        self.outstanding[sequence] = None
        self.position = max(self.position, sequence)

    def settled(self, sequences: list[int], now: float) -> None:
        """Rows that the store has settled leave the window; that is progress."""
        before = len(self.outstanding)
        for sequence in sequences:
            self.outstanding.pop(sequence, None)
        if len(self.outstanding) != before:
            self.heard(now)

    def heard(self, now: float) -> None:
        """A valid acknowledgement arrived, whatever it said: the resend timer starts afresh (DC-34)."""
        self._interval_s = self.resend_after_s
        self._deadline = now + self._interval_s if self.outstanding else None

    def reconnected(self) -> None:
        """A new connection: everything unsettled is sent again from the lowest (DC-32)."""
        self._rewind()
        self._interval_s = self.resend_after_s

    def overdue(self, now: float) -> bool:
        """Whether the resend timer has run out; if so the window is rewound and the interval doubled."""
        if self._deadline is None or now < self._deadline or not self.outstanding:
            return False
        self._rewind()
        self._interval_s = min(self.resend_limit_s, self._interval_s * 2)
        return True

    def due_in(self, now: float) -> float | None:
        """Seconds until the resend timer runs out; None where nothing is outstanding."""
        return None if self._deadline is None else max(0.0, self._deadline - now)

    def _rewind(self) -> None:
        self.outstanding.clear()
        self._deadline = None
        self.position = 0
