"""A pump with a real store and the smallest station around it that does."""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections import Counter
from functools import partial
from pathlib import Path

from crosslay.bus.conditions import Conditions
from crosslay.bus.link import Address
from crosslay.bus.messages import Backlog, ConfigurationMessage, IdentificationMessage, StateMessage, rfc3339
from crosslay.bus.pump import Policy, Pump
from crosslay.bus.topics import Topics
from crosslay.record.levels import Levels, Settled
from crosslay.record.reader import Reader
from crosslay.record.store import Draft, Store
from crosslay.station.clock import SystemClock
from sample_results import sample_result
from station_harness import TOPIC, BusClient

#: About what a payload with nothing but its identity and place takes.
_BARE_BYTES = 100


class SmallHost:
    """Settles at once, in the pump thread, with the real store."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.conditions = Conditions(SystemClock())
        self.counters: Counter[str] = Counter()
        self.pump: Pump | None = None
        self.sessions = iter(range(1, 10_000))
        self.lock = threading.Lock()
        self.renewals: list[str] = []

    def levels(self) -> Levels:
        return self.store.levels

    def settle(self, settled: Settled) -> None:
        with self.lock:
            self.store.settle(settled)
        self.pump.settled(settled)

    def next_session(self) -> int:
        return next(self.sessions)

    def state(self, session_number: int, oldest_pending: float | None) -> StateMessage:
        levels = self.store.levels
        return StateMessage(
            instance_id=levels.instance_id,
            session_number=session_number,
            time=rfc3339(time.time()),
            clock_synchronized=True,
            cycle="waiting",
            light="REJECT",
            reason="",
            first_sequence=levels.first,
            last_sequence=levels.last,
            acknowledged_through=levels.acknowledged_through,
            last_part=None,
            backlog=Backlog(
                depth=levels.pending,
                oldest_age_seconds=oldest_pending,
                seconds_to_drain=None,
                quarantined=levels.quarantined,
            ),
            health="normal",
            conditions=[],
            indicator="none",
            counters={},
        )

    def identification(self) -> IdentificationMessage:
        return IdentificationMessage(
            station="op30",
            source="urn:x",
            software="test",
            libraries={},
            schemas=[],
            gauge={},
            acknowledge="confirmed",
            plan_id="p",
            plan_hash="h",
        )

    def configuration(self) -> ConfigurationMessage:
        return ConfigurationMessage(
            station="op30", plan_id="p", plan_hash="h", acknowledge="confirmed", window=20, requirements=[]
        )

    def count(self, name: str) -> None:
        self.counters[name] += 1

    def anchor_needed(self) -> bool:
        return not self.store.made_here

    def request_renewal(self, text: str) -> None:
        self.renewals.append(text)

    def beat(self) -> None:
        pass


class PumpUnderTest:
    """Store and pump thread; the thread is not started yet."""

    def __init__(
        self,
        folder: Path,
        port: int,
        *,
        acknowledge: str = "confirmed",
        window: int = 20,
        keepalive_s: int = 10,
        resend_after_s: float = 3.0,
        prefix: str = TOPIC,
        padding_bytes: int = 0,
        protocol: str = "5",
    ) -> None:
        self.store = Store(folder)
        self.store.open()
        self.host = SmallHost(self.store)
        self.padding_bytes = padding_bytes
        address = Address(
            host="127.0.0.1",
            port=port,
            protocol=protocol,
            keepalive_s=keepalive_s,
            client_id=f"under-test-{self.store.levels.instance_id}",
        )
        self.pump = Pump(
            Policy(
                address=address,
                topics=Topics(prefix),
                acknowledge=acknowledge,
                window=window,
                resend_after_s=resend_after_s,
            ),
            Reader(folder),
            self.host,
        )
        self.host.pump = self.pump
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.pump.run, args=(self.stop,))

    def condition(self, identifier: str) -> str | None:
        """The text of a condition that is raised at present."""
        found = [item.text for item in self.host.conditions.active() if item.kind.id == identifier]
        return found[0] if found else None

    def commit(self, number: int = 1) -> None:
        for _ in range(number):
            result_id = uuid.uuid4()
            draft = Draft(
                result_id=result_id,
                part_id="P",
                decision="pass",
                created_at=time.time(),
                payload=partial(
                    sample_result, part="P", result_id=str(result_id), at_least_bytes=_BARE_BYTES + self.padding_bytes
                ),
            )
            with self.host.lock:
                self.store.commit(draft, Settled())
        self.pump.wake()

    def close(self) -> None:
        self.stop.set()
        self.pump.wake()
        if self.thread.ident is not None:
            self.thread.join(10)
        self.pump.close()
        self.store.close()


def sequences(client: BusClient) -> list[int]:
    return [item["data"]["sequence"] for item in client.results()]


def deliveries(client: BusClient) -> list[tuple[int, str]]:
    return [
        (json.loads(message.payload)["data"]["sequence"], dict(message.properties.UserProperty)["delivery"])
        for message in list(client.messages)
        if message.topic.endswith("v1/result")
    ]
