"""Drafts and stores that several tests of the record room need."""

from __future__ import annotations

import json
import uuid
from pathlib import Path

import numpy as np

from crosslay.record.levels import Settled
from crosslay.record.store import Draft, Place, Store
from crosslay.record.traces import pack
from crosslay.texture.trace import Trace


def event_bytes(place: Place, part: str, result_id: str, padding: int = 0) -> bytes:
    """A payload of the shape of a result, as far as the record room looks at it."""
    data = {
        "resultId": result_id,
        "instanceId": place.instance_id,
        "sequence": place.sequence,
        "partId": part,
        "supersedes": place.supersedes,
        "padding": "x" * padding,
    }
    return json.dumps({"id": result_id, "sequence": f"{place.sequence:019d}", "data": data}).encode()


def result_draft(part: str = "P-1", *, padding: int = 0, trace_points: int = 0, created_at: float = 1.8e9) -> Draft:
    """A draft with `padding` bytes more in its payload and an incompressible trace."""
    result_id = uuid.uuid4()
    chance = np.random.default_rng(trace_points)
    traces = (pack(Trace(samples=chance.standard_normal(trace_points), spacing_um=0.5)),) if trace_points else ()
    return Draft(
        result_id=result_id,
        part_id=part,
        decision="pass",
        created_at=created_at,
        payload=lambda place: event_bytes(place, part, str(result_id), padding),
        traces=traces,
        deliveries=(result_id,),
    )


def filled_store(folder: Path, number: int, **options: int) -> Store:
    """An open store with so many results."""
    folder.mkdir(exist_ok=True)
    store = Store(folder)
    store.open()
    for count in range(number):
        store.commit(result_draft(f"P-{count + 1}", **options), Settled())
    return store
