"""The result store against real SQLite files."""

from __future__ import annotations

import sqlite3
import uuid
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import StoreBusyError, StoreError, StoreWriteError
from crosslay.record.identity import derived_result_id, new_result_id
from crosslay.record.levels import Settled
from crosslay.record.lock import StateLock, is_locked
from crosslay.record.migrate import migrate, schema_files
from crosslay.record.reader import Reader
from crosslay.record.store import Draft, Place, Store
from crosslay.record.traces import pack, unpack
from crosslay.texture.trace import Calibration, Trace


def draft(part: str = "P-1", identity: str = "", traces: int = 0) -> Draft:
    packed = tuple(
        pack(Trace(samples=np.arange(10, dtype=np.int32) + place, spacing_um=0.5)) for place in range(traces)
    )
    return Draft(
        result_id=uuid.uuid4(),
        part_id=part,
        decision="pass",
        created_at=1.0,
        payload=lambda place: f"{place.sequence} {place.instance_id} {place.supersedes}".encode(),
        traces=packed,
        deliveries=(derived_result_id("urn:x", identity),) if identity else (),
    )


@pytest.fixture
def store(tmp_path: Path):
    store = Store(tmp_path)
    store.open()
    yield store
    store.close()


@pytest.fixture
def reader(tmp_path: Path):
    reader = Reader(tmp_path)
    yield reader
    reader.close()


def test_dc_02_the_instance_id_is_made_once_with_the_database(tmp_path: Path) -> None:
    first, second = Store(tmp_path / "a"), Store(tmp_path / "b")
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first.open()
    second.open()
    identity = first.levels.instance_id
    assert uuid.UUID(identity).version == 4
    assert second.levels.instance_id != identity
    first.close()
    first.open()
    assert first.levels.instance_id == identity
    first.close()
    second.close()


def test_dc_03_the_sequence_starts_at_one_and_has_no_holes(store: Store) -> None:
    assert (store.levels.first, store.levels.last) == (1, 0)
    assert [store.commit(draft(f"P-{n}"), Settled()).sequence for n in range(5)] == [1, 2, 3, 4, 5]
    store.open()
    assert store.commit(draft("P-9"), Settled()).sequence == 6
    assert (store.levels.first, store.levels.last) == (1, 6)


def test_dc_03_a_failed_commit_uses_no_number(store: Store) -> None:
    store.commit(draft(), Settled())

    def explode(_place: Place) -> bytes:
        raise RuntimeError("a defect while building the payload")

    broken = draft("P-2")
    broken = Draft(
        result_id=broken.result_id, part_id="P-2", decision="pass", created_at=1.0, payload=explode, traces=()
    )
    with pytest.raises(RuntimeError):
        store.commit(broken, Settled())
    assert store.commit(draft("P-3"), Settled()).sequence == 2


def test_dc_04_result_ids_are_uuid7_or_derived() -> None:
    made = [new_result_id(1_700_000_000.0 + n) for n in range(50)]
    assert all(item.version == 7 and item.variant == uuid.RFC_4122 for item in made)
    assert made == sorted(made), "UUIDv7 sorts by time (RFC 9562, 6.2)"
    assert made[0].int >> 80 == 1_700_000_000_000
    assert new_result_id(-5.0).int >> 80 == 0
    assert derived_result_id("urn:a", "f|1|2") == derived_result_id("urn:a", "f|1|2")
    assert derived_result_id("urn:a", "f|1|2") != derived_result_id("urn:b", "f|1|2")
    assert derived_result_id("urn:a", "f|1|2").version == 5


def test_dc_05_the_payload_is_stored_as_the_bytes_it_was_made_of(store: Store, reader: Reader) -> None:
    stored = store.commit(draft("P-1"), Settled())
    [(sequence, payload)] = reader.pending(0, 10)
    assert (sequence, payload) == (1, stored.payload)
    assert stored.payload == f"1 {store.levels.instance_id} None".encode()


def test_dc_10_result_and_outbox_row_come_together_or_not_at_all(store: Store, tmp_path: Path) -> None:
    store.commit(draft("P-1", identity="f|1|2", traces=2), Settled())
    other = sqlite3.connect(tmp_path / "results.sqlite3")
    try:
        assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        rows = other.execute("SELECT (SELECT count(*) FROM result), (SELECT count(*) FROM outbox)").fetchone()
        assert rows == (1, 1)
        assert other.execute("SELECT count(*) FROM trace").fetchone() == (2,)
    finally:
        other.close()
    assert store._live.execute("PRAGMA synchronous").fetchone() == (2,), "FULL"


def test_a_later_result_of_a_part_names_the_one_before(store: Store, reader: Reader) -> None:
    first = draft("P-1")
    store.commit(first, Settled())
    store.commit(draft("P-2"), Settled())
    again = store.commit(draft("P-1"), Settled())
    assert again.payload.decode().endswith(str(first.result_id))
    assert [row.part_id for row in reader.rows()] == ["P-1", "P-2", "P-1"]


def test_a_trace_with_an_identity_is_known_after_its_commit(store: Store) -> None:
    identity = derived_result_id("urn:x", "P.csv|1|ab")
    assert store.known(identity) is None
    store.commit(draft("P-1", identity="P.csv|1|ab"), Settled())
    assert store.known(identity) == 1


def test_dc_20_a_cumulative_acknowledgement_clears_everything_up_to_it(store: Store, reader: Reader) -> None:
    for number in range(6):
        store.commit(draft(f"P-{number}"), Settled())
    store.settle(Settled(through=4))
    assert [sequence for sequence, _ in reader.pending(0, 10)] == [5, 6]
    assert (store.levels.acknowledged_through, store.levels.pending) == (4, 2)
    store.settle(Settled(through=2))
    assert store.levels.acknowledged_through == 4, "never back"
    store.commit(draft("P-7"), Settled(through=6))
    assert (store.levels.acknowledged_through, store.levels.pending) == (6, 1)


def test_dc_21_single_broker_acknowledgements_clear_single_rows(store: Store, reader: Reader) -> None:
    for number in range(4):
        store.commit(draft(f"P-{number}"), Settled())
    store.settle(Settled(sequences=frozenset({1, 3})))
    assert [sequence for sequence, _ in reader.pending(0, 10)] == [2, 4]
    assert store.levels.acknowledged_through == 1, "all below the lowest pending row"


def test_dc_23_a_quarantined_result_is_kept_and_covered_by_the_cumulative_number(store: Store, reader: Reader) -> None:
    for number in range(3):
        store.commit(draft(f"P-{number}"), Settled())
    store.settle(Settled(through=1, quarantined={2: "the MES rejected it: unknown part"}))
    assert [sequence for sequence, _ in reader.pending(0, 10)] == [3]
    assert (store.levels.acknowledged_through, store.levels.pending, store.levels.quarantined) == (2, 1, 1)
    store.settle(Settled(through=3))
    assert (store.levels.acknowledged_through, store.levels.quarantined) == (3, 1)
    [row] = [row for row in reader.rows() if row.outbox == "quarantined"]
    assert (row.sequence, row.reason) == (2, "the MES rejected it: unknown part")


def test_dc_62_session_numbers_grow_over_restarts(store: Store) -> None:
    first = store.reserve_sessions()
    store.open()
    second = store.reserve_sessions()
    assert first.start == 1
    assert second.start == first.stop


@given(
    actions=st.lists(
        st.one_of(
            st.just("commit"),
            st.just("reopen"),
            st.integers(0, 12),
            st.tuples(st.just("bad"), st.integers(1, 12)),
            st.frozensets(st.integers(1, 12), max_size=4),
        ),
        max_size=30,
    )
)
@settings(max_examples=40, deadline=None)
def test_levels_always_agree_with_the_database(tmp_path_factory: pytest.TempPathFactory, actions: list[object]) -> None:
    folder = tmp_path_factory.mktemp("levels")
    store, reader = Store(folder), Reader(folder)
    store.open()
    try:
        for action in actions:
            if action == "commit":
                store.commit(draft(), Settled())
            elif action == "reopen":
                store.open()
            elif isinstance(action, int):
                store.settle(Settled(through=min(action, store.levels.last)))
            elif isinstance(action, tuple):
                store.settle(Settled(quarantined={action[1]: "bad"}))
            else:
                store.settle(Settled(sequences=action))
            assert store.levels == reader.levels()
    finally:
        store.close()
        reader.close()


def test_one_lock_for_one_daemon(tmp_path: Path) -> None:
    first, second = StateLock(tmp_path / "s"), StateLock(tmp_path / "s")
    assert not is_locked(tmp_path / "s")
    first.acquire()
    assert is_locked(tmp_path / "s")
    with pytest.raises(StoreBusyError, match="another crosslay daemon"):
        second.acquire()
    first.release()
    second.acquire()
    second.release()
    assert not is_locked(tmp_path / "s")


def test_a_state_directory_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be used as state directory"):
        StateLock(tmp_path / "file" / "state").acquire()


def test_a_file_that_is_no_database_is_said(tmp_path: Path) -> None:
    (tmp_path / "results.sqlite3").write_bytes(b"this is not a database, and long enough to be looked at" * 40)
    store = Store(tmp_path)
    with pytest.raises(StoreError, match="cannot be opened as a result database"):
        store.open()
    reader = Reader(tmp_path)
    with pytest.raises(StoreError, match="cannot be read"):
        reader.open()


def test_a_reader_without_a_database_says_what_makes_one(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="makes it at its first start"):
        Reader(tmp_path).open()


def test_a_reader_works_after_the_writer_has_gone(tmp_path: Path, reader: Reader) -> None:
    store = Store(tmp_path)
    store.open()
    store.commit(draft(traces=1), Settled())
    store.close()
    assert reader.levels().last == 1
    assert reader.traces(1)[0].points == 10
    with pytest.raises(StoreError, match="readonly"), reader.reading() as connection:
        connection.execute("DELETE FROM result")


def test_writing_without_a_connection_is_a_write_error(tmp_path: Path) -> None:
    with pytest.raises(StoreWriteError, match="not open"):
        Store(tmp_path).commit(draft(), Settled())


def test_a_database_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    newest = schema_files()[-1][0]
    connection = sqlite3.connect(tmp_path / "results.sqlite3")
    connection.execute(f"PRAGMA user_version = {newest + 1}")
    connection.close()
    with pytest.raises(StoreError, match=f"has schema {newest + 1}, this crosslay knows up to {newest}"):
        Store(tmp_path).open()


def test_migrations_run_once() -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    assert migrate(connection) == 0
    assert migrate(connection) == schema_files()[-1][0]
    connection.close()


@given(
    counts=st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=50),
    gain=st.floats(1e-6, 10, allow_nan=False),
)
@settings(deadline=None)
def test_a_packed_trace_comes_back_as_it_went_in(counts: list[int], gain: float) -> None:
    trace = Trace(
        samples=np.array(counts, dtype=np.int64),
        spacing_um=0.5,
        calibration=Calibration(gain_um=gain),
        sample_range=(-5.0, 5.0),
        facts={"part": "Ä-1", "job": "j"},
        identity="x|1",
        captured_at=12.5,
        simulated=True,
    )
    back = unpack(pack(trace).data, pack(trace).sha256)
    assert back.samples.dtype == np.dtype("<i4")
    assert back.samples.tolist() == counts
    assert back.heights_um().tobytes() == trace.heights_um().tobytes()
    assert (back.facts, back.identity, back.sample_range, back.simulated) == (
        trace.facts,
        trace.identity,
        trace.sample_range,
        True,
    )


def test_float_traces_and_positions_are_kept_bit_for_bit() -> None:
    z = np.array([0.1, -0.0, 1e-300, 3.3], dtype=np.float64)
    x = np.array([0.0, 0.4, 1.1, 1.5])
    back = unpack(*_pack(Trace(samples=z, spacing_um=500.0, positions_mm=x)))
    assert back.samples.tobytes() == z.tobytes()
    assert back.positions_mm is not None
    assert back.positions_mm.tobytes() == x.tobytes()


@given(
    units=st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=60),
    decimals=st.integers(0, 10),
    step=st.integers(1, 5000),
)
@settings(deadline=None)
def test_printed_decimals_are_kept_bit_for_bit_and_small(units: list[int], decimals: int, step: int) -> None:
    z = np.array([float(f"{unit / 10**decimals:.{decimals}f}") for unit in units])
    x = np.array([float(f"{number * step / 10**4:.4f}") for number in range(len(units))])
    back = unpack(*_pack(Trace(samples=z, spacing_um=1.0, positions_mm=x, position_resolution_mm=1e-4)))
    assert back.samples.tobytes() == z.tobytes()
    assert back.positions_mm is not None
    assert back.positions_mm.tobytes() == x.tobytes()


def test_a_printed_trace_takes_a_quarter_of_its_doubles() -> None:
    z = np.round(np.random.default_rng(1).standard_normal(9601), 4)
    x = np.arange(9601) * 5 / 10**4
    data, _sha = _pack(Trace(samples=z, spacing_um=0.5, positions_mm=x))
    assert len(data) < (z.nbytes + x.nbytes) / 4


def test_a_damaged_trace_is_noticed() -> None:
    data, sha256 = _pack(Trace(samples=np.arange(100.0), spacing_um=1.0))
    with pytest.raises(StoreError, match="does not match its SHA-256"):
        unpack(data, bytes(32))
    with pytest.raises(StoreError, match="cannot be decompressed"):
        unpack(data[:-10] + b"garbage...", sha256)


def _pack(trace: Trace) -> tuple[bytes, bytes]:
    packed = pack(trace)
    return packed.data, packed.sha256
