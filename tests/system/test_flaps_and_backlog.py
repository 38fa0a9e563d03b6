"""A connection that breaks a thousand times, a backlog of a hundred thousand results: nothing grows, all arrives."""

from __future__ import annotations

import itertools
import json
import statistics
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import pytest

import quick_reconnect
from bulk_store import bulk_store
from campaign_counts import campaign_count
from counting_mes import CountingMes, counting_mes
from crosslay.testing.broker import RunningBroker
from fault_proxy import Fault, fault_proxy
from station_harness import BusClient, StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = [pytest.mark.broker, pytest.mark.campaign]

FLAPS = campaign_count("CROSSLAY_FLAPS", short=20, full=1_000)
BACKLOG = campaign_count("CROSSLAY_BACKLOG", short=3_000, full=100_000)
GROWTH_BYTES = 8 << 20
WARM_UP = 5


@dataclass
class Watch:
    """Samples what a process holds, ten times a second, from `begin` to `end`."""

    process: psutil.Process
    rss: list[int] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)

    def sample(self) -> None:
        self.rss.append(self.process.memory_info().rss)
        self.descriptors.append(self.process.num_fds())
        self.threads.append(self.process.num_threads())

    def begin(self) -> None:
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._ended.wait(0.1):
            self.sample()

    def end(self) -> None:
        self._ended.set()
        self._thread.join()


def watch(op30: StationUnderTest) -> Watch:
    assert op30.process is not None
    made = Watch(psutil.Process(op30.process.pid))
    made.sample()
    return made


def settled(op30: StationUnderTest) -> Watch:
    """What a connected station holds: the most of a second, so that no moment between two connections counts."""
    made = watch(op30)
    for _ in range(20):
        time.sleep(0.05)
        made.sample()
    return made


def until_drained(states: BusClient) -> list[float]:
    """When the states of the drain came, the first one without a backlog included; afterwards there is less to say."""
    at = []
    for message in states.messages:
        at.append(message.timestamp)
        if json.loads(message.payload).get("backlog", {}).get("depth") == 0:
            break
    return at


def sequences(mes: CountingMes) -> list[int]:
    """First coming of each."""
    return list(dict.fromkeys(item.sequence for item in mes.deliveries))


@pytest.mark.timeout(90 + FLAPS * 3)
def test_dc_61_a_connection_that_breaks_again_and_again_leaves_nothing_behind(
    tmp_path: Path, broker: RunningBroker
) -> None:
    content = csv_bytes(sine_um())
    parts = 0
    with (
        counting_mes(broker.port) as mes,
        fault_proxy(broker.port) as proxy,
        station(tmp_path, proxy.port, bus="resend_after_s = 0.5") as op30,
    ):
        op30.program = [sys.executable, quick_reconnect.__file__]
        op30.start()
        held: Watch | None = None
        for flap in range(WARM_UP + FLAPS):
            wait_for(lambda flap=flap: len(set(mes.sessions)) > flap, 20, f"connection {flap + 1}")
            if flap == WARM_UP:
                wait_for(lambda: mes.state.get("acknowledgedThrough") == parts, 20, "the first part")  # noqa: B023
                held = settled(op30)
            if flap % 4 == 0:
                parts += 1
                op30.drop(f"P-{parts:04d}.csv", content)
            proxy.reset()
        wait_for(lambda: mes.state.get("acknowledgedThrough") == parts, 30)
        after = settled(op30)
        assert held is not None
        grown = max(after.rss) - max(held.rss)
        print(
            f"\n{FLAPS} flaps: RSS {max(held.rss) / 2**20:.1f} -> {max(after.rss) / 2**20:.1f} MiB, descriptors "
            f"{max(held.descriptors)} -> {max(after.descriptors)}, threads {max(held.threads)} -> {max(after.threads)}"
        )
        assert grown <= GROWTH_BYTES
        # A status file is written now and then, and its reader opens database and WAL at the first backlog it meets.
        assert abs(max(after.descriptors) - max(held.descriptors)) <= 3
        assert max(after.threads) == max(held.threads)
        assert sequences(mes) == list(range(1, parts + 1))
        assert mes.most_repeats() <= 20
        assert op30.stop() == 0


@pytest.mark.timeout(120 + BACKLOG // 100)
@pytest.mark.parametrize("acknowledge", ["confirmed", "broker"])
def test_dc_33_a_large_backlog_drains_in_order_and_in_no_more_memory(
    tmp_path: Path, start_broker: Callable[..., RunningBroker], acknowledge: str
) -> None:
    broker = start_broker("max_queued_messages 0")  # in `broker` mode what its queue drops for a slow MES is gone
    bulk_store(tmp_path / "state", BACKLOG, padding=1_400)
    with (
        counting_mes(broker.port) as mes,
        bus_client(broker.port, subscribe="plant/shafts/line3/op30/v1/state") as states,
        fault_proxy(broker.port) as proxy,
    ):
        proxy.fault = Fault.BLACK_HOLE
        with station(tmp_path, proxy.port, bus=f'acknowledge = "{acknowledge}"') as op30:
            op30.start()
            op30.drop("P-live.csv", csv_bytes(sine_um()))  # what an evaluation needs is there before the drain
            wait_for((op30.incoming / "done" / "P-live.csv").exists, 20)
            held = watch(op30)
            proxy.heal()
            held.begin()
            try:
                began = time.monotonic()
                wait_for(lambda: mes.state.get("backlog", {}).get("depth") == 0, 60 + BACKLOG / 200, "the end")
                elapsed_s = time.monotonic() - began
                at = until_drained(states)
                wait_for(lambda: len(mes.deliveries) > BACKLOG, 60 + BACKLOG / 200, "what the broker still holds")
            finally:
                held.end()
            assert op30.stop() == 0
    silence_s = max(later - earlier for earlier, later in itertools.pairwise(at))
    connected = list(itertools.dropwhile(lambda number: number == held.descriptors[0], held.descriptors))
    half = len(connected) // 2
    early, late = round(statistics.median(connected[:half])), round(statistics.median(connected[half:]))
    print(
        f"\n{BACKLOG:,} results, {acknowledge}: {BACKLOG / elapsed_s:,.0f}/s, RSS {held.rss[0] / 2**20:.1f} -> at most "
        f"{max(held.rss) / 2**20:.1f} MiB, descriptors {early} -> {late}, "
        f"threads {held.threads[0]} -> at most {max(held.threads)}, longest silence of v1/state {silence_s:.2f} s"
    )
    assert sequences(mes) == list(range(1, BACKLOG + 2))
    assert len(mes.deliveries) == BACKLOG + 1, "nothing twice"
    assert max(held.rss) - held.rss[0] <= GROWTH_BYTES
    assert late <= early
    # Beside the socket to the broker and what SQLite opens with it, a status file is written now and then.
    assert max(held.descriptors) - held.descriptors[0] <= 5
    assert max(held.threads) == held.threads[0]
    assert silence_s < 10.0
    assert not mes.violations
