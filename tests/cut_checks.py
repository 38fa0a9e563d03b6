"""What must be true of a store after a power cut: it is whole, and what was said before the cut holds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

from announced import Promises
from crosslay.errors import StoreError
from crosslay.record.levels import Settled
from crosslay.record.lock import StateLock
from crosslay.record.reader import Reader
from crosslay.record.renew import SET_ASIDE, finish_interrupted
from crosslay.record.store import FILE_NAME, Store
from crosslay.record.witness import read_witness
from store_cases import result_draft


def rows(path: Path) -> dict[str, bytes]:
    """Payload of each part in a database, opened like any SQLite file; nothing where it cannot be."""
    with closing(sqlite3.connect(path)) as database, suppress(sqlite3.Error):
        return dict(database.execute("SELECT part_id, payload FROM result"))
    return {}


def problems_of(state_dir: Path, promises: Promises, truth: dict[str, bytes]) -> list[str]:
    """Open a store after a cut as the daemon does, and say what is wrong with it; empty where all is well."""
    lock = StateLock(state_dir)
    lock.acquire()
    store = Store(state_dir)
    try:
        finish_interrupted(state_dir)
        store.open()
        reader = Reader(state_dir)
        with closing(reader), closing(sqlite3.connect(state_dir / FILE_NAME)) as database:
            found = [*unsound(database), *lost_results(database, promises, state_dir, truth)]
            found += broken_promises(database, promises)
            witness = read_witness(state_dir)
            if promises.session > (0 if witness is None else witness.sessions_reserved):
                found.append(f"broken: session {promises.session} was used, but {witness} would not tell (DC-62)")
            if reader.levels() != store.levels:
                found.append("corrupt: reader and store disagree")
            for row in reader.newest(2):
                if row.kind == "result":
                    reader.traces(row.sequence)
        last = store.levels.last
        if store.commit(result_draft("P-after"), Settled()).sequence != last + 1:
            found.append("corrupt: the next sequence does not follow")
    except StoreError as error:
        return [f"corrupt: {error}"]
    finally:
        store.close()
        lock.release()
    return found


def unsound(database: sqlite3.Connection) -> list[str]:
    """Integrity; no hole; result row ⇔ outbox row ⇔ not acknowledged."""
    found = []
    if (said := database.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
        found.append(f"corrupt: {said}")
    sequences = [row[0] for row in database.execute("SELECT sequence FROM result ORDER BY sequence")]
    if sequences != list(range(1, len(sequences) + 1)):
        found.append(f"corrupt: a hole in {sequences}")
    owed = [row[0] for row in database.execute("SELECT sequence FROM outbox ORDER BY sequence")]
    through = _through(database)
    if owed != list(range(through + 1, len(sequences) + 1)):
        found.append(f"corrupt: acknowledged through {through} of {len(sequences)}, but the outbox holds {owed}")
    return found


def lost_results(
    database: sqlite3.Connection, promises: Promises, state_dir: Path, truth: dict[str, bytes]
) -> Iterator[str]:
    """Results that were called committed and are not here, nor in a database set aside."""
    instance = _meta(database)["instanceId"]
    here = dict(database.execute("SELECT sequence, payload FROM result"))
    aside = {body for path in (state_dir / SET_ASIDE).glob("*.sqlite3") for body in rows(path).values()}
    superseded = {json.loads(payload)["data"].get("supersedes") for payload in here.values()}
    for (of_instance, sequence), payload in promises.published.items():
        present = here.get(sequence) == payload if of_instance == instance else payload in aside
        if not present:
            yield f"lost: {sequence} of {of_instance} was published"
        owed = of_instance != instance and sequence > promises.acknowledged[of_instance]
        if owed and json.loads(payload)["data"]["resultId"] not in superseded:
            yield f"lost: {sequence} of {of_instance} is owed, and was not committed again"
    stored = {*here.values(), *aside}
    yield from (f"lost: {part} was called stored" for part in sorted(promises.parts) if truth[part] not in stored)
    if promises.stated[instance] > len(here):
        yield f"lost: the state said {promises.stated[instance]} results, here are {len(here)}"


def broken_promises(database: sqlite3.Connection, promises: Promises) -> Iterator[str]:
    """What else was said before the cut and is not true now."""
    meta = _meta(database)
    instance, through = meta["instanceId"], _through(database)
    if through > promises.acknowledged[instance]:
        yield f"broken: {through} counts as acknowledged, the MES said {promises.acknowledged[instance]}"
    if promises.session > int(meta.get("sessionsReserved", 0)):
        yield f"broken: session {promises.session} was used, the next block begins lower (DC-62)"
    if promises.anchored[instance] > int(meta.get("anchoredThrough", 0)):
        yield f"broken: {promises.anchored[instance]} was anchored; this would pass for a roll-back (DC-44)"


def _through(database: sqlite3.Connection) -> int:
    """What counts as acknowledged: all below the first row that is owed."""
    lowest, last = database.execute(
        "SELECT (SELECT min(sequence) FROM outbox), (SELECT coalesce(max(sequence), 0) FROM result)"
    ).fetchone()
    return last if lowest is None else lowest - 1


def _meta(database: sqlite3.Connection) -> dict[str, str]:
    return dict(database.execute("SELECT key, value FROM meta"))
