"""Results that the broker refuses for what they are: tried again a few times, then set aside (DC-23). Without I/O."""

from __future__ import annotations

#: Reason codes that speak of the content: 0x95 packet too large, 0x99 payload format invalid.
CONTENT_REFUSALS = frozenset({0x95, 0x99})
TRIES = 5
#: A refusal for the content stays what it is, so there is nothing to wait for; the pause is for brokers that are
#: being set up at this moment.
PAUSE_S = 0.5


class Refusals:
    """How often each result was refused, and when it is tried again. Times are monotonic seconds."""

    def __init__(self) -> None:
        self._tries: dict[int, int] = {}
        self._due_at: dict[int, float] = {}

    def refused(self, sequence: int, now: float) -> bool:
        """Count a refusal; whether it was the last one, and the result is to be set aside."""
        self._tries[sequence] = self._tries.get(sequence, 0) + 1
        if self._tries[sequence] >= TRIES:
            self.forget([sequence])
            return True
        self._due_at[sequence] = now + PAUSE_S
        return False

    def due(self, now: float) -> list[int]:
        """Results that are to be tried again now, ascending; each is named once."""
        found = sorted(sequence for sequence, at in self._due_at.items() if at <= now)
        for sequence in found:
            del self._due_at[sequence]
        return found

    def postpone(self, sequence: int, now: float) -> None:
        """One that was due could not be sent."""
        self._due_at[sequence] = now + PAUSE_S

    def due_in(self, now: float) -> float | None:
        """Seconds until one is due; None where none is."""
        return max(0.0, min(self._due_at.values()) - now) if self._due_at else None

    def forget(self, sequences: list[int]) -> None:
        """These are settled."""
        for sequence in sequences:
            self._tries.pop(sequence, None)
            self._due_at.pop(sequence, None)

    def reconnected(self) -> None:
        """Everything unsettled is sent again anyway; the counts stay."""
        self._due_at.clear()

    def clear(self) -> None:
        """Another database."""
        self._tries.clear()
        self._due_at.clear()
