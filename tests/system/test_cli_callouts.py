"""Call-outs through ``crosslay evaluate``: motifs, classes, evaluation lengths, and traces with a skid."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from command_line import crosslay

SPACING_UM = 0.5


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Traces of 20 mm: triangles of 2 µm height and 0.1 mm width, with and without a skid."""
    place = tmp_path_factory.mktemp("traces")
    x_mm = np.arange(40_001) * SPACING_UM / 1000.0
    heights = 2.0 * np.abs((x_mm / 0.1) % 1.0 - 0.5) * 2.0
    lines = "".join(f"{height:.4f}\n" for height in heights)
    for name, facts in (("plain", ""), ("skidded", "# skid: yes\n# skid_radius_mm: 25\n")):
        (place / f"{name}.csv").write_text(f"# spacing_um: {SPACING_UM}\n{facts}z_um\n{lines}")
    return place


def evaluated(path: Path, *words: str) -> tuple[int, dict[str, Any]]:
    ran = crosslay("evaluate", path, "--json", *words)
    (got,) = ran.objects()
    return ran.code, got


def test_a_motif_call_out_is_judged_by_its_own_operators(folder):
    # Equal triangles of 2 µm and 0.1 mm are motifs of that depth and width (ISO 12085). The Gaussian weights of λs
    # (ISO 16610-21) round both ends of a flank of slope 0.04 by the mean |x| under them.
    x_um = SPACING_UM * np.arange(-5, 6)
    weights = np.exp(-math.pi * (x_um / 2.5) ** 2 * (math.pi / math.log(2)))
    rounding_um = 2 * 0.04 * float(np.abs(x_um) @ weights) / float(weights.sum())
    texts = "0.0025-0.5/12/R 2; -0.5/12/AR 0.1001; L 0.0025-0.5/12/Rx 1.9"
    code, got = evaluated(folder / "plain.csv", "--callout", texts)
    assert (code, got["verdict"]) == (0, "pass")
    r, ar, rx = (each["value"] for each in got["characteristics"])
    assert r == pytest.approx(2.0 - rounding_um, abs=1e-4)
    assert rx == pytest.approx(r, abs=1e-3)
    assert ar == pytest.approx(0.1, abs=1e-6)
    # With an operator shorter than the motifs there are none: the call-out cannot be judged.
    code, got = evaluated(folder / "plain.csv", "--callout", "-0.05/5/R 2")
    assert (code, got["verdict"], got["characteristics"][0]["value"]) == (3, "invalid", None)


def test_an_evaluation_length_longer_than_the_trace_is_said(folder):
    _code, got = evaluated(folder / "plain.csv", "--callout", "/40/R 2")
    assert [each["id"] for each in got["findings"]] == ["motif-length-short"]


def test_class_and_evaluation_length_reach_the_evaluation(folder):
    _code, got = evaluated(folder / "plain.csv", "--callout", "Sc4 Ra 1")
    assert (got["settings"]["cutoff_mm"], got["settings"]["settingClass"]) == (2.5, "Sc4")
    _code, got = evaluated(folder / "plain.csv", "--callout", "-0.8/5.6/Ra 1")
    assert (got["settings"]["sections"], got["settings"]["evaluation_length_mm"]) == (7, pytest.approx(5.6))
    code, got = evaluated(folder / "plain.csv", "--callout", "0.8-4/Wz1 1")
    assert (code, got["settings"]["evaluation_length_mm"], got["settings"]["waviness_cutoff_mm"]) == (0, 4.0, 4.0)


def test_a_skidded_trace_has_no_p_and_w(folder):
    code, got = evaluated(folder / "skidded.csv", "--cutoff", "0.8", "--motif")
    assert code == 0
    for name, value in got["parameters"].items():
        if (name[0] in "PW" and not name.startswith("Pc(")) or name == "AW":
            assert value is None
            assert "without skid" in got["undefined"][name]
        else:
            assert "skid" not in got["undefined"].get(name, "")
    assert got["parameters"]["Ra"] == pytest.approx(0.5, abs=0.01)
    # 25 mm is less than 50 cut-offs of 0.8 mm (ISO 3274:1975, from memory).
    assert [(each["id"], each["severity"]) for each in got["findings"]] == [("skid-too-small", "warning")]
    _code, plain = evaluated(folder / "plain.csv", "--cutoff", "0.8", "--motif")
    assert plain["parameters"]["Pt"] == pytest.approx(2.0, abs=0.05)
    assert plain["findings"] == []


def test_a_call_out_on_p_from_a_skidded_trace_is_invalid(folder):
    code, got = evaluated(folder / "skidded.csv", "--callout", "Ra 1; 0.0025-/Pt 5")
    assert (code, got["verdict"]) == (3, "invalid")
    ra, pt = got["characteristics"]
    assert (ra["verdict"], pt["verdict"], pt["value"]) == ("pass", "invalid", None)
    assert "skid" in pt["reason"]
    assert "skid" in got["details"]
    assert "skid" in crosslay("evaluate", folder / "skidded.csv", "--callout", "Pt 5").out
    code, _got = evaluated(folder / "plain.csv", "--callout", "Ra 1; 0.0025-/Pt 5")
    assert code == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("0.8-25/Wz3 10", "counts lengths λf"), ("Pt5 10", "for P the section is the evaluation length"),
        ("Ra 0.8 ?", "character 8"), ("MRR", "character 4"), ('"robust" R 1', "without a filter"),
        ("Sc9 Ra 1", "character 1"), ("/0/R 1", "character 2"), ("Ra 0.8 =; Rz 3 C", "one lay"),
    ],
)
def test_call_outs_that_cannot_be_are_bad_usage(folder, text, words):
    ran = crosslay("evaluate", folder / "plain.csv", "--callout", text)
    assert (ran.code, ran.out) == (2, "")
    assert words in ran.err
    assert len(ran.err.splitlines()) == 1
