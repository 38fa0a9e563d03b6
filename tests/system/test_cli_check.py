"""``crosslay check`` and ``crosslay settings``: what a station file and a call-out amount to."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from command_line import crosslay

GOOD = """
[station]
name = "op30"
topic = "plant/shafts/line3/op30"
state_dir = "state"
[gauge]
adapter = "file-drop"
folder = "incoming"
[bus]
host = "127.0.0.1"
[[characteristic]]
name = "journal"
callout = ["Ra 0.8", "Rz 20", "Rk 2"]
"""


@pytest.fixture
def station(tmp_path: Path) -> Path:
    path = tmp_path / "op30.toml"
    path.write_text(GOOD)
    return path


def without_state_directory() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name != "STATE_DIRECTORY"}


def test_the_text_says_what_the_file_amounts_to(station):
    ran = crosslay("check", station, env=without_state_directory())
    assert (ran.code, ran.err) == (0, "")
    for word in ("op30", str(station.parent / "state"), "file-drop", "127.0.0.1:1883", "confirmed:", "none:", "Ra 0.8",
                 "≤ 20 µm", "Tmax", "Sc3", "Sc4", "4.8", "15", "robust", "plant/shafts/line3/op30/v1/result",
                 "reference check", "not a safety function"):
        assert word in ran.out


def test_json(station):
    ran = crosslay("check", station, "--json", env=without_state_directory())
    (got,) = ran.objects()
    assert got.items() >= {
        "name": "op30", "acknowledge": "confirmed", "indicator": "none", "referenceCheck": "none", "gauge": "file-drop",
        "simulated": False, "source": "urn:crosslay:plant:shafts:line3:op30"}.items()
    assert got["topics"]["result"] == "plant/shafts/line3/op30/v1/result"
    assert got["plan"]["gauge"] == {**got["plan"]["gauge"], "adapter": "file-drop", "folder": "incoming"}
    ra, rz, rk = got["characteristics"]
    # ISO 21920-3, 4.4.3 (page reference-values 1.2): Ra 0.8 is Sc3, Rz 20 is Sc4.
    assert (ra["settingClass"], ra["cutoff_mm"], ra["travel_mm"], ra["rule"]) == ("Sc3", 0.8, 4.8, "Tmax")
    assert (rz["settingClass"], rz["cutoff_mm"], rz["short_cutoff_um"], rz["max_spacing_um"]) == ("Sc4", 2.5, 8.0, 1.5)
    assert (rk["filter"], rk["cutoff_mm"]) == ("robust", 0.8)


def test_process_lay_and_motifs_are_shown(station):
    texts = '"MRR Rk 2; Rpk 1 _|_", "0.0025-0.1//Rx 2", "0.008-/Pt 9"'
    station.write_text(GOOD.replace('"Ra 0.8", ', "").replace('"Rk 2"', texts))
    ran = crosslay("check", station, env=without_state_directory())
    assert ran.code == 0
    assert [" ".join(line.split()) for line in ran.out.splitlines() if line.split()[1:2] in (["process"], ["lay"])] == [
        "journal process MRR, material removal required", "journal lay ⟂, perpendicular"]
    (motif,) = [line.split() for line in ran.out.splitlines() if "//Rx" in line]
    assert motif[1:] == ["0.0025-0.1//Rx", "2", "≤", "2", "µm", "Tmax", "–", "none", "2.5", "1", "3.2", "3.2", "none",
                         "≤", "2", "≤", "0.5"]
    (got,) = crosslay("check", station, "--json", env=without_state_directory()).objects()
    assert [(each["process"], each["lay"]) for each in got["characteristics"]] == [
        (None, None), ("MRR", "⟂"), ("MRR", "⟂"), (None, None), (None, None)]
    assert [(each["filter"], each["travel_mm"]) for each in got["characteristics"][3:4]] == [("none", 3.2)]


def test_a_light_is_named(station):
    station.write_text(GOOD + '[[indicator]]\nadapter = "log-only"\n')
    assert crosslay("check", station, "--json", env=without_state_directory()).objects()[0]["indicator"] == ["log-only"]


def test_nothing_is_touched(station):
    crosslay("check", station, env=without_state_directory())
    assert list(station.parent.iterdir()) == [station]


def test_a_wrong_file_is_exit_78_with_everything_that_is_wrong(station):
    station.write_text(GOOD.replace('"127.0.0.1"', '"10.0.0.1"').replace("Ra 0.8", "Ra").replace("topic", "topics"))
    for words in ((), ("--json",)):
        ran = crosslay("check", station, *words, env=without_state_directory())
        assert (ran.code, ran.out) == (78, "")
        assert len(ran.err.splitlines()) == 4
        for place in ("station.topic:", "station.topics:", "bus.host:", "characteristic[0].callout[0]:"):
            assert place in ran.err


def test_another_state_directory_than_systemd_gave_is_exit_78(station):
    ran = crosslay("check", station, env={**os.environ, "STATE_DIRECTORY": "/var/lib/crosslay/op30"})
    assert ran.code == 78
    assert "station.state_dir" in ran.err


def test_no_file(tmp_path):
    ran = crosslay("check", tmp_path / "none.toml")
    assert ran.code == 78
    assert crosslay("check").code == 2


# --- settings --------------------------------------------------------------------------------------------------------

KEYS = {"callout", "standard", "settingClass", "cutoff_mm", "short_cutoff_um", "sections", "section_length_mm",
        "evaluation_length_mm", "travel_mm", "tip_radius_um", "max_spacing_um", "filter", "why"}
MORE_KEYS = {"process", "lay", "usual_speed_mm_s", "max_speed_mm_s", "sample_rate_hz"}


# Source: ISO 21920-3:2021, 4.4.3; ISO 4288:1996 tables 1 to 3; ISO 3274:1996 table 1 (page reference-values 1.1 to
# 1.3): around every boundary of both editions, upper bounds inclusive.
@pytest.mark.parametrize(
    ("standard", "parameter", "bounds"),
    [
        ("iso-21920", "Ra", (0.02, 0.1, 2, 10)), ("iso-21920", "Rz", (0.16, 0.8, 16, 80)),
        ("iso-4287", "Ra", (0.02, 0.1, 2, 10)), ("iso-4287", "Rz", (0.1, 0.5, 10, 50)),
        ("iso-4287", "RSm", (0.04, 0.13, 0.4, 1.3)), ("asme-b46.1", "Ra", (0.02, 0.1, 2, 10)),
    ],
)
def test_settings_at_and_around_every_boundary(standard, parameter, bounds):
    table = [(0.08, 2.5, 0.48), (0.25, 2.5, 1.5), (0.8, 2.5, 4.8), (2.5, 8.0, 15.0), (8.0, 25.0, 48.0)]
    texts = [text for bound in bounds for text in (f"{parameter} {bound}", f"{parameter} {bound * 1.001:.6f}")]
    got = crosslay("settings", "; ".join(texts), "--standard", standard, "--json").objects()
    expected = [row for place in range(4) for row in (table[place], table[place + 1])]
    assert [(each["cutoff_mm"], each["short_cutoff_um"], each["travel_mm"]) for each in got] == expected


def test_settings_has_the_keys_of_the_page_and_says_why():
    (got,) = crosslay("settings", "Rz 12", "--json").objects()
    assert set(got) == KEYS | MORE_KEYS
    assert got.items() >= {
        "callout": "Rz 12", "standard": "iso-21920", "settingClass": "Sc3", "cutoff_mm": 0.8, "short_cutoff_um": 2.5,
        "sections": 5, "section_length_mm": 0.8, "evaluation_length_mm": 4.0, "travel_mm": 4.8, "tip_radius_um": 2.0,
        "max_spacing_um": 0.5, "filter": "gaussian"}.items()
    assert "0.8 < Rz ≤ 16 µm" in got["why"]
    (older,) = crosslay("settings", "Rz 12", "--standard", "iso-4287", "--json").objects()
    assert (older["cutoff_mm"], older["settingClass"]) == (2.5, "Sc4")
    assert "10 < Rz ≤ 50 µm" in older["why"]
    assert "estimate" in older["why"]


def test_settings_of_a_call_out_that_says_them_and_of_one_that_leaves_them_open():
    (own,) = crosslay("settings", '"2rc" 0.008-2.5/Rz3 12', "--json").objects()
    assert (own["cutoff_mm"], own["short_cutoff_um"], own["sections"], own["filter"]) == (2.5, 8.0, 3, "2rc")
    assert own["travel_mm"] == pytest.approx(2.5 * (3 + 2))
    (minus,) = crosslay("settings", "-0.8/Ra 3.2", "--json").objects()
    assert minus["cutoff_mm"] == 0.8
    (opened,) = crosslay("settings", "Rk 2", "--json").objects()
    assert opened["cutoff_mm"] is opened["travel_mm"] is opened["settingClass"] is None
    assert "trace" in opened["why"]


def test_settings_for_people():
    ran = crosslay("settings", "Ra 0.8")
    assert ran.code == 0
    for word in ("λc", "0.8 mm", "travel", "4.8 mm", "at most 2 µm", "common practice", "ISO 21920-3"):
        assert word in ran.out


def test_settings_of_a_motif_call_out():
    (got,) = crosslay("settings", "MRR -0.3/6/AR 0.09 =", "--json").objects()
    assert got["cutoff_mm"] is got["settingClass"] is None
    # ISO 12085 table 1, from memory: B = 5 A; λs of the next longer operator of the table, 0.5 mm.
    assert got.items() >= {"evaluation_length_mm": 6.0, "travel_mm": 6.0, "short_cutoff_um": 8.0, "filter": "none",
                           "roughness_operator_mm": 0.3, "waviness_operator_mm": 1.5, "process": "MRR",
                           "lay": "="}.items()
    text = crosslay("settings", "MRR 0.0025-0.1//Rx 0.2 _|_").out
    for words in ("MRR, material removal required", "⟂, perpendicular", "A 0.1 mm, B 0.5 mm", "3.2 mm", "2.5 µm"):
        assert words in text


def test_settings_say_how_fast_the_gauge_may_go():
    # 0.5 µm at 0.5 mm/s are 1000 samples a second; 800 of them carry 0.4 mm/s (v = dx · f).
    assert "must take 1000 samples a second" in crosslay("settings", "Ra 0.8").out
    (got,) = crosslay("settings", "Ra 0.8", "--sample-rate", "800", "--json").objects()
    assert (got["usual_speed_mm_s"], got["sample_rate_hz"], got["max_speed_mm_s"]) == (0.5, 1000.0, 0.4)
    (quick,) = crosslay("settings", "Ra 0.8", "--sample-rate", "1e6", "--json").objects()
    assert quick["max_speed_mm_s"] == 1.0, "above 1 mm/s the tip may lift off (common practice, no source)"
    assert crosslay("settings", "Ra 0.8", "--sample-rate", "0").code == 2


@pytest.mark.parametrize(
    ("text", "why"),
    [("Sc3 Ra 3", "gives class Sc3"), ("-0.8/4/Ra 3", "evaluation length 4 mm, 5 sections"),
     ("0.8-4/Wz1 10", "one section λf, which is 5 λc"), ("/12.5/Pt 5", "so that the evaluation length"),
     ("Ra 0.8; Rk 1", "the other call-outs beside it"), ("0.008-/Pt 5", "gives λs 8 µm"),
     ("Rk8 1", "gives 8 sections")],
)
def test_settings_say_where_they_come_from(text, why):
    assert why in crosslay("settings", text).out


@pytest.mark.parametrize(
    "words", [["Ra"], [""], ["Ra 0.8", "--standard", "x"], [], ["Rzx 3", "--standard", "iso-4287"],
              ["0.8-25/Wz3 10"], ["Sc3 -2.5/Ra 3"], ["Sc3 Ra 3", "--standard", "iso-4287"], ["-0.8/4.1/Ra 3"]])
def test_settings_of_no_call_out(words):
    ran = crosslay("settings", *words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err
