"""The store with all that is around a commit: room, retention, renewal. After start-up it is the recorder thread's."""

from __future__ import annotations

import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog

from crosslay.bus.conditions import (
    STORE_CHECKPOINT,
    STORE_FILLING,
    STORE_NEARLY_FULL,
    STORE_RENEWED,
    Conditions,
)
from crosslay.bus.messages import StoreLevel
from crosslay.errors import StoreCorruptError, StoreError, StoreWriteError
from crosslay.plan.load import StationPlan
from crosslay.record.checks import Checks
from crosslay.record.levels import Levels, Settled
from crosslay.record.reader import Reader
from crosslay.record.renew import Renewal, Undelivered, finish_interrupted, keep_living, read_living, renew
from crosslay.record.store import FILE_NAME, Draft, Store, Stored
from crosslay.record.upkeep import Gap, Upkeep, UpkeepPolicy, Usage, WhenFull
from crosslay.record.witness import Witness, is_lost, write_witness
from crosslay.station.clock import SystemClock
from crosslay.station.records import again_draft, first_records, gap_draft

_log = structlog.get_logger("crosslay.store")
_MEGABYTE = 1_000_000
_DAY_S = 86_400.0
_WARNING_SHARE = 0.7
_ERROR_SHARE = 0.9
_GROWTH_EVERY_S = 10.0
_GROWTH_SAMPLES = 60
_LOOK_EVERY_S = 1.0
#: The WAL is folded into the database at 2 MB and cut to 4 MB; where it becomes this long, that does not succeed.
_WAL_LIMIT_BYTES = 8 << 20
_FOLD_EVERY_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """A committed draft, and the sequences that were dropped to make room for it."""

    stored: Stored
    dropped: frozenset[int]


class Keeper:
    """See the module.

    Parameters
    ----------
    plan, clock, conditions
        Of the station.
    on_renewed
        Told when the database was made anew: numbers, instance and outbox are other ones.
    """

    def __init__(
        self,
        plan: StationPlan,
        clock: SystemClock,
        conditions: Conditions,
        on_renewed: Callable[[], None] = lambda: None,
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._conditions = conditions
        self.on_renewed = on_renewed
        self.beat: Callable[[], None] = lambda: None
        self._store = Store(plan.state_dir)
        #: Reference checks and what belongs to them, in the same database.
        self.checks = Checks(self._store)
        section = plan.store
        policy = UpkeepPolicy(
            quota_bytes=section.quota_mb * _MEGABYTE,
            trace_quota_bytes=section.trace_quota_mb * _MEGABYTE,
            keep_s=section.keep_days * _DAY_S,
            when_full=WhenFull(section.when_full),
        )
        self._upkeep = Upkeep(self._store, policy, self._gap)
        self._usage: Usage | None = None
        self._growth: deque[tuple[float, int]] = deque(maxlen=_GROWTH_SAMPLES)
        self._looked_at = self._folded_at = float("-inf")

    @property
    def levels(self) -> Levels:
        """Where the store stands; safe to read from any thread."""
        return self._store.levels

    @property
    def usage(self) -> Usage | None:
        """How full the store was at the last look; safe to read from any thread."""
        return self._usage

    def open(self) -> None:
        """Open the store, finishing an interrupted renewal and making a damaged database anew.

        Raises
        ------
        StoreError
            The folder cannot be used.
        """
        finish_interrupted(self._plan.state_dir)
        try:
            self._store.verify()  # what is still open may know more than what is at the name
            if self._is_lost():
                self.renew("database-lost", "there is no database any more, or an empty file")
                return
            self._store.open()
        except StoreCorruptError as error:
            self.renew("restored-backup" if "backup copy" in str(error) else "database-damaged", str(error))
        else:
            self._upkeep.open()
            self._look()

    def _is_lost(self) -> bool:
        # A directory removed as a whole tells nothing; this process does.
        known = bool(self.levels.instance_id) and not (self._plan.state_dir / FILE_NAME).exists()
        try:
            return known or is_lost(self._plan.state_dir)
        except OSError as error:
            raise StoreError(f"{self._plan.state_dir}: cannot be read ({error.strerror})") from error

    def look_after(self, damaged_because: str = "") -> None:
        """Once a second at most: whether the files are what they should be, and the WAL no longer than it should be.

        Parameters
        ----------
        damaged_because
            Somebody met damage when reading: look at once, and read all that is to be delivered.

        Raises
        ------
        StoreCorruptError
            The database is damaged; `renew` it.
        StoreError
            It was not open, and cannot be opened.
        """
        now = self._clock.monotonic()
        if not damaged_because and now - self._looked_at < _LOOK_EVERY_S:
            return
        self._looked_at = now
        if not self._store.is_open:
            self.open()
        self._store.verify()
        if damaged_because:
            self._confirm(damaged_because)
        self._look_after_wal(now)

    def _confirm(self, damaged_because: str) -> None:
        reader = Reader(self._plan.state_dir)
        try:
            reader.require_deliverable()
        except StoreCorruptError:
            raise
        except StoreError as error:
            _log.warning("store-not-readable", reason=str(error))
        else:
            _log.warning("damage-not-confirmed", reason=damaged_because)
        finally:
            reader.close()

    def _look_after_wal(self, now: float) -> None:
        """A checkpoint that keeps failing fails silently: the WAL's length tells."""
        if self._store.wal_bytes() <= _WAL_LIMIT_BYTES:
            self._conditions.clear(STORE_CHECKPOINT)
            return
        if now - self._folded_at < _FOLD_EVERY_S:
            return
        self._folded_at = now
        why = "a program that reads the database keeps it"
        try:
            self._store.fold_wal()
        except StoreWriteError as error:
            why = str(error)
        size = self._store.wal_bytes()
        if size > _WAL_LIMIT_BYTES:
            text = f"the store's WAL is {size / _MEGABYTE:.0f} MB long and cannot be folded into the database: {why}"
            self._conditions.raise_(STORE_CHECKPOINT, text)
        else:
            self._conditions.clear(STORE_CHECKPOINT)

    def close(self) -> None:
        """Close the store."""
        self._store.close()

    def level(self) -> StoreLevel | None:
        """How full the store is, for ``v1/state``; safe to call from any thread."""
        usage = self._usage
        if usage is None:
            return None
        return StoreLevel(
            used_percent=round(100 * usage.share, 1),
            seconds_to_full=self._seconds_to_full(usage),
            when_full=self._plan.store.when_full,
        )

    @property
    def made_here(self) -> bool:
        """Whether this process made the database, so that no anchor of it can be older than the process."""
        return self._store.made_here

    def known(self, delivery_id: uuid.UUID) -> bool:
        """Whether a trace with this id is stored already. Raises like `Store.commit`."""
        return self._store.known(delivery_id) is not None

    def reserve_sessions(self) -> range:
        """A block of session numbers, written down beside the database, too. Raises like `Store.commit`."""
        block = self._store.reserve_sessions()
        witness = Witness(instance_id=self.levels.instance_id, sessions_reserved=block.stop - 1)
        try:
            write_witness(self._plan.state_dir, witness)
        except OSError as error:
            raise StoreWriteError(
                f"{self._plan.state_dir}: session numbers cannot be reserved ({error.strerror})"
            ) from error
        return block

    def settle(self, settled: Settled) -> None:
        """Commit acknowledgements. Raises like `Store.commit`."""
        self._store.settle(settled)

    def commit(self, draft: Draft, settled: Settled) -> Committed:
        """Make room and commit.

        Raises
        ------
        StoreFullError
            There is no room and the policy is to hold.
        StoreWriteError
            Nothing of the draft was committed; it may be tried again.
        StoreCorruptError
            The database is damaged; `renew` it and try again.
        """
        fitting, dropped = self._upkeep.make_room(draft, self._clock.wall())
        stored = self._store.commit(fitting, settled)
        self._look()
        if dropped is not None and dropped.sequences:
            _log.warning("results-dropped", number=len(dropped.sequences), gap=dropped.gap_sequence)
        return Committed(stored=stored, dropped=frozenset() if dropped is None else dropped.sequences)

    def requeue(self, sequence: int) -> Stored:
        """Commit a quarantined result again, under a new number that supersedes it.

        Raises
        ------
        StoreError
            There is no such quarantined result, or the store cannot be written.
        """
        reader = Reader(self._plan.state_dir)
        try:
            rows = reader.rows(after=sequence - 1, limit=1)
        finally:
            reader.close()
        if not rows or rows[0].sequence != sequence or rows[0].outbox != "quarantined":
            raise StoreError(f"result {sequence} is not set aside, so it cannot be queued again")
        row = rows[0]
        old = Undelivered(
            sequence=row.sequence,
            result_id=uuid.UUID(row.result_id),
            part_id=row.part_id,
            decision=row.decision,
            created_at=row.created_at,
            payload=row.payload,
            kind="recall" if row.kind == "recall" else "result",
        )
        return self._store.commit(again_draft(old, replaces=sequence), Settled())

    def renew(self, reason: str, text: str) -> Path:
        """Set the database aside and begin a new one, under a new instance id.

        Raises
        ------
        StoreError
            The folder cannot be written; nothing changed.
        """
        aside = self._make_anew(reason)
        self._store.open()
        self._upkeep.open()
        _log.error(
            "database-renewed", reason=reason, details=text, set_aside=str(aside), instance=self.levels.instance_id
        )
        kept = f"the old one is {aside}" if aside.exists() else "nothing is left of the old one"
        self._conditions.raise_(STORE_RENEWED, f"the result database was made anew ({text}); {kept}")
        self._look()
        self.on_renewed()
        return aside

    def _make_anew(self, reason: str) -> Path:
        copy = None
        try:
            self._store.verify()
        except StoreCorruptError:
            copy = keep_living(self._store, self._plan.state_dir, self.beat)
        now = self._clock.wall()
        records = first_records(self._plan.source, reason, wall_s=now, synchronized=self._clock.synchronized())
        renewal = Renewal(
            reason=reason,
            wall_s=now,
            first_records=records,
            living=read_living(self._store),
            release=self._store.close,
        )
        aside = renew(self._plan.state_dir, renewal)
        return copy or aside

    def reopen(self) -> None:
        """After an I/O error the connection is not to be trusted; a fresh one reads what really is there."""
        try:
            self.open()
        except StoreError as error:
            _log.warning("store-reopen-failed", reason=str(error))

    def _look(self) -> None:
        """Renew what is known of the room, and say where it becomes narrow (DC-50)."""
        usage = self._usage = self._upkeep.usage()
        text = f"{usage.share:.0%} of the store is filled with results that nobody has acknowledged"
        if usage.share >= _ERROR_SHARE:
            self._conditions.raise_(STORE_NEARLY_FULL, text)
        else:
            self._conditions.clear(STORE_NEARLY_FULL)
        if _WARNING_SHARE <= usage.share < _ERROR_SHARE:
            self._conditions.raise_(STORE_FILLING, text)
        else:
            self._conditions.clear(STORE_FILLING)

        now = self._clock.monotonic()
        if not self._growth or now - self._growth[-1][0] >= _GROWTH_EVERY_S:
            self._growth.append((now, usage.bound_bytes))

    def _seconds_to_full(self, usage: Usage) -> float | None:
        """At the rate of the last minutes; None while it does not fill."""
        samples = list(self._growth)
        if not samples:
            return None
        elapsed_s = self._clock.monotonic() - samples[0][0]
        grown = usage.bound_bytes - samples[0][1]
        if elapsed_s <= 0 or grown <= 0:
            return None
        return round(max(0, usage.room_bytes - usage.bound_bytes) * elapsed_s / grown, 1)

    def _gap(self, gap: Gap) -> Draft:
        return gap_draft(self._plan.source, gap, wall_s=self._clock.wall(), synchronized=self._clock.synchronized())
