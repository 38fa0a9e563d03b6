"""An MQTT 5 server that answers as it is told, written from the standard (OASIS MQTT 5.0): for what no broker does.

It keeps nothing and forwards nothing. What it must not be sent (more in flight than Receive Maximum, a packet above
Maximum Packet Size) it notes in `violations`.
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
UNSUBSCRIBE, UNSUBACK, PINGREQ, PINGRESP, DISCONNECT = 10, 11, 12, 13, 14


@dataclass(frozen=True)
class Published:
    """A PUBLISH packet as it came."""

    topic: str
    payload: bytes
    packet_id: int
    properties: bytes
    size: int


def packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """A control packet (clause 2.1)."""
    return bytes([kind << 4 | flags]) + variable_byte_integer(len(body)) + body


def variable_byte_integer(number: int) -> bytes:
    """Clause 1.5.5."""
    encoded = bytearray()
    while True:
        number, digit = divmod(number, 128)
        encoded.append(digit | (128 if number else 0))
        if not number:
            return bytes(encoded)


def connack(reason: int = 0, *, receive_maximum: int = 0, packet_bytes: int = 0, keepalive_s: int = 0) -> bytes:
    """Clause 3.2, with those properties that are not 0."""
    properties = b""
    if receive_maximum:
        properties += b"\x21" + struct.pack("!H", receive_maximum)
    if packet_bytes:
        properties += b"\x27" + struct.pack("!I", packet_bytes)
    if keepalive_s:
        properties += b"\x13" + struct.pack("!H", keepalive_s)
    return packet(CONNACK, bytes([0, reason]) + variable_byte_integer(len(properties)) + properties)


def puback(packet_id: int, reason: int = 0) -> bytes:
    """Clause 3.4."""
    return packet(PUBACK, struct.pack("!HBB", packet_id, reason, 0))


def disconnect(reason: int) -> bytes:
    """Clause 3.14."""
    return packet(DISCONNECT, bytes([reason, 0]))


def publish(topic: str, payload: bytes) -> bytes:
    """Clause 3.3, at QoS 0 and without properties."""
    name = topic.encode()
    return packet(PUBLISH, struct.pack("!H", len(name)) + name + b"\0" + payload)


class ScriptedBroker:
    """See the module.

    Attributes
    ----------
    connack
        The answer to CONNECT.
    answer
        Bytes that answer a PUBLISH; PUBACK with success by default. None: no answer.
    hang_up
        Whether the connection ends over a PUBLISH, without an answer.
    answer_after_s
        How long every answer to a PUBLISH takes.
    receive_maximum, packet_bytes
        What `violations` goes by; 0: no limit.
    """

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port = int(self._listener.getsockname()[1])
        self.connack = connack()
        self.answer: Callable[[Published], bytes | None] = lambda message: puback(message.packet_id)
        self.hang_up: Callable[[Published], bool] = lambda _message: False
        self.answer_after_s = 0.0
        self.receive_maximum = 0
        self.packet_bytes = 0
        self.published: list[Published] = []
        self.connected_at: list[float] = []
        self.violations: list[str] = []
        self.pings = 0
        self.clean_starts: list[bool] = []
        self._client: socket.socket | None = None
        self._inbound = b""
        self._answers: deque[tuple[float, bytes]] = deque()
        self._in_flight = 0
        self._outbound: deque[bytes] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="scripted-broker")
        self._thread.start()

    def results(self, suffix: str = "/v1/result") -> list[Published]:
        """What came on the topic of results."""
        return [item for item in list(self.published) if item.topic.endswith(suffix)]

    def send(self, raw: bytes) -> None:
        """Send anything on the present connection."""
        self._outbound.append(raw)

    def close(self) -> None:
        """End."""
        self._stop.set()
        self._thread.join()
        self._drop()
        self._listener.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            sockets = [self._listener] if self._client is None else [self._listener, self._client]
            readable, _, _ = select.select(sockets, [], [], 0.005)
            if self._listener in readable:
                self._drop()
                self._client, _ = self._listener.accept()
                self._client.settimeout(1.0)
                self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self.connected_at.append(time.monotonic())
            elif self._client in readable:
                self._read()
            while self._answers and self._answers[0][0] <= time.monotonic():
                self._in_flight -= 1
                self._write(self._answers.popleft()[1])
            while self._outbound:
                self._write(self._outbound.popleft())

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client, self._inbound, self._in_flight = None, b"", 0
        self._answers.clear()

    def _write(self, raw: bytes) -> None:
        if self._client is not None:
            try:
                self._client.sendall(raw)
            except OSError:
                self._drop()

    def _read(self) -> None:
        assert self._client is not None
        try:
            data = self._client.recv(65_536)
        except OSError:
            data = b""
        if not data:
            self._drop()
            return
        self._inbound += data
        while (taken := _take(self._inbound)) is not None:
            kind, flags, body, size = taken
            self._inbound = self._inbound[size:]
            if self.packet_bytes and size > self.packet_bytes:
                self.violations.append(f"a packet of {size} bytes, allowed are {self.packet_bytes}")
            self._on_packet(kind, flags, body, size)
            if self._client is None:
                return

    def _on_packet(self, kind: int, flags: int, body: bytes, size: int) -> None:
        if kind == CONNECT:
            self.clean_starts.append(bool(body[7] & 0x02))
            self._write(self.connack)
        elif kind == PUBLISH:
            self._on_publish(_published(flags, body, size))
        elif kind == SUBSCRIBE:
            self._write(packet(SUBACK, body[:2] + b"\0" + b"\1"))
        elif kind == UNSUBSCRIBE:
            self._write(packet(UNSUBACK, body[:2] + b"\0" + b"\0"))
        elif kind == PINGREQ:
            self.pings += 1
            self._write(packet(PINGRESP, b""))
        elif kind == DISCONNECT:
            self._drop()

    def _on_publish(self, message: Published) -> None:
        self._in_flight += 1
        if self.receive_maximum and self._in_flight > self.receive_maximum:
            self.violations.append(f"{self._in_flight} messages in flight, allowed are {self.receive_maximum}")
        self.published.append(message)
        if self.hang_up(message):
            self._drop()
            return
        answer = self.answer(message)
        if answer is not None:
            self._answers.append((time.monotonic() + self.answer_after_s, answer))


def _take(data: bytes) -> tuple[int, int, bytes, int] | None:
    """Type, flags, body and whole size of the first complete packet."""
    length, shift, position = 0, 0, 1
    while True:
        if position >= len(data):
            return None
        digit = data[position]
        length |= (digit & 127) << shift
        shift += 7
        position += 1
        if digit < 128:
            break
    if len(data) < position + length:
        return None
    return data[0] >> 4, data[0] & 15, data[position : position + length], position + length


def _published(flags: int, body: bytes, size: int) -> Published:
    assert flags & 0b0110 == 0b0010, "everything is sent at QoS 1"
    end = 2 + struct.unpack_from("!H", body)[0]
    topic = body[2:end].decode()
    packet_id = struct.unpack_from("!H", body, end)[0]
    length, shift, position = 0, 0, end + 2
    while True:
        digit = body[position]
        length |= (digit & 127) << shift
        shift, position = shift + 7, position + 1
        if digit < 128:
            break
    properties = body[position : position + length]
    return Published(topic, body[position + length :], packet_id, properties, size)


@contextlib.contextmanager
def scripted_broker() -> Iterator[ScriptedBroker]:
    """A server that surely ends."""
    server = ScriptedBroker()
    try:
        yield server
    finally:
        server.close()
