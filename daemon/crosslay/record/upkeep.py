"""Room in the store: quotas, retention, and what happens when nothing more may go (DC-43, DC-50).

Raw traces go first, then acknowledged results, oldest first. Unacknowledged results are never removed by retention;
only the policy ``drop-oldest-with-gap`` removes them, and then a gap record says so (DC-42).
"""

from __future__ import annotations

import enum
import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, replace

from crosslay.errors import StoreFullError
from crosslay.record.check_history import keep_passes
from crosslay.record.levels import cumulative
from crosslay.record.store import TRACES_PER_RESULT, Draft, Store, insert

#: Acknowledged results are removed before their time only above this share of the room.
CROWDED = 0.8
#: Left on the disk for the WAL, the status file and whoever else.
_DISK_RESERVE_BYTES = 4 << 20
_CHUNK = 64
_DROP_SHARE = 20
#: Results from before 2025 carry a clock that was not set; their age says nothing. Seconds since the epoch.
_CLOCK_FROM_S = 1_735_689_600.0


class WhenFull(enum.Enum):
    """What a full store does."""

    HOLD = "hold"
    DROP_OLDEST = "drop-oldest-with-gap"


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepPolicy:
    """Quotas in bytes; `keep_s`: how long acknowledged results are kept at least, while there is room."""

    quota_bytes: int
    trace_quota_bytes: int
    keep_s: float
    when_full: WhenFull


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """How full the store is.

    Attributes
    ----------
    used_bytes, room_bytes
        Pages in use, and the most there may be: the quota, or less where the disk has less.
    bound_bytes
        Estimate of what retention may not remove: the results nobody has acknowledged, without traces.
    """

    used_bytes: int
    room_bytes: int
    bound_bytes: int

    @property
    def share(self) -> float:
        """0 … 1: how far the store is filled with what must stay."""
        return min(1.0, self.bound_bytes / max(1, self.room_bytes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Results that will never come: first and last number, why, and of which database where it is another one.

    `last` is None where nobody can know how far the lost database had come.
    """

    first: int
    last: int | None
    reason: str
    instance_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """Unacknowledged results that were dropped by decision, and the number of the (last) gap record, 0 for none."""

    sequences: frozenset[int]
    gap_sequence: int


class Upkeep:
    """Keeps one store within its room. Only the recorder thread uses it.

    Parameters
    ----------
    store
        The open store.
    policy
        Quotas and what a full store does.
    make_gap
        Makes the gap record of what was lost.
    """

    def __init__(self, store: Store, policy: UpkeepPolicy, make_gap: Callable[[Gap], Draft]) -> None:
        self._store = store
        self._policy = policy
        self._make_gap = make_gap
        self._trace_bytes = 0

    def open(self) -> None:
        """Measure what is there; after every opening of the store."""
        with self._store.transaction() as connection:
            self._trace_bytes = int(
                connection.execute("SELECT coalesce(sum(length(data)), 0) FROM trace").fetchone()[0]
            )
            connection.execute("DELETE FROM delivery WHERE sequence < ?", (self._store.levels.first,))

    def usage(self) -> Usage:
        """How full the store is now."""
        with self._store.transaction() as connection:
            used = _used_bytes(connection)
        levels = self._store.levels
        results = max(1, levels.last - levels.first + 1)
        bound = max(0, used - self._trace_bytes) * min(1.0, (levels.pending + levels.quarantined) / results)
        return Usage(used_bytes=used, room_bytes=self._room_bytes(used), bound_bytes=round(bound))

    def make_room(self, draft: Draft, now: float) -> tuple[Draft, Dropped | None]:
        """Before a commit: remove what may go until the draft fits.

        Parameters
        ----------
        draft
            What is to be committed.
        now
            Seconds since the epoch.

        Returns
        -------
        tuple
            The draft, without its traces where they find no room, and what was dropped by decision.

        Raises
        ------
        StoreFullError
            Nothing may go any more and the policy is to hold.
        """
        traces = sum(len(trace.data) for trace in draft.traces)
        if traces > self._policy.trace_quota_bytes:
            draft, traces = replace(draft, traces=()), 0
        if self._trace_bytes + traces > self._policy.trace_quota_bytes:
            self._remove_traces(self._trace_bytes + traces - self._policy.trace_quota_bytes)
        # Payload and index pages of one result, generously.
        need = traces + 8192
        self._retire(need, now)
        dropped: Dropped | None = None
        while (excess := self._excess(need, 1.0)) > 0:
            if self._policy.when_full is WhenFull.HOLD:
                raise StoreFullError(self._full_text(excess))
            step = self._drop_oldest()
            if step is None:
                raise StoreFullError(self._full_text(excess))
            dropped = step if dropped is None else replace(step, sequences=dropped.sequences | step.sequences)
        self._trace_bytes += traces
        return draft, dropped

    def _retire(self, need: int, now: float) -> None:
        """Traces, then acknowledged results, oldest first: by age, or earlier where it is crowded."""
        while self._excess(need, CROWDED) > 0 and self._remove_traces(self._excess(need, CROWDED)):
            pass
        while self._excess(need, CROWDED) > 0 and self._remove_acknowledged(float("inf")):
            pass
        if self._store.levels.last % _CHUNK == 0:
            self._remove_acknowledged(now - self._policy.keep_s)

    def _excess(self, need: int, share: float) -> int:
        with self._store.transaction() as connection:
            used = _used_bytes(connection)
        return used + need - round(share * self._room_bytes(used))

    def _room_bytes(self, used: int) -> int:
        disk = os.statvfs(self._store.path.parent)
        free = disk.f_bavail * disk.f_frsize
        return max(0, min(self._policy.quota_bytes, used + free - _DISK_RESERVE_BYTES))

    def _remove_traces(self, excess_bytes: int) -> bool:
        """Remove the oldest traces that hold at least so many bytes, a chunk at most; whether there were any."""
        with self._store.transaction() as connection:
            rows = connection.execute(
                "SELECT trace_id, length(data) FROM trace ORDER BY trace_id LIMIT ?", (_CHUNK,)
            ).fetchall()
            freed, last = 0, None
            for trace_id, size in rows:
                if freed >= excess_bytes:
                    break
                freed, last = freed + size, trace_id
            if last is not None:
                connection.execute("DELETE FROM trace WHERE trace_id <= ?", (last,))
        self._trace_bytes -= freed
        return last is not None

    def _remove_acknowledged(self, created_before: float) -> bool:
        """Remove a chunk of the oldest results, all acknowledged and old enough; the newest result always stays."""
        levels = self._store.levels
        with self._store.transaction() as connection:
            rows = connection.execute(
                "SELECT r.sequence, r.created_at, o.sequence FROM result r "
                "LEFT JOIN outbox o ON o.sequence = r.sequence "
                "WHERE r.sequence < ? ORDER BY r.sequence LIMIT ?",
                (levels.last, _CHUNK),
            ).fetchall()
            last = None
            for sequence, created_at, in_outbox in rows:
                aged = created_before == float("inf") or _CLOCK_FROM_S < created_at < created_before
                if in_outbox is not None or not aged:
                    break
                last = sequence
            if last is None:
                return False
            freed = self._delete_through(connection, last)
        self._trace_bytes -= freed
        self._store.adopt(replace(levels, first=last + 1))
        return True

    def _drop_oldest(self) -> Dropped | None:
        """Drop the oldest twentieth of the undelivered results, and record the gap in the same transaction."""
        levels = self._store.levels
        with self._store.transaction() as connection:
            number = max(_CHUNK, (levels.last - levels.first + 1) // _DROP_SHARE)
            through = min(levels.first + number, levels.last) - 1
            if through < levels.first:
                return None
            lost = [
                int(row[0]) for row in connection.execute("SELECT sequence FROM outbox WHERE sequence <= ?", (through,))
            ]
            gaps = _gaps(connection, lost)
            gap_sequence = 0
            aside = int(
                connection.execute("SELECT count(quarantined) FROM outbox WHERE sequence <= ?", (through,)).fetchone()[
                    0
                ]
            )
            freed = self._delete_through(connection, through)
            after = replace(
                levels,
                first=through + 1,
                pending=levels.pending - len(lost) + aside,
                quarantined=levels.quarantined - aside,
            )
            for gap in gaps:
                stored, after = insert(connection, self._make_gap(gap), after)
                gap_sequence = stored.sequence
            after = replace(after, acknowledged_through=cumulative(connection, after.last))
        self._trace_bytes -= freed
        self._store.adopt(after)
        return Dropped(sequences=frozenset(lost), gap_sequence=gap_sequence)

    @staticmethod
    def _delete_through(connection: sqlite3.Connection, last: int) -> int:
        """Delete results up to `last` with all that belongs to them; returns the bytes of their traces."""
        keep_passes(connection, last)
        end = (last + 1) * TRACES_PER_RESULT
        freed = connection.execute(
            "SELECT coalesce(sum(length(data)), 0) FROM trace WHERE trace_id < ?", (end,)
        ).fetchone()[0]
        connection.execute("DELETE FROM trace WHERE trace_id < ?", (end,))
        connection.execute("DELETE FROM outbox WHERE sequence <= ?", (last,))
        # A part of one trace has one id for both; the others go at the next start (`open`).
        connection.execute(
            "DELETE FROM delivery WHERE delivery_id IN (SELECT result_id FROM result WHERE sequence <= ?)", (last,)
        )
        connection.execute("DELETE FROM result WHERE sequence <= ?", (last,))
        return int(freed)

    def _full_text(self, excess: int) -> str:
        levels = self._store.levels
        return (
            f"{self._store.path}: the store is full ({excess} bytes over its room) of {levels.pending} results that "
            "nobody has acknowledged; bring the MES back, free the disk, or raise store.quota_mb"
        )


def _gaps(connection: sqlite3.Connection, lost: list[int]) -> list[Gap]:
    """The gaps that dropping these numbers leaves; what undelivered gap records among them said must be said again."""
    if not lost:
        return []
    first, others = lost[0], []
    for (payload,) in connection.execute(
        "SELECT r.payload FROM result r JOIN outbox o ON o.sequence = r.sequence "
        "WHERE r.kind = 'gap' AND r.sequence <= ? ORDER BY r.sequence",
        (lost[-1],),
    ):
        data = json.loads(payload)["data"]
        if data.get("lostInstanceId") is None and data["toSequence"] is not None:
            first = min(first, data["fromSequence"])
        else:
            others.append(
                Gap(
                    first=data["fromSequence"],
                    last=data["toSequence"],
                    reason=data["reason"],
                    instance_id=data.get("lostInstanceId"),
                )
            )
    return [*others, Gap(first=first, last=lost[-1], reason="store-full")]


def _used_bytes(connection: sqlite3.Connection) -> int:
    size = int(connection.execute("PRAGMA page_size").fetchone()[0])
    pages = int(connection.execute("PRAGMA page_count").fetchone()[0])
    return size * (pages - int(connection.execute("PRAGMA freelist_count").fetchone()[0]))
