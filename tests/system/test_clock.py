"""A clock that is not set, and jumps: order, timers and light do not go by it.

The wall clock of the daemon is faked from outside by libfaketime (a Debian package); the monotonic clock is left alone.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from crosslay.testing.broker import RunningBroker
from station_harness import StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

LEDS = '[[indicator]]\nadapter = "sysfs-led"\nfolder = "leds"\naccept = "green"\nreject = "red"\nfault = "yellow"\n'
DWELL_S = 1.5


class FakeClock:
    """A file that says by how many seconds the daemon's wall clock differs from the real one."""

    def __init__(self, folder: Path, library: Path) -> None:
        self._file = folder / "clock"
        self.environment = {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }

    def show(self, when: datetime) -> None:
        """From now on it is `when`."""
        draft = self._file.with_suffix(".new")
        draft.write_text(f"{when.timestamp() - time.time():+.0f}\n")
        draft.rename(self._file)


@pytest.fixture
def clock(tmp_path: Path) -> FakeClock:
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        pytest.skip("NOT CHECKED: libfaketime is missing (apt-get install libfaketime)")
    return FakeClock(tmp_path, found[0])


def drop(op30: StationUnderTest, name: str, when: datetime) -> None:
    """A file that was written at `when`, as far as its own clock says."""
    draft = op30.folder / name
    draft.write_bytes(csv_bytes(sine_um()))
    os.utime(draft, (when.timestamp(), when.timestamp()))
    draft.rename(op30.incoming / name)


def make_leds(folder: Path) -> Path:
    for name in ("green", "red", "yellow"):
        (folder / "leds" / name).mkdir(parents=True)
        (folder / "leds" / name / "brightness").write_text("0\n")
    return folder / "leds"


def is_lit(leds: Path, name: str) -> bool:
    return (leds / name / "brightness").read_text().strip() not in {"", "0"}


def lit_for_s(leds: Path) -> float:
    """How long ACCEPT is lit, by the clock that nobody fakes."""
    wait_for(lambda: is_lit(leds, "green"), what="ACCEPT")
    began = time.monotonic()
    wait_for(lambda: not is_lit(leds, "green"), what="the end of ACCEPT")
    return time.monotonic() - began


def test_dc_03_a_clock_that_is_not_set_and_jumps(tmp_path: Path, broker: RunningBroker, clock: FakeClock) -> None:
    leds = make_leds(tmp_path)
    times = [
        datetime(1970, 1, 1, 0, 5, tzinfo=UTC),
        datetime(2031, 6, 1, tzinfo=UTC),
        datetime(2001, 9, 9, tzinfo=UTC),
        datetime(2026, 3, 2, 8, tzinfo=UTC),
    ]
    more = f"{LEDS}\n[light]\ndwell_s = {DWELL_S}\n"
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=more) as op30:
        clock.show(times[0])
        op30.start(env=clock.environment)
        wait_for(lambda: mes.state().get("cycle") == "waiting")
        assert mes.state()["time"].startswith("1970-01-01")
        assert mes.state()["clockSynchronized"] is False
        for number, when in enumerate(times, 1):
            clock.show(when)
            drop(op30, f"P-{number}.csv", when)
            assert DWELL_S - 0.3 < lit_for_s(leds) < DWELL_S + 0.6, "the dwell goes by the monotonic clock"
            wait_for(lambda number=number: mes.state().get("acknowledgedThrough") == number)
        assert op30.process.poll() is None
        results = [item["data"] for item in mes.results()]
        assert [item["sequence"] for item in results] == [1, 2, 3, 4], "in order, and none twice"
        assert [item["creationTime"][:4] for item in results] == ["1970", "2031", "2001", "2026"]
        assert [item["clockSynchronized"] for item in results[:1]] == [False]
        assert all(item["resultEvaluation"] == "OK" for item in results)
        assert "resends" not in mes.state()["counters"]
        assert "connectionsLost" not in mes.state()["counters"]
        sessions = [item["sessionNumber"] for item in mes.payloads("v1/state")]
        assert sessions == sorted(sessions)
        assert op30.stop() == 0
    with closing(sqlite3.connect(op30.state_dir / "results.sqlite3")) as database:
        kept = [json.loads(row[0])["data"]["partId"] for row in database.execute("SELECT payload FROM result")]
    assert kept == ["P-1", "P-2", "P-3", "P-4"], "no clock makes retention remove what is young"


def test_no_accept_for_a_trace_whose_age_cannot_be_right(
    tmp_path: Path, broker: RunningBroker, clock: FakeClock
) -> None:
    """The file says when it was written; by the station's clock that lies in the future, or long ago."""
    leds = make_leds(tmp_path)
    captured = datetime(2026, 3, 2, 8, tzinfo=UTC)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=LEDS) as op30:
        clock.show(datetime(1970, 1, 1, tzinfo=UTC))
        op30.start(env=clock.environment)
        for number, now in enumerate((datetime(1970, 1, 1, tzinfo=UTC), datetime(2026, 3, 2, 9, tzinfo=UTC)), 1):
            clock.show(now)
            drop(op30, f"P-{number}.csv", captured)
            wait_for(lambda number=number: mes.state().get("acknowledgedThrough") == number)
            until = time.monotonic() + 0.5
            while time.monotonic() < until:
                assert not is_lit(leds, "green")
                assert is_lit(leds, "red")
                time.sleep(0.01)
            assert mes.results()[-1]["data"]["resultEvaluation"] == "OK"
        clock.show(captured)
        drop(op30, "P-3.csv", captured)
        wait_for(lambda: is_lit(leds, "green"), what="ACCEPT where the clocks agree")
        assert op30.stop() == 0
