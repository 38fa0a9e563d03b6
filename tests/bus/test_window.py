"""The sliding window of the delivery contract, without a broker."""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from crosslay.bus.window import Delivery, Window


def test_dc_30_first_sendings_are_original_and_repeats_say_so() -> None:
    window = Window(width=3, resend_after_s=3.0, perhaps_sent_through=2)
    assert window.sent(2, 0.0) is Delivery.RETRANSMISSION, "an earlier run may have sent it"
    assert window.sent(3, 0.0) is Delivery.ORIGINAL
    window.reconnected()
    assert window.sent(3, 1.0) is Delivery.RETRANSMISSION
    assert window.sent(4, 1.0) is Delivery.ORIGINAL


def test_dc_31_no_more_than_the_width_is_outstanding() -> None:
    window = Window(width=2, resend_after_s=3.0, perhaps_sent_through=0)
    window.sent(1, 0.0)
    window.sent(2, 0.0)
    assert window.room() == 0
    window.settled([1], 0.1)
    assert window.room() == 1


def test_dc_34_the_window_is_sent_again_at_doubling_intervals_up_to_thirty_seconds() -> None:
    window = Window(width=1, resend_after_s=3.0, perhaps_sent_through=0)
    now, intervals = 0.0, []
    for _ in range(6):
        window.sent(1, now)
        due_in = window.due_in(now)
        assert due_in is not None
        assert not window.overdue(now + due_in - 0.001)
        now += due_in
        assert window.overdue(now)
        assert window.position == 0, "rewound to the lowest"
        intervals.append(round(due_in, 6))
    assert intervals == [3.0, 6.0, 12.0, 24.0, 30.0, 30.0]
    window.sent(1, now)
    window.heard(now + 5)
    assert window.due_in(now + 5) == 3.0, "any valid acknowledgement starts the timer afresh"


def test_nothing_outstanding_is_never_overdue() -> None:
    window = Window(width=2, resend_after_s=1.0, perhaps_sent_through=0)
    assert not window.overdue(100.0)
    window.sent(1, 0.0)
    window.settled([1], 0.5)
    assert window.due_in(0.5) is None
    assert not window.overdue(100.0)


class WindowMachine(RuleBasedStateMachine):
    """A queue of results, a late consumer, lost connections: nothing skipped, nothing out of order."""

    def __init__(self) -> None:
        super().__init__()
        self.width = 3
        self.window = Window(width=self.width, resend_after_s=2.0, perhaps_sent_through=0)
        self.now = 0.0
        self.stored: list[int] = []
        self.next = 1
        self.seen: list[int] = []
        self.sent_since_reconnect: list[int] = []
        self.sent_before: set[int] = set()

    @rule()
    def a_result_is_committed(self) -> None:
        self.stored.append(self.next)
        self.next += 1

    @rule()
    def the_pump_sends(self) -> None:
        rows = [row for row in self.stored if row > self.window.position][: self.window.room()]
        for row in rows:
            marked = self.window.sent(row, self.now)
            assert (marked is Delivery.RETRANSMISSION) is (row in self.sent_before)
            self.sent_before.add(row)
            self.sent_since_reconnect.append(row)
            if row not in self.seen:
                self.seen.append(row)

    @rule(number=st.integers(1, 3))
    def the_store_settles(self, number: int) -> None:
        done = [row for row in self.stored[:number] if row in self.sent_before]
        self.stored = [row for row in self.stored if row not in done]
        self.window.settled(done, self.now)

    @rule()
    def the_connection_is_lost(self) -> None:
        self.window.reconnected()
        self.sent_since_reconnect = []

    @rule(step=st.floats(0.1, 5))
    def time_passes(self, step: float) -> None:
        self.now += step
        if self.window.overdue(self.now):
            self.sent_since_reconnect = []

    @invariant()
    def never_more_than_the_width_and_always_ascending(self) -> None:
        assert len(self.window.outstanding) <= self.width
        assert self.sent_since_reconnect == sorted(set(self.sent_since_reconnect))
        assert self.seen == list(range(1, len(self.seen) + 1))


WindowMachine.TestCase.settings = settings(max_examples=100, stateful_step_count=50, deadline=None)
TestWindowMachine = WindowMachine.TestCase
