"""The reject light's logic: the rows of the table on page *bus* and the invariants L1, L2."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from crosslay.ports import REST, Outputs
from crosslay.station.light import Block, Idle, LightLogic, LightPolicy

POLICY = LightPolicy(dwell_s=2.0, max_age_s=10.0)


def lamps(light: LightLogic, now: float) -> tuple[bool, bool, bool]:
    shown = light.outputs(now)
    return shown.accept, shown.reject, shown.fault


def over_a_period(light: LightLogic, now: float) -> set[tuple[bool, bool, bool]]:
    return {lamps(light, now + step / 20) for step in range(60)}


def test_waiting_shows_reject_or_hold() -> None:
    assert lamps(LightLogic(POLICY), 0.0) == (False, True, False)
    held = LightLogic(LightPolicy(dwell_s=2.0, max_age_s=10.0, idle=Idle.HOLD))
    assert lamps(held, 0.0) == (False, False, False)
    assert not held.outputs(0.0).release


def test_a_pass_is_shown_for_the_dwell_and_then_earned_anew() -> None:
    light = LightLogic(POLICY)
    ticket = light.trigger(1.0)
    assert lamps(light, 1.0) == (False, True, False)
    assert light.accept(ticket, 1.5, age_s=0.5)
    shown = light.outputs(1.5)
    assert (shown.accept, shown.reject, shown.result_valid, shown.accept_bit, shown.release) == (
        True,
        False,
        True,
        True,
        True,
    )
    assert lamps(light, 3.49) == (True, False, False)
    assert lamps(light, 3.5) == (False, True, False)
    assert not light.outputs(3.5).result_valid


def test_the_next_trigger_takes_accept_away_at_once() -> None:
    light = LightLogic(POLICY)
    light.accept(light.trigger(1.0), 1.1, age_s=0.1)
    light.trigger(1.2)
    assert lamps(light, 1.2) == (False, True, False)


def test_a_fail_flashes_reject_until_the_next_trigger() -> None:
    light = LightLogic(POLICY)
    ticket = light.trigger(1.0)
    light.fail(ticket, 1.1, "1 of 1 out of tolerance")
    assert over_a_period(light, 1.1) == {(False, True, False), (False, False, False)}
    assert lamps(light, 1.1) == (False, True, False), "it begins lit"
    assert over_a_period(light, 500.0) == {(False, True, False), (False, False, False)}
    assert not light.outputs(1.2).result_valid
    light.committed(ticket)
    assert light.outputs(1.2).result_valid
    light.trigger(600.0)
    assert over_a_period(light, 600.0) == {(False, True, False)}


def test_unjudged_and_blocked_show_reject_and_fault() -> None:
    light = LightLogic(POLICY)
    light.unjudged(light.trigger(1.0), 1.1, "the trace is clipped")
    assert over_a_period(light, 1.1) == {(False, True, True)}
    other = LightLogic(POLICY)
    ticket = other.trigger(1.0)
    other.block(Block.STORE, "disk full")
    other.accept(ticket, 1.1, age_s=0.0)
    assert over_a_period(other, 1.1) == {(False, True, True)}
    assert other.reason == "disk full"
    assert not other.outputs(1.2).ready
    other.unblock(Block.STORE)
    assert lamps(other, 1.3) == (True, False, False)


def test_offline_only_flashes_fault_slowly() -> None:
    light = LightLogic(POLICY)
    light.offline(away=True)
    assert over_a_period(light, 0.0) == {(False, True, False), (False, True, True)}
    light.accept(light.trigger(1.0), 1.0, age_s=0.0)
    assert {lamps(light, 1.0 + step / 20) for step in range(39)} == {(True, False, False), (True, False, True)}
    assert not light.outputs(1.5).fault_bit, "the bit for the PLC is steady"


def test_l2_a_part_of_the_past_lights_nothing() -> None:
    light = LightLogic(POLICY)
    old = light.trigger(1.0)
    assert not light.accept(old, 1.1, age_s=10.0)
    assert "captured 10 s ago" in light.reason
    assert not light.accept(light.trigger(2.0), 2.0, age_s=float("inf"))
    assert not light.accept(light.trigger(2.0), 2.0, age_s=-3.0)
    newer = light.trigger(3.0)
    assert not light.accept(old, 3.1, age_s=0.1), "a late result must never light ACCEPT for the next part"
    assert lamps(light, 3.1) == (False, True, False)
    assert light.accept(newer, 3.2, age_s=9.5)
    assert lamps(light, 3.69)[0]
    assert not lamps(light, 3.71)[0], "it goes out when the capture is max_age_s old, dwell or not"


def test_l1_is_part_of_the_type() -> None:
    with pytest.raises(ValueError, match="L1"):
        Outputs(accept=True, reject=True)


def test_l3_the_order_of_single_lines() -> None:
    accepting = Outputs(accept=True, reject=False, accept_bit=True)
    assert next(iter(REST.changes_from(accepting))) == ("reject", True)
    assert list(accepting.changes_from(REST))[-1] == ("accept", True)
    assert next(iter(REST.changes_from(None))) == ("reject", True)
    assert list(REST.changes_from(REST)) == []


class LightMachine(RuleBasedStateMachine):
    """Random life of a light, against a model that knows only the table."""

    def __init__(self) -> None:
        super().__init__()
        self.light = LightLogic(POLICY)
        self.now = 100.0
        self.ticket = 0
        self.pass_until: float | None = None
        self.blocked: set[Block] = set()

    @rule(step=st.floats(0, 3))
    def time_passes(self, step: float) -> None:
        self.now += step

    @rule()
    def a_part_comes(self) -> None:
        self.ticket = self.light.trigger(self.now)
        self.pass_until = None

    @rule(age=st.floats(-5, 15), late=st.booleans())
    def it_passes(self, age: float, late: bool) -> None:
        lit = self.light.accept(self.ticket - late, self.now, age)
        if not late:
            fresh = 0 <= age < POLICY.max_age_s
            assert lit is fresh
            self.pass_until = self.now + min(POLICY.dwell_s, POLICY.max_age_s - age) if fresh else None
        else:
            assert not lit

    @rule(late=st.booleans())
    def it_fails(self, late: bool) -> None:
        self.light.fail(self.ticket - late, self.now, "fail")
        if not late:
            self.pass_until = None

    @rule(late=st.booleans())
    def it_cannot_be_judged(self, late: bool) -> None:
        self.light.unjudged(self.ticket - late, self.now, "invalid")
        if not late:
            self.pass_until = None

    @rule(block=st.sampled_from(Block))
    def something_blocks(self, block: Block) -> None:
        self.light.block(block, "blocked")
        self.blocked.add(block)

    @rule(block=st.sampled_from(Block))
    def something_unblocks(self, block: Block) -> None:
        self.light.unblock(block)
        self.blocked.discard(block)

    @rule(away=st.booleans())
    def the_bus_changes(self, away: bool) -> None:
        self.light.offline(away=away)

    @invariant()
    def accept_is_earned_and_never_beside_reject(self) -> None:
        shown = self.light.outputs(self.now)
        earned = self.pass_until is not None and self.now < self.pass_until and not self.blocked
        assert shown.accept is earned
        assert not (shown.accept and shown.reject)
        assert not (shown.accept_bit and shown.fault_bit)
        if self.blocked:
            assert shown.reject
            assert shown.fault

    @invariant()
    def the_next_change_is_ahead_and_nothing_changes_before(self) -> None:
        ahead = self.light.next_change(self.now)
        assert self.now < ahead <= self.now + 0.5 + 1e-9
        middle = (self.now + ahead) / 2
        before, between = self.light.outputs(self.now), self.light.outputs(middle)
        assert (before.accept, before.reject) == (between.accept, between.reject)


LightMachine.TestCase.settings = settings(max_examples=100, stateful_step_count=40, deadline=None)
TestLightMachine = LightMachine.TestCase
