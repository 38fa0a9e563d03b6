"""The published contract: current, valid by others' judgement, and as strict as it says."""

from __future__ import annotations

import copy
import fcntl
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError

from crosslay.bus import contract
from crosslay.bus.contract_text import EXAMPLES
from crosslay.bus.messages import Acknowledgement
from crosslay.bus.topics import LEAVES, SCHEMA_IDS, SCHEMAS, Keep, Way
from crosslay.testing.broker import RunningBroker
from station_harness import bus_client, wait_for
from wire_contract import CONFIG, schema, validator

OUTBOUND = sorted(set(SCHEMAS) - {"acknowledgement"})
PARSER = "@asyncapi/parser@3.6.6"


def objects(node: Any) -> Iterator[dict[str, Any]]:
    """Every object inside a document."""
    if isinstance(node, dict):
        yield node
        for value in node.values():
            yield from objects(value)
    elif isinstance(node, list):
        for value in node:
            yield from objects(value)


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((CONFIG / "asyncapi.json").read_text("utf-8"))
    return found


class TestFiles:
    def test_they_are_current(self) -> None:
        made = contract.files()
        there = {str(path.relative_to(CONFIG)) for path in [*CONFIG.glob("schemas/*"), CONFIG / "asyncapi.json"]}
        assert there == set(made)
        for name, text in made.items():
            assert (CONFIG / name).read_text("utf-8") == text, "run: python -m crosslay.bus.contract config/"

    def test_the_command_writes_them(self, tmp_path: Path) -> None:
        command = [sys.executable, "-m", "crosslay.bus.contract"]
        assert subprocess.run([*command, str(tmp_path / "out")], capture_output=True).returncode == 0
        for name, text in contract.files().items():
            assert (tmp_path / "out" / name).read_text("utf-8") == text
        wrong = subprocess.run(command, capture_output=True, text=True)
        assert (wrong.returncode, "usage:" in wrong.stderr) == (2, True)

    def test_the_running_station_does_not_need_them(self) -> None:
        code = "import sys, crosslay.station.app; print([m for m in sys.modules if 'contract' in m])"
        assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip() == "[]"


class TestSchemas:
    @pytest.mark.parametrize("name", sorted(SCHEMAS))
    def test_each_is_one_of_draft_2020_12(self, name: str) -> None:
        Draft202012Validator.check_schema(schema(name))
        assert schema(name)["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        assert schema(name)["$id"] == f"urn:crosslay:schema:{name}:1"

    @pytest.mark.parametrize("name", sorted(SCHEMAS))
    def test_each_field_says_what_it_is(self, name: str) -> None:
        for node in objects(schema(name)):
            for field, described in node.get("properties", {}).items():
                assert {"description", "const", "$ref", "default"} & set(described) or "anyOf" in described, field
                assert "title" not in described

    @pytest.mark.parametrize("name", sorted(SCHEMAS))
    def test_more_fields_are_welcome(self, name: str) -> None:
        assert not [node for node in objects(schema(name)) if node.get("additionalProperties") is False]

    @pytest.mark.parametrize("name", sorted(EXAMPLES))
    def test_the_examples_obey(self, name: str) -> None:
        validator(name).validate(EXAMPLES[name])

    @pytest.mark.parametrize("name", ["result", "gap"])
    def test_an_events_dataschema_names_the_schema_of_its_data(self, name: str) -> None:
        """CloudEvents 1.0.2, 3.1 "dataschema": identifies the schema that `data` adheres to."""
        event = EXAMPLES[f"{name}-event"]
        assert event["dataschema"] == schema(name)["$id"]
        validator(name).validate(event["data"])

    def test_identification_lists_them_all(self) -> None:
        assert sorted(SCHEMA_IDS) == sorted(schema(name)["$id"] for name in SCHEMAS)

    @pytest.mark.parametrize(
        ("name", "change"),
        [
            ("result-event", lambda event: event.pop("source")),
            ("result-event", lambda event: event.update(specversion="0.3")),
            ("result-event", lambda event: event.update(sequence="42")),
            ("result-event", lambda event: event.update(time="2026-03-02 08:15")),
            ("result-event", lambda event: event.update(type="org.crosslay.gap.v1")),
            ("result-event", lambda event: event["data"].update(resultEvaluation="pass")),
            ("result-event", lambda event: event["data"].update(resultEvaluationCode=0)),
            ("result-event", lambda event: event["data"].update(sequence=2**63)),
            ("result-event", lambda event: event["data"].update(instanceId="no uuid")),
            ("result-event", lambda event: event["data"]["characteristics"][0].update(value="0.91")),
            ("result-event", lambda event: event["data"]["characteristics"][0].pop("evaluation")),
            ("gap-event", lambda event: event["data"].pop("fromSequence")),
            ("evaluation", lambda event: event.update(partId="")),
            ("state", lambda event: event.pop("online")),
            ("state", lambda event: event.update(online=False)),
            ("state", lambda event: event.update(health="fine")),
            ("state-offline", lambda event: event.update(online=True)),
            ("state-offline", lambda event: event.update(reason="lunch")),
        ],
    )
    def test_what_breaks_them_is_seen(self, name: str, change: Callable[[dict[str, Any]], object]) -> None:
        broken = copy.deepcopy(EXAMPLES[name])
        change(broken)
        assert list(validator(name).iter_errors(broken))

    @pytest.mark.parametrize("name", sorted(EXAMPLES))
    def test_unknown_fields_are_no_fault(self, name: str) -> None:
        validator(name).validate({**EXAMPLES[name], "added": {"later": True}})

    @pytest.mark.parametrize(
        "payload",
        [
            {"instanceId": "x", "acknowledgedThrough": 0},
            {"instanceId": "x", "acknowledgedThrough": 2**63 - 1, "later": "added"},
            {"instanceId": "x", "acknowledgedThrough": 5, "rejected": [{"sequence": 1, "reason": "why"}]},
            {"instanceId": "x", "acknowledgedThrough": 5, "rejected": []},
            {"instanceId": "x"},
            {"acknowledgedThrough": 1},
            {"instanceId": "x" * 65, "acknowledgedThrough": 1},
            {"instanceId": 1, "acknowledgedThrough": 1},
            {"instanceId": "x", "acknowledgedThrough": -1},
            {"instanceId": "x", "acknowledgedThrough": 2**63},
            {"instanceId": "x", "acknowledgedThrough": "1"},
            {"instanceId": "x", "acknowledgedThrough": 1.5},
            {"instanceId": "x", "acknowledgedThrough": True},
            {"instanceId": "x", "acknowledgedThrough": None},
            {"instanceId": "x", "acknowledgedThrough": 1, "rejected": None},
            {"instanceId": "x", "acknowledgedThrough": 1, "rejected": [{"sequence": 0, "reason": ""}]},
            {"instanceId": "x", "acknowledgedThrough": 1, "rejected": [{"sequence": 1}]},
            {"instanceId": "x", "acknowledgedThrough": 1, "rejected": [{"sequence": 1, "reason": "x" * 501}]},
            {"instanceId": "x", "acknowledgedThrough": 1, "rejected": [{"sequence": 1, "reason": "x"}] * 1001},
            [],
            None,
            "x",
        ],
    )
    def test_the_station_takes_what_the_schema_allows_and_nothing_else(self, payload: object) -> None:
        allowed = not list(validator("acknowledgement").iter_errors(payload))
        try:
            Acknowledgement.model_validate_json(json.dumps(payload))
            taken = True
        except ValidationError:
            taken = False
        assert taken == allowed


@pytest.mark.broker
class TestTheJudgeOfTheSuite:
    """Every bus client of these tests holds the station's messages against the contract when it leaves."""

    STATE = json.dumps(EXAMPLES["state"])

    @pytest.mark.parametrize(
        ("leaf", "payload", "options", "text"),
        [
            ("v1/state", "{}", {"retain": True}, "is no state"),
            ("v1/state", "nonsense", {"retain": True}, "is no JSON"),
            ("v1/state", STATE.replace("0.4", "NaN"), {"retain": True}, "NaN is no number"),
            ("v1/state", STATE, {"retain": False}, "must be retained"),
            ("v1/state", STATE, {"retain": True, "qos": 0}, "QoS 0"),
            ("v1/result", json.dumps(EXAMPLES["result-event"]), {"retain": True}, "must be not retained"),
            ("v1/surprise", "{}", {}, "is no topic of the contract"),
            ("v1/condition", "{}", {}, "is no topic of the contract"),
        ],
    )
    def test_a_message_that_breaks_it_fails_the_test(
        self, module_broker: RunningBroker, leaf: str, payload: str, options: dict[str, Any], text: str
    ) -> None:
        # A prefix of its own: what is retained stays at the broker.
        prefix = f"plant/{abs(hash((leaf, payload, str(options))))}"
        with (  # noqa: PT012 - the check is what happens at the end of the block
            pytest.raises(AssertionError, match=text),
            bus_client(module_broker.port, prefix=prefix) as judge,
        ):
            say(module_broker.port, f"{prefix}/{leaf}", payload, **options)
            wait_for(lambda: judge.messages)

    def test_one_that_obeys_does_not(self, module_broker: RunningBroker) -> None:
        with bus_client(module_broker.port, prefix="plant/good") as judge:
            say(module_broker.port, "plant/good/v1/state", self.STATE, retain=True)
            wait_for(lambda: judge.messages)


def say(port: int, topic: str, payload: str, *, qos: int = 1, retain: bool = False) -> None:
    """Publish as a client that is nobody's harness."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


class TestAsyncApi:
    def test_every_reference_leads_somewhere(self, document: dict[str, Any]) -> None:
        references = [node["$ref"] for node in objects(document) if isinstance(node.get("$ref"), str)]
        assert len(references) > 50
        for reference in references:
            here: Any = document
            assert reference.startswith("#/")
            for step in reference.removeprefix("#/").split("/"):
                here = here[step]

    def test_every_row_of_the_table_has_a_channel_and_an_operation(self, document: dict[str, Any]) -> None:
        assert document["asyncapi"] == "3.0.0"
        assert set(document["channels"]) == {leaf.name for leaf in LEAVES}
        for leaf in LEAVES:
            channel = document["channels"][leaf.name]
            tail = f"/{{{leaf.parameter}}}" if leaf.parameter else ""
            assert channel["address"] == f"{{prefix}}/{leaf.path}{tail}"
            assert set(channel["messages"]) == {message.name for message in leaf.messages}
            operation = document["operations"][f"{leaf.way.value}-{leaf.name}"]
            assert operation["action"] == ("send" if leaf.way is Way.OUT else "receive")
            mqtt = operation["bindings"]["mqtt"]
            assert (mqtt["qos"], mqtt["retain"]) == (leaf.qos, leaf.keep is Keep.RETAINED)

    def test_its_schemas_judge_as_the_published_ones_do(self, document: dict[str, Any]) -> None:
        for name, example in EXAMPLES.items():
            own = {"$ref": document["components"]["messages"][name]["payload"]["$ref"]}
            judge = Draft202012Validator({**own, "components": document["components"]})
            judge.validate(example)
            for field in schema(name)["required"]:
                assert list(judge.iter_errors({key: value for key, value in example.items() if key != field}))

    def test_it_tells_a_stranger_all_that_an_mes_must_do(self, document: dict[str, Any]) -> None:
        text = document["info"]["description"]
        for word in ("QoS 1", "`source`", "`data.instanceId`", "`data.sequence`", "acknowledgedThrough", "never before",
                     "acknowledge again", "rejected", "no holes", "gap", "not retained", "Ignore fields"):
            assert word in text

    @pytest.mark.timeout(300)
    def test_the_parser_of_the_asyncapi_project_accepts_it(self) -> None:
        done = subprocess.run(
            ["node", str(Path(__file__).parents[1] / "asyncapi_parser.mjs"), str(parser_folder()),
             str(CONFIG / "asyncapi.json")], capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
        # Severity 0 is an error, 1 a warning; what remains says that a newer version of AsyncAPI exists.
        assert [each for each in found["diagnostics"] if each["severity"] <= 1] == []
        assert found["version"] == "3.0.0"
        operations = {(each["action"], each["address"]): set(each["messages"]) for each in found["operations"]}
        assert operations[("send", "{prefix}/v1/result")] == {"result-event", "gap-event", "recall-event"}
        assert operations[("receive", "{prefix}/v1/result/ack")] == {"acknowledgement"}
        assert len(operations) == len(LEAVES)


def parser_folder() -> Path:
    """Where the parser is installed: inside the virtual environment, once; skips where it cannot be had."""
    folder = Path(sys.prefix) / "asyncapi-parser"
    if shutil.which("npm") is None or shutil.which("node") is None:
        pytest.skip("WARNING: AsyncAPI document not checked by its project's parser: apt-get install npm")
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:  # several test processes may want it at the same time
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = folder / PARSER.replace("/", "-")
        if not done.exists():
            command = ["npm", "install", "--prefix", str(folder), "--no-audit", "--no-fund", "--ignore-scripts", PARSER]
            try:
                said = subprocess.run(command, capture_output=True, text=True, timeout=240, env=_npm_environment())
            except subprocess.TimeoutExpired:
                pytest.skip(f"WARNING: AsyncAPI document not checked by its project's parser: {PARSER} did not come")
            if said.returncode != 0:
                pytest.skip(f"WARNING: AsyncAPI document not checked by its project's parser: {said.stderr[-300:]}")
            done.touch()
    return folder


def _npm_environment() -> dict[str, str]:
    return {**os.environ, "NO_UPDATE_NOTIFIER": "1"}
