"""One connection to the broker. A new `Link` for every connection (DC-61): the outbox is the only memory.

paho queues in memory, re-sends by itself and swallows reasons; so its own reconnect, threads and queue stay unused. The
pump thread drives the socket through `Link.step`, and callbacks only note what came in.
"""

from __future__ import annotations

import select
import socket
import time
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, LogLevel
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from crosslay.bus.client import Client, Packed
from crosslay.bus.credentials import Access, read_password
from crosslay.bus.messages import MAX_INBOUND_BYTES
from crosslay.bus.resolve import Resolver
from crosslay.bus.tls import HandshakeError, broke_off, handshake_failure, make_context
from crosslay.errors import BusError

_CONNECT_TIMEOUT_S = 5.0
#: What a broker of MQTT 5 is asked not to exceed: a payload that is refused for its size is still seen and counted.
MAX_PACKET_BYTES = 2 * MAX_INBOUND_BYTES
#: A packet announced as larger than this ends the connection before it fills the memory.
_GIANT_BYTES = 1 << 20
#: Inbound messages that wait to be read, in bytes; the excess is dropped and counted.
_WAITING_BYTES = 1 << 22
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
    access: Access = field(default_factory=Access)

    def __str__(self) -> str:
        """As errors name it."""
        return f"{self.host}:{self.port}"


class Requested(NamedTuple):
    """A message that asks for an answer; payload None where it was larger than allowed, the rest empty where absent."""

    topic: str
    payload: bytes | None
    retained: bool
    response_topic: str
    correlation: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbound:
    """One message to publish, QoS 1. ``delivery`` is a user property or empty; expiry in s; an answer's correlation."""

    topic: str
    payload: bytes
    retain: bool = False
    content_type: str = "application/json"
    delivery: str = ""
    expiry_s: int | None = None
    correlation: bytes = b""


class Link:
    """See the module. Not thread-safe; errors are `BusError`.

    Parameters
    ----------
    address
        The broker.
    will
        What the broker publishes when the connection is lost.
    resolver
        Kept over connections, because a look-up may outlive one.
    beat
        Called at least every five seconds while `connect` waits.
    """

    def __init__(
        self,
        address: Address,
        *,
        will: Outbound,
        resolver: Resolver | None = None,
        beat: Callable[[], None] = lambda: None,
    ) -> None:
        self._address = address
        self._will = will
        self._resolver = resolver or Resolver()
        self._beat = beat
        self._five = address.protocol == "5"
        self.acknowledged: deque[tuple[int, int]] = deque()
        """PUBACKs as (mid, reason code), oldest first."""
        self.received: deque[tuple[str, bytes | None]] = deque()
        """Messages as (topic, payload); payload None where it was larger than allowed."""
        self.asking: frozenset[str] = frozenset()
        """Topics whose messages ask for an answer; they come as `requested`."""
        self.requested: deque[Requested] = deque()
        """Such messages, oldest first."""
        self.dropped = 0
        """Messages dropped unread because too many waited; whoever counts them sets it back."""
        self.subscriptions: deque[int] = deque()
        """SUBACK reason codes."""
        self.receive_maximum = 65_535
        self.maximum_packet_bytes: int | None = None
        """What the broker takes at most; None for no limit."""
        self.refused_with = 0
        """Reason code of the broker's DISCONNECT; 0 for none."""
        self.ended_by_broker = False
        """Whether the other side ended the connection, rather than a time-out here."""
        self._lost: str | None = None
        self._connected = False
        self._logged = ""
        self._waiting_bytes = 0
        self._sent_at: dict[int, float] = {}
        self._progress_at = time.monotonic()
        self._client = self._make_client()

    def connect(self) -> None:
        """Open the connection and wait for CONNACK; certificates and the password are read now."""
        self._open(self._resolver.addresses(self._address.host, self._address.port, self._beat))
        deadline = time.monotonic() + _CONNECT_TIMEOUT_S
        while not self._connected:
            if time.monotonic() > deadline:
                raise BusError(f"broker {self._address} took the connection but sent no CONNACK")
            self.step(0.1, None)
            self._beat()

    def _open(self, numeric: list[str]) -> None:
        """Connect to the first address that answers, and says who it is where TLS is asked for."""
        failures: dict[str, Exception] = {}
        for each in numeric:
            self._beat()
            self._client = self._make_client()
            self._secure()
            try:
                # Clean start is paho's default for the first connection of a client, and each makes only one.
                self._client.connect(
                    each,
                    self._address.port,
                    keepalive=self._address.keepalive_s,
                    properties=self._connect_properties() if self._five else None,
                )
            except HandshakeError as error:
                failures[self._handshake_text(error)] = error
            except (OSError, ValueError) as error:
                failures[f"does not answer ({error})"] = error
            else:
                self._hurry()
                return
        # A name may lead to addresses where nobody listens; whoever answered, but not as it should, is the news.
        text = max(failures, key=lambda said: isinstance(failures[said], HandshakeError))
        raise BusError(f"broker {self._address} {text}") from failures[text]

    def _hurry(self) -> None:
        """Send small packets at once: the kernel would hold them until what went before is acknowledged (RFC 896)."""
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with suppress(OSError):  # closed already; the next step says so
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _secure(self) -> None:
        """Give the new client its context and its password, as the files are now."""
        access = self._address.access
        if access.tls is None:
            return
        self._client.tls_set_context(make_context(access.tls, self._address.host))
        self._client.on_log = self._on_log
        if access.username:
            password = None if access.password is None else read_password(access.password)
            self._client.username_pw_set(access.username, None if password is None else password.reveal())

    def _handshake_text(self, error: HandshakeError) -> str:
        assert self._address.access.tls is not None
        return handshake_failure(error.reason, self._address.access.tls, self._address.host)

    def subscribe(self, topics: list[str]) -> None:
        """Ask for topics at QoS 1; the answer comes as `subscriptions`."""
        self._client.subscribe([(topic, 1) for topic in topics])

    def unsubscribe(self, topic: str) -> None:
        """Ask for no more of a topic."""
        self._client.unsubscribe(topic)

    def publish(self, message: Outbound) -> int:
        """Send one message at QoS 1; returns its message id, which comes back in `acknowledged`."""
        properties = _properties_of(message) if self._five else None
        try:
            mid = self._client.send(_encoded(message.topic), message.payload, properties, retain=message.retain)
        except ConnectionError as error:
            raise BusError(f"publishing failed ({error})") from error
        self._sent_at[mid] = time.monotonic()
        return mid

    def together(self) -> AbstractContextManager[None]:
        """What is published inside goes out at its end, in one write."""
        return self._client.together()

    def free(self) -> int:
        """How many more messages the broker's Receive Maximum lets be in flight."""
        return max(0, self.receive_maximum - len(self._sent_at))

    def room(self) -> int:
        """How many more results may be in flight, so that there is room for other messages where there can be."""
        return max(0, self.free() - min(_RESERVE, self.receive_maximum // 2))

    def fits(self, message: Outbound) -> bool:
        """Whether the broker takes a message of this size."""
        if self.maximum_packet_bytes is None:
            return True
        # PUBLISH (MQTT 5.0, 3.3): at most 5 bytes of fixed header, topic with its length, packet id, properties.
        properties = len(_properties_of(message).pack())  # type: ignore[no-untyped-call]
        size = 5 + 2 + len(message.topic.encode()) + 2 + properties + len(message.payload)
        return size <= self.maximum_packet_bytes

    def oldest_unanswered(self) -> int | None:
        """The message id that waits longest for its acknowledgement; None where none does."""
        return next(iter(self._sent_at), None)

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
        here = self._client.read_ahead or _pending(sock)
        if here:
            timeout_s = 0.0
        readable, writable, _ = select.select(readers, [sock] if self._client.want_write() else [], [], timeout_s)
        if wake is not None and wake in readable:
            _drain(wake)
        if here or sock in readable:
            self._client.read()
            self._refuse_giants()
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
                while not self.free() and time.monotonic() < deadline:
                    self.step(0.05, None)
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

    def take_received(self) -> list[tuple[str, bytes | None]]:
        """All messages that wait, oldest first."""
        taken = list(self.received)
        self.received.clear()
        self._waiting_bytes = 0
        return taken

    def _refuse_giants(self) -> None:
        # paho has no limit of its own, and the protocol allows 256 MiB. It keeps the packet that it is reading here.
        announced = int(self._client._in_packet["remaining_length"])
        if announced > _GIANT_BYTES:
            raise BusError(f"the broker sends a packet of {announced} bytes; no message for a station is that large")

    def _make_client(self) -> Client:
        will = self._will
        client = Client(
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
        client.on_puback = self._on_puback
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        return client

    def _on_connect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._lost = f"the broker refused the connection: {reason}"
            return
        self._connected = True
        self.receive_maximum = int(getattr(properties, "ReceiveMaximum", 65_535) or 65_535)
        self.maximum_packet_bytes = getattr(properties, "MaximumPacketSize", None)

    def _on_disconnect(self, _client: Any, _userdata: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if flags.is_disconnect_packet_from_server:
            self.refused_with = int(reason.value)
        self.ended_by_broker = self._connected and reason != "Keep alive timeout"
        if self._lost is not None:
            return
        said = "" if self._connected or self._address.access.tls is None else broke_off(self._logged)
        self._lost = f"broker {self._address} {said}" if said else f"the connection to the broker was lost ({reason})"

    def _on_puback(self, mid: int, reason: int) -> None:
        if self._sent_at.pop(mid, None) is None:
            return
        self._progress_at = time.monotonic()
        self.acknowledged.append((mid, reason))

    def _on_message(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        payload = None if len(message.payload) > MAX_INBOUND_BYTES else bytes(message.payload)
        # Beside the payload a message takes about this much, so that empty ones count as well.
        size = 500 + len(payload or b"")
        if self._waiting_bytes + size > _WAITING_BYTES:
            self.dropped += 1
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        self._waiting_bytes += size
        if topic in self.asking:
            properties = message.properties
            answer_to = getattr(properties, "ResponseTopic", ""), getattr(properties, "CorrelationData", b"")
            self.requested.append(Requested(topic, payload, bool(message.retain), *answer_to))
        else:
            self.received.append((topic, payload))

    def _on_log(self, _client: Any, _userdata: Any, level: int, text: str) -> None:
        if level == LogLevel.MQTT_LOG_ERR:
            self._logged = text

    def _on_subscribe(self, _client: Any, _userdata: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        self.subscriptions.extend(int(reason.value) for reason in reasons)

    @staticmethod
    def _connect_properties() -> Properties:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = MAX_PACKET_BYTES
        return properties

    @staticmethod
    def _will_properties() -> Properties:
        properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        properties.PayloadFormatIndicator = 1
        properties.ContentType = "application/json"
        return properties


def _properties_of(message: Outbound) -> Properties:
    if message.correlation:
        properties = _plain_properties(message.content_type, message.delivery, message.expiry_s)
        properties.CorrelationData = message.correlation
        return properties
    return _properties(message.content_type, message.delivery, message.expiry_s)


@lru_cache(maxsize=64)
def _encoded(topic: str) -> bytes:
    return topic.encode()


@cache
def _properties(content_type: str, delivery: str, expiry_s: int | None) -> Packed:
    """Those of a PUBLISH; only a handful of different ones are ever asked for."""
    return Packed(_plain_properties(content_type, delivery, expiry_s))


def _plain_properties(content_type: str, delivery: str, expiry_s: int | None) -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.PayloadFormatIndicator = 1
    properties.ContentType = content_type
    if delivery:
        properties.UserProperty = ("delivery", delivery)
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    return properties


def _pending(sock: Any) -> bool:
    """Whether a TLS socket holds bytes that `select` does not know of."""
    pending = getattr(sock, "pending", None)
    return pending is not None and pending() > 0


def _drain(wake: socket.socket) -> None:
    try:
        while wake.recv(4096):
            pass
    except BlockingIOError:
        pass
