"""How fast a CSV trace is read, against the plainest way to do it in the same process."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from crosslay.texture.trace import Trace
from crosslay_adapters.tracefiles.csv_format import CsvFormat

POINTS = 1_000_000


def seconds(action: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(3):
        started = time.perf_counter()
        action()
        best = min(best, time.perf_counter() - started)
    return best


def test_a_million_points_take_at_most_three_times_a_split_and_float():
    positions = np.round(np.arange(POINTS) * 5e-4, 4)
    heights = np.random.default_rng(3).normal(size=POINTS)
    trace = Trace(samples=heights, spacing_um=0.5, positions_mm=positions, position_resolution_mm=1e-4)
    data = CsvFormat().write(trace)
    text = data.decode()

    def plain() -> list[float]:
        return [float(cell) for row in text.splitlines()[1:] for cell in row.split(",")]

    ours_s, plain_s = seconds(lambda: CsvFormat().read(data, "a.csv")), seconds(plain)
    print(f"\n{POINTS:,} points, {len(data) / 2**20:.0f} MiB: read {ours_s:.2f} s, split and float {plain_s:.2f} s, "
          f"ratio {ours_s / plain_s:.2f}")
    assert ours_s < 3 * plain_s
