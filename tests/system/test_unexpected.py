"""Defects that nobody expects, in every callback, hook and adapter: never connected and dead, and no part is lost."""

from __future__ import annotations

import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import sabotage
from crosslay.station.supervisor import EXIT_HUNG
from crosslay.testing.broker import RunningBroker
from station_harness import STATION, StationUnderTest, bus_client, csv_bytes, sine_um, wait_for

pytestmark = pytest.mark.broker

LEDS = '[[indicator]]\nadapter = "sysfs-led"\nfolder = "leds"\naccept = "green"\nreject = "red"\nfault = "yellow"\n'
#: What has to happen, beside a part, before a defect strikes.
NEEDS_A_NEW_CONNECTION = {"link-connect", "on-connect", "on-subscribe", "hub-identification"}
NEEDS_A_NEW_GAUGE = {"gauge-open", "gauge-describe"}
NEEDS_A_FAILED_LAMP = {"led-open"}


def is_lit(folder: Path, name: str) -> bool:
    return (folder / "leds" / name / "brightness").read_text().strip() not in {"", "0"}


def sabotaged(folder: Path, port: int, prefix: str) -> StationUnderTest:
    """A station with the defects, none of them switched on."""
    for name in ("green", "red", "yellow"):
        (folder / "leds" / name).mkdir(parents=True)
        (folder / "leds" / name / "brightness").write_text("0\n")
    (folder / "sabotage").mkdir()
    text = STATION.format(topic=prefix, port=port, bus="resend_after_s = 0.5\nkeepalive_s = 2", more=LEDS)
    under_test = StationUnderTest(folder, port, text=text)
    under_test.program = [sys.executable, sabotage.__file__]
    return under_test


def start(op30: StationUnderTest) -> None:
    op30.start(env={"CROSSLAY_SABOTAGE": str(op30.folder / "sabotage")})


def struck(op30: StationUnderTest, name: str) -> bool:
    return (op30.folder / "sabotage" / f"{name}.struck").exists()


def test_dc_64_an_exception_anywhere_is_survived(tmp_path: Path, broker: RunningBroker) -> None:
    content = csv_bytes(sine_um())
    op30 = sabotaged(tmp_path, broker.port, "plant/shafts/line3/op30")
    try:
        with bus_client(broker.port, acknowledge=True) as mes:
            start(op30)
            parts = 0
            for name in sabotage.TARGETS:
                switches = [op30.folder / "sabotage" / name]
                if name in NEEDS_A_NEW_CONNECTION:
                    switches.append(op30.folder / "sabotage" / "link-step")
                if name in NEEDS_A_NEW_GAUGE:
                    switches.append(op30.folder / "sabotage" / "gauge-read")
                if name in NEEDS_A_FAILED_LAMP:
                    switches.append(op30.folder / "sabotage" / "led-show")
                for switch in switches:
                    switch.touch()
                parts += 1
                op30.drop(f"P-{parts}.csv", content)
                if name in NEEDS_A_NEW_CONNECTION:
                    wait_for(lambda name=name: struck(op30, "link-step") or struck(op30, name))
                    switches[1].unlink()
                if name == "on-disconnect":
                    broker.restart()
                wait_for(lambda name=name: struck(op30, name), 15, f"the defect {name}")
                for switch in switches:
                    switch.unlink(missing_ok=True)
                (op30.folder / "sabotage" / "link-step.struck").unlink(missing_ok=True)
                wait_for(
                    lambda parts=parts: mes.state().get("acknowledgedThrough") == parts
                    and mes.state()["backlog"]["depth"] == 0,
                    20,
                    f"part {parts} after the defect {name}",
                )
                assert op30.process.poll() is None, name
            wait_for(lambda: mes.state()["conditions"] == [], 15, "no condition left")
            parts += 1
            op30.drop(f"P-{parts}.csv", content)
            wait_for(lambda: is_lit(op30.folder, "green"), what="ACCEPT for a part after all that")
            results = op30.results()
            assert [item["partId"] for item in results] == [f"P-{number + 1}" for number in range(parts)]
            broken = [item["partId"] for item in results if item["resultEvaluation"] != "OK"]
            assert broken == [f"P-{1 + list(sabotage.TARGETS).index('evaluate')}"], "stored as invalid"
            assert op30.stop() == 0
    finally:
        op30.close()


#: A hang of each thread: pump, recorder (twice), capture, main (twice).
HANGS = ["link-connect", "link-step", "commit", "evaluate", "gauge-read", "led-show", "status-file"]


def hang_and_come_back(folder: Path, broker: RunningBroker, name: str, prefix: str) -> float:
    """How long the process lived on after the hang, in seconds."""
    content = csv_bytes(sine_um())
    op30 = sabotaged(folder, broker.port, prefix)
    try:
        with bus_client(broker.port, acknowledge=True, prefix=prefix) as mes:
            start(op30)
            op30.drop("P-1.csv", content)
            wait_for(lambda: mes.state().get("acknowledgedThrough") == 1, what=f"the first part before {name}")
            switch = op30.folder / "sabotage" / f"{name}.hang"
            switch.touch()
            if name == "link-connect":
                (op30.folder / "sabotage" / "link-step").touch()
            op30.drop("P-2.csv", content)
            wait_for(lambda: struck(op30, name), 15, f"the hang {name}")
            began = time.monotonic()
            wait_for(lambda: op30.process.poll() is not None, sabotage.LIMIT_S + 5, f"the end after {name}")
            lived_s = time.monotonic() - began
            assert op30.process.wait() == EXIT_HUNG, name
            if name not in {"led-show", "status-file"}:  # a lamp that hangs is not to be had; the wiring must do
                assert (is_lit(folder, "green"), is_lit(folder, "red")) == (False, True), name
            switch.unlink()
            (op30.folder / "sabotage" / "link-step").unlink(missing_ok=True)
            start(op30)
            wait_for(lambda: mes.state().get("acknowledgedThrough") == 2, 20, f"the part that was there during {name}")
            assert [item["partId"] for item in op30.results()] == ["P-1", "P-2"], name
            assert op30.stop() == 0
            return lived_s
    finally:
        op30.close()


def test_a_hang_of_any_thread_ends_the_process_and_loses_nothing(tmp_path: Path, broker: RunningBroker) -> None:
    def run(number: int) -> float:
        name = HANGS[number]
        (tmp_path / name).mkdir()
        return hang_and_come_back(tmp_path / name, broker, name, f"plant/hang/s{number}")

    with ThreadPoolExecutor(4) as pool:
        lived = dict(zip(HANGS, pool.map(run, range(len(HANGS))), strict=True))
    print({name: round(seconds, 1) for name, seconds in lived.items()})
    assert all(seconds < sabotage.LIMIT_S + 2.0 for seconds in lived.values()), lived

