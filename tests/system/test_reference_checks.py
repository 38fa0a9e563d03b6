"""Reference checks through the real daemon, broker and folder: no valid check, no pass; a failed one recalls."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from crosslay.cli.main import main
from crosslay.record.check_rows import checks_of, read_checks
from crosslay.testing.broker import RunningBroker
from specimen_cases import NAME, SPECIMEN, drop_check, specimen_bytes
from station_harness import TOPIC, BusClient, StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

COMMANDS = 'commands = ["reference-check"]'
RESPONSE = "v1/command/reference-check/response"


@pytest.fixture(autouse=True)
def logs_as_before() -> Any:
    yield
    structlog.reset_defaults()  # commands that ran in this process set them up


def reference(mes: BusClient, word: str) -> None:
    wait_for(lambda: mes.state().get("referenceCheck") == word, 15, f"referenceCheck {word}")


def judged(mes: BusClient, op30: StationUnderTest, part: str, amplitude_um: float = 1.0) -> dict[str, Any]:
    """Measure a part; its result."""
    op30.drop(f"{part}.csv", csv_bytes(sine_um(amplitude_um), part=part))
    found = wait_for(lambda: [each for each in mes.results() if each["data"].get("partId") == part], what=part)
    return found[-1]["data"]


def test_no_valid_check_no_pass_and_a_failed_one_recalls(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=SPECIMEN) as op30:
        op30.start()
        reference(mes, "overdue")
        first = judged(mes, op30, "P-1")
        assert (first["resultEvaluation"], first["findings"][0]["id"]) == ("Undefined", "reference-check-overdue")
        assert first["referenceCheck"] is None
        drop_check(op30, "good", 1.0)
        reference(mes, "valid")
        passed = [judged(mes, op30, f"P-{number}") for number in (2, 3)]
        assert {each["resultEvaluation"] for each in passed} == {"OK"}
        good = passed[0]["referenceCheck"]
        assert (good["specimen"], good["outcome"], good["correction"]) == (NAME, "in-tolerance", 1.0)

        drop_check(op30, "bad", 1.1)
        reference(mes, "failed")
        [recall] = wait_for(lambda: [each for each in mes.results() if "recall" in each["type"]])
        assert recall["data"]["partIds"] == ["P-2", "P-3"]
        assert [(each["fromSequence"], each["toSequence"], each["results"]) for each in recall["data"]["ranges"]] == [
            (2, 3, 2)]  # fmt: skip
        assert recall["data"]["lastGoodCheck"]["id"] == good["id"]
        assert recall["data"]["sequence"] == 4, "numbered like a result, without a hole"
        wait_for(lambda: mes.state().get("acknowledgedThrough") == 4)
        listed = op30.results()[-1]
        assert (listed["kind"], listed["acknowledged"]) == ("recall", True)
        assert "2 passed before are in doubt" in op30.command("results", "show", "4").stdout
        assert mes.payloads("v1/condition/reference-check-failed")[-1]["signal"] == "F"
        assert "No part passes" in mes.payloads("v1/condition/reference-check-failed")[-1]["remedy"]
        blocked = judged(mes, op30, "P-4")
        assert (blocked["resultEvaluation"], blocked["findings"][0]["id"]) == ("Undefined", "reference-check-failed")

        op30.kill()  # all of it is in the store
        op30.start()
        assert judged(mes, op30, "P-5")["resultEvaluation"] == "Undefined"
        drop_check(op30, "again", 1.0)
        reference(mes, "valid")
        assert judged(mes, op30, "P-6")["resultEvaluation"] == "OK"
        parts = {each["data"]["partId"] for each in mes.results() if "result" in each["type"]}
        assert parts == {f"P-{number}" for number in range(1, 7)}, "no trace of the specimen became a part"
        assert len(list((op30.incoming / "done").iterdir())) == 6 + 9
        assert op30.stop() == 0


def test_an_interval_that_ends_ends_the_passes(tmp_path: Path, broker: RunningBroker) -> None:
    soon = SPECIMEN.replace("every_hours = 8.0", "every_hours = 0.0007")  # 2.5 s
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=soon) as op30:
        op30.start()
        drop_check(op30, "good", 1.0)
        reference(mes, "valid")
        assert judged(mes, op30, "P-1")["resultEvaluation"] == "OK"
        reference(mes, "overdue")
        assert judged(mes, op30, "P-2")["resultEvaluation"] == "Undefined"
        said = mes.payloads("v1/configuration")
        assert said[-1]["referenceCheck"] == "registered"
        assert any(each["referenceCheckDue"] for each in said), "when it was valid, it said until when"
        assert mes.payloads("v1/condition/reference-check-overdue")[-1]["signal"] == "C"
        assert op30.stop() == 0


LEDS = (
    '[[indicator]]\nadapter = "log-only"\n'
    '[[indicator]]\nadapter = "sysfs-led"\nfolder = "leds"\naccept = "green"\nreject = "red"\nfault = "yellow"\n'
)


def lamps(folder: Path) -> tuple[bool, ...]:
    """ACCEPT, REJECT, FAULT."""
    return tuple(int((folder / "leds" / name / "brightness").read_text()) > 0 for name in ("green", "red", "yellow"))


def test_no_specimen_lights_accept_and_the_light_shows_the_check(tmp_path: Path, broker: RunningBroker) -> None:
    for name in ("green", "red", "yellow"):
        (tmp_path / "leds" / name).mkdir(parents=True)
        for file, text in (("brightness", "0\n"), ("max_brightness", "1\n")):
            (tmp_path / "leds" / name / file).write_text(text)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=LEDS + SPECIMEN) as op30:
        op30.start()
        drop_check(op30, "good", 1.0)
        reference(mes, "valid")
        op30.drop("one.csv", specimen_bytes(1.0, 0, specimen=NAME))
        wait_for(lambda: "reference-check-running" in mes.state().get("conditions", []))
        wait_for(lambda: lamps(tmp_path) == (False, True, True))
        assert '"accept": true' not in op30.log.read_text(), "log-only writes each change into the log"
        assert mes.results() == []
        judged(mes, op30, "P-1")
        wait_for(lambda: '"accept": true' in op30.log.read_text())
        assert op30.stop() == 0


def test_a_kill_between_the_traces_of_a_check_loses_none(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port, bus=COMMANDS, more=SPECIMEN) as op30:
        op30.start()
        with bus_client(broker.port) as mes:
            reference(mes, "overdue")  # it has subscribed before it says so
            mes.publish("v1/command/reference-check", json.dumps({"requestId": "r1", "specimen": NAME, "traces": 4}))
            wait_for(lambda: mes.payloads(RESPONSE))
            for number in range(2):
                op30.drop(f"S-{number}.csv", specimen_bytes(1.0, number))
            wait_for(lambda: op30.log.read_text().count('"event": "reference-trace"') == 2)
            op30.kill()
            op30.start()
            for number in range(2, 4):
                op30.drop(f"S-{number}.csv", specimen_bytes(1.0, number))
            wait_for(lambda: [each for each in mes.payloads(RESPONSE) if each["status"] == "completed"])
            reference(mes, "valid")
            assert mes.results() == [], "no specimen trace became a part"
        assert op30.stop() == 0
    [row] = read_checks(op30.state_dir, lambda connection: checks_of(connection, NAME))
    assert (row.document["n"], row.request_id) == (4, "r1")


def test_an_unknown_specimen_is_refused_with_those_that_are_registered(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port, more=SPECIMEN) as op30:
        op30.start()
        op30.drop("x.csv", csv_bytes(sine_um(), specimen="roughness-9"))
        reason = wait_for(lambda: list((op30.incoming / "refused").glob("x.csv*")) if op30.incoming.exists() else None)
        text = wait_for(lambda: "".join(each.read_text() for each in reason if each.name != "x.csv"))
        assert f'"roughness-9", which is not registered; registered: {NAME}' in text
        assert op30.stop() == 0


# --- the command on the bus ------------------------------------------------------------------------------------------


class Requester:
    """Asks with a Response Topic and Correlation Data, as MQTT 5 has it."""

    def __init__(self, port: int, response: str) -> None:
        self.answers: list[tuple[dict[str, Any], bytes]] = []
        self._response = response
        ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_connect = lambda client, *_rest: client.subscribe(response, 1)
        self._client.on_subscribe = lambda *_rest: ready.set()
        self._client.on_message = lambda _c, _u, message: self.answers.append(
            (json.loads(message.payload), message.properties.CorrelationData)
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(10)

    def ask(self, correlation: bytes, **command: object) -> None:
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic, properties.CorrelationData = self._response, correlation
        topic = f"{TOPIC}/v1/command/reference-check"
        self._client.publish(topic, json.dumps(command), qos=1, properties=properties)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_the_command_is_answered_where_its_response_topic_says(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port) as mes, station(tmp_path, broker.port, bus=COMMANDS, more=SPECIMEN) as op30:
        op30.start()
        reference(mes, "overdue")  # it has subscribed before it says so
        requester = Requester(broker.port, "mes/answers")
        try:
            requester.ask(b"\x01\x02", requestId="a", specimen="nope")
            requester.ask(b"\x03", requestId="b", specimen=NAME)
            wait_for(lambda: len(requester.answers) == 2)
            assert [(each["requestId"], each["status"], data) for each, data in requester.answers] == [
                ("a", "refused", b"\x01\x02"), ("b", "accepted", b"\x03")]  # fmt: skip
            for number in range(3):
                op30.drop(f"S-{number}.csv", specimen_bytes(1.0, number))
            answer, correlation = wait_for(lambda: requester.answers[2:])[0]
        finally:
            requester.close()
        assert (answer["status"], answer["check"]["outcome"], correlation) == ("completed", "in-tolerance", b"\x03")
        assert op30.stop() == 0


def test_nonsense_on_the_command_topic_changes_nothing_and_is_counted(tmp_path: Path, broker: RunningBroker) -> None:
    with (
        bus_client(broker.port, acknowledge=True) as mes,
        station(tmp_path, broker.port, bus=COMMANDS, more=SPECIMEN) as op30,
    ):
        mes.publish("v1/command/reference-check", json.dumps({"requestId": "kept", "specimen": NAME}), retain=True)
        op30.start()
        reference(mes, "overdue")
        for payload in (b"", b"{}", b"\xff", b'{"requestId":"x"}', b'{"requestId":"x","specimen":"a","traces":0}',
                        b'{"requestId":"","specimen":"a"}', b'{"requestId":7,"specimen":"a"}'):  # fmt: skip
            mes.publish("v1/command/reference-check", payload)
        mes.publish("v1/command/reference-check", b"x" * 70_000)
        judged(mes, op30, "P-1")
        wait_for(lambda: mes.state().get("lastSequence") == 1)
        assert mes.payloads(RESPONSE) == []
        for number in range(60):
            mes.publish("v1/command/reference-check", json.dumps({"requestId": f"f{number}", "specimen": "nope"}))
        judged(mes, op30, "P-2")
        counters = wait_for(lambda: mes.state().get("lastSequence") == 2 and mes.state()["counters"])
        assert (counters["commandsRetained"], counters["commandsMalformed"], counters["commandsTooLarge"]) == (1, 7, 1)
        assert counters["commandsDropped"] > 30
        assert mes.state()["referenceCheck"] == "overdue"
        mes.publish("v1/command/reference-check", b"", retain=True)
        assert op30.stop() == 0


def test_without_leave_in_the_station_file_no_command_is_heard(tmp_path: Path, broker: RunningBroker) -> None:
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=SPECIMEN) as op30:
        op30.start()
        drop_check(op30, "good", 1.0)
        reference(mes, "valid")
        mes.publish("v1/command/reference-check", json.dumps({"requestId": "a", "specimen": NAME}))
        assert judged(mes, op30, "P-1")["resultEvaluation"] == "OK"
        assert mes.payloads(RESPONSE) == []
        assert mes.payloads("v1/configuration")[-1]["commands"] == []
        assert op30.stop() == 0


# --- the command line ------------------------------------------------------------------------------------------------


class TestCommandLine:
    @pytest.fixture
    def op30(self, tmp_path: Path) -> StationUnderTest:
        return StationUnderTest(tmp_path, 1883, more=SPECIMEN)

    def files(self, folder: Path, amplitude_um: float, stem: str = "t") -> list[str]:
        paths = [folder / f"{stem}{number}.csv" for number in range(3)]
        for number, path in enumerate(paths):
            path.write_bytes(specimen_bytes(amplitude_um, number))
        return [str(path) for path in paths]

    def test_a_check_of_files_while_nothing_runs(
        self, op30: StationUnderTest, capfd: pytest.CaptureFixture[str]
    ) -> None:
        files = self.files(op30.folder, 1.0)
        assert main(["specimen", str(op30.file), "check", NAME, "--trace", *files, "--json"]) == 0
        [line] = capfd.readouterr().out.splitlines()
        assert json.loads(line)["outcome"] == "in-tolerance"
        assert main(["specimen", str(op30.file), "list", "--json"]) == 0
        assert json.loads(capfd.readouterr().out)["referenceCheck"] == "valid"
        assert main(["specimen", str(op30.file), "check", NAME, "--trace", *files]) == 2
        assert "was part of a check before" in capfd.readouterr().err
        bad = self.files(op30.folder, 1.1, "bad")
        assert main(["specimen", str(op30.file), "check", NAME, "--trace", *bad]) == 1
        short = op30.folder / "short.csv"
        short.write_bytes(csv_bytes(sine_um()[:300]))
        others = self.files(op30.folder, 1.01, "more")
        assert main(["specimen", str(op30.file), "check", NAME, "--trace", str(short), *others[:2]]) == 3
        assert "2 usable readings" in capfd.readouterr().out

    @pytest.mark.parametrize(("words", "said"), [
        (["check"], "check NAME"),
        (["check", "other"], f"registered: {NAME}"),
        (["check", NAME], "no daemon runs"),
        (["check", NAME, "--trace", "none.csv", "none.csv", "none.csv"], "no such file"),
        (["check", NAME, "--by", "me"], "--by belongs to specimen correct"),
        (["check", NAME, "--traces", "x"], "whole number from 2 to 25"),
        (["history"], "history NAME"),
        (["history", "other"], f"registered: {NAME}"),
        (["correct"], "correct propose NAME"),
        (["correct", "improve"], "propose, accept, undo"),
        (["correct", "propose", NAME], "has not been checked yet"),
        (["correct", "propose"], "takes the name of a specimen"),
        (["correct", "accept", "--by", "a", "--why", "b"], "needs --check ID"),
        (["correct", "accept", "--check", "x", "--why", "b"], "--by is missing"),
        (["correct", "accept", "--check", "x", "--by", "a", "--why", "b\x1b[31m"], "--why must be printable"),
        (["correct", "accept", "--check", "x", "--by", "a", "--why", "b"], 'no check "x"'),
        (["correct", "undo", "--by", "a", "--why", "b"], "no correction is in force"),
        (["recall", "--export", "/no/such/folder/x.csv"], "cannot be written"),
        (["recall", NAME], "recall"),
        (["improve"], "invalid choice"),
    ])  # fmt: skip
    def test_bad_input(
        self, op30: StationUnderTest, capfd: pytest.CaptureFixture[str], words: list[str], said: str
    ) -> None:
        assert main(["specimen", str(op30.file), *words]) == 2
        captured = capfd.readouterr()
        assert said in captured.err
        assert "Traceback" not in captured.err
        assert captured.out == ""

    def test_with_a_daemon_a_check_waits_for_its_traces_and_recalls_can_be_exported(
        self, tmp_path: Path, broker: RunningBroker, capfd: pytest.CaptureFixture[str]
    ) -> None:
        with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, more=SPECIMEN) as op30:
            op30.start()
            file = str(op30.file)
            assert main(["specimen", file, "check", NAME, "--trace", str(op30.file)]) == 2
            assert "a daemon runs" in capfd.readouterr().err
            drop_check(op30, "good", 1.0)
            reference(mes, "valid")
            judged(mes, op30, "P-1")
            codes: list[int] = []
            asking = threading.Thread(target=lambda: codes.append(main(["specimen", file, "check", NAME])))
            asking.start()
            wait_for(lambda: "reference-check-running" in mes.state().get("conditions", []))
            for number in range(3):
                op30.drop(f"S-{number}.csv", specimen_bytes(1.1, number))
            asking.join(20)
            assert codes == [1]
            reference(mes, "failed")
            export = tmp_path / "recall.csv"
            assert main(["specimen", file, "recall", "--export", str(export)]) == 0
            assert "P-1" in capfd.readouterr().out
            with export.open(newline="") as stream:
                assert [row["part"] for row in csv.DictReader(stream)] == ["P-1"]
            assert main(["specimen", file, "recall", "--export", str(export)]) == 2
            assert op30.stop() == 0


def test_the_readme_consumer_survives_an_event_of_a_type_that_it_does_not_know(
    tmp_path: Path, broker: RunningBroker
) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    program = tmp_path / "consumer.py"
    program.write_text(readme.split("```python\n")[1].split("```")[0], "utf-8")
    with (
        subprocess.Popen([sys.executable, str(program), str(broker.port), TOPIC, str(tmp_path / "mes.db")]) as consumer,
        bus_client(broker.port) as watcher,
        station(tmp_path / "op30", broker.port, more=SPECIMEN) as op30,
    ):
        try:
            op30.start()
            drop_check(op30, "good", 1.0)
            reference(watcher, "valid")
            judged(watcher, op30, "P-1")
            drop_check(op30, "bad", 1.1)
            reference(watcher, "failed")
            wait_for(lambda: watcher.state().get("acknowledgedThrough") == 2, 20)
            judged(watcher, op30, "P-2")
            wait_for(lambda: watcher.state().get("acknowledgedThrough") == 3, 20)
            assert op30.stop() == 0
        finally:
            consumer.kill()
