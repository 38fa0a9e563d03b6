"""What a network does to a connection, through a proxy that does it on request; every clause with its fault.

The rule to keep: a fault is noticed within 1.5 keepalives and one second (DC-64), what is measured meanwhile waits in
the store, and all of it arrives once the network is whole again (DC-11).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from crosslay.testing.broker import RunningBroker
from fault_proxy import Direction, Fault, FaultProxy, fault_proxy
from pump_harness import PumpUnderTest, sequences
from station_harness import bus_client, wait_for

pytestmark = pytest.mark.broker

KEEPALIVE_S = 2
NOTICED_WITHIN_S = 1.5 * KEEPALIVE_S + 1.0


def switch(fault: Fault) -> Callable[[FaultProxy], None]:
    return lambda proxy: setattr(proxy, "fault", fault)


def one_byte_a_second(proxy: FaultProxy) -> None:
    proxy.trickle = True


def cut(direction: Direction, byte_count: int) -> Callable[[FaultProxy], None]:
    return lambda proxy: proxy.cut_after(byte_count, direction)


FAULTS: dict[str, Callable[[FaultProxy], None]] = {
    "black hole": switch(Fault.BLACK_HOLE),
    "black hole towards the broker": switch(Fault.DEAF),
    "black hole from the broker": switch(Fault.MUTE),
    "half open": FaultProxy.half_open,
    "reset": FaultProxy.reset,
    "one byte a second": one_byte_a_second,
    "cut in a packet to the broker": cut(Direction.TO_BROKER, 7),
    "cut in a packet from the broker": cut(Direction.FROM_BROKER, 2),
}


@contextmanager
def running(folder: Path, port: int, prefix: str):
    folder.mkdir()
    under_test = PumpUnderTest(folder, port, keepalive_s=KEEPALIVE_S, resend_after_s=1.0, prefix=prefix)
    try:
        under_test.thread.start()
        yield under_test
    finally:
        under_test.close()


def outage(
    folder: Path, broker: RunningBroker, what: str, *, prefix: str, during: int
) -> float:
    """One fault from beginning to end; how long the pump took to notice, in seconds."""
    with (
        bus_client(broker.port, acknowledge=True, prefix=prefix) as mes,
        fault_proxy(broker.port) as proxy,
        running(folder, proxy.port, prefix) as under_test,
    ):
        under_test.commit(2)
        wait_for(lambda: under_test.store.levels.pending == 0, what="the results before the fault")
        if not during:
            time.sleep(0.3)  # the state that says so has gone as well: from here on nothing is due for a keepalive
        FAULTS[what](proxy)
        began = time.monotonic()
        for _ in range(during):  # the first second of the outage
            under_test.commit(1)
            time.sleep(1.0 / during)
        counters = under_test.host.counters
        wait_for(lambda: counters["connectionsLost"], NOTICED_WITHIN_S + 5, f"notice of the {what}")
        noticed_s = time.monotonic() - began
        if proxy.fault is not Fault.NONE or proxy.trickle:
            assert under_test.condition("broker-offline")
            assert under_test.store.levels.pending == during, "what was measured in the outage waits in the store"
        proxy.heal()
        under_test.commit(1)
        wait_for(lambda: under_test.store.levels.pending == 0, 20, "the backlog's end")
        wait_for(lambda: under_test.condition("broker-offline") is None)
        assert list(dict.fromkeys(sequences(mes))) == list(range(1, 2 + during + 2)), "all of it, in order"
        return noticed_s


def all_at_once(run: Callable[[str], float]) -> dict[str, float]:
    with ThreadPoolExecutor(len(FAULTS)) as pool:
        return dict(zip(FAULTS, pool.map(run, FAULTS), strict=True))


@pytest.mark.parametrize("during", [4, 0], ids=["while parts are measured", "while nothing is measured"])
def test_dc_64_every_fault_is_noticed_in_time_and_nothing_is_lost(
    tmp_path: Path, broker: RunningBroker, during: int
) -> None:
    prefixes = {name: f"plant/{number}" for number, name in enumerate(FAULTS)}
    noticed = all_at_once(
        lambda name: outage(
            tmp_path / name.replace(" ", "-"), broker, name, prefix=prefixes[name], during=during
        )
    )
    print({name: round(seconds, 2) for name, seconds in noticed.items()})
    late = {name: seconds for name, seconds in noticed.items() if seconds > NOTICED_WITHIN_S}
    assert not late


def test_dc_64_an_mes_that_talks_is_no_sign_that_the_broker_hears_us(tmp_path: Path, broker: RunningBroker) -> None:
    """Towards the broker nothing goes any more, but acknowledgements of the MES still come in."""
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        fault_proxy(broker.port) as proxy,
        running(tmp_path / "state", proxy.port, mes.prefix) as under_test,
    ):
        under_test.commit(1)
        wait_for(lambda: under_test.store.levels.pending == 0)
        identity, ended = under_test.store.levels.instance_id, threading.Event()

        def talk() -> None:
            while not ended.wait(0.4):  # the broker sends 20 before it waits for an answer
                mes.send_ack(identity, 1)

        talker = threading.Thread(target=talk)
        talker.start()
        try:
            proxy.fault = Fault.DEAF
            began = time.monotonic()
            text = wait_for(lambda: under_test.condition("broker-offline"), what="the condition")
            assert "acknowledged nothing" in text
            assert time.monotonic() - began < NOTICED_WITHIN_S
        finally:
            ended.set()
            talker.join()


def test_dc_64_a_slow_network_is_no_fault(tmp_path: Path, broker: RunningBroker) -> None:
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        fault_proxy(broker.port) as proxy,
        running(tmp_path / "state", proxy.port, mes.prefix) as under_test,
    ):
        proxy.delay_s = 0.25
        under_test.commit(30)
        wait_for(lambda: under_test.store.levels.pending == 0, 20)
        assert list(dict.fromkeys(sequences(mes))) == list(range(1, 31))
        assert under_test.host.counters["connectionsLost"] == 0
        assert proxy.connections == 1


def test_dc_32_a_connection_that_breaks_again_and_again_still_drains(tmp_path: Path, broker: RunningBroker) -> None:
    """Each connection is cut in the middle of a packet after some kilobytes; progress is made all the same."""
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        fault_proxy(broker.port) as proxy,
        running(tmp_path / "state", proxy.port, mes.prefix) as under_test,
    ):
        under_test.padding_bytes = 500
        for _ in range(3):
            before = under_test.host.counters["connectionsLost"]
            proxy.cut_after(6_001)
            under_test.commit(12)
            wait_for(lambda before=before: under_test.host.counters["connectionsLost"] > before, 20)
        wait_for(lambda: under_test.store.levels.pending == 0, 20)
        seen = sequences(mes)
        assert list(dict.fromkeys(seen)) == list(range(1, 37))
        assert len(seen) - 36 <= 3 * 20, "at most W repeats for each reconnection"


def test_dc_61_a_black_hole_from_the_first_byte_on(tmp_path: Path, broker: RunningBroker) -> None:
    """The network takes the connection and says nothing more; once it is whole, everything goes on by itself."""
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        fault_proxy(broker.port) as proxy,
    ):
        proxy.fault = Fault.BLACK_HOLE
        with running(tmp_path / "state", proxy.port, mes.prefix) as under_test:
            under_test.commit(2)
            text = wait_for(lambda: under_test.condition("broker-offline"), 10)
            assert "no CONNACK" in text or "Keep alive" in text
            proxy.heal()
            wait_for(lambda: under_test.store.levels.pending == 0, 15)
