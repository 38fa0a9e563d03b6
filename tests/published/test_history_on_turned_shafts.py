"""Earlier values on real ones: 2,448 readings of turned shafts, each against the others of its condition.

One of them is named, and rightly: Ra 0.11 µm among readings about 1.06 µm, with Rq 1.27 µm and Rz 4.79 µm beside it.

Data: contact-profilometer readings (Ra, Sm) of turned AISI 12L14 shafts, DOI 10.5281/zenodo.17438392, CC BY 4.0; the
author's copy lies beside the project and is not part of it.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from crosslay.inspection.findings.lay import along_the_lay
from crosslay.inspection.findings.subject import History, Subject
from crosslay.texture.evaluation import Evaluation, evaluate
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Trace

DATA = Path(__file__).parents[3] / "shared" / "data" / "turned-aisi12l14" / "data.csv"


@pytest.mark.skipif(not DATA.exists(), reason=f"{DATA} is not here: the readings of turned shafts are not checked")
def test_only_the_one_reading_that_cannot_be_right_is_named() -> None:
    conditions: dict[tuple[str, str, str], list[tuple[float, float]]] = defaultdict(list)
    with DATA.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            values = list(row.values())
            # Run of the design, diameter and wear: 68 conditions of 36 readings.
            conditions[values[0], values[4], values[5]].append((float(row["Ra"]), float(row["Sm"]) / 1000.0))
    assert sum(map(len, conditions.values())) == 2448
    # Any trace: only its Ra and Rsm are looked at where the feed is not known.
    some = Trace(samples=np.random.default_rng(1).standard_normal(9601), spacing_um=0.5)
    evaluation = evaluate(some, Settings(cutoff_mm=0.8))
    named = []
    for condition, readings in conditions.items():
        for left_out, (ra_um, rsm_mm) in enumerate(readings):
            others = readings[:left_out] + readings[left_out + 1 :]
            evaluation.parameters.update({"Ra": ra_um, "Rsm": rsm_mm})
            history = History(values={"Ra": tuple(a for a, _ in others), "Rsm": tuple(b for _, b in others)})
            if along_the_lay(_as_it_is(some, evaluation, history)) is not None:
                named.append((*condition, ra_um))
    assert named == [("17", "D50", "New", 0.11)]


def _as_it_is(trace: Trace, evaluation: Evaluation, history: History) -> Subject:
    """A subject without what is worked out of its profiles, which is not looked at."""
    subject = object.__new__(Subject)
    for name, value in {"trace": trace, "evaluation": evaluation, "history": history}.items():
        object.__setattr__(subject, name, value)
    return subject
