"""Results as the station would publish them, for tests that need many and measure none."""

from __future__ import annotations

import json

from crosslay.bus.contract_text import EXAMPLES
from crosslay.record.store import Place


def sample_result(place: Place, part: str, result_id: str, at_least_bytes: int = 0) -> bytes:
    """A payload for a place in the store, filled up to a size; it obeys the published contract."""
    event = EXAMPLES["result-event"]
    data = {
        **event["data"],
        "resultId": result_id,
        "instanceId": place.instance_id,
        "sequence": place.sequence,
        "partId": part,
        "supersedes": place.supersedes,
        "resultEvaluationDetails": "",
        "characteristics": [],
        "findings": [],
        "settings": None,
        "trace": None,
    }
    mine = {"id": result_id, "subject": f"part/{part}", "sequence": f"{place.sequence:019d}"}
    size = len(json.dumps({**event, **mine, "data": data}, separators=(",", ":")))
    data["resultEvaluationDetails"] = "x" * (at_least_bytes - size)
    return json.dumps({**event, **mine, "data": data}, separators=(",", ":")).encode()
