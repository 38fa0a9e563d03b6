"""Conditions of a station: what is not as it should be, each with its NAMUR NE 107 signal and a remedy."""

from __future__ import annotations

import enum
import threading
from dataclasses import dataclass

from crosslay.bus.messages import ConditionMessage, rfc3339
from crosslay.ports import Clock


class Level(enum.Enum):
    """How bad it is."""

    NORMAL = "normal"
    WARNING = "warning"
    FAULT = "fault"
    UNAVAILABLE = "unavailable"


class Signal(enum.Enum):
    """NAMUR NE 107 status signals."""

    FAILURE = "F"
    CHECK = "C"
    OUT_OF_SPECIFICATION = "S"
    MAINTENANCE = "M"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A condition that can be raised: its id, how bad it is, and what a person does about it."""

    id: str
    level: Level
    signal: Signal
    remedy: str


BROKER_OFFLINE = Kind(
    id="broker-offline",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="Results wait in the store. Check the network, the broker and the [bus] section with its files.",
)
NO_CONSUMER = Kind(
    id="no-consumer",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="Nobody subscribes to v1/result. Start the MES consumer or correct its topic.",
)
MES_SILENT = Kind(
    id="mes-silent",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="The MES acknowledges nothing on v1/result/ack. Start it; results wait in the store.",
)
PUBLISH_REFUSED = Kind(
    id="publish-refused",
    level=Level.FAULT,
    signal=Signal.FAILURE,
    remedy="The broker refuses results. Check its access rules for this station's topics.",
)
SUBSCRIBE_REFUSED = Kind(
    id="subscribe-refused",
    level=Level.FAULT,
    signal=Signal.FAILURE,
    remedy="The broker refuses subscriptions. Check its access rules for this station's topics.",
)
QUARANTINE = Kind(
    id="quarantine",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="Results are set aside. List them with `crosslay results STATION.toml list`.",
)
STORE_FAILED = Kind(
    id="store-failed",
    level=Level.FAULT,
    signal=Signal.FAILURE,
    remedy="Results cannot be stored; the light stays REJECT. Free disk space or replace the storage.",
)
STORE_FILLING = Kind(
    id="store-filling",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="Results wait for the MES. Bring it back before the store is full, or raise store.quota_mb.",
)
STORE_NEARLY_FULL = Kind(
    id="store-nearly-full",
    level=Level.FAULT,
    signal=Signal.OUT_OF_SPECIFICATION,
    remedy="The store is almost full. Bring the MES back at once, or raise store.quota_mb.",
)
STORE_RENEWED = Kind(
    id="store-renewed",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="The old database is in set-aside/. Find out why it was damaged; the storage may be worn.",
)
STORE_CHECKPOINT = Kind(
    id="store-checkpoint",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="Nothing is lost, but the store's WAL grows. End what reads the database for so long; see to the disk.",
)
GAUGE_FAILED = Kind(
    id="gauge-failed",
    level=Level.UNAVAILABLE,
    signal=Signal.FAILURE,
    remedy="The gauge cannot be read. Check its cable, power and the [gauge] section.",
)
LIGHT_FAILED = Kind(
    id="light-failed",
    level=Level.FAULT,
    signal=Signal.FAILURE,
    remedy="The reject light cannot be driven. Treat every part as rejected until it is repaired.",
)
PRECHECK = Kind(
    id="precheck",
    level=Level.WARNING,
    signal=Signal.OUT_OF_SPECIFICATION,
    remedy="Set the stylus, level and clamp the part, or correct [precheck]. Keep hands off a stylus that may move.",
)
TRACE_REFUSED = Kind(
    id="trace-refused",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="The last delivery was no usable trace. Measure the part again; see the reason in refused/.",
)
TRACE_IMPLAUSIBLE = Kind(
    id="trace-implausible",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="The last trace gives no value. Do what the text says, then measure the part again.",
)
REFERENCE_DUE = Kind(
    id="reference-check-due",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="Put the specimen under the stylus and run `crosslay specimen STATION.toml check NAME` before it is due.",
)
REFERENCE_OVERDUE = Kind(
    id="reference-check-overdue",
    level=Level.FAULT,
    signal=Signal.CHECK,
    remedy="No part passes until a check is good. Put the specimen under the stylus and run "
    "`crosslay specimen STATION.toml check NAME`.",
)
REFERENCE_FAILED = Kind(
    id="reference-check-failed",
    level=Level.FAULT,
    signal=Signal.FAILURE,
    remedy="No part passes until a check is good. Clean specimen and tip, check again; then repair the gauge, or "
    "`crosslay specimen STATION.toml correct propose NAME`.",
)
REFERENCE_RUNNING = Kind(
    id="reference-check-running",
    level=Level.WARNING,
    signal=Signal.CHECK,
    remedy="Traverse the specimen until the check is complete. What is measured now is no part.",
)
REFERENCE_WARNING = Kind(
    id="reference-check-warning",
    level=Level.WARNING,
    signal=Signal.MAINTENANCE,
    remedy="Parts are judged. Look at `crosslay specimen STATION.toml history NAME`: tip, drive or fixture may change.",
)


#: Every condition there is. A new connection states each, so that none of an earlier run stays retained as it was.
KINDS = (
    BROKER_OFFLINE,
    NO_CONSUMER,
    MES_SILENT,
    PUBLISH_REFUSED,
    SUBSCRIBE_REFUSED,
    QUARANTINE,
    STORE_FAILED,
    STORE_FILLING,
    STORE_NEARLY_FULL,
    STORE_RENEWED,
    STORE_CHECKPOINT,
    GAUGE_FAILED,
    LIGHT_FAILED,
    PRECHECK,
    TRACE_REFUSED,
    TRACE_IMPLAUSIBLE,
    REFERENCE_DUE,
    REFERENCE_OVERDUE,
    REFERENCE_FAILED,
    REFERENCE_RUNNING,
    REFERENCE_WARNING,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A condition as it stands."""

    kind: Kind
    level: Level
    since_wall_s: float
    text: str

    def message(self) -> ConditionMessage:
        """The wire form."""
        active = self.level is not Level.NORMAL
        return ConditionMessage(
            id=self.kind.id,
            level=self.level.value,
            signal=self.kind.signal.value if active else None,
            since=rfc3339(self.since_wall_s),
            text=self.text,
            remedy=self.kind.remedy if active else "",
        )


class Conditions:
    """All conditions of one station; any thread may raise, clear and read."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        start = clock.wall()
        self._known = {
            kind.id: Condition(kind=kind, level=Level.NORMAL, since_wall_s=start, text="normal") for kind in KINDS
        }
        self._version = 0

    @property
    def version(self) -> int:
        """Grows with every change."""
        return self._version

    def raise_(self, kind: Kind, text: str) -> None:
        """Raise a condition, or renew its text; `since` stays that of the first raising."""
        with self._lock:
            before = self._known.get(kind.id)
            if before is not None and before.level is kind.level:
                if before.text == text:
                    return
                since = before.since_wall_s
            else:
                since = self._clock.wall()
            self._known[kind.id] = Condition(kind=kind, level=kind.level, since_wall_s=since, text=text)
            self._version += 1

    def clear(self, kind: Kind) -> None:
        """Back to normal; no effect where it is normal already."""
        with self._lock:
            before = self._known.get(kind.id)
            if before is None or before.level is Level.NORMAL:
                return
            self._known[kind.id] = Condition(
                kind=kind, level=Level.NORMAL, since_wall_s=self._clock.wall(), text="normal again"
            )
            self._version += 1

    def active(self, kind: Kind | None = None) -> list[Condition]:
        """Conditions that are not normal, all or one kind."""
        with self._lock:
            return [
                item for item in self._known.values() if item.level is not Level.NORMAL and kind in {None, item.kind}
            ]

    def all(self) -> list[Condition]:
        """Every condition, normal or not."""
        with self._lock:
            return list(self._known.values())
