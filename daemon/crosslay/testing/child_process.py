"""Children that cannot outlive the process that started them."""

from __future__ import annotations

import shutil
import signal
import subprocess
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import IO

#: How long an orderly stop may take before the child is killed.
STOP_TIMEOUT_S = 5.0


@cache
def _tether() -> tuple[str, ...]:
    """Prefix that asks the kernel to kill the child when the starting thread dies, even by SIGKILL.

    ``setpriv`` (util-linux, present on every Debian) does it before it becomes the child, with the same process id.
    A ``preexec_fn`` would do it too, but may deadlock where the caller has threads.
    """
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        return ()
    return (setpriv, "--pdeathsig", "KILL", "--")


def spawn(
    command: Sequence[str | Path], *, output: IO[bytes] | int, errors: IO[bytes] | int = subprocess.STDOUT,
    environment: Mapping[str, str] | None = None, folder: Path | None = None,
) -> subprocess.Popen[bytes]:
    """Start a child in a session of its own, so that Ctrl-C at the terminal reaches only the parent.

    The parent then stops its children in the order that it wants. Call from a thread that lives as long as the child
    shall: the kernel ties the child to that thread.

    Parameters
    ----------
    command
        Program and arguments.
    output, errors
        Where the child's standard output and error go; by default both to `output`.
    environment
        The child's whole environment; by default this process's.
    folder
        Working directory of the child.
    """
    return subprocess.Popen(  # noqa: S603 - the command is made by the caller, never by input
        [*_tether(), *map(str, command)], stdin=subprocess.DEVNULL, stdout=output, stderr=errors,
        env=None if environment is None else dict(environment), cwd=folder, start_new_session=True,
    )


def stop(process: subprocess.Popen[bytes], *, timeout_s: float = STOP_TIMEOUT_S) -> int:
    """Ask a child to end, kill it where it does not, and reap it.

    Returns
    -------
    int
        Its exit status as `subprocess.Popen.returncode`; negative where a signal ended it.
    """
    if process.poll() is None:
        process.send_signal(signal.SIGCONT)
        process.terminate()
        try:
            process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
    return process.wait()
