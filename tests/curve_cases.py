"""Windows of filtered-looking profiles for the tests of curve, slope, count and motif parameters."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from synthetic_surfaces import SURFACES, surface


def window(name: str, points: int, spacing_um: float, seed: int) -> NDArray[np.float64]:
    """A surface of that name, its mean removed, shape (points,), µm."""
    heights = surface(name, points, spacing_um, seed)
    return heights - heights.mean()


def windows(least: int = 200, most: int = 1500) -> st.SearchStrategy[tuple[str, NDArray[np.float64], float]]:
    """Name, profile and spacing of any synthetic surface; flat ones (a short piece of a square wave) are left out."""

    def build(name: str, points: int, spacing_um: float, seed: int) -> tuple[str, NDArray[np.float64], float]:
        return name, window(name, points, spacing_um, seed), spacing_um

    return st.builds(
        build,
        st.sampled_from(sorted(SURFACES)),
        st.integers(least, most),
        st.sampled_from([0.25, 0.5, 1.0, 1.5, 5.0]),
        st.integers(0, 2**32 - 1),
    ).filter(lambda case: bool(np.ptp(case[1]) > 0.0))


def assert_close(ours: float, theirs: float, total_um: float, relative: float = 1e-6) -> None:
    """Agree to `relative`; a value near zero is judged against a thousandth of the total height."""
    limit = relative * max(abs(float(theirs)), 1e-3 * total_um)
    assert abs(ours - float(theirs)) <= limit, f"{ours!r} against {float(theirs)!r}, allowed {limit:.3g}"
