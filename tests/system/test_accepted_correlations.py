"""Correlations and checks through the real daemon: what a person accepts decides the next part, and can be undone.

Sine of amplitude A and 0.1 mm wavelength: Ra = 2A/π = 0.6366 A (ISO 5436-1, type C1).
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from crosslay.testing.broker import RunningBroker
from specimen_cases import CERTIFIED_UM, SPECIMEN, drop_check
from station_harness import TOPIC, BusClient, StationUnderTest, bus_client, csv_bytes, sine_um, station, wait_for

pytestmark = pytest.mark.broker

WAIT_S = 30.0
STATION = """
[station]
name = "op30"
topic = "{topic}"
state_dir = "state"
[gauge]
adapter = "file-drop"
folder = "incoming"
[bus]
host = "127.0.0.1"
port = {port}
[[characteristic]]
name = "journal"
callout = "Ra 0.64"
{more}
"""
#: In-line reads a quarter above the laboratory; limit 0.64 µm.
FACTOR = 1.25
PERSON = ("--by", "quality, shift 2", "--why", "eight parts compared")


def drop(op30: StationUnderTest, part: str, ra_um: float) -> None:
    op30.drop(f"{part}.csv", csv_bytes(sine_um(ra_um * math.pi / 2), part=part))


def result_of(mes: BusClient, part: str) -> dict[str, Any]:
    [data] = wait_for(lambda: [each["data"] for each in mes.results() if each["data"]["partId"] == part], WAIT_S, part)
    return data


def measured(op30: StationUnderTest, mes: BusClient, part: str, ra_um: float) -> tuple[str, dict[str, Any]]:
    drop(op30, part, ra_um)
    data = result_of(mes, part)
    return data["resultEvaluation"], data["characteristics"][0]


def compared(op30: StationUnderTest, mes: BusClient, parts: int = 8) -> Path:
    """Measure parts in line, and write what the laboratory found on them."""
    lines = ["part,value,U"]
    chance = np.random.default_rng(11)
    for number, truth in enumerate(np.linspace(0.3, 0.9, parts)):
        drop(op30, f"S-{number}", FACTOR * float(truth))
        lines.append(f"S-{number},{truth + chance.normal(0, 0.002):.4f},0.006")
    for number in range(parts):
        result_of(mes, f"S-{number}")
    file = op30.folder / "lab.csv"
    file.write_text("\n".join(lines) + "\n", "utf-8")
    return file


def in_force(mes: BusClient) -> list[dict[str, Any]]:
    return list(mes.payloads("v1/configuration")[-1]["correlations"])


def test_accepted_it_decides_the_next_part_and_undone_it_does_not(tmp_path: Path, broker: RunningBroker) -> None:
    text = STATION.format(topic=TOPIC, port=broker.port, more="expanded_uncertainty = 0.006")
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, text=text) as op30:
        op30.start()
        lab = str(compared(op30, mes))
        assert in_force(mes) == []
        read = op30.command("specimen", "correlate", lab)
        assert read.returncode == 0, read.stderr
        evaluation, item = measured(op30, mes, "P-1", 0.75)
        assert (evaluation, item["rawValue"], item["correlation"]) == ("NotOK", None, None), "reading changes nothing"

        few = tmp_path / "few.csv"
        few.write_text("\n".join(Path(lab).read_text().splitlines()[:4]), "utf-8")
        refused = op30.command("specimen", "correlate", str(few), "--accept", *PERSON)
        assert (refused.returncode, "3 parts; at least 5 are needed" in refused.stderr) == (2, True)
        nobody = op30.command("specimen", "correlate", lab, "--accept", "--why", "x")
        assert (nobody.returncode, "--by is missing" in nobody.stderr) == (2, True)

        done = op30.command("specimen", "correlate", lab, "--accept", *PERSON)
        assert done.returncode == 0, done.stderr
        assert "by quality, shift 2: eight parts compared" in done.stdout
        [told] = wait_for(lambda: in_force(mes), WAIT_S)
        assert (told["name"], told["parameter"], told["reason"]) == ("journal", "Ra", None)
        assert told["slope"] == pytest.approx(FACTOR, abs=0.02)

        evaluation, item = measured(op30, mes, "P-2", 0.75)
        assert (evaluation, item["correlation"]["id"]) == ("OK", told["id"])
        assert item["rawValue"] == pytest.approx(0.75, rel=0.005)
        assert item["value"] == pytest.approx((item["rawValue"] - told["intercept"]) / told["slope"], rel=1e-12)
        assert item["expandedUncertainty"] > 0.006 / FACTOR, "the line and the laboratory are in it"
        names = {each["name"] for each in item["uncertaintyBudget"]["contributions"]}
        assert {"correlation: line", "correlation: laboratory value"} < names
        shown = op30.command("results", "show", "P-2", "--budget").stdout
        assert f"as the laboratory by {told['id']}" in shown
        assert "correlation: line" in shown

        assert op30.stop() == 0
        op30.start()
        evaluation, again = measured(op30, mes, "P-3", 0.75)
        assert (evaluation, again["value"], again["expandedUncertainty"]) == (
            "OK", item["value"], item["expandedUncertainty"])  # fmt: skip

        undone = op30.command("specimen", "correlate", "--undo", "journal/Ra 0.64", *PERSON)
        assert undone.returncode == 0, undone.stderr
        evaluation, item = measured(op30, mes, "P-4", 0.75)
        assert (evaluation, item["rawValue"], item["correlation"]) == ("NotOK", None, None)
        wait_for(lambda: in_force(mes) == [], WAIT_S)
        assert op30.stop() == 0
        listed = json.loads(op30.command("specimen", "correlate", "--list", "--json").stdout)
        assert (listed["inForce"], listed["acceptedBy"], listed["undoneBy"]) == (
            False, "quality, shift 2", "quality, shift 2")  # fmt: skip


def test_a_check_in_force_makes_the_guard_band_and_the_result_names_it(tmp_path: Path, broker: RunningBroker) -> None:
    """u ≥ 0.006/0.6366 of the value (k = 1.65): 0.63 lies within the band below 0.64, 0.55 below it."""
    text = STATION.format(topic=TOPIC, port=broker.port, more='decision_rule = "iso-14253-1"\n' + SPECIMEN)
    with bus_client(broker.port, acknowledge=True) as mes, station(tmp_path, broker.port, text=text) as op30:
        op30.start()
        evaluation, item = measured(op30, mes, "P-0", 0.55)
        assert (evaluation, item["expandedUncertainty"], item["uncertaintyBudget"]) == ("Undefined", None, None)
        drop_check(op30, "good", 1.0)
        wait_for(lambda: mes.state().get("referenceCheck") == "valid", WAIT_S)
        evaluation, first = measured(op30, mes, "P-1", 0.635)
        assert (evaluation, first["evaluation"]) == ("NotDecidable", "NotDecidable")
        assert first["upperLimit"] - first["expandedUncertainty"] < first["value"] < first["upperLimit"]
        assert measured(op30, mes, "P-2", 0.55)[0] == "OK"
        check = result_of(mes, "P-1")["referenceCheck"]["id"]
        budget = first["uncertaintyBudget"]
        assert budget["referenceCheck"] == check
        [certificate] = [each for each in budget["contributions"] if each["name"].startswith("reference")]
        assert certificate["standardUncertainty"] == pytest.approx(0.006 / CERTIFIED_UM * first["value"], rel=1e-6)
        [scatter] = [each for each in budget["contributions"] if each["name"].startswith("repeatability")]
        assert (scatter["degreesOfFreedom"], scatter["type"]) == (2.0, "A")
        assert any(each["name"] == "deviation that was not corrected" for each in budget["contributions"])
        assert op30.stop() == 0
        op30.start()
        evaluation, again = measured(op30, mes, "P-3", 0.635)
        assert (evaluation, again["uncertaintyBudget"]) == ("NotDecidable", budget), "a restart changes nothing"
        assert f"traced by reference check {check}" in op30.command("results", "show", "P-3", "--budget").stdout
        assert op30.stop() == 0
