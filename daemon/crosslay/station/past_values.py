"""What earlier parts gave: the values that findings compare a new trace with.

Kept in memory. After a restart they are computed again from the stored raw traces, one at a time while nothing arrives,
so that no part ever waits for it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

import structlog

from crosslay.errors import StoreError
from crosslay.inspection.findings.subject import History
from crosslay.inspection.judge import Measured, Requirement
from crosslay.record.reader import Reader
from crosslay.texture.trace import Trace

_log = structlog.get_logger("crosslay.past-values")

MOST: Final = 50
"""Traces of one characteristic that are remembered."""
RESTORED: Final = 30
"""Results that are looked at again after a restart."""
_SYMBOLS: Final = {"Ra": "Ra", "Rsm": "Rsm", "RSm": "Rsm"}
"""Symbols that are kept, and the edition's other spelling."""


class PastValues:
    """Ra and Rsm of the last traces of each characteristic that were not invalid. Belongs to the recorder's thread."""

    def __init__(self) -> None:
        self._kept: dict[str, deque[dict[str, float]]] = {}

    def history(self, characteristic: str) -> History | None:
        """Earlier values, oldest first; None where there are none."""
        kept = self._kept.get(characteristic, ())
        if not kept:
            return None
        symbols = dict.fromkeys(_SYMBOLS.values())
        return History(values={symbol: tuple(each[symbol] for each in kept if symbol in each) for symbol in symbols})

    def add(self, requirements: tuple[Requirement, ...], measured: Measured) -> None:
        """Keep what a trace gave, unless something makes it invalid."""
        values = _values(requirements, measured)
        if values:
            self._of(requirements).append(values)

    def _of(self, requirements: tuple[Requirement, ...]) -> deque[dict[str, float]]:
        return self._kept.setdefault(requirements[0].characteristic, deque(maxlen=MOST))

    def restored(
        self, state_dir: Path, last: int, read: Callable[[Trace], tuple[tuple[Requirement, ...], Measured]]
    ) -> Iterator[None]:
        """Fill up from the store, newest first, one result for each step; ends where the store cannot be read.

        Parameters
        ----------
        state_dir
            Where the database is.
        last
            Sequence number of the last result of earlier runs; what this one stored is known already.
        read
            What measures a stored trace again.
        """
        try:
            for sequence in reversed(_results(state_dir, last)):
                for trace in _traces(state_dir, sequence):
                    requirements, measured = read(trace)
                    values = _values(requirements, measured)
                    if values and len(self._of(requirements)) < MOST:
                        self._of(requirements).appendleft(values)
                yield
        except StoreError as error:
            _log.info("past-values-not-restored", reason=str(error))


def _values(requirements: tuple[Requirement, ...], measured: Measured) -> dict[str, float]:
    """Values by symbol under the settings of the first requirement; empty for an invalid trace."""
    evaluation = measured.evaluations.get(requirements[0].settings) if requirements else None
    if evaluation is None or measured.blocking is not None:
        return {}
    given = ((kept, evaluation.parameters.get(symbol)) for symbol, kept in _SYMBOLS.items())
    return {kept: value for kept, value in given if value is not None}


def _results(state_dir: Path, last: int) -> Sequence[int]:
    reader = Reader(state_dir)
    try:
        rows = reader.newest(RESTORED)
    finally:
        reader.close()
    good = (row for row in rows if row.kind == "result" and row.decision != "invalid")
    return [row.sequence for row in good if row.sequence <= last]


def _traces(state_dir: Path, sequence: int) -> Sequence[Trace]:
    reader = Reader(state_dir)
    try:
        return reader.traces(sequence)
    finally:
        reader.close()
