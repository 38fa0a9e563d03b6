"""Parts of several traces: which traces belong to one part, and when the part is complete. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from crosslay.errors import TraceRefusedError
from crosslay.inspection.judge import Measured, Remaining
from crosslay.station.mailbox import Arrival


class Slot(NamedTuple):
    """What a trace is for: a characteristic at one of its positions, ``""`` where it has none."""

    characteristic: str
    position: str = ""

    def __str__(self) -> str:
        return f"{self.characteristic} at {self.position}" if self.position else self.characteristic


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taken:
    """One trace of a part, read under the call-outs of its slots."""

    arrival: Arrival
    slots: tuple[Slot, ...]
    measured: Measured


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """The traces of one part.

    Attributes
    ----------
    taken
        In the order in which they came; at least one.
    missing
        What never came, in words; empty for a complete part.
    """

    part_id: str
    taken: tuple[Taken, ...]
    missing: tuple[str, ...] = ()

    @property
    def arrivals(self) -> list[Arrival]:
        """The traces as they came."""
        return [each.arrival for each in self.taken]

    def at(self, slot: Slot) -> tuple[Taken, ...]:
        """The traces of one slot."""
        return tuple(each for each in self.taken if slot in each.slots)


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """What a part begun still needs.

    Attributes
    ----------
    taken, at_least, at_most
        Traces taken in all, and how many more may follow; a trace that answers for several slots counts once for each.
    prompt
        For the person at the machine.
    slots
        What still needs traces, in words, in the plan's order.
    """

    part_id: str
    taken: int
    at_least: int
    at_most: int
    prompt: str
    slots: tuple[str, ...]


@dataclass(slots=True)
class _Open:
    deadline: float
    taken: list[Taken] = field(default_factory=list)


class Assembly:
    """Collects the traces of a part until every slot of the plan is decided.

    A trace is for the characteristic and the position that its facts name; without the fact ``characteristic`` it
    answers for all of them. A slot has enough once no call-out of it needs another value.

    Parameters
    ----------
    places
        Positions by characteristic, in the plan's order; no position: one place without a name.
    timeout_s
        A part waits so long for each next trace.
    remaining
        How many more traces a slot needs that has these, None for none; of no trace it says how many it needs at all.
    """

    def __init__(
        self,
        places: Mapping[str, tuple[str, ...]],
        timeout_s: float,
        remaining: Callable[[Slot, Sequence[Taken]], Remaining | None],
    ) -> None:
        self._places = dict(places)
        self._slots = tuple(Slot(name, at) for name, positions in places.items() for at in positions or ("",))
        self._timeout_s = timeout_s
        self._remaining = remaining
        self._open: dict[str, _Open] = {}

    @property
    def slots(self) -> tuple[Slot, ...]:
        """All of them, in the plan's order."""
        return self._slots

    def slots_of(self, facts: Mapping[str, str]) -> tuple[Slot, ...]:
        """What a trace with these facts is for.

        Raises
        ------
        TraceRefusedError
            It names a characteristic or a position that the plan does not have, or lacks a position.
        """
        name, position = facts.get("characteristic", ""), facts.get("position", "")
        if name and name not in self._places:
            raise TraceRefusedError(
                f'the trace is for characteristic "{name}", which the plan does not have; '
                f"it has {', '.join(self._places)}"
            )
        wanted = [slot for slot in self._slots if name in {"", slot.characteristic}]
        found = tuple(slot for slot in wanted if slot.position in {"", position})
        if not found:
            what = f'is for position "{position}"' if position else "names no position"
            names = ", ".join(dict.fromkeys(slot.characteristic for slot in wanted))
            has = ", ".join(dict.fromkeys(slot.position for slot in wanted))
            raise TraceRefusedError(f"the trace {what}; the positions of {names} are {has}")
        return found

    def add(self, part_id: str, taken: Taken, now: float) -> list[Group]:
        """Take a trace; returns the parts that it ends, in order.

        A trace for slots that all have enough ends the part begun before as incomplete and begins the next one.
        """
        ended: list[Group] = []
        part = self._open.get(part_id)
        if part is not None and not any(self._needs(part, slot) for slot in taken.slots):
            ended = self._cut_short(part_id)
        part = self._open.setdefault(part_id, _Open(deadline=now + self._timeout_s))
        part.deadline = now + self._timeout_s
        part.taken.append(taken)
        if not any(self._needs(part, slot) for slot in self._slots):
            del self._open[part_id]
            ended.append(Group(part_id=part_id, taken=tuple(part.taken)))
        return ended

    def expired(self, now: float) -> list[Group]:
        """Parts that have waited too long for their next trace."""
        late = [part_id for part_id, part in self._open.items() if part.deadline <= now]
        return [group for part_id in late for group in self._cut_short(part_id)]

    def is_open(self, part_id: str) -> bool:
        """Whether a part is begun and waits for traces."""
        return part_id in self._open

    def waits(self, part_id: str) -> Waits | None:
        """What a part begun still needs; None for a part that is not begun."""
        part = self._open.get(part_id)
        if part is None:
            return None
        needs = {slot: need for slot in self._slots if (need := self._needs(part, slot)) is not None}
        present = [slot for slot in part.taken[-1].slots if slot in needs]
        later = [str(slot) for slot in needs if slot not in present]
        sentences = [*self._again(present, needs), *([f"still to measure: {', '.join(later)}"] if later else [])]
        return Waits(
            part_id=part_id, taken=len(part.taken), at_least=max(need.at_least for need in needs.values()),
            at_most=sum(need.at_most for need in needs.values()),
            prompt="; ".join(sentences), slots=tuple(str(slot) for slot in needs),
        )  # fmt: skip

    def latest(self) -> Waits | None:
        """What the part begun last still needs; None where none is begun."""
        return self.waits(next(reversed(self._open))) if self._open else None

    def _again(self, present: list[Slot], needs: Mapping[Slot, Remaining]) -> list[str]:
        """Ask for the next trace of what was measured last."""
        if not present:
            return []
        need = max((needs[slot] for slot in present), key=lambda each: each.at_most)
        where = f"{present[0]}: " if len(self._slots) > 1 and len(present) == 1 else ""
        at = f" of {present[0].position}" if present[0].position else ""
        more = f"{need.at_least} to {need.at_most}" if need.at_least < need.at_most else f"{need.at_most}"
        count = f"{where}{need.taken} of up to {need.taken + need.at_most} traces"
        return [f"{count}; measure the same part again at another place{at} ({more} more)"]

    def _needs(self, part: _Open, slot: Slot) -> Remaining | None:
        return self._remaining(slot, [each for each in part.taken if slot in each.slots])

    def _missing(self, slot: Slot, need: Remaining) -> str:
        if not need.taken:
            return f"no trace for {slot}"
        return f"{need.taken} of up to {need.taken + need.at_most} traces for {slot}"

    def _cut_short(self, part_id: str) -> list[Group]:
        part = self._open.pop(part_id, None)
        if part is None:
            return []
        needs = {slot: need for slot in self._slots if (need := self._needs(part, slot)) is not None}
        missing = tuple(self._missing(slot, need) for slot, need in needs.items())
        return [Group(part_id=part_id, taken=tuple(part.taken), missing=missing)]
