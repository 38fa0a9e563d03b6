"""``crosslay evaluate``: JSON, table, exit codes, bad input; page interface."""

from __future__ import annotations

import math
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest

from command_line import COMMAND, crosslay, crosslay_program
from crosslay_adapters.tracefiles.csv_format import CsvFormat

X_UM = 0.5 * np.arange(9601)


def csv(folder: Path, name: str, heights: np.ndarray, spacing: bool = True) -> Path:
    path = folder / name
    facts = "# part: P-1\n# spacing_um: 0.5\n" if spacing else ""
    path.write_text(facts + "z_um\n" + "".join(f"{height:.6f}\n" for height in heights))
    return path


@pytest.fixture
def sine(tmp_path: Path) -> Path:
    """Amplitude 1 µm, 0.1 mm (type C1 of ISO 5436-1): Ra 2/π µm, Rq 1/√2 µm, Rz 2 µm, Rsm 0.1 mm."""
    return csv(tmp_path, "sine.csv", np.sin(2 * math.pi * X_UM / 100))


@pytest.fixture
def rocked(tmp_path: Path) -> Path:
    rng = np.random.default_rng(2)
    return csv(tmp_path, "rocked.csv", 0.1 * rng.standard_normal(9601) + 5.0 * (X_UM > 2000))


def one(*words: str | Path) -> dict:
    ran = crosslay("evaluate", *words, "--json")
    (found,) = ran.objects()
    return found | {"exit": ran.code}


def test_json_has_the_shape_of_the_page(sine):
    got = one(sine, "--callout", "Ra 0.8", "--callout", "U Rz 1.5; L Rsm 0.05")
    assert got["file"] == str(sine)
    assert got["settings"].items() >= {
        "standard": "iso-21920", "filter": "gaussian", "cutoff_mm": 0.8, "short_cutoff_um": 2.5, "sections": 5,
        "form": "line", "spacing_um": 0.5}.items()
    # Closed forms, damped by λs 2.5 µm and λc 0.8 mm at 0.1 mm: factor 0.99957 (ISO 16610-21).
    factor = math.exp2(-((2.5 / 100) ** 2)) - math.exp2(-((800 / 100) ** 2))
    assert got["parameters"]["Ra"] == pytest.approx(2 / math.pi * factor, rel=2e-4)
    assert got["parameters"]["Rq"] == pytest.approx(math.sqrt(0.5) * factor, rel=2e-4)
    assert got["parameters"]["Rsm"] == pytest.approx(0.1, rel=1e-3)
    assert got["units"].items() >= {"Ra": "um", "Rsm": "mm", "Rdr": "%", "Rpc": "/cm", "Rsk": "1"}.items()
    assert set(got["parameters"]) == set(got["units"])
    assert {name for name, value in got["parameters"].items() if value is None} == set(got["undefined"])
    assert got["verdict"] == "fail"
    assert [(each["callout"], each["verdict"]) for each in got["characteristics"]] == [
        ("Ra 0.8", "pass"), ("U Rz 1.5", "fail"), ("L Rsm 0.05", "pass")]
    ra, rz, rsm = got["characteristics"]
    assert (ra["upperLimit"], rz["upperLimit"], rsm["lowerLimit"]) == (0.8, 1.5, 0.05)
    assert "lowerLimit" not in ra
    assert "upperLimit" not in rsm
    assert ra["value"] == got["parameters"]["Ra"]
    assert got["findings"] == []
    assert got["exit"] == 1


def test_a_finding_in_json_and_the_invalid_verdict(rocked):
    got = one(rocked, "--callout", "Ra 2")
    assert (got["verdict"], got["exit"]) == ("invalid", 3)
    # The texture of this trace is white noise, which is said, too.
    finding, noise = got["findings"]
    assert (finding["id"], finding["severity"]) == ("rocking", "invalid")
    assert (noise["id"], noise["severity"]) == ("noise-floor", "warning")
    assert finding["text"]
    assert got["characteristics"][0]["verdict"] == "invalid"
    without = one(rocked)
    assert (without["verdict"], without["exit"], without["characteristics"]) == (None, 0, [])
    assert [each["id"] for each in without["findings"]] == ["rocking", "noise-floor"]


def test_a_trace_without_texture_has_nulls_with_reasons_and_no_nan(tmp_path):
    flat = csv(tmp_path, "flat.csv", np.full(9601, 0.25))
    ran = crosslay("evaluate", flat, "--json", "--callout", "Rsm 0.1")
    assert "NaN" not in ran.out
    (got,) = ran.objects()
    assert got["parameters"]["Ra"] == 0.0
    assert got["parameters"]["Rsm"] is None
    assert got["undefined"]["Rsm"]
    assert got["characteristics"][0]["value"] is None
    assert (got["verdict"], ran.code) == ("invalid", 3)


def test_too_short_with_a_call_out_is_invalid_and_without_one_bad_input(tmp_path):
    short = csv(tmp_path, "short.csv", np.sin(X_UM[:500]))
    got = one(short, "--callout", "Ra 0.8")
    assert (got["verdict"], got["exit"], got["parameters"]) == ("invalid", 3, {})
    assert got["findings"][0]["id"] == "too-short"
    ran = crosslay("evaluate", short)
    assert (ran.code, ran.out) == (2, "")
    assert str(short) in ran.err
    assert "mm" in ran.err


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["pass"], 0), (["fail"], 1), (["invalid"], 3), (["none"], 2), (["pass", "fail"], 1), (["fail", "invalid"], 3),
        (["pass", "invalid", "fail"], 3), (["invalid", "none", "fail"], 2), (["none", "pass"], 2),
    ],
)
def test_of_several_traces_the_first_of_2_3_1_0_applies(tmp_path, names, code):
    paths = {"pass": csv(tmp_path, "pass.csv", np.sin(2 * math.pi * X_UM / 100)),
             "fail": csv(tmp_path, "fail.csv", 2 * np.sin(2 * math.pi * X_UM / 100)),
             "invalid": csv(tmp_path, "invalid.csv", np.sin(X_UM[:100])), "none": tmp_path / "none.csv"}
    ran = crosslay("evaluate", *(paths[name] for name in names), "--json", "--callout", "Ra 0.8")
    assert ran.code == code
    assert [each["verdict"] for each in ran.objects()] == [name for name in names if name != "none"]
    assert ran.err.count("\n") == names.count("none")


def test_options_reach_the_settings(sine):
    got = one(sine, "--cutoff", "0.25", "--short-cutoff", "none", "--sections", "3", "--filter", "spline", "--form",
              "polynomial:2", "--standard", "iso-4287")
    assert got["settings"].items() >= {
        "standard": "iso-4287", "filter": "spline", "cutoff_mm": 0.25, "short_cutoff_um": None, "sections": 3,
        "form": "polynomial:2"}.items()
    assert "RSm" in got["parameters"]
    assert "Rsm" not in got["parameters"]
    comma = one(sine, "--cutoff", "0,25", "--short-cutoff", "8")
    assert (comma["settings"]["cutoff_mm"], comma["settings"]["short_cutoff_um"]) == (0.25, 8.0)


def test_parameters_on_request_and_motifs(sine):
    got = one(sine, "--parameter", "Rmr(0.5)", "--parameter=Rdc(10, 90)", "--motif")
    # Material ratio of a sine at half its amplitude: arccos(1/2)/π = 33.33 % (closed form).
    assert got["parameters"]["Rmr(0.5)"] == pytest.approx(100 / 3, abs=0.3)  # 200 samples a wave
    assert got["units"]["Rmr(0.5)"] == "%"
    assert "Rdc(10,90)" in got["parameters"]
    assert {"R", "AR", "Rx", "W", "AW", "Wx"} <= set(got["parameters"])


@pytest.mark.parametrize("words", [["--callout", "-0.8/Ra3 3.2"], ["--callout=-0.8/Ra3 3.2"]])
def test_a_call_out_may_begin_with_a_minus(sine, words):
    got = one(sine, *words)
    assert got["settings"]["sections"] == 3
    assert got["characteristics"][0]["upperLimit"] == 3.2


def test_options_may_stand_anywhere_between_the_traces(sine, rocked):
    ran = crosslay("evaluate", sine, "--json", rocked, "--callout", "Ra 0.8")
    assert [each["file"] for each in ran.objects()] == [str(sine), str(rocked)]


def test_call_outs_with_settings_of_their_own_say_so(sine):
    got = one(sine, "--callout", "Ra 0.8; Rk 9; -0.25/Rz 3")
    first, plateau, other = got["characteristics"]
    assert "settings" not in first
    assert plateau["settings"]["filter"] == "robust"
    assert other["settings"]["cutoff_mm"] == 0.25


def test_spacing_of_a_file_that_has_none(tmp_path):
    bare = csv(tmp_path, "bare.csv", np.sin(2 * math.pi * X_UM / 100), spacing=False)
    assert crosslay("evaluate", bare).code == 2
    assert one(bare, "--spacing-um", "0.5")["settings"]["spacing_um"] == 0.5


def test_profiles_are_written_bit_for_bit(sine, tmp_path):
    got = one(sine, "--profile-out", tmp_path / "profiles.csv")
    lines = [line for line in (tmp_path / "profiles.csv").read_text().splitlines() if not line.startswith("#")]
    rows = [dict(zip(lines[0].split(","), line.split(","), strict=True)) for line in lines[1:]]
    assert len(rows) == 9601
    inside = [float(row["roughness_um"]) for row in rows if row["in_window"] == "1"]
    assert len(inside) == 8000
    assert np.abs(inside).mean() == pytest.approx(got["parameters"]["Ra"], rel=1e-12)
    assert float(rows[-1]["x_mm"]) == pytest.approx(4.8)


def test_the_table_for_people(sine, rocked):
    ran = crosslay("evaluate", sine, rocked, "--callout", "Ra 0.6366; Rz 6.3")
    assert ran.code == 3
    text = ran.out
    assert "FAIL" in text or "PASS" in text
    for word in ("iso-21920", "λc 0.8 mm", "Ra 0.6366", "≤ 6.3 µm", "heights", "Rsm", "INVALID", "rocking", "Tmax"):
        assert word in text
    assert all(len(line) <= 125 for line in text.splitlines())


def test_a_value_just_above_its_limit_does_not_look_equal_to_it(tmp_path):
    path = csv(tmp_path, "a.csv", np.sin(2 * math.pi * X_UM / 100))
    value = one(path)["parameters"]["Ra"]
    limit = f"{value * (1 - 1e-7):.12f}"
    line = next(each for each in crosslay("evaluate", path, "--callout", f"Ra {limit}").out.splitlines()
                if f"Ra {limit}" in each)
    shown = line.split(f"Ra {limit}")[1].split("µm")[0]
    assert float(shown) > float(limit)
    assert "fail" in line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "TRACE"), (["a.csv", "--cutof", "1"], 'did you mean "--cutoff"'), (["a.csv", "--cutoff", "x"], "above 0"),
        (["a.csv", "--cutoff", "0"], "above 0"), (["a.csv", "--cutoff", "800"], "in mm"),
        (["a.csv", "--cutoff", "nan"], "above 0"), (["a.csv", "--sections", "11"], "1 to 10"),
        (["a.csv", "--filter", "gauss"], "gaussian"), (["a.csv", "--standard", "iso"], "iso-21920"),
        (["a.csv", "--form", "cubic"], "polynomial"), (["a.csv", "--callout", "Ra"], "character 3"),
        (["a.csv", "--callout", ""], "character 1"), (["a.csv", "--parameter", "Rxx"], "Rxx"),
        (["a.csv", "--parameter", "Rmr()"], "Rmr("),
        (["a.csv", "--cutoff", "0.08", "--short-cutoff", "80"], "not below"),
        (["a.csv", "--cutoff", "2.5", "--callout", "-0.8/Ra 3"], "leave one out"),
        (["a.csv", "b.csv", "--profile-out", "p"], "one trace"), (["a.csv", "--callout"], "expected one argument"),
        (["a.csv", "--standard", "iso-4287", "--callout", "Rzx 3"], "Rzx"),
    ],
)
def test_wrong_usage_is_one_sentence_and_exit_2(tmp_path, words, said):
    csv(tmp_path, "a.csv", np.sin(X_UM))
    ran = crosslay("evaluate", *words, cwd=tmp_path)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert "usage:" not in ran.err
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.txt", b"1\n2\n", ".csv, .smd, .x3p"), ("a", b"1\n", ".csv"), ("a.csv", b"", "empty"),
        ("a.csv", b"\xff\xfe\x00\x01", "a.csv"), ("a.csv", b"# spacing_um: 0.5\nz_um\n1\nx\n2\n", "a.csv:4"),
        ("a.csv", b"# spacing_um: 0.5\nz_um\n1\nnan\n2\n", "a.csv:4"), ("a.csv", b"z_um\n1\n2\n", "spacing"),
        ("a.csv", b"# spacing_um: 0.5\nz_um\n1\n2000000\n2\n", "a.csv:4"),
        ("A.CSV", b"x_mm,z_um\n0,1\n0,2\n", "A.CSV:3"),
    ],
)
def test_what_is_no_trace_file_is_said_with_file_and_line(tmp_path, name, content, said):
    (tmp_path / name).write_bytes(content)
    ran = crosslay("evaluate", name, "--json", cwd=tmp_path)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(name.split(".", maxsplit=1)[0])
    assert said in ran.err


def test_a_folder_and_a_name_that_is_no_text(tmp_path):
    assert "is a folder" in crosslay("evaluate", tmp_path).err
    strange = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xe4.csv"))
    strange.write_bytes(b"z_um\n1\n2\n")
    assert crosslay_program("evaluate", strange, "--json", "--spacing-um", "0.5").code == 2
    ran = crosslay_program("evaluate", strange, "--json", "--spacing-um", "0.5", "--callout", "Ra 1")
    assert ran.code == 3
    assert ran.objects()[0]["file"].endswith("\ufffd.csv")


def test_profiles_that_cannot_be_written(sine, tmp_path):
    ran = crosslay("evaluate", sine, "--profile-out", tmp_path / "no" / "p.csv")
    assert ran.code == 2
    assert "p.csv: cannot be written" in ran.err


def test_json_survives_a_locale_without_greek(sine):
    env = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    ran = crosslay_program("evaluate", sine, "--json", env=env)
    assert ran.code == 0
    assert ran.objects()[0]["verdict"] is None
    assert crosslay_program("evaluate", sine, env=env).code == 0


def test_a_reader_that_goes_away_is_no_verdict(sine):
    script = f'"{COMMAND}" evaluate {sine} {sine} {sine} --json --callout "Ra 0.1"'
    done = subprocess.run(["bash", "-c", f"{script} | head -c 1 >/dev/null; echo ${{PIPESTATUS[0]}}"],
                          capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() in {"141", "1"}  # 1 where everything fitted into the pipe before it closed
    assert "Traceback" not in done.stderr


def test_the_formats_agree(sine, tmp_path):
    trace = CsvFormat().read(sine.read_bytes(), "sine.csv")
    from crosslay_adapters.tracefiles.smd_format import SmdFormat
    from crosslay_adapters.tracefiles.x3p_format import X3pFormat

    for suffix, form in ((".smd", SmdFormat()), (".x3p", X3pFormat())):
        path = tmp_path / f"sine{suffix}"
        path.write_bytes(form.write(trace))
        assert one(path)["parameters"] == one(sine)["parameters"]
