"""What the threads of a station share: numbers, the latest part, the conditions, and the state message made of them."""

from __future__ import annotations

import importlib.metadata
import threading
import time
from collections import Counter, deque
from collections.abc import Callable

from crosslay import __version__
from crosslay.bus.conditions import (
    BROKER_OFFLINE,
    MES_SILENT,
    NO_CONSUMER,
    PUBLISH_REFUSED,
    QUARANTINE,
    Conditions,
    Level,
    Signal,
)
from crosslay.bus.messages import (
    Backlog,
    ConfigurationMessage,
    IdentificationMessage,
    LastPart,
    OpenPart,
    ReferenceCheckAnswer,
    ReferenceCheckCommand,
    StateMessage,
    rfc3339,
)
from crosslay.bus.topics import SCHEMA_IDS
from crosslay.errors import BusError
from crosslay.plan.load import StationPlan
from crosslay.record.levels import Levels, Settled
from crosslay.station.assembly import Waits
from crosslay.station.clock import SystemClock
from crosslay.station.configuration import configuration_of
from crosslay.station.cycle import Cycle, Event
from crosslay.station.keeper import Keeper
from crosslay.station.lamp import Lamp
from crosslay.station.light import LightLogic
from crosslay.station.mailbox import Errand, Mailbox
from crosslay.station.orders import Asked, Order
from crosslay.station.reference import Outside, Reference
from crosslay.station.standing import Word

_RATE_OVER_S = 60.0
_LIBRARIES = ("numpy", "scipy", "paho-mqtt", "pydantic", "structlog", "pyserial")
_AWAY = (BROKER_OFFLINE, NO_CONSUMER, MES_SILENT, PUBLISH_REFUSED)
_WORST_FIRST = (Signal.FAILURE, Signal.OUT_OF_SPECIFICATION, Signal.CHECK, Signal.MAINTENANCE)


class Hub:
    """The `crosslay.bus.pump.Host` of a station, and more. Every method may be called from any thread."""

    def __init__(self, plan: StationPlan, mailbox: Mailbox, clock: SystemClock) -> None:
        self.plan = plan
        self.clock = clock
        self.conditions = Conditions(clock)
        self.cycle = Cycle()
        self.lamp: Lamp | None = None
        self.gauge_identity: dict[str, str] = {"adapter": plan.gauge_name}
        self.keeper = Keeper(plan, clock, self.conditions)
        outside = Outside(
            clock=clock,
            synchronized=clock.synchronized,
            conditions=self.conditions,
            light=self.light,
            count=self.count,
            announced=self._say_reference,
            answer_bus=self._answer_bus,
        )
        #: Reference checks; the recorder thread's, but for `standing` and `message`.
        self.reference = Reference(plan, self.keeper.checks, outside)
        self._mailbox = mailbox
        self._lock = threading.Lock()
        self._counters: Counter[str] = Counter()
        self._last_part: LastPart | None = None
        self._waits: Waits | None = None
        self._sessions = iter(range(0))
        self._sessions_left = 0
        self._drained: deque[tuple[float, int]] = deque(maxlen=256)
        self._version = 0
        self.on_identity: Callable[[], None] = lambda: None
        self.on_answer: Callable[[ReferenceCheckAnswer], None] = lambda _answer: None
        self.on_change: Callable[[], None] = lambda: None
        self.beat: Callable[[], None] = lambda: None

    @property
    def version(self) -> int:
        """Grows whenever something that the state message says has changed."""
        return self._version + self.conditions.version

    def identify_gauge(self, identity: dict[str, str]) -> None:
        """The gauge is open and says who it is."""
        if identity != self.gauge_identity:
            self.gauge_identity = identity
            self.on_identity()

    def changed(self) -> None:
        """Something that the state message says has changed."""
        with self._lock:
            self._version += 1
        self.on_change()

    def levels(self) -> Levels:
        """Where the store stands."""
        return self.keeper.levels

    def settle(self, settled: Settled) -> None:
        """Hand acknowledgements to the recorder."""
        self._mailbox.settle(settled, self.keeper.levels.pending)

    def add_sessions(self, block: range) -> None:
        """A reserved block of session numbers."""
        with self._lock:
            self._sessions = iter([*self._sessions, *block])
            self._sessions_left += len(block)

    @property
    def sessions_left(self) -> int:
        """How many reserved session numbers remain."""
        return self._sessions_left

    def next_session(self) -> int:
        """A session number that no connection had before (DC-62).

        Raises
        ------
        BusError
            The reserve is used up and the store gives no new block; the pump tries again.
        """
        with self._lock:
            number = next(self._sessions, None)
            if number is None:
                raise BusError("no session number left: the store cannot reserve more")
            self._sessions_left -= 1
            return number

    def note_quarantine(self) -> None:
        """Say how many results are set aside, or that none is."""
        number = self.keeper.levels.quarantined
        if number:
            self.conditions.raise_(QUARANTINE, f"{number} result{'s are' if number > 1 else ' is'} set aside")
        else:
            self.conditions.clear(QUARANTINE)

    def anchor_needed(self) -> bool:
        """Whether the broker may know more of this database than it does itself."""
        return not self.keeper.made_here

    def request_renewal(self, text: str) -> None:
        """The broker remembers more than this database: make it anew (DC-44)."""
        self._mailbox.ask(Errand(renew_because=text))

    def report_damage(self, text: str) -> None:
        """Somebody met damage when reading the database: have the recorder look."""
        self._mailbox.ask(Errand(damaged_because=text))

    def request_requeue(self, sequence: int) -> None:
        """Commit a quarantined result again (DC-23)."""
        self._mailbox.ask(Errand(requeue=sequence))

    def ask(self, asked: Asked) -> None:
        """Ask something of the reference checks; the answer comes later."""
        self._mailbox.ask(Errand(asked=asked))

    def take_command(
        self, command: ReferenceCheckCommand, answer: Callable[[ReferenceCheckAnswer], None]
    ) -> None:
        """A command that came over the bus."""
        order = Order(
            name="reference-check", request_id=command.request_id, specimen=command.specimen, traces=command.traces
        )
        self.ask(Asked(order=order, way="bus", answer=answer))

    def _answer_bus(self, answer: ReferenceCheckAnswer) -> None:
        self.on_answer(answer)

    def _say_reference(self) -> None:
        self.on_identity()
        self.changed()

    def count(self, name: str) -> None:
        """Add one to a counter."""
        with self._lock:
            self._counters[name] += 1

    def event(self, event: Event) -> None:
        """Move the cycle on."""
        before = self.cycle.state
        if self.cycle.on(event) is not before:
            self.changed()

    def part_waits(self, waits: Waits | None) -> None:
        """The present part needs more traces; None: no part does."""
        with self._lock:
            self._waits = waits
        self.changed()

    def stored(self, part: LastPart) -> None:
        """A result was committed."""
        with self._lock:
            self._last_part = part
            self._counters["results"] += 1
        self.changed()

    def drained(self) -> None:
        """Acknowledgements were committed: remember how fast the backlog goes."""
        levels = self.keeper.levels
        with self._lock:
            self._drained.append((time.monotonic(), levels.acknowledged_through))
        self.changed()

    def light(self, change: Callable[[LightLogic, float], object]) -> None:
        """Change the light; its driver wakes at once."""
        if self.lamp is not None:
            self.lamp.tell(change)
            self.changed()

    def away(self) -> bool:
        """Whether results cannot reach the MES at present (FAULT flashes slowly)."""
        return any(self.conditions.active(kind) for kind in _AWAY)

    def state(self, session_number: int, oldest_pending: float | None) -> StateMessage:
        """The present, for ``v1/state`` and for `crosslay status`."""
        levels, now = self.keeper.levels, self.clock.wall()
        light, reason = self.lamp.describe() if self.lamp is not None else ("unknown", "")
        active = self.conditions.active()
        with self._lock:
            counters, last_part = dict(sorted(self._counters.items())), self._last_part
            waits = self._waits
        return StateMessage(
            instance_id=levels.instance_id,
            session_number=session_number,
            time=rfc3339(now),
            clock_synchronized=self.clock.synchronized(),
            cycle=self.cycle.state.value,
            light=light,
            reason=reason,
            first_sequence=levels.first,
            last_sequence=levels.last,
            acknowledged_through=levels.acknowledged_through,
            last_part=last_part,
            open_part=None if waits is None else OpenPart(
                part_id=waits.part_id, traces=waits.taken, at_least=waits.at_least, at_most=waits.at_most,
                waits_for=list(waits.slots), prompt=waits.prompt),
            backlog=Backlog(
                depth=levels.pending,
                quarantined=levels.quarantined,
                seconds_to_drain=self._seconds_to_drain(levels),
                oldest_age_seconds=None if oldest_pending is None else round(max(0.0, now - oldest_pending), 3),
            ),
            store=self.keeper.level(),
            health=self._health(),
            conditions=sorted(item.kind.id for item in active),
            reference_check=self.reference.standing().word.value,
            indicator=",".join(choice.name for choice in self.plan.indicators) or "none",
            counters=counters,
        )

    def identification(self) -> IdentificationMessage:
        """Who this is, for ``v1/identification``."""
        return IdentificationMessage(
            station=self.plan.name,
            source=self.plan.source,
            software=f"crosslay {__version__}",
            libraries={name: importlib.metadata.version(name) for name in _LIBRARIES},
            schemas=list(SCHEMA_IDS),
            gauge=self.gauge_identity,
            acknowledge=self.plan.bus.acknowledge,
            plan_id=self.plan.plan_id,
            plan_hash=self.plan.plan_hash,
        )

    def configuration(self) -> ConfigurationMessage:
        """What it judges by, for ``v1/configuration``."""
        return configuration_of(self.plan, self.reference)

    def _health(self) -> str:
        signals = {item.kind.signal for item in self.conditions.active() if item.level is not Level.NORMAL}
        for signal in _WORST_FIRST:
            if signal in signals:
                return signal.value
        # Without a reference specimen the gauge's own state is not verified (page *interface*).
        return Signal.MAINTENANCE.value if self.reference.standing().word is Word.NONE else "normal"

    def _seconds_to_drain(self, levels: Levels) -> float | None:
        if levels.pending == 0:
            return 0.0
        now = time.monotonic()
        with self._lock:
            recent = [(at, through) for at, through in self._drained if now - at <= _RATE_OVER_S]
        if len(recent) < 2 or recent[-1][1] == recent[0][1]:
            return None
        rate = (recent[-1][1] - recent[0][1]) / max(1e-3, now - recent[0][0])
        return round(levels.pending / rate, 1)
