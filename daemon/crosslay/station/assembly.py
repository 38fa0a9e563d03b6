"""Parts of several traces: which traces belong to one part, and when the part is complete. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from crosslay.errors import TraceRefusedError
from crosslay.station.mailbox import Arrival


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The traces of one part.

    Attributes
    ----------
    arrivals
        By characteristic; the key ``""`` stands for one trace that answers for all of them.
    missing
        Characteristics that never came; empty for a complete part.
    """

    part_id: str
    arrivals: dict[str, Arrival]
    missing: tuple[str, ...] = ()


@dataclass(slots=True)
class _Open:
    deadline: float
    arrivals: dict[str, Arrival] = field(default_factory=dict)


class Assembly:
    """Collects traces that carry the fact ``characteristic`` until every characteristic of the plan has one.

    A trace without that fact, or in a plan of one characteristic, is a whole part at once.
    """

    def __init__(self, characteristics: tuple[str, ...], timeout_s: float) -> None:
        self._characteristics = characteristics
        self._timeout_s = timeout_s
        self._open: dict[str, _Open] = {}

    def add(self, part_id: str, arrival: Arrival, now: float) -> list[Group]:
        """Take a trace; returns the parts that it ends, in order.

        A characteristic that comes a second time ends the part begun before as incomplete and begins the next one.

        Raises
        ------
        TraceRefusedError
            The trace names a characteristic that the plan does not have.
        """
        name = arrival.trace.facts.get("characteristic", "")
        if name and name not in self._characteristics:
            raise TraceRefusedError(
                f'the trace is for characteristic "{name}", which the plan does not have; '
                f"it has {', '.join(self._characteristics)}"
            )
        if not name or len(self._characteristics) == 1:
            return [*self._cut_short(part_id), Group(part_id=part_id, arrivals={name: arrival})]
        ended: list[Group] = []
        if part_id in self._open and name in self._open[part_id].arrivals:
            ended = self._cut_short(part_id)
        part = self._open.setdefault(part_id, _Open(deadline=now + self._timeout_s))
        part.arrivals[name] = arrival
        if len(part.arrivals) == len(self._characteristics):
            del self._open[part_id]
            # In the plan's order, whatever the order in which they came.
            ended.append(Group(part_id=part_id, arrivals={each: part.arrivals[each] for each in self._characteristics}))
        return ended

    def expired(self, now: float) -> list[Group]:
        """Parts that have waited too long for their other traces."""
        late = [part_id for part_id, part in self._open.items() if part.deadline <= now]
        return [group for part_id in late for group in self._cut_short(part_id)]

    def waits(self, part_id: str) -> tuple[str, ...]:
        """Characteristics that a part begun still waits for."""
        part = self._open.get(part_id)
        return () if part is None else self._missing(part)

    def _cut_short(self, part_id: str) -> list[Group]:
        part = self._open.pop(part_id, None)
        return [] if part is None else [Group(part_id=part_id, arrivals=part.arrivals, missing=self._missing(part))]

    def _missing(self, part: _Open) -> tuple[str, ...]:
        return tuple(name for name in self._characteristics if name not in part.arrivals)
