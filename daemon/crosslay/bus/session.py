"""What belongs to one connection and dies with it."""

from __future__ import annotations

from crosslay.bus.link import Link, Outbound
from crosslay.bus.messages import Wire

_STATE_PAUSE_S = 0.1


class Session:
    """One connection: which message ids stand for what, and what was last said on it."""

    __slots__ = ("conditions", "conditions_version", "link", "number", "results", "state_at", "topics")

    def __init__(self, *, link: Link, number: int) -> None:
        self.link = link
        self.number = number
        self.results: dict[int, int] = {}
        self.topics: dict[int, str] = {}
        self.conditions: dict[str, Wire] = {}
        self.conditions_version = -1
        self.state_at = float("-inf")

    def state_due(self, every_s: float, *, dirty: bool) -> float:
        """Monotonic time at which the state is to be published next."""
        return self.state_at + (_STATE_PAUSE_S if dirty else every_s)

    def send(self, message: Outbound) -> int:
        """Publish, and remember the topic that the acknowledgement will be for; returns the message id."""
        mid = self.link.publish(message)
        self.topics[mid] = message.topic
        return mid
