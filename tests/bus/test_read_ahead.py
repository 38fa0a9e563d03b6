"""Reading the outbox in larger pieces: the same rows in the same order as by reading what is sent at a time."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from crosslay.bus.read_ahead import _BYTES, _ROWS, ReadAhead, Row


class Outbox:
    """Rows by number, and how they were asked for."""

    def __init__(self, numbers: set[int], payload: bytes = b"x") -> None:
        self.numbers = numbers
        self.payload = payload
        self.calls: list[tuple[int, int]] = []

    def read(self, after: int, limit: int) -> list[Row]:
        self.calls.append((after, limit))
        return [(number, self.payload) for number in sorted(self.numbers) if number > after][:limit]


def drained(ahead: ReadAhead, limit: int) -> list[int]:
    numbers, position = [], 0
    while rows := ahead.after(position, limit):
        assert len(rows) <= limit
        numbers += [number for number, _payload in rows]
        position = numbers[-1]
    return numbers


def test_a_backlog_is_read_in_few_pieces_and_in_order() -> None:
    outbox = Outbox(set(range(1, 1001)))
    assert drained(ReadAhead(outbox.read), 5) == list(range(1, 1001))
    assert len(outbox.calls) < 15, "and not 200"
    assert max(limit for _after, limit in outbox.calls) == _ROWS


def test_a_single_live_result_is_read_alone() -> None:
    outbox = Outbox({1})
    ahead = ReadAhead(outbox.read)
    for number in range(1, 10):
        outbox.numbers.add(number)
        assert ahead.after(number - 1, 20) == [(number, b"x")]
    assert {limit for _after, limit in outbox.calls} <= {20, 80, _ROWS}


def test_a_window_that_was_set_back_reads_anew() -> None:
    outbox = Outbox(set(range(1, 101)))
    ahead = ReadAhead(outbox.read)
    for position in (0, 5, 10):
        ahead.after(position, 5)
    outbox.numbers -= {1, 2}
    assert [number for number, _payload in ahead.after(0, 3)] == [3, 4, 5]


def test_what_is_settled_meanwhile_is_not_served_once_it_was_told() -> None:
    outbox = Outbox(set(range(1, 101)))
    ahead = ReadAhead(outbox.read)
    ahead.after(0, 5)
    ahead.after(5, 5)
    outbox.numbers -= {12, 13}
    ahead.forget()
    assert [number for number, _payload in ahead.after(10, 3)] == [11, 14, 15]


def test_large_payloads_are_not_piled_up() -> None:
    outbox = Outbox(set(range(1, 1001)), payload=b"x" * (_BYTES // 4))
    ahead = ReadAhead(outbox.read)
    assert drained(ahead, 2) == list(range(1, 1001))
    ahead.after(0, 2)
    ahead.after(2, 2)
    assert sum(len(payload) for _number, payload in ahead._rows) <= _BYTES


@given(
    st.sets(st.integers(1, 60)),
    st.lists(st.tuples(st.sampled_from(["next", "back", "drop", "more"]), st.integers(1, 30)), max_size=40),
)
def test_any_use_gives_what_reading_directly_gives(numbers: set[int], steps: list[tuple[str, int]]) -> None:
    outbox = Outbox(set(numbers))
    ahead, position, newest = ReadAhead(outbox.read), 0, 60
    for step, number in steps:
        if step == "back":
            position = 0
        elif step == "drop":
            outbox.numbers.discard(number)
            ahead.forget()
        elif step == "more":
            newest += 1
            outbox.numbers.add(newest)
        else:
            rows = ahead.after(position, number)
            # Rows above those kept come with the next reading; below there is no difference.
            assert rows == outbox.read(position, number)[: len(rows)]
            assert rows or not outbox.read(position, 1)
            position = rows[-1][0] if rows else position
