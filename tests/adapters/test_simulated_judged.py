"""Simulated parts through evaluation and judgement: good ones pass, bad ones fail, spoilt ones are never judged."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

import crosslay_adapters.gauges.simulated as simulated
from crosslay.inspection.callout import parse_callouts
from crosslay.inspection.judge import Decision, Requirement, inspect
from crosslay.texture.settings import Settings
from crosslay.texture.trace import Severity
from crosslay_adapters.gauges.simulated import SimulatedGauge
from crosslay_adapters.gauges.simulated.config import PlannedPart, SimulatedConfig
from crosslay_adapters.gauges.simulated.gauge import simulate

SURFACES: dict[str, dict[str, Any]] = {
    "turned": {"ra_um": 0.55},
    "turned with chatter": {"ra_um": 0.55, "chatter_percent": 15.0},
    "milled": {"surface": "milled", "ra_um": 0.55, "feed_mm": 0.2, "nose_radius_mm": 0.8},
    "ground": {"surface": "ground", "ra_um": 0.4},
    "honed": {"surface": "honed", "ra_um": 0.4},
    "lapped": {"surface": "lapped", "ra_um": 0.3},
}
FINDING = {
    "rocking": "rocking",
    "clipped": "clipped",
    "stuck": "stuck",
    "short": "too-short",
    "set-down": "set-down",
    "spike": "spike",
    "dropout": "spike",
}
WARNED = {"hum": "mains-hum", "noise": "noise-floor"}
REQUIREMENTS = tuple(Requirement(characteristic="journal", callout=callout, settings=Settings(cutoff_mm=0.8))
                     for callout in parse_callouts("Ra 0.8"))


def config_of(surface: str) -> SimulatedConfig:
    return SimulatedConfig.model_validate({"seed": 7, **SURFACES[surface]})


@pytest.mark.parametrize("surface", SURFACES)
def test_good_parts_pass_without_a_finding(surface: str) -> None:
    for part in range(1, 13):
        verdict = inspect(simulate(config_of(surface), part), REQUIREMENTS)
        assert verdict.decision is Decision.PASS
        assert verdict.findings == ()


@pytest.mark.parametrize("surface", SURFACES)
def test_parts_gone_bad_fail(surface: str) -> None:
    for part in range(1, 7):
        bad = PlannedPart.model_validate({"part": part, "ra_um": 1.3})
        assert inspect(simulate(config_of(surface), part, bad), REQUIREMENTS).decision is Decision.FAIL


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("fault", sorted(FINDING))
def test_a_spoilt_traverse_is_invalid_for_its_own_reason(surface: str, fault: str) -> None:
    found = 0
    for part in range(1, 5):
        planned = PlannedPart.model_validate({"part": part, "fault": fault})
        verdict = inspect(simulate(config_of(surface), part, planned), REQUIREMENTS)
        own = [finding for finding in verdict.findings if finding.id == FINDING[fault]]
        found += verdict.decision is Decision.INVALID and any(each.severity is Severity.INVALID for each in own)
    assert found >= 3  # what is found how often is measured in tests/inspection


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("fault", sorted(WARNED))
def test_a_disturbed_traverse_warns_for_its_own_reason(surface: str, fault: str) -> None:
    # A feed of 0.1 mm has its tenth overtone where 50 Hz lies at 0.5 mm/s; the line is ten times as high.
    for part in range(1, 5):
        planned = PlannedPart.model_validate({"part": part, "fault": fault})
        verdict = inspect(simulate(config_of(surface), part, planned), REQUIREMENTS)
        assert WARNED[fault] in [finding.id for finding in verdict.findings]
        assert all(finding.severity is not Severity.INVALID for finding in verdict.findings)


def test_the_sample_shows_what_its_comments_say() -> None:
    sample = tomllib.loads((Path(simulated.__file__).parent / "sample.toml").read_text("utf-8"))["gauge"]
    del sample["adapter"]
    config = SimulatedGauge.Config.model_validate(sample)
    planned = {entry.part: entry for entry in config.schedule}
    decisions = [inspect(simulate(config, part, planned.get(part)), REQUIREMENTS).decision for part in range(1, 13)]
    assert decisions[3] is Decision.FAIL
    assert decisions[6] is Decision.INVALID
    assert set(decisions[:3] + decisions[4:6] + decisions[7:]) == {Decision.PASS}
