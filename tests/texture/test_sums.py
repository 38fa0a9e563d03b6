"""Scalar products: right, and the same bits wherever the array lies in memory and however many threads there are."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest

from crosslay.texture.sums import dot


@pytest.mark.parametrize("points", [0, 1, 7, 1000, 100_003])
def test_the_sum_of_products(points):
    left, right = np.random.default_rng(points).standard_normal((2, points))
    expected = math.fsum((left * right).tolist())
    assert dot(left, right) == pytest.approx(expected, rel=1e-12, abs=1e-12 * max(points, 1))


def test_the_same_bits_at_every_alignment():
    room = np.random.default_rng(3).standard_normal(20_009)
    values = room[:20_000].copy()
    seen = set()
    for shift in range(8):
        moved = np.empty(20_008)[shift : shift + 20_000]
        moved[:] = values
        seen.add(dot(moved, moved))
    assert len(seen) == 1


CODE = """
import sys; sys.path.insert(0, {tests!r})
from synthetic_surfaces import surface
from crosslay.texture import FilterKind, Settings, Trace, evaluate
z = surface("turned", 60_001, 0.1, 5)
for kind in FilterKind:
    chosen = Settings(cutoff_mm=0.8, filter=kind, form="polynomial:4", sections=4)
    done = evaluate(Trace(samples=z, spacing_um=0.1), chosen)
    print({{name: value and value.hex() for name, value in done.parameters.items()}})
"""


def test_an_evaluation_gives_the_same_bits_with_one_thread_and_with_many():
    """Results must be computed again bit for bit, on whatever number of cores (page architecture, rules)."""
    code = CODE.format(tests=__file__.rpartition("/texture/")[0])
    shown = []
    for threads in ("1", "2", "8"):
        limits = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), threads)
        run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, env=limits)
        shown.append(run.stdout)
    assert shown[0] == shown[1] == shown[2]
    assert '"Ra"' in shown[0] or "'Ra'" in shown[0]
