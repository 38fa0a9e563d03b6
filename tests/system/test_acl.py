"""The access rules that ship: enough for a station and its MES, and not one topic more."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from crosslay.bus.topics import LEAVES, Way
from crosslay.testing.broker import BrokerProgram, RunningBroker, running_broker
from station_harness import TOPIC, BusClient, bus_client, csv_bytes, sine_um, station, wait_for
from tls_cases import TlsFolder, write_users

pytestmark = pytest.mark.broker

CONFIG = Path(__file__).parents[2] / "config" / "acl"
PASSWORDS = {"station": "station-word", "op30": "op30-word", "mes": "mes-word", "auditor": "auditor-word"}
#: All topics of the contract under the station's prefix, and others that neither needs.
CONTRACT = {
    f"{TOPIC}/{leaf.path}" + ("/broker-offline" if leaf.parameter else ""): leaf.way for leaf in LEAVES
}  # fmt: skip
OTHERS = {f"{TOPIC}/v1/command/requeue", f"{TOPIC}/v2/result", f"{TOPIC}/v1/result/ack/more", TOPIC,
          "plant/shafts/line3/op40/v1/result", "plant/shafts/line3/op40/v1/result/ack", "plant/elsewhere"}  # fmt: skip
ANCHOR, ACK, COMMAND = (f"{TOPIC}/v1/{leaf}" for leaf in ("anchor", "result/ack", "command/reference-check"))
MAY_WRITE = {
    "station": {topic for topic, way in CONTRACT.items() if way is Way.OUT},
    "mes": {ACK, COMMAND},
}
MAY_READ = {
    "station": {ACK, ANCHOR, COMMAND},
    "mes": {topic for topic, way in CONTRACT.items() if way is Way.OUT} - {ANCHOR},
}


class Plant:
    """A broker run by the files that ship, with their paths moved into a folder."""

    def __init__(self, folder: Path) -> None:
        self.files = TlsFolder(folder / "certs")
        self.rules = folder / "daemon-and-mes.acl"
        self.write_rules((CONFIG / "daemon-and-mes.acl").read_text("utf-8"))
        write_users(folder / "users", PASSWORDS)
        text = (CONFIG / "mosquitto.conf").read_text("utf-8").replace("/etc/mosquitto/", f"{folder}/")
        text = text.replace("/var/lib/mosquitto/", f"{folder}/")
        assert "\nlistener 8883\n" in text
        self.configuration = text.replace("\nlistener 8883\n", "\n")  # the harness has its own, on a free port
        self.broker: RunningBroker

    def write_rules(self, text: str) -> None:
        """Replace the rules; the auditor is the test's own, who may do all."""
        self.rules.write_text(text + "\nuser auditor\ntopic readwrite #\n", "utf-8")

    def reload(self) -> None:
        """Let the running broker read its rules again, as `systemctl reload mosquitto` does."""
        os.kill(self.broker.process_id, signal.SIGHUP)

    def user(self, name: str) -> dict[str, Any]:
        """What a bus client needs to be this user."""
        return {"tls": self.files.client_context(), "user": (name, PASSWORDS[name])}

    def station_lines(self) -> str:
        """For the station file: the user, the password and the authority."""
        self.files.write_password(PASSWORDS["station"])
        password = f'username = "station"\npassword_file = "{self.files.folder}/password"'
        return f"resend_after_s = 0.5\n{password}\n[bus.tls]\nca_file = \"{self.files.ca_file}\""


@pytest.fixture
def plant(tmp_path: Path, broker_program: BrokerProgram) -> Iterator[Plant]:
    made = Plant(tmp_path)
    with running_broker(broker_program, None, made.configuration, folder=tmp_path) as made.broker:
        yield made


class Probe:
    """A bare client that asks for what it may not have."""

    def __init__(self, plant: Plant, name: str) -> None:
        self.codes: dict[int, int] = {}
        self.topics: set[str] = set()
        self.ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.tls_set_context(plant.files.client_context())
        self._client.username_pw_set(name, PASSWORDS[name])
        self._client.on_connect = lambda client, *_rest: client.subscribe("#", 1)
        self._client.on_subscribe = lambda *_rest: self.ready.set()
        self._client.on_publish = lambda _c, _u, mid, reason, _p: self.codes.update({mid: int(reason.value)})
        self._client.on_message = lambda _c, _u, message: self.topics.add(message.topic)
        self._client.connect("127.0.0.1", plant.broker.port)
        self._client.loop_start()
        assert self.ready.wait(10)

    def publish(self, *topics: str) -> dict[str, int]:
        """Publish something on each; the reason codes of the broker's answers."""
        sent = {topic: self._client.publish(topic, b"probe", qos=1).mid for topic in topics}
        wait_for(lambda: self.codes.keys() >= set(sent.values()), 30)
        return {topic: self.codes[mid] for topic, mid in sent.items()}

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def probe(plant: Plant, name: str) -> Iterator[Probe]:
    made = Probe(plant, name)
    try:
        yield made
    finally:
        made.close()


def test_a_station_and_its_mes_work_with_them_alone(tmp_path: Path, plant: Plant) -> None:
    with (
        bus_client(plant.broker.port, acknowledge=True, **plant.user("mes")) as mes,
        station(tmp_path / "op30", plant.broker.port, bus=plant.station_lines()) as op30,
    ):
        op30.start()
        op30.drop("P-1.csv", csv_bytes(sine_um()))
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 1)
        op30.drop("wrong.csv", b"nonsense")
        wait_for(lambda: mes.payloads("v1/condition/trace-refused"))
        with bus_client(plant.broker.port, **plant.user("auditor")) as auditor:
            wait_for(lambda: auditor.payloads("v1/anchor"), 20)
        op30.kill()  # the will is the broker's to publish, by the station's rights
        wait_for(lambda: mes.state().get("reason") == "connectionLost", 20)
        op30.start()  # now the anchor is read back
        op30.drop("P-2.csv", csv_bytes(sine_um()))
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 2, 20)
        assert op30.stop() == 0
        wait_for(lambda: mes.state().get("reason") == "shutdown")
        seen = {message.topic.removeprefix(f"{TOPIC}/") for message in mes.messages}
    wanted = {"v1/result", "v1/evaluation", "v1/state", "v1/identification", "v1/configuration"}
    assert wanted <= seen
    assert [item["data"]["sequence"] for item in mes.results()][-1] == 2
    assert "Denied" not in plant.broker.log_text()


@pytest.mark.parametrize("name", ["station", "mes"])
def test_every_topic_more_is_refused_to_a_publisher(plant: Plant, name: str) -> None:
    with probe(plant, name) as client:
        codes = client.publish(*CONTRACT, *OTHERS)
    taken = {topic for topic, code in codes.items() if code < 0x80}
    assert taken == MAY_WRITE[name]
    # MQTT 5.0, table 2-6: 0x87 Not authorized.
    assert {code for topic, code in codes.items() if topic not in taken} == {0x87}


@pytest.mark.parametrize("name", ["station", "mes"])
def test_every_topic_more_is_kept_from_a_subscriber(plant: Plant, name: str) -> None:
    """mosquitto 2.0 grants any subscription and delivers by the rules; so what counts is what arrives."""
    with probe(plant, name) as client, probe(plant, "auditor") as auditor:
        assert max(auditor.publish(*CONTRACT, *OTHERS).values()) < 0x80
        wait_for(lambda: auditor.topics == {*CONTRACT, *OTHERS}, what="all of them at whoever may read all")
        wait_for(lambda: client.topics >= MAY_READ[name])
        auditor.publish(min(MAY_READ[name]))  # a last one, behind all others in the client's queue
        assert client.topics == MAY_READ[name]


def test_the_patterns_for_many_stations_give_each_its_own(plant: Plant) -> None:
    lines = (CONFIG / "daemon-and-mes.acl").read_text("utf-8").splitlines()
    plant.write_rules("\n".join(line.removeprefix("#").strip() for line in lines if line.startswith("#   pattern")))
    plant.reload()
    with probe(plant, "op30") as client, probe(plant, "auditor") as auditor:
        codes = client.publish(*CONTRACT, *OTHERS)
        assert {topic for topic, code in codes.items() if code < 0x80} == MAY_WRITE["station"]
        auditor.publish(*CONTRACT, *OTHERS)
        wait_for(lambda: client.topics >= MAY_READ["station"])
        auditor.publish(ACK)
        assert client.topics == MAY_READ["station"]


def test_nobody_comes_in_without_a_name(plant: Plant) -> None:
    refused = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.tls_set_context(plant.files.client_context())
    client.on_connect = lambda _c, _u, _f, reason, _p: reason.is_failure and refused.set()
    client.connect("127.0.0.1", plant.broker.port)
    client.loop_start()
    assert refused.wait(10)
    client.disconnect()
    client.loop_stop()


def test_dc_22_without_the_right_to_publish_results_nothing_is_lost(tmp_path: Path, plant: Plant) -> None:
    rules = (CONFIG / "daemon-and-mes.acl").read_text("utf-8")
    right = f"topic write {TOPIC}/v1/result\n"
    assert rules.count(right) == 1
    plant.write_rules(rules.replace(right, ""))
    plant.reload()
    with (
        bus_client(plant.broker.port, acknowledge=True, **plant.user("mes")) as mes,
        station(tmp_path / "op30", plant.broker.port, bus=plant.station_lines()) as op30,
    ):
        op30.start()
        for number in range(1, 4):
            op30.drop(f"P-{number}.csv", csv_bytes(sine_um()))
            wait_for(lambda number=number: mes.state().get("lastSequence") == number)
        (condition,) = wait_for(lambda: [said for said in refusals(mes)[-1:] if said["level"] != "normal"])
        assert (condition["level"], condition["signal"]) == ("fault", "F")
        assert f"{TOPIC}/v1/result (0x87)" in condition["text"]
        assert mes.state()["backlog"]["depth"] == 3
        assert mes.results() == []
        plant.write_rules(rules)
        plant.reload()
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 3, 20)
        assert list(dict.fromkeys(item["data"]["sequence"] for item in mes.results())) == [1, 2, 3]
        wait_for(lambda: refusals(mes)[-1]["level"] == "normal")
        assert op30.stop() == 0


def refusals(mes: BusClient) -> list[dict[str, Any]]:
    return mes.payloads("v1/condition/publish-refused")
