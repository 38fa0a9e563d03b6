"""The command itself: verbs, help, version, lost outputs, interrupts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from command_line import COMMAND, Ran, crosslay, crosslay_program
from crosslay import __version__
from crosslay.cli.main import VERBS, main


@pytest.mark.parametrize("word", ["--version", "-V"])
def test_version(word):
    expected = Ran(0, f"crosslay {__version__}\n", "")
    assert crosslay(word) == expected
    assert crosslay_program(word) == expected


def test_version_imports_neither_numpy_nor_argparse():
    code = "import sys; from crosslay.cli.main import main; main(['--version']); print(*sys.modules)"
    names = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.splitlines()[-1].split()
    assert not {"numpy", "argparse", "pydantic", "typing", "crosslay.cli.dispatch"} & set(names)


@pytest.mark.parametrize("word", ["--help", "-h", "help"])
def test_help_names_every_verb(word):
    ran = crosslay(word)
    assert ran.code == 0
    assert all(f"  {verb} " in ran.out for verb in VERBS)


@pytest.mark.parametrize("verb", sorted(VERBS))
def test_every_verb_has_help(verb):
    ran = crosslay(verb, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert f"crosslay {verb}" in ran.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "needs a verb"), (["evalute"], 'Did you mean "evaluate"'), (["x"], 'no verb "x"'),
        (["--verbose"], 'no option "--verbose"'), ([""], "needs a verb"),
    ],
)
def test_what_is_no_verb(words, said):
    ran = crosslay(*words)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize("words", [["--version"], ["--help"], ["settings", "Ra 0.8", "--json"]])
def test_output_that_cannot_be_written_is_said_and_a_closed_one_is_not_missed(words):
    command = f'"{COMMAND}" ' + " ".join(f'"{word}"' for word in words)
    full = subprocess.run(["bash", "-c", f"{command} >/dev/full"], capture_output=True, text=True)
    assert full.returncode == 2
    assert full.stderr.count("\n") == 1
    assert "standard output cannot be written" in full.stderr
    for closing in (">&-", "2>&-", ">&- 2>&-"):
        closed = subprocess.run(["bash", "-c", f"{command} {closing}"], capture_output=True, text=True)
        assert (closed.returncode, closed.stderr) == (0, "")
    gone = subprocess.run(["bash", "-c", f"{command} | true; echo ${{PIPESTATUS[0]}}"], capture_output=True, text=True)
    assert gone.stdout.strip() in {"0", "141"}
    assert gone.stderr == ""


def test_an_interrupt_is_exit_130_without_a_word(tmp_path: Path):
    waiting = tmp_path / "waits.csv"
    os.mkfifo(waiting)
    running = subprocess.Popen([COMMAND, "evaluate", waiting], stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        with waiting.open("wb"):  # opens only when the command reads
            running.send_signal(signal.SIGINT)
            out, err = running.communicate(timeout=30)
    finally:
        running.kill()
        running.wait()
    assert (running.returncode, out, err) == (130, b"", b"")


def test_main_returns_the_exit_code(capsys):
    assert main(["--version"]) == 0
    assert main(["settings", "Ra"]) == 2
    assert "character 3" in capsys.readouterr().err
