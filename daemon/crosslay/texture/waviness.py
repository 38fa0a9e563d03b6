"""The P and W profiles in the evaluation window (page *texture*, section 1, step 7)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crosslay.texture.filters import gaussian
from crosslay.texture.form import subtract_line
from crosslay.texture.window import Window


def primary_in_window(primary_um: NDArray[np.float64], window: Window) -> NDArray[np.float64]:
    """P over the evaluation length, less a least-squares line over it, shape (M,), µm."""
    return subtract_line(primary_um[window.start : window.stop])


def waviness_in_window(
    mean_line_um: NDArray[np.float64], spacing_um: float, window: Window, *, waviness_cutoff_mm: float | None
) -> NDArray[np.float64]:
    """W over the evaluation length, shape (M,), µm.

    Parameters
    ----------
    mean_line_um : (N,) float64
        λc mean line over the whole trace, µm.
    spacing_um : float
        Sampling spacing, µm.
    window : Window
        Evaluation length.
    waviness_cutoff_mm : float or None
        λf, mm: the line's own Gaussian mean line is taken off; None: a least-squares line over the window is.

    References
    ----------
    ISO 21920-2:2021 (W profile between λc and λf); design: texture, section 1 step 7.
    """
    if waviness_cutoff_mm is None:
        return subtract_line(mean_line_um[window.start : window.stop])
    band = mean_line_um - gaussian.mean_line(mean_line_um, spacing_um, waviness_cutoff_mm)
    return band[window.start : window.stop]
