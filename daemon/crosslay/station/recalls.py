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
    each = list(passed)
    # Where one range may end and the next begin: never across databases, else at the widest gaps.
    gaps = [
        (float("inf") if before.instance_id != after.instance_id else after.sequence - before.sequence, place)
        for place, (before, after) in enumerate(pairwise(each), start=1)
    ]
    apart = sorted((gap for gap in gaps if gap[0] > 1), reverse=True)
    across = sum(gap == float("inf") for gap, _place in apart)
    cuts = sorted(place for _gap, place in apart[: max(most - 1, across)])
    return [
        RecallRange(
            instance_id=each[first].instance_id,
            from_sequence=each[first].sequence,
            to_sequence=each[end - 1].sequence,
            results=end - first,
        )
        for first, end in pairwise([0, *cuts, len(each)])
    ]


def _capped(parts: list[str]) -> list[str]:
    kept, size = [], 0
    for part in parts[:MAX_PART_IDS]:
        size += len(part.encode()) + 3
        if size > MAX_PART_BYTES:
            break
        kept.append(part)
    return kept
