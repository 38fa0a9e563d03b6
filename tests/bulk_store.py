"""Stores with many results, filled by the code of a commit but with a thousand results in one transaction."""

from __future__ import annotations

from pathlib import Path

from crosslay.record.levels import Settled, apply_settled
from crosslay.record.store import Store, insert
from store_cases import result_draft

_AT_ONCE = 1000


def fill(store: Store, number: int, *, padding: int = 0, acknowledged: bool = False) -> None:
    """Add results to an open store; `padding` bytes make the payload larger."""
    left = number
    while left:
        levels = store.levels
        with store.transaction() as connection:
            for _ in range(min(_AT_ONCE, left)):
                _, levels = insert(connection, result_draft(f"P-{levels.last + 1}", padding=padding), levels)
                left -= 1
            if acknowledged:
                levels = apply_settled(connection, Settled(through=levels.last), levels)
        store.adopt(levels)


def bulk_store(folder: Path, number: int, *, padding: int = 0, acknowledged: bool = False) -> str:
    """Make a store in `folder` and close it; returns its instance id."""
    folder.mkdir(exist_ok=True)
    store = Store(folder)
    store.open()
    try:
        fill(store, number, padding=padding, acknowledged=acknowledged)
        return store.levels.instance_id
    finally:
        store.close()
