"""Reference checks in the running station. All but `standing` and `message` belongs to the recorder thread.

Once a specimen is registered, only a good check within its interval lets parts pass; the gauge measures on all the
same. Everything that this knows is in the store, so a restart changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import structlog

from crosslay.bus.conditions import (
    REFERENCE_DUE,
    REFERENCE_FAILED,
    REFERENCE_OVERDUE,
    REFERENCE_RUNNING,
    REFERENCE_WARNING,
    Conditions,
    Kind,
)
from crosslay.bus.messages import ReferenceCheckAnswer, ReferenceCheckMessage
from crosslay.errors import TraceRefusedError, UsageError
from crosslay.inspection.judge import Verdict
from crosslay.inspection.laboratory import Lines
from crosslay.inspection.value_budgets import KnownGauge
from crosslay.plan.load import StationPlan
from crosslay.plan.specimens import Registered
from crosslay.ports import Clock
from crosslay.record.check_rows import NOT_USABLE, CheckRow, CommandRow, ReadingRow
from crosslay.record.checks import Checks, CheckState, Concluded
from crosslay.record.correlations import CorrelationRow
from crosslay.record.identity import derived_result_id
from crosslay.station.corrections import Intent, accept_correction, undo_correction
from crosslay.station.correlations import accept_correlation, lines_in_force, undo_correlation
from crosslay.station.known_gauge import known_gauge
from crosslay.station.light import Block, LightLogic
from crosslay.station.orders import ACCEPT, ACCEPT_CORRELATION, CANCEL, CHECK, UNDO_CORRELATION, Asked, Order
from crosslay.station.recalls import check_message, recall_draft
from crosslay.station.specimen_check import concluded_row, corrected, current_signals, reading_of
from crosslay.station.standing import Standing, Word, guarded, overall
from crosslay.station.supervisor import Failure, attempt
from crosslay.texture.trace import Trace

_log = structlog.get_logger("crosslay.reference")
_KIND_OF = {Word.DUE_SOON: REFERENCE_DUE, Word.OVERDUE: REFERENCE_OVERDUE, Word.FAILED: REFERENCE_FAILED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """What the checks need of the station around them.

    Attributes
    ----------
    synchronized
        Whether the wall clock can be believed.
    light
        Change the light.
    announced
        The configuration or the state says something else now.
    answer_bus
        Send an answer whose asker is not known any more to the bus.
    """

    clock: Clock
    synchronized: Callable[[], bool]
    conditions: Conditions
    light: Callable[[Callable[[LightLogic, float], object]], None]
    count: Callable[[str], None]
    announced: Callable[[], None]
    answer_bus: Callable[[ReferenceCheckAnswer], None] = lambda _answer: None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """A command under way: the next traces are those of a specimen."""

    order: Order
    asked: Asked

    @property
    def traces(self) -> int:
        return self.order.traces or 0


class Reference:
    """See the module.

    Parameters
    ----------
    plan
        Of the station.
    checks
        Those in the store.
    outside
        The station around.
    """

    def __init__(self, plan: StationPlan, checks: Checks, outside: Outside) -> None:
        self._plan = plan
        self._specimens = plan.specimens
        self._by_name = {each.name: each for each in plan.specimens}
        self._checks = checks
        self._outside = outside
        self._state: CheckState | None = None
        self._task: _Task | None = None
        self._deadlines: dict[str, float] = {}
        self._checked_at: dict[str, float] = {}
        self._blocked: dict[Block, str] = {}
        self._announced: tuple[Word, float | None] | None = None

    def load(self) -> None:
        """Read the store; after every opening of another database, and before the first trace. Raises `StoreError`."""
        self._state = None  # where this fails, nothing vouches for the gauge until `tick` succeeds
        self._checks.register(tuple(self._by_name))
        self._refresh()
        self._checked_at.clear()
        self._resume()
        self.tick()

    def standing(self) -> Standing:
        """How the gauge stands now; any thread."""
        return self._judged(self._specimens)

    def due_s(self, specimen: Registered) -> float | None:
        """When a specimen is due, seconds since the epoch; None: at once. Any thread."""
        return self._judged((specimen,)).due_s

    def _judged(self, specimens: tuple[Registered, ...]) -> Standing:
        state = self._state
        if state is None:
            return Standing(word=Word.OVERDUE if specimens else Word.NONE, text="the store has not been read yet")
        return overall(specimens, state, self._outside.clock.wall(), self._ages_s())

    def _ages_s(self) -> dict[str, float]:
        """Time since the checks that this process saw."""
        now = self._outside.clock.monotonic()
        return {name: now - at for name, at in self._checked_at.copy().items()}

    def message(self) -> ReferenceCheckMessage | None:
        """The check in force, for a result; any thread."""
        check = self.standing().check
        return None if check is None else check_message(check)

    def known_gauge(self) -> KnownGauge:
        """What the station file and the checks in force say of the gauge; any thread."""
        return known_gauge(self._plan, self._state, self._outside.clock.wall(), self._ages_s())

    def guard(self, verdict: Verdict) -> Verdict:
        """The verdict on a part, or invalid where nothing vouches for the gauge."""
        return guarded(verdict, self.standing())

    def corrected(self, trace: Trace) -> Trace:
        """The trace with the correction in force in its calibration."""
        return corrected(trace, self.amplification)

    @property
    def amplification(self) -> float:
        """The correction in force; any thread."""
        return 1.0 if self._state is None else self._state.amplification

    def correlations(self) -> tuple[CorrelationRow, ...]:
        """The accepted correlations in force; any thread."""
        return () if self._state is None else self._state.correlations

    def lines(self) -> Lines:
        """What they make of the values of a part; any thread."""
        return lines_in_force(self._plan, self.correlations(), self.amplification)

    def claims(self, trace: Trace) -> str:
        """Name of the specimen that a trace was taken on; ``""`` for a part.

        Raises
        ------
        TraceRefusedError
            The trace names a specimen that is not registered.
        """
        named = trace.facts.get("specimen", "").strip()
        if not named:
            return "" if self._task is None else self._task.order.specimen
        if named not in self._by_name:
            raise TraceRefusedError(
                f'the trace is of specimen "{named}", which is not registered; registered: {self._known()}'
            )
        return named

    def take(self, name: str, trace: Trace) -> str:
        """Take a trace of a specimen; returns what came of it, in words.

        Raises
        ------
        TraceRefusedError
            The evaluation has a defect.
        StoreError
            It could not be stored; try again with the same trace.
        """
        specimen = self._by_name[name]
        delivery = derived_result_id(self._plan.source, trace.identity) if trace.identity else None
        if self.took(trace):
            return f"a trace of specimen {name} already stored was found again"
        task = self._task_on(name)
        wall_s = self._outside.clock.wall()
        # A check is as old as its traces: one made of files that waited proves nothing of what came after them.
        taken_at = wall_s if trace.captured_at is None else min(wall_s, trace.captured_at)
        amplification = self.amplification
        made = partial(reading_of, specimen, self.corrected(trace), amplification=amplification)
        outcome = attempt(partial(made, taken_at=taken_at, delivery=delivery))
        if isinstance(outcome, Failure):
            raise TraceRefusedError(f"the evaluation failed unexpectedly ({outcome.text}); report it with this trace")
        reading = replace(outcome.value, request_id=task.order.request_id if task else "")
        rows = self._checks.add_reading(reading)
        self._refresh()
        self._deadlines[name] = self._outside.clock.monotonic() + specimen.check_timeout_s
        _log.info("reference-trace", specimen=name, value=reading.value, number=len(rows), of=self._needed(specimen))
        text = f"reference check on {name}: {len(rows)} of {self._needed(specimen)} traces"
        text = self._complete(specimen) or text
        self.tick()
        return text

    def took(self, trace: Trace) -> bool:
        """Whether a trace with this identity is part of a check already. Raises `StoreError`."""
        return bool(trace.identity) and self._checks.known(derived_result_id(self._plan.source, trace.identity))

    def part_came(self) -> None:
        """A part was measured: the traces of a check follow each other, so one that is begun is over."""
        for name, rows in self._unfinished():
            if self._task_on(name) is None:
                self._abandon(name, rows, "a part was measured before the check was complete")

    def tick(self) -> None:
        """End what waited too long, and let light, conditions and configuration say how the gauge stands.

        Once a second, and after every change. Raises `StoreError`.
        """
        if self._state is None:
            self.load()
            return
        now = self._outside.clock.monotonic()
        for specimen in self._specimens:
            self._complete(specimen)
        late = [name for name, deadline in self._deadlines.items() if deadline <= now]
        for name in late:
            rows = dict(self._unfinished()).get(name, [])
            limit_s = self._by_name[name].check_timeout_s
            self._abandon(name, rows, f"no trace of specimen {name} came within {limit_s:g} s")
        self._show(self.standing())

    def take_order(self, asked: Asked) -> None:
        """Do what was asked for, keep it, and answer. Raises `StoreError` where it could not be stored."""
        order = asked.order
        before = self._checks.command(order.request_id)
        if before is not None:  # MQTT delivers at least once
            asked.answer(_answer(order, "accepted" if before.accepted else "refused", before.answer))
            return
        try:
            text, act = self._intend(asked)
            accepted = True
        except UsageError as error:
            text, act, accepted = str(error), self._checks.note_command, False
        # Only the command for a check goes on; any other is over with its answer.
        ended = "completed" if accepted and order.name != CHECK else ""
        act(
            CommandRow(
                request_id=order.request_id, received_at=self._outside.clock.wall(), way=asked.way, name=order.name,
                payload=order.payload(), accepted=accepted, answer=text, ended=ended,
            )
        )  # fmt: skip
        _log.info("command", name=order.name, way=asked.way, request=order.request_id, accepted=accepted, answer=text)
        self._outside.count("commandsAccepted" if accepted else "commandsRefused")
        asked.answer(_answer(order, "accepted" if accepted else "refused", text))
        self._refresh()
        self.tick()
        if accepted and order.name in {ACCEPT_CORRELATION, UNDO_CORRELATION}:
            self._outside.announced()

    # -- orders --------------------------------------------------------------------------------------------------

    def _intend(self, asked: Asked) -> Intent:
        """What an order leads to; `UsageError` where it is refused."""
        order, now = asked.order, self._outside.clock.wall()
        if order.name == CHECK:
            return self._begin(asked)
        if order.name == CANCEL:
            return self._cancel(order)
        if order.name == ACCEPT:
            return accept_correction(self._checks, order, specimens=self._by_name, at=now)
        if order.name == ACCEPT_CORRELATION:
            return accept_correlation(self._checks, order, plan=self._plan, amplification=self.amplification, at=now)
        if order.name == UNDO_CORRELATION:
            return undo_correlation(self._checks, order, at=now)
        return undo_correction(self._checks, order, at=now)

    def _begin(self, asked: Asked) -> Intent:
        order = asked.order
        specimen = self._by_name.get(order.specimen)
        if specimen is None:
            raise UsageError(f'specimen "{order.specimen}" is not registered; registered: {self._known()}')
        least = specimen.specimen.least_traces
        full = order.model_copy(update={"traces": order.traces or specimen.traces})
        if full.traces is None or full.traces < least:
            raise UsageError(f"{full.traces} traces are too few for a check on {specimen.name}; it needs {least}")
        if self._task is not None:
            raise UsageError(f"a check on {self._task.order.specimen} is under way; wait for its end, or cancel it")

        def act(row: CommandRow) -> None:
            for name, rows in self._unfinished():
                self._abandon(name, rows, "a check was asked for by command")
            self._checks.note_command(row)
            self._task = _Task(order=full, asked=asked)
            self._deadlines[specimen.name] = self._outside.clock.monotonic() + specimen.check_timeout_s

        return f"the next {full.traces} traces count as those of {specimen.name}", act

    def _cancel(self, order: Order) -> Intent:
        task = self._task
        if task is None or (order.specimen and task.order.specimen != order.specimen):
            raise UsageError("no check that was asked for by command is under way, so none can be cancelled")
        name = task.order.specimen

        def act(row: CommandRow) -> None:
            self._checks.note_command(row)
            self._abandon(name, dict(self._unfinished()).get(name, []), "it was cancelled")

        return f"the check on {name} is cancelled", act

    def _known(self) -> str:
        return ", ".join(self._by_name) or "none; add a [[specimen]] to the station file"

    def _resume(self) -> None:
        """A command that a restart cut off goes on: otherwise its traces would be taken for parts."""
        state = self._state
        assert state is not None
        self._task = None
        self._deadlines.clear()
        for row in state.commands:
            order = Order.model_validate_json(row.payload)
            specimen = self._by_name.get(order.specimen)
            if specimen is None or row is not state.commands[-1]:
                self._checks.abandon([], "the station was started again without it", row.request_id)
                continue
            full = order.model_copy(update={"traces": order.traces or specimen.traces})
            answer = self._outside.answer_bus if row.way == "bus" else lambda _answer: None
            self._task = _Task(order=full, asked=Asked(order=order, way=row.way, answer=answer))
        now = self._outside.clock.monotonic()
        names = {name for name, _rows in self._unfinished()} | ({self._task.order.specimen} if self._task else set())
        self._deadlines = {name: now + self._by_name[name].check_timeout_s for name in names}

    # -- checks --------------------------------------------------------------------------------------------------

    def _complete(self, specimen: Registered) -> str:
        """Conclude the check of a specimen where it has all its traces; what it came to, in words, else ``""``."""
        rows = dict(self._unfinished()).get(specimen.name, [])
        if not rows or len(rows) < self._needed(specimen):
            return ""
        finished_at = max(row.taken_at for row in rows)
        synchronized = self._outside.synchronized()
        made = attempt(partial(concluded_row, specimen, rows, finished_at=finished_at, synchronized=synchronized))
        if isinstance(made, Failure):
            why = f"the check could not be evaluated ({made.text})"
            self._abandon(specimen.name, rows, why)
            return why
        task = self._task_on(specimen.name)
        row = replace(made.value, request_id=task.order.request_id if task else "")
        concluded = self._checks.conclude(row, rows, partial(recall_draft, self._plan.source, row))
        age_s = max(0.0, self._outside.clock.wall() - finished_at)
        self._checked_at[specimen.name] = self._outside.clock.monotonic() - age_s
        self._end(specimen.name)
        self._refresh()
        self._say(concluded, task)
        return str(row.document["text"])

    def _say(self, concluded: Concluded, task: _Task | None) -> None:
        row = concluded.row
        _log.info("reference-check", specimen=row.specimen, outcome=row.outcome, check=row.check_id,
                  details=row.document.get("text"))  # fmt: skip
        self._outside.count(f"referenceChecks{''.join(word.title() for word in row.outcome.split('-'))}")
        if concluded.recall is not None:
            _log.warning("recall", results=len(concluded.doubtful), sequence=concluded.recall.sequence)
            self._outside.count("recalls")
        if task is not None:
            text = str(row.document.get("text", row.outcome))
            task.asked.answer(_answer(task.order, "completed", text, row))
        self._outside.announced()

    def _abandon(self, name: str, rows: list[ReadingRow], why: str) -> None:
        task = self._task_on(name)
        self._checks.abandon(rows, why, task.order.request_id if task else "")
        _log.warning("reference-check-abandoned", specimen=name, traces=len(rows), reason=why)
        self._end(name)
        self._refresh()
        if task is not None:
            task.asked.answer(_answer(task.order, "abandoned", why))

    def _end(self, name: str) -> None:
        if self._task_on(name) is not None:
            self._task = None
        self._deadlines.pop(name, None)

    def _task_on(self, name: str) -> _Task | None:
        return self._task if self._task is not None and self._task.order.specimen == name else None

    def _needed(self, specimen: Registered) -> int:
        task = self._task_on(specimen.name)
        return task.traces if task else specimen.traces

    def _unfinished(self) -> list[tuple[str, list[ReadingRow]]]:
        state = self._state
        return [] if state is None else [(name, rows) for name, rows in state.unfinished.items() if rows]

    def _refresh(self) -> None:
        self._state = self._checks.state(tuple(self._by_name))

    # -- what others see -----------------------------------------------------------------------------------------

    def _show(self, standing: Standing) -> None:
        self._show_running()
        self._show_warnings()
        for word, kind in _KIND_OF.items():
            self._raise_where(kind, standing.text if standing.word is word else "")
        self._block(Block.REFERENCE, "" if standing.passes else _because(standing))
        said = (standing.word, standing.due_s)
        if said != self._announced:
            self._announced = said
            self._outside.announced()

    def _show_running(self) -> None:
        running = {name: len(rows) for name, rows in self._unfinished()}
        if self._task is not None:
            running.setdefault(self._task.order.specimen, 0)
        texts = [f"reference check on {name}: {number} of {self._needed(self._by_name[name])} traces"
                 for name, number in running.items()]  # fmt: skip
        self._raise_where(REFERENCE_RUNNING, "; ".join(texts))
        self._block(Block.CHECK, "; ".join(texts))

    def _show_warnings(self) -> None:
        assert self._state is not None
        texts = []
        for specimen in self._specimens:
            rows: list[CheckRow] = self._state.charted[specimen.name]
            if rows and rows[-1].outcome in {"warning", NOT_USABLE}:
                texts.append(str(rows[-1].document.get("text", "")))
            texts += current_signals(specimen, rows)
        self._raise_where(REFERENCE_WARNING, "; ".join(texts))

    def _block(self, block: Block, reason: str) -> None:
        """Block the light, or no longer where there is no reason; every telling wakes its driver."""
        if reason == self._blocked.get(block, ""):
            return
        self._blocked[block] = reason
        if reason:
            self._outside.light(lambda light, _now: light.block(block, reason))
        else:
            self._outside.light(lambda light, _now: light.unblock(block))

    def _raise_where(self, kind: Kind, text: str) -> None:
        if text:
            self._outside.conditions.raise_(kind, text.rstrip("."))  # a remedy follows
        else:
            self._outside.conditions.clear(kind)


def _because(standing: Standing) -> str:
    word = "failed" if standing.word is Word.FAILED else "is overdue"
    return f"the reference check {word}: {standing.text}"


def _answer(order: Order, status: str, text: str, row: CheckRow | None = None) -> ReferenceCheckAnswer:
    return ReferenceCheckAnswer.model_validate(
        {
            "request_id": order.request_id,
            "status": status,
            "specimen": order.specimen,
            "text": text,
            "check": None if row is None else check_message(row),
        }
    )
