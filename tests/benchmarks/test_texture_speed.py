"""What an evaluation costs in time, memory and start-up, as ratios within one run.

Reference for time: two `scipy.signal.fftconvolve(z, kernel of 2·nc + 1 points, 'same')` in the same process, what plain
L- and S-filters would cost. The evaluation gives the whole iso-21920 set of R, P and W, the probability family of R
included.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tracemalloc

import numpy as np
import pytest
from scipy.signal import fftconvolve

from crosslay.texture import FilterKind, Settings, Trace, evaluate
from synthetic_surfaces import surface


def _best_together_s(calls, rounds):
    """Shortest processor time of each call; the calls take turns, so that a disturbance meets all of them.

    Processor time, because where others work beside it a short call finds an undisturbed moment and a long one none.
    """
    best = [float("inf")] * len(calls)
    for _ in range(rounds):
        for i, call in enumerate(calls):
            begin = time.process_time()
            call()
            best[i] = min(best[i], time.process_time() - begin)
    return best


def _trace(points, spacing_um, name="turned"):
    tilt = 0.001 * np.arange(points)
    return Trace(samples=surface(name, points, spacing_um, 1) + tilt, spacing_um=spacing_um)


@pytest.mark.parametrize("name", ["turned", "ground", "honed"])
@pytest.mark.parametrize(
    ("points", "spacing_um", "cutoff_mm", "allowed", "rounds"),
    [(9601, 0.5, 0.8, 8.0, 150), (96_001, 0.5, 8.0, 5.0, 40), (96_001, 0.05, 0.8, 12.0, 40)],
)
def test_an_evaluation_costs_a_few_convolutions(name, points, spacing_um, cutoff_mm, allowed, rounds):
    trace = _trace(points, spacing_um, name)
    z = trace.samples
    kernel = np.exp(-(np.linspace(-3, 3, 2 * round(cutoff_mm * 1000 / spacing_um) + 1) ** 2))
    reference, own = _best_together_s(
        [
            lambda: (fftconvolve(z, kernel, "same"), fftconvolve(z, kernel, "same")),
            lambda: evaluate(trace, Settings(cutoff_mm=cutoff_mm)),
        ],
        rounds,
    )
    ratio = own / reference
    print(
        f"\n{name}, {points} samples, λc {cutoff_mm} mm at {spacing_um} µm: {own * 1e3:.2f} ms, "
        f"{ratio:.1f} × {reference * 1e3:.2f} ms, allowed {allowed:g}"
    )
    assert ratio <= allowed


@pytest.mark.parametrize(
    "sizes",
    [(9601, 96_001, 960_001), (10_001, 100_001, 1_000_001)],
    ids=["sections of 1,600 to 160,000", "sections of 1,667 to 166,667"],
)
def test_cost_grows_no_faster_than_n_log_n(sizes):
    """Six cut-offs each time, so that every array grows with the trace; 1,667 and 166,667 have large prime factors.

    What is fixed in an evaluation makes it grow more slowly than N log N, memory beyond the cache faster: a bare
    convolution in the same run grows by 0.85 to 1.2 times that. The three tenths are for a neighbour in the cache.
    """
    own, plain = [], []
    for points in sizes:
        spacing_um = 4800.0 / (points - 1)
        trace = _trace(points, spacing_um, "ground")
        kernel = np.exp(-(np.linspace(-3, 3, 2 * round(800.0 / spacing_um) + 1) ** 2))
        calls = [
            lambda trace=trace: evaluate(trace, Settings(cutoff_mm=0.8)),
            lambda trace=trace, kernel=kernel: fftconvolve(trace.samples, kernel, "same"),
        ]
        best, reference = _best_together_s(calls, 40 if points < 50_000 else 6)
        own.append(best)
        plain.append(reference)
    for small, large in ((0, 1), (0, 2)):
        growth = own[large] / own[small]
        n_log_n = sizes[large] * np.log(sizes[large]) / (sizes[small] * np.log(sizes[small]))
        bare = plain[large] / plain[small]
        print(
            f"\n{sizes[small]} → {sizes[large]} samples: {own[small] * 1e3:.2f} → {own[large] * 1e3:.1f} ms, "
            f"× {growth:.0f}; N log N gives × {n_log_n:.0f}, a bare convolution grew × {bare:.0f}"
        )
        assert growth <= 1.3 * n_log_n


LONG = [(1_000_001, 0.05, 8.0), (1_000_001, 0.0048, 0.8)]
MEMORY_CASES = [
    (kind, *case)
    for kind in (FilterKind.GAUSSIAN, FilterKind.ROBUST, FilterKind.SPLINE, FilterKind.VALLEY_SUPPRESSING)
    for case in ((9601, 0.5, 0.8), (96_001, 0.5, 8.0), *([] if kind is FilterKind.ROBUST else LONG))
]


@pytest.mark.parametrize(("kind", "points", "spacing_um", "cutoff_mm"), MEMORY_CASES)
def test_an_evaluation_needs_less_than_twenty_times_its_trace(kind, points, spacing_um, cutoff_mm):
    trace = _trace(points, spacing_um)
    chosen = Settings(cutoff_mm=cutoff_mm, filter=kind)
    evaluate(trace, chosen)
    tracemalloc.start()
    try:
        evaluate(trace, chosen)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    share = peak / trace.samples.nbytes
    print(f"\n{kind.value}, {points} samples: peak {share:.1f} × the trace")
    assert share <= 20.0


def _processor_s(code):
    """Processor time of a fresh interpreter: unlike the clock's it does not grow where others work beside it."""
    process = subprocess.Popen([sys.executable, "-c", code])
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return usage.ru_utime + usage.ru_stime


def test_importing_texture_costs_little_more_than_numpy_and_scipy():
    plain, own = [], []
    for _ in range(10):
        plain.append(_processor_s("import numpy, scipy.fft, scipy.linalg"))
        own.append(_processor_s("import crosslay.texture"))
    ratio = min(own) / min(plain)
    print(f"\nimport crosslay.texture: {min(own) * 1e3:.0f} ms, {ratio:.2f} × numpy, scipy.fft and scipy.linalg")
    assert ratio <= 1.3


def test_importing_texture_leaves_heavy_parts_of_scipy_alone():
    code = (
        "import sys, crosslay.texture; "
        "print([m for m in ('scipy.signal', 'scipy.optimize', 'scipy.stats') if m in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert shown.strip() == "[]"
