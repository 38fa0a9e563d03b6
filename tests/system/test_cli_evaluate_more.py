"""``crosslay evaluate``: units, many files in several processes, λf, the tip-size question, profiles, tables."""

from __future__ import annotations

import csv
import json
import os
import pty
import signal
import subprocess
import sys
import time
from decimal import Decimal, getcontext
from pathlib import Path

import numpy as np
import psutil
import pytest

from campaign_counts import campaign_count
from crosslay import registry
from crosslay.cli.main import main
from crosslay.cli.units import micro_inches
from crosslay.texture import Settings, Trace, evaluate
from synthetic_surfaces import surface

CROSSLAY = Path(sys.executable).with_name("crosslay")
WAIT_S = 60.0
DEATHS = campaign_count("CROSSLAY_WORKER_DEATHS", short=2, full=200)
STANDARDS = ("iso-21920", "iso-4287", "asme-b46.1", "jis-b-0601")


def run(*words, folder, **options):
    return subprocess.run([CROSSLAY, "evaluate", *words], cwd=folder, capture_output=True, text=True, timeout=WAIT_S,
                          **options)


def documents(done):
    return [json.loads(line) for line in done.stdout.splitlines()]


def write(path, trace):
    path.write_bytes(registry.load(registry.TRACE_FILES, path.suffix[1:])().write(trace))


def sine(ra_um=0.5, facts=None):
    """A sine of pitch 0.08 mm: Ra = 2A/π (closed form)."""
    z = ra_um * np.pi / 2 * np.sin(2 * np.pi * np.arange(9601) * 0.5 / 80.0)
    return Trace(samples=np.round(z, 6), spacing_um=0.5, facts=facts or {})


@pytest.fixture
def refused(folder, capsys, monkeypatch):
    """The one sentence on standard error of a wrong command line; in this process, because there are many."""
    def of(*words):
        monkeypatch.chdir(folder)
        assert main(["evaluate", *words]) == 2
        said = capsys.readouterr()
        assert said.out == ""
        (line,) = said.err.splitlines()
        return line

    return of


@pytest.fixture
def folder(tmp_path):
    write(tmp_path / "sine.csv", sine(1.6, {"part": "P-1", "tip_radius_um": "5"}))
    return tmp_path


def eventually(condition):
    deadline = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.02)


class TestUnits:
    def test_a_micro_inch_is_0_0254_micrometres_exactly(self):
        """25.4 mm to the inch, exactly (1959); decimal arithmetic of 40 digits as the judge."""
        getcontext().prec = 40
        for value in (1.6, 0.8, 0.4, 3.2, 12.5, 1e-9, 1234.5678, -0.3):
            assert micro_inches(value) == float(Decimal(value) / Decimal("0.0254"))
        assert micro_inches(1.6) != 63
        assert micro_inches(1.6) == pytest.approx(62.992125984251968, rel=1e-15)
        assert micro_inches(25.4) == 1000.0

    @pytest.mark.parametrize("standard", STANDARDS)
    def test_heights_alone_are_converted(self, folder, standard):
        words = ("sine.csv", "--json", "--motif", "--parameter", "Rmr(1)", "--standard", standard)
        (metric,), (inch,) = (documents(run(*words, *more, folder=folder)) for more in ((), ("--unit", "uin")))
        assert set(inch["units"].values()) - {"u[in_i]", "u[in_i].%"} == set(metric["units"].values()) - {"um", "um.%"}
        assert inch["settings"] == metric["settings"]
        assert inch["undefined"] == metric["undefined"]
        for name, value in metric["parameters"].items():
            if metric["units"][name] in {"um", "um.%"}:
                assert inch["units"][name] == metric["units"][name].replace("um", "u[in_i]")
                assert inch["parameters"][name] == (None if value is None else pytest.approx(value / 0.0254, rel=1e-15))
            else:
                assert (inch["parameters"][name], inch["units"][name]) == (value, metric["units"][name])

    def test_limits_follow_the_unit_and_verdicts_do_not(self, folder):
        callouts = ("--callout", "Ra 63 uin; Ra 1.6; L Rz 100 uin; Rsm 0.1")
        (document,) = documents(run("sine.csv", *callouts, "--json", "--unit", "uin", folder=folder))
        limits = [each.get("upperLimit", each.get("lowerLimit")) for each in document["characteristics"]]
        assert limits == [63.0, pytest.approx(1.6 / 0.0254, rel=1e-14), 100.0, 0.1]
        assert [each["unit"] for each in document["characteristics"]] == ["u[in_i]"] * 3 + ["mm"]
        (metric,) = documents(run("sine.csv", *callouts, "--json", folder=folder))
        assert [each["verdict"] for each in metric["characteristics"]] == [
            each["verdict"] for each in document["characteristics"]]

    def test_a_value_between_the_rounded_and_the_exact_limit_shows_which_counts(self, folder):
        """63 µin are 1.6002 µm: a surface of 1.6001 µm keeps 63 µin and exceeds 1.6 µm."""
        ra = documents(run("sine.csv", "--json", "--cutoff", "0.8", folder=folder))[0]["parameters"]["Ra"]
        z = sine(1.6).samples * (1.6001 / ra)
        write(folder / "between.csv", Trace(samples=z, spacing_um=0.5))
        words = ("between.csv", "--unit", "uin", "--json", "--cutoff", "0.8")
        assert run(*words, "--callout", "Ra 63 uin", folder=folder).returncode == 0
        assert run(*words, "--callout", "Ra 1.6", folder=folder).returncode == 1

    def test_the_table_says_the_unit(self, folder):
        done = run("sine.csv", "--unit", "uin", "--callout", "Ra 63 uin", folder=folder)
        assert "≤ 63 µin" in done.stdout
        values = done.stdout.split("heights", 1)[1].split("\n\n", 1)[0]
        assert "µin" in values
        assert "µm" not in values
        assert "λs 2.5 µm" in done.stdout

    def test_another_unit_is_refused(self, refused):
        assert "uin" in refused("sine.csv", "--unit", "nm")


class TestJobs:
    @pytest.fixture
    def many(self, folder):
        """Short traces, each another: a cut-off of 0.08 mm fits."""
        for place in range(240):
            z = (0.2 + 0.005 * place) * np.pi / 2 * np.sin(2 * np.pi * np.arange(1000) * 0.5 / 20.0)
            write(folder / f"{place:03}.csv", Trace(samples=np.round(z, 4), spacing_um=0.5))
        return sorted(each.name for each in folder.glob("???.csv"))

    def test_hundreds_of_files_come_in_the_order_of_the_arguments(self, folder, many):
        many.reverse()
        alone = run(*many, "--cutoff", "0.08", "--json", "--jobs", "1", folder=folder)
        side_by_side = run(*many, "--cutoff", "0.08", "--json", "--jobs", "3", folder=folder)
        assert side_by_side.stdout == alone.stdout
        assert (alone.stderr, side_by_side.stderr) == ("", "")
        assert [each["file"] for each in documents(side_by_side)] == many

    @pytest.mark.parametrize("jobs", ["1", "2"])
    def test_one_bad_file_stops_no_other_and_decides_the_exit_code(self, folder, many, jobs):
        (folder / "bad.csv").write_text("z_um\nabc\n", "utf-8")
        names = [*many[:20], "bad.csv", "missing.csv", *many[20:40]]
        asked = ("--jobs", jobs, "--cutoff", "0.08", "--callout", "Ra 0.3")
        done = run(*names, "--json", *asked, folder=folder)
        assert done.returncode == 2
        assert [each["file"] for each in documents(done)] == many[:40]
        assert [line.split(":")[0] for line in done.stderr.splitlines()] == ["bad.csv", "missing.csv"]
        assert {each["verdict"] for each in documents(done)} == {"pass", "fail"}
        assert run(*many[:40], *asked, folder=folder).returncode == 1
        assert run(*many[:10], *asked, folder=folder).returncode == 0

    @pytest.mark.parametrize("_round", range(DEATHS))
    def test_a_process_that_dies_is_one_files_error(self, folder, many, _round):
        """A pipe that nobody writes into holds the process at this file; it is killed there."""
        os.mkfifo(folder / "deadly.csv")
        names = [*many[:12], "deadly.csv", *many[12:30]]
        with (folder / "out").open("w") as out, subprocess.Popen(
            [CROSSLAY, "evaluate", *names, "--cutoff", "0.08", "--json", "--jobs", "2"], cwd=folder, text=True,
            stdout=out, stderr=subprocess.PIPE,
        ) as command:
            kill_the_reader(command.pid, folder / "deadly.csv")
            _, err = command.communicate(timeout=WAIT_S)
        shown = (folder / "out").read_text().splitlines()
        assert [json.loads(line)["file"] for line in shown] == many[:30]
        assert command.returncode == 2
        (line,) = err.splitlines()
        assert line.startswith("deadly.csv: the process that evaluated it ended")

    @pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
    def test_nothing_is_left_when_it_is_ended(self, folder, many, end):
        words = [CROSSLAY, "evaluate", *many, *many, *many, "--cutoff", "0.08", "--jobs", "2"]
        with subprocess.Popen(words, cwd=folder, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                              start_new_session=True) as command:
            assert command.stdout.readline()
            workers = psutil.Process(command.pid).children(recursive=True)
            assert len(workers) >= 2
            if end is signal.SIGINT:
                os.killpg(command.pid, end)  # as a terminal does: to all of them
            else:
                command.send_signal(end)
            _out, err = command.communicate(timeout=WAIT_S)
        _gone, alive = psutil.wait_procs(workers, timeout=WAIT_S)
        assert alive == []
        assert command.returncode == (130 if end is signal.SIGINT else -end)
        if end is signal.SIGINT:
            assert err == ""

    def test_a_reader_that_goes_away_ends_it(self, folder, many):
        line = f"{CROSSLAY} evaluate ???.csv ???.csv --cutoff 0.08 --jobs 2 | head -n 1; exit ${{PIPESTATUS[0]}}"
        done = subprocess.run(["bash", "-c", line], cwd=folder, capture_output=True, text=True, timeout=WAIT_S)
        assert (done.returncode, done.stderr) == (141, "")

    @pytest.mark.parametrize("jobs", ["0", "-1", "1.5", "many", "1000"])
    def test_a_number_that_makes_no_sense_is_refused(self, refused, jobs):
        assert "--jobs" in refused("sine.csv", "--jobs", jobs)

    def test_pools_are_not_even_imported_for_one_file(self, folder):
        done = subprocess.run([sys.executable, "-X", "importtime", CROSSLAY, "evaluate", "sine.csv"], cwd=folder,
                              capture_output=True, text=True)
        assert done.returncode == 0
        assert "crosslay.cli.jobs" in done.stderr
        assert "multiprocessing" not in done.stderr


def kill_the_reader(parent, path):
    """Kill the child that reads from a pipe, once it does. Opening the other end fails until there is a reader."""
    ends = []

    def opened():
        try:
            ends.append(os.open(path, os.O_WRONLY | os.O_NONBLOCK))
        except OSError:
            return False
        return True

    def reader():
        for child in psutil.Process(parent).children(recursive=True):
            links = Path(f"/proc/{child.pid}/fd")
            try:
                if any(link.readlink() == path for link in links.iterdir()):
                    return child
            except OSError:  # it, or one of its files, is gone
                continue
        return None

    eventually(opened)
    found = []
    eventually(lambda: bool(found.append(reader()) or found[-1]))
    found[-1].kill()
    os.close(ends[0])


class TestProgress:
    def shown(self, folder, *words, out=subprocess.DEVNULL):
        """What a terminal on standard error gets."""
        leader, follower = pty.openpty()
        with subprocess.Popen([CROSSLAY, "evaluate", *words], cwd=folder, stdout=out, stderr=follower) as command:
            os.close(follower)
            text = b""
            while True:
                try:
                    piece = os.read(leader, 4096)
                except OSError:  # Linux says so when the last writer is gone
                    break
                if not piece:
                    break
                text += piece
            command.wait(WAIT_S)
        os.close(leader)
        return text.decode()

    @pytest.mark.parametrize("jobs", ["1", "2"])
    def test_a_terminal_sees_how_far_it_is(self, folder, jobs):
        text = self.shown(folder, *["sine.csv"] * 8, "missing.csv", "--jobs", jobs)
        assert "evaluating trace 1 of 9" in text
        assert "evaluating trace 9 of 9" in text
        # An error has a line of its own, and nothing is left of the progress at the end.
        assert "\x1b[Kmissing.csv: there is no such file\r\n" in text
        assert text.rsplit("\x1b[K", 1)[1] == "missing.csv: there is no such file\r\n"

    def test_few_files_and_pipes_see_none(self, folder):
        assert self.shown(folder, *["sine.csv"] * 3) == ""
        assert run(*["sine.csv"] * 8, folder=folder).stderr == ""


class TestWavinessCutoff:
    def test_waviness_is_band_limited(self, folder):
        """A wave of 4 mm passes λf 2.5 mm of a Gaussian filter by exp(−π(α λf/λ)²)'s complement: W keeps its rest."""
        x = np.arange(60_001) * 0.5
        z = 3.0 * np.sin(2 * np.pi * x / 20_000.0) + 0.5 * np.sin(2 * np.pi * x / 1_600.0)
        write(folder / "wave.csv", Trace(samples=np.round(z, 6), spacing_um=0.5))
        words = ("wave.csv", "--cutoff", "0.8", "--json")
        (open_band,), (limited,) = (documents(run(*words, *more, folder=folder))
                                    for more in ((), ("--waviness-cutoff", "2.5")))
        assert open_band["settings"]["waviness_cutoff_mm"] is None
        assert limited["settings"]["waviness_cutoff_mm"] == 2.5
        # Transmission of the mean line: 2^(−(λc/λ)²) (ISO 16610-21, α = √(ln 2/π)).
        short = 2 ** -((0.8 / 1.6) ** 2)
        expected = 0.5 * short * (1 - 2 ** -((2.5 / 1.6) ** 2)), 3.0 * (1 - 2 ** -((2.5 / 20) ** 2))
        assert limited["parameters"]["Wq"] == pytest.approx(np.hypot(*expected) / np.sqrt(2), rel=0.05)
        assert open_band["parameters"]["Wa"] > limited["parameters"]["Wa"]
        assert "λf 2.5 mm" in run("wave.csv", "--cutoff", "0.8", "--waviness-cutoff", "2.5", folder=folder).stdout

    @pytest.mark.parametrize("text", ["0", "-1", "x", "nan"])
    def test_nonsense_is_refused(self, refused, text):
        assert "--waviness-cutoff" in refused("sine.csv", "--waviness-cutoff", text)

    def test_it_must_be_above_the_cutoff(self, refused):
        assert "λf" in refused("sine.csv", "--cutoff", "0.8", "--waviness-cutoff", "0.8")


class TestTip:
    def test_a_smaller_tip_is_bounded(self, folder):
        (document,) = documents(run("sine.csv", "--smaller-tip", "2", "--json", folder=folder))
        tip, ra = document["smallerTip"], document["parameters"]["Ra"]
        assert (tip["radius_um"], tip["tip_radius_um"]) == (2.0, 5.0)
        assert tip["undefined"] == {}
        # Radius of curvature of the sine's valley: λ²/(4π²a) = 64 µm, so either tip follows it (closed form).
        assert tip["atLeast"]["Ra"] <= ra * 1.001
        assert ra * 0.999 <= tip["atMost"]["Ra"]
        assert tip["atMost"]["Ra"] - tip["atLeast"]["Ra"] < 0.05 * ra
        (inch,) = documents(run("sine.csv", "--smaller-tip", "2", "--json", "--unit", "uin", folder=folder))
        assert inch["smallerTip"]["atMost"]["Ra"] == pytest.approx(tip["atMost"]["Ra"] / 0.0254, rel=1e-14)
        assert inch["smallerTip"]["total_height_um"] == tip["total_height_um"]

    def test_an_unknown_depth_is_null_with_its_reason(self, folder):
        z = surface("honed", 9601, 0.5, 3)
        z[4000:4006] -= 5.0
        write(folder / "grooved.csv", Trace(samples=np.round(z, 4), spacing_um=0.5, facts={"tip_radius_um": "5"}))
        done = run("grooved.csv", "--smaller-tip", "0", "--json", folder=folder)
        (document,) = documents(done)
        assert document["smallerTip"]["atMost"]["Rt"] is None
        assert "the trace cannot say" in document["smallerTip"]["undefined"]["Rt"]
        assert "Infinity" not in done.stdout
        text = run("grooved.csv", "--smaller-tip", "0", folder=folder).stdout
        assert "No certain bounds" in text
        assert "the surface itself" in text

    def test_without_a_known_tip_it_says_what_is_missing(self, folder):
        write(folder / "untold.csv", sine())
        done = run("untold.csv", "sine.csv", "--smaller-tip", "2", "--json", folder=folder)
        assert done.returncode == 2
        assert done.stderr.startswith("untold.csv: ")
        assert "tip_radius_um" in done.stderr
        assert [each["file"] for each in documents(done)] == ["sine.csv"]
        assert "smallerTip" not in documents(run("sine.csv", "--json", folder=folder))[0]

    @pytest.mark.parametrize("radius", ["6", "-1", "x", ""])
    def test_a_tip_that_is_not_smaller_is_refused(self, refused, radius):
        assert "smaller" in refused("sine.csv", "--smaller-tip", radius)

    def test_whether_the_tip_suits_is_found_only_where_it_is_known(self, folder):
        """ISO 3274 table 1 (from memory): λs 2.5 µm goes with a tip of 2 µm; 5 µm where Ra > 0.5 µm, note 1."""
        for name, ra_um, radius in (("fine", 0.2, "5"), ("coarse", 1.0, "5"), ("right", 0.2, "2"), ("untold", 0.2, "")):
            write(folder / f"{name}.csv", sine(ra_um, {"tip_radius_um": radius} if radius else {}))
        found = documents(run("fine.csv", "coarse.csv", "right.csv", "untold.csv", "--json", folder=folder))
        severities = [[each["severity"] for each in one["findings"] if each["id"] == "tip-too-large"] for one in found]
        assert severities == [["warning"], ["info"], [], []]
        assert found[3]["findings"] == []


class TestProfiles:
    @pytest.mark.parametrize("more", [(), ("--waviness-cutoff", "2.5")])
    def test_the_columns_are_those_of_the_evaluation(self, folder, more):
        assert run("sine.csv", "--cutoff", "0.8", "--profile-out", "p.csv", *more, folder=folder).returncode == 0
        lines = (folder / "p.csv").read_text("utf-8").splitlines()
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        assert list(rows[0]) == ["x_mm", "z_um", "primary_um", "mean_line_um", "roughness_um", "waviness_um",
                                 "in_window"]
        for name in rows[0]:
            assert any(line.startswith(f"# column {name}: ") for line in lines), "each column is explained"
        trace = registry.load(registry.TRACE_FILES, "csv")().read((folder / "sine.csv").read_bytes(), "sine.csv")
        wanted = Settings(cutoff_mm=0.8, waviness_cutoff_mm=float(more[1]) if more else None)
        found = evaluate(trace, wanted)
        column = {name: [row[name] for row in rows] for name in rows[0]}
        assert [float(each) for each in column["z_um"]] == trace.heights_um().tolist()
        assert [float(each) for each in column["roughness_um"]] == found.profiles.roughness.tolist()
        assert [float(each) for each in column["mean_line_um"]] == found.profiles.waviness.tolist()
        inside = [place for place, each in enumerate(column["in_window"]) if each == "1"]
        assert (inside[0], inside[-1] + 1) == (found.profiles.start, found.profiles.stop)
        waviness = np.array([float(each) for each in column["waviness_um"] if each])
        assert waviness.size == len(inside)
        assert np.abs(waviness).mean() == pytest.approx(found.parameters["Wa"], rel=1e-12, abs=1e-12)


class TestTables:
    @pytest.mark.parametrize("standard", STANDARDS)
    @pytest.mark.parametrize("unit", ["um", "uin"])
    def test_no_cell_runs_into_the_next_and_no_line_is_too_long(self, folder, standard, unit):
        write(folder / "honed.csv", Trace(samples=np.round(surface("honed", 9601, 0.5, 3), 4), spacing_um=0.5,
                                          facts={"tip_radius_um": "5"}))
        done = run("honed.csv", "--standard", standard, "--unit", unit, "--motif", "--smaller-tip", "1",
                   "--callout", "Rz 6.3; L Ra 0.1", folder=folder)
        assert done.stderr == ""
        for line in done.stdout.splitlines():
            assert len(line) <= 112, line
            assert line == line.rstrip()
        table = done.stdout.split("heights", 1)[1].split("smaller tip", 1)[0]
        for name in ("Ra", "Rz", "Rt", "Rk", "Rdc(20,80)", "Rdq", "Pt", "Wa", "AR"):
            assert f" {name} " in table, name
        # Each unit ends its cell.
        assert not [line for line in table.splitlines() if "µmR" in line or "µinR" in line]

    def test_undefined_values_are_explained_below(self, folder):
        write(folder / "flat.csv", Trace(samples=np.round(np.linspace(0, 1, 9601), 6), spacing_um=0.5))
        text = run("flat.csv", "--cutoff", "0.8", "--form", "line", folder=folder).stdout
        write(folder / "level.csv", Trace(samples=np.zeros(9601), spacing_um=0.5))
        level = run("level.csv", "--cutoff", "0.8", folder=folder).stdout
        for shown in (text, level):
            assert "undefined" in shown
            assert "nan" not in shown
            assert "None" not in shown

    @pytest.mark.parametrize("kind", ["csv", "smd", "x3p"])
    def test_the_three_formats_give_the_same_numbers(self, folder, kind):
        trace = sine(0.8, {"part": "P-9", "tip_radius_um": "2"})
        write(folder / f"same.{kind}", trace)
        done = run(f"same.{kind}", "--json", "--callout", "Ra 0.9", folder=folder)
        assert done.returncode == 0, done.stderr
        (document,) = documents(done)
        truth = evaluate(trace, Settings(cutoff_mm=0.8)).parameters
        assert document["parameters"]["Ra"] == pytest.approx(truth["Ra"], rel=1e-12)
        assert run(f"same.{kind}", folder=folder).stdout.startswith(f"same.{kind}: ")

    def test_json_is_one_object_per_trace_and_nothing_else(self, folder):
        done = run("sine.csv", "sine.csv", "--json", "--smaller-tip", "2", "--motif", folder=folder)
        assert [each["file"] for each in documents(done)] == ["sine.csv", "sine.csv"]
        assert done.stderr == ""
