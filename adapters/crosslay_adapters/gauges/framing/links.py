"""The two ways to a gauge's bytes: a serial port and a TCP connection."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import grp
import os
import select
import socket
import termios
from pathlib import Path
from typing import Any, Final, Literal, Protocol

import serial
from pydantic import Field

from crosslay.errors import GaugeError
from crosslay.ports import AdapterConfig

_CHUNK_BYTES: Final = 16384
_BY_ID: Final = Path("/dev/serial/by-id")


class Link(Protocol):
    """Bytes from and to the gauge. Faults raise `GaugeError`."""

    def open(self) -> None:
        """Connect."""

    def read(self, timeout_s: float) -> bytes:
        """What has arrived, at most 16 KiB; waits at most `timeout_s` seconds for the first byte."""

    def write(self, data: bytes) -> None:
        """Send."""

    def close(self) -> None:
        """Let go; can be called twice."""

    def describe(self) -> dict[str, str]:
        """Where it leads."""


class SerialOptions(AdapterConfig):
    """What a serial port needs."""

    port: str = Field(min_length=1, max_length=512, description="Device or pyserial URL.")
    baud: int = Field(default=115200, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "rts-cts", "xon-xoff"] = "none"


class SerialLink:
    """A serial port that nobody else can have at the same time."""

    def __init__(self, options: SerialOptions) -> None:
        self._options = options
        self._port: Any = None

    def describe(self) -> dict[str, str]:
        """Name and speed of the port."""
        return {"port": self._options.port, "baud": str(self._options.baud)}

    def open(self) -> None:
        """Open, and keep others out."""
        o = self._options
        device = "://" not in o.port
        try:
            self._port = serial.serial_for_url(
                o.port, baudrate=o.baud, bytesize=o.data_bits, parity=o.parity[0].upper(), stopbits=o.stop_bits,
                rtscts=o.flow_control == "rts-cts", xonxoff=o.flow_control == "xon-xoff", timeout=0, write_timeout=5,
                exclusive=True if device else None,
            )
            if device:  # the lock above keeps out those who ask for one; this keeps out everybody
                fcntl.ioctl(self._port.fileno(), termios.TIOCEXCL)
        except (OSError, termios.error, ValueError) as error:
            self.close()
            raise GaugeError(self._complaint(error)) from error

    def read(self, timeout_s: float) -> bytes:
        """See `Link.read`."""
        try:
            self._port.timeout = timeout_s
            first = self._port.read(1)
            waiting = min(self._port.in_waiting, _CHUNK_BYTES - 1) if first else 0
            return bytes(first + self._port.read(waiting)) if waiting else bytes(first)
        except (OSError, termios.error) as error:
            raise GaugeError(f'"{self._options.port}" is gone ({_words(error)}); plug the gauge in again, the station '
                             "opens it by itself") from error

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            self._port.write(data)
        except (OSError, termios.error) as error:
            raise GaugeError(f'"{self._options.port}" takes no command ({_words(error)}); look at cable and flow '
                             "control") from error

    def close(self) -> None:
        """Let others have the port."""
        port, self._port = self._port, None
        if port is None:
            return
        with contextlib.suppress(OSError, termios.error, ValueError):
            if "://" not in self._options.port:
                fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        with contextlib.suppress(OSError, termios.error):
            port.close()

    def _complaint(self, error: Exception) -> str:
        port, code = self._options.port, getattr(error, "errno", None)
        if code == errno.ENOENT:
            return f'the port "{port}" is not there; plug the gauge in or correct gauge.port. {_ports_there()}'
        if code in {errno.EACCES, errno.EPERM}:
            return (f'this user may not open "{port}"; it belongs to the group "{_group_of(port)}". Add it to the '
                    "daemon's unit: SupplementaryGroups=")
        if code in {errno.EBUSY, errno.EAGAIN}:
            return f'"{port}" is in use by another program; end that one, or give this station another port'
        return f'"{port}" cannot be opened as a serial port ({_words(error)}); correct gauge.port and its settings'


def _ports_there() -> str:
    try:
        names = sorted(entry.name for entry in _BY_ID.iterdir())
    except OSError:
        names = []
    return f"In {_BY_ID} there is {', '.join(names[:8]) or 'nothing'}"


def _group_of(port: str) -> str:
    try:
        return grp.getgrgid(os.stat(port).st_gid).gr_name  # noqa: PTH116 - as much as one may know of it
    except (OSError, KeyError):
        return "dialout"


def _words(error: Exception) -> str:
    code = getattr(error, "errno", None)
    return os.strerror(code) if isinstance(code, int) else str(error)


class TcpOptions(AdapterConfig):
    """What a TCP connection needs."""

    host: str = Field(min_length=1, max_length=253, description="Name or address of the gauge.")
    port: int = Field(ge=1, le=65535)
    connect_timeout_s: float = Field(default=3.0, gt=0, le=10, allow_inf_nan=False)


class TcpLink:
    """A TCP connection to the gauge."""

    def __init__(self, options: TcpOptions) -> None:
        self._options = options
        self._socket: socket.socket | None = None

    @property
    def _where(self) -> str:
        return f"{self._options.host}:{self._options.port}"

    def describe(self) -> dict[str, str]:
        """Where the gauge is."""
        return {"address": self._where}

    def open(self) -> None:
        """Connect; a peer that vanishes without a word is noticed after half a minute."""
        try:
            connection = socket.create_connection((self._options.host, self._options.port),
                                                  self._options.connect_timeout_s)
        except (OSError, UnicodeError) as error:
            raise GaugeError(f"the gauge at {self._where} does not answer ({_words(error)}); look at its power, the "
                             "network, gauge.host and gauge.port") from error
        for option, value in ((socket.TCP_KEEPIDLE, 10), (socket.TCP_KEEPINTVL, 5), (socket.TCP_KEEPCNT, 4)):
            connection.setsockopt(socket.IPPROTO_TCP, option, value)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket = connection

    def read(self, timeout_s: float) -> bytes:
        """See `Link.read`."""
        connection = self._socket
        try:
            if connection is None or not select.select([connection], [], [], timeout_s)[0]:
                return b""
            data = connection.recv(_CHUNK_BYTES)
        except (OSError, ValueError) as error:
            raise GaugeError(f"the connection to {self._where} broke ({_words(error)}); the station connects "
                             "again") from error
        if not data:
            raise GaugeError(f"the gauge at {self._where} closed the connection; the station connects again")
        return data

    def write(self, data: bytes) -> None:
        """Send."""
        try:
            if self._socket is not None:
                self._socket.sendall(data)
        except OSError as error:
            raise GaugeError(f"the connection to {self._where} broke ({_words(error)}); the station connects "
                             "again") from error

    def close(self) -> None:
        """Hang up."""
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()
