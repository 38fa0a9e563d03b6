"""A whole station says everything that the contract names, and each message is as published."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from crosslay.bus.topics import LEAVES
from crosslay.testing.broker import RunningBroker
from specimen_cases import NAME, SPECIMEN, drop_check
from station_harness import TOPIC, bus_client, csv_bytes, sine_um, station, wait_for
from wire_contract import leaf_of, validator

pytestmark = pytest.mark.broker

MORE = """
[[characteristic]]
name = "bore"
callout = ["L Ra 0.2", "T16% Rz 10"]
cutoff_mm = 0.25
short_cutoff_um = "none"
sections = 3
skip_start_mm = 0.1
"""


def test_every_kind_of_message_is_seen_and_obeys(tmp_path: Path, broker: RunningBroker) -> None:
    more = {"bus": 'commands = ["reference-check"]', "more": SPECIMEN}
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, **more) as op30:
        op30.state_dir.mkdir()
        (op30.state_dir / "results.sqlite3").write_bytes(b"no database at all" * 1000)  # its loss makes a gap record
        op30.start()
        wait_for(lambda: mes.state().get("online"), what="a connection: the small event is only for the connected")
        drop_check(op30, "check", 1.0)
        wait_for(lambda: mes.state().get("referenceCheck") == "valid")
        op30.drop("good.csv", csv_bytes(sine_um(), part="P-1"))
        wait_for(lambda: len(mes.results()) == 2)
        mes.publish("v1/command/reference-check", json.dumps({"requestId": "r", "specimen": NAME}))
        wait_for(lambda: mes.payloads("v1/command/reference-check/response"))
        drop_check(op30, "failing", 1.2)
        wait_for(lambda: len(mes.results()) == 3, what="the recall")
        op30.drop("nonsense.csv", b"nonsense")
        wait_for(lambda: mes.payloads("v1/condition/trace-refused"))
        wait_for(lambda: mes.payloads("v1/anchor"), 15)
        assert op30.stop() == 0
        wait_for(lambda: mes.state().get("online") is False)
        seen = set()
        for message in mes.messages:
            leaf = leaf_of(message.topic.removeprefix(f"{TOPIC}/"))
            assert leaf is not None
            document = json.loads(message.payload)
            seen |= {each.name for each in leaf.messages if not list(validator(each.name).iter_errors(document))}
        assert seen == {each.name for leaf in LEAVES for each in leaf.messages}, "acknowledgements are the test's own"


def test_the_configuration_says_the_limits_in_force(tmp_path: Path, broker: RunningBroker) -> None:
    with station(tmp_path, broker.port, more=MORE) as op30:
        op30.start()
        with bus_client(broker.port) as late:
            (said,) = wait_for(lambda: late.payloads("v1/configuration"))
            (identity,) = wait_for(lambda: late.payloads("v1/identification"))
        checked = json.loads(op30.command("check", "--json").stdout)
        assert op30.stop() == 0
    assert (said["planId"], said["planHash"]) == (identity["planId"], identity["planHash"])
    assert said["planHash"] in json.dumps(checked)
    assert (said["referenceCheck"], said["referenceCheckDue"], said["acknowledge"]) == ("none", None, "confirmed")
    limits = {each["callout"]: each for each in said["requirements"]}
    assert list(limits) == ["L Ra 0.2", "T16% Rz 10", "Ra 0.8", "Rz 6.3"]
    low, high = limits["L Ra 0.2"], limits["T16% Rz 10"]
    assert (low["name"], low["parameter"], low["unit"]) == ("bore", "Ra", "um")
    assert (low["lowerLimit"], low["upperLimit"], low["rule"]) == (0.2, None, "Tmax")
    assert (high["lowerLimit"], high["upperLimit"], high["rule"]) == (None, 10, "T16%")
    settings = low["settings"]
    assert settings["cutoff"] == {"value": 0.25, "unit": "mm"}
    assert (settings["shortCutoff"], settings["shortCutoffSource"], settings["sections"]) == (None, "none", 3)
    assert settings["skipStart"] == {"value": 0.1, "unit": "mm"}
    # ISO 21920-3:2021, table 2: an upper limit of Ra 0.8 µm belongs to setting class Sc3, λc = 0.8 mm.
    assert limits["Ra 0.8"]["settings"]["cutoff"] == {"value": 0.8, "unit": "mm"}
    assert limits["Ra 0.8"]["settings"]["shortCutoffSource"] == "standard"
