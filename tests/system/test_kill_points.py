"""`kill -9` at every step of commit, publish and acknowledgement: result row ⇔ outbox row, nothing lost or double."""

from __future__ import annotations

import json
import sqlite3
import uuid
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from campaign_counts import campaign_count
from counting_mes import WINDOW, CountingMes, counting_mes
from crosslay.record.backup import backup
from crosslay.record.levels import Settled
from crosslay.record.reader import Reader
from crosslay.record.store import FILE_NAME, Draft, Place, Store
from crosslay.testing.broker import RunningBroker
from cut_checks import unsound
from faults import needs_strace, take_at_once
from kill_server import ForkedStation, forked_station
from station_harness import StationUnderTest, csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign]

#: How many passings of each point are tried: the first, or the first few.
PASSINGS = campaign_count("CROSSLAY_KILL_PASSINGS", short=1, full=5)
PATIENCE_S = 15.0

STEPS = [
    "judge", "make room", "begin", "insert result", "insert outbox", "insert delivery", "insert trace",
    "commit result", "light", "announce", "settle gauge", "move file", "publish", "puback", "acknowledgement",
    "hand over", "clear outbox", "commit acknowledgement", "told settled", "reserve sessions", "commit meta",
    "remove traces",
]  # fmt: skip
#: System calls on the database and its WAL, and at which of a thread's it dies.
CALLS = {
    f"call {call} {name}": numbers
    for name in (f"{FILE_NAME}-wal", FILE_NAME)
    for call, numbers in {"pwrite64": [7, 90, 20, 41, 60, 75, 130], "fdatasync": [2, 3, 1, 4, 5]}.items()
}
RENEWAL = {
    **dict.fromkeys(("build", "set aside", "renew", "move into place"), (1,)),
    "rename": (1, 2),
    "sync folder": (1, 2, 3, 4),
    "commit result": (1, 2),
}
RENEWAL_POINTS = [
    (f"{moment} {step}", number)
    for step, numbers in RENEWAL.items()
    for number in numbers
    for moment in ("before", "after")
]
#: These are passed once in a process; all others as often as there are parts.
ONCE = {"reserve sessions", "commit meta"}
POINTS = [
    (f"{moment} {step}", passing)
    for step in STEPS
    for moment in ("before", "after")
    for passing in range(1, 2 if step in ONCE else PASSINGS + 1)
]


def unharmed(state_dir: Path, mes: CountingMes) -> None:
    """What a kill at any point must leave behind."""
    with closing(sqlite3.connect(state_dir / FILE_NAME)) as database:
        if database.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,):
            assert not mes.deliveries, "killed while the database was made"
            return
        assert unsound(database) == []
        through = database.execute("SELECT value FROM meta WHERE key = 'acknowledgedThrough'").fetchone()
        assert int(through[0] if through else 0) <= mes.acknowledged_through
        published = {sequence: min(bodies) for sequence, bodies in mes.payloads().items()}
        stored = dict(database.execute("SELECT sequence, payload FROM result"))
        assert published == {sequence: stored.get(sequence) for sequence in published}


class Feeder:
    """Drops parts, each under a name of its own."""

    def __init__(self, forked: ForkedStation) -> None:
        self.parts: list[str] = []
        self._op30 = forked.op30
        # Noise, so that a stored trace is large.
        self._content = csv_bytes(sine_um() + 0.01 * np.random.default_rng(1).standard_normal(9601))

    def drop(self, number: int) -> None:
        """So many parts more."""
        for _ in range(number):
            part = f"P-{len(self.parts):05d}"
            self.parts.append(part)
            self._op30.drop(f"{part}.csv", self._content)


def die_at(forked: ForkedStation, feeder: Feeder, point: str, passing: int) -> None:
    """Run a daemon into a point, with parts coming until it is there."""
    forked.start(point, passing)
    for _ in range(4):
        feeder.drop(2)
        if forked.died(PATIENCE_S / 4):
            return
    raise AssertionError(f"{point} was not passed {passing} times in {PATIENCE_S} s")


def settled_down(forked: ForkedStation, mes: CountingMes) -> None:
    """Wait until everything is stored, moved, delivered and acknowledged; then end the daemon in order."""
    wait_for(lambda: not list(forked.op30.incoming.glob("*.csv")), 30, "every file to be moved")
    reader = Reader(forked.op30.state_dir)
    levels = reader.levels()
    reader.close()
    wanted = {"instanceId": levels.instance_id, "acknowledgedThrough": levels.last}
    wait_for(lambda: wanted.items() <= mes.state.items() and mes.state["backlog"]["depth"] == 0, 60, str(wanted))
    forked.stop()


def check_every_part_once(forked: ForkedStation, mes: CountingMes, parts: list[str]) -> None:
    """The record of a campaign within one instance."""
    unharmed(forked.op30.state_dir, mes)
    assert sorted(mes.parts()) == parts, "every part once"
    assert sorted(mes.payloads()) == list(range(1, len(parts) + 1)), "no hole"
    assert all(len(bodies) == 1 for bodies in mes.payloads().values())
    assert mes.most_repeats() <= WINDOW
    assert mes.sessions == sorted(mes.sessions), "session numbers only grow (DC-62)"
    done = sorted(path.stem for path in (forked.op30.incoming / "done").glob("*.csv"))
    assert done == parts, "every file is moved once"


@pytest.mark.timeout(120 + PASSINGS * 120)
def test_dc_10_dc_11_dc_20_a_kill_at_every_step(tmp_path: Path, broker: RunningBroker) -> None:
    more = "[store]\ntrace_quota_mb = 1\n"
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port, more=more) as op30:
        take_at_once(op30)
        with forked_station(op30) as forked:
            feeder = Feeder(forked)
            forked.start()
            feeder.drop(24)  # more traces than may be kept, so that some are removed at every commit
            assert mes.anchored.wait(20)
            wait_for(lambda: mes.acknowledged_through == 24, 20)
            forked.kill()
            for point, passing in POINTS:
                die_at(forked, feeder, point, passing)
                unharmed(op30.state_dir, mes)
            forked.start()
            settled_down(forked, mes)
            check_every_part_once(forked, mes, feeder.parts)
            print(
                f"\n{len(POINTS)} kills at {2 * len(STEPS)} points: {len(feeder.parts)} parts, each once, "
                f"at most {mes.most_repeats()} repeats"
            )


@needs_strace
@pytest.mark.timeout(120 + PASSINGS * 120)
def test_a_kill_at_every_system_call_of_commit_and_checkpoint(tmp_path: Path, broker: RunningBroker) -> None:
    kills = 0
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        take_at_once(op30)
        with forked_station(op30) as forked:
            feeder = Feeder(forked)
            for point, numbers in CALLS.items():
                for number in numbers[: 2 if PASSINGS == 1 else None]:
                    die_at(forked, feeder, point, number)
                    unharmed(op30.state_dir, mes)
                    kills += 1
            forked.start()
            settled_down(forked, mes)
            check_every_part_once(forked, mes, feeder.parts)
            print(f"\n{kills} kills inside commits and checkpoints: {len(feeder.parts)} parts, each once")


def stamp(state_dir: Path) -> None:
    """Put a backup copy in the place of the database: the next start makes it anew (DC-44)."""
    backup(state_dir / FILE_NAME, state_dir / "copy.sqlite3", "a test")
    for path in state_dir.glob(f"{FILE_NAME}*"):
        path.unlink()
    (state_dir / "copy.sqlite3").rename(state_dir / FILE_NAME)


@pytest.mark.timeout(120 + PASSINGS * 60)
def test_dc_44_a_kill_at_every_step_of_a_renewal(tmp_path: Path, broker: RunningBroker) -> None:
    points = RENEWAL_POINTS if PASSINGS > 1 else RENEWAL_POINTS[1::4]
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port) as op30:
        take_at_once(op30)
        mes.go_away()  # so that everything is owed, and must be committed again each time
        with forked_station(op30) as forked:
            feeder = Feeder(forked)
            for point, passing in points:
                forked.start()
                feeder.drop(2)
                wait_for(lambda: not list(op30.incoming.glob("*.csv")), 20, "the parts to be stored")
                forked.kill()
                stamp(op30.state_dir)
                die_at(forked, feeder, point, passing)
            mes.come_back()
            forked.start()
            settled_down(forked, mes)
        check_renewals(op30, mes, feeder.parts, len(points))
        print(f"\n{len(points)} kills inside renewals: {len(feeder.parts)} parts, each once")


def check_renewals(op30: StationUnderTest, mes: CountingMes, parts: list[str], renewals: int) -> None:
    """Every part has one result that nothing supersedes; each instance began with its gap record."""
    with closing(sqlite3.connect(op30.state_dir / FILE_NAME)) as database:
        assert unsound(database) == []
    assert sorted(path.stem for path in (op30.incoming / "done").glob("*.csv")) == parts
    aside = sorted((op30.state_dir / "set-aside").glob("*.sqlite3"))
    assert len(aside) == renewals
    stored = [event for path in (*aside, op30.state_dir / FILE_NAME) for event in events_in(path)]
    results = [event["data"] for event in stored if event["type"] == "org.crosslay.result.v1"]
    superseded = {data["supersedes"] for data in results if data.get("supersedes")}
    assert superseded <= {data["resultId"] for data in results}
    assert sorted(data["partId"] for data in results if data["resultId"] not in superseded) == parts
    newest = {data["resultId"] for data in results if data["resultId"] not in superseded}
    delivered = {event["id"] for event in mes.events()}
    assert newest <= delivered, "what is owed is delivered under the newest instance"
    # Nobody took the gap records either: each instance says its own loss first, and those before it again.
    gaps = [event["data"] for event in stored if event["type"] == "org.crosslay.gap.v1"]
    said: dict[str, list[str]] = {}
    for gap in gaps:
        said.setdefault(gap["instanceId"], []).append(gap["lostInstanceId"])
    assert sorted(map(len, said.values())) == list(range(1, renewals + 1))
    assert all(len(set(lost)) == len(lost) for lost in said.values())


def events_in(path: Path) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as database:
        return [json.loads(row[0]) for row in database.execute("SELECT payload FROM result ORDER BY sequence")]


def pages_used(path: Path) -> int:
    with closing(sqlite3.connect(path)) as database:
        counts = [database.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count")]
    return int(counts[0] - counts[1])


def fill(state_dir: Path, used_bytes: int) -> int:
    """Commit copies of the first result, as if nobody acknowledged for a long time; returns the last number."""
    store = Store(state_dir)
    store.open()
    [first] = [event for event in events_in(store.path) if event["sequence"].endswith("1")][:1]
    try:
        while pages_used(store.path) * 1024 < used_bytes:
            result_id, part = uuid.uuid4(), f"F-{store.levels.last:05d}"

            def payload(place: Place, result_id: uuid.UUID = result_id, part: str = part) -> bytes:
                copy = json.loads(json.dumps(first))
                copy |= {"id": str(result_id), "sequence": f"{place.sequence:019d}", "subject": f"part/{part}"}
                copy["data"] |= {"resultId": str(result_id), "sequence": place.sequence, "partId": part}
                copy["data"] |= {"instanceId": place.instance_id, "resultEvaluationDetails": "x" * 8000}
                return json.dumps(copy).encode()

            store.commit(
                Draft(result_id=result_id, part_id=part, decision="pass", created_at=1.8e9, payload=payload), Settled()
            )
        return store.levels.last
    finally:
        store.close()


@pytest.mark.timeout(120 + PASSINGS * 60)
def test_dc_42_dc_50_a_kill_while_the_oldest_results_are_dropped(tmp_path: Path, broker: RunningBroker) -> None:
    more = '[store]\nquota_mb = 1\ntrace_quota_mb = 0\nwhen_full = "drop-oldest-with-gap"\n'
    points = [f"{moment} {step}" for step in ("drop oldest", "commit removal") for moment in ("before", "after")]
    with counting_mes(broker.port) as mes, station(tmp_path, broker.port, more=more) as op30:
        take_at_once(op30)
        mes.go_away()
        with forked_station(op30) as forked:
            feeder = Feeder(forked)
            forked.start()
            feeder.drop(1)
            wait_for(lambda: not list(op30.incoming.glob("*.csv")), 20)
            forked.kill()
            for point in points:
                fill(op30.state_dir, 1_000_000)
                die_at(forked, feeder, point, 1)
                check_gaps(op30.state_dir)
            forked.start()
            mes.come_back()
            settled_down(forked, mes)
        assert sorted(path.stem for path in (op30.incoming / "done").glob("*.csv")) == feeder.parts
        events = mes.events()
        come = {event["data"]["sequence"] for event in events}
        gaps = [event["data"] for event in events if event["type"] == "org.crosslay.gap.v1"]
        gone = {number for gap in gaps for number in range(gap["fromSequence"], gap["toSequence"] + 1)}
        assert gone
        assert come | gone == set(range(1, mes.acknowledged_through + 1)), "nothing disappears silently"


def check_gaps(state_dir: Path) -> None:
    """Everything stored is owed, and the gap records name all that is missing below it."""
    with closing(sqlite3.connect(state_dir / FILE_NAME)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        sequences = [row[0] for row in database.execute("SELECT sequence FROM result ORDER BY sequence")]
        owed = [row[0] for row in database.execute("SELECT sequence FROM outbox ORDER BY sequence")]
    assert owed == sequences == list(range(sequences[0], sequences[-1] + 1))
    gaps = [event["data"] for event in events_in(state_dir / FILE_NAME) if event["type"] == "org.crosslay.gap.v1"]
    assert max((gap["toSequence"] for gap in gaps), default=0) == sequences[0] - 1
