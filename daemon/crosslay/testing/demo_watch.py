"""What a bystander of the demo sees: the bus, the lamps and the MES's database. It takes no part in anything."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from crosslay.errors import BusError
from crosslay.testing.broker import RunningBroker
from crosslay.testing.demo_scenario import TOPIC, Scenario

_LOOP_S = 0.02
#: After a result its light is watched for so long: a flashing lamp has then been on and off. A busy computer gets more
#: time, until the next part begins.
_LIGHT_FROM_S, _LIGHT_UNTIL_S, _LIGHT_AT_MOST_S = 0.1, 0.75, 1.6
#: So long a row waits for the MES before it is shown without.
_PATIENCE_S = 6.0

#: What the light must say, by the verdict on the wire (page on the bus, "The reject light").
EXPECTED_LIGHT = {
    "OK": "ACCEPT", "NotOK": "REJECT, flashing", "NotDecidable": "REJECT and FAULT", "Undefined": "REJECT and FAULT",
}


@dataclass(slots=True, kw_only=True)
class PartSeen:
    """One part, as it becomes known."""

    sequence: int
    part_id: str
    evaluation: str
    details: str
    characteristics: list[dict[str, Any]]
    findings: list[str]
    seen_at: float
    announced: bool = False
    light: str | None = None
    at_mes: bool = False
    acknowledged: bool = False
    samples: list[frozenset[str]] = field(default_factory=list)

    @classmethod
    def from_payload(cls, payload: bytes, now: float) -> PartSeen:
        """Read a message of ``v1/result``."""
        data = json.loads(payload)["data"]
        return cls(
            sequence=data["sequence"], part_id=data["partId"], evaluation=data["resultEvaluation"],
            details=data["resultEvaluationDetails"], characteristics=data["characteristics"],
            findings=[finding["text"] for finding in data["findings"]], seen_at=now,
        )

    @property
    def light_is_right(self) -> bool:
        """Whether the lamps said what the verdict is."""
        return self.light == EXPECTED_LIGHT[self.evaluation]


class Watch:
    """Follows the bus and the lamps; `step` does a little of it and never blocks for long."""

    def __init__(self, scenario: Scenario, broker: RunningBroker) -> None:
        self._scenario = scenario
        self._broker = broker
        self._parts: dict[int, PartSeen] = {}
        self._shown = 0
        self._acknowledged_through = 0
        self._evaluations: set[int] = set()
        self.state: dict[str, Any] = {}
        self._subscribed = False
        version = MQTTProtocolVersion.MQTTv5 if broker.program.protocol == "5" else MQTTProtocolVersion.MQTTv311
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=version)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def open(self) -> None:
        """Connect and subscribe.

        Raises
        ------
        BusError
            The broker does not answer.
        """
        try:
            self._client.connect(self._broker.host, self._broker.port)
        except OSError as error:
            raise BusError(f"the broker on port {self._broker.port} does not answer: {error}") from error
        deadline = time.monotonic() + _PATIENCE_S
        while not self._subscribed:
            self._loop()
            if time.monotonic() > deadline:
                raise BusError(f"the broker on port {self._broker.port} takes no subscription")

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()

    def step(self) -> Iterator[PartSeen]:
        """Look once, and give the parts of which all is known now, in order.

        Yields
        ------
        PartSeen
            With its light, and with what the MES has; without the latter where that takes too long.
        """
        self._loop()
        self._look_at_lamps()
        while (part := self._parts.get(self._shown + 1)) is not None and self._is_complete(part):
            self._shown += 1
            yield part

    def _loop(self) -> None:
        if self._client.loop(_LOOP_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BusError(f"the connection to the broker broke; its log: {self._broker.log_path}")

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, _code: Any, _properties: Any) -> None:
        leaves = ("result", "result/ack", "evaluation", "state")
        if self._broker.program.protocol == "5":
            client.subscribe([(f"{TOPIC}/v1/{leaf}", SubscribeOptions(qos=1)) for leaf in leaves])
        else:
            client.subscribe([(f"{TOPIC}/v1/{leaf}", 1) for leaf in leaves])

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, _codes: Any, _properties: Any) -> None:
        self._subscribed = True

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        payload = bytes(message.payload)
        match message.topic.removeprefix(f"{TOPIC}/v1/"):
            case "result":
                part = PartSeen.from_payload(payload, time.monotonic())
                self._parts.setdefault(part.sequence, part)
            case "result/ack":
                through = json.loads(payload)["acknowledgedThrough"]
                self._acknowledged_through = max(self._acknowledged_through, through)
            case "evaluation":
                self._evaluations.add(json.loads(payload)["sequence"])
            case "state":
                self.state = json.loads(payload)

    def _look_at_lamps(self) -> None:
        now, lit = time.monotonic(), self._scenario.lamps_on()
        for part in self._parts.values():
            age_s = now - part.seen_at
            if part.light is not None or age_s < _LIGHT_FROM_S:
                continue
            over = "busy" in lit or age_s > _LIGHT_AT_MOST_S
            if not over:
                part.samples.append(lit)
            seen = light_of(part.samples)
            if over or (age_s >= _LIGHT_UNTIL_S and seen == EXPECTED_LIGHT[part.evaluation]):
                part.light = seen

    def _is_complete(self, part: PartSeen) -> bool:
        part.announced = part.sequence in self._evaluations
        part.acknowledged = part.sequence <= self._acknowledged_through
        if part.acknowledged and not part.at_mes:
            part.at_mes = part.sequence in self._sequences_at_mes()
        has_all = part.light is not None and part.at_mes and part.announced
        return has_all or (part.light is not None and time.monotonic() - part.seen_at > _PATIENCE_S)

    def _sequences_at_mes(self) -> set[int]:
        path = self._scenario.mes_database
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            return {row[0] for row in database.execute("SELECT sequence FROM results")}


def light_of(samples: list[frozenset[str]]) -> str:
    """Name what was seen in a stretch of time.

    Parameters
    ----------
    samples
        The lamps that were lit, each time somebody looked.

    Returns
    -------
    str
        A name of `EXPECTED_LIGHT` where the lamps made one of these patterns, otherwise what they did.
    """
    if not samples:
        return "not seen"
    # The rest state is left a moment after the result was seen on the bus.
    begin = next((at for at, lit in enumerate(samples) if lit != {"reject"}), 0)
    always = frozenset.intersection(*samples[begin:])
    ever = frozenset.union(*samples[begin:])
    patterns = {
        (frozenset({"accept"}), frozenset({"accept"})): "ACCEPT",
        (frozenset(), frozenset({"reject"})): "REJECT, flashing",
        (frozenset({"reject"}), frozenset({"reject"})): "REJECT",
        (frozenset({"reject", "fault"}), frozenset({"reject", "fault"})): "REJECT and FAULT",
    }
    return patterns.get((always, ever), f"unclear: {', '.join(sorted(ever)) or 'dark'}")
