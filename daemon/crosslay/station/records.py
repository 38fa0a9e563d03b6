"""Records that the station makes of itself: gaps, and results committed again under another place."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable

from crosslay.bus.messages import GapData, GapEvent, rfc3339
from crosslay.record.identity import NAMESPACE, new_result_id
from crosslay.record.renew import Old, Undelivered
from crosslay.record.store import Draft, Place
from crosslay.record.upkeep import Gap


def gap_draft(source: str, lost: Gap, *, wall_s: float, synchronized: bool) -> Draft:
    """The gap record of lost results (DC-42)."""
    result_id = new_result_id(wall_s)

    def payload(place: Place) -> bytes:
        created = rfc3339(wall_s)
        data = GapData(
            instance_id=place.instance_id,
            sequence=place.sequence,
            lost_instance_id=lost.instance_id,
            from_sequence=lost.first,
            to_sequence=lost.last,
            reason=lost.reason,
            creation_time=created,
            clock_synchronized=synchronized,
        )
        event = GapEvent(source=source, id=str(result_id), time=created, sequence=f"{place.sequence:019d}", data=data)
        return event.to_bytes()

    return Draft(result_id=result_id, part_id="", decision="gap", created_at=wall_s, payload=payload, kind="gap")


def again_draft(old: Undelivered, *, replaces: int = 0) -> Draft:
    """A stored result as a new one that supersedes it: same measurement, another place (DC-05, DC-44)."""
    result_id = uuid.uuid5(NAMESPACE, f"again\n{old.result_id}")
    return Draft(
        result_id=result_id,
        part_id=old.part_id,
        decision=old.decision,
        created_at=old.created_at,
        payload=_again(old, str(result_id)),
        replaces=replaces,
        kind=old.kind,
    )


def first_records(source: str, reason: str, *, wall_s: float, synchronized: bool) -> Callable[[Old], list[Draft]]:
    """What a database made anew begins with: the gap, then what the old one still owed."""

    def records(old: Old) -> list[Draft]:
        # What undelivered gap records said must be said again.
        lost = dict.fromkeys([_lost(old, reason), *old.gaps])
        gaps = [gap_draft(source, item, wall_s=wall_s, synchronized=synchronized) for item in lost]
        return [*gaps, *(again_draft(item) for item in old.undelivered)]

    return records


def _lost(old: Old, reason: str) -> Gap:
    if old.levels is None:
        return Gap(first=1, last=None, reason=reason, instance_id=old.instance_id)
    if len(old.undelivered) + len(old.gaps) < old.levels.pending:  # some rows could not be read
        return Gap(
            first=old.levels.acknowledged_through + 1, last=None, reason=reason, instance_id=old.levels.instance_id
        )
    # Whatever the old database holds is delivered, or committed again; what came after it, nobody can know.
    return Gap(first=old.levels.last + 1, last=None, reason=reason, instance_id=old.levels.instance_id)


def _again(old: Undelivered, result_id: str) -> Callable[[Place], bytes]:
    def payload(place: Place) -> bytes:
        event = json.loads(old.payload)
        event["id"] = event["data"]["recallId" if old.kind == "recall" else "resultId"] = result_id
        event["sequence"] = f"{place.sequence:019d}"
        event["data"]["instanceId"] = place.instance_id
        event["data"]["sequence"] = place.sequence
        event["data"]["supersedes"] = str(old.result_id)
        return json.dumps(event, ensure_ascii=False, separators=(",", ":")).encode()

    return payload
