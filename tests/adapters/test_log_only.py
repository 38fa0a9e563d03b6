"""The light that only exists in the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from crosslay.ports import REST, Indicator, IndicatorContext, Outputs
from crosslay.testing.indicator_conformance import (
    ACCEPTED,
    BUSY,
    FLASHED_OFF,
    REJECTED,
    IndicatorConformance,
    IndicatorRig,
)
from crosslay_adapters.indicators.log_only import LogOnlyIndicator


def make() -> LogOnlyIndicator:
    return LogOnlyIndicator(LogOnlyIndicator.Config(), IndicatorContext(base_dir=Path("/")))


class LogRig(IndicatorRig):
    """There is no counterpart: what was shown last is all there is."""

    adapter = LogOnlyIndicator

    def __init__(self, base_dir: Path) -> None:
        super().__init__(base_dir)
        self._made: LogOnlyIndicator | None = None

    def options(self) -> dict[str, Any]:
        return {}

    def make(self, **changes: Any) -> Indicator:
        made = super().make(**changes)
        assert isinstance(made, LogOnlyIndicator)
        self._made = made
        return made

    def lines(self) -> Mapping[str, bool]:
        outputs = self._made.outputs if self._made else REST
        return {field.name: getattr(outputs, field.name) for field in fields(Outputs)}

    def written(self) -> list[str] | None:
        return None


class TestLogOnly(IndicatorConformance):
    @pytest.fixture
    def rig(self, tmp_path: Path) -> IndicatorRig:
        return LogRig(tmp_path)


def test_it_is_harmless_and_has_no_hardware() -> None:
    assert make().harmless is True
    assert make().hardware_timeout_s is None


def test_each_change_of_meaning_is_one_line() -> None:
    light = make()
    with capture_logs() as logs:
        light.open()
        for outputs in (REST, BUSY, BUSY, ACCEPTED, REST):
            light.show(outputs)
        light.close()
    assert [(entry["event"], entry["accept"], entry["reject"], entry["busy"]) for entry in logs] == [
        ("light", False, True, False),
        ("light", False, True, True),
        ("light", True, False, False),
        ("light", False, True, False),
    ]
    assert all(entry["log_level"] == "info" for entry in logs)


def test_a_flashing_reject_lamp_is_one_line() -> None:
    light = make()
    light.open()
    with capture_logs() as logs:
        for _ in range(50):
            light.show(REJECTED)
            light.show(FLASHED_OFF)
    light.close()
    assert [(entry["reject"], entry["result_valid"]) for entry in logs] == [(True, True)]


def test_a_pattern_that_begins_dark_is_told_to_be_lit() -> None:
    light = make()
    light.open()
    with capture_logs() as logs:
        for _ in range(50):
            light.show(FLASHED_OFF)
            light.show(REJECTED)
    light.close()
    assert [entry["reject"] for entry in logs] == [False, True]


def test_a_slowly_flashing_fault_lamp_is_told_once() -> None:
    light = make()
    light.open()
    with capture_logs() as logs:
        for _ in range(20):
            light.show(Outputs(fault=True))
            light.show(Outputs())
    light.close()
    assert [entry["fault"] for entry in logs] == [True]


def test_the_heartbeat_is_not_told() -> None:
    light = make()
    light.open()
    with capture_logs() as logs:
        for beat in (True, False, True):
            light.show(Outputs(heartbeat=beat))
    light.close()
    assert logs == []


LEVELS = st.fixed_dictionaries({field.name: st.booleans() for field in fields(Outputs)})


@given(st.lists(LEVELS, max_size=30))
def test_the_last_line_always_tells_the_steady_outputs(steps: list[dict[str, bool]]) -> None:
    light = make()
    with capture_logs() as logs:
        light.open()
        for levels in steps:
            outputs = Outputs(**{**levels, "accept": levels["accept"] and not levels["reject"]})
            light.show(outputs)
            told = logs[-1]
            for name in ("accept", "ready", "busy", "result_valid", "accept_bit", "fault_bit", "release"):
                assert told[name] is getattr(outputs, name)
            assert told["reject"] or not outputs.reject
            assert told["fault"] or not outputs.fault
        light.close()
