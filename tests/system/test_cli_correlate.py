"""``crosslay specimen STATION.toml correlate``: the real command on a real store, and files that cannot be used."""

from __future__ import annotations

import json
import uuid
from pathlib import Path

import numpy as np
import pytest

from command_line import crosslay
from crosslay.record.levels import Settled
from crosslay.record.store import Draft, Store
from sample_results import sample_result

STATION = """
[station]
name = "op30"
topic = "plant/shafts/line3/op30"
state_dir = "{state}"
[gauge]
adapter = "file-drop"
folder = "incoming"
[bus]
host = "127.0.0.1"
[[characteristic]]
name = "journal"
callout = ["Ra 0.8", "Rz 20"]
"""
LABORATORY = np.linspace(0.3, 0.75, 12)


def _commit(store: Store, part: str, *items: dict[str, object]) -> None:
    """One stored result with these characteristics."""
    result_id = uuid.uuid4()

    def payload(place):
        event = json.loads(sample_result(place, part, str(result_id)))
        event["data"]["characteristics"] = list(items)
        return json.dumps(event).encode()

    store.commit(
        Draft(result_id=result_id, part_id=part, decision="pass", created_at=1.8e9, payload=payload,
              deliveries=(result_id,)),
        Settled(),
    )


def _value(value: float | None, callout: str = "Ra 0.8", **more: object) -> dict[str, object]:
    return {"name": "journal", "callout": callout, "value": value, "unit": "um", **more}


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Twelve parts whose in-line Ra is a tenth above the laboratory's, and one without a value."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    state = tmp_path / "state"
    state.mkdir()
    (tmp_path / "incoming").mkdir()
    rng = np.random.default_rng(5)
    store = Store(state)
    store.open()
    try:
        for index, value in enumerate(LABORATORY):
            inline = float(1.1 * value + rng.normal(0.0, 0.004))
            _commit(store, f"P-{index}", _value(99.0), _value(9.0, "Rz 20"))  # superseded by the next one
            known = {"expandedUncertainty": 0.01, "coverageFactor": 2.0}
            _commit(store, f"P-{index}", _value(round(inline, 4), **known), _value(9.0, "Rz 20"))
            _commit(store, f"P-{index}", _value(None))  # newer, but it says nothing
        _commit(store, "P-bad", _value(None))
    finally:
        store.close()
    path = tmp_path / "op30.toml"
    path.write_text(STATION.format(state=state))
    return path


def _lab(folder: Path, text: str) -> Path:
    path = folder / "lab.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _rows(last: str = ",0.008") -> str:
    rng = np.random.default_rng(6)
    return "part,value,U\n" + "".join(
        f"P-{index},{value + rng.normal(0.0, 0.004):.4f}{last}\n" for index, value in enumerate(LABORATORY)
    )


def _run(station: Path, text: str, *words: str):
    return crosslay("specimen", station, "correlate", _lab(station.parent, text), "--callout", "Ra 0.8", *words)


def test_a_gauge_that_reads_a_tenth_high(station):
    ran = _run(station, _rows() + "P-bad,0.5,0.01\nP-unknown,0.5,0.01\n", "--json")
    (found,) = ran.objects()
    assert (ran.code, ran.err) == (0, "")
    assert (found["parts"], found["missing"], found["method"]) == (12, ["P-bad", "P-unknown"], "york")
    assert found["slopeInterval"][0] < 1.1 < found["slopeInterval"][1]
    assert found["slopeOneP"] < 0.001
    assert found["biasPercent"] == pytest.approx(10.0, abs=1.0)


def test_the_text(station):
    ran = _run(station, _rows() + "P-bad,0.5,0.01\n")
    for word in ("journal: Ra 0.8", "12 laboratory values", "µm", "bias", "slope", "intercept", "agreement",
                 "prediction", "is stored for P-bad", "calibration"):
        assert word in ran.out
    assert (ran.code, ran.err) == (0, "")


def test_without_the_laboratorys_uncertainty_there_is_a_bias_and_a_ratio_helps(station):
    ran = _run(station, _rows(""), "--json")
    assert ran.code == 3
    assert "both sides carry errors" in ran.objects()[0]["reason"]
    assert ran.objects()[0]["biasPercent"] == pytest.approx(10.0, abs=1.0)
    ran = _run(station, _rows(""), "--json", "--variance-ratio", "1")
    assert (ran.code, ran.objects()[0]["method"]) == (0, "deming")


def test_too_few_parts_are_said(station):
    ran = _run(station, "P-1,0.4\nP-2,0.5\n")
    assert ran.code == 3
    assert "at least 5" in ran.out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["lab.csv", "part,value"]),
        ("part,value\n", ["no line"]),
        ("P-1,0.5\nP-2\n", ["lab.csv:2", "1 columns"]),
        ("P-1,0,5,0,01\n", ["lab.csv:1", "decimal point"]),
        ("P-1;0.5\n", ["lab.csv:1", "1 columns"]),
        ("P-1,half\n", ['"half"', "above 0"]),
        ("P-1,nan\n", ['"nan"']),
        ("P-1,0.5,-0.1\n", ['"-0.1"']),
        (",0.5\n", ["lab.csv:1"]),
        ('P-1,"0.5\n', ["cannot be read"]),
    ],
)
def test_a_file_that_cannot_be_used(station, text, words):
    ran = _run(station, text)
    assert (ran.code, ran.out) == (2, "")
    for word in words:
        assert word in ran.err


def test_other_bad_input(station, tmp_path):
    lab = _lab(tmp_path, _rows())
    ran = crosslay("specimen", station, "correlate", lab)
    assert ran.code == 2
    assert "several call-outs" in ran.err
    assert "Rz 20" in ran.err
    assert "no call-outs" in crosslay("specimen", station, "correlate", lab, "--callout", "Rk 1").err
    assert crosslay("specimen", station, "correlate", tmp_path / "none.csv", "--callout", "Ra 0.8").code == 2
    assert "correlate FILE.csv" in crosslay("specimen", station, "correlate").err
    assert "belongs to specimen correlate" in crosslay("specimen", station, "list", "--variance-ratio", "2").err
    lab.write_bytes(b"P-1,\xff\n")
    assert "UTF-8" in crosslay("specimen", station, "correlate", lab, "--callout", "Ra 0.8").err


def test_no_store_yet(tmp_path, monkeypatch):
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    path = tmp_path / "op30.toml"
    path.write_text(STATION.format(state=tmp_path / "nothing"))
    ran = crosslay("specimen", path, "correlate", _lab(tmp_path, _rows()), "--callout", "Ra 0.8")
    assert ran.code == 2
    assert "no result database" in ran.err


PERSON = ("--by", "somebody", "--why", "compared")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--accept", "--undo", "journal", *PERSON), "exclude each other"),
        (("--undo", "journal", "--list", *PERSON), "exclude each other"),
        (("lab.csv", "--undo", "journal", *PERSON), "it is used so"),
        (("lab.csv", "--list"), "it is used so"),
        (("--accept", *PERSON), "it is used so"),
        (("lab.csv", *PERSON), "belong to correlate --accept and --undo"),
        (("--undo", "journal", "--callout", "Ra 0.8", *PERSON), "take none"),
        (("--undo", "journal", "--by", "somebody"), "--why is missing"),
        (("--undo", "x" * 501, *PERSON), "501 characters"),
        (("--undo", "journal", *PERSON), 'no correlation in force for "journal"; in force: none'),
    ],
)
def test_words_that_do_not_fit_together(station, words, said):
    ran = crosslay("specimen", station, "correlate", *words)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err


def test_values_of_unknown_settings_are_not_accepted_and_nothing_is_listed(station):
    ran = _run(station, _rows(), "--accept", *PERSON)
    assert ran.code == 2
    assert "under the settings in force" in ran.err
    assert "no correlation was accepted" in crosslay("specimen", station, "correlate", "--list").out
    assert "belongs to specimen correlate, not to list" in crosslay("specimen", station, "list", "--accept").err
    assert "--budget belongs to results show" in crosslay("results", station, "list", "--budget").err


def test_more_parts_than_one_study_takes_are_refused(station):
    ran = _run(station, "".join(f"X-{number},0.5,0.01\n" for number in range(501)), "--accept", *PERSON)
    assert (ran.code, "at most 500" in ran.err) == (2, True)
