"""Every command of the README is run here, or checked where running it would change this computer."""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
import sysconfig
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from crosslay import registry
from crosslay.bus import topics
from crosslay.bus.messages import ResultEvent
from crosslay.cli import evaluate
from crosslay.cli.main import VERBS, main
from crosslay.cli.units import HeightUnit
from crosslay.station.light import Block, LightLogic, LightPolicy
from crosslay.testing.broker import RunningBroker
from crosslay.texture.settings import FilterKind, Standard

PROJECT = Path(__file__).resolve().parents[2]
README = (PROJECT / "README.md").read_text("utf-8")
TOPIC = "plant/shafts/line3/op30"
WAIT_S = 30.0

# Every line of the README's shell blocks stands in exactly one of these lists; a new one without a test fails below.
BOOTSTRAPS = ["./daemon/demo", "./tests/run"]
INSTALLING = [
    "python3 -m venv /opt/crosslay",
    "/opt/crosslay/bin/pip install .",
    "ln -s /opt/crosslay/bin/crosslay /usr/local/bin/crosslay",
]
SERVICE = [
    "useradd --system --shell /usr/sbin/nologin crosslay",
    "install -d -o crosslay -g crosslay /srv/crosslay/op30",
    "cp systemd/crosslay@.service /etc/systemd/system/",
    "systemctl enable --now crosslay@op30",
]
DAEMON = "crosslay run /etc/crosslay/op30.toml"
RUN_IN_ORDER = [
    "crosslay check /etc/crosslay/op30.toml",
    "mv P-0042.csv.tmp /srv/crosslay/op30/P-0042.csv",
    "crosslay status /etc/crosslay/op30.toml",
    "crosslay results /etc/crosslay/op30.toml list",
    "crosslay results /etc/crosslay/op30.toml show P-0042",
    'crosslay evaluate P-0042.csv --callout "Ra 0.8" --callout "Rz 6.3"',
    'crosslay evaluate P-0042.csv --callout "Ra 0.8" --json',
    'crosslay settings "Ra 0.8"',
    "crosslay results /etc/crosslay/op30.toml list --last 5 --json",
    "crosslay backup /etc/crosslay/op30.toml op30-backup.db",
    "crosslay status /etc/crosslay/op30.toml --json",
]

SPECIMEN = [
    "crosslay specimen /etc/crosslay/op30.toml list",
    "crosslay specimen /etc/crosslay/op30.toml check roughness-3",
    "crosslay specimen /etc/crosslay/op30.toml history roughness-3",
    "crosslay specimen /etc/crosslay/op30.toml correct propose roughness-3",
    'crosslay specimen /etc/crosslay/op30.toml correct accept --check ID --by "line 3, lead" --why "arm replaced"',
    'crosslay specimen /etc/crosslay/op30.toml correct undo --by "line 3, lead" --why "wrong specimen"',
    "crosslay specimen /etc/crosslay/op30.toml recall --export recall.csv",
]

OFFLINE = [
    'crosslay evaluate P-0042.csv --standard iso-4287 --parameter "Rmr(1)" --motif',
    "crosslay evaluate P-0042.csv --filter robust --form polynomial:2 --cutoff 0.8 --profile-out P-0042-profiles.csv",
    'crosslay evaluate P-0042.csv --callout "Ra 63 uin" --unit uin',
    "crosslay evaluate P-0042.csv --smaller-tip 1",
    "crosslay evaluate traces/* --json --jobs 2 > values.jsonl",
]

UNCERTAIN = [
    'crosslay evaluate P-0042.csv --callout "Ra 0.8" --budget /etc/crosslay/op30.toml',
    'crosslay evaluate traces/* --same-part --callout "T16% Ra 0.8" --expanded-uncertainty 0.03',
]


def blocks(language: str) -> list[str]:
    """Contents of the fenced blocks of one language, without the indentation of the list that they stand in."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", README, flags=re.MULTILINE | re.DOTALL)
    return [re.sub(rf"^{indent}", "", text, flags=re.MULTILINE) for indent, text in found]


def shell_lines() -> list[str]:
    return [line for block in blocks("sh") for line in block.splitlines() if line]


def table_after(heading: str) -> list[list[str]]:
    """Rows of the first table below a heading, without its head."""
    text = README.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", row)[1:-1]] for row in rows[2:]]


def eventually(condition: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + WAIT_S
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.02)
    return True


def trace_file(ra_um: float) -> str:
    """A sine with the period 0.08 mm as a trace of 9,601 points, in the README's form.

    Ra of a sine is 2A/π (closed form; the shape of a type C1 specimen of ISO 5436-1).
    """
    head = blocks("csv")[0].split("z_um\n")[0]
    spacing_mm = 0.5e-3
    heights = ra_um * np.pi / 2 * np.sin(2 * np.pi * spacing_mm * np.arange(9601) / 0.08)
    return head + "z_um\n" + "".join(f"{height:.4f}\n" for height in heights)


def test_every_command_has_its_test() -> None:
    tested = [*BOOTSTRAPS, *INSTALLING, *SERVICE, DAEMON, *RUN_IN_ORDER, *SPECIMEN, *OFFLINE, *UNCERTAIN]
    assert sorted(shell_lines()) == sorted(tested)
    assert [line for line in shell_lines() if line in RUN_IN_ORDER[1:5]] == RUN_IN_ORDER[1:5]


def test_it_begins_with_what_the_job_is() -> None:
    first = README.split("\n\n")[1]
    for word in ("stylus gauge", "raw trace", "surface texture", "pass or fail", "reject light", "MES", "MQTT"):
        assert word in " ".join(first.split())


@pytest.mark.parametrize("command", BOOTSTRAPS)
def test_the_two_commands_can_be_executed(command: str) -> None:
    """What they do is tested in test_bootstrap.py."""
    assert os.access(PROJECT / command, os.X_OK)
    done = subprocess.run([shutil.which("bash") or "bash", "-n", PROJECT / command], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_service_lines_fit_this_project() -> None:
    for line in SERVICE:
        assert shutil.which(line.split()[0], path=f"{os.environ['PATH']}:/usr/sbin:/sbin"), f"no program for: {line}"
    unit = (PROJECT / "systemd/crosslay@.service").read_text("utf-8")
    assert "User=crosslay" in unit
    assert "ReadWritePaths=-/srv/crosslay/%i" in unit
    assert "ExecStart=crosslay run /etc/crosslay/%i.toml" in unit


@pytest.mark.timeout(400)
def test_it_installs_as_written(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in ("daemon", "adapters", "pyproject.toml", "README.md", "LICENSE"):
        copy = shutil.copytree if (PROJECT / name).is_dir() else shutil.copy2
        copy(PROJECT / name, source / name)
    (tmp_path / "bin").mkdir()
    for line in INSTALLING:
        words = line.replace("/opt/crosslay", str(tmp_path / "opt")).replace("/usr/local/bin", str(tmp_path / "bin"))
        done = subprocess.run(words, shell=True, cwd=source, capture_output=True, text=True, stdin=subprocess.DEVNULL)
        if "pip install" in line and done.returncode and "No matching distribution found for hatchling" in done.stderr:
            pytest.skip("no network: what the installation needs cannot be had")
        assert done.returncode == 0, done.stderr
        if "venv" in line:
            lend_dependencies(tmp_path / "opt")
    said = subprocess.run([tmp_path / "bin/crosslay", "--version"], cwd="/", capture_output=True, text=True, check=True)
    assert said.stdout.startswith("crosslay ")
    script = "import crosslay, crosslay_adapters; print(crosslay.__file__, crosslay_adapters.__file__)"
    where = subprocess.run([tmp_path / "opt/bin/python", "-c", script], cwd="/", capture_output=True, text=True)
    assert where.stdout.count(str(tmp_path / "opt")) == 2, where.stdout + where.stderr
    demo = subprocess.run([tmp_path / "bin/crosslay", "demo", "--help"], cwd="/", capture_output=True, text=True)
    assert (demo.returncode, demo.stderr) == (0, "")


def lend_dependencies(environment: Path) -> None:
    """Let pip find numpy and the others here, instead of fetching them anew in every run of the tests.

    That the project names all that it needs is seen where it is installed into an empty environment: by tests/run
    itself, and by the campaign's fresh clone.
    """
    (site,) = environment.glob("lib/python*/site-packages")
    (site / "lent.pth").write_text(f"{sysconfig.get_path('purelib')}\n")


@dataclass(frozen=True)
class Cell:
    """The README's first cell, moved into a folder of the test's own."""

    folder: Path
    broker: RunningBroker

    @property
    def station_file(self) -> Path:
        return self.folder / "etc" / "op30.toml"

    def moved(self, line: str) -> str:
        elsewhere = {"/etc/crosslay": self.folder / "etc", "/srv/crosslay/op30": self.folder / "srv"}
        for place, own in elsewhere.items():
            line = line.replace(place, str(own))
        return re.sub("^crosslay ", f"{Path(sys.prefix) / 'bin' / 'crosslay'} ", line)

    def environment(self) -> dict[str, str]:
        return {**os.environ, "STATE_DIRECTORY": str(self.folder / "state"), "RUNTIME_DIRECTORY": str(self.folder)}

    def run(self, line: str) -> subprocess.CompletedProcess[str]:
        """Run a line of the README, at another place and with another port."""
        return subprocess.run(self.moved(line), shell=True, cwd=self.folder, env=self.environment(), text=True,
                              capture_output=True, stdin=subprocess.DEVNULL, timeout=WAIT_S)

    @contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        """The daemon, started as the README says."""
        with (self.folder / "daemon.log").open("wb") as log, subprocess.Popen(
            ["/bin/sh", "-c", f"exec {self.moved(DAEMON)}"], env=self.environment(), stdout=log, stderr=log
        ) as daemon:
            try:
                yield daemon
            finally:
                daemon.kill()


@pytest.fixture
def talkative_broker(start_broker: Callable[..., RunningBroker]) -> RunningBroker:
    return start_broker("log_type all")


@pytest.fixture
def cell(tmp_path: Path, talkative_broker: RunningBroker) -> Cell:
    for name in ("etc", "srv", "state"):
        (tmp_path / name).mkdir()
    made = Cell(tmp_path, talkative_broker)
    text = blocks("toml")[0].replace("port = 1883", f"port = {talkative_broker.port}")
    made.station_file.write_text(made.moved(text), "utf-8")
    return made


@contextmanager
def readme_consumer(broker: RunningBroker, database: Path) -> Iterator[None]:
    """The README's consumer, as it stands there, subscribed to a broker that logs all."""
    program = database.with_suffix(".py")
    program.write_text(blocks("python")[0], "utf-8")
    with subprocess.Popen([sys.executable, program, str(broker.port), TOPIC, database]) as process:
        try:
            assert eventually(lambda: "Sending SUBACK" in broker.log_text())
            yield
        finally:
            process.kill()


def at_mes(database: Path) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(database)) as opened:
        return opened.execute("SELECT source, instance, sequence, payload FROM result ORDER BY sequence").fetchall()


@pytest.mark.broker
class TestFirstCell:
    def test_its_five_steps_bring_a_result_to_the_mes(self, cell: Cell) -> None:
        check, move, status, listing, showing, evaluating, evaluating_json, *others = RUN_IN_ORDER
        settings, listing_json, backing_up, status_json = others
        (cell.folder / "P-0042.csv").write_text(trace_file(ra_um=0.5), "utf-8")
        shutil.copy2(cell.folder / "P-0042.csv", cell.folder / "P-0042.csv.tmp")

        checked = cell.run(check)
        assert checked.returncode == 0, checked.stderr
        assert cell.run(status).returncode == 3, "status of a station that does not run"
        with readme_consumer(cell.broker, cell.folder / "mes.db"), cell.running() as daemon:
            assert eventually(lambda: cell.run(status).returncode == 0), (cell.folder / "daemon.log").read_text()
            moved = cell.run(move)
            assert moved.returncode == 0, moved.stderr
            assert eventually(lambda: "P-0042" in cell.run(listing).stdout)
            assert eventually(lambda: "acknowledged" in cell.run(listing).stdout)
            shown = cell.run(showing)
            assert "verdict     pass" in shown.stdout
            assert (cell.folder / "srv/done/P-0042.csv").exists()

            rows = [json.loads(line) for line in cell.run(listing_json).stdout.splitlines()]
            assert [(row["partId"], row["verdict"], row["acknowledged"]) for row in rows] == [("P-0042", "pass", True)]
            assert cell.run(backing_up).returncode == 0
            assert (cell.folder / "op30-backup.db").stat().st_size > 0
            assert json.loads(cell.run(status_json).stdout)["running"] is True
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(WAIT_S) == 0

        (stored,) = at_mes(cell.folder / "mes.db")
        event = json.loads(stored[3])
        assert (stored[0], stored[2]) == ("urn:crosslay:plant:shafts:line3:op30", 1)
        assert event["data"]["partId"] == "P-0042"

        assert "0.8 mm" in cell.run(settings).stdout, "ISO 21920-3 gives Ra 0.8 µm the cut-off 0.8 mm (class Sc3)"
        evaluated = cell.run(evaluating)
        assert evaluated.returncode == 0, evaluated.stderr
        document = json.loads(cell.run(evaluating_json).stdout)
        assert document["verdict"] == "pass"
        # Ra of the sine, less what λs = 2.5 µm and λc = 0.8 mm take at 0.08 mm (ISO 16610-21: below 1 %).
        assert document["parameters"]["Ra"] == pytest.approx(0.5, rel=0.015)

    @pytest.mark.parametrize(("change", "code"), [
        (("Ra 0.8", "Ra 0.1"), 1),
        (('P-0042.csv --callout "Ra 0.8"', 'short.csv --callout "Ra 0.8"'), 3),
        (("P-0042.csv", "missing.csv"), 2),
        (('--callout "Ra 0.8"', ""), 0),
    ])
    def test_the_exit_codes_of_evaluate_are_those_of_the_table(
        self, cell: Cell, change: tuple[str, str], code: int
    ) -> None:
        text = trace_file(ra_um=0.5)
        (cell.folder / "P-0042.csv").write_text(text, "utf-8")
        (cell.folder / "short.csv").write_text("\n".join(text.splitlines()[:400]) + "\n", "utf-8")
        done = cell.run(RUN_IN_ORDER[6].replace(*change))
        assert done.returncode == code, done.stderr
        verdict = {0: None, 1: "fail", 3: "invalid"}
        if code in verdict:
            assert json.loads(done.stdout)["verdict"] == verdict[code]
        else:
            assert len(done.stderr.splitlines()) == 1

    def test_a_wrong_station_file_gives_78(self, cell: Cell) -> None:
        cell.station_file.write_text(cell.station_file.read_text("utf-8").replace("callout", "calout"), "utf-8")
        for line in (RUN_IN_ORDER[0], DAEMON):
            done = cell.run(line)
            assert done.returncode == 78
            assert "calout" in done.stderr

    def test_an_unknown_result_gives_2(self, cell: Cell) -> None:
        with cell.running():
            assert eventually(lambda: cell.run(RUN_IN_ORDER[2]).returncode == 0)
            assert cell.run(RUN_IN_ORDER[4].replace("P-0042", "P-9999")).returncode == 2

    def test_the_station_file_with_its_light_is_valid(self, cell: Cell) -> None:
        cell.station_file.write_text(cell.station_file.read_text("utf-8") + "\n" + blocks("toml")[1], "utf-8")
        done = cell.run(RUN_IN_ORDER[0])
        assert done.returncode == 0, done.stderr
        assert "sysfs-led" in done.stdout


@pytest.mark.broker
class TestReferenceSpecimens:
    """The README's specimen is a sine of 1.0 µm: Ra = 2A/π (closed form), less what λs and λc take at 0.08 mm."""

    def drop(self, cell: Cell, name: str, ra_um: float, place: int) -> None:
        text = trace_file(ra_um).replace("# part: P-0042\n", f"# part: {name}\n# place: {place}\n")
        draft = cell.folder / "srv" / f".{name}.draft"
        draft.write_text(text, "utf-8")
        draft.rename(cell.folder / "srv" / f"{name}.csv")

    def test_its_commands_in_their_order(
        self, cell: Cell, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        listing, checking, history, proposing, accepting, undoing, recalling = SPECIMEN
        text = cell.station_file.read_text("utf-8")
        cell.station_file.write_text(text + "\n" + blocks("toml")[2])
        monkeypatch.setenv("STATE_DIRECTORY", str(cell.folder / "state"))
        monkeypatch.chdir(cell.folder)

        def here(line: str) -> int:
            """Without a new process: each takes a second to start."""
            return main(shlex.split(cell.moved(line))[1:])

        with cell.running():
            assert eventually(lambda: "station-started" in (cell.folder / "daemon.log").read_text())
            assert here(listing) == 0
            assert "overdue" in capsys.readouterr().out
            codes: list[int] = []
            asked = threading.Thread(target=lambda: codes.append(here(checking)))
            asked.start()
            assert eventually(lambda: "count as those of" in (cell.folder / "daemon.log").read_text())
            for place in range(3):
                self.drop(cell, f"s-{place}", 1.1 * 2 / np.pi * (1 + place / 1000), place)
            asked.join()
            assert codes == [1], "10 % off"
            assert "out of the tolerance" in capsys.readouterr().out
            assert here(f"{history} --json") == 0
            check_id = json.loads(capsys.readouterr().out)["check"]
            assert here(history) == 0
            assert here(proposing) == 0
            assert here(accepting.replace("ID", check_id)) == 0
            said = capsys.readouterr().out
            for words in ("  X ", f"--check {check_id}", "by line 3, lead: arm replaced"):
                assert words in said
            assert here(undoing) == 0
            assert "no correction is in force" in capsys.readouterr().out
        assert here(recalling) == 0
        assert (cell.folder / "recall.csv").read_text("utf-8").startswith("recall,")


class TestSeveralTraces:
    """A sine of 0.08 mm whose height swells by 3 %, so that its sections scatter; invented."""

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        x_mm = 0.5e-3 * np.arange(9601)
        heights = 0.77 * np.pi / 2 * (1 + 0.03 * np.sin(2 * np.pi * x_mm / 2.1)) * np.sin(2 * np.pi * x_mm / 0.08)
        head = "# part: P-0042\n# spacing_um: 0.5\n# tip_radius_um: 2\nz_um\n"
        text = head + "".join(f"{height:.4f}\n" for height in heights)
        (tmp_path / "P-0042.csv").write_text(text, "utf-8")
        (tmp_path / "traces").mkdir()
        for number in range(3):
            (tmp_path / f"traces/{number}.csv").write_text(text, "utf-8")
        (tmp_path / "op30.toml").write_text("\n".join(blocks("toml")[each] for each in (0, 3, 4)), "utf-8")
        return tmp_path

    def run(self, folder: Path, line: str) -> str:
        line = re.sub("^crosslay ", f"{Path(sys.prefix) / 'bin' / 'crosslay'} ", line.replace("/etc/crosslay/", ""))
        done = subprocess.run(line, shell=True, cwd=folder, text=True, capture_output=True, timeout=WAIT_S)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    def test_the_budget_shown_is_the_programs_own_output(self, folder: Path) -> None:
        [shown] = [block for block in blocks("text") if "contribution" in block]
        assert self.run(folder, UNCERTAIN[0]).startswith(shown + "\n")

    def test_traces_of_one_part(self, folder: Path) -> None:
        said = " ".join(self.run(folder, UNCERTAIN[1]).split())
        assert "3 traces of one part: PASS" in said
        assert "0.7685 ± 0.03 µm (k = 2), probability of conformance 98.22 %, of 3 values" in said

    def test_the_station_file_is_valid_and_check_tells_of_it(self, folder: Path) -> None:
        said = self.run(folder, "crosslay check op30.toml")
        assert "at each of inlet, outlet; 1 to 12 traces of each place; decided by iso-14253-1" in said
        prompt = "1 of up to 12 traces; measure the same part again at another place (2 to 11 more)"
        assert prompt in " ".join(README.split()), "as tests/system/test_several_traces.py sees it in the state"


class TestValuesOffline:
    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        text = trace_file(ra_um=0.5)
        (tmp_path / "P-0042.csv").write_text("# tip_radius_um: 2\n" + text, "utf-8")
        (tmp_path / "traces").mkdir()
        trace = registry.load(registry.TRACE_FILES, "csv")().read(text.encode(), "P-0042.csv")
        for kind in ("csv", "smd", "x3p"):
            (tmp_path / f"traces/P-0042.{kind}").write_bytes(registry.load(registry.TRACE_FILES, kind)().write(trace))
        return tmp_path

    def run(self, folder: Path, line: str) -> str:
        line = re.sub("^crosslay ", f"{Path(sys.prefix) / 'bin' / 'crosslay'} ", line)
        done = subprocess.run(line, shell=True, cwd=folder, text=True, capture_output=True, timeout=WAIT_S)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    def test_its_commands(self, folder: Path) -> None:
        older, profiles, inches, tip, many = (self.run(folder, line) for line in OFFLINE)
        for shown in ("iso-4287", "Rmr(1) ", "motif", "RSm 0.08 mm"):
            assert shown in older
        assert "robust" in profiles
        assert "form polynomial:2" in profiles
        assert "x_mm,z_um,primary_um" in (folder / "P-0042-profiles.csv").read_text("utf-8")
        assert "PASS" in inches
        assert "≤ 63 µin" in inches
        assert "smaller tip" in tip
        assert "at least" in tip
        assert many == ""
        values = [json.loads(line) for line in (folder / "values.jsonl").read_text("utf-8").splitlines()]
        assert [each["file"] for each in values] == [f"traces/P-0042.{kind}" for kind in ("csv", "smd", "x3p")]
        assert len({each["parameters"]["Ra"] for each in values}) == 1, "the three formats hold the same heights"

    def test_the_options_are_those_of_the_program(self) -> None:
        parser = argparse.ArgumentParser()
        evaluate.configure(parser)
        known = {option for action in parser._actions for option in action.option_strings}
        rows = table_after("Values offline")
        named = {option for row in rows for option in re.findall("`(--[a-z-]+)`", row[0])}
        assert named <= known
        assert known - named == {"-h", "--help", "--json", "--callout", "--spacing-um"}
        values = {row[0].strip("`"): set(re.findall("`([^`]+)`", row[1])) for row in rows}
        assert values["--standard"] == {each.value for each in Standard}
        assert values["--filter"] == {each.value for each in FilterKind}
        assert values["--unit"] == {each.value for each in HeightUnit}


@pytest.mark.broker
class TestConsumer:
    def test_it_is_short_enough_to_be_read(self) -> None:
        assert len([line for line in blocks("python")[0].splitlines() if line]) <= 32

    def result(self, sequence: int) -> bytes:
        event = json.loads(blocks("json")[0])
        event["data"]["sequence"] = sequence
        return json.dumps(event).encode()

    def test_it_stores_once_and_acknowledges_the_unbroken_row(
        self, talkative_broker: RunningBroker, tmp_path: Path
    ) -> None:
        broker = talkative_broker
        said: list[dict[str, Any]] = []
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.on_message = lambda _client, _data, message: said.append(json.loads(message.payload))
        client.connect(broker.host, broker.port)
        client.loop_start()
        try:
            with readme_consumer(broker, tmp_path / "mes.db"):
                client.subscribe(f"{TOPIC}/v1/result/ack", qos=1)
                for count, (sequence, through) in enumerate([(1, 1), (1, 1), (3, 1), (2, 3), (2, 3), (4, 4)], 1):
                    client.publish(f"{TOPIC}/v1/result", self.result(sequence), qos=1)
                    assert eventually(lambda count=count: len(said) == count)
                    assert said[-1]["acknowledgedThrough"] == through
        finally:
            client.disconnect()
            client.loop_stop()
        assert [row[2] for row in at_mes(tmp_path / "mes.db")] == [1, 2, 3, 4]


class TestWords:
    def test_the_example_result_is_one(self) -> None:
        text = blocks("json")[0]
        event = ResultEvent.model_validate_json(text)
        assert event.data.sequence == int(event.sequence) == 42

        def keys(value: Any) -> set[str]:
            if isinstance(value, dict):
                return set(value).union(*map(keys, value.values()))
            return set().union(*map(keys, value)) if isinstance(value, list) else set()

        assert keys(json.loads(text)) <= keys(json.loads(event.to_bytes())), "a field that no result has"

    def test_the_topics_are_those_of_the_program(self) -> None:
        named = {row[0].strip("`").removesuffix("/{id}") for row in table_after("On the bus")}
        known = {value for value in vars(topics).values() if isinstance(value, str) and value.startswith("v1/")}
        assert named == known

    def test_the_commands_are_those_of_the_program(self) -> None:
        named = {row[0].split("`")[1].split()[1] for row in table_after("Commands")}
        assert named == set(VERBS)

    def test_the_light_does_what_the_table_says(self) -> None:
        """The rows, one by one, against the logic that drives the lamps."""
        light = LightLogic(LightPolicy(dwell_s=2.0, max_age_s=10.0))

        def lamps(*, offset_s: float = 0.0) -> tuple[bool, bool, bool]:
            shown = light.outputs(100.0 + offset_s)
            return shown.accept, shown.reject, shown.fault

        rows = [tuple(row[:3]) for row in table_after("What the light means")]
        assert rows[3] == ("off", "on", "off")
        assert lamps() == (False, True, False)
        ticket = light.trigger(100.0)
        assert lamps() == (False, True, False)
        assert rows[0] == ("on", "off", "off")
        light.accept(ticket, 100.0, age_s=0.0)
        assert lamps() == (True, False, False)
        assert rows[1] == ("off", "flashing", "off")
        light.fail(light.trigger(100.0), 100.0, "")
        assert {lamps(offset_s=step / 20) for step in range(20)} == {(False, True, False), (False, False, False)}
        assert rows[2] == ("off", "on", "on")
        light.unjudged(light.trigger(100.0), 100.0, "")
        assert lamps() == (False, True, True)
        light.trigger(100.0)
        light.block(Block.STORE, "")
        assert lamps() == (False, True, True)
        light.unblock(Block.STORE)
        assert rows[4] == ("as above", "as above", "slow flash")
        light.offline(away=True)
        assert {lamps(offset_s=step / 5)[2] for step in range(20)} == {True, False}

    def test_the_cautions_are_there(self) -> None:
        text = README.split("## Cautions\n", 1)[1]
        for word in ("not a safety function", "ISO 13849", "risk assessment", "local codes", "hands off"):
            assert word in text

    def test_the_python_version_is_the_projects(self) -> None:
        project = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["project"]
        assert f"Python {project['requires-python'].removeprefix('>=')} or newer" in " ".join(README.split())
