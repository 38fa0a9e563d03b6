"""How long the filters take, as ratios to one plain convolution in the same process, and how much they hold.

Reference: one `scipy.signal.fftconvolve(z, kernel of 2·nc + 1 points, 'same')`. Figures are printed, ratios asserted.
The clock is that of the thread: what else runs on the machine meanwhile does not count.
"""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest
from scipy.signal import fftconvolve

from crosslay.texture.filters import morphological, robust, spline, two_rc, valley_suppressing
from crosslay.texture.filters.local_parabola import LocalParabola
from crosslay.texture.spectral import autocorrelation_length_and_wavelength_mm
from crosslay.texture.tip import smaller_tip_bounds
from synthetic_surfaces import surface

SPACING_UM, CUTOFF_MM = 0.5, 0.8


def _best_s(call, rounds=15):
    """Shortest of several runs: what the work costs when nothing disturbs it."""
    call()
    best = float("inf")
    for _ in range(rounds):
        begin = time.thread_time()
        call()
        best = min(best, time.thread_time() - begin)
    return best


def _convolution_s(z, cutoff_mm=CUTOFF_MM, spacing_um=SPACING_UM):
    section = round(cutoff_mm * 1000 / spacing_um)
    kernel = np.exp(-(np.linspace(-3, 3, 2 * section + 1) ** 2))
    return _best_s(lambda: fftconvolve(z, kernel, "same"), 40)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_the_robust_filter_costs_at_most_eighty_convolutions(seed, monkeypatch):
    z = surface("turned", 9601, SPACING_UM, seed)
    fits = 0
    plain = LocalParabola.fit

    def counted(self, heights, weights, line):
        nonlocal fits
        fits += 1
        plain(self, heights, weights, line)

    with monkeypatch.context() as patch:
        patch.setattr(LocalParabola, "fit", counted)
        robust.mean_line(z, SPACING_UM, CUTOFF_MM)
    own, reference = _best_s(lambda: robust.mean_line(z, SPACING_UM, CUTOFF_MM)), _convolution_s(z)
    print(f"\nrobust, seed {seed}: {own * 1e3:.1f} ms, {own / reference:.1f} × {reference * 1e3:.3f} ms, {fits} fits")
    assert own / reference <= 80
    assert own / reference / fits <= 6


@pytest.mark.parametrize(
    ("name", "line", "allowed"),
    [
        ("spline", spline.mean_line, 10),
        ("2rc", two_rc.mean_line, 4),
        ("2rc-zero-phase", two_rc.mean_line_zero_phase, 4),
        ("valley-suppressing", valley_suppressing.mean_line, 8),
    ],
)
def test_the_other_filters_cost_a_few_convolutions(name, line, allowed):
    z = surface("turned", 9601, SPACING_UM, 1)
    own, reference = _best_s(lambda: line(z, SPACING_UM, CUTOFF_MM)), _convolution_s(z)
    print(f"\n{name}: {own * 1e3:.2f} ms, {own / reference:.1f} × {reference * 1e3:.3f} ms")
    assert own / reference <= allowed


def test_ral_and_rsw_cost_a_few_convolutions():
    z = surface("turned", 9601, SPACING_UM, 1)
    own = _best_s(lambda: autocorrelation_length_and_wavelength_mm(z[800:8800], SPACING_UM))
    reference = _convolution_s(z)
    print(f"\nRal and Rsw: {own * 1e3:.2f} ms, {own / reference:.1f} × {reference * 1e3:.3f} ms")
    assert own / reference <= 3


@pytest.mark.parametrize("radius_um", [5.0, 500.0, 25_000.0])
def test_closing_grows_hardly_faster_than_the_trace(radius_um):
    # N log N from 20,000 to 320,000 samples: 16 times the samples, 16·18.3/14.3 = 20.5 times the work; the rest is
    # memory that no longer fits the caches.
    z = surface("eroded", 320_000, SPACING_UM, 1)
    short = _best_s(lambda: morphological.closing(z[:20_000], SPACING_UM, radius_um), 5)
    long = _best_s(lambda: morphological.closing(z, SPACING_UM, radius_um), 3)
    print(f"\nclosing, {radius_um:g} µm: {short * 1e3:.2f} ms for 20,000, {long * 1e3:.1f} ms for 320,000 samples")
    assert long / short <= 40


def test_the_radius_hardly_matters_to_a_large_disk():
    z = surface("eroded", 50_000, SPACING_UM, 1)
    small, large = (_best_s(lambda r=r: morphological.closing(z, SPACING_UM, r), 5) for r in (1000.0, 20_000.0))
    print(f"\nclosing of 50,000 samples: {small * 1e3:.1f} ms at 1 mm, {large * 1e3:.1f} ms at 20 mm")
    assert large / small <= 2.5


CALLS = {
    "robust": robust.mean_line,
    "spline": spline.mean_line,
    "2rc-zero-phase": two_rc.mean_line_zero_phase,
    "valley-suppressing": valley_suppressing.mean_line,
    "closing": lambda z, dx, _lc: morphological.closing(z, dx, 500.0),
    "tip": lambda z, dx, _lc: smaller_tip_bounds(z, dx, 5.0, 2.0),
    "Ral, Rsw": lambda z, dx, _lc: autocorrelation_length_and_wavelength_mm(z, dx),
}


@pytest.mark.parametrize("name", sorted(CALLS))
@pytest.mark.parametrize(
    ("points", "spacing_um", "cutoff_mm"),
    [(9601, 0.5, 0.8), (96_001, 0.5, 8.0), (96_001, 0.05, 0.8), (250_001, 0.5, 0.8)],
)
def test_no_call_holds_more_than_twenty_traces(name, points, spacing_um, cutoff_mm):
    z = surface("turned", points, spacing_um, 2)
    if name == "robust" and points > 9601:
        z = surface("honed", points, spacing_um, 1)  # few rounds
    tracemalloc.start()
    try:
        CALLS[name](z, spacing_um, cutoff_mm)
        peak = tracemalloc.get_traced_memory()[1] / z.nbytes
    finally:
        tracemalloc.stop()
    print(f"\n{name}, {points} samples, λc {cutoff_mm} mm: {peak:.1f} traces")
    assert peak <= 20
