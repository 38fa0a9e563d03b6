"""Drafts and stores that several tests of the record room need."""

from __future__ import annotations

import uuid
from pathlib import Path

import numpy as np

from crosslay.record.levels import Settled
from crosslay.record.store import Draft, Store
from crosslay.record.traces import pack
from crosslay.texture.trace import Trace
from sample_results import sample_result

#: About what a payload with nothing but its identity and place takes.
_BARE_BYTES = 250


def result_draft(part: str = "P-1", *, padding: int = 0, trace_points: int = 0, created_at: float = 1.8e9) -> Draft:
    """A draft with a payload of a result's shape, and an incompressible trace.

    `padding` is the payload's size without its frame; a result's other fields count towards it.
    """
    result_id = uuid.uuid4()
    chance = np.random.default_rng(trace_points)
    traces = (pack(Trace(samples=chance.standard_normal(trace_points), spacing_um=0.5)),) if trace_points else ()
    return Draft(
        result_id=result_id,
        part_id=part,
        decision="pass",
        created_at=created_at,
        payload=lambda place: sample_result(place, part, str(result_id), _BARE_BYTES + padding),
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
