"""The recall event: passed results that a failed reference check puts in doubt (ISO 9001:2015, 7.1.5.2)."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from crosslay.bus.messages import RecallData, RecallEvent, RecallRange, ReferenceCheckMessage, rfc3339
from crosslay.record.check_rows import CheckRow, Passed
from crosslay.record.identity import new_result_id
from crosslay.record.store import Draft, Place

#: What one event holds at most, so that it stays far below what brokers and consumers take; the store holds all.
MAX_RANGES = 100
MAX_PART_IDS = 200
MAX_PART_BYTES = 16_384


def recall_draft(
    source: str, failed: CheckRow, last_good: CheckRow | None, passed: tuple[Passed, ...]
) -> Draft:
    """The event as a draft, delivered and acknowledged like a result.

    Parameters
    ----------
    source
        CloudEvents source of the station.
    failed, last_good
        The check that failed, and the newest good one before it.
    passed
        The results in doubt, oldest first; at least one.
    """
    recall_id = new_result_id(failed.finished_at)
    parts = list(dict.fromkeys(each.part_id for each in passed))

    def payload(place: Place) -> bytes:
        created = rfc3339(failed.finished_at)
        data = RecallData(
            recall_id=str(recall_id),
            instance_id=place.instance_id,
            sequence=place.sequence,
            failed_check=check_message(failed),
            last_good_check=None if last_good is None else check_message(last_good),
            reason=str(failed.document.get("text", "")),
            results=len(passed),
            ranges=ranges_of(passed),
            part_ids=_capped(parts),
            part_ids_total=len(parts),
            creation_time=created,
            clock_synchronized=failed.clock_synchronized,
        )
        event = RecallEvent(
            source=source,
            id=str(recall_id),
            subject=f"specimen/{failed.specimen}",
            time=created,
            sequence=f"{place.sequence:019d}",
            data=data,
        )
        return event.to_bytes()

    return Draft(
        result_id=recall_id,
        part_id="",
        decision="recall",
        created_at=failed.finished_at,
        payload=payload,
        kind="recall",
    )


def check_message(row: CheckRow) -> ReferenceCheckMessage:
    """A check as the wire names it."""
    return ReferenceCheckMessage.model_validate(
        {
            "id": row.check_id,
            "specimen": row.specimen,
            "time": rfc3339(row.finished_at),
            "outcome": row.outcome,
            "correction": row.amplification,
        }
    )


def ranges_of(passed: Iterable[Passed], most: int = MAX_RANGES) -> list[RecallRange]:
    """Stretches of neighbouring numbers, at most `most`: the narrowest gaps are bridged first.

    A bridged gap holds only results that did not pass, records of another kind, and results recalled before, so that
    "every OK in this range" stays right.
    """
    ranges: list[RecallRange] = []
    for each in passed:
        last = ranges[-1] if ranges else None
        if last is not None and (last.instance_id, last.to_sequence + 1) == (each.instance_id, each.sequence):
            ranges[-1] = _joined(last, _single(each))
        else:
            ranges.append(_single(each))
    while len(ranges) > most:
        gaps = {
            at: after.from_sequence - before.to_sequence
            for at, (before, after) in enumerate(pairwise(ranges))
            if before.instance_id == after.instance_id
        }
        if not gaps:
            break  # more databases than ranges: each keeps one
        place = min(gaps, key=lambda at: gaps[at])
        ranges[place : place + 2] = [_joined(ranges[place], ranges[place + 1])]
    return ranges


def _single(passed: Passed) -> RecallRange:
    return RecallRange(
        instance_id=passed.instance_id, from_sequence=passed.sequence, to_sequence=passed.sequence, results=1
    )


def _joined(before: RecallRange, after: RecallRange) -> RecallRange:
    return before.model_copy(update={"to_sequence": after.to_sequence, "results": before.results + after.results})


def _capped(parts: list[str]) -> list[str]:
    kept, size = [], 0
    for part in parts[:MAX_PART_IDS]:
        size += len(part.encode()) + 3
        if size > MAX_PART_BYTES:
            break
        kept.append(part)
    return kept
