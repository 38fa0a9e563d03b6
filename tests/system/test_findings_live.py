"""Every fault of the simulated gauge through the running daemon: finding, verdict, light, condition on the bus."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from crosslay.testing.broker import RunningBroker
from crosslay_adapters.gauges.simulated.faults import FAULTS
from station_harness import TOPIC, BusClient, bus_client, station, wait_for

pytestmark = pytest.mark.broker

#: What each fault must end as. A worn tip makes a part look finer, and nothing in the trace says so.
INVALID = {
    "rocking": "rocking",
    "jump": "rocking",
    "clipped": "clipped",
    "stuck": "stuck",
    "short": "too-short",
    "set-down": "set-down",
    "spike": "spike",
    "dropout": "spike",
    "along-the-lay": "along-the-lay",
}
WARNING = {"hum": "mains-hum", "noise": "noise-floor", "scratch": "scratch"}
ONLY_ON_A_SPECIMEN = {"tip-wear"}

# A feed of 0.11 mm, so that 50 Hz at 0.5 mm/s (10 µm) is no overtone of it.
STATION = """
[station]
name = "op30"
topic = "{topic}"
state_dir = "state"

[gauge]
adapter = "simulated"
seed = 7
ra_um = 0.55
feed_mm = 0.11
interval_s = {interval_s}
traverse_s = 0.0
parts = {parts}
{schedule}

[bus]
host = "127.0.0.1"
port = {port}

[[indicator]]
adapter = "sysfs-led"
folder = "leds"
accept = "green"
reject = "red"
fault = "yellow"

[[characteristic]]
name = "journal"
callout = ["Ra 0.8", "Rz 6.3"]
{known}
"""


@dataclass(frozen=True)
class Seen:
    """What a foreign client saw of one run: results by part, conditions in order, and the lamps' changes.

    A light is (ACCEPT, REJECT, FAULT).
    """

    results: dict[int, dict[str, Any]]
    conditions: list[dict[str, Any]]
    lights: list[tuple[bool, bool, bool]]


def make_leds(folder: Path) -> Path:
    for name in ("green", "red", "yellow"):
        led = folder / "leds" / name
        led.mkdir(parents=True)
        (led / "brightness").write_text("0\n")
        (led / "max_brightness").write_text("255\n")
    return folder


def part_of(fault: str) -> int:
    """Every second part is a good one."""
    return 2 * (sorted(FAULTS).index(fault) + 1)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory, module_broker: RunningBroker) -> Iterator[Seen]:
    """One run of the daemon over all faults."""
    folder = make_leds(tmp_path_factory.mktemp("live"))
    parts = 2 * len(FAULTS) + 1
    schedule = "\n".join(f'[[gauge.schedule]]\npart = {part_of(fault)}\nfault = "{fault}"' for fault in FAULTS)
    port = module_broker.port
    text = STATION.format(
        topic=TOPIC, port=port, parts=parts, schedule=schedule, interval_s=0.4, known="feed_mm = 0.11"
    )
    with bus_client(port, acknowledge=True) as mes, station(folder, port, text=text) as op30:
        with watched(folder / "leds") as lights:
            op30.start()
            wait_for(lambda: len(mes.results()) == parts, 60.0, f"{parts} results")
        assert op30.stop() == 0
        yield _seen(mes, lights)


@contextmanager
def watched(leds: Path) -> Iterator[list[tuple[bool, bool, bool]]]:
    """Note every change of the lamps, as an eye of 5 ms would."""
    seen: list[tuple[bool, bool, bool]] = []
    ended = threading.Event()

    def watch() -> None:
        files = [leds / name / "brightness" for name in ("green", "red", "yellow")]
        while not ended.wait(0.005):
            green, red, yellow = (file.read_text().strip() not in {"", "0"} for file in files)
            if seen[-1:] != [(green, red, yellow)]:
                seen.append((green, red, yellow))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        yield seen
    finally:
        ended.set()
        watcher.join()


def _seen(mes: BusClient, lights: list[tuple[bool, bool, bool]]) -> Seen:
    events = [event["data"] for event in mes.results() if event["type"] == "org.crosslay.result.v1"]
    results = {int(data["partId"][-4:]): data for data in events}
    return Seen(results=results, conditions=mes.payloads("v1/condition/trace-implausible"), lights=lights)


def ids(result: dict[str, Any], severity: str) -> list[str]:
    return [each["id"] for each in result["findings"] if each["severity"] == severity]


def test_the_tables_name_every_fault_of_the_gauge() -> None:
    assert INVALID.keys() | WARNING.keys() | ONLY_ON_A_SPECIMEN == FAULTS.keys()


@pytest.mark.parametrize("fault", sorted(INVALID))
def test_a_spoilt_trace_is_invalid_for_its_own_reason(seen: Seen, fault: str) -> None:
    part = part_of(fault)
    result = seen.results[part]
    assert (result["resultEvaluation"], result["resultEvaluationCode"]) == ("Undefined", 4)  # OPC 40001-101
    assert INVALID[fault] in ids(result, "invalid")
    assert all(each["evaluation"] == "Undefined" for each in result["characteristics"])
    told = [each["text"] for each in result["findings"] if each["severity"] == "invalid"]
    assert result["resultEvaluationDetails"] == told[0]
    assert [each for each in seen.conditions if (each["level"], each["text"]) == ("warning", told[0])]


def test_each_spoilt_trace_lights_reject_and_fault_and_no_other_does(seen: Seen) -> None:
    faults = [lamps for lamps in seen.lights if lamps[2]]
    assert all(lamps == (False, True, True) for lamps in faults)
    # A computer under load may judge a part when the next traverse has begun already, and that takes the light.
    assert len(INVALID) // 2 <= len(faults) <= len(INVALID)


@pytest.mark.parametrize("fault", sorted(WARNING))
def test_a_disturbed_trace_is_judged_with_a_warning(seen: Seen, fault: str) -> None:
    result = seen.results[part_of(fault)]
    assert result["resultEvaluation"] in {"OK", "NotOK"}
    assert ids(result, "invalid") == []
    assert WARNING[fault] in ids(result, "warning")


def test_what_only_a_specimen_shows_is_no_finding_on_a_part(seen: Seen) -> None:
    for fault in ONLY_ON_A_SPECIMEN:
        assert seen.results[part_of(fault)]["findings"] == []


def test_good_parts_between_them_pass_and_clear_the_condition(seen: Seen) -> None:
    for part in range(1, 2 * len(FAULTS) + 2, 2):
        assert seen.results[part]["resultEvaluation"] == "OK"
        assert seen.results[part]["findings"] == []
    levels = [each["level"] for each in seen.conditions]
    assert levels.count("warning") == len(INVALID)
    raised = levels[levels.index("warning") :]
    assert raised == ["warning", "normal"] * len(INVALID)
    signals = {each["signal"] for each in seen.conditions if each["level"] == "warning"}
    assert signals == {"C"}  # NAMUR NE 107: check function


def test_without_the_feed_earlier_parts_tell_a_trace_along_the_lay(tmp_path: Path, broker: RunningBroker) -> None:
    """From twenty parts on; a warning, since a new tool may look alike."""
    schedule = "\n".join(f'[[gauge.schedule]]\npart = {part}\nfault = "along-the-lay"' for part in (2, 23))
    text = STATION.format(topic=TOPIC, port=broker.port, parts=24, schedule=schedule, interval_s=0.0, known="")
    with bus_client(broker.port, acknowledge=True) as mes, station(make_leds(tmp_path), broker.port, text=text) as op30:
        op30.start()
        wait_for(lambda: len(mes.results()) == 24, 40.0, "24 results")
        assert op30.stop() == 0
        results = _seen(mes, []).results
    assert "along-the-lay" not in ids(results[2], "warning")
    assert "along-the-lay" in ids(results[23], "warning")
    assert ids(results[23], "invalid") == []
    assert results[24]["findings"] == []


SPECIMEN = """
feed_mm = 0.11

[[specimen]]
name = "triangles"
type = "C"
parameter = "Ra"
certified = 0.75
expanded_uncertainty = 0.015
certificate = "invented-1"
certificate_due = 2999-12-31
cutoff_mm = 0.8
tolerance_percent = 5.0
warn_percent = 4.0
every_hours = 8.0
traces = 3
"""


def test_a_worn_tip_fails_its_check_and_no_part_passes_any_more(tmp_path: Path, broker: RunningBroker) -> None:
    """Three traces of the specimen, a part, three with the worn tip, a part that would look good."""
    worn = 'fault = "tip-wear"'
    entries = {1: "", 2: "", 3: "", 5: worn, 6: worn, 7: worn}
    schedule = "\n".join(
        f'[[gauge.schedule]]\npart = {part}\nspecimen = "triangles"\n{fault}' for part, fault in entries.items()
    )
    schedule += f"\n[[gauge.schedule]]\npart = 8\n{worn}"
    text = STATION.format(topic=TOPIC, port=broker.port, parts=8, schedule=schedule, interval_s=0.3, known=SPECIMEN)
    with bus_client(broker.port, acknowledge=True) as mes, station(make_leds(tmp_path), broker.port, text=text) as op30:
        op30.start()
        wait_for(lambda: 8 in _seen(mes, []).results, 60.0, "the last part's result")
        wait_for(lambda: mes.payloads("v1/condition/reference-check-failed"))
        assert op30.stop() == 0
        results = _seen(mes, []).results
        failed = [each["level"] for each in mes.payloads("v1/condition/reference-check-failed")]
    assert results[4]["resultEvaluation"] == "OK"
    assert results[8]["resultEvaluation"] == "Undefined"
    assert ids(results[8], "invalid") == ["reference-check-failed"]
    assert set(failed) - {"normal"}
