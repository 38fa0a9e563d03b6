"""What hum, noise, direction, cut-off and drive cost beside the evaluation of the same trace. Ratios in one process."""

from __future__ import annotations

import time

import numpy as np
import pytest

from crosslay.inspection.findings.hum import drive_screw, mains_hum
from crosslay.inspection.findings.lay import along_the_lay, cutoff_fit
from crosslay.inspection.findings.noise import noise_floor
from crosslay.inspection.findings.subject import Subject
from crosslay.texture.evaluation import evaluate
from crosslay.texture.settings import Settings
from inspection_surfaces import clean, trace

SETTINGS = Settings(cutoff_mm=0.8)
CHECKS = (along_the_lay, mains_hum, drive_screw, noise_floor, cutoff_fit)
FACTS = {"speed_mm_s": "0.5", "feed_mm": "0.1", "screw_pitch_mm": "0.5"}


def _best_s(call, rounds=25):
    """Shortest of several runs by the thread's clock: what the work costs when nothing disturbs it."""
    call()
    best = float("inf")
    for _ in range(rounds):
        begin = time.thread_time()
        call()
        best = min(best, time.thread_time() - begin)
    return best


@pytest.mark.parametrize("kind", ["turned", "ground"])
def test_they_cost_at_most_sixty_percent_of_an_evaluation(kind):
    """With every fact known, so that each of them has work to do."""
    of = trace(clean(kind, np.random.default_rng(1)).heights, **FACTS)
    subject = Subject(trace=of, evaluation=evaluate(of, SETTINGS))
    own = _best_s(lambda: [check(subject) for check in CHECKS])
    whole = _best_s(lambda: evaluate(of, SETTINGS))
    print(f"\nhum, noise, lay, cut-off, screw on {kind}: {own * 1e3:.2f} ms, {own / whole:.2f} × {whole * 1e3:.2f} ms")
    assert own / whole <= 0.6
