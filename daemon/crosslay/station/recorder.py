"""Evaluate and record: the thread that turns traces into committed results. It owns the store's writing connection."""

from __future__ import annotations

import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial

import structlog

from crosslay.bus.conditions import STORE_FAILED, TRACE_IMPLAUSIBLE, TRACE_REFUSED
from crosslay.bus.messages import EvaluationMessage, LastPart
from crosslay.errors import GaugeError, StoreCorruptError, StoreError, StoreFullError, TraceRefusedError
from crosslay.inspection.judge import Decision, Verdict
from crosslay.inspection.value_budgets import budgets_of
from crosslay.plan.load import StationPlan
from crosslay.ports import Disposition, Gauge
from crosslay.record.identity import derived_result_id, new_result_id
from crosslay.record.levels import Settled
from crosslay.record.store import Draft
from crosslay.record.traces import pack
from crosslay.station.assembly import Assembly, Group, Taken, Waits
from crosslay.station.correlations import LinesOfParts
from crosslay.station.cycle import Event
from crosslay.station.hub import Hub
from crosslay.station.judging import PartJudge
from crosslay.station.keeper import Keeper
from crosslay.station.light import Block
from crosslay.station.mailbox import Arrival, Errand, Mailbox
from crosslay.station.orders import Asked
from crosslay.station.report import WIRE_VERDICTS, JudgedPart, result_bytes
from crosslay.station.supervisor import Failure, attempt
from crosslay.texture.trace import Finding, Trace

_log = structlog.get_logger("crosslay.recorder")
_RETRY_S = 1.0
_ROUND_S = 1.0
_SESSIONS_LOW = 200


class Recorder:
    """See the module. `run` belongs to its thread; everything else it touches is thread-safe or its own."""

    def __init__(self, hub: Hub, keeper: Keeper, mailbox: Mailbox, gauge: Gauge) -> None:
        self._hub = hub
        self._plan: StationPlan = hub.plan
        self._keeper = keeper
        self._mailbox = mailbox
        self._gauge = gauge
        # Without either nothing is known of the gauge, and no budget costs its time.
        budgets = budgets_of(hub.reference.known_gauge) if self._plan.known_gauge or self._plan.specimens else None
        self._judge = PartJudge(self._plan.requirements, budgets)
        self._assembly = Assembly(self._plan.positions, self._plan.station.part_timeout_s, self._judge.remaining)
        self._lines = LinesOfParts(hub.reference.lines, self._assembly.is_open)
        self._present: Arrival | None = None
        self._unfinished: deque[Group] = deque()
        self._begun: tuple[Group, uuid.UUID] | None = None
        self._failed_before = False
        self._restored: Iterator[None] | None = None
        self._tend_at = float("-inf")
        self.on_settled: Callable[[Settled], None] = lambda _settled: None
        self.on_committed: Callable[[EvaluationMessage], None] = lambda _message: None
        self.beat: Callable[[], None] = lambda: None

    def run(self, stop: threading.Event) -> None:
        """Take what comes until `stop` is set and the mailbox is empty; acknowledgements are committed at the end."""
        if self._restored is None:
            stored_before = self._keeper.levels.last
            self._restored = self._judge.restored(self._plan.state_dir, stored_before, self._assembly.slots_of)
        while True:
            self.beat()
            arrival = self._present or self._mailbox.take_arrival(_ROUND_S)
            if arrival is not None:
                self._present = arrival
                self._on_arrival(arrival)
            self._cut_short_late_parts()
            self._finish_all(stop)
            self._commit_settled(force=stop.is_set())
            if self._do_errands() or arrival is not None or time.monotonic() >= self._tend_at:
                self._tend_reference()
                self._look_after_store()
                self._replenish_sessions()
                self._tend_at = time.monotonic() + _ROUND_S
            if arrival is None and not stop.is_set():
                next(self._restored, None)
            if stop.is_set() and arrival is None:
                return

    def on_unexpected(self, text: str) -> None:
        """Something raised what it should not; the supervisor starts the thread again, and the part is not lost."""
        self._failed_before = True
        self._block(f"results cannot be stored: the recorder failed unexpectedly ({text})")

    def _finish_all(self, stop: threading.Event) -> None:
        """Finish complete parts; one that could not be finished stays for the next try."""
        while self._unfinished:
            group = self._unfinished[0]
            if self._failed_before and any(self._known(arrival.trace) for arrival in group.arrivals):
                self._unfinished.popleft()  # what failed came after the commit
                for arrival in group.arrivals:
                    self._dismiss(arrival)
            elif not self._finish(group, stop):
                return
        self._failed_before = False

    def _on_arrival(self, arrival: Arrival) -> None:
        part_id = arrival.trace.facts.get("part") or f"part-{uuid.uuid4().hex[:12]}"
        try:
            if self._known(arrival.trace):
                self._present = None
                self._dismiss(arrival)
                return
            specimen = self._hub.reference.claims(arrival.trace)
            if specimen:
                self._on_specimen(arrival, specimen)
                return
            self._hub.reference.part_came()
            arrival = replace(arrival, trace=self._hub.reference.corrected(arrival.trace), delivered=arrival.trace)
            slots = self._assembly.slots_of(arrival.trace.facts)
            measured = self._judge.measure(arrival.trace, slots, self._lines.of(part_id))
            taken = Taken(arrival=arrival, slots=slots, measured=measured)
            self._show_plausibility(taken.measured.blocking)
            self._unfinished += self._assembly.add(part_id, taken, time.monotonic())
        except TraceRefusedError as error:
            self._present = None
            self._refuse(arrival, str(error))
            return
        except StoreError as error:  # of the reference checks; the trace stays for the next round
            self._wait_for_store(error)
            return
        self._present = None
        self._show_waiting(self._assembly.waits(part_id), arrival)

    def _show_plausibility(self, blocking: Finding | None) -> None:
        if blocking is None:
            self._hub.conditions.clear(TRACE_IMPLAUSIBLE)
        else:
            self._hub.conditions.raise_(TRACE_IMPLAUSIBLE, blocking.text)

    def _on_specimen(self, arrival: Arrival, name: str) -> None:
        """A trace over a reference specimen: no part, and nothing that lights ACCEPT."""
        text = self._hub.reference.take(name, arrival.trace)
        self._present = None
        self._on_store_success(Settled(), frozenset())
        self._settle_gauge(arrival, Disposition.STORED)
        self._hub.count("specimenTraces")
        self._hub.light(lambda light, now: light.dismiss(arrival.ticket, now, text))
        self._hub.event(Event.FINISHED)

    def _wait_for_store(self, error: StoreError) -> None:
        self._on_store_failure(error)
        time.sleep(_RETRY_S / 2)
        self._heal(error)

    def _tend_reference(self) -> None:
        try:
            self._hub.reference.tick()
        except StoreError as error:
            self._wait_for_store(error)

    def _take_order(self, errand: Errand, asked: Asked) -> None:
        try:
            self._hub.reference.take_order(asked)
        except StoreError as error:
            self._mailbox.ask(errand)  # not done, so it is asked again
            self._wait_for_store(error)

    def _show_waiting(self, waits: Waits | None, newest: Arrival) -> None:
        """Ask for the next trace of a part that needs more than it has."""
        self._hub.part_waits(waits or self._assembly.latest())
        if waits is None:
            return
        _log.info("part-begun", part=waits.part_id, traces=waits.taken, waits_for=list(waits.slots))
        self._hub.light(lambda light, now: light.more(newest.ticket, now, waits.prompt))
        self._hub.event(Event.FINISHED)

    def _cut_short_late_parts(self) -> None:
        late = self._assembly.expired(time.monotonic())
        if late:
            self._unfinished += late
            self._hub.part_waits(self._assembly.latest())

    def _known(self, trace: Trace) -> bool:
        if not trace.identity:
            return False
        try:
            return self._keeper.known(derived_result_id(self._plan.source, trace.identity))
        except StoreError:
            return False  # the commit says so, and keeps the part

    def _dismiss(self, arrival: Arrival) -> None:
        _log.info("trace-known", identity=arrival.trace.identity)
        self._hub.count("tracesFoundAgain")
        self._settle_gauge(arrival, Disposition.STORED)
        self._hub.light(lambda light, now: light.dismiss(arrival.ticket, now, "a trace already stored was found again"))
        self._hub.event(Event.FINISHED)

    def _refuse(self, arrival: Arrival, reason: str) -> None:
        _log.warning("trace-refused", reason=reason)
        self._hub.count("tracesRefused")
        self._hub.conditions.raise_(TRACE_REFUSED, reason)
        self._hub.light(lambda light, now: light.unjudged(arrival.ticket, now, reason))
        self._settle_gauge(arrival, Disposition.REFUSED, reason)
        self._hub.event(Event.FINISHED)

    def _finish(self, group: Group, stop: threading.Event) -> bool:
        """Judge a part, show a fail at once (L5), commit, and only then show a pass; whether it was committed."""
        arrivals = group.arrivals
        newest = max(arrivals, key=lambda item: item.arrived_at)
        verdict = self._hub.reference.guard(self._judge.verdict(group, self._assembly.slots))
        self._hub.event(Event.EVALUATED)
        if verdict.decision is Decision.FAIL:
            self._hub.light(lambda light, now: light.fail(newest.ticket, now, verdict.text))
        elif verdict.decision is not Decision.PASS:
            self._hub.light(lambda light, now: light.unjudged(newest.ticket, now, verdict.text))
        draft = self._draft(group, arrivals, verdict, time.monotonic() - newest.arrived_at)
        sequence = self._commit(draft, stop)
        if sequence is None:
            return False
        self._unfinished.popleft()  # from here on it is stored, and never to be stored again
        self._show_committed(newest, verdict)
        wire = WIRE_VERDICTS[verdict.decision]
        self._hub.stored(
            LastPart(part_id=group.part_id, sequence=sequence, result_evaluation=wire, details=verdict.text)
        )
        self.on_committed(EvaluationMessage(part_id=group.part_id, sequence=sequence, result_evaluation=wire))
        _log.info("result", part=group.part_id, sequence=sequence, verdict=verdict.decision.value, details=verdict.text)
        for arrival in arrivals:
            self._settle_gauge(arrival, Disposition.STORED)
        self._hub.event(Event.FINISHED)
        return True

    def _draft(self, group: Group, arrivals: list[Arrival], verdict: Verdict, processing_s: float) -> Draft:
        now = self._hub.clock.wall()
        traces = tuple(arrival.trace for arrival in arrivals)
        identities = [trace.identity for trace in traces if trace.identity]
        result_id = self._result_id(group, identities)
        packed = tuple(pack(trace) for trace in traces)
        part = JudgedPart(
            result_id=str(result_id),
            part_id=group.part_id,
            verdict=verdict,
            traces=traces,
            packed=packed,
            partial=bool(group.missing),
            created_at=now,
            processing_s=processing_s,
            clock_synchronized=self._hub.clock.synchronized(),
            reference_check=self._hub.reference.message(),
        )
        return Draft(
            result_id=result_id,
            part_id=group.part_id,
            decision=verdict.decision.value,
            created_at=now,
            payload=partial(result_bytes, part, self._plan),
            traces=packed,
            deliveries=tuple(derived_result_id(self._plan.source, identity) for identity in identities),
        )

    def _result_id(self, group: Group, identities: list[str]) -> uuid.UUID:
        """The same at every try to store a part: what failed after its commit is then found to be there."""
        if self._begun is None or self._begun[0] is not group:
            joined = "\n".join(identities)
            new = derived_result_id(self._plan.source, joined) if joined else new_result_id(self._hub.clock.wall())
            self._begun = group, new
        return self._begun[1]

    def _commit(self, draft: Draft, stop: threading.Event) -> int | None:
        """Commit, again and again while the store refuses; None only where the station stops before it could."""
        while True:
            try:
                with self._acknowledgements() as settled:
                    committed = self._keeper.commit(draft, settled)
            except StoreError as error:
                self._on_store_failure(error)
                if stop.wait(_RETRY_S):
                    _log.error("result-not-stored", part=draft.part_id, reason=str(error))
                    return None
                self.beat()
                self._heal(error)
            else:
                self._on_store_success(settled, committed.dropped)
                return committed.stored.sequence

    @contextmanager
    def _acknowledgements(self) -> Iterator[Settled]:
        """Those that wait for a commit; given back where it fails, since the pump counts on them."""
        settled = self._mailbox.take_settled()
        try:
            yield settled
        except BaseException:
            self._mailbox.settle(settled)
            raise

    def _show_committed(self, newest: Arrival, verdict: Verdict) -> None:
        age_s = self._age_s(newest)
        if verdict.decision is Decision.PASS:
            self._hub.light(lambda light, now: light.accept(newest.ticket, now, age_s))
        else:
            self._hub.light(lambda light, _now: light.committed(newest.ticket))

    def _age_s(self, arrival: Arrival) -> float:
        """Seconds since capture: by the wall clock, but never less than by the monotonic one since its arrival."""
        here_s = time.monotonic() - arrival.arrived_at
        captured_at = arrival.trace.captured_at
        if captured_at is None:
            return here_s
        age_s = self._hub.clock.wall() - captured_at
        # A capture time in the future says that the clocks disagree: such a trace proves nothing about its age.
        return max(here_s, age_s) if age_s > -1.0 else float("inf")

    def _commit_settled(self, *, force: bool) -> None:
        """Commit acknowledgements alone once enough of them wait, or the first has waited long enough."""
        if not (self._mailbox.settled_due() or (force and self._mailbox.settled_waiting)):
            return
        try:
            with self._acknowledgements() as settled:
                self._keeper.settle(settled)
        except StoreError as error:
            self._on_store_failure(error)
            if not force:
                time.sleep(_RETRY_S / 2)
                self._heal(error)
        else:
            self._on_store_success(settled, frozenset())

    def _on_store_failure(self, error: StoreError) -> None:
        if not self._hub.conditions.active(STORE_FAILED):
            _log.error("store-failed", reason=str(error))
        self._hub.count("commitsFailed")
        self._block(f"results cannot be stored: {error}")

    def _block(self, reason: str) -> None:
        self._hub.conditions.raise_(STORE_FAILED, reason)
        self._hub.light(lambda light, _now: light.block(Block.STORE, reason))

    def _on_store_success(self, settled: Settled, dropped: frozenset[int]) -> None:
        if self._hub.conditions.active(STORE_FAILED):
            _log.info("store-works-again")
            self._hub.conditions.clear(STORE_FAILED)
            self._hub.light(lambda light, _now: light.unblock(Block.STORE))
        if dropped:
            self.on_settled(Settled(sequences=dropped))
        if settled:
            self.on_settled(settled)
            self._hub.drained()
        self._hub.note_quarantine()

    def _heal(self, error: StoreError) -> None:
        """After damage a new database; after a full one the acknowledgements alone; else a fresh connection."""
        if isinstance(error, StoreCorruptError):
            self._renew("database-damaged", str(error))
        elif isinstance(error, StoreFullError):
            self._commit_settled(force=True)
        else:
            self._keeper.reopen()

    def _renew(self, reason: str, text: str) -> None:
        try:
            self._keeper.renew(reason, text)
        except StoreError as error:
            self._on_store_failure(error)
            self._keeper.reopen()
        else:
            self._on_store_success(Settled(), frozenset())

    def _do_errands(self) -> bool:
        """What other threads ask of the store: a renewal after a roll-back, a quarantined result again; whether any."""
        errands = self._mailbox.take_errands()
        for errand in errands:
            if errand.renew_because:
                self._renew("rolled-back", errand.renew_because)
            elif errand.damaged_because:
                self._look_after_store(errand.damaged_because)
            elif errand.asked is not None:
                self._take_order(errand, errand.asked)
            else:
                self._requeue(errand.requeue)
        return bool(errands)

    def _look_after_store(self, damaged_because: str = "") -> None:
        """The store's files may go, or be damaged, without any commit that would notice it."""
        try:
            self._keeper.look_after(damaged_because)
        except StoreCorruptError as error:
            self._renew("database-damaged", str(error))
        except StoreError as error:
            self._on_store_failure(error)

    def _requeue(self, sequence: int) -> None:
        try:
            stored = self._keeper.requeue(sequence)
        except StoreError as error:
            _log.warning("requeue-refused", sequence=sequence, reason=str(error))
            self._hub.count("requeuesRefused")
        else:
            _log.info("requeued", sequence=sequence, as_sequence=stored.sequence)
            self._hub.count("requeued")
            self._hub.note_quarantine()
            self._hub.changed()

    def _replenish_sessions(self) -> None:
        if self._hub.sessions_left > _SESSIONS_LOW:
            return
        try:
            self._hub.add_sessions(self._keeper.reserve_sessions())
        except StoreError as error:
            self._on_store_failure(error)

    def _settle_gauge(self, arrival: Arrival, disposition: Disposition, reason: str = "") -> None:
        trace = arrival.delivered or arrival.trace

        def tried() -> str:
            try:
                self._gauge.settle(trace, disposition, reason)
            except GaugeError as error:
                return str(error)
            return ""

        outcome = attempt(tried)
        failure = outcome.text if isinstance(outcome, Failure) else outcome.value
        if failure:
            _log.warning("gauge-settle-failed", reason=failure)
            self._hub.count("gaugeSettleFailed")
