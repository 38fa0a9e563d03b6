"""Runs the command as a person or a script would: in this process, which is quick, or as the installed program."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crosslay.cli.main import main

COMMAND = Path(sys.executable).with_name("crosslay")


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command printed and ended with."""

    code: int
    out: str
    err: str

    def objects(self) -> list[dict[str, Any]]:
        """One JSON object per line, and nothing else; NaN and Infinity are no JSON."""
        return [json.loads(line, parse_constant=_refuse) for line in self.out.splitlines()]


def _refuse(word: str) -> None:
    raise AssertionError(f"{word} is not JSON")


def crosslay(*words: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None) -> Ran:
    """Run it in this process; an exception that gets out is a failure of the test."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), _there(cwd), _environment(env):
        code = main([str(word) for word in words])
    return Ran(code, out.getvalue(), err.getvalue())


def crosslay_program(*words: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None) -> Ran:
    """Run the installed program; a traceback on standard error fails the test, whatever the exit code."""
    done = subprocess.run([COMMAND, *map(str, words)], cwd=cwd, env=env, capture_output=True, timeout=60)
    ran = Ran(done.returncode, done.stdout.decode(), done.stderr.decode())
    assert "Traceback" not in ran.err, ran.err
    return ran


@contextlib.contextmanager
def _there(folder: Path | None) -> Iterator[None]:
    if folder is None:
        yield
        return
    with contextlib.chdir(folder):
        yield


@contextlib.contextmanager
def _environment(env: dict[str, str] | None) -> Iterator[None]:
    before = dict(os.environ)
    if env is not None:
        os.environ.clear()
        os.environ.update(env)
    try:
        yield
    finally:
        os.environ.clear()
        os.environ.update(before)
