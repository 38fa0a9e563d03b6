"""The pump against a real mosquitto and a real store; the station around it is the smallest that does."""

from __future__ import annotations

import json
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from crosslay.bus.messages import EvaluationMessage, WireVerdict
from crosslay.testing.broker import RunningBroker
from pump_harness import PumpUnderTest, deliveries, sequences
from station_harness import BusClient, bus_client, wait_for

pytestmark = pytest.mark.broker


@pytest.fixture
def make_pump(tmp_path: Path, broker: RunningBroker) -> Iterator[object]:
    made: list[PumpUnderTest] = []

    def make(
        *,
        acknowledge: str = "confirmed",
        window: int = 20,
        keepalive_s: int = 10,
        resend_after_s: float = 3.0,
        start: bool = True,
    ) -> PumpUnderTest:
        under_test = PumpUnderTest(
            tmp_path,
            broker.port,
            acknowledge=acknowledge,
            window=window,
            keepalive_s=keepalive_s,
            resend_after_s=resend_after_s,
        )
        made.append(under_test)
        if start:
            under_test.thread.start()
        return under_test

    yield make
    for under_test in made:
        under_test.close()


def test_dc_11_and_20_results_wait_for_the_mes_and_are_cleared_by_it(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump()
        under_test.commit(3)
        wait_for(lambda: len(mes.results()) == 3)
        assert under_test.store.levels.pending == 3, "a PUBACK clears nothing"
        mes.send_ack(under_test.store.levels.instance_id, 2)
        wait_for(lambda: under_test.store.levels.pending == 1)
        mes.send_ack(under_test.store.levels.instance_id, 3)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert sequences(mes) == [1, 2, 3]


def test_dc_21_in_broker_mode_a_puback_clears(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump(acknowledge="broker")
        under_test.commit(50)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert sequences(mes) == list(range(1, 51))


@pytest.mark.parametrize("acknowledge", ["broker", "confirmed"])
def test_dc_22_no_subscriber_never_clears_and_is_said(make_pump, broker: RunningBroker, acknowledge: str) -> None:
    under_test = make_pump(acknowledge=acknowledge, resend_after_s=0.3)
    under_test.commit(2)
    wait_for(lambda: [item.kind.id for item in under_test.host.conditions.active() if item.kind.id == "no-consumer"])
    assert under_test.store.levels.pending == 2
    with bus_client(broker.port, acknowledge=True) as mes:
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert sorted(set(sequences(mes))) == [1, 2]
        wait_for(lambda: "no-consumer" not in [item.kind.id for item in under_test.host.conditions.active()])


def test_dc_24_nonsense_changes_nothing_and_is_counted(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump()
        under_test.commit(2)
        wait_for(lambda: len(mes.results()) == 2)
        identity = under_test.store.levels.instance_id
        mes.send_ack(str(uuid.uuid4()), 2)
        mes.send_ack(identity, 3)
        mes.send_ack(identity, 2**63)
        for payload in (
            b"",
            b"\xff\xfe",
            b"[" * 60_000,
            b"null",
            b"{}",
            b'{"instanceId":1,"acknowledgedThrough":2}',
            b'{"instanceId":"%s","acknowledgedThrough":"2"}' % identity.encode(),
            b'{"instanceId":"%s","acknowledgedThrough":1.5}' % identity.encode(),
            b'{"instanceId":"%s","acknowledgedThrough":-1}' % identity.encode(),
            b'{"instanceId":"%s","acknowledgedThrough":true}' % identity.encode(),
            b"x" * 70_000,
        ):
            mes.publish("v1/result/ack", payload)
        wait_for(lambda: sum(under_test.host.counters.values()) == 14, what="14 counted refusals")
        assert under_test.host.counters == {
            "ackForeignInstance": 1,
            "ackFuture": 1,
            "ackMalformed": 11,
            "inboundTooLarge": 1,
        }
        assert under_test.store.levels.pending == 2
        mes.send_ack(identity, 2)
        wait_for(lambda: under_test.store.levels.pending == 0)


def test_dc_23_what_the_mes_rejects_is_set_aside_and_the_rest_goes_on(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump(window=2)
        under_test.commit(4)
        wait_for(lambda: len(mes.results()) == 2)
        mes.send_ack(under_test.store.levels.instance_id, 2, rejected=[{"sequence": 1, "reason": "unknown part"}])
        wait_for(lambda: len(mes.results()) == 4)
        mes.send_ack(under_test.store.levels.instance_id, 4)
        wait_for(lambda: under_test.store.levels.pending == 0)
        assert (under_test.store.levels.quarantined, under_test.store.levels.acknowledged_through) == (1, 4)


def test_dc_31_the_window_holds_and_order_is_kept(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump(window=1)
        under_test.commit(5)
        for number in range(1, 6):
            wait_for(lambda number=number: len(mes.results()) == number)
            time.sleep(0.05)
            assert sequences(mes) == list(range(1, number + 1))
            mes.send_ack(under_test.store.levels.instance_id, number)
        wait_for(lambda: under_test.store.levels.pending == 0)


def test_dc_32_after_a_reconnect_it_starts_at_the_lowest_unacknowledged(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump(window=4)
        under_test.commit(6)
        wait_for(lambda: len(mes.results()) == 4)
        mes.send_ack(under_test.store.levels.instance_id, 1)
        wait_for(lambda: len(mes.results()) == 5)
    broker.kill()
    wait_for(lambda: not under_test.pump.connected)
    broker.restart()
    with bus_client(broker.port, acknowledge=True) as mes:
        wait_for(lambda: under_test.store.levels.pending == 0, 15)
        seen = deliveries(mes)
        assert sequences(mes)[-1] == 6
        assert {sequence for sequence, _ in seen} <= {2, 3, 4, 5, 6}
        assert all(marked == "retransmission" for sequence, marked in seen if sequence <= 5)
        assert len([sequence for sequence, _ in seen if sequence <= 5]) <= 4, "at most W duplicates per reconnect"


def test_dc_34_a_silent_mes_gets_the_window_again(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        under_test = make_pump(resend_after_s=0.4)
        under_test.commit(2)
        wait_for(lambda: len(mes.results()) >= 6)
        seen = deliveries(mes)
        assert seen[:6] == [(1, "original"), (2, "original"), *[(1, "retransmission"), (2, "retransmission")] * 2]
        assert "mes-silent" in [item.kind.id for item in under_test.host.conditions.active()]
        first, second, third = (seen_at(mes, 1)[number] for number in range(3))
        assert 0.35 < second - first < 0.8
        assert 0.7 < third - second < 1.4, "doubled"
        mes.send_ack(under_test.store.levels.instance_id, 2)
        wait_for(lambda: not [item for item in under_test.host.conditions.active() if item.kind.id == "mes-silent"])


def seen_at(client: BusClient, sequence: int) -> list[float]:
    return [
        message.timestamp
        for message in client.messages
        if message.topic.endswith("v1/result") and json.loads(message.payload)["data"]["sequence"] == sequence
    ]


def test_dc_60_how_a_result_travels(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes:
        make_pump().commit(1)
        wait_for(mes.results)
        [message] = [item for item in mes.messages if item.topic.endswith("v1/result")]
        assert (message.qos, message.retain) == (1, False)
        assert message.properties.ContentType == "application/cloudevents+json"
        assert message.properties.PayloadFormatIndicator == 1
        assert not hasattr(message.properties, "MessageExpiryInterval")


def test_dc_62_will_and_farewell_and_growing_sessions(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as watcher:
        under_test = make_pump()
        wait_for(lambda: watcher.state().get("online") is True)
        first = watcher.state()["sessionNumber"]
        under_test.pump._session.link._client.socket().close()  # the socket dies without a DISCONNECT
        wait_for(lambda: [item for item in watcher.payloads("v1/state") if item.get("reason") == "connectionLost"])
        wait_for(lambda: watcher.state().get("online") is True)
        assert watcher.state()["sessionNumber"] > first
        under_test.stop.set()
        under_test.pump.wake()
        wait_for(lambda: watcher.state().get("reason") == "shutdown")
        assert watcher.state()["sessionNumber"] > first
    with bus_client(broker.port) as late:
        wait_for(lambda: late.state().get("reason") == "shutdown", what="retained")


def test_the_small_event_is_for_the_connected_and_the_present(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as plc:
        under_test = make_pump()
        wait_for(lambda: under_test.pump.connected)
        under_test.pump.announce(EvaluationMessage(part_id="P-1", sequence=1, result_evaluation=WireVerdict.OK))
        [event] = wait_for(lambda: plc.payloads("v1/evaluation"))
        assert event == {"partId": "P-1", "sequence": 1, "resultEvaluation": "OK"}
        [message] = [item for item in plc.messages if item.topic.endswith("v1/evaluation")]
        assert message.properties.MessageExpiryInterval <= 5
        assert not message.retain


def test_a_late_small_event_is_dropped(make_pump, broker: RunningBroker) -> None:
    with bus_client(broker.port) as plc:
        under_test = make_pump(start=False)
        event = EvaluationMessage(part_id="P-1", sequence=1, result_evaluation=WireVerdict.OK)
        under_test.pump.announce(event)  # not connected: never from the backlog
        under_test.pump._announcements.append((time.monotonic() - 2.5, event))  # too long ago
        under_test.thread.start()
        wait_for(plc.state)
        time.sleep(0.2)
        assert plc.payloads("v1/evaluation") == []
