"""What a gauge says before a traverse: limits, refusal, flag; through the capture thread and the real daemon."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crosslay.errors import PlanError
from crosslay.plan.load import load_plan
from crosslay.plan.models import PreCheckSection
from crosslay.ports import PreCheck
from crosslay.station.precheck import flagged, hindrance
from crosslay.testing.broker import RunningBroker
from crosslay.texture.trace import Trace
from station_harness import TOPIC, bus_client, station, wait_for

LIMITS = PreCheckSection(max_tilt_um_per_mm=5.0, max_noise_um=0.05)
SIMULATED = """
[station]
name = "op30"
topic = "{topic}"
state_dir = "state"
[gauge]
adapter = "simulated"
parts = 1
length_mm = 5.0
interval_s = 0.1
traverse_s = 0.1
tilt_um_per_mm = 8.0
ra_um = 0.5
[bus]
host = "127.0.0.1"
port = {port}
[precheck]
max_tilt_um_per_mm = {tilt}
when_out = "{when_out}"
[[characteristic]]
name = "journal"
callout = "Ra 0.8"
"""


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (PreCheck(position_percent=50.0, tilt_um_per_mm=-5.0, noise_um=0.05), ""),
        (PreCheck(), ""),
        (PreCheck(position_percent=9.9), "stands at 9.9 % of its range, and 10 to 90 % are allowed"),
        (PreCheck(position_percent=91.0), "set it to the middle"),
        (PreCheck(tilt_um_per_mm=-5.1), "tilted by -5.1 µm/mm, and 5 are allowed; level it"),
        (PreCheck(noise_um=0.06), "0.06 µm of noise"),
        (PreCheck(position_percent=math.nan), "nan %"),
        (PreCheck(noise_um=math.nan, tilt_um_per_mm=math.inf), "tilted by inf"),
        (PreCheck(noise_um=-1.0), "-1 µm of noise"),
    ],
)
def test_limits_before_a_traverse(found: PreCheck, words: str) -> None:
    text = hindrance(found, LIMITS)
    assert words in text
    assert bool(text) == bool(words)


@given(st.floats(), st.floats(), st.floats())
def test_nothing_is_said_exactly_within_the_limits(position: float, tilt: float, noise: float) -> None:
    found = PreCheck(position_percent=position, tilt_um_per_mm=tilt, noise_um=noise)
    good = 10.0 <= position <= 90.0 and -5.0 <= tilt <= 5.0 and 0.0 <= noise <= 0.05
    assert (hindrance(found, LIMITS) == "") == good


def test_a_gauge_that_cannot_look_has_no_limits_for_it(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    file = tmp_path / "op30.toml"
    text = SIMULATED.format(topic=TOPIC, port=1, tilt=5.0, when_out="refuse")
    start, end = text.index("[gauge]"), text.index("[bus]")
    file.write_text(text[:start] + '[gauge]\nadapter = "file-drop"\nfolder = "in"\n' + text[end:])
    with pytest.raises(PlanError, match='precheck: is not allowed: the gauge "file-drop" cannot look'):
        load_plan(file, {})
    file.write_text(text.replace('when_out = "refuse"', "min_position_percent = 90"))
    with pytest.raises(PlanError, match="min_position_percent = 90 must be below max_position_percent = 90"):
        load_plan(file, {})


@pytest.mark.broker
def test_a_part_that_stands_wrong_is_not_measured(tmp_path: Path, broker: RunningBroker) -> None:
    text = SIMULATED.format(topic=TOPIC, port=broker.port, tilt=5.0, when_out="refuse")
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, text=text) as op30:
        op30.start()
        state = wait_for(lambda: (now := mes.state()) and "precheck" in now["conditions"] and now)
        assert "not measured: the part is tilted by 8" in state["reason"]
        assert state["light"] == "REJECT and FAULT"
        assert state["health"] in {"S", "F"}
        condition = wait_for(lambda: [each for each in mes.payloads("v1/condition/precheck") if each["text"]])[-1]
        assert "Keep hands off" in condition["remedy"]
        assert op30.stop() == 0
        assert op30.results() == []
        assert state["counters"]["precheckRefused"] == 1


@pytest.mark.broker
def test_a_part_that_stands_wrong_is_measured_and_flagged_where_that_is_wanted(
    tmp_path: Path, broker: RunningBroker
) -> None:
    text = SIMULATED.format(topic=TOPIC, port=broker.port, tilt=5.0, when_out="warn")
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, text=text) as op30:
        op30.start()
        [event] = wait_for(mes.results)
        found = {each["id"]: each for each in event["data"]["findings"]}["precheck"]
        assert found["severity"] == "warning"
        assert found["text"].startswith("Before the traverse the part is tilted by 8")
        assert event["data"]["resultEvaluation"] == "OK"
        assert op30.stop() == 0


def test_a_trace_without_a_flag_has_no_finding() -> None:
    assert flagged(Trace(samples=np.zeros(3), spacing_um=1.0)) == ()
