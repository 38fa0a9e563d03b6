"""paho's client with two things mended.

It spends more time on the properties of a PUBLISH, the same for every result, than on all else of it: `Packed` does
that work once.

It ends the connection over a PUBACK whose reason code it has no name for.

MQTT 5.0 lists nine reasons for a PUBACK (table 3-4), and 0x95, packet too large, is not among them; mosquitto sends it
all the same for a message above its ``message_size_limit``. Ended and begun again, the connection would come to the
same message for ever.
"""

from __future__ import annotations

import struct
from typing import Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.exception import MalformedPacket
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

_FAILURE = 0x80


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

    def _handle_pubackcomp(self, cmd: Literal["PUBACK", "PUBCOMP"]) -> MQTTErrorCode:
        try:
            return super()._handle_pubackcomp(cmd)
        except MalformedPacket:
            packet = self._in_packet["packet"]
            if cmd != "PUBACK" or len(packet) < 3 or packet[2] < _FAILURE:
                raise
            (mid,) = struct.unpack_from("!H", packet)
            reason = ReasonCode(PacketTypes.PUBACK, identifier=_FAILURE)  # unspecified error, the nearest with a name
            reason.value = int(packet[2])
            with self._out_message_mutex:
                if mid in self._out_messages:
                    return self._do_on_publish(mid, reason, Properties(PacketTypes.PUBACK))  # type: ignore[no-untyped-call]
            return MQTTErrorCode.MQTT_ERR_SUCCESS
