"""Commands that come over the bus: off unless the station file lists them, read strictly, answered.

Whoever the broker lets write ``v1/command/reference-check`` can make the station take the next traces for those of a
specimen, and nothing else. What comes too often, is malformed or names no known command is counted and has no effect.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from pydantic import ValidationError

from crosslay.bus.inbound import Allowance
from crosslay.bus.link import Outbound, Requested
from crosslay.bus.messages import ReferenceCheckAnswer, ReferenceCheckCommand
from crosslay.bus.session import Session
from crosslay.bus.topics import REFERENCE_CHECK, REFERENCE_CHECK_RESPONSE, Topics

#: Answers that wait for a connection; older ones are dropped, since state and conditions tell the present.
_WAITING = 32
_MAX_TOPIC_BYTES = 256
_MAX_CORRELATION_BYTES = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyTo:
    """Where an answer goes: the topic, and the requester's Correlation Data, empty for none."""

    topic: str
    correlation: bytes = b""


class CommandDesk:
    """Belongs to the pump thread, but for `answer`.

    Parameters
    ----------
    topics
        Of the station.
    allowed
        ``[bus] commands`` of the station file.
    submit
        Hands a valid command to the station, with whom to answer; any number of answers may follow.
    count
        Adds one to a counter.

    Attributes
    ----------
    wake
        Wakes the pump thread.
    """

    def __init__(
        self,
        topics: Topics,
        allowed: tuple[str, ...],
        submit: Callable[[ReferenceCheckCommand, Callable[[ReferenceCheckAnswer], None]], None],
        count: Callable[[str], None],
    ) -> None:
        self._topics = topics
        self.heard = tuple(topics[leaf] for name, leaf in _LEAVES.items() if name in allowed)
        """Topics to subscribe to."""
        self._submit = submit
        self._count = count
        self._allowance = Allowance(burst=20.0, per_s=1.0)
        self._answers: deque[tuple[ReplyTo, ReferenceCheckAnswer]] = deque(maxlen=_WAITING)
        self._lock = threading.Lock()
        self.wake: Callable[[], None] = lambda: None

    def take(self, requested: Requested, now: float) -> None:
        """Read a message on one of the topics heard; `now` in monotonic seconds."""
        if self._allowance.used_up(now):
            self._count("commandsDropped")
            return
        self._allowance.take(now)
        if requested.payload is None or requested.retained:
            # One that the broker kept would come again with every connection.
            self._count("commandsTooLarge" if requested.payload is None else "commandsRetained")
            return
        try:
            command = ReferenceCheckCommand.model_validate_json(requested.payload)
        except ValidationError:
            self._count("commandsMalformed")
            return
        reply_to = self._reply_to(requested)
        self._submit(command, lambda answer: self._put(reply_to, answer))

    def answer(self, answer: ReferenceCheckAnswer) -> None:
        """Answer somebody whose Response Topic is not known any more; any thread."""
        self._put(ReplyTo(topic=self._topics[REFERENCE_CHECK_RESPONSE]), answer)

    def send(self, session: Session) -> None:
        """Publish the answers that wait."""
        while True:
            with self._lock:
                if not self._answers:
                    return
                reply_to, answer = self._answers.popleft()
            session.send(
                Outbound(topic=reply_to.topic, payload=answer.to_bytes(), correlation=reply_to.correlation)
            )

    def is_foreign(self, topic: str) -> bool:
        """Whether a topic is one that a requester named: what the broker refuses there is the requester's trouble."""
        return bool(topic) and not topic.startswith(f"{self._topics.prefix}/v1/")

    def _put(self, reply_to: ReplyTo, answer: ReferenceCheckAnswer) -> None:
        with self._lock:
            self._answers.append((reply_to, answer))
        self.wake()

    def _reply_to(self, requested: Requested) -> ReplyTo:
        """The Response Topic where it is one, and none of the station's own; else the command's own response topic."""
        correlation = requested.correlation if len(requested.correlation) <= _MAX_CORRELATION_BYTES else b""
        own = self._topics[REFERENCE_CHECK_RESPONSE]
        topic = requested.response_topic
        usable = 0 < len(topic.encode()) <= _MAX_TOPIC_BYTES and not set("+#\0") & set(topic) and topic[0] != "$"
        if not usable or (topic.startswith(f"{self._topics.prefix}/v1/") and not topic.startswith(own)):
            topic = own
        return ReplyTo(topic=topic, correlation=correlation)


_LEAVES = {"reference-check": REFERENCE_CHECK}
