"""How the gauge stands by its reference checks: every reason that keeps a part from passing, and what heals it."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from crosslay.bus.conditions import Conditions
from crosslay.bus.messages import ReferenceCheckAnswer
from crosslay.errors import TraceRefusedError
from crosslay.inspection.judge import Decision, Verdict, inspect
from crosslay.record.check_history import History, write_history
from crosslay.record.checks import Checks
from crosslay.record.store import Store
from crosslay.record.traces import pack, unpack
from crosslay.station.light import LightLogic, LightPolicy
from crosslay.station.orders import Asked, Order
from crosslay.station.reference import Outside, Reference
from crosslay.texture.trace import Trace
from specimen_cases import NAME, SPECIMEN, plan_with
from station_harness import sine_um

#: 2026-03-02, 08:00 UTC.
START_S = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC).timestamp()
HOUR_S = 3600.0


class BentClock:
    def __init__(self) -> None:
        self.wall_s, self.monotonic_s = START_S, 1000.0

    def wall(self) -> float:
        return self.wall_s

    def monotonic(self) -> float:
        return self.monotonic_s

    def later(self, seconds: float) -> None:
        self.wall_s += seconds
        self.monotonic_s += seconds


class Bench:
    """Reference checks over a real store, with a light and a clock of the test's own."""

    def __init__(self, folder: Path, specimens: str = SPECIMEN) -> None:
        self.folder, self.clock = folder, BentClock()
        self.light = LightLogic(LightPolicy(dwell_s=2.0, max_age_s=10.0))
        self.conditions = Conditions(self.clock)
        self.counters: Counter[str] = Counter()
        self.answers: list[ReferenceCheckAnswer] = []
        self.parts = 0
        self.start(specimens)

    def start(self, specimens: str = SPECIMEN) -> None:
        """As a daemon does after it was killed: only the store is left."""
        self.plan = plan_with(self.folder, specimens)
        self.store = Store(self.folder)
        self.store.open()
        outside = Outside(
            clock=self.clock, synchronized=lambda: True, conditions=self.conditions,
            light=lambda change: change(self.light, self.clock.monotonic_s), announced=lambda: None,
            count=lambda name: self.counters.update([name]), answer_bus=self.answers.append,
        )  # fmt: skip
        self.reference = Reference(self.plan, Checks(self.store), outside)
        self.reference.load()

    def restart(self, specimens: str = SPECIMEN) -> None:
        self.store.close()
        self.start(specimens)

    def trace(self, amplitude_um: float = 1.0, number: int = 0, **facts: str) -> Trace:
        samples = sine_um(amplitude_um * (1 + number / 2000))
        return Trace(samples=samples, spacing_um=0.5, facts=facts, identity=str(uuid.uuid4()))

    def check(self, amplitude_um: float = 1.0, traces: int = 3) -> str:
        said = ""
        for number in range(traces):
            said = self.reference.take(NAME, self.trace(amplitude_um, number))
        return said

    def order(self, name: str, **fields: object) -> ReferenceCheckAnswer:
        asked = Asked(order=Order(name=name, request_id=str(uuid.uuid4()), **fields), way="bus",
                      answer=self.answers.append)  # fmt: skip
        self.reference.take_order(asked)
        return self.answers[-1]

    def verdict(self) -> Verdict:
        return self.reference.guard(inspect(self.reference.corrected(self.trace()), self.plan.requirements))

    @property
    def word(self) -> str:
        return self.reference.standing().word.value

    @property
    def lamps(self) -> tuple[bool, bool, bool]:
        shown = self.light.outputs(self.clock.monotonic_s)
        return shown.accept, shown.reject, shown.fault

    def raised(self) -> set[str]:
        return {each.kind.id for each in self.conditions.active()}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


CHECK_ROW = (False, True, True)
WAITING_ROW = (False, True, False)


class TestStanding:
    def test_without_a_specimen_parts_are_judged(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, "")
        assert (bench.word, bench.verdict().decision) == ("none", Decision.PASS)
        with pytest.raises(TraceRefusedError, match=r"not registered; registered: none; add a \[\[specimen\]\]"):
            bench.reference.claims(bench.trace(specimen=NAME))
        bench.store.close()

    def test_never_checked_is_overdue_and_a_good_check_heals_at_once(self, bench: Bench) -> None:
        verdict = bench.verdict()
        assert (bench.word, verdict.decision, verdict.findings[0].id) == (
            "overdue", Decision.INVALID, "reference-check-overdue")  # fmt: skip
        assert {each.decision for each in verdict.judged} == {Decision.INVALID}
        assert "Check the gauge on the specimen" in verdict.text
        assert (bench.lamps, bench.raised()) == (CHECK_ROW, {"reference-check-overdue"})
        assert "in tolerance" in bench.check()
        assert (bench.word, bench.verdict().decision) == ("valid", Decision.PASS)
        assert (bench.lamps, bench.raised()) == (WAITING_ROW, set())

    def test_a_failed_check_blocks_whatever_the_part_and_the_next_good_one_heals(self, bench: Bench) -> None:
        bench.check()
        assert "out of the tolerance" in bench.check(1.1)
        verdict = bench.verdict()
        assert (bench.word, verdict.decision, verdict.findings[0].id) == (
            "failed", Decision.INVALID, "reference-check-failed")  # fmt: skip
        fail = inspect(bench.trace(5.0), bench.plan.requirements)
        assert fail.decision is Decision.FAIL
        assert bench.reference.guard(fail).decision is Decision.INVALID
        assert (bench.lamps, bench.raised()) == (CHECK_ROW, {"reference-check-failed"})
        bench.check()
        assert (bench.word, bench.raised()) == ("valid", set())

    def test_the_interval(self, bench: Bench) -> None:
        bench.check()
        bench.clock.later(7.1 * HOUR_S)
        assert bench.word == "valid"
        bench.clock.later(0.2 * HOUR_S)
        bench.reference.tick()
        assert (bench.word, bench.raised()) == ("due-soon", {"reference-check-due"})
        assert bench.verdict().decision is Decision.PASS
        bench.clock.later(0.7 * HOUR_S)
        bench.reference.tick()
        assert (bench.word, bench.raised()) == ("overdue", {"reference-check-overdue"})
        assert bench.lamps == CHECK_ROW

    @pytest.mark.parametrize(("days", "word"), [(-20, "valid"), (-2, "due-soon"), (0.9, "due-soon"), (1, "overdue")])
    def test_the_certificate_holds_to_the_end_of_its_last_day(self, tmp_path: Path, days: float, word: str) -> None:
        specimens = SPECIMEN.replace("2090-12-31", "2026-06-01").replace("every_hours = 8.0", "every_hours = 87600.0")
        bench = Bench(tmp_path, specimens)
        bench.check()
        last_day = dt.datetime(2026, 6, 1, tzinfo=dt.UTC).timestamp()
        bench.clock.later(last_day + days * 24 * HOUR_S - START_S)
        assert bench.word == word
        bench.check()
        assert bench.word == word, "no check makes an old certificate new"
        bench.store.close()

    def test_a_clock_set_back_before_the_check_is_no_check(self, bench: Bench) -> None:
        bench.check()
        bench.clock.wall_s -= 30.0  # what a time service may do
        assert bench.word == "valid"
        bench.clock.wall_s = 0.0
        assert bench.word == "overdue"
        assert "set the clock" in bench.verdict().text
        bench.restart()
        assert bench.word == "overdue"

    def test_a_clock_set_back_within_the_interval_does_not_stretch_it(self, bench: Bench) -> None:
        bench.check()
        bench.clock.later(6 * HOUR_S)
        bench.clock.wall_s -= 5 * HOUR_S
        bench.clock.later(3 * HOUR_S)
        assert bench.word == "overdue"

    def test_a_check_is_as_old_as_its_traces(self, bench: Bench) -> None:
        for number in range(3):
            trace = bench.trace(1.0, number)
            object.__setattr__(trace, "captured_at", START_S - 9 * HOUR_S)
            bench.reference.take(NAME, trace)
        assert bench.word == "overdue"

    def test_another_entry_needs_another_check_and_another_interval_does_not(self, bench: Bench) -> None:
        bench.check()
        bench.restart(SPECIMEN.replace("every_hours = 8.0", "every_hours = 4.0"))
        assert bench.word == "valid"
        bench.restart(SPECIMEN.replace("tolerance_percent = 5.0", "tolerance_percent = 4.0"))
        assert bench.word == "overdue"
        assert "changed after its last check" in bench.verdict().text

    def test_a_database_set_back_needs_a_new_check(self, bench: Bench) -> None:
        bench.check()
        with bench.store.transaction() as connection:
            write_history(connection, History(), "the result database was restored from a backup")
        bench.restart()
        assert bench.word == "overdue"
        assert "restored from a backup, so checks after the one of" in bench.verdict().text
        bench.check()
        assert bench.word == "valid"

    def test_an_unusable_check_proves_nothing_either_way(self, bench: Bench) -> None:
        bench.check()
        for number in range(3):
            short = Trace(samples=sine_um()[:500], spacing_um=0.5, identity=f"short-{number}")
            said = bench.reference.take(NAME, short)
        assert "0 usable readings" in said
        assert (bench.word, bench.raised()) == ("valid", {"reference-check-warning"})

    def test_a_warning_and_seven_on_one_side_warn_and_judge(self, bench: Bench) -> None:
        bench.check(1.04)
        assert (bench.word, bench.raised()) == ("valid", {"reference-check-warning"})
        for _ in range(6):
            bench.check(1.01)
        [warning] = bench.conditions.active()
        assert "7 checks in a row lie above" in warning.text
        assert bench.verdict().decision is Decision.PASS

    def test_every_specimen_must_vouch(self, tmp_path: Path) -> None:
        bench = Bench(tmp_path, SPECIMEN + SPECIMEN.replace(NAME, "roughness-4"))
        bench.check()
        assert bench.word == "overdue"
        for number in range(3):
            bench.reference.take("roughness-4", bench.trace(1.0, number))
        assert bench.word == "valid"
        bench.store.close()

    def test_a_restart_keeps_all_of_it(self, bench: Bench) -> None:
        bench.check(1.1)
        bench.restart()
        assert (bench.word, bench.lamps) == ("failed", CHECK_ROW)


class TestCheck:
    def test_its_light_is_the_row_of_the_reference_check(self, bench: Bench) -> None:
        bench.check()
        bench.reference.take(NAME, bench.trace())
        assert (bench.lamps, bench.raised()) == (CHECK_ROW, {"reference-check-running"})
        ticket = bench.light.trigger(bench.clock.monotonic_s)
        bench.light.accept(ticket, bench.clock.monotonic_s, age_s=0.0)
        assert bench.lamps == CHECK_ROW, "nothing lights ACCEPT during a check"
        assert bench.light.outputs(bench.clock.monotonic_s).ready, "it measures on"

    def test_a_kill_between_its_traces_loses_none(self, bench: Bench) -> None:
        bench.reference.take(NAME, bench.trace(1.0, 0))
        bench.reference.take(NAME, bench.trace(1.0, 1))
        bench.restart()
        assert bench.raised() == {"reference-check-overdue", "reference-check-running"}
        assert "in tolerance" in bench.reference.take(NAME, bench.trace(1.0, 2))

    def test_a_kill_between_its_last_trace_and_its_end_loses_nothing(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with monkeypatch.context() as patch:
            patch.setattr(bench.reference, "_complete", lambda _specimen: "")
            bench.check()
        assert bench.word == "overdue"
        bench.restart()
        assert bench.word == "valid"

    def test_a_trace_found_again_counts_once(self, bench: Bench) -> None:
        trace = bench.trace()
        bench.reference.take(NAME, trace)
        assert "found again" in bench.reference.take(NAME, trace)
        assert "2 of 3" in bench.reference.take(NAME, bench.trace())

    def test_a_part_in_between_ends_it(self, bench: Bench) -> None:
        bench.check()
        bench.reference.take(NAME, bench.trace())
        bench.reference.part_came()
        bench.reference.tick()
        assert (bench.raised(), bench.lamps, bench.word) == (set(), WAITING_ROW, "valid")
        assert "1 of 3" in bench.reference.take(NAME, bench.trace())

    def test_it_does_not_wait_for_ever(self, bench: Bench) -> None:
        bench.check()
        bench.reference.take(NAME, bench.trace())
        bench.clock.later(299.0)
        bench.reference.tick()
        assert bench.raised() == {"reference-check-running"}
        bench.clock.later(2.0)
        bench.reference.tick()
        assert (bench.raised(), bench.lamps) == (set(), WAITING_ROW)

    def test_an_unknown_specimen_is_refused_with_those_that_are_known(self, bench: Bench) -> None:
        with pytest.raises(TraceRefusedError, match=f'"roughness-9", which is not registered; registered: {NAME}'):
            bench.reference.claims(bench.trace(specimen="roughness-9"))
        assert bench.reference.claims(bench.trace(specimen=NAME)) == NAME
        assert bench.reference.claims(bench.trace()) == ""


class TestOrders:
    def test_the_next_traces_are_those_of_the_specimen_and_no_more(self, bench: Bench) -> None:
        said = bench.order("reference-check", specimen=NAME, traces=4)
        assert (said.status, said.text) == ("accepted", f"the next 4 traces count as those of {NAME}")
        assert bench.lamps == CHECK_ROW
        for number in range(4):
            assert bench.reference.claims(bench.trace()) == NAME
            bench.reference.take(NAME, bench.trace(1.0, number))
        assert bench.reference.claims(bench.trace()) == ""
        assert (bench.answers[-1].status, bench.answers[-1].check.outcome) == ("completed", "in-tolerance")

    @pytest.mark.parametrize(("fields", "words"), [
        ({"specimen": "other"}, f'"other" is not registered; registered: {NAME}'),
        ({"specimen": NAME, "traces": 2}, "too few"),
    ])  # fmt: skip
    def test_what_cannot_be_is_refused(self, bench: Bench, fields: dict[str, object], words: str) -> None:
        said = bench.order("reference-check", **fields)
        assert (said.status, words in said.text) == ("refused", True)
        assert bench.reference.claims(bench.trace()) == ""

    def test_a_second_one_waits_and_the_first_can_be_cancelled(self, bench: Bench) -> None:
        bench.order("reference-check", specimen=NAME)
        assert "under way" in bench.order("reference-check", specimen=NAME).text
        assert bench.order("reference-check-cancel", specimen=NAME).status == "accepted"
        assert ("abandoned", "it was cancelled") in [(each.status, each.text) for each in bench.answers]
        assert bench.reference.claims(bench.trace()) == ""
        assert bench.order("reference-check-cancel").status == "refused"

    def test_it_is_not_forgotten_by_a_restart(self, bench: Bench) -> None:
        """Otherwise a specimen would be judged as a part, and might light ACCEPT."""
        bench.order("reference-check", specimen=NAME, traces=3)
        bench.reference.take(NAME, bench.trace(1.0, 0))
        bench.restart()
        assert bench.reference.claims(bench.trace()) == NAME
        for number in (1, 2):
            bench.reference.take(NAME, bench.trace(1.0, number))
        assert bench.answers[-1].status == "completed"
        assert bench.reference.claims(bench.trace()) == ""

    def test_it_ends_when_nobody_traverses(self, bench: Bench) -> None:
        bench.order("reference-check", specimen=NAME)
        bench.clock.later(301.0)
        bench.reference.tick()
        assert (bench.answers[-1].status, bench.reference.claims(bench.trace())) == ("abandoned", "")

    def test_the_same_request_again_is_answered_and_done_once(self, bench: Bench) -> None:
        asked = Asked(order=Order(name="reference-check", request_id="once", specimen=NAME), way="bus",
                      answer=bench.answers.append)  # fmt: skip
        bench.reference.take_order(asked)
        bench.check()
        bench.reference.take_order(asked)
        assert [each.status for each in bench.answers] == ["accepted", "completed", "accepted"]
        assert bench.reference.claims(bench.trace()) == ""


class TestCorrection:
    def accepted(self, bench: Bench) -> float:
        bench.check(1.1)
        check_id = bench.reference.standing().check.check_id
        said = bench.order("correction-accept", check_id=check_id, by="somebody", why="because")
        assert said.status == "accepted", said.text
        return bench.reference.corrected(bench.trace()).calibration.amplification

    def test_it_needs_a_new_check_and_makes_values_right(self, bench: Bench) -> None:
        factor = self.accepted(bench)
        # certified / measured (design: texture, section 7): 1/1.1, less half a permille for the traverses' own growth.
        assert factor == pytest.approx(1 / 1.1, rel=2e-3)
        assert bench.word == "failed"
        assert "in tolerance" in bench.check(1.1)
        assert (bench.word, bench.reference.message().correction) == ("valid", factor)

    def test_undone_it_needs_a_check_again(self, bench: Bench) -> None:
        self.accepted(bench)
        bench.check(1.1)
        assert bench.order("correction-undo", by="somebody", why="because").status == "accepted"
        assert bench.word == "overdue"
        assert "correction was changed" in bench.verdict().text
        assert bench.order("correction-undo", by="somebody", why="because").status == "refused"

    def test_the_stored_container_carries_it_so_that_recompute_gives_the_same_bits(self, bench: Bench) -> None:
        self.accepted(bench)
        trace = bench.reference.corrected(bench.trace(0.9))
        packed = pack(trace)
        again = unpack(packed.data, packed.sha256)
        assert again.calibration.amplification == trace.calibration.amplification != 1.0
        first, second = (inspect(each, bench.plan.requirements) for each in (trace, again))
        assert [each.value for each in first.judged] == [each.value for each in second.judged]

    @pytest.mark.parametrize(("fields", "words"), [
        ({"check_id": "nonsense", "by": "a", "why": "b"}, 'no check "nonsense"'),
        ({"check_id": "", "by": "a", "why": "b"}, 'no check ""'),
        ({"check_id": "", "by": "", "why": "b"}, "--by is empty"),
        ({"check_id": "", "by": "a", "why": " "}, "--why is empty"),
    ])  # fmt: skip
    def test_bad_input_is_refused(self, bench: Bench, fields: dict[str, str], words: str) -> None:
        bench.check(1.1)
        said = bench.order("correction-accept", **fields)
        assert (said.status, words in said.text) == ("refused", True)

    def test_none_follows_within_the_uncertainties_or_from_an_old_check(self, bench: Bench) -> None:
        bench.check(1.1)
        failed = bench.reference.standing().check.check_id
        bench.check(1.001)
        good = bench.reference.standing().check.check_id
        old, within = (
            bench.order("correction-accept", check_id=which, by="a", why="b").text for which in (failed, good)
        )
        assert "checked again since" in old
        assert "uncertainties" in within
