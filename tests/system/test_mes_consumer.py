"""The MES consumer keeps the contract from the other side of the bus: DC-20, DC-23, DC-30, DC-35, DC-40."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from crosslay.testing.broker import RunningBroker, find_broker, running_broker
from crosslay.testing.mes_store import MesStore, Received

PREFIX = "plant/shafts/line3/op30"
INSTANCE = "5b0e7c1e-0000-4000-8000-000000000001"
SOURCE = "urn:crosslay:plant:shafts:line3:op30"
WAIT_S = 40


def result(sequence: int, *, instance: str = INSTANCE, evaluation: str = "OK") -> bytes:
    return json.dumps({
        "specversion": "1.0", "type": "org.crosslay.result.v1", "source": SOURCE, "id": f"id-{sequence}",
        "data": {"instanceId": instance, "sequence": sequence, "partId": f"P-{sequence:04d}",
                 "resultEvaluation": evaluation, "a field of tomorrow": [1, 2]},
    }).encode()


def state(acknowledged_through: int, last: int, *, instance: str = INSTANCE) -> bytes:
    return json.dumps({"online": True, "instanceId": instance, "sessionNumber": 1, "firstSequence": 1,
                       "lastSequence": last, "acknowledgedThrough": acknowledged_through}).encode()


class Station:
    """The other end: publishes as a station does and collects the acknowledgements."""

    def __init__(self, broker: RunningBroker, protocol: MQTTProtocolVersion) -> None:
        self.acknowledgements: list[dict[str, Any]] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        self.client.on_message = lambda _c, _d, message: self.acknowledgements.append(json.loads(message.payload))
        self.client.connect(broker.host, broker.port)
        self.client.subscribe(f"{PREFIX}/v1/result/ack", qos=1)
        self.client.loop_start()

    def send(self, payload: bytes, leaf: str = "v1/result", *, retain: bool = False) -> None:
        self.client.publish(f"{PREFIX}/{leaf}", payload, qos=1, retain=retain).wait_for_publish(WAIT_S)

    def last_through(self) -> int | None:
        return self.acknowledgements[-1]["acknowledgedThrough"] if self.acknowledgements else None

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture(params=["5", "3.1.1"])
def protocol(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def station(broker: RunningBroker) -> Iterator[Station]:
    with closing(Station(broker, MQTTProtocolVersion.MQTTv5)) as running:
        yield running


class Consumer:
    """The consumer in its own process."""

    def __init__(self, broker: RunningBroker, database: Path, *options: str) -> None:
        self.database = database
        self.events: list[dict[str, Any]] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "crosslay.testing.mes_consumer", "--port", str(broker.port), "--topic", PREFIX,
             "--database", str(database), *options],
            stdout=subprocess.PIPE, text=True,
        )

    def wait_connected(self) -> None:
        assert self.process.stdout is not None
        while "connected" not in (line := self.process.stdout.readline()):
            assert line, "the consumer ended before it was connected"

    def end(self) -> dict[str, Any]:
        """Wait for its end, which `--until` brings, or ask for it."""
        output, _ = self.process.communicate(timeout=WAIT_S)
        self.events = [json.loads(line) for line in output.splitlines()]
        assert self.process.returncode == 0
        return self.events[-1]

    def stop(self) -> dict[str, Any]:
        self.process.terminate()
        return self.end()


@contextmanager
def consumer_of(broker: RunningBroker, database: Path, *options: str) -> Iterator[Consumer]:
    consumer = Consumer(broker, database, *options)
    try:
        consumer.wait_connected()
        time.sleep(0.05)  # the subscription follows the connection
        yield consumer
    finally:
        consumer.process.kill()
        consumer.process.communicate()


def eventually(condition: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + WAIT_S
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


@pytest.mark.broker
class TestOnTheBus:
    def test_dc_20_what_is_acknowledged_is_in_its_database(
        self, broker: RunningBroker, station: Station, tmp_path: Path, protocol: str
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db", "--protocol", protocol, "--until", "5") as consumer:
            for sequence in range(1, 6):
                station.send(result(sequence))
            summary = consumer.end()
        assert eventually(lambda: station.last_through() == 5)
        assert summary["instances"] == [{
            "instanceId": INSTANCE, "acknowledgedThrough": 5, "stored": 5, "rejected": 0, "duplicates": 0, "altered": 0,
            "lastSequence": 5, "missing": 0,
        }]

    def test_dc_20_nothing_above_a_hole_is_acknowledged(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db") as consumer:
            for sequence in (1, 2, 4, 5):
                station.send(result(sequence))
            assert eventually(lambda: len(station.acknowledgements) == 4)
            assert station.last_through() == 2
            station.send(result(3))
            assert eventually(lambda: station.last_through() == 5)
            assert consumer.stop()["instances"][0]["missing"] == 0

    def test_dc_35_a_repeat_is_acknowledged_again_and_stored_once(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db") as consumer:
            for _ in range(3):
                station.send(result(1))
            assert eventually(lambda: len(station.acknowledgements) == 3)
            summary = consumer.stop()["instances"][0]
        assert (summary["stored"], summary["duplicates"], summary["altered"]) == (1, 2, 0)
        assert {ack["acknowledgedThrough"] for ack in station.acknowledgements} == {1}

    def test_dc_05_a_repeat_with_other_bytes_is_counted(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db") as consumer:
            station.send(result(1))
            station.send(result(1, evaluation="NotOK"))
            assert eventually(lambda: len(station.acknowledgements) == 2)
            assert consumer.stop()["instances"][0]["altered"] == 1

    def test_dc_23_what_it_rejects_is_named_and_covered_by_the_number(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db", "--reject", "2") as consumer:
            for sequence in (1, 2, 3):
                station.send(result(sequence))
            assert eventually(lambda: station.last_through() == 3)
            assert consumer.stop()["instances"][0]["rejected"] == 1
        named = [ack["rejected"] for ack in station.acknowledgements if "rejected" in ack]
        assert named == [[{"sequence": 2, "reason": "refused on request"}]]

    def test_dc_40_a_number_lost_on_the_way_is_said_again_when_the_state_shows_it(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db"):
            station.send(result(1))
            assert eventually(lambda: station.last_through() == 1)
            station.send(state(0, 1), "v1/state")
            assert eventually(lambda: len(station.acknowledgements) == 2)

    def test_dc_40_an_empty_database_says_what_an_earlier_one_had_and_goes_on(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        station.send(state(7, 8), "v1/state", retain=True)
        with consumer_of(broker, tmp_path / "mes.db") as consumer:
            station.send(result(8))
            assert eventually(lambda: station.last_through() == 8)
            summary = consumer.stop()["instances"][0]
        assert (summary["stored"], summary["missing"]) == (1, 7)

    def test_a_first_word_after_connecting_wakes_a_station_that_waits(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        station.send(state(0, 3), "v1/state", retain=True)
        with consumer_of(broker, tmp_path / "mes.db"):
            assert eventually(lambda: station.acknowledgements == [{"instanceId": INSTANCE, "acknowledgedThrough": 0}])

    def test_two_instances_are_counted_apart(self, broker: RunningBroker, station: Station, tmp_path: Path) -> None:
        other = "5b0e7c1e-0000-4000-8000-000000000002"
        with consumer_of(broker, tmp_path / "mes.db") as consumer:
            station.send(result(1))
            station.send(result(1, instance=other))
            station.send(result(2, instance=other))
            assert eventually(lambda: len(station.acknowledgements) == 3)
            summary = consumer.stop()["instances"]
        assert [(entry["instanceId"], entry["stored"]) for entry in summary] == [(INSTANCE, 1), (other, 2)]

    def test_while_paused_it_stores_and_says_nothing(
        self, broker: RunningBroker, station: Station, tmp_path: Path
    ) -> None:
        pause = tmp_path / "pause"
        pause.touch()
        with consumer_of(broker, tmp_path / "mes.db", "--pause-acks", str(pause)):
            station.send(result(1))
            time.sleep(0.3)
            assert station.acknowledgements == []
            pause.unlink()
            assert eventually(lambda: station.last_through() == 1)

    @pytest.mark.parametrize("payload", [b"", b"\xff\xfe", b"[]", b"{}", b'{"source":"a","data":{"sequence":1}}',
                                         b'{"source":"a","data":{"instanceId":"b","sequence":"x"}}', b"null", b"7"])
    def test_what_is_no_result_is_counted_and_does_no_harm(
        self, broker: RunningBroker, station: Station, tmp_path: Path, payload: bytes
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db", "--until", "1") as consumer:
            station.send(payload)
            station.send(payload, "v1/state")
            station.send(result(1))
            assert consumer.end()["malformed"] == 2

    def test_it_comes_back_after_the_broker_was_killed(
        self, broker: RunningBroker, tmp_path: Path
    ) -> None:
        with consumer_of(broker, tmp_path / "mes.db", "--until", "1") as consumer:
            broker.kill()
            broker.start()
            consumer.wait_connected()
            with closing(Station(broker, MQTTProtocolVersion.MQTTv5)) as station:
                assert eventually(lambda: consumer.process.poll() is not None or bool(station.send(result(1))))
            assert consumer.end()["instances"][0]["stored"] == 1

    def test_it_works_with_the_embedded_broker(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("CROSSLAY_BROKER", "embedded")
        with (
            running_broker(find_broker()) as broker,
            closing(Station(broker, MQTTProtocolVersion.MQTTv311)) as station,
            consumer_of(broker, tmp_path / "mes.db", "--protocol", "3.1.1", "--until", "2") as consumer,
        ):
            station.send(result(1))
            station.send(result(2))
            assert consumer.end()["instances"][0]["stored"] == 2
            assert eventually(lambda: station.last_through() == 2)


class TestCommandLine:
    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-m", "crosslay.testing.mes_consumer", "--topic", PREFIX, *words],
                              capture_output=True, text=True, timeout=WAIT_S)

    def test_a_broker_elsewhere_is_refused_because_the_link_is_plain(self, tmp_path: Path) -> None:
        done = self.run("--host", "192.0.2.1", "--database", str(tmp_path / "mes.db"))
        assert done.returncode == 2
        assert "192.0.2.1 is not this computer" in done.stderr

    def test_a_database_that_cannot_be_made_is_one_sentence(self, tmp_path: Path) -> None:
        done = self.run("--database", str(tmp_path / "missing" / "mes.db"))
        assert done.returncode == 2
        assert "missing/mes.db: unable to open database file" in done.stderr
        assert "Traceback" not in done.stderr


class TestStore:
    @given(order=st.lists(st.integers(1, 12), max_size=40))
    def test_any_order_with_any_repeats_gives_each_result_once(self, order: list[int]) -> None:
        with closing(MesStore(Path(":memory:"))) as store:
            store.open()
            seen: set[int] = set()
            for sequence in order:
                assert store.keep(Received.from_payload(result(sequence))) is (sequence not in seen)
                seen.add(sequence)
                through = next(n for n in range(14) if n + 1 not in seen)
                assert store.acknowledged_through(INSTANCE) == through
            assert store.stored() == len(seen)
            if order:
                summary = store.summary()[0]
                assert summary["duplicates"] == len(order) - len(seen)
                assert summary["missing"] == max(order) - len(seen)
