"""paho's client with three things mended.

It spends more time on the properties of a PUBLISH, the same for every result, than on all else of it: `Packed` does
that work once.

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
        """Told the message id and the reason code of every PUBACK that answers a message of ours."""
        self._gathered: list[bytes | bytearray] | None = None
        self._ahead = b""
        self._ahead_at = 0

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
        mid = body[0] << 8 | body[1]
        with self._out_message_mutex:
            known = self._out_messages.pop(mid, None) is not None
            self._inflight_messages -= known
        if known:
            # A PUBACK of two bytes means success (MQTT 5.0, 3.4.2.1); in MQTT 3.1.1 there are no more.
            self.on_puback(mid, body[2] if len(body) > 2 else 0)
