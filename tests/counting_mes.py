"""An MES for fault tests: acknowledges through its highest result without a hole, and notes every delivery."""

from __future__ import annotations

import contextlib
import json
import threading
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from station_harness import TOPIC
from wire_contract import violations

WINDOW = 20
"""W of DC-31 as the station file leaves it."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """One message on v1/result: over the how-manieth connection of the station, and what."""

    connection: int
    instance: str
    sequence: int
    payload: bytes


class CountingMes:
    """See the module. The broker publishes a station's will in order, so it tells one connection from the next."""

    def __init__(self, port: int) -> None:
        self.deliveries: list[Delivered] = []
        self.sessions: list[int] = []
        self.violations: list[str] = []
        self.state: dict[str, Any] = {}
        self.acknowledged_through = 0
        self.anchored = threading.Event()
        self._instance = ""
        self._received: set[int] = set()
        self._connection = 0
        self._away = threading.Event()
        self._lock = threading.Lock()
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        # Nothing that was retained before, and retain flags as the station set them: the contract is checked.
        options = SubscribeOptions(qos=1, retainAsPublished=True, retainHandling=2)
        topics = [(f"{TOPIC}/v1/{leaf}", options) for leaf in ("result", "state", "anchor")]
        self._client.on_connect = lambda client, *_rest: client.subscribe(topics)
        self._client.on_subscribe = lambda *_rest: self._subscribed.set()
        self._client.message_callback_add(f"{TOPIC}/v1/result", self._on_result)
        self._client.message_callback_add(f"{TOPIC}/v1/state", self._on_state)
        self._client.message_callback_add(f"{TOPIC}/v1/anchor", self._on_anchor)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._subscribed.wait(10)

    def go_away(self) -> None:
        """Acknowledge nothing any more; whatever comes is still noted."""
        self._away.set()

    def come_back(self) -> None:
        """Acknowledge again, beginning with what came meanwhile."""
        with self._lock:
            self._away.clear()
            self._acknowledge()

    def payloads(self) -> dict[int, set[bytes]]:
        """Every payload that came under each sequence number."""
        seen: dict[int, set[bytes]] = defaultdict(set)
        for item in list(self.deliveries):
            seen[item.sequence].add(item.payload)
        return seen

    def events(self) -> list[dict[str, Any]]:
        """Every event once, in the order of its first coming, of all instances."""
        once: dict[tuple[str, int], bytes] = {}
        for item in list(self.deliveries):
            once.setdefault((item.instance, item.sequence), item.payload)
        return [json.loads(payload) for payload in once.values()]

    def parts(self) -> list[str]:
        """Part of each sequence number, ascending; gap records stand for none."""
        events = [json.loads(min(bodies)) for _, bodies in sorted(self.payloads().items())]
        return [event["data"]["partId"] for event in events if "partId" in event["data"]]

    def doubled(self) -> int:
        """Parts that stand under more than one sequence number."""
        return sum(number - 1 for number in Counter(self.parts()).values())

    def most_repeats(self) -> int:
        """Most results that one connection of the station sent again (DC-32), repeats by the resend timer apart."""
        seen: set[int] = set()
        by_connection: dict[int, set[int]] = defaultdict(set)
        for item in list(self.deliveries):
            by_connection[item.connection].add(item.sequence)
        most = 0
        for _, sequences in sorted(by_connection.items()):
            most = max(most, len(sequences & seen))
            seen |= sequences
        return most

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()
        self._client._reset_sockets(sockpair_only=True)  # else only when it is collected

    def _on_result(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self._judge(message)
        data = json.loads(message.payload)["data"]
        with self._lock:
            self.deliveries.append(
                Delivered(self._connection, data["instanceId"], data["sequence"], bytes(message.payload))
            )
            if data["instanceId"] != self._instance:
                self._instance, self.acknowledged_through = data["instanceId"], 0
                self._received.clear()
            self._received.add(data["sequence"])
            self._acknowledge()

    def _on_state(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        state = json.loads(message.payload)
        if state["online"]:
            self.state = state
            self.sessions.append(state["sessionNumber"])
            if state["instanceId"] == self._instance:
                with self._lock:  # what is below the first is gone by decision, and a gap record will say so (DC-42)
                    self.acknowledged_through = max(self.acknowledged_through, state["firstSequence"] - 1)
                    self._acknowledge()
        else:
            self._connection += 1
        self._judge(message)

    def _on_anchor(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self.anchored.set()
        self._judge(message)

    def _judge(self, message: mqtt.MQTTMessage) -> None:
        self.violations += violations(message, TOPIC)

    def _acknowledge(self) -> None:
        while self.acknowledged_through + 1 in self._received:
            self.acknowledged_through += 1
        if self._instance and not self._away.is_set():
            text = json.dumps({"instanceId": self._instance, "acknowledgedThrough": self.acknowledged_through})
            self._client.publish(f"{TOPIC}/v1/result/ack", text, qos=1)


@contextlib.contextmanager
def counting_mes(port: int) -> Iterator[CountingMes]:
    """A counting MES that surely leaves; what it was sent must keep to the published contract."""
    mes = CountingMes(port)
    try:
        yield mes
    finally:
        mes.close()
    assert not mes.violations, mes.violations[:5]
