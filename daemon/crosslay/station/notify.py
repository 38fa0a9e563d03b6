"""The service manager's notification socket (sd_notify protocol, systemd documentation)."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends to ``$NOTIFY_SOCKET``; does nothing where there is none."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        microseconds = environ.get("WATCHDOG_USEC", "")
        meant_for_us = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        #: Half the watchdog interval in s; None where there is no watchdog.
        self.watchdog_every_s = int(microseconds) / 2e6 if microseconds.isdigit() and meant_for_us else None

    def send(self, **fields: str) -> None:
        """Send fields, e.g. ``send(READY="1", STATUS="waiting")``. A socket that went away is no reason to stop."""
        if not self._address:
            return
        text = "\n".join(f"{key}={' '.join(value.splitlines())}" for key, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.sendto(text.encode(), self._address)
        except OSError:
            return
