"""What belongs to one connection and dies with it."""

from __future__ import annotations

from collections import deque

from crosslay.bus.link import Link, Outbound
from crosslay.bus.messages import Wire

_STATE_PAUSE_S = 0.1
#: After this long a retained message that the broker refused is offered again: its access rules may be right by then.
AGAIN_S = 30.0


class Session:
    """One connection: which message ids stand for what, what was last said on it, and what waits for room.

    Results never wait here; they stay in the store until there is room for them.
    """

    __slots__ = ("again_at", "answered", "conditions", "conditions_version", "link", "number", "oversized", "results",
                 "retained", "state_at", "topics", "waiting")  # fmt: skip

    def __init__(self, *, link: Link, number: int) -> None:
        self.link = link
        self.number = number
        self.results: dict[int, int] = {}
        self.topics: dict[int, str] = {}
        self.conditions: dict[str, Wire] = {}
        self.conditions_version = -1
        self.state_at = float("-inf")
        self.waiting: deque[Outbound] = deque()
        self.oversized: deque[str] = deque()
        """Topics of messages that were not sent because the broker takes none of their size."""
        self.answered = False
        """Whether the broker has answered any message."""
        self.retained: dict[str, Outbound] = {}
        """The newest retained message of each topic."""
        self.again_at: dict[str, float] = {}

    def state_due(self, every_s: float, *, dirty: bool) -> float:
        """Monotonic time at which the state is to be published next."""
        return self.state_at + (_STATE_PAUSE_S if dirty else every_s)

    def send(self, message: Outbound) -> None:
        """Publish as soon as the broker's Receive Maximum allows; a newer retained message replaces one that waits."""
        if message.retain:
            self.retained[message.topic] = message
            self.waiting = deque(item for item in self.waiting if item.topic != message.topic)
        self.waiting.append(message)
        self.flush()

    def refused(self, topic: str, now: float) -> None:
        """The broker refused a message; where it was a retained one, the newest of its topic is offered again later."""
        if topic in self.retained:
            self.again_at[topic] = now + AGAIN_S

    def say_again(self, now: float) -> None:
        """Offer the refused retained messages that are due."""
        for topic in [topic for topic, at in self.again_at.items() if at <= now]:
            del self.again_at[topic]
            self.send(self.retained[topic])

    def flush(self) -> None:
        """Publish what waits, as far as there is room."""
        while self.waiting and self.link.free() > 0:
            message = self.waiting.popleft()
            if self.link.fits(message):
                self._publish(message)
            else:
                self.oversized.append(message.topic)

    def send_result(self, sequence: int, message: Outbound) -> None:
        """Publish a result; the caller has seen that there is room and that it fits."""
        self.results[self._publish(message)] = sequence

    def oldest_unanswered_result(self) -> int | None:
        """The sequence in the oldest message without an answer, where that is a result."""
        mid = self.link.oldest_unanswered()
        return None if mid is None else self.results.get(mid)

    def _publish(self, message: Outbound) -> int:
        mid = self.link.publish(message)
        self.topics[mid] = message.topic
        return mid
