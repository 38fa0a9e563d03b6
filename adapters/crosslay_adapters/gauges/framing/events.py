"""What a codec says about the bytes that it was fed."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from numpy.typing import NDArray

#: A trace with more samples is a fault of the line.
MAX_POINTS: Final = 1_000_000
#: Every so many bytes in a row that make no trace are reported once.
NONSENSE_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Started:
    """A trace has begun."""


@dataclass(frozen=True, slots=True)
class Refused:
    """What arrived is not a trace; the reason is for a person."""

    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class RawTrace:
    """One whole trace as it was sent.

    Attributes
    ----------
    samples
        Shape (N,): int32 where all values are whole numbers, else float64; in the unit of the gauge.
    positions_mm
        Shape (N,), where the gauge sends positions.
    position_resolution_mm
        One unit of the last decimal, or one step of the encoder, mm.
    facts
        What the gauge said beside the samples.
    """

    samples: NDArray[Any]
    positions_mm: NDArray[Any] | None = None
    position_resolution_mm: float = 0.0
    facts: dict[str, str] = field(default_factory=dict)


Event = Started | Refused | RawTrace


class Codec(Protocol):
    """Bytes in, events out; no I/O, no clock. However the bytes are cut, the events are the same."""

    @property
    def busy(self) -> bool:
        """Whether a trace has begun that has not ended, or bytes wait for more."""

    def feed(self, data: bytes) -> list[Event]:
        """Take any number of bytes; at most 64 KiB that make no whole line or frame are kept."""

    def silence(self) -> list[Event]:
        """Learn that nothing more came for a while."""


class FactSheet:
    """Facts of one trace; a fact that changes on the way spoils the trace."""

    def __init__(self) -> None:
        self.values: dict[str, str] = {}

    def add(self, key: str, value: str) -> str:
        """Keep one fact; the reason to refuse the trace, or ``""``."""
        if not value.isprintable() or len(value) > 256:
            return f'the fact "{key}" holds control characters or more than 256 characters'
        before = self.values.setdefault(key, value)
        if before == value:
            return ""
        return f'the fact "{key}" changed under way from "{before}" to "{value}"; measure the part again'


class OpenTrace:
    """What has arrived of one trace: rows or frames, in the order in which they came."""

    __slots__ = ("facts", "pieces", "reason")

    def __init__(self) -> None:
        self.pieces: list[bytes] = []
        self.facts = FactSheet()
        self.reason = ""

    def spoil(self, reason: str) -> None:
        """Keep the first reason to refuse it; its pieces are let go."""
        self.reason = self.reason or reason
        self.pieces.clear()


@dataclass(slots=True)
class Nonsense:
    """Counts bytes that make no trace; says so every `NONSENSE_BYTES`."""

    advice: str
    count: int = 0

    def add(self, number: int) -> list[Event]:
        """Count; the complaints that are due."""
        before, self.count = self.count // NONSENSE_BYTES, self.count + number
        complaint = Refused(f"{NONSENSE_BYTES} bytes arrived that belong to no trace; {self.advice}")
        return [dataclasses.replace(complaint) for _ in range(self.count // NONSENSE_BYTES - before)]
