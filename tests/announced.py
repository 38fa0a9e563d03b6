"""What a traced station has told others so far: over MQTT, in its log, by moving a file to ``done/``.

A promise counts from the moment at which the call that gives it is entered: the daemon means it from then on.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import Any

from syscall_log import Call

_PUBLISH, _CONNECT = 3, 1
_LEAVES = {"sendto": {"result", "state", "anchor"}, "recvfrom": {"result/ack"}}
_SESSION = re.compile(rb'"sessionNumber":(\d+)')


@dataclass(slots=True)
class Promises:
    """What must be true of the store after a power cut now.

    Attributes
    ----------
    published
        Payload by instance and sequence, from the first transmission.
    parts
        Parts that were called stored: logged as a result, or their file moved away.
    acknowledged
        By instance, the highest number that the MES has said: more cannot be acknowledged.
    session
        Highest session number used.
    number
        How many promises there were so far.
    stated, anchored
        By instance, the highest number that the state said to exist, and that an anchor told the broker.
    """

    published: dict[tuple[str, int], bytes] = field(default_factory=dict)
    parts: set[str] = field(default_factory=set)
    acknowledged: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    session: int = 0
    number: int = 0
    stated: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    anchored: dict[str, int] = field(default_factory=lambda: defaultdict(int))


class Listener:
    """Follows the calls of one process, or of several after each other."""

    def __init__(self) -> None:
        self.promises = Promises()
        self._streams: dict[tuple[str, int], bytearray] = defaultdict(bytearray)

    def rebooted(self) -> None:
        """Another process: its descriptors are new."""
        self._streams.clear()

    def hear(self, call: Call) -> bool:
        """Take in one call; whether it said something that binds."""
        binds = self._hear(call)
        self.promises.number += binds
        return binds

    def _hear(self, call: Call) -> bool:
        if call.name == "close":
            for way in ("sendto", "recvfrom"):
                self._streams.pop((way, call.number(0)), None)
        elif call.name in {"sendto", "recvfrom"} and call.strings and (call.result is None or call.result > 0):
            sent = call.strings[0] if call.result is None else call.strings[0][: call.result]
            stream = self._streams[call.name, call.number(0)]
            stream += sent
            heard = [self._on_packet(call.name, kind, body) for kind, body in packets(stream)]
            return any(heard)
        elif call.name == "write" and call.arguments[0] == "2":
            heard = [self._on_log(line) for line in call.strings[0].splitlines()]
            return any(heard)
        elif call.name in {"rename", "renameat2"} and call.result != -1:
            return self._on_move(*call.strings[:2])
        return False

    def _on_log(self, line: bytes) -> bool:
        if b'"event": "result"' not in line:
            return False
        self.promises.parts.add(json.loads(line)["part"])
        return True

    def _on_move(self, source: bytes, target: bytes) -> bool:
        moved = PurePosixPath(target.decode())
        if moved.parent.name != "done":
            return False
        self.promises.parts.add(PurePosixPath(source.decode()).stem)
        return True

    def _on_packet(self, way: str, kind: int, body: bytes) -> bool:
        if kind == _CONNECT:
            self._on_session(body)
            return True
        if kind != _PUBLISH:
            return False
        topic, payload = publication(body)
        leaf = topic.partition("/v1/")[2]
        if leaf not in _LEAVES[way] or not payload:
            return False
        self._on_publication(leaf, payload)
        return True

    def _on_publication(self, leaf: str, payload: bytes) -> None:
        message: dict[str, Any] = json.loads(payload)
        if leaf == "result":
            data = message["data"]
            self.promises.published.setdefault((data["instanceId"], data["sequence"]), payload)
        elif leaf == "result/ack":
            self._raise(self.promises.acknowledged, message["instanceId"], message["acknowledgedThrough"])
        elif leaf == "state":
            self._on_session(payload)
            if message.get("lastSequence"):
                self._raise(self.promises.stated, message["instanceId"], message["lastSequence"])
        else:
            self._raise(self.promises.anchored, message["instanceId"], message["lastSequence"])

    def _on_session(self, payload: bytes) -> None:
        self.promises.session = max([self.promises.session, *map(int, _SESSION.findall(payload))])

    @staticmethod
    def _raise(levels: dict[str, int], instance: str, number: int) -> None:
        levels[instance] = max(levels[instance], number)


def packets(stream: bytearray) -> Iterator[tuple[int, bytes]]:
    """Complete MQTT control packets at the head of a stream, which are taken off it: (type, rest after the length).

    References
    ----------
    MQTT 5.0, section 2.1 (fixed header) and 1.5.5 (variable byte integer).
    """
    while len(stream) >= 2:
        length, position = _variable(stream, 1)
        if position == 0 or len(stream) < position + length:
            return
        kind, body = stream[0] >> 4, bytes([stream[0]]) + bytes(stream[position : position + length])
        del stream[: position + length]
        yield kind, body


def publication(body: bytes) -> tuple[str, bytes]:
    """Topic and payload of a PUBLISH packet, its first byte and what follows the length (MQTT 5.0, section 3.3)."""
    topic_end = 3 + int.from_bytes(body[1:3], "big")
    position = topic_end + (2 if body[0] & 0x06 else 0)
    length, position = _variable(body, position)
    return body[3:topic_end].decode(), body[position + length :]


def _variable(data: bytes | bytearray, position: int) -> tuple[int, int]:
    """A variable byte integer and the position after it; position 0 where it is not complete."""
    value = 0
    for number, byte in enumerate(data[position : position + 4]):
        value |= (byte & 0x7F) << (7 * number)
        if not byte & 0x80:
            return value, position + number + 1
    return 0, 0
