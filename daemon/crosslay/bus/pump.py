"""Outbox to broker: the thread that keeps the delivery contract.

One session per connection. Whatever goes wrong inside one ends it with `BusError`, and the next one starts from
the lowest result that the store still owes (DC-32). Nothing here touches the store's writing connection:
acknowledgements go to the recorder through `Host.settle` and count only when it reports them committed.
"""

from __future__ import annotations

import random
import socket
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass

import structlog

from crosslay.bus import conditions as kinds
from crosslay.bus.anchor import Anchor
from crosslay.bus.answers import Answers
from crosslay.bus.commands import CommandDesk
from crosslay.bus.host import Host
from crosslay.bus.inbound import Inbox
from crosslay.bus.link import Address, Link, Outbound
from crosslay.bus.messages import (
    CLOUDEVENTS_CONTENT_TYPE,
    EvaluationMessage,
    OfflineMessage,
    Wire,
)
from crosslay.bus.read_ahead import ReadAhead
from crosslay.bus.resolve import Resolver
from crosslay.bus.session import Session
from crosslay.bus.topics import ACK, CONFIGURATION, EVALUATION, IDENTIFICATION, RESULT, STATE, Topics
from crosslay.bus.window import Window
from crosslay.errors import BusError, StoreError
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader

_log = structlog.get_logger("crosslay.bus")
_FAILURE = 0x80
_EVALUATION_LATEST_S = 2.0
_EVALUATION_EXPIRY_S = 5
_STATE_EVERY_S = 10.0
_BACKOFF_FIRST_S = 1.0
_BACKOFF_LIMIT_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How results are delivered. ``acknowledge`` is ``confirmed`` or ``broker``."""

    address: Address
    topics: Topics
    acknowledge: str
    window: int
    resend_after_s: float


class Pump:
    """See the module. `wake`, `announce`, `settled` and `state_changed` may be called from any thread."""

    def __init__(self, policy: Policy, reader: Reader, host: Host, desk: CommandDesk | None = None) -> None:
        self._policy = policy
        self._reader = reader
        self._host = host
        self._confirmed = policy.acknowledge == "confirmed"
        self._window = Window(
            width=policy.window, resend_after_s=policy.resend_after_s, perhaps_sent_through=host.levels().last
        )
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._announcements: deque[tuple[float, EvaluationMessage]] = deque(maxlen=16)
        self._backlog = ReadAhead(reader.pending)
        self._settled: deque[Settled] = deque()
        self._state_dirty = threading.Event()
        self._identity_dirty = threading.Event()
        self._noted_through = 0
        self._noted: set[int] = set()
        self._answers = Answers(host) if desk is None else Answers(host, desk.is_foreign)
        self._session: Session | None = None
        self._renewed = threading.Event()
        self._anchor = Anchor(policy.topics, host)
        self._inbox = Inbox(policy.topics, host)
        self._desk = desk
        if desk is not None:
            desk.wake = self.wake
        self._resolver = Resolver()
        self._offline_because = ""

    @property
    def connected(self) -> bool:
        """Whether a session is up."""
        return self._session is not None

    def wake(self) -> None:
        """Look for new work now."""
        with suppress(BlockingIOError, OSError):  # it is awake already, or closed
            self._wake_out.send(b"\0")

    def announce(self, message: EvaluationMessage) -> None:
        """Send the pass/fail event of a result just committed; without a connection it is dropped."""
        if self.connected:
            self._announcements.append((time.monotonic(), message))
            self.wake()

    def settled(self, settled: Settled) -> None:
        """The recorder has committed these acknowledgements."""
        self._settled.append(settled)
        self.wake()

    def renewed(self) -> None:
        """The database was made anew: forget the old one's numbers and begin a new connection."""
        self._renewed.set()
        self.wake()

    def identity_changed(self) -> None:
        """Say anew who this is and what it judges by: the gauge has told its identity, or a check has another due."""
        self._identity_dirty.set()
        self.wake()

    def state_changed(self) -> None:
        """Publish the state soon."""
        self._state_dirty.set()
        self.wake()

    def run(self, stop: threading.Event) -> None:
        """Keep a session up until `stop` is set. Only unexpected exceptions leave it; the supervisor has them."""
        backoff_s = _BACKOFF_FIRST_S
        while not stop.is_set():
            started = time.monotonic()
            if self._renewed.is_set():
                self._forget()
            try:
                self._run_session(stop)
            except BusError as error:
                self._on_lost(str(error))
            except StoreError as error:  # the reader has told the recorder where that is damage
                self._host.count("storeReadsFailed")
                _log.warning("results-not-read", reason=str(error))
            if time.monotonic() - started > 30.0 or self._renewed.is_set():
                backoff_s = _BACKOFF_FIRST_S
            # At most one attempt a second (DC-64), and not all stations at the same moment.
            self._pause(stop, started, backoff_s * random.uniform(1.0, 1.5))  # noqa: S311  # jitter, not a secret
            backoff_s = min(_BACKOFF_LIMIT_S, backoff_s * 1.5)

    def on_unexpected(self, text: str) -> None:
        """Something raised what it should not; the supervisor starts the thread again, with a new connection."""
        self._on_lost(f"the connection failed unexpectedly ({text})")

    def close(self) -> None:
        """Release the wake-up pair and the reading connection."""
        self._wake_in.close()
        self._wake_out.close()
        self._reader.close()

    def _on_lost(self, reason: str) -> None:
        self._host.conditions.raise_(kinds.BROKER_OFFLINE, reason)
        self._host.count("connectionsLost")
        if reason != self._offline_because:  # said once, not at every attempt
            _log.warning("broker-offline", reason=reason)
        self._offline_because = reason

    def _pause(self, stop: threading.Event, started: float, at_least_s: float) -> None:
        while not stop.is_set() and time.monotonic() - started < at_least_s:
            self._host.beat()
            stop.wait(0.2)

    def _run_session(self, stop: threading.Event) -> None:
        number = self._host.next_session()
        identity = self._host.levels().instance_id
        lost = OfflineMessage(instance_id=identity, session_number=number, reason="connectionLost")
        will = self._retained(STATE, lost)
        link = Link(self._policy.address, will=will, resolver=self._resolver, beat=self._host.beat)
        farewell: Outbound | None = None
        try:
            link.connect()
            self._session = Session(link=link, number=number)
            self._greet(self._session, stop)
            while not stop.is_set():
                self._turn(self._session)
        except BusError:
            if self._session is not None:
                self._take_answers(self._session)
                self._answers.lost(self._session)
            raise
        else:
            ended = OfflineMessage(instance_id=identity, session_number=number, reason="shutdown")
            farewell = self._retained(STATE, ended)
        finally:
            self._session = None
            link.close(farewell)

    def _forget(self) -> None:
        """Another database: its numbers begin again, and nothing of it was ever sent."""
        self._renewed.clear()
        self._window = Window(
            width=self._policy.window, resend_after_s=self._policy.resend_after_s, perhaps_sent_through=0
        )
        self._noted_through = 0
        self._anchor.forget()
        self._noted.clear()
        self._answers.clear()
        self._backlog.forget()
        self._settled.clear()

    def _greet(self, session: Session, stop: threading.Event) -> None:
        _log.info("broker-connected", broker=str(self._policy.address), session=session.number)
        self._offline_because = ""
        self._host.conditions.clear(kinds.BROKER_OFFLINE)
        heard = () if self._desk is None else self._desk.heard
        session.link.asking = frozenset(heard)
        if self._confirmed or heard:
            session.link.subscribe([*([self._policy.topics[ACK]] if self._confirmed else []), *heard])
        self._anchor.check(session, self._wake_in, stop)
        self._identity_dirty.set()
        self._window.reconnected()
        self._answers.greet()
        self._state_dirty.set()

    def _turn(self, session: Session) -> None:
        """One round: wait for something, then do all that is due."""
        session.link.step(self._wait_s(session), self._wake_in)
        self._host.beat()
        if self._renewed.is_set():
            raise BusError("the result database was made anew")
        self._take_answers(session)
        self._receive(session.link)
        while session.link.subscriptions:
            self._on_suback(session.link.subscriptions.popleft())
        while self._settled:
            self._on_settled(session, self._settled.popleft())
        session.say_again(time.monotonic())
        session.flush()
        self._send_announcements(session)
        self._attend(session)
        if self._window.overdue(time.monotonic()):
            self._host.count("resends")
            if self._confirmed and not self._answers.refuses(self._policy.topics[RESULT]):
                self._host.conditions.raise_(kinds.MES_SILENT, "results were sent, but the MES acknowledges nothing")
        self._send_presence(session)
        self._send_again(session)
        self._send_results(session)
        self._anchor.ask()
        self._answers.too_large(session)

    def _take_answers(self, session: Session) -> None:
        """Acknowledgements that came in; also those before a connection's end count."""
        taken: list[int] = []
        while session.link.acknowledged:
            sequence = self._answers.puback(session, *session.link.acknowledged.popleft())
            if sequence is not None:
                taken.append(sequence)
        if taken and not self._confirmed:
            self._host.settle(Settled(sequences=frozenset(taken)))
            self._noted.update(taken)  # afterwards: what is noted is never sent again

    def _wait_s(self, session: Session) -> float:
        now = time.monotonic()
        waits = [session.state_due(self._state_every_s, dirty=self._state_dirty.is_set()) - now, 1.0]
        waits += [due_in for due_in in (self._window.due_in(now), self._answers.due_in(now)) if due_in is not None]
        return max(0.0, min(waits))

    @property
    def _state_every_s(self) -> float:
        return min(_STATE_EVERY_S, float(self._policy.address.keepalive_s))

    def _send_results(self, session: Session) -> None:
        room = self._answers.room(session, min(self._window.room(), session.link.room()))
        if session.waiting or room <= 0 or self._host.levels().last <= self._window.position:
            return
        with session.link.together():
            for sequence, payload in self._backlog.after(self._window.position, room):
                if sequence <= self._noted_through or sequence in self._noted:
                    self._window.hold(sequence)
                else:
                    self._send_result(session, sequence, payload)

    def _send_again(self, session: Session) -> None:
        """Results that the broker refused for their content have their next try (DC-23), without what follows them."""
        now = time.monotonic()
        for sequence in self._answers.due(now):
            if not session.link.room():
                self._answers.postpone(sequence, now)
                continue
            for number, payload in self._reader.pending(sequence - 1, 1):
                if number == sequence:
                    self._send_result(session, sequence, payload)

    def _send_result(self, session: Session, sequence: int, payload: bytes) -> None:
        now = time.monotonic()
        message = Outbound(
            topic=self._policy.topics[RESULT],
            payload=payload,
            delivery=self._window.delivery(sequence).value,
            content_type=CLOUDEVENTS_CONTENT_TYPE,
        )
        if session.link.fits(message):
            self._window.sent(sequence, now)
            session.send_result(sequence, message)
        else:
            self._window.hold(sequence)
            self._answers.result_too_large(sequence)
            session.oversized.append(message.topic)

    def _send_announcements(self, session: Session) -> None:
        while self._announcements:
            committed_at, message = self._announcements.popleft()
            if time.monotonic() - committed_at <= _EVALUATION_LATEST_S:
                session.send(
                    Outbound(
                        topic=self._policy.topics[EVALUATION], payload=message.to_bytes(), expiry_s=_EVALUATION_EXPIRY_S
                    ),
                )

    def _attend(self, session: Session) -> None:
        """Commands that came, and answers to them."""
        if self._desk is None:
            return
        while session.link.requested:
            self._desk.take(session.link.requested.popleft(), time.monotonic())
        self._desk.send(session)

    def _send_presence(self, session: Session) -> None:
        """State on change and every 10 s, conditions on change, all of them retained."""
        if self._identity_dirty.is_set():
            self._identity_dirty.clear()
            session.send(self._retained(IDENTIFICATION, self._host.identification()))
            session.send(self._retained(CONFIGURATION, self._host.configuration()))
        version = self._host.conditions.version
        if version != session.conditions_version:
            for condition in self._host.conditions.all():
                message = condition.message()
                if session.conditions.get(message.id) != message:
                    session.conditions[message.id] = message
                    session.send(
                        Outbound(
                            topic=self._policy.topics.condition(message.id), payload=message.to_bytes(), retain=True
                        ),
                    )
            session.conditions_version = version
            self._state_dirty.set()
        if time.monotonic() >= session.state_due(self._state_every_s, dirty=self._state_dirty.is_set()):
            self._state_dirty.clear()
            session.send(self._retained(STATE, self._host.state(session.number, self._oldest_pending())))
            session.state_at = time.monotonic()

    def _oldest_pending(self) -> float | None:
        return self._reader.oldest_pending() if self._host.levels().pending else None

    def _retained(self, leaf: str, message: Wire) -> Outbound:
        return Outbound(topic=self._policy.topics[leaf], payload=message.to_bytes(), retain=True)

    def _on_suback(self, reason: int) -> None:
        if reason >= _FAILURE:
            self._host.conditions.raise_(
                kinds.SUBSCRIBE_REFUSED, f"the broker refuses {self._listened()} (0x{reason:02X})"
            )
        else:
            self._host.conditions.clear(kinds.SUBSCRIBE_REFUSED)

    def _listened(self) -> str:
        return " or ".join([self._policy.topics[ACK], *(() if self._desk is None else self._desk.heard)])

    def _receive(self, link: Link) -> None:
        for topic, payload in link.take_received():
            self._on_message(topic, payload)
        while link.dropped:
            link.dropped -= 1
            self._host.count("inboundDropped")

    def _on_message(self, topic: str, payload: bytes | None) -> None:
        """DC-20 and DC-24: take a valid acknowledgement; the inbox counts any other."""
        now = time.monotonic()
        message = self._inbox.read(topic, payload, sent_through=self._window.perhaps_sent_through, now=now)
        if message is None:
            return
        self._window.heard(now)
        self._host.conditions.clear(kinds.MES_SILENT)
        self._host.settle(
            Settled(
                through=message.acknowledged_through,
                quarantined={item.sequence: f"the MES rejected it: {item.reason}" for item in message.rejected},
            )
        )
        # Afterwards: what is noted is never sent again.
        self._noted_through = max(self._noted_through, message.acknowledged_through)

    def _on_settled(self, session: Session, settled: Settled) -> None:
        if settled.anchored_through:
            self._anchor.send(session, settled.anchored_through)
        if settled.through or settled.quarantined or max(settled.sequences, default=0) > self._window.position:
            self._backlog.forget()  # what was read ahead may be settled
        done = set(settled.sequences) | set(settled.quarantined)
        done |= {sequence for sequence in self._window.outstanding if sequence <= settled.through}
        self._noted -= settled.sequences
        self._answers.forget(sorted(done))
        self._window.settled(sorted(done), time.monotonic())
        self._state_dirty.set()
