"""Sums of products that give the same bits on every computer with the same number format.

A library for linear algebra may split a long scalar product among threads, and then its last digits depend on how many
there are; results must be computed again bit for bit. For two short-lived arrays this is no slower.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def dot(left: NDArray[np.float64], right: NDArray[np.float64]) -> float:
    """Scalar product of two arrays of shape (n,), in one thread."""
    return float(np.einsum("i,i->", left, right))
