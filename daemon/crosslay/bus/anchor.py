"""The anchor: a retained number at the broker that gives a rolled-back database away (DC-44)."""

from __future__ import annotations

import socket
import threading
import time

from pydantic import ValidationError

from crosslay.bus.host import Host
from crosslay.bus.link import Outbound
from crosslay.bus.messages import AnchorIn, AnchorMessage
from crosslay.bus.session import Session
from crosslay.bus.topics import ANCHOR, Topics
from crosslay.errors import BusError
from crosslay.record.levels import Settled

_SUBACK_S = 5.0
_NONE_AFTER_S = 2.0
_EVERY_S = 10.0


class Anchor:
    """Reads the anchor once per process, and keeps it up to date. Belongs to the pump thread."""

    def __init__(self, topics: Topics, host: Host) -> None:
        self._topic = topics[ANCHOR]
        self._host = host
        self._checked = False
        self._asked_through = 0
        self._asked_at = float("-inf")

    def forget(self) -> None:
        """Another database: its numbers begin again."""
        self._asked_through = 0

    def check(self, session: Session, wake: socket.socket, stop: threading.Event) -> None:
        """Ask, before the process's first publication, whether the broker remembers more than the database.

        Raises
        ------
        BusError
            It does, and the station was asked to make the database anew; or the link was lost.
        """
        if not self._checked and self._host.anchor_needed():
            payload = self._read(session, wake, stop)
            if payload is not None:
                self._compare(payload)
        self._checked = True

    def ask(self) -> None:
        """Every ten seconds at most: have a number committed as anchored, before `send` publishes it."""
        last = self._host.levels().last
        if last > self._asked_through and time.monotonic() - self._asked_at >= _EVERY_S:
            self._asked_through, self._asked_at = last, time.monotonic()
            self._host.settle(Settled(anchored_through=last))

    def send(self, session: Session, last: int) -> None:
        """Publish a number that is committed as anchored."""
        identity = self._host.levels().instance_id
        message = AnchorMessage(instance_id=identity, session_number=session.number, last_sequence=last)
        session.send(Outbound(topic=self._topic, payload=message.to_bytes(), retain=True))

    def _read(self, session: Session, wake: socket.socket, stop: threading.Event) -> bytes | None:
        """The retained anchor; None where none came within two seconds of the broker's consent."""
        link = session.link
        link.subscribe([self._topic])
        granted, deadline = False, time.monotonic() + _SUBACK_S
        payload: bytes | None = None
        while payload is None and time.monotonic() < deadline and not stop.is_set():
            link.step(0.1, wake)
            self._host.beat()
            if not granted and link.subscriptions:
                granted, deadline = True, time.monotonic() + _NONE_AFTER_S
            payload = next((content for topic, content in link.received if topic == self._topic and content), None)
        link.unsubscribe(self._topic)
        return payload

    def _compare(self, payload: bytes) -> None:
        try:
            anchor = AnchorIn.model_validate_json(payload)
        except ValidationError:
            self._host.count("anchorMalformed")
            return
        levels = self._host.levels()
        if anchor.instance_id == levels.instance_id and anchor.last_sequence > levels.anchored_through:
            text = (
                f"the broker's anchor says {anchor.last_sequence}, this database has anchored {levels.anchored_through}"
            )
            self._host.request_renewal(text)
            raise BusError(f"the database was rolled back: {text}")
