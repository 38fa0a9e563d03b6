"""A real broker that dies, overflows, refuses, or has nobody to give results to: none is lost and none stalls."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from campaign_counts import campaign_count
from crosslay.bus import pump
from crosslay.testing.broker import RunningBroker
from pump_harness import PumpUnderTest, sequences
from station_harness import TOPIC, bus_client, wait_for
from store_cases import filled_store

pytestmark = pytest.mark.broker

OVERFLOW = campaign_count("CROSSLAY_OVERFLOW", short=300, full=5000)


@contextmanager
def running(folder: Path, port: int, **options: object) -> Iterator[PumpUnderTest]:
    under_test = PumpUnderTest(folder, port, **options)
    try:
        under_test.thread.start()
        yield under_test
    finally:
        under_test.close()


def test_dc_20_a_broker_killed_after_its_puback_with_the_mes_away(tmp_path: Path, broker: RunningBroker) -> None:
    """The broker took everything for an MES that is away, and forgot it all: the PUBACK was worth nothing."""
    with running(tmp_path, broker.port, resend_after_s=0.5, window=50) as under_test:
        with bus_client(broker.port) as listener:  # so that the broker has somebody to take results for
            under_test.commit(40)
            wait_for(lambda: len(listener.results()) >= 40)
        assert under_test.store.levels.pending == 40
        broker.kill()
        wait_for(lambda: not under_test.pump.connected)
        broker.restart()
        with bus_client(broker.port, acknowledge=True) as mes:
            wait_for(lambda: under_test.store.levels.pending == 0, 15)
            assert sorted(set(sequences(mes))) == list(range(1, 41))


def test_dc_11_a_broker_whose_queue_overflows(tmp_path: Path, start_broker: Callable[..., RunningBroker]) -> None:
    """Persistent session of an MES that is away, at most 100 messages kept for it: the broker drops the others."""
    broker = start_broker("max_queued_messages 100\nmax_inflight_messages 20")
    filled_store(tmp_path, OVERFLOW).close()
    with ContiguousMes(broker.port, session_s=3600) as mes:
        mes.leave()
        with running(tmp_path, broker.port, window=1000, resend_after_s=0.5) as under_test:
            if OVERFLOW > 100:
                wait_for(lambda: "dropping" in broker.log_text().lower() or "dropped" in broker.log_text().lower(),
                         20, "the overflow")
            assert under_test.store.levels.pending == OVERFLOW
            mes.come_back()
            wait_for(lambda: under_test.store.levels.pending == 0, 20 + OVERFLOW / 50, "all of it")
            assert mes.contiguous == OVERFLOW
            assert mes.stored == set(range(1, OVERFLOW + 1))


class ContiguousMes:
    """An MES that acknowledges what it has without a hole; its session ends so long after its connection."""

    def __init__(self, port: int, *, session_s: int) -> None:
        self.port = port
        self.session_s = session_s
        self.stored: set[int] = set()
        self.contiguous = 0

    def __enter__(self) -> Self:
        self.come_back()
        return self

    def __exit__(self, *_exception: object) -> None:
        self.leave()

    def come_back(self) -> None:
        lasting = Properties(PacketTypes.CONNECT)
        lasting.SessionExpiryInterval = self.session_s
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "mes", protocol=mqtt.MQTTv5)
        self._client.on_message = self._on_message
        granted: list[bool] = []
        self._client.on_connect = lambda client, *_rest: client.subscribe(f"{TOPIC}/v1/result", 1)
        self._client.on_subscribe = lambda *_rest: granted.append(True)
        self._client.connect("127.0.0.1", self.port, clean_start=False, properties=lasting)
        self._client.loop_start()
        wait_for(lambda: granted)

    def leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, client: object, _userdata: object, message: object) -> None:
        data = json.loads(message.payload)["data"]
        self.stored.add(data["sequence"])
        while self.contiguous + 1 in self.stored:
            self.contiguous += 1
        said = {"instanceId": data["instanceId"], "acknowledgedThrough": self.contiguous}
        client.publish(f"{TOPIC}/v1/result/ack", json.dumps(said), qos=1)


@pytest.mark.parametrize("acknowledge", ["broker", "confirmed"])
def test_dc_22_access_refused_and_granted_later(
    tmp_path: Path, start_broker: Callable[..., RunningBroker], acknowledge: str
) -> None:
    rules = tmp_path / "rules.acl"
    rules.write_text(f"topic readwrite {TOPIC}/v1/state\ntopic readwrite {TOPIC}/v1/result/ack\n")
    broker = start_broker(f"acl_file {rules}")
    (tmp_path / "state").mkdir()
    with running(tmp_path / "state", broker.port, acknowledge=acknowledge, resend_after_s=0.3) as under_test:
        under_test.commit(5)
        wait_for(lambda: "v1/result (0x87)" in (under_test.condition("publish-refused") or ""))
        assert under_test.store.levels.pending == 5
        assert under_test.condition("mes-silent") is None, "the MES is not to blame"
        rules.write_text("topic readwrite #\n")
        broker.restart()
        with bus_client(broker.port, acknowledge=True) as mes:
            under_test.commit(1)
            wait_for(lambda: under_test.store.levels.pending == 0, 15)
            assert sorted(set(sequences(mes))) == [1, 2, 3, 4, 5, 6]
            wait_for(lambda: not under_test.condition("publish-refused"))


def test_dc_23_a_result_above_the_brokers_size_limit(
    tmp_path: Path, start_broker: Callable[..., RunningBroker]
) -> None:
    """mosquitto answers with PUBACK 0x95, which MQTT 5.0 does not list for a PUBACK."""
    broker = start_broker("message_size_limit 2000")
    with bus_client(broker.port, acknowledge=False) as mes, running(tmp_path, broker.port) as under_test:
        under_test.commit(2)
        under_test.padding_bytes = 3000
        under_test.commit(1)
        under_test.padding_bytes = 0
        under_test.commit(4)
        wait_for(lambda: under_test.store.levels.quarantined == 1)
        wait_for(lambda: set(sequences(mes)) == {1, 2, 4, 5, 6, 7})
        mes.send_ack(under_test.store.levels.instance_id, 7)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert under_test.host.counters["connectionsLost"] == 0
        assert under_test.store.levels.acknowledged_through == 7


def test_dc_23_a_result_above_the_brokers_maximum_packet_size(
    tmp_path: Path, start_broker: Callable[..., RunningBroker]
) -> None:
    broker = start_broker("max_packet_size 2000")
    with bus_client(broker.port) as mes, running(tmp_path, broker.port) as under_test:
        under_test.padding_bytes = 3000
        under_test.commit(1)
        under_test.padding_bytes = 0
        under_test.commit(2)
        wait_for(lambda: under_test.store.levels.quarantined == 1)
        wait_for(lambda: sequences(mes) == [2, 3])
        assert under_test.host.counters["connectionsLost"] == 0


def test_dc_23_a_result_that_makes_a_broker_of_the_old_protocol_hang_up(
    tmp_path: Path, start_broker: Callable[..., RunningBroker], monkeypatch: pytest.MonkeyPatch
) -> None:
    """mosquitto ends a connection of MQTT 3.1.1 over a packet above its ``max_packet_size``, without a reason."""
    monkeypatch.setattr(pump, "_BACKOFF_FIRST_S", 0.02)
    monkeypatch.setattr(pump, "_BACKOFF_LIMIT_S", 0.05)
    broker = start_broker("max_packet_size 2000")
    with bus_client(broker.port) as mes, running(tmp_path, broker.port, protocol="3.1.1") as under_test:
        under_test.commit(1)
        under_test.padding_bytes = 3000
        under_test.commit(1)
        under_test.padding_bytes = 0
        under_test.commit(2)
        wait_for(lambda: under_test.store.levels.quarantined == 1, 30)
        wait_for(lambda: set(sequences(mes)) == {1, 3, 4})


def test_dc_11_an_mes_that_comes_and_goes_while_the_broker_stays(tmp_path: Path, broker: RunningBroker) -> None:
    mes = ContiguousMes(broker.port, session_s=0)
    with running(tmp_path, broker.port, resend_after_s=0.3) as under_test:
        for visit in range(4):
            under_test.commit(15)
            with mes:
                wait_for(lambda least=15 * visit + 5: mes.contiguous >= least, 5, f"progress in visit {visit}")
        with mes:
            wait_for(lambda: under_test.store.levels.pending == 0)
    assert mes.stored == set(range(1, 61))
    assert under_test.host.counters["connectionsLost"] == 0
