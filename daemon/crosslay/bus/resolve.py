"""Host name to addresses, without ever hanging: a look-up cannot be ended, so it has a thread of its own."""

from __future__ import annotations

import ipaddress
import socket
import threading
import time
from collections.abc import Callable

from crosslay.errors import BusError

_PATIENCE_S = 5.0
_ROUND_S = 0.2
#: As many addresses of one name are tried in one attempt.
MOST_ADDRESSES = 8


class Resolver:
    """Resolves the broker's name for one pump. While one look-up hangs, no second one is begun."""

    def __init__(self) -> None:
        self._thread: threading.Thread | None = None
        self._answer: list[str] | OSError | None = None

    def addresses(self, host: str, port: int, beat: Callable[[], None]) -> list[str]:
        """Numeric addresses of a host, best first; `beat` is called while the look-up takes its time.

        Raises
        ------
        BusError
            The name has no address, or the name service does not answer within five seconds.
        """
        literal = host.removeprefix("[").removesuffix("]")
        if _is_address(literal):
            return [literal]
        if self._thread is None:
            self._answer = None
            self._thread = threading.Thread(target=self._look_up, args=(host, port), name="crosslay-names", daemon=True)
            self._thread.start()
        deadline = time.monotonic() + _PATIENCE_S
        while self._thread.is_alive() and time.monotonic() < deadline:
            beat()
            self._thread.join(_ROUND_S)
        if self._thread.is_alive():
            raise BusError(f"the name service says nothing about {host}; check the network's name servers")
        self._thread = None
        return _unpacked(self._answer, host)

    def _look_up(self, host: str, port: int) -> None:
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            self._answer = [str(sockaddr[0]) for *_rest, sockaddr in found]
        except OSError as error:
            self._answer = error
        except UnicodeError as error:  # a label that is empty or too long
            self._answer = OSError(str(error))


def _unpacked(answer: list[str] | OSError | None, host: str) -> list[str]:
    if isinstance(answer, OSError):
        raise BusError(f"the name {host} leads to no address ({answer.strerror or answer})") from answer
    if not answer:
        raise BusError(f"the name {host} leads to no address")
    return list(dict.fromkeys(answer))[:MOST_ADDRESSES]


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
