"""Stretches of samples: where they lie, and how the surface leaves them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]


def runs(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First index and length of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[::2], edges[1::2] - edges[::2]


def step_near(raw: Heights, top: float) -> float:
    """Smallest difference between distinct values in the highest tenth of the range: the step of the converter there.

    A decimal number printed with few digits has larger steps where it is larger, so only that part is looked at.
    """
    bottom = float(raw.min())
    high = np.unique(raw[raw >= top - 0.1 * (top - bottom)])
    return float(np.diff(high).min()) if high.size > 1 else 0.0


def fall(raw: Heights, start: int, length: int) -> float:
    """How far the samples within half a plateau of its edges lie from it at most."""
    beyond = max(1, length // 2)
    level = float(raw[start : start + length].mean())
    before, after = raw[max(start - beyond, 0) : start], raw[start + length : start + length + beyond]
    return max((float(np.abs(side - level).max()) for side in (before, after) if side.size), default=0.0)
