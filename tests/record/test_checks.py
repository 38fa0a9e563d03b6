"""Reference checks, corrections and recall marks in the store: all or nothing, through upgrades and renewals."""

from __future__ import annotations

import json
import sqlite3
import uuid
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.record.backup import backup
from crosslay.record.check_rows import (
    CheckRow,
    CommandRow,
    CorrectionRow,
    Passed,
    command_of,
    read_checks,
    readings_of,
    recall_rows,
)
from crosslay.record.checks import Checks, Reading
from crosslay.record.levels import Settled
from crosslay.record.migrate import migrate
from crosslay.record.reader import Reader
from crosslay.record.renew import Renewal, renew
from crosslay.record.store import FILE_NAME, Place, Store
from crosslay.record.traces import pack
from crosslay.record.upkeep import Upkeep, UpkeepPolicy, WhenFull
from crosslay.station.recalls import MAX_PART_BYTES, MAX_RANGES, ranges_of, recall_draft
from crosslay.station.records import first_records
from crosslay.texture.trace import Trace
from store_cases import result_draft

NAMES = ("rough",)
COMMAND = CommandRow(request_id="r", received_at=1.0, way="machine", name="x", payload="{}", accepted=True, answer="")


def row(outcome: str, specimen: str = "rough") -> CheckRow:
    return CheckRow(
        check_id=str(uuid.uuid4()), specimen=specimen, specimen_hash="h", finished_at=1.8e9, clock_synchronized=True,
        outcome=outcome, amplification=1.0, document={"text": outcome},
    )  # fmt: skip


def reading(number: int, specimen: str = "rough") -> Reading:
    samples = np.arange(100.0) + number
    return Reading(
        specimen=specimen, taken_at=1.8e9, value=float(number), reason="", amplification=1.0,
        packed=pack(Trace(samples=samples, spacing_um=0.5)), delivery_id=uuid.uuid4(),
    )  # fmt: skip


class Kept:
    """An open store with its checks."""

    def __init__(self, folder: Path) -> None:
        self.store = Store(folder)
        self.store.open()
        self.checks = Checks(self.store)
        self.checks.register(NAMES)

    def check(self, outcome: str, specimen: str = "rough") -> tuple[CheckRow, tuple[Passed, ...]]:
        rows = []
        for number in range(3):
            rows = self.checks.add_reading(reading(number, specimen))
        made = row(outcome, specimen)
        concluded = self.checks.conclude(made, rows, lambda good, passed: recall_draft("urn:x", made, good, passed))
        return concluded.row, concluded.doubtful

    def parts(self, *names: str, decision: str = "pass") -> None:
        for name in names:
            self.store.commit(replace(result_draft(name), decision=decision), Settled())


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    made = Kept(tmp_path)
    yield made
    made.store.close()


def names(passed: tuple[Passed, ...]) -> list[str]:
    return [each.part_id for each in passed]


def test_a_database_of_version_1_becomes_one_of_today_and_keeps_what_it_has(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)) as old:
        old.execute("PRAGMA journal_mode=WAL")
        assert migrate(old, 1) == 0
        old.execute("INSERT INTO meta VALUES ('instanceId', ?)", (str(uuid.uuid4()),))
        payload = json.dumps({"data": {"sequence": 1}}).encode()
        for number in (1, 2):
            old.execute("INSERT INTO result VALUES (?, ?, 'P', 'result', 'pass', 1.8e9, ?)",
                        (number, uuid.uuid4().bytes, payload))  # fmt: skip
            old.execute("INSERT INTO outbox VALUES (?, NULL)", (number,))
        with pytest.raises(sqlite3.IntegrityError):
            old.execute("INSERT INTO result VALUES (3, x'00', '', 'recall', 'recall', 1.8e9, x'00')")
    assert read_checks(tmp_path, recall_rows) is None, "tools read an old database, too"
    with closing(Store(tmp_path)) as store:
        store.open()
        assert (store.levels.last, store.levels.pending) == (2, 2)
        checks = Checks(store)
        for number in range(3):
            rows = checks.add_reading(reading(number))
        made = row("out-of-tolerance")
        found = checks.conclude(made, rows, lambda good, passed: recall_draft("urn:x", made, good, passed))
        assert names(found.doubtful) == ["P", "P"]
        assert store.levels.last == 3
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as new:
        assert new.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert new.execute("PRAGMA foreign_key_check").fetchall() == []
        assert [kind for (kind,) in new.execute("SELECT kind FROM result ORDER BY sequence")] == [
            "result", "result", "recall"]  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError):
            new.execute("INSERT INTO result VALUES (4, x'00', '', 'other', 'recall', 1.8e9, x'00')")


def test_an_upgraded_database_and_a_new_one_have_the_same_schema(tmp_path: Path) -> None:
    def schema(*steps: int | None) -> set[str]:
        with closing(sqlite3.connect(":memory:", isolation_level=None)) as database:
            for step in steps:
                migrate(database, step)
            return {sql for (sql,) in database.execute("SELECT sql FROM sqlite_schema")}

    assert schema(1, None) == schema(None)


class TestConclusion:
    def test_a_check_its_readings_the_recall_and_its_event_come_together_or_not_at_all(self, kept: Kept) -> None:
        kept.check("in-tolerance")
        kept.parts("P-1", "P-2")
        for number in range(3):
            rows = kept.checks.add_reading(reading(number))

        def fails(*_values: object) -> None:
            raise OSError("cut here")

        with pytest.raises(OSError, match="cut here"):
            kept.checks.conclude(row("out-of-tolerance"), rows, fails)
        state = kept.checks.state(NAMES)
        assert state.last["rough"].outcome == "in-tolerance"
        assert len(state.unfinished["rough"]) == 3, "the readings wait for the next try"
        assert kept.store.levels.last == 2

    def test_it_recalls_what_passed_since_the_last_good_check_and_nothing_twice(self, kept: Kept) -> None:
        kept.parts("before")
        _, doubtful = kept.check("in-tolerance")
        assert doubtful == ()
        kept.parts("P-1")
        kept.parts("failed-anyway", decision="fail")
        kept.parts("P-2")
        kept.check("warning")
        kept.parts("P-3")
        kept.check("not-usable")
        kept.parts("P-4")
        failed, doubtful = kept.check("out-of-tolerance")
        assert names(doubtful) == ["P-3", "P-4"], "a warning vouches, an unusable check does not"
        _, again = kept.check("out-of-tolerance")
        assert again == ()
        [recall] = kept_recalls(kept)
        assert (recall.check_id, names(recall.passed)) == (failed.check_id, ["P-3", "P-4"])
        assert recall.sequence == kept.store.levels.last

    def test_its_event_waits_in_the_outbox_like_a_result(self, kept: Kept) -> None:
        kept.check("in-tolerance")
        kept.parts("P-1")
        kept.check("out-of-tolerance")
        with closing(Reader(kept.store.path.parent)) as reader:
            sequence, payload = reader.pending(1, 10)[0]
        event = json.loads(payload)
        assert (sequence, event["type"], event["data"]["partIds"]) == (2, "org.crosslay.recall.v1", ["P-1"])
        assert event["data"]["lastGoodCheck"]["outcome"] == "in-tolerance"

    def test_each_specimen_vouches_from_its_own_last_good_check(self, kept: Kept) -> None:
        kept.checks.register(("rough", "deep"))
        kept.check("in-tolerance", "deep")
        kept.parts("P-1")
        kept.check("in-tolerance", "rough")
        kept.parts("P-2")
        _, doubtful = kept.check("out-of-tolerance", "rough")
        assert names(doubtful) == ["P-2"]
        _, doubtful = kept.check("out-of-tolerance", "deep")
        assert names(doubtful) == ["P-1"], "P-2 is recalled already"

    def test_old_raw_traces_go_and_their_hashes_stay(self, kept: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("crosslay.record.checks._KEEP_TRACES_OF", 2)
        first, *_, last = [kept.check("in-tolerance")[0] for _ in range(3)]
        with closing(sqlite3.connect(kept.store.path)) as database:
            assert {each.data is None for each in readings_of(database, first.check_id)} == {True}
            assert {len(each.sha256) for each in readings_of(database, first.check_id)} == {32}
            assert readings_of(database, last.check_id)[1].trace().samples[0] == 1.0


def test_the_newest_correction_that_is_not_undone_is_in_force(kept: Kept) -> None:
    def correction(factor: float) -> CorrectionRow:
        return CorrectionRow(correction_id=str(uuid.uuid4()), check_id="c", specimen="rough", amplification=factor,
                             accepted_at=1.0, accepted_by="somebody", accepted_why="because")  # fmt: skip

    assert kept.checks.state(NAMES).amplification == 1.0
    first, second = correction(1.1), correction(1.2)
    kept.checks.accept(first, COMMAND)
    kept.checks.accept(second, COMMAND)
    assert kept.checks.state(NAMES).amplification == 1.2
    kept.checks.undo(replace(second, undone_at=2.0, undone_by="somebody else", undone_why="wrong"), COMMAND)
    assert kept.checks.state(NAMES).amplification == 1.1
    with closing(sqlite3.connect(kept.store.path)) as database:
        assert command_of(database, "r").accepted


class TestWhatOutlives:
    def test_results_that_go_by_retention_are_still_recalled(self, kept: Kept) -> None:
        kept.check("in-tolerance")
        kept.parts("P-1", "P-2", "P-3")
        kept.store.settle(Settled(through=2))
        policy = UpkeepPolicy(quota_bytes=10**9, trace_quota_bytes=10**9, keep_s=0.0, when_full=WhenFull.HOLD)
        upkeep = Upkeep(kept.store, policy, lambda _gap: pytest.fail("nothing is lost"))
        upkeep.open()
        assert upkeep._remove_acknowledged(float("inf"))
        assert kept.store.levels.first == 3
        _, doubtful = kept.check("out-of-tolerance")
        assert names(doubtful) == ["P-1", "P-2", "P-3"]

    @pytest.mark.parametrize("reason", ["database-damaged", "restored-backup", "rolled-back"])
    def test_checks_corrections_and_recalls_survive_a_renewal(self, tmp_path: Path, reason: str) -> None:
        kept = Kept(tmp_path)
        kept.check("in-tolerance")
        kept.parts("P-1")
        factor = CorrectionRow(correction_id="k", check_id="c", specimen="rough", amplification=1.1, accepted_at=1.0,
                               accepted_by="somebody", accepted_why="because")  # fmt: skip
        kept.checks.accept(factor, COMMAND)
        kept.store.settle(Settled(through=1))
        old = kept.store.levels
        kept.store.close()
        if reason == "restored-backup":
            backup(tmp_path / FILE_NAME, tmp_path / "copy.db", "stamp")
            (tmp_path / FILE_NAME).unlink()
            (tmp_path / "copy.db").rename(tmp_path / FILE_NAME)
        records = first_records("urn:x", reason, wall_s=1.8e9, synchronized=True)
        renew(tmp_path, Renewal(reason=reason, wall_s=1.8e9, first_records=records))
        kept = Kept(tmp_path)
        state = kept.checks.state(NAMES)
        assert kept.store.levels.instance_id != old.instance_id
        assert (state.last["rough"].outcome, state.amplification) == ("in-tolerance", 1.1)
        # A copy from before may lack a check that failed since: then what it has proves nothing.
        assert bool(state.distrusted) == (reason != "database-damaged")
        kept.parts("P-2")
        _, doubtful = kept.check("out-of-tolerance")
        assert [(each.instance_id == old.instance_id, each.part_id) for each in doubtful] == [
            (True, "P-1"), (False, "P-2")]  # fmt: skip
        kept.store.close()

    def test_an_undelivered_recall_is_delivered_by_the_next_database(self, tmp_path: Path) -> None:
        kept = Kept(tmp_path)
        kept.check("in-tolerance")
        kept.parts("P-1")
        kept.check("out-of-tolerance")
        kept.store.settle(Settled(through=1))
        kept.store.close()
        records = first_records("urn:x", "database-damaged", wall_s=1.8e9, synchronized=True)
        renew(tmp_path, Renewal(reason="database-damaged", wall_s=1.8e9, first_records=records))
        with closing(Reader(tmp_path)) as reader:
            event = json.loads(reader.rows()[-1].payload)
            assert reader.rows()[-1].kind == "recall"
        assert event["data"]["partIds"] == ["P-1"]
        assert event["data"]["recallId"] == event["id"] != event["data"]["supersedes"]


def kept_recalls(kept: Kept) -> list:
    return read_checks(kept.store.path.parent, recall_rows)


# --- the event's ranges ----------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(1, 400)), unique=True, min_size=1), st.integers(2, 20))
def test_ranges_hold_every_result_once_and_stay_few(numbers: list[tuple[str, int]], most: int) -> None:
    passed = [Passed(instance_id=a, sequence=n, part_id="P", created_at=0.0) for a, n in sorted(numbers)]
    ranges = ranges_of(passed, most)
    assert len(ranges) <= most
    assert sum(each.results for each in ranges) == len(passed)
    for each in ranges:
        inside = [one for one in passed if one.instance_id == each.instance_id
                  and each.from_sequence <= one.sequence <= each.to_sequence]  # fmt: skip
        assert len(inside) == each.results
        assert (inside[0].sequence, inside[-1].sequence) == (each.from_sequence, each.to_sequence)


def test_ranges_without_a_limit_are_exact() -> None:
    passed = [Passed(instance_id="a", sequence=n, part_id="P", created_at=0.0) for n in (1, 2, 3, 7, 9, 10)]
    assert [(each.from_sequence, each.to_sequence) for each in ranges_of(passed)] == [(1, 3), (7, 7), (9, 10)]


def test_the_event_stays_small_however_many_parts_there_are() -> None:
    passed = tuple(
        Passed(instance_id=str(uuid.UUID(int=1)), sequence=2 * n + 1, part_id=f"{n}-" + "x" * 200, created_at=0.0)
        for n in range(20_000)
    )
    draft = recall_draft("urn:x", row("out-of-tolerance"), None, passed)
    payload = draft.payload(Place(instance_id=str(uuid.UUID(int=1)), sequence=1, supersedes=None))
    data = json.loads(payload)["data"]
    assert len(payload) < 65_536
    assert (data["results"], data["partIdsTotal"], len(data["ranges"])) == (20_000, 20_000, MAX_RANGES)
    assert 0 < sum(map(len, data["partIds"])) < MAX_PART_BYTES
