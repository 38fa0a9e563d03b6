"""Correlations: what is refused, what stops holding, and that a part keeps the one that it began with."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crosslay.bus.conditions import Conditions
from crosslay.inspection.correlation import AcceptedLine
from crosslay.record.check_rows import CommandRow, CorrectionRow
from crosslay.record.checks import Checks
from crosslay.record.levels import Settled
from crosslay.record.store import Draft, Place, Store
from crosslay.station.clock import SystemClock
from crosslay.station.correlations import LinesOfParts, lines_in_force, settings_hash, why_not
from crosslay.station.orders import Asked, Laboratory, Order
from crosslay.station.reference import Outside, Reference
from crosslay.texture.settings import Settings
from sample_results import sample_result
from specimen_cases import plan_with

SETTINGS = {"standard": "iso-21920", "filter": "gaussian", "form": "line", "sections": 5,
            "cutoff": {"value": 0.8, "unit": "mm"}, "shortCutoff": {"value": 2.5, "unit": "um"}}  # fmt: skip
#: In-line reads a quarter above the laboratory.
TRUTH = np.linspace(0.3, 0.9, 8)
PERSON = {"by": "somebody", "why": "compared with the laboratory"}


class Bench:
    """A station's store with results of eight parts, and its reference room."""

    def __init__(self, folder: Path) -> None:
        self.plan = plan_with(folder, "")
        self.plan.state_dir.mkdir()
        self.store = Store(self.plan.state_dir)
        self.store.open()
        self.answers: list[object] = []
        self.announced = 0
        chance = np.random.default_rng(7)
        for number, truth in enumerate(TRUTH):
            self.result(f"P-{number}", round(1.25 * truth + chance.normal(0, 0.002), 5))
        outside = Outside(
            clock=SystemClock(), synchronized=lambda: True, conditions=Conditions(SystemClock()),
            light=lambda _change: None, announced=self.say, count=lambda _name: None,
        )  # fmt: skip
        self.reference = Reference(self.plan, Checks(self.store), outside)
        self.reference.load()

    def say(self) -> None:
        self.announced += 1

    def result(self, part: str, value: float, settings: object = SETTINGS, **more: object) -> None:
        result_id = uuid.uuid4()
        item = {"name": "journal", "callout": "Ra 0.8", "value": value, "unit": "um", "expandedUncertainty": 0.006,
                "coverageFactor": 2.0, **more}  # fmt: skip

        def payload(place: Place) -> bytes:
            event = json.loads(sample_result(place, part, str(result_id)))
            event["data"] |= {"characteristics": [item], "settings": settings, "referenceCheck": None}
            return json.dumps(event).encode()

        draft = Draft(result_id=result_id, part_id=part, decision="pass", created_at=1.8e9, payload=payload,
                      deliveries=(result_id,))  # fmt: skip
        self.store.commit(draft, Settled())

    def order(self, name: str, callout: str = "journal/Ra 0.8", **fields: object) -> tuple[str, str]:
        order = Order(name=name, request_id=str(uuid.uuid4()), callout=callout, **(PERSON | fields))
        self.reference.take_order(Asked(order=order, way="machine", answer=self.answers.append))
        answer = self.answers[-1]
        return answer.status, answer.text

    def accept(self, parts: int = 8, **fields: object) -> tuple[str, str]:
        laboratory = tuple(
            Laboratory(part=f"P-{number}", value=float(truth), expanded=0.006)
            for number, truth in enumerate(TRUTH[:parts])
        )
        return self.order("correlation-accept", **({"laboratory": laboratory} | fields))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.store.close()


def test_accepted_it_is_in_force_and_undone_it_is_not(bench: Bench) -> None:
    assert bench.reference.lines() == {}
    before = bench.announced
    status, text = bench.accept()
    assert (status, bench.announced - before) == ("accepted", 1)
    assert "journal/Ra is reported as the laboratory would read it, from the next part on" in text
    [(requirement, line)] = bench.reference.lines().items()
    assert isinstance(line, AcceptedLine)
    assert requirement.callout.text == "Ra 0.8"
    assert line.line.slope == pytest.approx(1.25, abs=0.02)
    assert (line.lowest, line.highest) == (0.3, 0.9)
    assert bench.order("correlation-undo", "journal/Ra")[0] == "accepted"
    assert bench.reference.lines() == {}


def test_an_earlier_one_is_in_force_again(bench: Bench) -> None:
    bench.accept()
    [first] = bench.reference.correlations()
    bench.accept(7)
    [second] = bench.reference.correlations()
    assert first.correlation_id != second.correlation_id
    _, text = bench.order("correlation-undo", second.correlation_id)
    assert f"by the correlation before, {first.correlation_id}" in text
    assert bench.reference.correlations() == (first,)


def test_the_same_request_twice_is_one(bench: Bench) -> None:
    order = Order(name="correlation-undo", request_id="same", callout="journal", **PERSON)
    bench.accept()
    for _ in range(2):
        bench.reference.take_order(Asked(order=order, way="machine", answer=bench.answers.append))
    assert {each.status for each in bench.answers[-2:]} == {"accepted"}


class TestRefused:
    def test_where_the_study_refuses(self, bench: Bench) -> None:
        assert "4 parts; at least 5 are needed" in bench.accept(4)[1]
        narrow = tuple(Laboratory(part=f"P-{n}", value=0.5 + n / 1e4, expanded=0.1) for n in range(8))
        status, text = bench.accept(laboratory=narrow)
        assert (status, bench.reference.lines()) == ("refused", {})
        assert "too narrow" in text
        untold = tuple(Laboratory(part=f"P-{n}", value=float(truth)) for n, truth in enumerate(TRUTH))
        assert "both sides carry errors" in bench.accept(laboratory=untold)[1]
        assert bench.accept(laboratory=untold, variance_ratio=1.0)[0] == "accepted"

    def test_without_a_person_and_a_reason(self, bench: Bench) -> None:
        assert "--by is empty" in bench.accept(by=" ")[1]
        assert "--why is empty" in bench.order("correlation-undo", why="")[1]

    def test_what_is_not_known(self, bench: Bench) -> None:
        assert "names no call-outs" in bench.accept(callout="bore")[1]
        assert "several call-outs" in bench.accept(callout="")[1]
        assert 'no correlation in force for "journal"; in force: none' in bench.order("correlation-undo", "journal")[1]

    @pytest.mark.parametrize("other", [None, SETTINGS | {"filter": "spline"}, SETTINGS | {"standard": "iso-4287"}])
    def test_values_measured_under_other_settings(self, bench: Bench, other: object) -> None:
        bench.result("P-3", 0.7, settings=other)
        assert "under the settings in force" in bench.accept()[1]

    def test_values_measured_with_another_correction(self, bench: Bench) -> None:
        bench.reference._checks.accept(
            CorrectionRow(correction_id="k", check_id="c", specimen="s", amplification=1.1, accepted_at=1.0,
                          accepted_by="somebody", accepted_why="because"),
            CommandRow(request_id="r", received_at=1.0, way="machine", name="x", payload="{}", accepted=True,
                       answer=""),
        )  # fmt: skip
        bench.reference.load()
        assert "the correction 1.1 is in force, and not all of the stored values were measured" in bench.accept()[1]


def test_a_study_goes_by_what_the_gauge_read(bench: Bench) -> None:
    """A value that a correlation made already must not be compared with the laboratory again."""
    for number, truth in enumerate(TRUTH):
        bench.result(f"P-{number}", float(truth), rawValue=1.25 * float(truth), rawStandardUncertainty=0.003)
    assert bench.accept()[0] == "accepted"
    [line] = bench.reference.lines().values()
    assert isinstance(line, AcceptedLine)
    assert line.line.slope == pytest.approx(1.25, abs=1e-6)


class TestItStopsHolding:
    def test_with_other_settings_or_another_correction(self, bench: Bench) -> None:
        bench.accept()
        rows = bench.reference.correlations()
        [reason] = lines_in_force(bench.plan, rows, 1.1).values()
        assert isinstance(reason, str)
        assert "made with another amplification correction" in reason
        plan = replace(bench.plan, requirements=tuple(
            replace(each, settings=replace(each.settings, cutoff_mm=0.25)) for each in bench.plan.requirements
        ))  # fmt: skip
        [reason] = lines_in_force(plan, rows, 1.0).values()
        assert isinstance(reason, str)
        assert "made with other settings" in reason
        assert "has no journal/Ra" in why_not(rows[0], replace(bench.plan, requirements=()), 1.0)

    def test_the_digest_is_of_what_differs_from_the_defaults(self) -> None:
        assert settings_hash(Settings()) == settings_hash(Settings(cutoff_mm=None))
        assert settings_hash(Settings(cutoff_mm=0.8)) != settings_hash(Settings(cutoff_mm=0.25))


def test_a_part_keeps_the_correlations_that_it_began_with() -> None:
    now = {"first": "x"}
    open_parts = {"P-1"}
    lines = LinesOfParts(lambda: dict(now), open_parts.__contains__)  # type: ignore[arg-type, return-value]
    assert lines.of("P-1") == {"first": "x"}
    now.clear()
    assert lines.of("P-1") == {"first": "x"}
    assert lines.of("P-2") == {}
    open_parts.clear()
    assert lines.of("P-1") == {}
