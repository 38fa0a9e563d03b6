"""`crosslay evaluate` and `check` with uncertainty, decision rules and several traces of one part."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from command_line import crosslay
from station_harness import csv_bytes, sine_um

STATION = """
[station]
name = "op30"
topic = "plant/op30"
[gauge]
adapter = "file-drop"
folder = "."
[bus]
host = "127.0.0.1"
{more}
[[characteristic]]
name = "journal"
callout = "Ra 0.8"
{last}
"""
KNOWN = "[uncertainty]\nheight_percent = 2.0\nnoise_rq0_um = 0.01\nresolution_um = 0.001\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sines: Ra = 2A/π = 0.630 (keeps 0.64), 0.662 (exceeds it), 0.439 (below 70 % of it); ISO 5436-1, type C1."""
    made = tmp_path_factory.mktemp("traces")
    for name, amplitude_um in {"keeps": 0.99, "exceeds": 1.04, "low": 0.69}.items():
        (made / f"{name}.csv").write_bytes(csv_bytes(sine_um(amplitude_um), part="P-1"))
    (made / "known.toml").write_text(STATION.format(more=KNOWN, last=""))
    (made / "plain.toml").write_text(STATION.format(more="", last=""))
    return made


def evaluate(folder: Path, *words: str):
    return crosslay("evaluate", *words, cwd=folder)


def test_a_given_uncertainty_gives_a_probability_and_guard_bands(folder: Path) -> None:
    """U = 0.02, k = 2, so u = 0.01 and g = 1.65 u = 0.0165 µm (ISO 14253-1:2017); Ra 0.630 lies 0.010 below 0.64."""
    words = ("keeps.csv", "--callout", "Ra 0.64", "--expanded-uncertainty", "0.02", "--json")
    simple, guarded = evaluate(folder, *words), evaluate(folder, *words, "--decision-rule", "iso-14253-1")
    [judged] = json.loads(simple.out)["characteristics"]
    assert (simple.code, judged["verdict"], judged["decisionRule"]) == (0, "pass", "simple")
    closed = 0.5 * math.erfc((judged["value"] - 0.64) / 0.01 / math.sqrt(2))  # JCGM 106:2012, 7.4
    assert judged["conformanceProbability"] == pytest.approx(closed, rel=1e-9)
    document = json.loads(guarded.out)
    assert (guarded.code, document["verdict"]) == (3, "undecided")
    assert "within the guard band of 0.0165 µm" in document["characteristics"][0]["reason"]
    wide = evaluate(folder, "keeps.csv", "--callout", "Ra 0.66", *words[3:], "--decision-rule", "iso-14253-1")
    assert (wide.code, json.loads(wide.out)["verdict"]) == (0, "pass")
    beyond = evaluate(folder, "exceeds.csv", *words[1:], "--decision-rule", "iso-14253-1")
    assert (beyond.code, json.loads(beyond.out)["verdict"]) == (1, "fail")


def test_the_budget_comes_from_the_station_file(folder: Path) -> None:
    done = evaluate(folder, "keeps.csv", "--callout", "Ra 0.64", "--budget", "known.toml")
    assert done.code == 0
    assert "contribution" in done.out
    assert "reference (station file)" in done.out
    judged = json.loads(evaluate(folder, "keeps.csv", "--callout", "Ra 0.64; Rsk 1", "--budget", "known.toml",
                                 "--json").out)["characteristics"]  # fmt: skip
    ra, rsk = judged
    # The station file's 2 % (k = 2) and a rectangular ±0.0005 µm of resolution outweigh everything else.
    assert ra["expandedUncertainty"] / ra["coverageFactor"] == pytest.approx(
        math.hypot(0.01 * ra["value"], 0.0005 / math.sqrt(3)), rel=0.01)  # fmt: skip
    assert sum(each["share"] for each in ra["budget"]["contributions"]) == pytest.approx(1.0)
    assert "expandedUncertainty" not in rsk, "no rule is known for Rsk"
    inches = evaluate(folder, "keeps.csv", "--callout", "Ra 0.64", "--budget", "known.toml", "--json", "--unit", "uin")
    [shown] = json.loads(inches.out)["characteristics"]
    assert shown["expandedUncertainty"] == pytest.approx(ra["expandedUncertainty"] / 0.0254)


@pytest.mark.parametrize(
    ("callout", "files", "verdict", "deciding"),
    [
        ("T16% Ra 0.64", ["low"], "pass", "low"),
        ("T16% Ra 0.64", ["keeps"] * 3, "pass", "keeps"),
        ("T16% Ra 0.64", ["exceeds", *["keeps"] * 5], "pass", "keeps"),
        ("T16% Ra 0.64", ["exceeds", "keeps", "exceeds", "exceeds"], "fail", "exceeds"),
        ("T16% Ra 0.64", ["keeps"], "invalid", "keeps"),
        ("Tmax Ra 0.64", ["keeps", "exceeds"], "fail", "exceeds"),
        ("Tmax Ra 0.64", ["keeps", "low"], "pass", "keeps"),
        ("Tmed Ra 0.64", ["keeps", "exceeds", "low"], "pass", "keeps"),
        ("L T16% Ra 0.64", ["exceeds"] * 3, "pass", "exceeds"),
    ],
)
def test_traces_of_one_part_are_judged_by_the_rule_in_force(folder, callout, files, verdict, deciding) -> None:
    done = evaluate(folder, *(f"{name}.csv" for name in files), "--same-part", "--callout", callout, "--json")
    document = json.loads(done.out)
    assert (document["verdict"], done.code) == (verdict, {"pass": 0, "fail": 1, "invalid": 3}[verdict])
    [judged] = document["characteristics"]
    ra = {"keeps": 0.6303, "exceeds": 0.6621, "low": 0.4393}
    assert judged["value"] == pytest.approx(ra[deciding], rel=1e-3)
    assert judged.get("values", [judged["value"]]) == [pytest.approx(ra[name], rel=1e-3) for name in files]


def test_the_text_names_every_value(folder: Path) -> None:
    done = evaluate(folder, "keeps.csv", "exceeds.csv", "--same-part", "--callout", "T16% Ra 0.64")
    assert done.code == 3
    assert "2 of 4 to 12 traces that T16% needs were measured" in done.out
    assert "of 2 values: 0.6299, 0.6617" in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--same-part"], "it needs --callout"),
        (["--same-part", "--callout", "Tmed Ra 1", "keeps.csv"], "needs an odd number"),
        (["--same-part", "--callout", "Ra 1", "--smaller-tip", "1"], "belong to a single trace"),
        (["--decision-rule", "iso-14253-1", "--callout", "Ra 1"], "give --expanded-uncertainty or --budget"),
        (["--decision-rule", "iso-14253-1"], "name one with --callout"),
        (["--expanded-uncertainty", "0.1", "--callout", "Ra 1; Rz 5"], "one number for one parameter"),
        (["--expanded-uncertainty", "-1", "--callout", "Ra 1"], "not a number above 0"),
        (["--coverage-factor", "2", "--callout", "Ra 1"], "belongs to --expanded-uncertainty"),
        (["--budget", "plain.toml", "--callout", "Ra 1"], "has no [uncertainty]"),
        (["--budget", "none.toml", "--callout", "Ra 1"], "no such file"),
    ],
)
def test_bad_usage_says_what_would_be_right(folder: Path, words: list[str], said: str) -> None:
    done = evaluate(folder, "keeps.csv", *words)
    assert done.code in {2, 78}
    assert said in " ".join(done.err.split())
    assert "Traceback" not in done.err


@pytest.mark.parametrize(
    ("more", "last", "said"),
    [
        ("", 'decision_rule = "iso-14253-1"', "needs the uncertainty of Ra, and nothing traces the heights"),
        (KNOWN, 'decision_rule = "iso"', '"simple", "iso-14253-1"'),
        ("", "max_traces = 0", "at least 1"),
        ("", "min_traces = 2", "must not be above max_traces = 1"),
        ("", 'standard = "iso-4287"\nmax_traces = 5', "1, 3, 6 or 12"),
        ("", "expanded_uncertainty = 0", "must be a number above 0"),
        ("", "expanded_uncertainty = { Rz = 0.1 }", "names Rz, and no call-out here has it"),
        ("", "expanded_uncertainty = true", "must be a number above 0"),
        ("", 'positions = ["A", "A"]', "without any of them twice"),
        ("", 'positions = "A"', "must be a list of names"),
        ("", "leave_out_mm = [[0.2, 0.1]]", "ends beyond its begin"),
        ("", "leave_out_mm = [0.2]", "must be a list of zones"),
        ("", "leave_out_mm = 3", "must be a list of zones"),
        ("[uncertainty]\nheight_percent = -1", "", "must be above 0"),
        ("[uncertainty]\nheight = 1", "", "unknown key"),
    ],
)
def test_a_wrong_station_file_is_named_by_its_key(tmp_path: Path, more: str, last: str, said: str) -> None:
    file = tmp_path / "op30.toml"
    file.write_text(STATION.format(more=more, last=last))
    done = crosslay("check", str(file))
    assert done.code == 78, done.out
    assert said in done.err
    assert ("characteristic[0]" in done.err) != (not last)
    assert "Traceback" not in done.err


def test_check_tells_what_is_not_one_value_at_one_limit(tmp_path: Path) -> None:
    file = tmp_path / "op30.toml"
    last = ('standard = "iso-4287"\nmax_traces = 12\npositions = ["A", "B"]\nleave_out_mm = [[0, 0.2], [3.1, 3.4]]\n'
            'decision_rule = "iso-14253-1"\n')  # fmt: skip
    file.write_text(STATION.format(more=KNOWN, last=last))
    done = crosslay("check", str(file))
    assert done.code == 0, done.err
    for words in ("at each of A, B", "1 to 12 traces of each place", "guard band of 1.65 u",
                  "without 0 to 0.2 mm, 3.1 to 3.4 mm"):  # fmt: skip
        assert words in done.out
    [shown] = json.loads(crosslay("check", str(file), "--json").out)["characteristics"]
    assert (shown["rule"], shown["decisionRule"], shown["max_traces"]) == ("T16%", "iso-14253-1", 12)
    # Needed are 5 sections of 0.8 mm and half a cut-off at either end: 2.9 mm before the keyway are too few.
    assert shown["travel_mm"] == pytest.approx(3.4 + 4.8)
