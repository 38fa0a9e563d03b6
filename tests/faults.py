"""Faults of the disk under a running station, by strace: the kernel's answer is replaced, the call is not made."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from counting_mes import CountingMes
from station_harness import StationUnderTest, wait_for
from syscall_log import tracer_of

needs_strace = pytest.mark.skipif(shutil.which("strace") is None, reason="LOUD: no strace; apt-get install strace")
#: The issue's promise: results flow again so soon after the fault is over.
RESUMES_S = 5.0


def take_at_once(op30: StationUnderTest) -> None:
    """Files count as complete at once, so that what a kill left over is taken right at the next start."""
    op30.file.write_text(op30.file.read_text().replace('"incoming"', '"incoming"\nsettle_s = 0.05'))


@contextmanager
def failing(op30: StationUnderTest, calls: str, error: str, *names: str) -> Iterator[Path]:
    """Let system calls on files of the state directory fail; yields the log of the calls that did."""
    assert op30.process is not None
    log = op30.folder / "injected.log"
    paths = [word for name in names for word in ("-P", str((op30.state_dir / name).resolve()))]
    inject = ["-e", f"trace={calls}", "-e", f"inject={calls}:error={error}"]
    with subprocess.Popen(
        ["strace", "-f", "-p", str(op30.process.pid), *paths, *inject, "-o", str(log)], stderr=subprocess.DEVNULL
    ) as tracer:
        try:
            wait_for(lambda: is_traced(op30.process.pid, tracer.pid), 10, "strace to attach to every thread")
            yield log
        finally:
            tracer.terminate()


def is_traced(process_id: int, tracer: int) -> bool:
    return all(tracer_of(int(task.name)) == tracer for task in Path(f"/proc/{process_id}/task").iterdir())


def parts_seen(mes: CountingMes) -> list[str]:
    return sorted(set(mes.parts()))
