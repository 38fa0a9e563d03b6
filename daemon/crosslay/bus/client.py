"""paho's client with three things mended.

It spends more time on the properties of a PUBLISH, the same for every result, than on all else of it, and remembers
every message until it is answered: `Packed` does that work once, `Client.send` leaves the remembering to the outbox.

It asks the kernel for every message that it writes and for every byte of a header that it reads. Each of those calls
lets another thread of this process take over, and a backlog drains at half the speed: `Client.together` writes several
messages at once, and what has arrived is read at once.

It ends the connection over a PUBACK whose reason code it has no name for, and takes long over the others. MQTT 5.0
lists nine reasons for a PUBACK (table 3-4), and 0x95, packet too large, is not among them; mosquitto sends it all the
same for a message above its ``message_size_limit``. Ended and begun again, the connection would come to the same
message for ever. `Client.on_puback` is told the bare number.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MessageType, MQTTErrorCode
from paho.mqtt.properties import Properties

_READ_BYTES = 8192
_PACKETS = 100
#: Above it the length of a packet goes on in the next byte.
_ONE_BYTE_LENGTH = 127


class Packed(Properties):
    """Properties whose bytes are made once; nothing is to be set afterwards."""

    def __init__(self, properties: Properties) -> None:
        super().__init__(properties.packetType)  # type: ignore[no-untyped-call]
        object.__setattr__(self, "_bytes", bytes(properties.pack()))  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        """Their wire form."""
        packed: bytes = object.__getattribute__(self, "_bytes")
        return packed


class Client(mqtt.Client):
    """See the module."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.on_puback: Callable[[int, int], None] = lambda _mid, _reason: None
        """Told the message id and the reason code of every PUBACK."""
        self._gathered: list[bytes | bytearray] | None = None
        self._ahead = b""
        self._ahead_at = 0

    def send(self, topic: bytes, payload: bytes, properties: Properties | None, *, retain: bool) -> int:
        """Send a message at QoS 1 that paho shall not remember, and return its id; raises ``ConnectionError``.

        The outbox is the memory (DC-61): whoever sends knows which ids are not answered yet.
        """
        mid: int = self._mid_generate()
        rc = self._send_publish(mid, topic, payload, 1, retain, False, None, properties)
        if rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise ConnectionError(mqtt.error_string(rc))
        return mid

    def read(self) -> None:
        """Take what has arrived, but no more than `_PACKETS` packets: who is flooded has other things to do as well."""
        for _ in range(_PACKETS):
            if self.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or not self.read_ahead:
                return

    @contextmanager
    def together(self) -> Iterator[None]:
        """Messages of QoS 1 that are published inside go out in one write at the end, in their order."""
        gathered: list[bytes | bytearray] = []
        self._gathered = gathered
        try:
            yield
        finally:
            self._gathered = None
            if gathered:
                self._packet_queue(MessageType.PUBLISH, b"".join(gathered), 0, 1)

    @property
    def read_ahead(self) -> bool:
        """Whether bytes are here that no packet was made of yet; the socket says nothing of them."""
        return self._ahead_at < len(self._ahead)

    def _packet_queue(
        self, command: int, packet: bytes | bytearray, mid: int, qos: int, info: Any = None
    ) -> MQTTErrorCode:
        if self._gathered is None or command & 0xF0 != MessageType.PUBLISH or qos != 1:
            return super()._packet_queue(command, packet, mid, qos, info)
        self._gathered.append(packet)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.read_ahead:
            self._ahead, self._ahead_at = super()._sock_recv(max(bufsize, _READ_BYTES)), 0
        begin = self._ahead_at
        self._ahead_at = begin + bufsize
        return self._ahead[begin : begin + bufsize]

    def _packet_read(self) -> MQTTErrorCode:
        """Read a packet; a whole PUBACK that is here already without paho's steps from byte to byte."""
        at, here = self._ahead_at, self._ahead
        if self._in_packet["command"] or len(here) < at + 4 or here[at] != MessageType.PUBACK:
            return super()._packet_read()
        end = at + 2 + here[at + 1]
        if here[at + 1] > _ONE_BYTE_LENGTH or end > len(here) or end < at + 4:
            return super()._packet_read()
        self._ahead_at = end
        self._last_bytes_received = time.monotonic()
        self._take_puback(here[at + 2 : end])
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _handle_pubackcomp(self, cmd: Literal["PUBACK", "PUBCOMP"]) -> MQTTErrorCode:
        packet = self._in_packet["packet"]
        if cmd != "PUBACK" or len(packet) < 2:
            return super()._handle_pubackcomp(cmd)
        self._take_puback(packet)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _take_puback(self, body: bytes | bytearray) -> None:
        # A PUBACK of two bytes means success (MQTT 5.0, 3.4.2.1); in MQTT 3.1.1 there are no more.
        self.on_puback(body[0] << 8 | body[1], body[2] if len(body) > 2 else 0)
