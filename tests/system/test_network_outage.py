"""A station whose network becomes a black hole: what the operator sees, and what the MES gets afterwards."""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import pytest

from crosslay.testing.broker import RunningBroker
from fault_proxy import Fault, fault_proxy
from station_harness import bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

KEEPALIVE_S = 2
NOTICED_WITHIN_S = 1.5 * KEEPALIVE_S + 1.0
LEDS = '[[indicator]]\nadapter = "sysfs-led"\nfolder = "leds"\naccept = "green"\nreject = "red"\nfault = "yellow"\n'


def make_leds(folder: Path) -> Path:
    for name in ("green", "red", "yellow"):
        led = folder / "leds" / name
        led.mkdir(parents=True)
        (led / "brightness").write_text("0\n")
    return folder / "leds"


def is_lit(leds: Path, name: str) -> bool:
    return (leds / name / "brightness").read_text().strip() not in {"", "0"}


def flashes(leds: Path, seconds: float) -> list[float]:
    """How long FAULT stayed lit or dark each time, in seconds; the first and last pieces are left out."""
    changes, level = [], is_lit(leds, "yellow")
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        now = is_lit(leds, "yellow")
        if now != level:
            level = now
            changes.append(time.monotonic())
        time.sleep(0.005)
    return [later - earlier for earlier, later in itertools.pairwise(changes)]


def test_dc_64_a_black_hole_is_shown_and_costs_nothing(tmp_path: Path, broker: RunningBroker) -> None:
    leds = make_leds(tmp_path)
    content = csv_bytes(sine_um())
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        fault_proxy(broker.port) as proxy,
        station(tmp_path, proxy.port, bus=f"keepalive_s = {KEEPALIVE_S}\nresend_after_s = 1.0", more=LEDS) as op30,
    ):
        op30.start()
        op30.drop("P-0.csv", content)
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        assert not is_lit(leds, "yellow")
        proxy.fault = Fault.BLACK_HOLE
        began = time.monotonic()
        for number in range(1, 4):
            op30.drop(f"P-{number}.csv", content)
            time.sleep(0.2)
        wait_for(lambda: is_lit(leds, "yellow"), NOTICED_WITHIN_S + 2.0 + 5.0)
        # Slow flash: 0.5 Hz, so it may be dark for the first second after it was noticed.
        assert time.monotonic() - began < NOTICED_WITHIN_S + 1.0
        pieces = flashes(leds, 3.5)
        assert pieces
        assert all(0.9 < piece < 1.1 for piece in pieces), pieces
        said = op30.command("status").stdout
        assert "broker" in said
        waiting = [item["partId"] for item in op30.results() if item["delivery"] == "to be delivered"]
        assert waiting == ["P-1", "P-2", "P-3"], "the first second of the outage is in the backlog"
        proxy.heal()
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 4, 20)
        assert list(dict.fromkeys(item["data"]["partId"] for item in mes.results())) == [f"P-{n}" for n in range(4)]
        wait_for(lambda: mes.payloads("v1/condition/broker-offline")[-1]["level"] == "normal")
        wait_for(lambda: not flashes(leds, 2.2))
        assert not is_lit(leds, "yellow")
        assert op30.stop() == 0
