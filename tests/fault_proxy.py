"""A TCP proxy on loopback between a station and its broker, whose faults can be switched while it runs."""

from __future__ import annotations

import contextlib
import enum
import select
import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

_ROUND_S = 0.01
_CHUNK = 65_536
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)


class Direction(enum.Enum):
    """Which way bytes go."""

    TO_BROKER = "to the broker"
    FROM_BROKER = "from the broker"


class Fault(enum.Enum):
    """What is wrong with the way, for old and new connections, until `FaultProxy.heal`.

    A black hole accepts connections and forwards nothing; what was sent stays where it is, as in a network that TCP
    cannot cross. With `DEAF` only the daemon's bytes are held, with `MUTE` only the broker's.
    """

    NONE = frozenset[Direction]()
    BLACK_HOLE = frozenset(Direction)
    DEAF = frozenset({Direction.TO_BROKER})
    MUTE = frozenset({Direction.FROM_BROKER})


@dataclass(eq=False)
class _Way:
    """One direction of one connection."""

    direction: Direction
    source: socket.socket
    target: socket.socket
    waiting: deque[tuple[float, bytes]] = field(default_factory=deque)
    next_byte_at: float = 0.0
    ended: bool = False


class FaultProxy:
    """See the module. `port` is where the station connects.

    Attributes
    ----------
    fault
        Switched at any moment.
    delay_s
        Every byte arrives so much later.
    trickle
        One byte a second in each direction.
    connections
        How many were accepted.
    passed
        Bytes forwarded, per direction.
    """

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port = int(self._listener.getsockname()[1])
        self.fault = Fault.NONE
        self.delay_s = 0.0
        self.trickle = False
        self.connections = 0
        self.passed = dict.fromkeys(Direction, 0)
        self._ways: list[_Way] = []
        self._orphans: list[socket.socket] = []
        self._cut: tuple[Direction, int] | None = None
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="fault-proxy")
        self._thread.start()

    def heal(self) -> None:
        """No fault any more; connections that wait go on."""
        self.fault, self.delay_s, self.trickle = Fault.NONE, 0.0, False

    def reset(self) -> None:
        """End every connection with RST."""
        with self._lock:
            for way in self._ways:
                self._shut(way.source, reset=True)
            self._ways.clear()

    def half_open(self) -> None:
        """The broker's side of every connection dies without a word to the daemon: no FIN, no RST, no answer."""
        with self._lock:
            for way in self._ways:
                if way.direction is Direction.TO_BROKER:
                    self._orphans.append(way.source)
                    self._shut(way.target, reset=True)
            self._ways.clear()

    def cut_after(self, byte_count: int, direction: Direction = Direction.TO_BROKER) -> None:
        """Forward so many bytes more in one direction, then end that connection: in the middle of a packet."""
        with self._lock:
            self._cut = (direction, byte_count)

    @property
    def cut_pending(self) -> bool:
        """Whether a cut was asked for and did not happen yet."""
        return self._cut is not None

    def close(self) -> None:
        """End the thread and every connection."""
        self._stop.set()
        self._thread.join()
        for way in self._ways:
            self._shut(way.source)
        for orphan in self._orphans:
            orphan.close()
        self._listener.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                sources = [way.source for way in self._ways if not self._held(way) and len(way.waiting) < 64]
            busy = any(way.waiting for way in self._ways)
            try:
                readable, _, _ = select.select([self._listener, *sources], [], [], 0.001 if busy else _ROUND_S)
            except (OSError, ValueError):  # a socket was closed by `reset` meanwhile
                continue
            with self._lock:
                if self._listener in readable:
                    self._accept()
                for way in list(self._ways):
                    if way in self._ways:
                        if way.source in readable:
                            self._read(way)
                        self._forward(way)

    def _held(self, way: _Way) -> bool:
        return way.direction in self.fault.value or way.ended

    def _accept(self) -> None:
        with contextlib.suppress(BlockingIOError):
            daemon, _ = self._listener.accept()
            self.connections += 1
            try:
                broker = socket.create_connection(("127.0.0.1", self._broker_port), timeout=1.0)
            except OSError:
                daemon.close()
                return
            for each in (daemon, broker):
                each.setblocking(False)
                each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._ways.append(_Way(Direction.TO_BROKER, daemon, broker))
            self._ways.append(_Way(Direction.FROM_BROKER, broker, daemon))

    def _read(self, way: _Way) -> None:
        try:
            data = way.source.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            way.waiting.append((time.monotonic() + self.delay_s, data))
        else:
            way.ended = True

    def _forward(self, way: _Way) -> None:
        now = time.monotonic()
        while way.waiting and way.waiting[0][0] <= now and way.direction not in self.fault.value:
            due, data = way.waiting[0]
            if self.trickle:
                if now < way.next_byte_at:
                    return
                way.next_byte_at = now + 1.0
                part = data[:1]
            else:
                part = data
            if self._cut is not None and self._cut[0] is way.direction:
                part = part[: self._cut[1]]
            sent = self._send(way, part)
            if sent is None or way not in self._ways:
                return
            way.waiting[0] = (due, data[sent:])
            if not way.waiting[0][1]:
                way.waiting.popleft()
            elif not sent:
                return
        if way.ended and not way.waiting:
            self._drop(way)

    def _send(self, way: _Way, part: bytes) -> int | None:
        """How many bytes went; None where the connection is gone, cut by intention or not."""
        try:
            sent = way.target.send(part) if part else 0
        except BlockingIOError:
            return 0
        except OSError:
            self._drop(way)
            return None
        self.passed[way.direction] += sent
        if self._cut is not None and self._cut[0] is way.direction:
            left = self._cut[1] - sent
            self._cut = None if left <= 0 else (way.direction, left)
            if left <= 0:
                self._drop(way)
                return None
        return sent

    def _drop(self, way: _Way) -> None:
        pair = [each for each in self._ways if each.source in {way.source, way.target}]
        for each in pair:
            self._ways.remove(each)
            self._shut(each.source)

    @staticmethod
    def _shut(each: socket.socket, *, reset: bool = False) -> None:
        with contextlib.suppress(OSError):
            if reset:
                each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        each.close()


@contextlib.contextmanager
def fault_proxy(broker_port: int) -> Iterator[FaultProxy]:
    """A proxy that surely ends."""
    proxy = FaultProxy(broker_port)
    try:
        yield proxy
    finally:
        proxy.close()
