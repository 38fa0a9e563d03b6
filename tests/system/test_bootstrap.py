"""The two commands of the README prepare their environment once, safely, and explain in a sentence what stops them.

The installer programs are stand-ins here that write down how they were called; the real ones run in the test of the
README and, for a whole fresh clone, in the campaign.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[2]
TOOLS = ("bash", "env", "cat", "chmod", "cp", "dirname", "flock", "grep", "id", "mkdir", "readlink", "rm", "sed",
         "sha256sum", "sleep", "tail")

# A Python of which only what the bootstrap asks of one works.
FAKE_PYTHON = r"""#!/bin/bash
echo "python $*" >>"$CALLS"
case "$*" in
    "-c import sys; sys.exit(sys.version_info < (3, 11))") exit "${FAKE_TOO_OLD:-0}" ;;
    "-c import ensurepip, venv") exit "${FAKE_NO_VENV:-0}" ;;
    "--version") echo "Python 3.9.2" ;;
    "-m venv "*)
        mkdir -p "$3/bin" && cp "$0" "$3/bin/python" && echo "VIRTUAL_ENV=$3" >"$3/bin/activate" ;;
    "-m pip --version") ;;
    "-m pip install "*)
        sleep "${FAKE_INSTALL_S:-0}"
        [[ -z ${FAKE_NO_NETWORK:-} ]] || { echo "ERROR: No matching distribution found for hatchling" >&2; exit 1; } ;;
    *"crosslay.cli.main demo"*) echo "PLAYED $*"; exit "${FAKE_DEMO_EXIT:-0}" ;;
    "-m pytest"*) echo "1 passed in 0.01s"; exit "${FAKE_PYTEST_EXIT:-0}" ;;
esac
"""
FAKE_UV = r"""#!/bin/bash
echo "uv $*" >>"$CALLS"
case "$1" in
    venv)
        mkdir -p "${!#}/bin" && cp "$(dirname "$0")/python3" "${!#}/bin/python" && echo "${!#}" >"${!#}/bin/activate" ;;
    sync) exit "${FAKE_SYNC_EXIT:-0}" ;;
esac
"""
FAKE_APT = '#!/bin/bash\necho "apt-get $*" >>"$CALLS"\necho "E: stand-in" >&2\nexit 100\n'


def executable(path: Path, text: str) -> None:
    path.write_text(text)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


@dataclass
class Clone:
    """A clone with the bootstrap files only, and a PATH with stand-ins only."""

    root: Path
    programs: Path
    calls_file: Path

    def run(self, script: str = "daemon/demo", *words: str, **extra: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([self.root / script, *words], env=self.environment(**extra), cwd="/", text=True,
                              capture_output=True, stdin=subprocess.DEVNULL, timeout=30)

    def environment(self, **extra: str) -> dict[str, str]:
        return {"PATH": str(self.programs), "CALLS": str(self.calls_file), "HOME": str(self.root), **extra}

    def calls(self, beginning: str) -> list[str]:
        return [call for call in self.calls_file.read_text().splitlines() if call.startswith(beginning)]


@pytest.fixture
def clone(tmp_path: Path) -> Clone:
    root = tmp_path / "a clone with blanks"
    for name in ("daemon/bootstrap.sh", "daemon/demo", "tests/run", ".ci/run", "pyproject.toml", "uv.lock"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(PROJECT / name, root / name)
    programs = tmp_path / "programs"
    programs.mkdir()
    for tool in TOOLS:
        found = shutil.which(tool)
        assert found, tool
        (programs / tool).symlink_to(found)
    executable(programs / "python3", FAKE_PYTHON)
    executable(programs / "apt-get", FAKE_APT)
    calls = tmp_path / "calls"
    calls.touch()
    return Clone(root, programs, calls)


class TestPreparing:
    def test_the_first_call_installs_and_the_second_starts_at_once(self, clone: Clone) -> None:
        first = clone.run("daemon/demo", "--json", "two words")
        assert (first.returncode, first.stdout) == (0, "PLAYED -P -m crosslay.cli.main demo --json two words\n")
        assert "once" in first.stderr
        assert len(clone.calls("python -m pip install")) == 1
        clone.calls_file.write_text("")
        second = clone.run("daemon/demo")
        assert (second.returncode, second.stderr) == (0, "")
        assert clone.calls("") == ["python -P -m crosslay.cli.main demo"], "more was started than the demo itself"

    def test_the_editable_project_comes_with_the_extra(self, clone: Clone) -> None:
        clone.run()
        assert clone.calls("python -m pip install")[0].endswith(f"--editable {clone.root}[demo]")

    @pytest.mark.parametrize("name", ["pyproject.toml", "uv.lock", "daemon/bootstrap.sh"])
    def test_changed_project_files_install_again(self, clone: Clone, name: str) -> None:
        clone.run()
        with (clone.root / name).open("a") as file:
            file.write("\n# changed\n")
        clone.run()
        assert len(clone.calls("python -m pip install")) == 2

    def test_a_moved_clone_is_made_anew(self, clone: Clone) -> None:
        clone.run()
        clone.root = clone.root.rename(clone.root.with_name("elsewhere"))
        assert clone.run().returncode == 0
        assert len(clone.calls("python -m venv")) == 2

    def test_an_environment_whose_interpreter_went_away_is_made_anew(self, clone: Clone) -> None:
        clone.run()
        (clone.root / ".venv/bin/python").unlink()
        assert clone.run().returncode == 0

    def test_what_tests_need_covers_the_demo(self, clone: Clone) -> None:
        clone.run("tests/run")
        clone.run("daemon/demo")
        assert [call.rpartition("[")[2] for call in clone.calls("python -m pip install")] == ["test]"]

    def test_concurrent_calls_install_once(self, clone: Clone) -> None:
        environment = clone.environment(FAKE_INSTALL_S="0.5")
        both = [subprocess.Popen([clone.root / "daemon/demo"], env=environment, stdout=subprocess.PIPE,
                                 stderr=subprocess.PIPE, text=True) for _ in range(3)]
        said = [process.communicate(timeout=30) for process in both]
        assert [process.returncode for process in both] == [0, 0, 0]
        assert all(output.startswith("PLAYED") for output, _ in said)
        assert len(clone.calls("python -m pip install")) == 1
        assert sum("Waiting for another call" in errors for _, errors in said) == 2

    def test_it_works_through_a_link_and_from_any_folder(self, clone: Clone, tmp_path: Path) -> None:
        link = tmp_path / "demo"
        link.symlink_to(clone.root / "daemon/demo")
        done = subprocess.run([link], env=clone.environment(), cwd=tmp_path, capture_output=True, text=True)
        assert done.stdout.startswith("PLAYED")

    def test_settings_for_other_projects_do_not_reach_in(self, clone: Clone) -> None:
        executable(clone.programs / "python3", FAKE_PYTHON + '\n[[ -z ${PYTHONPATH:-}${VIRTUAL_ENV:-} ]] || exit 99\n')
        assert clone.run(PYTHONPATH="/nowhere", VIRTUAL_ENV="/nowhere").returncode == 0

    def test_the_exit_code_is_the_demos(self, clone: Clone) -> None:
        assert clone.run(FAKE_DEMO_EXIT="1").returncode == 1


class TestWithUv:
    def test_the_locked_versions_are_taken(self, clone: Clone) -> None:
        executable(clone.programs / "uv", FAKE_UV)
        assert clone.run().returncode == 0
        assert "--frozen" in clone.calls("uv sync")[0]
        assert clone.calls("python -m pip install") == []

    def test_where_those_cannot_be_had_any_that_fit_are(self, clone: Clone) -> None:
        executable(clone.programs / "uv", FAKE_UV)
        assert clone.run(FAKE_SYNC_EXIT="2").returncode == 0
        assert len(clone.calls("uv pip install")) == 1

    def test_where_uv_fails_pip_is_tried(self, clone: Clone) -> None:
        executable(clone.programs / "uv", '#!/bin/bash\necho "error: stand-in" >&2\nexit 2\n')
        done = clone.run()
        assert done.returncode == 0
        assert "trying pip" in done.stderr
        assert len(clone.calls("python -m pip install")) == 1


class TestExplaining:
    def test_without_network_it_is_one_sentence_and_the_next_call_tries_again(self, clone: Clone) -> None:
        done = clone.run(FAKE_NO_NETWORK="1")
        assert done.returncode == 1
        assert "is the network there?" in done.stderr
        assert "No matching distribution found" in done.stderr
        assert ".venv/install.log" in done.stderr
        assert clone.run().returncode == 0

    def test_without_python_it_says_which_packages(self, clone: Clone) -> None:
        (clone.programs / "python3").unlink()
        done = clone.run()
        assert done.returncode == 1
        assert "needs Python 3.11 or newer, found none" in done.stderr
        assert "apt-get install python3 python3-venv" in done.stderr

    def test_an_old_python_is_named(self, clone: Clone) -> None:
        done = clone.run(FAKE_TOO_OLD="1")
        assert done.returncode == 1
        assert "found Python 3.9.2" in done.stderr

    def test_without_the_venv_module_it_says_which_package(self, clone: Clone) -> None:
        done = clone.run(FAKE_NO_VENV="1")
        assert done.returncode == 1
        assert "apt-get install python3-venv" in done.stderr

    def test_root_installs_debian_packages_and_others_are_told(self, clone: Clone) -> None:
        for number, installs in (("0", True), ("1000", False)):
            (clone.programs / "id").unlink()
            executable(clone.programs / "id", f"#!/bin/bash\necho {number}\n")
            clone.calls_file.write_text("")
            assert clone.run(FAKE_NO_VENV="1").returncode == 1
            assert bool(clone.calls("apt-get")) is installs

    def test_a_clone_that_cannot_be_written_is_told(self, clone: Clone) -> None:
        (clone.programs / "mkdir").unlink()  # root may write everywhere, so the refusal is played
        executable(clone.programs / "mkdir", '#!/bin/bash\necho "Read-only file system" >&2\nexit 1\n')
        done = clone.run()
        assert done.returncode == 1
        assert "must be writable" in done.stderr
        assert len(done.stderr.splitlines()) == 2


class TestRunningTheChecks:
    @pytest.fixture
    def prepared(self, clone: Clone) -> Clone:
        """An environment in which every tool is a stand-in that succeeds."""
        clone.run("tests/run")
        for tool in ("ruff", "mypy", "lint-imports"):
            executable(clone.root / ".venv/bin" / tool, f'#!/bin/bash\necho "{tool} $*" >>"$CALLS"\n')
        for tool in ("mosquitto_sub", "strace"):
            executable(clone.programs / tool, "#!/bin/bash\n")
        clone.calls_file.write_text("")
        return clone

    def test_every_check_runs_and_the_last_line_sums_up(self, prepared: Clone) -> None:
        done = prepared.run("tests/run", "tests/bus", "-k", "two words")
        assert done.returncode == 0, done.stderr
        assert prepared.calls("") == [
            "ruff check daemon adapters tests", "mypy ", "lint-imports ", "python -m pytest tests/bus -k two words",
        ]
        assert re.fullmatch(r"tests/run: everything passed in \d+ s \(ruff, mypy, import-linter, pytest\)",
                            done.stdout.splitlines()[-1])

    def test_without_arguments_tests_run_side_by_side_and_benchmarks_alone(self, prepared: Clone) -> None:
        done = prepared.run("tests/run")
        assert done.returncode == 0, done.stderr
        tests, benchmarks = prepared.calls("python -m pytest")
        assert "-n " in tests
        assert "--ignore tests/benchmarks" in tests
        assert "-n " not in benchmarks
        assert benchmarks.endswith("tests/benchmarks")

    @pytest.mark.parametrize("broken", ["ruff", "mypy", "import-linter", "pytest"])
    def test_a_failed_check_is_named_and_the_others_still_run(self, prepared: Clone, broken: str) -> None:
        if broken != "pytest":
            tool = {"import-linter": "lint-imports"}.get(broken, broken)
            executable(prepared.root / ".venv/bin" / tool, '#!/bin/bash\nexit 3\n')
        done = prepared.run("tests/run", "-x", **({"FAKE_PYTEST_EXIT": "1"} if broken == "pytest" else {}))
        assert done.returncode == 1
        assert re.fullmatch(rf"tests/run: FAILED after \d+ s: {broken}", done.stdout.splitlines()[-1])
        assert len(prepared.calls("python -m pytest")) == 1

    def test_a_campaign_is_told_to_the_tests_and_not_to_pytest(self, prepared: Clone) -> None:
        executable(prepared.root / ".venv/bin/mypy", '#!/bin/bash\necho "campaign ${CROSSLAY_CAMPAIGN:-}" >>"$CALLS"\n')
        prepared.run("tests/run", "--campaign", "-x")
        assert prepared.calls("campaign") == ["campaign 1"]
        assert prepared.calls("python -m pytest") == ["python -m pytest -x"]

    def test_programs_that_are_missing_are_said_aloud(self, prepared: Clone) -> None:
        (prepared.programs / "mosquitto_sub").unlink()
        done = prepared.run("tests/run")
        assert done.returncode == 0
        assert "WARNING" in done.stderr
        assert "apt-get install mosquitto-clients" in done.stderr

    def test_the_integration_server_runs_the_same(self, prepared: Clone) -> None:
        done = prepared.run(".ci/run", "-x")
        assert done.returncode == 0
        assert prepared.calls("python -m pytest") == ["python -m pytest -x"]

    def test_help_needs_no_environment(self, clone: Clone) -> None:
        done = clone.run("tests/run", "--help")
        assert done.returncode == 0
        assert "--campaign" in done.stdout
        assert clone.calls("") == []


class TestLock:
    def test_it_names_no_host_but_the_public_index(self) -> None:
        hosts = set(re.findall(r"https?://([^/\"]+)", (PROJECT / "uv.lock").read_text("utf-8")))
        assert hosts == {"pypi.org", "files.pythonhosted.org"}

    def test_it_holds_what_the_project_asks_for(self) -> None:
        project = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["project"]
        wanted = {(name_of(text), "", specifier_of(text)) for text in project["dependencies"]}
        for extra, texts in project["optional-dependencies"].items():
            wanted |= {(name_of(text), extra, specifier_of(text)) for text in texts}
        lock = tomllib.loads((PROJECT / "uv.lock").read_text("utf-8"))
        own = next(package for package in lock["package"] if package["name"] == "crosslay")
        locked = {
            (entry["name"], entry.get("marker", "").removeprefix("extra == '").removesuffix("'"),
             frozenset(entry.get("specifier", "").split(",")))
            for entry in own["metadata"]["requires-dist"]
        }
        assert locked == wanted, "pyproject.toml changed: run `uv lock`"


def name_of(requirement: str) -> str:
    return re.split(r"[<>=!~;\[ ]", requirement)[0].lower()


def specifier_of(requirement: str) -> frozenset[str]:
    return frozenset(requirement[len(re.split(r"[<>=!~;\[ ]", requirement)[0]):].replace(" ", "").split(","))


@pytest.mark.campaign
@pytest.mark.skipif(os.environ.get("CROSSLAY_CAMPAIGN") != "1", reason="downloads everything; tests/run --campaign")
@pytest.mark.timeout(600)
def test_a_fresh_clone_plays_the_demo(tmp_path: Path) -> None:
    root = tmp_path / "fresh clone"
    listing = ["git", "ls-files", "-coz", "--exclude-standard"]
    files = subprocess.run(listing, cwd=PROJECT, capture_output=True, check=True).stdout
    for name in filter(None, files.decode().split("\0")):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(PROJECT / name, root / name)
    environment = {**os.environ, "PATH": f"{Path(sys.base_prefix) / 'bin'}:{os.environ['PATH']}"}
    for seconds in (500, 60):
        done = subprocess.run([root / "daemon/demo", "--parts", "2"], cwd="/", env=environment, capture_output=True,
                              text=True, timeout=seconds)
        assert done.returncode == 0, done.stderr


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_the_scripts_are_clean_for_shellcheck() -> None:
    done = subprocess.run(["shellcheck", "-x", "-P", "SCRIPTDIR", "daemon/demo", "tests/run", ".ci/run"], cwd=PROJECT,
                          capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
