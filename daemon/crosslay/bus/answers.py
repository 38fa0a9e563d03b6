"""What the broker's answers say of our messages: taken, refused, or answered by the end of the connection."""

from __future__ import annotations

import time
from collections.abc import Callable

from crosslay.bus import conditions as kinds
from crosslay.bus.host import Host
from crosslay.bus.refusals import CONTENT_REFUSALS, TRIES, Refusals
from crosslay.bus.session import Session
from crosslay.record.levels import Settled

_NO_MATCHING_SUBSCRIBERS = 0x10
_FAILURE = 0x80
_PACKET_TOO_LARGE = 0x95
#: Reason codes of a DISCONNECT that may stand for a message that the broker will not have (MQTT 5.0, table 3-5): none
#: given, unspecified, malformed packet, protocol error, implementation specific. Others name another cause.
_MAY_MEAN_CONTENT = frozenset({0, 0x80, 0x81, 0x82, 0x83})


class Answers:
    """Belongs to the pump thread.

    Parameters
    ----------
    host
        The station.
    is_foreign
        Whether a topic is one that somebody else named, so that a refusal there says nothing of this station.
    """

    def __init__(self, host: Host, is_foreign: Callable[[str], bool] = lambda _topic: False) -> None:
        self._host = host
        self._is_foreign = is_foreign
        self._refusals = Refusals()
        self._topics: dict[str, int] = {}
        self._unsaid = False
        self._careful_through = 0
        self._suspect = self._endings = 0

    def greet(self) -> None:
        """A new connection: a broker that was set right is believed; one that was not says so again."""
        self._refusals.reconnected()
        self._unsaid = True
        self._topics.clear()

    def clear(self) -> None:
        """Another database."""
        self._refusals.clear()
        self._careful_through = self._suspect = self._endings = 0

    def forget(self, sequences: list[int]) -> None:
        """These are settled."""
        self._refusals.forget(sequences)
        for sequence in sequences:
            self._passed(sequence)

    def refuses(self, topic: str) -> bool:
        """Whether the broker refused the last message on a topic."""
        return topic in self._topics

    def due(self, now: float) -> list[int]:
        """Results that were refused for their content and have their next try."""
        return self._refusals.due(now)

    def due_in(self, now: float) -> float | None:
        """Seconds until one has; None where none waits."""
        return self._refusals.due_in(now)

    def postpone(self, sequence: int, now: float) -> None:
        """One that was due could not be sent."""
        self._refusals.postpone(sequence, now)

    def room(self, session: Session, room: int) -> int:
        """How many results may be sent now, where otherwise `room` might.

        None before the broker has answered what is said first on every connection: then it is the result, and not the
        network, that ends it. While one is under suspicion of that, each is sent alone.
        """
        if not session.answered and session.link.oldest_unanswered() is not None:
            return 0
        if not self._careful_through:
            return room
        return 0 if session.results else min(room, 1)

    def puback(self, session: Session, mid: int, reason: int) -> int | None:
        """Take one acknowledgement; returns the sequence of a result that the broker took."""
        topic = session.topics.pop(mid, "")
        sequence = session.results.pop(mid, None)
        session.answered = True
        if sequence is not None:
            self._passed(sequence)
        if reason >= _FAILURE and self._is_foreign(topic):
            self._host.count("answersRefused")
        elif reason >= _FAILURE:
            self._refused(topic, reason)
            session.refused(topic, time.monotonic())
        elif self._topics.pop(topic, None) is not None or self._unsaid:
            self._report()
        return None if sequence is None else self._judge(sequence, reason)

    def too_large(self, session: Session) -> None:
        """What the broker's Maximum Packet Size keeps from being sent is as good as refused."""
        while session.oversized:
            self._refused(session.oversized.popleft(), _PACKET_TOO_LARGE)

    def result_too_large(self, sequence: int) -> None:
        """The same for a result: it counts as a try."""
        self._refused_content(sequence, _PACKET_TOO_LARGE)

    def lost(self, session: Session) -> None:
        """A broker may answer content that it refuses by ending the connection: then the oldest unanswered is meant.

        MQTT 5 says so by a reason code. MQTT 3.1.1 has none: there a result counts as refused when it, sent alone to a
        broker that had just answered, was followed by the end of the connection as often as others are refused.
        """
        reason = session.link.refused_with
        if reason in CONTENT_REFUSALS:
            sequence = session.oldest_unanswered_result()
            if sequence is not None:
                self._refused_content(sequence, reason)
            return
        under_way = list(session.results.values())
        if under_way and session.answered and session.link.ended_by_broker and reason in _MAY_MEAN_CONTENT:
            if self._careful_through:
                self._ended_over(under_way[0])  # the only one
            self._careful_through = max(self._careful_through, *under_way)

    def _ended_over(self, sequence: int) -> None:
        """The connection ended with this result alone under way."""
        self._endings = self._endings + 1 if sequence == self._suspect else 1
        self._suspect = sequence
        if self._endings >= TRIES:
            text = f"the broker ended the connection {TRIES} times when it was sent alone"
            self._host.settle(Settled(quarantined={sequence: text}))

    def _passed(self, sequence: int) -> None:
        """The broker took this result, or it is settled: no suspicion against it, nor against those before it."""
        if sequence == self._suspect:
            self._suspect = self._endings = 0
        if sequence >= self._careful_through:
            self._careful_through = 0

    def _judge(self, sequence: int, reason: int) -> int | None:
        if reason == _NO_MATCHING_SUBSCRIBERS:
            self._host.conditions.raise_(kinds.NO_CONSUMER, "the broker has no subscriber for v1/result")
        elif reason in CONTENT_REFUSALS:
            self._refused_content(sequence, reason)
        elif reason < _FAILURE:
            self._host.conditions.clear(kinds.NO_CONSUMER)
            return sequence
        return None

    def _refused_content(self, sequence: int, reason: int) -> None:
        if self._refusals.refused(sequence, time.monotonic()):
            text = f"the broker refused it {TRIES} times (0x{reason:02X})"
            self._host.settle(Settled(quarantined={sequence: text}))

    def _refused(self, topic: str, reason: int) -> None:
        self._topics[topic] = reason
        self._host.count("publishRefused")
        self._report()

    def _report(self) -> None:
        self._unsaid = False
        if self._topics:
            listed = ", ".join(f"{topic} (0x{reason:02X})" for topic, reason in sorted(self._topics.items()))
            self._host.conditions.raise_(kinds.PUBLISH_REFUSED, f"the broker refuses to take {listed}")
        else:
            self._host.conditions.clear(kinds.PUBLISH_REFUSED)
