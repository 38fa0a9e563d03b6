"""The composition root: one plan becomes one running station."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Mapping
from functools import partial
from types import FrameType
from typing import Any

import structlog

from crosslay import __version__
from crosslay.bus.commands import CommandDesk
from crosslay.bus.link import Address
from crosslay.bus.pump import Policy, Pump
from crosslay.bus.topics import Topics
from crosslay.plan.load import StationPlan
from crosslay.ports import Gauge, GaugeContext, Indicator, IndicatorContext
from crosslay.record.lock import StateLock
from crosslay.record.reader import Reader
from crosslay.station.access import access_of, require_usable
from crosslay.station.capture import Capture
from crosslay.station.clock import SystemClock
from crosslay.station.cycle import Event
from crosslay.station.hub import Hub
from crosslay.station.lamp import Lamp
from crosslay.station.light import Block, Idle, LightLogic, LightPolicy
from crosslay.station.mailbox import Mailbox
from crosslay.station.notify import Notifier
from crosslay.station.recorder import Recorder
from crosslay.station.requests import RequestFolder
from crosslay.station.status import StatusFile
from crosslay.station.supervisor import Guard, Worker, attempt, exit_if_hung

_log = structlog.get_logger("crosslay.station")
_ROUND_S = 1.0
_STATUS_EVERY_S = 1.0
_STOP_CAPTURE_S = 1.0
_STOP_RECORDER_S = 2.0
_STOP_PUMP_S = 1.5
#: Longest time without progress before a thread counts as hung. The gauge's read returns within half a second, an
#: evaluation takes milliseconds, a commit on a worn card may take long, a name look-up and a connect some seconds each.
_CAPTURE_LIMIT_S = 30.0
_RECORDER_LIMIT_S = 60.0
_PUMP_LIMIT_S = 60.0
#: The main thread drives the light and comes round every second; an indicator answers within a few.
_MAIN_LIMIT_S = 15.0


class Station:
    """A running station. `run` blocks until SIGTERM or SIGINT and stops everything in order."""

    def __init__(self, plan: StationPlan, environ: Mapping[str, str]) -> None:
        self._plan = plan
        self._environ = environ
        self._access = access_of(plan, environ)
        self._clock = SystemClock()
        self._lock = StateLock(plan.state_dir)
        self._mailbox = Mailbox(window=plan.bus.window)
        self._hub = Hub(plan, self._mailbox, self._clock)
        self._keeper = self._hub.keeper
        self._notifier = Notifier(environ)
        self._stop = threading.Event()
        self._workers: list[Worker] = []

    def run(self) -> None:
        """Run the station.

        Raises
        ------
        StoreError
            The state directory or the database cannot be used, or another daemon uses it.
        PlanError
            A certificate, key or password file that the station file names cannot be used.
        """
        require_usable(self._access, self._plan)
        self._lock.acquire()
        try:
            self._keeper.open()
            self._hub.add_sessions(self._keeper.reserve_sessions())
            self._run_locked()
        finally:
            self._keeper.close()
            self._lock.release()

    def _run_locked(self) -> None:
        lamp = self._make_lamp()
        self._hub.reference.load()
        capture, recorder, pump = self._make_parts()
        status = StatusFile(self._plan.name, self._plan.state_dir, self._environ)
        reader = Reader(self._plan.state_dir, on_damage=self._hub.report_damage)
        previous = self._catch_signals(lamp)
        lamp.open()
        try:
            for worker in self._workers:
                worker.start()
            _log.info(
                "station-started",
                software=__version__,
                plan=self._plan.plan_id,
                state_dir=str(self._plan.state_dir),
                instance=self._keeper.levels.instance_id,
            )
            self._notifier.send(READY="1", STATUS="running")
            self._supervise(lamp, status, reader)
            self._wind_down(capture, recorder, pump)
            status.write(self._hub.state(0, None), self._hub.conditions.active())
        finally:
            lamp.close()
            reader.close()
            pump.close()
            for number, handler in previous.items():
                signal.signal(number, handler)
        _log.info("station-stopped")

    def _make_lamp(self) -> Lamp:
        light = self._plan.light
        logic = LightLogic(LightPolicy(dwell_s=light.dwell_s, max_age_s=light.max_age_s, idle=Idle(light.idle)))
        context = IndicatorContext(base_dir=self._plan.base_dir)
        indicators: list[Indicator] = [choice.cls(choice.config, context) for choice in self._plan.indicators]
        if not indicators:
            from crosslay import registry

            log_only = registry.load(registry.INDICATORS, "log-only")
            indicators = [log_only(log_only.Config(), context)]
        lamp = Lamp(logic, indicators, self._clock, self._hub.conditions)
        self._hub.lamp = lamp
        return lamp

    def _make_parts(self) -> tuple[Worker, Worker, Pump]:
        """The three threads beside the main one."""
        capture = Capture(self._hub, self._mailbox)
        gauge: Gauge = self._plan.gauge_class(
            self._plan.gauge_config, GaugeContext(base_dir=self._plan.base_dir, notify=capture.on_signal)
        )
        recorder = Recorder(self._hub, self._keeper, self._mailbox, gauge)
        bus = self._plan.bus
        address = Address(
            host=bus.host,
            port=bus.port,
            protocol=bus.protocol,
            keepalive_s=bus.keepalive_s,
            client_id=f"crosslay-{self._keeper.levels.instance_id}",
            access=self._access,
        )
        topics = Topics(self._plan.topic)
        desk = CommandDesk(topics, bus.commands, self._hub.take_command, self._hub.count)
        pump = Pump(
            Policy(
                address=address,
                topics=topics,
                acknowledge=bus.acknowledge,
                window=bus.window,
                resend_after_s=bus.resend_after_s,
            ),
            Reader(self._plan.state_dir, on_damage=self._hub.report_damage),
            self._hub,
            desk,
        )
        capture_worker = Worker(
            "capture", partial(capture.run, gauge), limit_s=_CAPTURE_LIMIT_S, on_failure=capture.on_unexpected
        )
        recorder_worker = Worker(
            "recorder", recorder.run, limit_s=_RECORDER_LIMIT_S, on_failure=recorder.on_unexpected
        )
        pump_worker = Worker("pump", pump.run, limit_s=_PUMP_LIMIT_S, on_failure=pump.on_unexpected)
        capture.beat, recorder.beat, self._hub.beat = capture_worker.beat, recorder_worker.beat, pump_worker.beat
        recorder.on_settled, recorder.on_committed = pump.settled, pump.announce
        self._hub.on_change = pump.state_changed
        self._hub.on_identity, self._hub.on_answer = pump.identity_changed, desk.answer
        self._keeper.on_renewed = partial(self._on_renewed, pump)
        self._keeper.beat = recorder_worker.beat
        self._workers = [capture_worker, recorder_worker, pump_worker]
        return capture_worker, recorder_worker, pump

    def _on_renewed(self, pump: Pump) -> None:
        """Another database: no acknowledgement of the old one counts, and the connection begins anew."""
        self._mailbox.forget_settled()
        pump.renewed()
        self._hub.reference.load()

    def _supervise(self, lamp: Lamp, status: StatusFile, reader: Reader) -> None:
        """The main thread's rounds: light, watchdog, status file."""
        guard = Guard(_MAIN_LIMIT_S)
        guard.start()
        try:
            self._rounds(lamp, status, reader, guard)
        finally:
            guard.stop()

    def _rounds(self, lamp: Lamp, status: StatusFile, reader: Reader, guard: Guard) -> None:
        fed_at, written_at, written = 0.0, 0.0, -1
        requests = RequestFolder(self._plan.state_dir, self._hub.request_requeue, self._hub.ask)
        every_s = self._notifier.watchdog_every_s
        while not self._stop.is_set():
            guard.beat()
            lamp.set_offline(away=self._hub.away())
            lamp.drive()
            exit_if_hung(self._workers)
            now = time.monotonic()
            if every_s is not None and now - fed_at >= every_s / 2:
                self._notifier.send(WATCHDOG="1")
                fed_at = now
            if self._hub.version != written and now - written_at >= _STATUS_EVERY_S:
                written, written_at = self._hub.version, now
                attempt(lambda: self._write_status(status, reader))
            attempt(lambda at=now: requests.poll(at))  # type: ignore[misc]
            longest_s = _ROUND_S if every_s is None else min(_ROUND_S, every_s / 2)
            lamp.wait(longest_s)

    def _write_status(self, status: StatusFile, reader: Reader) -> None:
        levels = self._keeper.levels
        state = self._hub.state(0, reader.oldest_pending() if levels.pending else None)
        status.write(state, self._hub.conditions.active())
        self._notifier.send(
            STATUS=f"{state.cycle}; light {state.light}; {levels.last} results, {levels.pending} not acknowledged"
        )

    def _wind_down(self, capture: Worker, recorder: Worker, pump: Pump) -> None:
        """Stop in the order of the way of a part, within five seconds."""
        self._notifier.send(STOPPING="1", STATUS="stopping")
        self._hub.event(Event.STOP)
        self._hub.light(lambda light, _now: light.block(Block.STOPPING, "the station is stopping"))
        if self._hub.lamp is not None:
            self._hub.lamp.drive()
        pump_worker = self._workers[2]
        for worker, limit_s in ((capture, _STOP_CAPTURE_S), (recorder, _STOP_RECORDER_S), (pump_worker, _STOP_PUMP_S)):
            worker.stop()
            if worker is recorder:
                self._mailbox.close()
            pump.wake()
            if not worker.join(limit_s):
                _log.error("thread-did-not-stop", thread=worker.name)

    def _catch_signals(self, lamp: Lamp) -> dict[signal.Signals, Any]:
        def on_signal(_number: int, _frame: FrameType | None) -> None:
            self._stop.set()
            lamp.wake()

        return {number: signal.signal(number, on_signal) for number in (signal.SIGTERM, signal.SIGINT)}
