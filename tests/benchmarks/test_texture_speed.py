"""How long an evaluation takes, as a ratio to plain convolutions in the same process.

Reference: two `scipy.signal.fftconvolve(z, kernel of 2·nc + 1 points, 'same')`, what plain L- and S-filters would cost.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.signal import fftconvolve

from crosslay.texture import Settings, Trace, evaluate
from synthetic_surfaces import surface


def _best_s(call, rounds=25):
    """Shortest of several runs: what the work costs when nothing disturbs it."""
    call()
    best = float("inf")
    for _ in range(rounds):
        begin = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - begin)
    return best


def _ratio(points, spacing_um, cutoff_mm, rounds=25):
    z = surface("turned", points, spacing_um, 1) + 0.001 * np.arange(points)
    trace = Trace(samples=z, spacing_um=spacing_um)
    section = round(cutoff_mm * 1000 / spacing_um)
    kernel = np.exp(-(np.linspace(-3, 3, 2 * section + 1) ** 2))
    reference = _best_s(lambda: (fftconvolve(z, kernel, "same"), fftconvolve(z, kernel, "same")), rounds)
    own = _best_s(lambda: evaluate(trace, Settings(cutoff_mm=cutoff_mm)), rounds)
    ratio = own / reference
    print(f"\n{points} samples, λc {cutoff_mm} mm: {own * 1e3:.2f} ms, {ratio:.1f} × {reference * 1e3:.2f} ms")
    return ratio


@pytest.mark.parametrize(("points", "spacing_um", "cutoff_mm", "allowed"), [(9601, 0.5, 0.8, 10.0)])
def test_an_evaluation_costs_a_few_convolutions(points, spacing_um, cutoff_mm, allowed):
    assert _ratio(points, spacing_um, cutoff_mm) <= allowed
