"""Which function draws the mean line of which filter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from crosslay.errors import SettingsError
from crosslay.texture.filters import gaussian
from crosslay.texture.settings import FilterKind

MeanLine = Callable[[NDArray[np.float64], float, float], NDArray[np.float64]]

_MEAN_LINES: dict[FilterKind, MeanLine] = {FilterKind.GAUSSIAN: gaussian.mean_line}


def mean_line(
    z_um: NDArray[np.float64], spacing_um: float, cutoff_mm: float, *, kind: FilterKind
) -> NDArray[np.float64]:
    """Mean (reference) line of a profile, shape (N,), µm; for ``none`` it is 0 everywhere.

    Raises
    ------
    SettingsError
        The filter cannot be applied.
    """
    if kind is FilterKind.NONE:
        return np.zeros_like(z_um)
    if kind not in _MEAN_LINES:
        known = ", ".join(sorted([kind.value for kind in _MEAN_LINES] + ["none"]))
        raise SettingsError(f"filter {kind.value} is not available; there are {known}")
    return _MEAN_LINES[kind](z_um, spacing_um, cutoff_mm)
