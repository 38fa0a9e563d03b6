"""Earlier values: kept in memory, and computed again from the stored traces after a restart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crosslay.errors import TraceRefusedError
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.judge import Requirement, measure
from crosslay.record.levels import Settled
from crosslay.record.store import Store
from crosslay.record.traces import pack
from crosslay.station.assembly import Slot
from crosslay.station.judging import PartJudge
from crosslay.station.past_values import MOST, PastValues
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Finding, Severity, Trace
from crosslay_adapters.gauges.simulated.config import PlannedPart, SimulatedConfig
from crosslay_adapters.gauges.simulated.gauge import simulate
from store_cases import result_draft

CONFIG = SimulatedConfig.model_validate({"seed": 3, "ra_um": 0.55, "feed_mm": 0.11})
REQUIREMENTS = tuple(Requirement(characteristic="journal", callout=callout, settings=Settings(cutoff_mm=0.8))
                     for callout in parse_callouts("Ra 0.8"))
SLOT = Slot("journal", "")


def good(part: int) -> Trace:
    return simulate(CONFIG, part)


def test_only_what_is_not_invalid_is_kept_and_no_more_than_the_last() -> None:
    past = PastValues()
    assert past.history("journal") is None
    measured = measure(good(1), REQUIREMENTS)
    spoilt = replace(measured, findings=(Finding(id="stuck", severity=Severity.INVALID, text="held"),))
    past.add(REQUIREMENTS, spoilt)
    assert past.history("journal") is None
    for _ in range(MOST + 3):
        past.add(REQUIREMENTS, measured)
    history = past.history("journal")
    assert history is not None
    [evaluation] = measured.evaluations.values()
    assert history.values["Ra"] == (evaluation.parameters["Ra"],) * MOST
    assert history.values["Rsm"] == (evaluation.parameters["Rsm"],) * MOST
    assert past.history("bore") is None


def test_after_a_restart_the_stored_traces_say_what_parts_usually_give(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.open()
    judge = PartJudge(REQUIREMENTS)
    for part in range(1, 23):
        draft = result_draft(f"P-{part}")
        store.commit(replace(draft, traces=(pack(good(part)),)), Settled())
        judge.measure(good(part), (SLOT,), {})
    last = store.levels.last
    store.commit(replace(result_draft("P-23"), traces=(pack(good(23)),)), Settled())  # of the new run, known already
    store.close()
    again = PartJudge(REQUIREMENTS)
    steps = list(again.restored(tmp_path, last, lambda _facts: (SLOT,)))
    assert len(steps) == 22, "one for each step, so that a part never waits for more than one"
    assert again._past.history("journal") == judge._past.history("journal")
    along = simulate(CONFIG, 40, PlannedPart.model_validate({"part": 40, "fault": "along-the-lay"}))
    [found] = [each for each in again.measure(along, (SLOT,), {}).findings if each.id == "along-the-lay"]
    assert found.severity is Severity.WARNING
    assert found.evidence["ra_before_um"] == pytest.approx(0.55, rel=0.1)
    assert np.isfinite(list(found.evidence.values())).all()


def test_a_store_that_cannot_be_read_and_a_strange_trace_cost_nothing(tmp_path: Path) -> None:
    judge = PartJudge(REQUIREMENTS)
    assert list(judge.restored(tmp_path, 5, lambda _facts: (SLOT,))) == []
    store = Store(tmp_path)
    store.open()
    store.commit(replace(result_draft("P-1"), traces=(pack(good(1)),)), Settled())
    store.close()

    def unknown(_facts: object) -> tuple[Slot, ...]:
        raise TraceRefusedError("the plan does not have it")

    assert len(list(judge.restored(tmp_path, 1, unknown))) == 1
    assert judge._past.history("journal") is None
