"""Quotas, retention and the full store, on real databases (DC-42, DC-43, DC-50)."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import StoreFullError
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader
from crosslay.record.store import Draft, Store
from crosslay.record.upkeep import Gap, Upkeep, UpkeepPolicy, WhenFull
from crosslay.station.records import gap_draft
from store_cases import filled_store, result_draft

NOW = 1.8e9
DAY_S = 86_400.0


def make_gap(gap: Gap) -> Draft:
    return gap_draft("urn:x", gap, wall_s=NOW, synchronized=True)


def upkeep(
    store: Store,
    *,
    quota: int = 10**9,
    traces: int = 10**9,
    keep_days: float = 90.0,
    when_full: WhenFull = WhenFull.HOLD,
) -> Upkeep:
    policy = UpkeepPolicy(quota_bytes=quota, trace_quota_bytes=traces, keep_s=keep_days * DAY_S, when_full=when_full)
    made = Upkeep(store, policy, make_gap)
    made.open()
    return made


def commit(store: Store, keep: Upkeep, draft: Draft, now: float = NOW) -> int:
    fitting, _dropped = keep.make_room(draft, now)
    return store.commit(fitting, Settled()).sequence


def fill(store: Store, keep: Upkeep) -> None:
    for number in range(1000):
        commit(store, keep, result_draft(f"P-{number}", padding=2000))


def test_dc_43_traces_have_a_quota_of_their_own_and_the_oldest_go(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    keep = upkeep(store, traces=50_000)
    for number in range(20):
        commit(store, keep, result_draft(f"P-{number}", trace_points=1000))  # about 8 kB each
    reader = Reader(tmp_path / "s")
    kept = [sequence for sequence in range(1, 21) if reader.traces(sequence)]
    assert kept == list(range(21 - len(kept), 21)), "the newest stay"
    assert 4 <= len(kept) <= 6
    assert store.levels.pending == 20, "their results stay"
    reader.close()
    store.close()


def test_dc_43_a_trace_above_the_whole_quota_is_not_stored(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    fitting, dropped = upkeep(store, traces=1000).make_room(result_draft(trace_points=1000), NOW)
    assert (fitting.traces, dropped) == ((), None)
    store.close()


def test_dc_43_acknowledged_results_stay_ninety_days_and_unacknowledged_for_ever(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 128)
    store.settle(Settled(through=100))
    keep = upkeep(store)
    keep.make_room(result_draft(), NOW + 89 * DAY_S)
    assert store.levels.first == 1
    for _ in range(4):
        keep.make_room(result_draft(), NOW + 91 * DAY_S)
    assert (store.levels.first, store.levels.last, store.levels.pending) == (101, 128, 28)
    keep.make_room(result_draft(), NOW + 900 * DAY_S)
    assert (store.levels.first, store.levels.pending) == (101, 28)
    assert store._live.execute("SELECT count(*) FROM delivery").fetchone() == (28,), "their identities went with them"
    store.close()


def test_dc_43_results_of_a_clock_that_was_not_set_have_no_age(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    for number in range(64):
        store.commit(result_draft(f"P-{number}", created_at=60.0), Settled())
    store.settle(Settled(through=64))
    upkeep(store).make_room(result_draft(), NOW)
    assert store.levels.first == 1
    store.close()


def test_dc_43_acknowledged_results_go_early_above_eighty_percent(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 300, padding=2000)
    store.settle(Settled(through=300))
    keep = upkeep(store, quota=700_000)
    keep.make_room(result_draft(), NOW)
    usage = keep.usage()
    assert usage.used_bytes <= 0.8 * 700_000
    assert store.levels.first > 1
    assert store.levels.last == 300, "the newest result always stays, so no number is given twice (DC-03)"
    store.close()


def test_dc_50_a_full_store_holds_and_goes_on_after_acknowledgement(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    keep = upkeep(store, quota=400_000)
    with pytest.raises(StoreFullError, match=r"the store is full .* bring the MES back"):
        fill(store, keep)
    last = store.levels.last
    assert 80 < last < 200
    assert store.levels.pending == last, "nothing was removed"
    assert keep.usage().share > 0.9
    store.settle(Settled(through=last))
    assert commit(store, keep, result_draft("P-next", padding=2000)) == last + 1
    store.close()


def test_dc_42_and_50_drop_oldest_leaves_a_gap_record(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    keep = upkeep(store, quota=400_000, when_full=WhenFull.DROP_OLDEST)
    for number in range(400):
        commit(store, keep, result_draft(f"P-{number}", padding=2000))
    reader = Reader(tmp_path / "s")
    rows = reader.rows()
    stored = [row.sequence for row in rows]
    assert stored == list(range(stored[0], stored[-1] + 1)), "no hole in the numbers"
    gaps = [json.loads(row.payload) for row in rows if row.kind == "gap"]
    assert gaps
    assert all(gap["type"] == "org.crosslay.gap.v1" for gap in gaps)
    # Every number below the first that is left is named, also those that a gap record named which was dropped itself.
    named = {number for gap in gaps for number in range(gap["data"]["fromSequence"], gap["data"]["toSequence"] + 1)}
    assert named == set(range(1, stored[0]))
    assert all(gap["data"]["reason"] == "store-full" for gap in gaps)
    assert store.levels == reader.levels()
    assert store.levels.acknowledged_through == stored[0] - 1
    reader.close()
    store.close()


def test_dc_42_what_another_database_lost_is_said_again_when_its_record_is_dropped(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 0)
    keep = upkeep(store, quota=400_000, when_full=WhenFull.DROP_OLDEST)
    foreign = Gap(first=7, last=None, reason="rolled-back", instance_id="5b0e0000-0000-4000-8000-000000000000")
    commit(store, keep, make_gap(foreign))
    for number in range(1000):
        commit(store, keep, result_draft(f"P-{number}", padding=2000))
    reader = Reader(tmp_path / "s")
    gaps = [json.loads(row.payload)["data"] for row in reader.rows() if row.kind == "gap"]
    assert gaps[0]["sequence"] > 1
    said = [(gap["fromSequence"], gap["toSequence"], gap["reason"]) for gap in gaps if gap["lostInstanceId"]]
    assert said == [(7, None, "rolled-back")]
    reader.close()
    store.close()


def test_the_room_is_what_the_disk_has_where_that_is_less(tmp_path: Path) -> None:
    store = filled_store(tmp_path / "s", 10)
    usage = upkeep(store, quota=10**18).usage()
    assert usage.room_bytes < 10**15
    assert usage.used_bytes < usage.room_bytes
    store.close()


@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(st.one_of(st.integers(1, 20), st.tuples(st.just("ack"), st.floats(0, 1))), max_size=25),
    drop=st.booleans(),
)
def test_levels_agree_and_nothing_unacknowledged_vanishes_unnamed(
    tmp_path_factory: pytest.TempPathFactory, steps: list[object], drop: bool
) -> None:
    folder = tmp_path_factory.mktemp("upkeep")
    store, reader = filled_store(folder, 0), Reader(folder)
    keep = upkeep(store, quota=150_000, when_full=WhenFull.DROP_OLDEST if drop else WhenFull.HOLD, keep_days=0)
    acknowledged = 0
    try:
        for step in steps:
            if isinstance(step, int):
                for _ in range(step):
                    try:
                        commit(store, keep, result_draft("P", padding=1500), time.time())
                    except StoreFullError:
                        assert not drop
                        break
            else:
                acknowledged = max(acknowledged, round(store.levels.last * step[1]))
                store.settle(Settled(through=acknowledged))
            assert store.levels == reader.levels()
        rows = {row.sequence: row for row in reader.rows()}
        named: set[int] = set()
        for row in rows.values():
            if row.kind == "gap":
                data = json.loads(row.payload)["data"]
                named |= set(range(data["fromSequence"], data["toSequence"] + 1))
        lost = {number for number in range(acknowledged + 1, store.levels.last + 1) if number not in rows}
        assert lost <= named
    finally:
        store.close()
        reader.close()
