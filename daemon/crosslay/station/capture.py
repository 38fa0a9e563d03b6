"""Capture: the thread that reads the gauge. A gauge that fails is opened again with back-off, for ever."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace

import structlog

from crosslay.bus.conditions import GAUGE_FAILED, PRECHECK, TRACE_REFUSED
from crosslay.errors import GaugeError, TraceRefusedError
from crosslay.ports import Gauge, GaugeSignal, PreCheckingGauge
from crosslay.station.cycle import Event
from crosslay.station.hub import Hub
from crosslay.station.light import Block
from crosslay.station.mailbox import Arrival, Mailbox
from crosslay.station.precheck import PRECHECK_FACT, hindrance
from crosslay.station.supervisor import rest
from crosslay.texture.trace import Trace

_log = structlog.get_logger("crosslay.capture")
_READ_S = 0.5
_BACKOFF_FIRST_S = 0.5
_BACKOFF_LIMIT_S = 15.0


class Capture:
    """See the module. `on_signal` may be called from any thread, `run` belongs to its own."""

    def __init__(self, hub: Hub, mailbox: Mailbox) -> None:
        self._hub = hub
        self._mailbox = mailbox
        self._ticket: int | None = None
        self._undelivered: Trace | None = None
        self._hindrance = ""
        self._lock = threading.Lock()
        self.beat: Callable[[], None] = lambda: None

    def on_signal(self, signal: GaugeSignal) -> None:
        """A traverse begins: the light leaves ACCEPT at once."""
        if signal is GaugeSignal.STARTED:
            self._trigger()
            self._hub.event(Event.TRAVERSE_STARTED)

    def run(self, gauge: Gauge, stop: threading.Event) -> None:
        """Read until `stop` is set."""
        backoff_s = _BACKOFF_FIRST_S
        try:
            while not stop.is_set():
                try:
                    gauge.open()
                    self._on_open(gauge)
                    backoff_s = _BACKOFF_FIRST_S
                    self._read(gauge, stop)
                except GaugeError as error:
                    self._on_lost(str(error))
                    gauge.close()
                    rest(stop, backoff_s, self.beat)
                    backoff_s = min(_BACKOFF_LIMIT_S, backoff_s * 2)
        finally:
            gauge.close()

    def on_unexpected(self, text: str) -> None:
        """The adapter raised something it should not; the supervisor starts the thread again."""
        self._on_lost(f"the gauge adapter failed unexpectedly ({text})")

    def _read(self, gauge: Gauge, stop: threading.Event) -> None:
        while not stop.is_set():
            self.beat()
            if self._undelivered is None and not self._may_start(gauge):
                rest(stop, _READ_S, self.beat)
                continue
            try:
                trace = self._undelivered or gauge.read(_READ_S)
            except TraceRefusedError as error:
                self._on_refused(str(error))
                continue
            if trace is not None:
                trace = self._flagged(trace)
                self._undelivered = trace  # until it surely is with the recorder: a gauge gives it only once
                self._deliver(trace, stop)
                self._undelivered = None

    def _may_start(self, gauge: Gauge) -> bool:
        """Whether the next traverse may begin, as far as the gauge can tell before it."""
        limits = self._hub.plan.precheck
        if limits is None or not isinstance(gauge, PreCheckingGauge):
            return True
        found, refuses, before = gauge.precheck(), limits.when_out == "refuse", self._hindrance
        if found is not None:
            self._hindrance = hindrance(found, limits)
        elif refuses:  # the part was taken away; while one is traversed nonetheless, its flag stays
            self._hindrance = ""
        if self._hindrance != before:
            self._show_hindrance(refused=refuses)
        return not (self._hindrance and refuses)

    def _show_hindrance(self, *, refused: bool) -> None:
        reason = self._hindrance
        if not reason:
            self._hub.conditions.clear(PRECHECK)
            self._hub.light(lambda light, _now: light.unblock(Block.PRECHECK))
            return
        _log.warning("precheck", reason=reason, refused=refused)
        self._hub.count("precheckRefused" if refused else "precheckFlagged")
        self._hub.conditions.raise_(PRECHECK, reason)
        if refused:
            self._hub.light(lambda light, _now: light.block(Block.PRECHECK, f"not measured: {reason}"))

    def _flagged(self, trace: Trace) -> Trace:
        """The trace, with what the look before its traverse found wrong."""
        if not self._hindrance:
            return trace
        return replace(trace, facts={**trace.facts, PRECHECK_FACT: self._hindrance})

    def _deliver(self, trace: Trace, stop: threading.Event) -> None:
        ticket = self._take_ticket()
        self._hub.conditions.clear(TRACE_REFUSED)
        self._hub.event(Event.TRACE_ARRIVED)
        arrival = Arrival(trace=trace, ticket=ticket, arrived_at=time.monotonic())
        while not self._mailbox.put(arrival, _READ_S) and not stop.is_set():
            self.beat()

    def _take_ticket(self) -> int:
        with self._lock:
            ticket, self._ticket = self._ticket, None
        return ticket if ticket is not None else self._new_ticket()

    def _trigger(self) -> None:
        ticket = self._new_ticket()
        with self._lock:
            self._ticket = ticket

    def _new_ticket(self) -> int:
        lamp = self._hub.lamp
        return 0 if lamp is None else lamp.tell(lambda light, now: light.trigger(now))

    def _on_open(self, gauge: Gauge) -> None:
        self._hub.identify_gauge(dict(gauge.describe()))
        self._hub.event(Event.GAUGE_OPENED)
        self._hub.conditions.clear(GAUGE_FAILED)
        self._hub.light(lambda light, _now: light.unblock(Block.GAUGE))
        _log.info("gauge-open", **self._hub.gauge_identity)

    def _on_lost(self, reason: str) -> None:
        _log.warning("gauge-lost", reason=reason)
        self._hub.count("gaugeLost")
        self._hub.conditions.raise_(GAUGE_FAILED, reason)
        self._hub.light(lambda light, _now: light.block(Block.GAUGE, reason))
        self._hub.event(Event.GAUGE_LOST)

    def _on_refused(self, reason: str) -> None:
        _log.warning("trace-refused", reason=reason)
        ticket = self._take_ticket()
        self._hub.count("tracesRefused")
        self._hub.conditions.raise_(TRACE_REFUSED, reason)
        self._hub.light(lambda light, now: light.unjudged(ticket, now, reason))
        self._hub.event(Event.ABANDONED)
