"""Clauses of the delivery contract that have no test of their own elsewhere."""

from __future__ import annotations

import json
import sqlite3
import time
from pathlib import Path

import pytest

from crosslay.bus.link import Address, Link, Outbound
from crosslay.errors import BusError
from crosslay.record.levels import Settled
from crosslay.testing.broker import RunningBroker
from station_harness import TOPIC, BusClient, bus_client, csv_bytes, sine_um, station, wait_for
from store_cases import filled_store, result_draft

pytestmark = pytest.mark.broker

RETAINED = {"v1/state", "v1/identification", "v1/configuration", "v1/anchor"}


def test_dc_01_the_source_is_the_station_files(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port) as op30:
        text = op30.file.read_text().replace('name = "op30"', 'name = "op30"\nsource = "urn:plant:invented:op30"')
        op30.file.write_text(text)
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        [event] = wait_for(mes.results)
        assert event["source"] == "urn:plant:invented:op30"
        assert wait_for(lambda: mes.payloads("v1/identification"))[0]["source"] == "urn:plant:invented:op30"
        assert op30.stop() == 0


def test_dc_33_a_long_drain_never_hides_the_present(tmp_path: Path, broker: RunningBroker) -> None:
    store = filled_store(tmp_path / "state", 200)
    store.close()
    with bus_client(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        wait_for(lambda: len(mes.results()) >= 20)
        op30.drop("P-live.csv", csv_bytes(sine_um()))
        wait_for(lambda: (mes.state().get("lastPart") or {}).get("partId") == "P-live")
        wait_for(lambda: mes.payloads("v1/evaluation"))
        assert mes.state()["backlog"]["depth"] == 201
        assert mes.state()["backlog"]["oldestAgeSeconds"] is not None
        mes.acknowledge = True
        mes.send_ack(mes.state()["instanceId"], 20)
        wait_for(lambda: mes.state().get("backlog", {}).get("depth") == 0, 30)
        order = list(dict.fromkeys(item["data"]["sequence"] for item in mes.results()))
        assert order == list(range(1, 202)), "backlog and live results share one queue"
        assert op30.stop() == 0


def test_dc_40_the_state_lets_the_mes_see_a_gap(tmp_path: Path, broker: RunningBroker) -> None:
    store = filled_store(tmp_path / "state", 5)
    store.settle(Settled(through=3))
    identity = store.levels.instance_id
    store.close()
    with bus_client(broker.port) as mes, station(tmp_path, broker.port) as op30:
        op30.start()
        state = wait_for(mes.state)
        assert {key: state[key] for key in ("instanceId", "firstSequence", "lastSequence", "acknowledgedThrough")} == {
            "instanceId": identity,
            "firstSequence": 1,
            "lastSequence": 5,
            "acknowledgedThrough": 3,
        }
        assert isinstance(state["sessionNumber"], int)
        assert op30.stop() == 0


def test_dc_61_nothing_waits_inside_the_client_library(tmp_path: Path, broker: RunningBroker) -> None:
    """What is in flight is at most the window, and a new connection has a new client."""
    store = filled_store(tmp_path / "state", 60)
    store.close()
    with bus_client(broker.port) as mes, station(tmp_path, broker.port, bus="window = 7") as op30:
        op30.start()
        wait_for(lambda: len(mes.results()) >= 7)
        time.sleep(0.5)
        assert sorted({item["data"]["sequence"] for item in mes.results()}) == list(range(1, 8))
        assert op30.stop() == 0


def test_dc_63_what_is_retained_and_what_is_not(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port) as op30:
        with bus_client(broker.port, acknowledge=True) as mes:
            op30.start()
            op30.drop("P-1.csv", csv_bytes(sine_um()))
            wait_for(mes.results)
            op30.drop("wrong.csv", b"nonsense")  # after the good part, whose result clears the condition
            wait_for(lambda: levels(mes, "trace-refused")[-1:] == ["warning"])
            wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
            wait_for(lambda: mes.payloads("v1/anchor"), 15)
        with bus_client(broker.port) as late:
            wait_for(late.state)
            time.sleep(0.5)
            leaves = {message.topic.removeprefix(f"{TOPIC}/") for message in late.messages if message.retain}
        assert leaves >= RETAINED
        assert all(leaf in RETAINED or leaf.startswith("v1/condition/") for leaf in leaves)
        assert op30.stop() == 0


def levels(client: BusClient, condition: str) -> list[str]:
    return [message["level"] for message in client.payloads(f"v1/condition/{condition}")]


def test_dc_63_no_condition_of_an_earlier_run_stays_retained(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port) as op30:
        op30.start()
        with bus_client(broker.port) as first:
            op30.drop("wrong.csv", b"nonsense")
            wait_for(lambda: levels(first, "trace-refused")[-1:] == ["warning"])
        op30.kill()
        with bus_client(broker.port) as between:
            wait_for(lambda: levels(between, "trace-refused") == ["warning"])
            op30.start()
            wait_for(lambda: levels(between, "trace-refused") == ["warning", "normal"])
        assert op30.stop() == 0


def step_for(link: Link, seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        link.step(0.1, None)


def test_dc_64_a_broker_that_only_keeps_the_connection_is_no_health(broker: RunningBroker) -> None:
    """Connected, but nothing that was sent is acknowledged: the link gives up within half a keepalive."""
    address = Address(host="127.0.0.1", port=broker.port, protocol="5", keepalive_s=2, client_id="dc64")
    link = Link(address, will=Outbound(topic="t", payload=b""))
    link.connect()
    link._sent_at[65535] = time.monotonic()  # a message whose acknowledgement never comes
    started = time.monotonic()
    with pytest.raises(BusError, match="acknowledged nothing"):
        step_for(link, 5.0)
    assert time.monotonic() - started < 1.5 * 2 + 1
    link.close()


def test_dc_65_the_old_protocol_works_and_only_with_confirmation(tmp_path: Path, broker: RunningBroker) -> None:
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        station(tmp_path, broker.port, bus='protocol = "3.1.1"') as op30,
    ):
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(mes.results)
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        assert op30.stop() == 0
        op30.file.write_text(op30.file.read_text().replace('"3.1.1"', '"3.1.1"\nacknowledge = "broker"'))
        refused = op30.command("check")
        assert refused.returncode == 78
        assert "confirmed" in refused.stderr


def test_dc_03_the_clock_is_no_order(tmp_path: Path) -> None:
    """A result with an earlier clock still comes later: the sequence is the only order."""
    store = filled_store(tmp_path, 1)
    store.commit(result_draft("P-2", created_at=10.0), Settled())
    store.close()
    database = sqlite3.connect(tmp_path / "results.sqlite3")
    try:
        rows = database.execute("SELECT sequence, payload FROM result ORDER BY sequence").fetchall()
    finally:
        database.close()
    assert [json.loads(payload)["data"]["partId"] for _sequence, payload in rows] == ["P-1", "P-2"]
