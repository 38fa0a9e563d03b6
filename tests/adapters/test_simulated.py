"""The simulated gauge as the station sees it."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pydantic
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crosslay.errors import GaugeError
from crosslay.ports import Disposition, Gauge, GaugeContext, GaugeSignal
from crosslay.testing.gauge_conformance import GaugeConformance
from crosslay.texture.trace import Trace
from crosslay_adapters.gauges.simulated import SimulatedGauge
from crosslay_adapters.gauges.simulated.gauge import simulate


class BentClock:
    """Time that stands still unless a test moves it; the wall clock runs beside it, an offset away."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.wall_offset_s = 1.7e9

    def monotonic(self) -> float:
        return self.now_s

    def wall(self) -> float:
        return self.now_s + self.wall_offset_s


class TestSimulated(GaugeConformance):
    gauge_type = SimulatedGauge
    quiet = False

    def options(self, folder: Path) -> dict[str, Any]:
        return {"interval_s": 0.0, "traverse_s": 0.0}


FAST = {"seed": 7, "ra_um": 0.55, "interval_s": 0.0, "traverse_s": 0.0}


def config_of(**options: Any) -> Any:
    return SimulatedGauge.Config.model_validate(options)


def gauge_of(clock: BentClock | None = None, signals: list[GaugeSignal] | None = None,
             **options: Any) -> SimulatedGauge:
    heard = signals if signals is not None else []
    return SimulatedGauge(config_of(**options), GaugeContext(base_dir=Path("/"), notify=heard.append), clock=clock)


def next_trace(gauge: SimulatedGauge) -> Trace:
    trace = gauge.read(0.0)
    assert trace is not None
    return trace


def same(one: Trace, other: Trace) -> bool:
    return bool(np.array_equal(one.samples, other.samples)) and one.facts == other.facts


def test_it_is_a_gauge_that_says_that_it_simulates() -> None:
    gauge = gauge_of(**FAST)
    assert isinstance(gauge, Gauge)
    assert gauge.simulated is True
    gauge.open()
    trace = next_trace(gauge)
    assert trace.simulated is True
    assert trace.identity == "", "a restarted demo with the same seed must not be taken for a repeat"
    assert gauge.describe()["adapter"] == "simulated"
    gauge.close()


def test_the_trace_is_what_a_gauge_delivers() -> None:
    gauge = gauge_of(**FAST)
    gauge.open()
    trace = next_trace(gauge)
    gauge.close()
    assert trace.samples.dtype == np.int32
    assert trace.points == 9601  # 4.8 mm by 0.5 µm and one more
    assert trace.spacing_um == 0.5
    assert trace.calibration.gain_um == 0.001
    assert trace.sample_range == (-100_000, 100_000)
    assert trace.facts == {"part": "SIM-0001", "speed_mm_s": "0.5", "tip_radius_um": "2", "skid": "none",
                           "surface": "turned"}
    heights = trace.heights_um()
    assert 9.0 < np.ptp(heights) < 16.0  # 9.6 µm of tilt, some Rz 3 µm of texture, waviness


def test_parts_are_counted_until_the_last() -> None:
    gauge = gauge_of(**FAST, parts=3, first_part=41, part_prefix="J-")
    gauge.open()
    assert [next_trace(gauge).facts["part"] for _ in range(3)] == ["J-0041", "J-0042", "J-0043"]
    assert gauge.read(0.0) is None
    assert gauge.read(0.001) is None
    gauge.close()


def test_without_a_number_of_parts_it_goes_on() -> None:
    gauge = gauge_of(**FAST, length_mm=0.8)
    gauge.open()
    assert [next_trace(gauge).facts["part"] for _ in range(20)][-1] == "SIM-0020"
    gauge.close()


def test_the_same_seed_and_number_give_the_same_trace_whatever_was_read_before() -> None:
    gauge = gauge_of(**FAST)
    gauge.open()
    in_order = [next_trace(gauge) for _ in range(4)]
    gauge.close()
    alone = simulate(config_of(**FAST), 3)
    later = gauge_of(**{**FAST, "first_part": 3, "interval_s": 5.0, "traverse_s": 9.0, "parts": 2})
    assert same(in_order[2], alone)
    assert same(alone, simulate(later._config, 3))
    assert not np.array_equal(in_order[0].samples, in_order[1].samples)
    other_seed = simulate(config_of(**{**FAST, "seed": 8}), 3)
    assert not np.array_equal(alone.samples, other_seed.samples)


@pytest.mark.parametrize("surface", ["turned", "milled", "ground", "honed", "lapped"])
def test_another_process_computes_the_same_trace(surface: str) -> None:
    program = ("import hashlib, json, sys; from crosslay_adapters.gauges.simulated import SimulatedGauge; "
               "from crosslay_adapters.gauges.simulated.gauge import simulate; "
               "trace = simulate(SimulatedGauge.Config.model_validate(json.loads(sys.argv[1])), 3); "
               "print(hashlib.sha256(trace.samples.tobytes()).hexdigest())")
    options = {"seed": 7, "ra_um": 0.55, "surface": surface}
    elsewhere = subprocess.run([sys.executable, "-c", program, json.dumps(options)], capture_output=True, text=True,
                               check=True, env={**os.environ, "PYTHONHASHSEED": "12345"})
    here = hashlib.sha256(simulate(config_of(**options), 3).samples.tobytes()).hexdigest()
    assert elsewhere.stdout.strip() == here


def test_the_schedule_changes_its_part_and_no_other() -> None:
    planned = config_of(**FAST, schedule=[{"part": 2, "ra_um": 1.1}, {"part": 3, "fault": "short", "strength": 0.5}])
    gauge = SimulatedGauge(planned, GaugeContext(base_dir=Path("/")))
    plain = gauge_of(**FAST)
    gauge.open()
    plain.open()
    for number in range(1, 5):
        one, other = next_trace(gauge), next_trace(plain)
        assert same(one, other) is (number not in {2, 3})
        if number == 3:
            assert one.points == 7201  # three quarters of 9601
            assert one.acquisition_s == 0.0
    gauge.close()
    plain.close()


def test_a_part_gone_bad_is_the_same_surface_twice_as_high() -> None:
    """Stretched, not drawn anew: without tilt, waviness, noise and tip the counts are proportional."""
    bare = {**FAST, "tilt_um_per_mm": 0.0, "waviness_um": 0.0, "noise_um": 0.0, "tip_radius_um": 0.0}
    good = simulate(config_of(**bare), 1)
    planned = config_of(**bare, schedule=[{"part": 1, "ra_um": 1.1}])
    bad = simulate(planned, 1, planned.schedule[0])
    np.testing.assert_allclose(bad.samples, 2.0 * good.samples, atol=2.0)  # rounding to counts, twice


# Time ----------------------------------------------------------------------------------------------------------------

def test_a_traverse_goes_on_over_several_reads() -> None:
    clock, signals = BentClock(), []
    gauge = gauge_of(clock, signals, seed=7, ra_um=0.5, interval_s=2.0, traverse_s=4.0)
    gauge.open()
    assert signals == []
    assert gauge.read(0.0) is None
    assert signals == [GaugeSignal.STARTED]
    for _ in range(3):
        clock.now_s += 1.0
        assert gauge.read(0.0) is None
    clock.now_s += 1.0
    trace = next_trace(gauge)
    assert signals == [GaugeSignal.STARTED]
    assert trace.captured_at == pytest.approx(1.7e9 + 1004.0, abs=1e-3)
    assert trace.acquisition_s == 4.0
    clock.now_s += 1.9
    assert gauge.read(0.0) is None
    assert len(signals) == 1
    clock.now_s += 0.2
    assert gauge.read(0.0) is None
    assert signals == [GaugeSignal.STARTED] * 2
    gauge.close()


def test_a_trace_that_is_fetched_late_says_when_it_was_captured() -> None:
    clock = BentClock()
    gauge = gauge_of(clock, **{**FAST, "traverse_s": 4.0})
    gauge.open()
    assert gauge.read(0.0) is None
    clock.now_s += 30.0
    clock.wall_offset_s += 3600.0  # the wall clock was set meanwhile: only its present reading counts
    assert next_trace(gauge).captured_at == pytest.approx(clock.wall() - 26.0, abs=1e-3)
    gauge.close()


def test_without_traverse_time_it_takes_as_long_as_a_real_one() -> None:
    assert simulate(config_of(ra_um=0.5, length_mm=4.8, speed_mm_s=0.5), 1).acquisition_s == pytest.approx(9.6)


def test_a_short_traverse_ends_sooner() -> None:
    planned = config_of(ra_um=0.5, traverse_s=4.0, schedule=[{"part": 1, "fault": "short"}])
    assert simulate(planned, 1, planned.schedule[0]).acquisition_s == pytest.approx(2.0, abs=0.001)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.0, 3.0), min_size=1, max_size=60))
def test_whatever_the_rhythm_of_the_reads_each_part_comes_once_and_in_order(steps_s: list[float]) -> None:
    clock, signals = BentClock(), []
    gauge = gauge_of(clock, signals, seed=1, ra_um=0.5, interval_s=0.5, traverse_s=1.0, length_mm=0.1)
    gauge.open()
    parts, ends = [], []
    for step_s in steps_s:
        clock.now_s += step_s
        trace = gauge.read(0.0)
        if trace is not None:
            parts.append(trace.facts["part"])
            ends.append(trace.captured_at)
            assert trace.captured_at is not None
            assert trace.captured_at <= clock.wall() + 1e-3
    gauge.close()
    assert parts == [f"SIM-{number:04d}" for number in range(1, len(parts) + 1)]
    assert len(parts) <= len(signals) <= len(parts) + 1
    assert all(later - sooner >= 1.5 - 1e-3 for sooner, later in itertools.pairwise(ends))


# Opening and closing -------------------------------------------------------------------------------------------------

def test_reading_a_closed_gauge_is_a_gauge_error() -> None:
    gauge = gauge_of(**FAST)
    with pytest.raises(GaugeError, match="before it was opened"):
        gauge.read(0.0)
    gauge.open()
    gauge.close()
    with pytest.raises(GaugeError):
        gauge.read(0.0)


def test_opening_and_closing_twice_counts_on() -> None:
    gauge = gauge_of(**FAST)
    gauge.open()
    gauge.open()
    assert next_trace(gauge).facts["part"] == "SIM-0001"
    gauge.open()
    assert next_trace(gauge).facts["part"] == "SIM-0002"
    gauge.close()
    gauge.close()
    gauge.open()
    assert next_trace(gauge).facts["part"] == "SIM-0003"
    gauge.close()


def test_a_traverse_that_was_interrupted_is_begun_again() -> None:
    clock, signals = BentClock(), []
    gauge = gauge_of(clock, signals, **{**FAST, "traverse_s": 4.0})
    gauge.open()
    assert gauge.read(0.0) is None
    gauge.close()
    clock.now_s += 60.0
    gauge.open()
    assert gauge.read(0.0) is None
    clock.now_s += 4.0
    assert next_trace(gauge).facts["part"] == "SIM-0001"
    assert signals == [GaugeSignal.STARTED] * 2
    gauge.close()


@pytest.mark.parametrize("parts", [0, 1])
def test_close_wakes_a_read_that_waits(parts: int) -> None:
    """During the pause between parts, and after the last one."""
    gauge = gauge_of(**{**FAST, "interval_s": 3600.0, "parts": parts})
    gauge.open()
    next_trace(gauge)
    got: list[Trace | None] = []
    reader = threading.Thread(target=lambda: got.append(gauge.read(3600.0)))
    reader.start()
    while not waits_in_event(reader):
        time.sleep(0.001)
    gauge.close()
    reader.join()
    assert got == [None]


def waits_in_event(thread: threading.Thread) -> bool:
    frame = sys._current_frames().get(thread.ident or 0)
    return frame is not None and frame.f_code.co_filename == threading.__file__


def test_settling_changes_nothing() -> None:
    gauge = gauge_of(**FAST)
    gauge.open()
    trace = next_trace(gauge)
    gauge.settle(trace, Disposition.STORED)
    gauge.settle(trace, Disposition.REFUSED, "not today")
    assert next_trace(gauge).facts["part"] == "SIM-0002"
    gauge.close()


# Options -------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("options", "text"), [
    ({"surface": "planed"}, "turned"),
    ({"surface": "honed"}, "needs ra_um"),
    ({"surface": "lapped"}, "needs ra_um"),
    ({"surface": "milled", "ra_um": 0.3, "chatter_percent": 5.0}, 'chatter_percent belongs to surface = "turned",'),
    ({"teeth": 3}, 'teeth belongs to surface = "milled"'),
    ({"surface": "milled", "feed_mm": 0.5, "nose_radius_mm": 0.4}, "at most its radius"),
    ({"surface": "ground", "ra_um": 0.3, "groove_width_um": 5.0}, 'groove_width_um belongs to surface = "honed"'),
    ({"surface": "honed", "ra_um": 0.3, "skewness": 0.0}, 'skewness belongs to surface = "ground" or "lapped"'),
    ({"surface": "ground"}, "needs ra_um"),
    ({"surface": "ground", "ra_um": 0.3, "feed_mm": 0.1}, 'feed_mm belongs to surface = "turned"'),
    ({"correlation_um": 5.0}, 'correlation_um belongs to surface = "ground"'),
    ({"feed_mm": 0.5, "nose_radius_mm": 0.4}, "at most its radius"),
    ({"feed_mm": 0.001}, "four samples"),
    ({"spacing_um": 0.0}, "spacing_um"),
    ({"spacing_um": "0.5"}, "number"),
    ({"seed": 1.5}, "seed"),
    ({"seed": -1}, "seed"),
    ({"ra_um": float("nan")}, "ra_um"),
    ({"ra_um": 0.0}, "ra_um"),
    ({"tilt_um_per_mm": float("inf")}, "tilt_um_per_mm"),
    ({"length_mm": 0.005}, "16 to 2000000 are possible"),
    ({"length_mm": 500.0, "spacing_um": 0.1}, "16 to 2000000 are possible"),
    ({"range_um": 1e5, "resolution_um": 1e-6}, "32 bits"),
    ({"part_prefix": "Welle-Ä"}, "part_prefix"),
    ({"schedule": [{"part": 2}]}, "give at least one"),
    ({"schedule": [{"part": 0, "ra_um": 1.0}]}, "part"),
    ({"schedule": [{"part": 2, "fault": "loose"}]}, "rocking"),
    ({"schedule": [{"part": 2, "ra_um": 1.0}, {"part": 2, "fault": "short"}]}, "part 2 twice"),
    ({"schedule": [{"part": 2, "ra_um": 1.0, "specimen": "s"}]}, "leave ra_um out"),
    ({"parts": 3, "schedule": [{"part": 4, "ra_um": 1.0}]}, "names part 4, but the parts run from 1 to 3"),
    ({"first_part": 5, "schedule": [{"part": 4, "ra_um": 1.0}]}, "from 5 to without end"),
    ({"schedule": [{"part": 2, "ra": 1.0}]}, "ra"),
    ({"ra": 0.5}, "ra"),
])
def test_wrong_options_are_explained(options: dict[str, Any], text: str) -> None:
    with pytest.raises(pydantic.ValidationError) as caught:
        config_of(**options)
    assert text in str(caught.value)


def test_whole_numbers_are_numbers() -> None:
    """``speed_mm_s = 1`` in TOML is an integer."""
    assert config_of(speed_mm_s=1, ra_um=1).speed_mm_s == 1.0
