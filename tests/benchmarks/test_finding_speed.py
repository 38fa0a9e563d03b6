"""What looking for findings costs beside the evaluation that it belongs to, in one run."""

from __future__ import annotations

import time

import numpy as np
import pytest

from crosslay.inspection.plausibility import implausible
from crosslay.texture import Settings, evaluate
from inspection_surfaces import clean, trace

SETTINGS = Settings(cutoff_mm=0.8)
#: Asked for: about as much as the evaluation; the rest is for a computer that does other work.
ALLOWED = 1.3


@pytest.mark.parametrize("kind", ["turned", "ground", "honed", "specimen"])
def test_all_findings_cost_about_as_much_as_the_evaluation(kind):
    of = trace(clean(kind, np.random.default_rng(1)).heights, range_um=None, speed_mm_s="0.5", screw_pitch_mm="0.5")
    evaluation = evaluate(of, SETTINGS)
    best = {"evaluate": np.inf, "findings": np.inf}
    calls = {"evaluate": lambda: evaluate(of, SETTINGS), "findings": lambda: implausible(of, (evaluation,))}
    for _ in range(60):
        for name, call in calls.items():
            begin = time.process_time()
            call()
            best[name] = min(best[name], time.process_time() - begin)
    ratio = best["findings"] / best["evaluate"]
    print(f"\n{kind}: findings {best['findings'] * 1e3:.2f} ms, {ratio:.2f} × the evaluation, allowed {ALLOWED:g}")
    assert ratio <= ALLOWED
