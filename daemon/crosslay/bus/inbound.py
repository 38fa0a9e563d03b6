"""What comes in: read strictly, counted where it is nothing, and too much of that is dropped unread.

Only valid acknowledgements leave this module (DC-24). A flood of anything else costs a search of its bytes and a count:
once more is invalid than `Allowance` lets pass, only messages that name this database are still read, so that the
MES's word gets through all the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from pydantic import ValidationError

from crosslay.bus.host import Host
from crosslay.bus.messages import Acknowledgement
from crosslay.bus.topics import ACK, ANCHOR, Topics


@dataclass(slots=True)
class Allowance:
    """A token bucket: as many invalid messages are read at once, and as many more each second."""

    burst: float = 100.0
    per_s: float = 20.0
    _left: float = field(init=False)
    _at: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self._left = self.burst

    def take(self, now: float) -> None:
        """An invalid message was read; `now` in monotonic seconds."""
        self._left = max(0.0, self._refilled(now) - 1.0)
        self._at = now

    def used_up(self, now: float) -> bool:
        """Whether no more may be read for the time being."""
        return self._refilled(now) < 1.0

    def _refilled(self, now: float) -> float:
        return min(self.burst, self._left + (now - self._at) * self.per_s)


class Inbox:
    """Sorts inbound messages. Belongs to the pump thread."""

    def __init__(self, topics: Topics, host: Host) -> None:
        self._ack, self._anchor = topics[ACK], topics[ANCHOR]
        self._host = host
        self._allowance = Allowance()

    def read(self, topic: str, payload: bytes | None, *, sent_through: int, now: float) -> Acknowledgement | None:
        """The acknowledgement in a message, or None, and then it is counted why.

        Parameters
        ----------
        topic, payload
            As they came; payload None where it was too large to be kept.
        sent_through
            Highest number that may have been sent: an acknowledgement beyond it is of the future.
        now
            Monotonic seconds.
        """
        if topic == self._anchor:
            return None  # read at the connection's begin; what comes later is our own
        if payload is not None and self._allowance.used_up(now) and self._instance() not in payload:
            self._host.count("inboundDropped")
            return None
        message, refusal = self._sort(topic, payload, sent_through)
        if refusal:
            self._host.count(refusal)
            self._allowance.take(now)
        return message

    def _sort(self, topic: str, payload: bytes | None, sent_through: int) -> tuple[Acknowledgement | None, str]:
        """A valid acknowledgement, or the name of the counter that says what it is instead."""
        if topic != self._ack:
            return None, "inboundUnexpected"
        if payload is None:
            return None, "inboundTooLarge"
        try:
            message = Acknowledgement.model_validate_json(payload)
        except ValidationError:
            return None, "ackMalformed"
        if message.instance_id != self._host.levels().instance_id:
            return None, "ackForeignInstance"
        if max([message.acknowledged_through, *(item.sequence for item in message.rejected)]) > sent_through:
            return None, "ackFuture"
        return message, ""

    def _instance(self) -> bytes:
        return self._host.levels().instance_id.encode()
