"""One connection to the broker. A new `Link` for every connection (DC-61): the outbox is the only memory.

paho queues in memory, re-sends by itself and swallows reasons; so its own reconnect, threads and queue stay unused. The
pump thread drives the socket through `Link.step`, and callbacks only note what came in.
"""

from __future__ import annotations

import select
import socket
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from crosslay.bus.messages import MAX_INBOUND_BYTES
from crosslay.errors import BusError

_CONNECT_TIMEOUT_S = 5.0
#: In-flight messages kept free for state and conditions beside the results.
_RESERVE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where the broker is and how to speak to it. ``protocol`` is ``5`` or ``3.1.1``."""

    host: str
    port: int
    protocol: str
    keepalive_s: int
    client_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbound:
    """One message to publish, QoS 1. ``properties`` is the user property ``delivery`` or empty; expiry in s."""

    topic: str
    payload: bytes
    retain: bool = False
    content_type: str = "application/json"
    delivery: str = ""
    expiry_s: int | None = None


class Link:
    """See the module. Not thread-safe except `wake`; errors are `BusError`."""

    def __init__(self, address: Address, *, will: Outbound) -> None:
        self._address = address
        self._five = address.protocol == "5"
        self.acknowledged: deque[tuple[int, int]] = deque()
        """PUBACKs as (mid, reason code), oldest first."""
        self.received: deque[tuple[str, bytes | None]] = deque(maxlen=1000)
        """Messages as (topic, payload); payload None where it was larger than allowed."""
        self.subscriptions: deque[int] = deque()
        """SUBACK reason codes."""
        self.receive_maximum = 65_535
        self._lost: str | None = None
        self._connected = False
        self._sent_at: dict[int, float] = {}
        self._progress_at = time.monotonic()
        self._client = self._make_client(will)

    def connect(self) -> None:
        """Open the connection and wait for CONNACK."""
        try:
            # Clean start is paho's default for the first connection of a client, and a Link makes only one.
            self._client.connect(self._address.host, self._address.port, keepalive=self._address.keepalive_s)
        except (OSError, ValueError) as error:
            raise BusError(f"broker {self._address.host}:{self._address.port} does not answer ({error})") from error
        deadline = time.monotonic() + _CONNECT_TIMEOUT_S
        while not self._connected:
            if time.monotonic() > deadline:
                raise BusError(
                    f"broker {self._address.host}:{self._address.port} took the connection but sent no CONNACK"
                )
            self.step(0.1, None)

    def subscribe(self, topics: list[str]) -> None:
        """Ask for topics at QoS 1; the answer comes as `subscriptions`."""
        self._client.subscribe([(topic, 1) for topic in topics])

    def unsubscribe(self, topic: str) -> None:
        """Ask for no more of a topic."""
        self._client.unsubscribe(topic)

    def publish(self, message: Outbound) -> int:
        """Send one message at QoS 1; returns its message id, which comes back in `acknowledged`."""
        info = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            retain=message.retain,
            properties=self._properties(message) if self._five else None,
        )
        if info.rc != mqtt.MQTT_ERR_SUCCESS:
            raise BusError(f"publishing failed ({mqtt.error_string(info.rc)})")
        self._sent_at[info.mid] = time.monotonic()
        return info.mid

    def room(self) -> int:
        """How many more results the broker's Receive Maximum lets be in flight."""
        return max(0, self.receive_maximum - _RESERVE - len(self._sent_at))

    def step(self, timeout_s: float, wake: socket.socket | None) -> None:
        """Wait for the socket or for `wake`, and do what is due: read, write, keepalive.

        Raises
        ------
        BusError
            The connection is lost, or nothing that was sent is acknowledged any more.
        """
        sock = self._client.socket()
        if sock is None:
            raise BusError(self._lost or "the connection was closed")
        readers: list[Any] = [sock] if wake is None else [sock, wake]
        pending = getattr(sock, "pending", None)
        if pending is not None and pending() > 0:
            timeout_s = 0.0
        readable, writable, _ = select.select(readers, [sock] if self._client.want_write() else [], [], timeout_s)
        if wake is not None and wake in readable:
            _drain(wake)
        if sock in readable or (pending is not None and pending() > 0):
            self._client.loop_read()
        if writable:
            self._client.loop_write()
        self._client.loop_misc()
        if self._lost is not None:
            raise BusError(self._lost)
        self._check_progress()

    def close(self, farewell: Outbound | None = None) -> None:
        """Disconnect; with a farewell in order, else as a lost link. Can be called twice."""
        if farewell is not None and self._connected and self._lost is None:
            deadline = time.monotonic() + 1.0
            try:
                mid = self.publish(farewell)
                while mid in self._sent_at and time.monotonic() < deadline:
                    self.step(0.05, None)
                self._client.disconnect()
            except BusError:
                pass  # the will says it
        sock = self._client.socket()
        if sock is not None:
            sock.close()

    def _check_progress(self) -> None:
        # DC-64: health is acknowledgement progress. Half a keepalive without any answer while something waits for one,
        # at most a keepalive after the periodic state message, is within 1.5 keepalives. What others send does not
        # count: it comes in as well where the broker hears nothing of us any more.
        if not self._sent_at:
            return
        waited = time.monotonic() - max(self._progress_at, min(self._sent_at.values()))
        if waited > max(1.0, self._address.keepalive_s / 2):
            raise BusError(f"the broker acknowledged nothing for {waited:.1f} s")

    def _make_client(self, will: Outbound) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._address.client_id,
            protocol=mqtt.MQTTv5 if self._five else mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = _CONNECT_TIMEOUT_S
        client.max_inflight_messages_set(0)
        client.will_set(
            will.topic,
            will.payload,
            qos=1,
            retain=will.retain,
            properties=self._will_properties() if self._five else None,
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        return client

    def _on_connect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._lost = f"the broker refused the connection: {reason}"
            return
        self._connected = True
        self.receive_maximum = int(getattr(properties, "ReceiveMaximum", 65_535) or 65_535)

    def _on_disconnect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self._lost is None:
            self._lost = f"the connection to the broker was lost ({reason})"

    def _on_publish(self, _client: Any, _userdata: Any, mid: int, reason: Any, _properties: Any) -> None:
        self._sent_at.pop(mid, None)
        self._progress_at = time.monotonic()
        self.acknowledged.append((mid, int(reason.value)))

    def _on_message(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        too_large = len(message.payload) > MAX_INBOUND_BYTES
        self.received.append((message.topic, None if too_large else bytes(message.payload)))

    def _on_subscribe(self, _client: Any, _userdata: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        self.subscriptions.extend(int(reason.value) for reason in reasons)

    @staticmethod
    def _will_properties() -> Properties:
        properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        properties.PayloadFormatIndicator = 1
        properties.ContentType = "application/json"
        return properties

    @staticmethod
    def _properties(message: Outbound) -> Properties:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.PayloadFormatIndicator = 1
        properties.ContentType = message.content_type
        if message.delivery:
            properties.UserProperty = ("delivery", message.delivery)
        if message.expiry_s is not None:
            properties.MessageExpiryInterval = message.expiry_s
        return properties


def _drain(wake: socket.socket) -> None:
    try:
        while wake.recv(4096):
            pass
    except BlockingIOError:
        pass
