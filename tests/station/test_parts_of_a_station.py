"""Cycle, mailbox, assembly, supervisor, notifications, clock: the small parts of a station."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from crosslay.errors import CrosslayError, TraceRefusedError
from crosslay.inspection.judge import Measured, Remaining
from crosslay.record.levels import Settled
from crosslay.station.assembly import Assembly, Group, Slot, Taken
from crosslay.station.clock import SystemClock
from crosslay.station.cycle import TRANSITIONS, Cycle, Event, State
from crosslay.station.mailbox import ACK_DELAY_S, Arrival, Mailbox
from crosslay.station.notify import Notifier
from crosslay.station.supervisor import Failure, Success, Worker, attempt
from crosslay.texture.trace import Trace


def arrival(characteristic: str = "", ticket: int = 1, position: str = "") -> Arrival:
    given = {"characteristic": characteristic, "position": position}
    facts = {name: value for name, value in given.items() if value}
    trace = Trace(samples=np.zeros(3), spacing_um=1.0, facts=facts)
    return Arrival(trace=trace, ticket=ticket, arrived_at=0.0)


def assembly_of(positions: dict[str, tuple[str, ...]] | None = None, **traces: int) -> Assembly:
    """An assembly whose slots need a fixed number of traces each."""

    def remaining(slot: Slot, taken: Sequence[Taken]) -> Remaining | None:
        left = traces[slot.characteristic] - len(taken)
        return Remaining(taken=len(taken), at_least=left, at_most=left) if left > 0 else None

    return Assembly({name: (positions or {}).get(name, ()) for name in traces}, 60.0, remaining)


def add(assembly: Assembly, part_id: str, came: Arrival, now: float) -> list[Group]:
    slots = assembly.slots_of(came.trace.facts)
    return assembly.add(part_id, Taken(arrival=came, slots=slots, measured=Measured()), now)


def tickets(group: Group) -> list[int]:
    return [each.ticket for each in group.arrivals]


def test_the_cycle_of_one_part() -> None:
    cycle = Cycle()
    way = [Event.GAUGE_OPENED, Event.TRAVERSE_STARTED, Event.TRACE_ARRIVED, Event.EVALUATED, Event.FINISHED]
    assert [cycle.on(event) for event in way] == [
        State.WAITING,
        State.CAPTURING,
        State.EVALUATING,
        State.DECIDING,
        State.WAITING,
    ]


def test_the_gauge_may_start_on_the_next_part_while_one_is_decided() -> None:
    cycle = Cycle()
    for event in (Event.GAUGE_OPENED, Event.TRACE_ARRIVED, Event.EVALUATED, Event.TRAVERSE_STARTED):
        cycle.on(event)
    assert cycle.on(Event.FINISHED) is State.CAPTURING


def test_stopping_is_final_and_every_state_can_be_stopped() -> None:
    assert {state for state, event in TRANSITIONS if event is Event.STOP} == set(State)
    assert {TRANSITIONS[State.STOPPING, event] for event in Event} == {State.STOPPING}


def test_an_impossible_event_is_an_error() -> None:
    with pytest.raises(CrosslayError, match="cannot take 'evaluated' while idle"):
        Cycle().on(Event.EVALUATED)


def test_the_mailbox_holds_one_trace_and_adds_up_acknowledgements() -> None:
    mailbox = Mailbox()
    assert mailbox.put(arrival(ticket=1), 0.0)
    assert not mailbox.put(arrival(ticket=2), 0.01)
    for number in range(1000):
        mailbox.settle(Settled(through=number % 700))
    mailbox.settle(Settled(sequences=frozenset({3}), quarantined={4: "why"}))
    assert mailbox.settled_waiting
    assert mailbox.settled_due()
    assert mailbox.take_settled() == Settled(through=699, sequences=frozenset({3}), quarantined={4: "why"})
    assert not mailbox.settled_waiting
    assert mailbox.take_settled() == Settled()
    taken = mailbox.take_arrival(0.0)
    assert taken is not None
    assert taken.ticket == 1
    mailbox.close()
    assert not mailbox.put(arrival(), 1.0)
    assert mailbox.take_arrival(5.0) is None


def test_few_acknowledgements_wait_for_company_and_many_do_not() -> None:
    mailbox = Mailbox(window=20)
    mailbox.settle(Settled(through=9))
    assert not mailbox.settled_due()
    time.sleep(ACK_DELAY_S)
    assert mailbox.settled_due()
    mailbox.take_settled()
    mailbox.settle(Settled(through=19))
    assert mailbox.settled_due(), "ten new ones, half a window"
    mailbox.take_settled()
    mailbox.settle(Settled(through=24), pending=20)
    assert not mailbox.settled_due()
    mailbox.settle(Settled(through=24), pending=21)
    assert mailbox.settled_due(), "five new ones, and a backlog that waits for them"


def test_acknowledgements_wake_the_recorder() -> None:
    mailbox = Mailbox()
    waker = threading.Timer(0.05, lambda: mailbox.settle(Settled(through=1)))
    waker.start()
    started = time.monotonic()
    assert mailbox.take_arrival(10.0) is None
    assert time.monotonic() - started < 5.0
    waker.join()


def test_a_trace_without_a_characteristic_is_a_whole_part() -> None:
    [group] = add(assembly_of(bore=1, face=1), "P-1", arrival(), 0.0)
    assert (tickets(group), group.missing) == ([1], ())
    assert group.at(Slot("bore")) == group.at(Slot("face")) == group.taken


def test_a_part_is_complete_when_every_characteristic_has_its_trace() -> None:
    assembly = assembly_of(bore=1, face=1)
    assert add(assembly, "P-1", arrival("face"), 0.0) == []
    waits = assembly.waits("P-1")
    assert waits is not None
    assert (waits.slots, waits.prompt, waits.taken) == (("bore",), "still to measure: bore", 1)
    assert add(assembly, "P-2", arrival("face"), 1.0) == []
    [group] = add(assembly, "P-1", arrival("bore", 2), 2.0)
    assert (group.part_id, tickets(group), group.missing) == ("P-1", [1, 2], ())
    assert assembly.waits("P-1") is None
    assert assembly.expired(60.9) == []
    [late] = assembly.expired(61.0)
    assert (late.part_id, late.missing) == ("P-2", ("no trace for bore",))
    assert assembly.expired(1000.0) == []


def test_a_characteristic_measured_twice_ends_the_part_begun_before() -> None:
    assembly = assembly_of(bore=1, face=1)
    add(assembly, "P-1", arrival("face", 1), 0.0)
    [cut] = add(assembly, "P-1", arrival("face", 2), 1.0)
    assert (cut.missing, tickets(cut)) == (("no trace for bore",), [1])
    [whole] = add(assembly, "P-1", arrival("bore", 3), 2.0)
    assert (whole.missing, tickets(whole)) == ((), [2, 3])


def test_an_unknown_characteristic_is_refused() -> None:
    with pytest.raises(TraceRefusedError, match='"rim", which the plan does not have; it has bore, face'):
        add(assembly_of(bore=1, face=1), "P-1", arrival("rim"), 0.0)


def test_a_part_waits_for_every_position_and_for_each_as_many_traces_as_it_needs() -> None:
    assembly = assembly_of({"bore": ("A", "B")}, bore=2, face=1)
    again = "bore at {0}: 1 of up to 2 traces; measure the same part again at another place of {0} (1 more); "
    for number, (at, prompt) in enumerate(
        [("B", again.format("B") + "still to measure: bore at A, face"),
         ("B", "still to measure: bore at A, face"),
         ("A", again.format("A") + "still to measure: face")]
    ):  # fmt: skip
        assert add(assembly, "P-1", arrival("bore", number, at), float(number)) == []
        waits = assembly.waits("P-1")
        assert waits is not None
        assert (waits.prompt, waits.taken) == (prompt, number + 1)
    assert add(assembly, "P-1", arrival("face", 3), 3.0) == []
    [group] = add(assembly, "P-1", arrival("bore", 4, "A"), 4.0)
    assert (tickets(group), group.missing) == ([0, 1, 2, 3, 4], ())
    assert [each.arrival.ticket for each in group.at(Slot("bore", "A"))] == [2, 4]


def test_time_runs_out_after_the_latest_trace() -> None:
    assembly = assembly_of({"bore": ("A", "B")}, bore=2)
    add(assembly, "P-1", arrival("bore", 1, "A"), 0.0)
    add(assembly, "P-1", arrival("bore", 2, "B"), 50.0)
    assert assembly.expired(109.9) == []
    [late] = assembly.expired(110.0)
    assert late.missing == ("1 of up to 2 traces for bore at A", "1 of up to 2 traces for bore at B")


def test_a_trace_without_a_position_where_one_is_needed_is_refused() -> None:
    assembly = assembly_of({"bore": ("A", "B")}, bore=1, face=1)
    with pytest.raises(TraceRefusedError, match="names no position; the positions of bore are A, B"):
        add(assembly, "P-1", arrival("bore"), 0.0)
    with pytest.raises(TraceRefusedError, match='is for position "C"; the positions of bore are A, B'):
        add(assembly, "P-1", arrival("bore", 1, "C"), 0.0)
    # One for all characteristics counts for those that have its position, or none.
    assert add(assembly, "P-1", arrival("", 1, "A"), 0.0) == []
    [group] = add(assembly, "P-1", arrival("", 2, "B"), 0.0)
    assert [each.arrival.ticket for each in group.at(Slot("bore", "B"))] == [2]


def test_attempt_turns_anything_into_a_failure() -> None:
    assert attempt(lambda: 3) == Success(value=3)
    assert attempt(lambda: 1 // 0) == Failure(text="ZeroDivisionError: integer division or modulo by zero")


def test_a_worker_that_raises_is_started_again() -> None:
    runs, failures, done = [], [], threading.Event()

    def body(stop: threading.Event) -> None:
        runs.append(1)
        if len(runs) < 2:
            raise RuntimeError("once")
        done.set()
        stop.wait(10)

    worker = Worker("test", body, limit_s=60.0, on_failure=failures.append)
    worker.start()
    assert done.wait(10)
    assert failures == ["RuntimeError: once"]
    assert not worker.hung
    worker.stop()
    assert worker.join(5)


def test_a_worker_without_progress_counts_as_hung() -> None:
    release = threading.Event()
    worker = Worker("test", lambda _stop: release.wait(10) and None, limit_s=0.05)
    worker.start()
    time.sleep(0.2)
    assert worker.hung
    worker.beat()
    assert not worker.hung
    release.set()
    worker.stop()
    assert worker.join(5)


def test_notifications_reach_the_service_manager(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "4000000"})
        notifier.send(READY="1", STATUS="two\nlines")
        assert manager.recv(1000) == b"READY=1\nSTATUS=two lines"
    assert notifier.watchdog_every_s == 2.0
    notifier.send(WATCHDOG="1")  # the socket is gone: no error
    assert Notifier({}).watchdog_every_s is None
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).watchdog_every_s is None


def test_the_clock_says_whether_it_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    assert isinstance(clock.synchronized(), bool)
    monkeypatch.setattr(time, "time", lambda: 86_400.0)
    assert not clock.synchronized(), "a board without a clock battery starts in 1970"
